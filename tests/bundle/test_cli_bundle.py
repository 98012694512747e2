"""The command line of publishing and rechecking, end to end on a small invented campaign."""

import hashlib
import json
import re
import zipfile

import pytest

from cordlab import cli
from cordlab.bundle import publish
from cordlab.bundle.compare import WITHIN
from cordlab.bundle.recheck import recheck
from cordlab.synthetic import invent
from tests.test_analysis import SMALL

WHO = ["--author", "An invented author", "--licence", "CC-BY-4.0", "--date", "2026-05-04"]


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    """Published once, by the command."""
    place = tmp_path_factory.mktemp("published")
    invent(place / "campaign", seed=3, **(SMALL | {"records": False}))
    assert cli.main(["publish", str(place / "campaign"), str(place / "bundle.zip"), *WHO, "--quiet"]) == 0
    return place / "bundle.zip"


def changed(bundle, path, name, change, *, manifest=True):
    """The bundle with one file changed (bytes → bytes), and the manifest made to agree with it where asked."""
    with zipfile.ZipFile(bundle) as archive:
        contents = {entry: archive.read(entry) for entry in archive.namelist()}
    before, contents[name] = contents[name], change(contents[name])
    assert contents[name] != before
    if manifest:
        digests = (hashlib.sha256(data).hexdigest() for data in (before, contents[name]))
        old, new = (f"{digest}  {name}\n".encode() for digest in digests)
        contents[publish.MANIFEST] = contents[publish.MANIFEST].replace(old, new)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for entry, data in contents.items():
            archive.writestr(entry, data)
    return path


def replaced(old, new):
    return lambda data: data.replace(old, new, 1)


def test_a_published_bundle_agrees_and_recheck_writes_nothing(bundle, capsys):
    before = sorted(bundle.parent.rglob("*"))
    assert cli.main(["recheck", str(bundle)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("the bundle agrees with its inputs\n")
    counts = [int(count) for count in re.search(r"(\d+) values: (\d+) equal, 0 equal .*, 0 differs", out).groups()]
    assert counts[0] == counts[1] > 1000
    assert err == ""
    assert sorted(bundle.parent.rglob("*")) == before


def test_what_is_refused_stands_on_a_line_each_with_exit_2(bundle, tmp_path, capsys):
    who = ["--author", "", "--licence", " ", "--date", "yesterday", "--quiet"]
    assert cli.main(["publish", str(bundle.parent / "campaign"), str(tmp_path / "a.zip"), *who]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert [line.split()[:2] for line in err.splitlines()] == [["no", "licence"], ["no", "author"], ["the", "date"]]
    assert err.count("never invented") == 2
    assert list(tmp_path.iterdir()) == []


def test_an_altered_file_is_named_with_exit_1(bundle, tmp_path, capsys):
    bad = changed(bundle, tmp_path / "bad.zip", "report.html", replaced(b"Test", b"Best"), manifest=False)
    assert cli.main(["recheck", str(bad)]) == 1
    out = capsys.readouterr().out
    assert out.startswith("THE BUNDLE DIFFERS\ndiffers: report.html is not the file that the manifest lists\n")


def test_an_altered_input_is_named_though_the_manifest_agrees(bundle, tmp_path, capsys):
    """A decision changed, and the checksums forged: the numbers still tell."""
    name = "campaign/campaign.toml"
    bad = changed(bundle, tmp_path / "bad.zip", name, replaced(b"probability = 0.95", b"probability = 0.90"))
    assert cli.main(["recheck", str(bad), "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert {file["name"] for file in answer["files"] if file["verdict"] == "differs"} == {"results.json"}
    assert "the input campaign.toml is not the same file" in answer["comparison"]["reasons"]
    assert "[decision] probability was 0.95, is 0.9" in answer["comparison"]["reasons"]


def test_another_seed_gives_the_same_numbers_within_their_error(bundle, tmp_path):
    """Of the real chain: nothing differs but the seed itself."""
    with zipfile.ZipFile(bundle) as archive:
        seed = re.search(rb"seed = (\d+)", archive.read("campaign/campaign.toml"))[0]
    name = "campaign/campaign.toml"
    comparison = recheck(changed(bundle, tmp_path / "b.zip", name, replaced(seed, b"seed = 987"))).comparison
    names = {line.name for line in comparison.differing}
    assert names == {"campaign.decision.seed", "campaign.digests.campaign.toml", "campaign.sha256"}
    assert comparison.counts[WITHIN] > 100


@pytest.mark.parametrize("missing", ["--author", "--licence", "--date"])
def test_who_and_when_are_asked_for(bundle, tmp_path, capsys, missing):
    k = WHO.index(missing)
    with pytest.raises(SystemExit, match="2"):
        cli.main(["publish", str(bundle.parent / "campaign"), str(tmp_path / "b.zip"), *WHO[:k], *WHO[k + 2 :]])
    assert f"required: {missing}" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_two_results_are_compared(bundle, tmp_path, capsys):
    first, second = tmp_path / "first.json", tmp_path / "second.json"
    with zipfile.ZipFile(bundle) as archive:
        results = json.loads(archive.read("results.json"))
    first.write_text(json.dumps(results), encoding="utf-8")
    assert cli.main(["recheck", str(first), str(first)]) == 0
    results["drops"][0]["lowest_point"] += 1
    second.write_text(json.dumps(results), encoding="utf-8")
    capsys.readouterr()
    assert cli.main(["recheck", str(first), str(second)]) == 1
    assert f"drops[{results['drops'][0]['drop']}].lowest_point" in capsys.readouterr().out
    assert cli.main(["recheck", str(tmp_path / "nowhere.zip")]) == 2
    assert "nowhere.zip" in capsys.readouterr().err
    second.write_text("[]", encoding="utf-8")
    assert cli.main(["recheck", str(first), str(second)]) == 2

"""Bundles: repeatable bytes, sound metadata, hostile zips refused, every alteration found and named."""

import copy
import hashlib
import json
import os
import shutil
import stat
import subprocess
import warnings
import zipfile
from concurrent.futures import ThreadPoolExecutor

import pytest

from cordlab.bundle import publish, recheck
from cordlab.bundle.compare import DIFFERS, EQUAL, WITHIN, compare, headlines
from cordlab.bundle.publish import PublishError
from cordlab.bundle.unpack import MOST_BYTES, MOST_FILES, MOST_TIMES, BundleError, unpack
from cordlab.report import figures as plots
from cordlab.report import page as report
from tests.bundle.test_cli_bundle import changed
from tests.specimen import specimen

WHO = {"licence": "https://creativecommons.org/licenses/by/4.0/", "author": "An invented author", "date": "2026-05-04"}


@pytest.fixture(autouse=True)
def _few_figures(monkeypatch):
    monkeypatch.setattr(plots, "all_figures", lambda analysis: {})
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1777888800")  # the run is the same one


ERRORS = {
    "predictions[].g_limit": 0.004,
    "predictions[86]": None,
    "wear.tested": 0.03,
    "uncertainty[clearance].word": 0.02,
    "budget[].share": 0.005,
    "rating.heaviest": 0.04,
}
"""Invented Monte Carlo standard errors, of a column, a row, a part and single numbers; the specimen has no draws."""


@pytest.fixture(scope="module")
def results():
    return json.loads(report.as_json(report.results_of(specimen()) | {"monte_carlo": ERRORS}))


def publish_specimen(path, **options):
    analysis = specimen()
    return publish.publish(analysis.campaign.folder, path, analysis=analysis, **(WHO | options))


@pytest.fixture
def bundle(tmp_path):
    return publish_specimen(tmp_path / "bundle.zip").path


@pytest.fixture
def no_new_numbers(monkeypatch):
    """Re-running gives the specimen again: here the comparison is tested, not the chain."""
    monkeypatch.setattr(recheck, "analyse", lambda campaign, progress=None: specimen())


def altered(bundle, name, change, *, manifest=True):
    """The bundle with one file changed, and the manifest made to agree with it where asked."""
    return changed(bundle, bundle.with_name("altered.zip"), name, change, manifest=manifest)


# --- publish


def test_the_same_inputs_give_the_same_bytes(tmp_path):
    first, second = (publish_specimen(tmp_path / name) for name in ("a.zip", "b.zip"))
    assert first.path.read_bytes() == second.path.read_bytes()
    assert first.sha256 == second.sha256
    assert publish_specimen(tmp_path / "c.zip", date="2026-05-05").sha256 != first.sha256


def test_inputs_results_and_report_are_in_it_and_the_checksums_hold(bundle, tmp_path):
    """Checked by another program, `sha256sum`."""
    with zipfile.ZipFile(bundle) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path / "out")
        names = set(archive.namelist())
    assert {f"campaign/{name}" for name in specimen().campaign.digests} < names
    assert {"results.json", "report.html", "README.txt", "ro-crate-metadata.json"} < names
    if shutil.which("sha256sum") is None:
        pytest.skip("there is no sha256sum here")
    done = subprocess.run(
        ["sha256sum", "-c", "--strict", publish.MANIFEST], cwd=tmp_path / "out", capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) == len(names) - 1


def test_metadata_is_a_ro_crate_that_the_library_reads(bundle, tmp_path):
    """RO-Crate 1.3, "Root Data Entity": name, description, datePublished and license are required."""
    from rocrate.rocrate import ROCrate

    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(tmp_path / "out")
    crate = ROCrate(tmp_path / "out")
    root = crate.root_dataset
    assert crate.metadata.generate()["@context"] == "https://w3id.org/ro/crate/1.3/context"
    assert root["author"]["name"] == WHO["author"]
    assert root["license"].id == WHO["licence"]
    assert root["datePublished"] == WHO["date"]
    assert root["name"] == specimen().campaign.title
    listed = {part.id for part in root["hasPart"]}
    there = {str(path.relative_to(tmp_path / "out")) for path in (tmp_path / "out").rglob("*") if path.is_file()}
    assert listed == there - {"ro-crate-metadata.json", publish.MANIFEST}


def test_the_report_alone(tmp_path):
    """A bundle to read, not to re-run: nothing of the inputs is in it, and rechecking says so."""
    made = publish_specimen(tmp_path / "report.zip", report_only=True)
    assert sorted(made.files) == ["README.txt", "report.html", "ro-crate-metadata.json"]
    assert "nobody can re-run" in made.summary()
    with pytest.raises(BundleError, match="the report alone was published") as error:
        recheck.recheck(made.path)
    assert "its files are as the manifest says" in error.value.problems[1]
    bad = altered(made.path, "report.html", lambda data: data.replace(b"Test", b"Best"), manifest=False)
    with pytest.raises(BundleError, match=r"report\.html is not the file that the manifest lists"):
        recheck.recheck(bad)


def test_a_licence_that_is_no_address_is_named(tmp_path):
    with zipfile.ZipFile(publish_specimen(tmp_path / "a.zip", licence="All rights reserved").path) as archive:
        graph = json.loads(archive.read("ro-crate-metadata.json"))["@graph"]
    assert {"@id": "#licence", "@type": "CreativeWork", "name": "All rights reserved"} in graph


def test_the_laboratory_is_the_publisher_where_it_is_given(tmp_path, monkeypatch, results):
    given = copy.deepcopy(results)
    given["campaign"]["report"] = {"laboratory": "An invented laboratory"}
    monkeypatch.setattr(report, "results_of", lambda analysis, before: given)
    with zipfile.ZipFile(publish_specimen(tmp_path / "a.zip").path) as archive:
        graph = {part["@id"]: part for part in json.loads(archive.read("ro-crate-metadata.json"))["@graph"]}
    assert graph["#laboratory"] == {"@id": "#laboratory", "@type": "Organization", "name": "An invented laboratory"}
    assert graph["./"]["publisher"] == graph["#author"]["affiliation"] == {"@id": "#laboratory"}


def test_inputs_that_changed_since_are_refused(tmp_path):
    folder = shutil.copytree(specimen().campaign.folder, tmp_path / "campaign")
    (folder / "drops.csv").write_bytes((folder / "drops.csv").read_bytes() + b"\n")
    (folder / "cords.csv").unlink()
    with pytest.raises(PublishError) as error:
        publish.publish(folder, tmp_path / "a.zip", analysis=specimen(), **WHO)
    told = "\n".join(error.value.problems)
    assert "drops.csv has changed since it was analysed" in told
    assert "cords.csv is gone, or cannot be read" in told


def test_a_notebook_must_have_been_run(tmp_path):
    cell = {"cell_type": "code", "source": ["1 + 1"], "execution_count": None, "outputs": [], "metadata": {}}
    path = tmp_path / "a.ipynb"
    path.write_text(json.dumps({"cells": [cell], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}))
    with pytest.raises(PublishError, match="cells that were not run"):
        publish_specimen(tmp_path / "a.zip", notebooks=[path])
    path.write_text(path.read_text().replace("null", "1"))
    assert "notebooks/a.ipynb" in publish_specimen(tmp_path / "a.zip", notebooks=[path]).files
    path.write_text("[]")
    with pytest.raises(PublishError, match="is not a notebook"):
        publish_specimen(tmp_path / "a.zip", notebooks=[path])


# --- recheck


def test_one_byte_of_the_zip_itself(bundle, tmp_path):
    data = bytearray(bundle.read_bytes())
    with zipfile.ZipFile(bundle) as archive:
        entry = archive.getinfo("results.json")
    data[entry.header_offset + 30 + len("results.json") + entry.compress_size // 2] ^= 1
    (tmp_path / "bad.zip").write_bytes(data)
    with pytest.raises(BundleError, match="not a whole zip file"):
        recheck.recheck(tmp_path / "bad.zip")


def test_one_number_of_the_results_even_with_a_manifest_to_match(bundle, no_new_numbers):
    def change(data):
        results = json.loads(data)
        results["predictions"][20]["clearance_limit"] += 0.01
        return report.as_json(results).encode()

    found = recheck.recheck(altered(bundle, "results.json", change))
    (line,) = found.comparison.differing
    assert line.name == "predictions[53].clearance_limit"
    assert line.old == pytest.approx(line.new + 0.01)
    assert [file.name for file in found.differing] == ["results.json"]
    assert "does not follow from its inputs" in found.comparison.reasons[0]
    assert line.summary() in found.summary()


def test_a_campaign_that_cannot_be_read_any_more(bundle, no_new_numbers):
    found = recheck.recheck(altered(bundle, "campaign/drops.csv", lambda data: data.replace(b"36.00", b"-36.00")))
    assert not found.agrees
    assert found.comparison is None
    assert any("drops.csv" in problem for problem in found.problems)


def test_a_zip_that_is_no_bundle(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("a.txt", "a")
    with pytest.raises(BundleError, match="not a bundle"):
        recheck.recheck(tmp_path / "a.zip")


# --- two results compared


def test_another_seed_is_told_from_another_number(results):
    other = copy.deepcopy(results)
    other["campaign"]["decision"]["seed"] += 1
    row = other["predictions"][30]
    row["g_limit"] += 0.005  # within the error of the draws, which the limit's distance from its estimate bounds
    row["lowest_point"] += 0.005  # an estimate is not drawn
    other["predictions"][31]["g_limit"] += 0.1
    verdicts = {line.name: line.verdict for line in compare(results, other).lines}
    assert verdicts["predictions[63].g_limit"] == WITHIN
    assert verdicts["predictions[63].lowest_point"] == DIFFERS
    assert verdicts["predictions[64].g_limit"] == DIFFERS
    assert verdicts["campaign.decision.seed"] == DIFFERS
    assert "[decision] seed was 20, is 21" in compare(results, other).reasons


def test_with_other_draws_a_judgement_may_turn_where_the_results_say_so_and_nowhere_else(results):
    for mass, verdict in ((86.0, WITHIN), (95.0, DIFFERS)):
        other = copy.deepcopy(results) | {"versions": results["versions"] | {"numpy": "9.9"}}
        (row,) = (row for row in other["predictions"] if row["mass"] == mass)
        row["rated"] = True
        (line,) = (line for line in compare(results, other).lines if line.name == f"predictions[{mass:g}].rated")
        assert line.verdict == verdict


def test_with_other_draws_a_number_may_move_by_its_standard_errors_and_by_no_more(results):
    for times, verdict in ((5.6, WITHIN), (5.7, DIFFERS)):
        other = copy.deepcopy(results) | {"versions": results["versions"] | {"machine": "another"}}
        other["wear"]["tested"][-1]["lower"] += times * 0.03
        other["budget"][0]["share"] -= times * 0.005
        other["rating"]["heaviest"] += times * 0.04
        word = other["uncertainty"][0]["word"]
        other["uncertainty"][0]["word"] = word.replace("4.26", f"{4.26 + times * 0.02 * 4.26 + 0.01:.4f}")
        moved = {line.name: line.verdict for line in compare(results, other).lines if line.verdict != EQUAL}
        budget = "budget[clearance, cord to cord (length and mass too)].share"
        names = ("wear.tested[500].lower", budget, "rating.heaviest", "uncertainty[clearance].word")
        assert moved == dict.fromkeys(names, verdict)


def test_results_that_do_not_say_how_sure_they_are_are_held_to_be_exact(results):
    """Those of an earlier cordlab: read and compared all the same."""
    old, other = copy.deepcopy(results), copy.deepcopy(results)
    del old["monte_carlo"]
    other["campaign"]["decision"]["seed"] += 1
    other["predictions"][30]["g_limit"] += 1e-4
    comparison = compare(old, other)
    names = {line.name for line in comparison.differing}
    assert names == {"campaign.decision.seed", "predictions[63].g_limit"}
    assert "do not say how sure drawn numbers are" in comparison.reasons[-1]


def test_standard_errors_that_somebody_wrote_into_published_results_allow_nothing(results):
    forged, new = copy.deepcopy(results), copy.deepcopy(results)
    new["campaign"]["decision"]["seed"] += 1
    forged["predictions"][40]["g_limit"] += 0.03
    forged["monte_carlo"]["predictions[].g_limit"] = 1.0
    assert "predictions[73].g_limit" in {line.name for line in compare(forged, new).differing}
    assert "monte_carlo.predictions[].g_limit" in {line.name for line in compare(forged, results).differing}


def test_with_the_same_draws_nothing_is_put_down_to_them(results):
    other = copy.deepcopy(results)
    other["predictions"][30]["g_limit"] += 0.005
    assert [line.name for line in compare(results, other).differing] == ["predictions[63].g_limit"]


def test_versions_and_platform_are_likely_reasons(results):
    other = copy.deepcopy(results) | {"cordlab": "9.0"}
    other["versions"] |= {"numpy": "9.9", "machine": "another machine"}
    other["curve"]["parameters"]["c1"] *= 1.01
    told = compare(results, other).reasons
    assert any("cordlab" in reason and "9.0 now" in reason for reason in told)
    assert any("numpy" in reason for reason in told)
    assert any(reason.startswith("platform") for reason in told)


def test_rows_are_matched_by_what_they_are_about_not_by_their_place(results):
    other = copy.deepcopy(results)
    other["predictions"].reverse()
    assert compare(results, other).agrees
    del other["predictions"][0]
    gone = compare(results, other).differing
    assert {line.new for line in gone} == {"missing"}
    assert all(line.name.startswith("predictions[97]") for line in gone)


def test_rounding_of_another_machine_is_equal(results):
    other = copy.deepcopy(results)
    other["curve"]["parameters"]["c1"] *= 1 + 1e-10
    assert compare(results, other).agrees


# --- two bundles compared


@pytest.fixture
def later(tmp_path, monkeypatch, results):
    """The same batch at a later date, invented: a cord more, a narrower range, a lot that is not issued."""
    other = copy.deepcopy(results)
    other["rating"] |= {"heaviest": 81.0, "governed_by": {"light": "g", "heavy": "stretch ratio"}}
    other["drops"].append(other["drops"][0] | {"drop": "A9-36", "cord": "A9", "jumps": 700})
    other["lot"]["issued"] = not other["lot"]["issued"]
    (tmp_path / "later").mkdir()
    with monkeypatch.context() as patched:
        patched.setattr(report, "results_of", lambda analysis, before: other)
        return publish_specimen(tmp_path / "later" / "later.zip").path


def test_two_bundles_say_in_words_what_changed(bundle, later, no_new_numbers):
    found = recheck.versus(bundle, later)
    assert not found.agrees
    told = found.headlines
    assert "rated: 45.0 to 85.0 kg (g; clearance) → 45.0 to 81.0 kg (g; stretch ratio)" in told
    assert "drops new: A9-36" in told
    assert "cords new: A9" in told
    assert any(line.startswith("lot: ") and "→" in line for line in told)
    assert any(line.startswith("wear: ") and line.endswith("unchanged") for line in told)
    assert {line.name for line in found.comparison.differing} >= {"rating.heaviest", "lot.issued"}
    assert found.to_dict()["headlines"] == list(told)
    assert recheck.versus(bundle, bundle).agrees


def test_of_two_bundles_the_altered_one_is_named(bundle, later):
    bad = altered(later, "report.html", lambda data: data + b" ", manifest=False)
    (file,) = recheck.versus(bundle, bad).differing
    assert file.summary() == "differs: altered.zip: report.html is not the file that the manifest lists"


def test_another_batch_is_said_first(results):
    other = copy.deepcopy(results)
    other["campaign"]["batch"] = "another one"
    assert headlines(results, other)[0] == "not the same batch: invented, then another one"


# --- hostile zips


def zipped(tmp_path, *entries):
    """A zip of (name or ZipInfo, data)."""
    path = tmp_path / "hostile.zip"
    with warnings.catch_warnings(), zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        warnings.simplefilter("ignore")  # the library warns of duplicates
        for name, data in entries:
            archive.writestr(name, data)
    return path


def refused_by(path, tmp_path):
    inside = tmp_path / "inside"
    inside.mkdir()
    with pytest.raises(BundleError) as error:
        unpack(path, inside)
    assert list(inside.rglob("*")) == []
    assert {found.name for found in tmp_path.iterdir()} == {"inside", path.name}
    return "\n".join(error.value.problems)


def _link():
    entry = zipfile.ZipInfo("campaign/link")
    entry.create_system, entry.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    return entry


@pytest.mark.parametrize(
    ("entries", "why"),
    [
        ([("../outside.txt", "x")], "leads out of the folder"),
        ([("a/../../outside.txt", "x")], "leads out of the folder"),
        ([("/tmp/outside.txt", "x")], "absolute path"),
        ([("C:/outside.txt", "x")], "absolute path"),
        ([("a\\..\\outside.txt", "x")], "a character in its name"),
        ([("a\x1b[2J.txt", "x")], "a character in its name"),
        ([("a//b.txt", "x")], "empty step"),
        ([("aux:stream", "x")], "not every system"),
        ([(f"{'a' * 300}.txt", "x")], "too long"),
        ([(_link(), "/etc/passwd")], "a link or a device"),
        ([("a.txt", "x"), ("A.txt", "y")], "there twice"),
        ([("a.txt", "x"), ("a.txt", "y")], "there twice"),
        ([("A", "x"), ("a/b", "y")], "'A' is a file and a folder"),
        *(
            ([(name, "x")], "the name of a device")
            for name in ("con", "records/AUX.csv", "lpt1.tar.gz", "com¹", "nul .txt", "a/CONIN$/b")
        ),
        # what cannot be shown is spelled, and not shortened
        (
            [("records/" + "a" * 100 + "\u202egnp.exe\U000e0041", "x")],
            "a" * 100 + r"\u202egnp.exe\U000e0041' has a character in its name",
        ),
        ([("bomb.csv", b"\0" * 20_000_000)], "times its size"),
        ([(f"{k}.txt", b"0" * 1_000_000) for k in range(10)], "unpacks to 10000000 bytes"),
    ],
)
def test_hostile_entries_are_refused_before_anything_is_written(tmp_path, entries, why):
    assert why in refused_by(zipped(tmp_path, *entries), tmp_path)


@pytest.mark.parametrize("forged", [False, True])
def test_too_many_entries(tmp_path, forged):
    """Also where the end record's count (APPNOTE 4.3.16) is one; readers go by the directory."""
    path = zipped(tmp_path, *((f"{k}", "") for k in range(MOST_FILES + 1)))
    data = bytearray(path.read_bytes())
    end = data.rindex(b"PK\x05\x06")
    data[end + 8 : end + 12] = b"\1\0\1\0" if forged else data[end + 8 : end + 12]
    path.write_bytes(data)
    assert f"{MOST_FILES + 1} entries; at most {MOST_FILES} are opened" in refused_by(path, tmp_path)


def test_a_total_that_is_too_large(tmp_path):
    """The directory's own sizes are believed when they are too large, and enforced when they are too small."""
    path = zipped(tmp_path, *((f"{k}.csv", "x") for k in range(3)))
    data = path.read_bytes()
    size = (MOST_BYTES // 2).to_bytes(4, "little")
    start = data.index(b"PK\x01\x02")
    parts = data[start:].split(b"PK\x01\x02")
    parts = [
        part[: 20 - 4] + size + size + part[28 - 4 :] if len(part) > 40 and k else part for k, part in enumerate(parts)
    ]
    path.write_bytes(data[:start] + b"PK\x01\x02".join(parts))
    assert f"at most {MOST_TIMES} times and {MOST_BYTES} bytes are opened" in refused_by(path, tmp_path)


@pytest.mark.parametrize(("name", "old", "new"), [("x.txt", b"x", b"\xff"), ("ä.txt", "ä".encode(), b"\xff\xfe")])
def test_names_that_are_not_utf8(tmp_path, name, old, new):
    """The second says that it is."""
    path = zipped(tmp_path, (name, ""))
    path.write_bytes(path.read_bytes().replace(old, new))
    assert "not UTF-8" in refused_by(path, tmp_path)


@pytest.mark.parametrize("data", [b"", b"PK\x05\x06", b"not a zip", b"PK\x03\x04" + b"\0" * 100])
def test_no_zip_at_all(tmp_path, data):
    path = tmp_path / "a.zip"
    path.write_bytes(data)
    assert "not a whole zip file" in refused_by(path, tmp_path)


def test_a_file_that_is_longer_than_it_says(tmp_path):
    path = zipped(tmp_path, ("a.txt", "x" * 1000))
    data = bytearray(path.read_bytes())
    start = data.index(b"PK\x01\x02")
    data[start + 24 : start + 28] = (10).to_bytes(4, "little")
    path.write_bytes(data)
    inside = tmp_path / "inside"
    inside.mkdir()
    with pytest.raises(BundleError, match="not a whole zip file"):
        unpack(path, inside)
    assert sum(found.stat().st_size for found in inside.rglob("*") if found.is_file()) <= 10


def test_a_sound_zip_is_unpacked_as_it_is(tmp_path):
    path = zipped(tmp_path, ("a/b.txt", "ä"), ("c.txt", ""), ("d/", ""))
    assert unpack(path, tmp_path / "inside") == ["a/b.txt", "c.txt"]
    assert (tmp_path / "inside" / "a" / "b.txt").read_text(encoding="utf-8") == "ä"


def test_nothing_is_unpickled_or_run(bundle, no_new_numbers, tmp_path):
    """A bundle's own code and pickles stay files: the campaign reader takes text, results are JSON."""
    marker = tmp_path / "ran"
    evil = f"import pathlib; pathlib.Path({str(marker)!r}).touch()"
    names = ("cordlab/__init__.py", "sitecustomize.py", "campaign/conftest.py", "campaign/curves.py")
    with zipfile.ZipFile(bundle, "a") as archive:
        for name in names:
            archive.writestr(name, evil)
    differing = {file.name: file.why for file in recheck.recheck(bundle).differing}
    assert {name: differing.get(name) for name in names} == dict.fromkeys(names, "is not in the manifest")
    assert not marker.exists()


@pytest.mark.parametrize("way", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_only_stored_and_deflated_entries_are_read(tmp_path, way):
    with zipfile.ZipFile(tmp_path / "a.zip", "w", way) as archive:
        archive.writestr("a.txt", "x" * 1000)
    assert "packed in another way than by deflate" in refused_by(tmp_path / "a.zip", tmp_path)


def test_what_is_no_file_is_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "a.zip")
    for path in (tmp_path / "a.zip", tmp_path, "/dev/zero"):
        with pytest.raises(BundleError, match="is not a file"):
            unpack(path, tmp_path / "inside")
        with pytest.raises(BundleError, match="is not a file"):
            recheck.versus(path, path)


# --- what publishing may overwrite


def test_only_a_bundle_of_cordlab_is_overwritten(bundle, tmp_path):
    publish_specimen(bundle)
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
        archive.writestr("thesis.txt", "years")
    (tmp_path / "drops.csv").write_text("drop,cord\n", encoding="utf-8")
    (tmp_path / "link.zip").symlink_to(bundle)
    (tmp_path / "dangling.zip").symlink_to("nowhere")
    (tmp_path / "folder.zip").mkdir()
    before = {path: path.is_file() and path.read_bytes() for path in tmp_path.iterdir()}
    for path in before.keys() - {bundle}:
        with pytest.raises(PublishError, match="is there, and is no bundle of cordlab's; choose another name"):
            publish_specimen(path)
    assert {path: path.is_file() and path.read_bytes() for path in tmp_path.iterdir()} == before


def test_what_no_reviewer_could_open_is_not_published(tmp_path):
    (tmp_path / "aux.ipynb").write_text('{"cells": []}', encoding="utf-8")
    with pytest.raises(BundleError, match=r"a\.zip: the entry 'notebooks/aux\.ipynb' has the name of a device"):
        publish_specimen(tmp_path / "a.zip", notebooks=[tmp_path / "aux.ipynb"])
    assert os.listdir(tmp_path) == ["aux.ipynb"]


def test_publishers_at_once_do_not_mix_and_nobody_can_foresee_the_temporary_name(tmp_path):
    """As many as would meet: each writes a bundle of its own; what is there in the end is one of them, whole."""

    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(lambda k: publish_specimen(tmp_path / "a.zip", author=f"author {k}"), range(8)))
    seen = {bundle.sha256 for bundle in made}
    assert len(seen) == 8
    assert hashlib.sha256((tmp_path / "a.zip").read_bytes()).hexdigest() in seen
    assert [path.name for path in tmp_path.iterdir()] == ["a.zip"]

"""A bundle altered in one place, checksums forged to match, and the whole chain run again: it is found and named."""

import json
import zipfile

import pytest

from cordlab import cli
from cordlab.bundle import recheck
from cordlab.report import figures as plots
from cordlab.synthetic import invent
from tests.bundle.test_cli_bundle import WHO, changed, replaced
from tests.bundle.test_described import wrong_with
from tests.test_analysis import SMALL

LEFT_OUT = "kind,drop,reason\nleave out,{},an invented slip at the release\n"


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    """An invented campaign with records and one drop left out by hand, published by the command."""
    place = tmp_path_factory.mktemp("published")
    invent(place / "campaign", seed=3, **(SMALL | {"mechanics": "uniform", "rate": 100.0}))
    (place / "campaign" / "decisions.csv").write_text(LEFT_OUT.format(drops(place)[0]), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(plots, "all_figures", lambda analysis: {})  # here it is the numbers that count
        assert cli.main(["publish", str(place / "campaign"), str(place / "bundle.zip"), *WHO, "--quiet"]) == 0
    return place / "bundle.zip"


def drops(place):
    """Names of the drops of the curve, in the order of drops.csv."""
    head, *rows = (place / "campaign" / "drops.csv").read_text(encoding="utf-8").splitlines()
    heads = head.split(",")
    return [row.split(",")[heads.index("drop")] for row in rows if row.split(",")[heads.index("use")] == "fit"]


def read(bundle, name):
    with zipfile.ZipFile(bundle) as archive:
        return archive.read(name)


def test_results_with_choices_by_hand_are_as_their_schema_says(bundle):
    results = json.loads(read(bundle, "results.json"))
    assert results["by_hand"]["left_out"]
    assert wrong_with("results.schema.json", results) == []


def test_one_record(bundle, tmp_path):
    """One reading of one drop: the file is named first, and what moved with it is listed."""
    name = drops(bundle.parent)[1]
    record = next(row["record"] for row in _rows(bundle) if row["drop"] == name)
    first = read(bundle, f"campaign/records/{record}").splitlines()[1]
    time, reading, *rest = first.split(b",")
    worse = b",".join([time, b"%.5f" % (float(reading) + 0.05), *rest])
    bad = changed(bundle, tmp_path / "bad.zip", f"campaign/records/{record}", replaced(first, worse))
    result = recheck.recheck(bad)
    assert [file.name for file in result.differing] == ["results.json"]
    assert result.comparison.reasons[0] == f"the input records/{record} is not the same file"
    moved = {line.name for line in result.comparison.differing}
    assert f"campaign.digests.records/{record}" in moved
    assert any(name.startswith(("drops[", "curve.", "predictions[")) for name in moved)


def test_one_decision(bundle, tmp_path):
    """Another drop left out than was published: the file is named, and the drop whose use changed."""
    was, now = drops(bundle.parent)[:2]
    old, new = LEFT_OUT.format(was).encode(), LEFT_OUT.format(now).encode()
    bad = changed(bundle, tmp_path / "bad.zip", "campaign/decisions.csv", replaced(old, new))
    result = recheck.recheck(bad)
    assert [file.name for file in result.differing] == ["results.json"]
    assert "the input decisions.csv is not the same file" in result.comparison.reasons
    uses = {line.name: (line.old, line.new) for line in result.comparison.differing if line.name.endswith(".use")}
    assert uses == {f"drops[{was}].use": ("left out", "fit"), f"drops[{now}].use": ("fit", "left out")}


def _rows(bundle):
    head, *rows = read(bundle, "campaign/drops.csv").decode().splitlines()
    return [dict(zip(head.split(","), row.split(","), strict=True)) for row in rows]

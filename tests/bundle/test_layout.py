"""A bundle of an earlier layout, as it was published then (layout-1.zip, by cordlab 0.1.0 before layouts had a number;
an invented campaign): it opens, what it says is compared, and what is asked today is said."""

import copy
import json
from pathlib import Path

import pytest

from cordlab import cli
from cordlab.bundle import recheck
from cordlab.bundle.compare import DIFFERS, EQUAL, ONE_LAYOUT, compare
from cordlab.bundle.recheck import AGREES, NOT_COMPARED
from cordlab.campaign.settings import LAYOUT
from tests.bundle.test_cli_bundle import changed, replaced

EARLIER = Path(__file__).parent / "layout-1.zip"


@pytest.fixture(scope="module")
def checked():
    return recheck.recheck(EARLIER)


def test_it_opens_and_every_input_is_the_one_that_was_published(checked):
    verdicts = {file.name: file.verdict for file in checked.files}
    inputs = {name: verdict for name, verdict in verdicts.items() if name.startswith("campaign/")}
    assert set(inputs.values()) == {AGREES}
    assert inputs.keys() >= {"campaign/campaign.toml", "campaign/drops.csv"}
    assert verdicts["report.html"] == verdicts["ro-crate-metadata.json"] == NOT_COMPARED


def test_what_was_written_down_then_is_read_as_it_was(checked):
    """Drops and criteria are no matter of opinion; answers may be others by now, and then layouts are a reason."""
    lines = {line.name: line.verdict for line in checked.comparison.lines}
    noted = {
        name for name in lines if name.startswith(("drops[", "campaign.criteria.", "campaign.rig.", "lot.breaks["))
    }
    assert len(noted) > 200
    assert {lines[name] for name in noted} <= {EQUAL, ONE_LAYOUT}
    assert lines["campaign.site.centre_of_mass_fall"] == ONE_LAYOUT
    if checked.comparison.differing:
        assert checked.comparison.reasons[0] == f"layout: 1 then, {LAYOUT} now"


def test_it_says_what_is_asked_today_that_it_lacks(checked):
    assert checked.lacks == ("[site] centre_of_mass_fall",)
    asked = f"layout {LAYOUT} asks for [site] centre_of_mass_fall before anything is rated; the bundle lacks it"
    assert asked in checked.summary().splitlines()
    assert checked.to_dict()["lacks"] == ["[site] centre_of_mass_fall"]


def test_what_only_one_layout_has_is_named_and_is_no_difference(checked):
    """And a key that is lacking in one row of a column that the other has is one all the same."""
    published = copy.deepcopy(dict(checked.rerun))
    del published["layout"], published["rating"]["nearness"], published["drops"][0]["jumps"]
    comparison = compare(published, checked.rerun)
    verdicts = {line.name: line.verdict for line in comparison.lines if line.verdict != EQUAL}
    assert verdicts == {"rating.nearness": ONE_LAYOUT, f"drops[{published['drops'][0]['drop']}].jumps": DIFFERS}
    same = copy.deepcopy(dict(checked.rerun))
    del same["rating"]["nearness"]
    assert [line.name for line in compare(same, checked.rerun).differing] == ["rating.nearness"]


def test_a_number_that_was_altered_is_found_in_it_too(tmp_path, capsys):
    def change(data):
        results = json.loads(data)
        results["drops"][3]["lowest_point"] += 0.1
        return json.dumps(results).encode()

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("tests.bundle.test_cli_bundle.publish.MANIFEST", recheck.BEFORE)
        bad = changed(EARLIER, tmp_path / "bad.zip", "results.json", change)
        damaged = changed(EARLIER, tmp_path / "damaged.zip", "report.html", replaced(b"Test", b"Best"), manifest=False)
    assert cli.main(["recheck", str(bad)]) == 1
    assert "drops[D004].lowest_point" in capsys.readouterr().out
    names, _ = recheck._opened(damaged, tmp_path / "out")
    assert set(names) == {"report.html"}

"""The page that a reviewer reads, and what he may change: of a bundle whose re-run is the specimen again."""

import json
import re
from dataclasses import replace
from html import unescape

import pytest

from cordlab import cli
from cordlab.bundle import recheck
from cordlab.bundle.compare import DIFFERS, Comparison, Line, in_uncertainties
from cordlab.bundle.recheck import MARK, judgements, review_page, write_review
from cordlab.campaign.files import CampaignError
from cordlab.campaign.settings import changed as with_changes
from cordlab.report import page as report
from tests.bundle.test_cli_bundle import changed
from tests.bundle.test_publish import publish_specimen
from tests.specimen import specimen, with_steps

HOSTILE = "<img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(report, "vectors_of", lambda analysis: {})
        patched.setattr(recheck, "vectors_of", lambda analysis: {})
        patched.setattr(recheck, "analyse", lambda campaign, progress=None: with_steps(specimen(), campaign=campaign))
        yield publish_specimen(tmp_path_factory.mktemp("review") / "bundle.zip").path


@pytest.fixture(scope="module")
def checked(bundle):
    return recheck.recheck(bundle)


def forged(data):
    results = json.loads(data)
    row = results["predictions"][20]
    row["clearance_limit"] += 2 * row["u_clearance"]
    results["rating"]["promise"] = HOSTILE
    return report.as_json(results).encode()


def words(page):
    bare = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(bare).split())


def section(page, heading):
    return words(re.search(rf"<h2>{heading}.*?(?=<h2>|</main>)", page, re.DOTALL)[0])


def test_a_page_of_a_bundle_that_agrees_says_so_and_what_it_rests_on(checked):
    page = review_page(checked, name="bundle.zip")
    assert "The bundle agrees with its inputs" in words(page)
    assert "Nothing of what was compared." in section(page, "What differs")
    assert "Nothing: every file was." in section(page, "What was not compared")
    assert "[site] drag_area" in section(page, "Which assumptions")
    assert "Nothing was changed." in section(page, "What the reviewer changed")
    assert not re.search(r"<script|<link|src=|href=|url\(", page)  # nothing is run or fetched


def test_what_differs_is_named_with_its_standard_uncertainties_and_a_stranger_is_escaped(bundle, tmp_path):
    bad = changed(bundle, tmp_path / "bad.zip", "results.json", forged)
    page = review_page(recheck.recheck(bad), name=HOSTILE)
    assert "The bundle differs" in words(page)
    told = section(page, "What differs")
    assert re.search(r"predictions\[53\]\.clearance_limit \S+ \S+ -2 ", told)
    assert told.index("clearance_limit") < told.index("rating.promise")  # what has no uncertainty comes last
    assert "does not follow from its inputs" in told
    assert "report.html with what follows from results.json" in section(page, "What was not compared")
    assert HOSTILE not in page


def test_a_bundle_that_cannot_be_run_again_has_a_page_too(checked):
    page = review_page(replace(checked, comparison=None, rerun=None, problems=("drops.csv is gone",)), name="b.zip")
    assert "Not run again: drops.csv is gone" in section(page, "What differs")
    assert "was not run again" in section(page, "Which assumptions")


def test_what_lacks_and_what_was_changed_are_said(checked):
    other = json.loads(report.as_json(checked.rerun))
    other["predictions"][3]["g_limit"] += 1.0
    other["rating"]["lightest"] += 2.0
    page = review_page(
        replace(checked, lacks=("[site] push_off",)),
        name="b.zip",
        changes={"site.drag_area": "0.25 m^2"},
        assumed=other,
    )
    assert "[site] push_off is asked for today" in section(page, "What was not compared")
    told = section(page, "What the reviewer changed")
    assert "site.drag_area = 0.25 m^2" in told
    assert "predictions[36].g_limit" in told
    light, heavy = specimen().rating.ends
    assert f"{light + 2:.1f} to {heavy:.1f} kg" in section(page, "The answer")


@pytest.mark.parametrize(
    ("name", "old", "new", "values", "moved"),
    [
        ("predictions[60].g_limit", 3.0, 3.5, {"predictions[60].u_g": 0.25}, 2.0),
        ("drops[D1].lowest_point", 20.0, 19.9, {"drops[D1].u_lowest_point": 0.05}, -2.0),
        ("curve.parameters.c1", 200.0, 206.0, {"curve.standard_errors.c1": 3.0}, 2.0),
        ("calibration.force.coefficients[1]", 1.0, 1.5, {"calibration.force.standard_errors[1]": 0.5}, 1.0),
        ("wear.slope", 0.002, 0.001, {"wear.se_slope": 0.001}, -1.0),
        ("campaign.site.drag_area.value", 0.5, 0.25, {"campaign.site.drag_area.u": 0.25}, -1.0),
        ("rating.lightest", 40.0, 41.0, {"rating.u": 1.0}, None),
        ("predictions[60].g_limit", None, 3.5, {"predictions[60].u_g": 0.25}, None),
        ("predictions[60].g_limit", "missing", 3.5, {"predictions[60].u_g": 0.25}, None),
        ("predictions[60].g_limit", 3.0, 3.5, {"predictions[60].u_g": 0.0}, None),
        ("predictions[60].rated", True, False, {"predictions[60].u_rated": 1.0}, None),
    ],
)
def test_how_many_standard_uncertainties_a_number_moved(name, old, new, values, moved):
    found = in_uncertainties(Line(name, old, new, None, DIFFERS), values)
    assert found == (None if moved is None else pytest.approx(moved))


def test_judgements_are_what_no_drop_shows(checked):
    results = json.loads(report.as_json(checked.rerun))
    results["campaign"]["viscosity"] = {"value": 5.0, "u": 2.0}
    results["campaign"]["rig"]["compliance"] = {"value": 0.0, "u": 0.0}
    results["by_hand"] = {"told": [{"choice": "drop D7 left out", "reason": "the wind, A. B"}]}
    finding = {"what": "a far drop", "settled": "looked into"}
    results["findings"] = [finding, finding | {"what": "open", "settled": None}]
    rows = {what: (value, how) for what, value, how in judgements(results)}
    assert rows["[cord] viscosity"] == ("5 (u = 2)", "stated (type B)")
    assert rows["[rig] compliance"] == ("0", "stated (type B), held to be exact")
    assert rows["drop D7 left out"] == ("the wind, A. B", "settled by hand")
    assert rows["a far drop"] == ("looked into", "settled by hand")
    assert "open" not in rows
    assert "[site] rider_mass_error" not in rows  # left out in the campaign
    assert rows["[criteria] greatest_g"][1] == "the rules and the maker"


# --- what may be changed


def test_a_changed_campaign_is_read_as_its_file_would_be():
    campaign = with_changes(
        specimen().campaign,
        {
            "site.drag_area": "0.25(5) m^2",
            "criteria.greatest_g": "3",
            "decision.seed": "7",
            "decision.limit": "tolerance",
        },
    )
    assert (campaign.site.drag_area.value, campaign.site.drag_area.u) == (0.25, 0.05)
    assert (campaign.criteria.greatest_g, campaign.decision.seed, campaign.decision.limit) == (3.0, 7, "tolerance")
    assert campaign.rig == specimen().campaign.rig
    assert campaign.site.tie_height == specimen().campaign.site.tie_height


def test_every_wrong_change_is_said_at_once():
    with pytest.raises(CampaignError) as error:
        with_changes(
            specimen().campaign, {"site.drag_aera": "1 m^2", "site.drag_area": "-1 m^2", "decision.limit": "x"}
        )
    assert len(error.value.problems) == 3
    assert "the nearest known is 'site.drag_area'" in error.value.problems[0]
    assert "site.drag_area: -1 m^2 is less than 0" in error.value.problems[1]


# --- the command


def test_the_command_writes_the_page_beside_its_answer(bundle, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    change = ["--change", "site.drag_area = 0.25 m^2"]
    assert cli.main(["recheck", str(bundle), "--report", *change]) == 0
    assert capsys.readouterr().out.endswith("written: review.html\n")
    told = section((tmp_path / "review.html").read_text(encoding="utf-8"), "What the reviewer changed")
    assert "site.drag_area = 0.25 m^2" in told
    assert "campaign.site.drag_area.value" in told
    assert cli.main(["recheck", str(bundle), "--report", "--quiet"]) == 0  # over its own page
    assert cli.main(["recheck", str(bundle), "--report", "--change", "site.x=1", "--quiet"]) == 2
    assert "site.x: is not a key of" in capsys.readouterr().err


def test_no_file_of_anybody_else_is_replaced_by_a_page(bundle, tmp_path, capsys):
    before = bundle.read_bytes()
    assert cli.main(["recheck", str(bundle), "--report", str(bundle), "--quiet"]) == 2
    assert "is no review of cordlab's" in capsys.readouterr().err
    assert bundle.read_bytes() == before
    write_review(MARK + "a", tmp_path / "a.html")
    write_review(MARK + "b", tmp_path / "a.html")
    assert (tmp_path / "a.html").read_text(encoding="utf-8") == MARK + "b"
    assert Comparison((), ()).agrees

"""What speaks against the rating stops it, until it is settled: slips of the hand, numbers of site and rig.

Campaigns are invented, by a motion that shares no code with cordlab (`tests/worlds.py`).
"""

from html import unescape
from pathlib import Path

import numpy as np
import pytest

from cordlab import Analysis, CampaignError, cli, read_campaign
from cordlab.batch.campaign_findings import campaign_findings
from cordlab.batch.findings import STOPS, Finding, against_rating, settled
from cordlab.campaign.decisions import Choice, record_decision, take_back
from cordlab.report import page
from tests.small_campaign import edit
from tests.worlds import FIVE, World, crossed

MASS, LOWEST = 2, 7  # columns of drops.csv


@pytest.fixture(scope="module")
def world():
    """4 cords with 5 masses each, lowest points alone."""
    rng = np.random.default_rng(3)
    world = World()
    world.drop(rng, crossed(4, FIVE, rng))
    return world


def written(world, tmp_path, *slip) -> Path:
    return world.write(tmp_path / "campaign", *slip)


def stops(folder: Path) -> dict[str, Finding]:
    return {finding.kind: finding for finding in Analysis(read_campaign(folder)).findings if finding.stops}


def test_a_sound_ladder_is_not_stopped(world, tmp_path):
    assert stops(written(world, tmp_path)) == {}


@pytest.mark.parametrize("noted", [105.0, 120.0, 198.0])
def test_a_mistyped_heaviest_mass_stops_the_rating_and_the_true_one_is_said(world, tmp_path, noted):
    def slip(rows):
        assert rows[5][MASS] == "100"
        rows[5][MASS] = f"{noted:g}"

    finding = stops(written(world, tmp_path, slip))["unlike lowest point"]
    assert finding.drops == ("D005",)
    said = float(finding.text.partition("it says ")[2].partition(" kg")[0])
    assert said == pytest.approx(100.0, abs=2.5)
    assert f"{noted:g} kg is noted" in finding.text


def test_two_lowest_points_exchanged_are_both_named(world, tmp_path):
    def slip(rows):
        rows[7][LOWEST], rows[13][LOWEST] = rows[13][LOWEST], rows[7][LOWEST]  # 52 kg and 68 kg of two cords

    analysis = Analysis(read_campaign(written(world, tmp_path, slip)))
    named = {name for finding in analysis.findings if finding.kind == "unlike lowest point" for name in finding.drops}
    assert named == {"D007", "D013"}


def test_a_stopped_campaign_is_rated_once_it_is_settled_and_not_before(world, tmp_path):
    folder = written(world, tmp_path)
    edit(folder, "campaign.toml", ('gear_mass = "3.0(3) kg"', 'gear_mass = "0 kg"'))
    rating = Analysis(read_campaign(folder)).rating
    assert not rating.rated
    assert any("finding 'gear'" in reason for reason in rating.reasons)
    choice = Choice("weighed with the rider", finding="gear", by="A. B")
    analysis = Analysis(record_decision(folder, choice))
    assert analysis.rating.rated
    (finding,) = [finding for finding in analysis.findings if finding.kind == "gear"]
    assert "settled by hand: weighed with the rider, A. B" in str(finding)
    assert "finding 'gear' settled" in analysis.by_hand.cautions[0]
    assert not analysis.by_hand.without.rated
    assert not Analysis(take_back(folder, choice, reason="not so")).rating.rated


def test_a_finding_is_settled_of_the_drop_that_is_named_alone():
    findings = [Finding("unlike lowest point", "", "", "", (name,)) for name in ("D1", "D2")]
    decisions = type("Decisions", (), {"settling": lambda self, kind: (Choice("seen", drop="D1", finding=kind),)})()
    assert [bool(finding.settled) for finding in settled(findings, decisions)] == [True, False]
    assert len(against_rating(settled(findings, decisions))) == 1


def test_what_does_not_speak_against_the_rating_does_not_stop_it():
    assert "jump counts" not in STOPS
    assert against_rating([Finding("jump counts", "", "", "")]) == ()


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("settle,,,,,reason,by", "settles nothing; give the kind of the finding"),
        ("leave out,D001,,gear,,reason,by", "only a row 'settle' names a finding"),
        ("settle,,C01,gear,,reason,by", "a finding is settled as a whole or of a drop"),
        ("settle,D999,,gear,,reason,by", "'D999' is not in drops.csv"),
        ("take back,,,gear,,reason,by", "nothing is settled of 'gear' above"),
    ],
)
def test_a_row_that_settles_says_what(world, tmp_path, row, words):
    folder = written(world, tmp_path)
    (folder / "decisions.csv").write_text(f"kind,drop,cord,finding,lowest [s],reason,by\n{row}\n", encoding="utf-8")
    with pytest.raises(CampaignError, match=r"decisions\.csv") as caught:
        read_campaign(folder)
    assert words in str(caught.value)


def test_the_numbers_that_an_answer_hangs_on_stand_beside_it(world, tmp_path, capsys):
    """In the terminal, in a notebook and on the report's first page; a known error of the tape is refused."""
    folder = written(world, tmp_path)
    edit(folder, "campaign.toml", ('gear_mass = "3.0(3) kg"', 'gear_mass = "0 kg"'))
    analysis = Analysis(read_campaign(folder))
    words = (
        "tie point 43.00 m above the water; the rider is let go level with the tie point and reaches 2.00 m below the "
        "cord's end; nobody turns over: a dummy hung like a weight; gear 0.0 kg; least clearance 3 m, greatest g 4, "
        "greatest stretch ratio 4.6, least strength factor 4"
    )
    assert words in analysis.rating.summary()
    assert words in unescape(analysis.rating._repr_html_())
    assert words in unescape(page.render(page.results_of(analysis), {}))
    in_feet = unescape(page.render(page.results_of(analysis), {}, second_units=True))
    assert "tie point 43.00 m (141.1 ft) above the water" in in_feet
    assert cli.main(["analyse", str(folder), "--no-pounds-and-feet"]) == cli.NO
    assert words in capsys.readouterr().out
    edit(folder, "campaign.toml", ('load_cell_at = "top"', 'load_cell_at = "top"\nlowest_point_error = "0.20(5) m"'))
    with pytest.raises(CampaignError, match=r"0.20\(5\) m is a known error: correct drops.csv by it"):
        read_campaign(folder)


@pytest.mark.parametrize(
    ("old", "new", "kind", "words"),
    [
        ('release_depth = "0.0(2) m"', 'release_depth = "2.0(2) m"', "release depth", "2.00 m BELOW the tie point"),
        ('release_depth = "0.0(2) m"', 'release_depth = "-1.5(2) m"', "release depth", "1.50 m ABOVE the tie point"),
        ('drag_area = "0.5(2) m^2"', 'drag_area = "1.4(2) m^2"', "drag area", "more than a falling body has"),
        ('gear_mass = "3.0(3) kg"', 'gear_mass = "0 kg"', "gear", "harness and connectors weigh"),
        ('centre_of_mass_fall = "0 m"', 'centre_of_mass_fall = "0.3(2) m"', "turning over", "hangs by the ankles"),
    ],
)
def test_numbers_of_the_site_that_are_likely_others(world, tmp_path, old, new, kind, words):
    folder = written(world, tmp_path)
    edit(folder, "campaign.toml", (old, new))
    assert words in stops(folder)[kind].text


def test_a_site_that_does_not_say_how_riders_turn_over_is_shown_and_rates_nobody(world, tmp_path):
    """Every limit is there, that of a dead weight; the one reason says what to measure."""
    folder = written(world, tmp_path)
    edit(folder, "campaign.toml", ('centre_of_mass_fall = "0 m"\n', ""))
    rating = Analysis(read_campaign(folder)).rating
    (reason,) = rating.reasons
    assert "[site] centre_of_mass_fall is left out" in reason
    assert 'write "0 m" for a dummy' in reason
    shown = [row for row in rating.predictions if row["lowest_point_limit"]]
    assert len(shown) > 50
    assert not any(row["rated"] for row in shown)


def test_a_push_off_that_no_rider_has(world, tmp_path):
    folder = written(world, tmp_path)
    edit(folder, "campaign.toml", ('fall = "0 m"\n', 'fall = "0 m"\npush_off = "30 m/s"\n'))
    (unusual,) = (found for found in campaign_findings(read_campaign(folder), ()) if found.kind == "unusual value")
    assert str(unusual).startswith("[site] push_off: 30 m/s is outside the usual 0 to 5")
    edit(folder, "campaign.toml", ("30 m/s", "-1 m/s"))
    with pytest.raises(CampaignError, match=r"\[site\] 'push_off': -1 m/s is less than 0"):
        read_campaign(folder)


def test_one_cord_listed_twice(world, tmp_path):
    def slip(rows):
        for first, copy in zip(rows[1:6], rows[6:11], strict=True):
            copy[LOWEST] = first[LOWEST]

    assert stops(written(world, tmp_path, slip))["copied cord"].where == "cords C01 and C02"


def test_worn_cords_that_lie_higher_than_new_ones(world, tmp_path):
    def slip(rows):
        for row in [list(row) for row in rows[1:6]]:
            row[0], row[4], row[6], row[LOWEST] = f"W{row[0]}", "200", "wear", f"{float(row[LOWEST]) - 1.0:.2f}"
            rows.append(row)

    assert "stiffer than when new" in stops(written(world, tmp_path, slip))["stiffer when worn"].text

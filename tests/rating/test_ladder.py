"""The ladder: what one drop and several allow; its limits hold for shapes inside and outside its assumptions."""

import json
import shutil
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

import cordlab
from cordlab import cli
from cordlab.campaign.campaign import MakersCurve, read_campaign
from cordlab.rating.ladder import FURTHEST_STEP, DropDay, next_mass
from cordlab.units import Measured
from tests.coverage.limits import TRUE_SHAPES, ladder
from tests.limits.test_limits import CURVE, EXACT, MASSES, invented, scattered
from tests.planted import scaled, write
from tests.small_campaign import edit, problems, write_small_campaign

DAY = {"rig": EXACT, "least_clearance": 3.0, "stack_height": 1.2}
DROPS = invented(scattered(30, 6, 0.02, 0.004), peaks=1.1)


def first(n: int):
    return DROPS.take(np.arange(n))


def asked(drops, *, mass=None, cord=None, **day):
    return next_mass(DropDay(drops=drops, **day), mass=mass, cord=cord)


def test_limits_narrow_as_the_ladder_is_climbed():
    limits = [asked(first(n), mass=84.0, cord="C0", **DAY).lowest_point_limit for n in (1, 2, 3, 4)]
    assert np.all(np.diff(limits) < 0)
    assert limits[-1] > DROPS.lowest_point[3]


def test_one_drop_allows_a_small_step_and_not_a_great_one():
    small, great = asked(first(1), mass=44.0, **DAY), asked(first(1), mass=100.0, **DAY)
    assert small.allowed
    assert small.answer == "drop"
    assert great.answer == "do not drop"
    assert "clearance limit" in great.reasons[0]
    assert f"more than {FURTHEST_STEP:g} times the 36 kg" in great.reasons[0]
    assert any(reason.startswith("assumed:") for reason in small.reasons)


def test_the_plan_is_ordered_and_the_lightest_heavier_mass_is_next():
    rung = asked(first(2), planned=[100, 84, 60, 52, 68, 36], **DAY)
    assert rung.mass == 60.0
    assert [step.mass for step in rung.plan] == [60.0, 68.0, 84.0, 100.0]
    assert np.all(np.diff([step.lowest_point_limit for step in rung.plan]) > 0)
    assert rung.proposed is not None
    assert 60.0 <= rung.proposed <= FURTHEST_STEP * 52.0
    assert rung.to_dict()["plan"][0]["mass"] == 60.0
    assert rung.summary().startswith("DROP 60 kg")


def test_a_lighter_mass_is_proposed_where_the_planned_one_may_not_be_dropped():
    low_rig = SimpleNamespace(**{**vars(EXACT), "tie_height": Measured(44.0)})
    rung = asked(first(3), planned=[100], rig=low_rig, least_clearance=3.0)
    assert rung.answer == "do not drop"
    assert rung.proposed is not None
    assert 68.0 < rung.proposed < 100.0
    assert asked(first(3), mass=rung.proposed, rig=low_rig, least_clearance=3.0).allowed
    assert not asked(first(3), mass=rung.proposed + 2.0, rig=low_rig, least_clearance=3.0).allowed


def test_the_load_limit_of_the_day_counts_too_with_the_excess_that_was_seen():
    rung = asked(first(3), mass=76.0, greatest_load=1_500.0, **DAY)
    assert rung.answer == "do not drop"
    assert "peak load limit" in rung.reasons[0]
    quiet = asked(invented(scattered(30, 6, 0.02, 0.004)).take(np.arange(3)), mass=76.0, **DAY)
    assert rung.load_limit == pytest.approx(1.1 * quiet.load_limit, rel=0.01)


def test_another_cord_is_less_certain_than_the_one_that_climbs():
    same, other = (asked(first(4), mass=100.0, cord=cord, **DAY) for cord in ("C0", None))
    assert other.lowest_point_limit > same.lowest_point_limit + 0.2


def test_before_the_first_drop_the_makers_curve_is_assumed_and_only_the_lightest_mass_may_be_dropped():
    """However promising the maker's curve: each heavier mass waits for a drop of the one before."""
    with pytest.raises(ValueError, match="needs the maker's curve"):
        asked(None, planned=MASSES, **DAY)
    rung = asked(None, planned=MASSES, makers_curve=CURVE, slack_length=10.0, cord_mass=14.0, **DAY)
    assert (rung.mass, rung.proposed) == (36.0, 36.0)
    assert "assumed" in rung.reasons[1]
    assert [step.allowed for step in rung.plan] == [True, False, False, False, False]
    assert all("36 kg comes first" in step.reason for step in rung.plan[1:])


def points(end):
    """A maker's table of points, on a curve that is known."""
    ratios = np.linspace(1.0, end, 12)
    return MakersCurve(ratios, np.asarray(CURVE.force(ratios)))


def test_the_makers_points_answer_as_the_curve_they_lie_on_and_not_beyond_their_end():
    day = {"planned": [36.0, 52.0], "slack_length": 10.0, "cord_mass": 14.0, **DAY}
    known, table = (asked(None, makers_curve=curve, **day) for curve in (CURVE, points(5.0)))
    assert table.lowest_point_limit == pytest.approx(known.lowest_point_limit, rel=1e-3)
    short = asked(None, makers_curve=points(2.0), **day)
    assert short.answer == "do not drop"
    assert "beyond a ratio of 2, where the maker's curve ends" in short.reasons[0]


def test_once_a_drop_is_made_the_makers_curve_is_not_used():
    stiff = CURVE.scaled(3.0)
    day = {"planned": [52.0], "slack_length": 10.0, "cord_mass": 14.0, **DAY}
    with_it, without = asked(first(1), makers_curve=stiff, **day), asked(first(1), **day)
    assert with_it.lowest_point_limit == without.lowest_point_limit
    assert any("maker's curve is not used any more" in reason for reason in with_it.reasons)


def test_a_step_too_wide_is_named_before_it_is_reached():
    rung = asked(first(1), planned=[44.0, 100.0], **DAY)
    assert any("from 44 to 100 kg is a step of more than 1.5 times" in reason for reason in rung.reasons)


PLAN = """
[plan]
masses = ["68 kg", "36 kg", "44 kg"]
stack_height = "1.2 m"
greatest_load = "20 kN"
"""


@pytest.fixture
def folder(tmp_path):
    """A test day in the morning: a plan, the maker's curve, a drops.csv that is a header alone."""
    write_small_campaign(tmp_path)
    shutil.rmtree(tmp_path / "records")
    with (tmp_path / "campaign.toml").open("a") as file:
        file.write(PLAN)
    whole = (tmp_path / "drops.csv").read_text()
    (tmp_path / "drops.csv").write_text(whole.splitlines()[0] + "\n")
    table = points(5.0)
    rows = "".join(f"{x:.4f},{f:.2f}\n" for x, f in zip(table.stretch_ratio, table.force, strict=True))
    (tmp_path / "maker_curve.csv").write_text("stretch ratio,force [N]\n" + rows)
    return tmp_path


def test_a_plan_before_the_first_drop(folder, capsys):
    assert cli.main(["check", str(folder)]) == 0
    assert "no drop yet" in capsys.readouterr().out
    assert cli.main(["ladder", str(folder)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("DROP 36 kg")
    assert "the maker's curve is assumed" in out
    assert "caution: nothing of this cord was measured" in out
    planned = [line.split()[0] for line in out.splitlines() if " kg  lowest " in line]
    assert planned == ["36.0", "44.0", "68.0"]
    assert cli.main(["analyse", str(folder)]) == 2
    assert "`cordlab ladder` says what may be dropped first" in capsys.readouterr().err
    assert not (folder / "results").exists()


def test_the_day_goes_on_with_the_drop_that_was_made(folder, capsys):
    with (folder / "drops.csv").open("a") as file:
        file.write("A1-36,A1,36.00,0.05,5,18.5,fit,21.9,0.05,\n")
    assert cli.main(["ladder", str(folder), "--json"]) == 0
    rung = json.loads(capsys.readouterr().out)
    assert rung["mass"] == 44.0
    assert any("not used any more" in reason for reason in rung["reasons"])
    assert not any("maker's curve is assumed" in reason for reason in rung["reasons"])


def test_the_limits_of_the_day_are_the_plans(folder, capsys):
    edit(folder, "campaign.toml", ("20 kN", "500 N"))
    assert cli.main(["ladder", str(folder)]) == 1
    assert "above the test day's 500 N" in capsys.readouterr().out
    edit(folder, "campaign.toml", ("500 N", "20 kN"), ("[plan]", '[plan]\nleast_clearance = "40 m"'))
    assert cli.main(["ladder", str(folder)]) == 1
    assert "below the test day's 40 m" in capsys.readouterr().out


def test_without_a_makers_curve_the_first_mass_is_refused(folder, capsys):
    (folder / "maker_curve.csv").unlink()
    assert cli.main(["check", str(folder)]) == 0
    assert cli.main(["ladder", str(folder)]) == 2
    assert "needs the maker's curve (maker_curve.csv)" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "old", "new", "problem"),
    [
        ("campaign.toml", '["68 kg", "36 kg", "44 kg"]', "[]", "is not a list of masses"),
        ("campaign.toml", '"44 kg"', '"36 kg"', "36 kg is there twice"),
        ("campaign.toml", '"44 kg"', '"44 m"', "a mass is wanted"),
        ("campaign.toml", '"44 kg"', '"-44 kg"', "is not above 0"),
        ("campaign.toml", "stack_height", "stack_hight", "the nearest known is 'stack_height'"),
        ("campaign.toml", "[plan]", "[plans]", "the nearest known is 'plan'"),
        ("maker_curve.csv", "\n1.3636,", "\n1.9636,", "a loading curve rises"),
        ("maker_curve.csv", "force [N]", "force", "has no unit"),
    ],
)
def test_slips_in_a_plan_are_named(folder, name, old, new, problem):
    edit(folder, name, (old, new))
    assert problem in "\n".join(problems(folder))


def test_three_points_are_no_curve(folder):
    lines = (folder / "maker_curve.csv").read_text().splitlines()
    (folder / "maker_curve.csv").write_text("\n".join([*lines[:4], ""]))
    assert problems(folder) == ["maker_curve.csv: has 3 points; give at least 4, up to the greatest stretch"]


def test_without_a_plan_a_campaign_needs_drops(folder):
    text = (folder / "campaign.toml").read_text()
    (folder / "campaign.toml").write_text(text.replace(PLAN, ""))
    assert "drops.csv: has no rows below its header" in problems(folder)


@pytest.mark.parametrize("shape", TRUE_SHAPES)
def test_the_next_drop_stays_within_its_limit(shape):
    """A short run of the ladder of `python -m tests.coverage limits`: 99 % limits, 3 labs at each of four rungs."""
    beyond, of = np.sum([(b, n) for _, b, n in ladder(shape, 3)], axis=0)
    assert stats.binomtest(int(beyond), int(of), 0.01, alternative="greater").pvalue > 0.01


def test_a_test_day_names_every_record_that_is_refused(tmp_path):
    few = {"cords": 1, "masses": (40.0, 60.0), "checks": (), "retests": (), "rate": 100.0}
    folder = write(tmp_path / "campaign", **few)
    scaled("records/*.csv", "time", 1.5)(folder)
    with pytest.raises(cordlab.CampaignError, match=r"(?s)drop D001\).*gravity allows.*drop D002\).*gravity allows"):
        next_mass(read_campaign(folder))

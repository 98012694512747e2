"""The ladder: what one drop and several allow; its limits hold for shapes inside and outside its assumptions."""

import json
import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

import cordlab
from cordlab import cli
from cordlab.campaign.campaign import MakersCurve, read_campaign
from cordlab.limits.anchoring import drop_stiffness
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
    assert small.answer == "may be dropped next"
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
    assert rung.summary().startswith("60 kg may be dropped next on another cord of the batch")


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
    assert any("assumed" in reason for reason in rung.reasons)
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
    assert out.startswith("36 kg may be dropped next on any of A1, A2 (5 jumps so far)")
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


def test_the_anchor_of_the_criteria_is_kept_where_the_plan_has_no_load(folder, capsys):
    anchor = 'anchor_strength = "1.2 kN"\nleast_anchor_factor = 3\n[decision]'
    edit(folder, "campaign.toml", ('greatest_load = "20 kN"', ""), ("[decision]", anchor))
    assert cli.main(["ladder", str(folder)]) == 1
    assert "above the test day's 400 N" in capsys.readouterr().out


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


HEADS = "drop,cord,mass [kg],u(mass) [kg],jumps,temperature [degC],use,lowest point [m],u(lowest point) [m],record"


def told(folder, capsys, *options):
    """The exit code, the answer as text and as JSON."""
    code = cli.main(["ladder", str(folder), *options])
    text = capsys.readouterr().out
    assert cli.main(["ladder", str(folder), *options, "--json"]) == code
    return code, text, json.loads(capsys.readouterr().out)


def drops_of(folder, *rows):
    """The drops made so far: cord, mass [kg], jumps, lowest point [m] or "", use."""
    lines = [f"{c}-{m}-{j},{c},{m},0.05,{j},18.5,{use},{y},{'0.05' if y else ''}," for c, m, j, y, use in rows]
    (folder / "drops.csv").write_text("\n".join([HEADS, *lines, ""]))


CLIMB = [("A1", 36, 5, 21.9, "fit"), ("A1", 44, 6, 24.3, "fit"), ("A1", 68, 7, 31.0, "fit")]


def test_after_the_last_planned_mass_the_plan_is_done_and_nothing_heavier_is_proposed(folder, capsys):
    drops_of(folder, *CLIMB)
    code, text, rung = told(folder, capsys, "--cord", "A1")
    assert code == 1
    assert text.startswith("the plan is done on A1 (8 jumps so far): 68 kg was its heaviest mass")
    assert (rung["answer"], rung["proposed"], rung["plan"]) == ("the plan is done", None, [])
    code, text, rung = told(folder, capsys, "--cord", "A1", "--mass", "72")
    assert code == 1
    assert text.startswith("do not drop 72 kg on A1")
    assert "72 kg is above the heaviest planned mass, 68 kg" in text
    assert told(folder, capsys, "--cord", "A1", "--mass", "97 lb")[2]["mass"] == pytest.approx(44.0, abs=0.01)


def test_each_cord_climbs_the_plan_from_its_lightest_mass(folder, capsys):
    drops_of(folder, *CLIMB)
    code, text, rung = told(folder, capsys, "--cord", "A2")
    assert (code, rung["mass"], rung["cords"]) == (0, 36.0, {"A2": 5})
    assert text.startswith("36 kg may be dropped next on A2 (5 jumps so far)")
    code, text, _ = told(folder, capsys, "--cord", "A2", "--mass", "68")
    assert code == 1
    assert "nothing of the plan has been dropped yet: 36 kg comes first" in text
    assert cli.main(["ladder", str(folder), "--cord", "A3"]) == 2
    assert "cord 'A3' is not in cords.csv" in capsys.readouterr().err
    assert cli.main(["ladder", str(folder), "--mass", "-3"]) == 2
    assert "give one above 0" in capsys.readouterr().err


def test_cautions_stand_in_text_and_json_and_no_capitals_command(folder, capsys):
    drops_of(folder, *CLIMB[:2])
    _, text, rung = told(folder, capsys)
    for caution in ("person decides", "local rules", "clear below and beside"):
        assert caution in text
        assert any(caution in one for one in rung["cautions"])
    assert "DROP" not in text
    assert " object at 0x" not in text


def test_worn_cords_are_answered_for_by_their_own_last_retest(folder, capsys):
    """Cords that lie a metre and more deeper: the new drops tell of the shape, and nothing of the level."""
    drops_of(folder, *CLIMB)
    new = told(folder, capsys, "--cord", "A1", "--mass", "44")[2]
    worn = [("A1", 36, 305, 23.4, "wear"), ("A1", 44, 306, 26.1, "wear")]
    drops_of(folder, *CLIMB, *worn)
    _, text, rung = told(folder, capsys, "--cord", "A1")
    assert rung["cords"] == {"A1": 307}
    assert rung["mass"] == 68.0
    assert "worn: A1 came 1.80 m lower at 44 kg than in its first drop with it" in text
    again = told(folder, capsys, "--cord", "A1", "--mass", "44")[2]
    assert again["lowest_point_limit"] > new["lowest_point_limit"] + 1.5
    drops_of(folder, *[(*row[:4], "fit") for row in worn])  # as if they were all there is
    alone = told(folder, capsys, "--cord", "A1", "--mass", "44")[2]
    assert again["lowest_point_limit"] == pytest.approx(alone["lowest_point_limit"], abs=0.6)


def test_a_cord_at_a_count_that_nobody_dropped_is_refused_and_the_jump_log_counts(folder, capsys):
    drops_of(folder, *CLIMB)
    (folder / "jumps.csv").write_text("cord,date,jumps,damage\nA2,2026-05-04,200,\n")
    code, text, rung = told(folder, capsys, "--cord", "A2")
    assert (code, rung["lowest_point_limit"], rung["proposed"]) == (1, None, None)
    assert "A2 (205 jumps so far): no cord was dropped within 20 jumps of that" in text
    code, text, _ = told(folder, capsys)  # any cord: A2 is one of them
    assert code == 1
    assert text.startswith(("do not drop", "the plan is done"))


@pytest.mark.parametrize(("lowest", "side"), [(39.5, "lower"), (26.5, "higher")])
def test_a_last_drop_that_surprises_is_to_be_cleared_before_another(folder, capsys, lowest, side):
    drops_of(folder, *CLIMB[:2], ("A1", 68, 7, lowest, "fit"), ("A2", 36, 5, 22.0, "fit"))
    code, text, rung = told(folder, capsys, "--cord", "A1", "--mass", "44")
    assert code == 1
    assert text.startswith("do not drop 44 kg on A1")
    assert f"m {side} than the 99 % limit" in rung["to_clear"][0]
    assert "clear this up before another drop" in text
    assert rung["proposed"] is None
    head = "kind,drop,cord,reason,by\n"
    (folder / "decisions.csv").write_text(f"{head}leave out,A1-68-7,,the hook was noted wrong,A. B\n")
    _, text, rung = told(folder, capsys, "--cord", "A1", "--mass", "44")
    assert rung["to_clear"] == []
    assert "left out by hand, and it counts here all the same" in text


def test_a_drop_that_was_not_read_is_a_jump_and_nothing_else(folder, capsys):
    drops_of(folder, *CLIMB[:2])
    before = told(folder, capsys, "--cord", "A1")[2]
    drops_of(folder, *CLIMB[:2], ("A1", 68, 7, "", "fit"))
    _, text, after = told(folder, capsys, "--cord", "A1")
    assert "counts as a jump and as nothing else: drop A1-68-7" in text
    assert (before["cords"], after["cords"]) == ({"A1": 7}, {"A1": 8})
    assert after["lowest_point_limit"] == before["lowest_point_limit"]
    drops_of(folder, ("A1", 36, 5, "", "fit"))
    assert "the maker's curve is assumed" in told(folder, capsys)[1]


def test_the_ladder_says_why_its_probability_is_not_that_of_the_decision(folder, capsys):
    drops_of(folder, *CLIMB[:2])
    ninety_nine = told(folder, capsys)[2]
    assert ninety_nine["probability"] == 0.99
    edit(folder, "campaign.toml", ("probability = 0.99", "probability = 0.95"))
    _, text, rung = told(folder, capsys)
    assert rung["lowest_point_limit"] == ninety_nine["lowest_point_limit"]
    assert "99 % and not the 95 % of [decision]" in text
    edit(folder, "campaign.toml", ("probability = 0.95", "probability = 0.999"))
    _, text, rung = told(folder, capsys)
    assert rung["lowest_point_limit"] > ninety_nine["lowest_point_limit"]
    assert "99.9 % as [decision] asks for" in text


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


def next_content(seed, drops_to, law, *, temperature=15.0):
    """Share of next drops of another cord above the limit at the mass after `drops_to`: four cords, 0.5 and 0.3 %.

    law : ln stiffness of all cords over `MASSES`
    """
    drops = invented(scattered(seed, 4, 0.005, 0.003) + law)
    drops = replace(drops, temperature=np.tile(np.broadcast_to(temperature, MASSES.size), 4))
    climbed, mass = np.tile(np.arange(MASSES.size) < drops_to, 4), MASSES[drops_to]
    rung = asked(drops.take(climbed), mass=float(mass), **DAY)
    there = drops.take(np.array([drops_to]))
    at_limit = drop_stiffness(CURVE, drops, rig=EXACT).unexplained(
        replace(there, lowest_point=np.array([rung.lowest_point_limit]))
    )
    return stats.norm.cdf((law[drops_to] - at_limit[0]) / np.hypot(0.005, 0.003)), rung.lowest_point_limit


@pytest.mark.parametrize("drops_to", [3, 4])
def test_a_bend_that_no_assumed_shape_has_is_in_the_limit_of_the_next_mass(drops_to):
    """Cords that soften by 15 % at twice 60 kg: at the next mass a Mooney–Rivlin curve alone promised too little."""
    for seed in range(3):
        assert next_content(seed, drops_to, -0.15 * (MASSES / 60.0 - 1) ** 2)[0] > 0.99


@pytest.mark.parametrize("slope", [-0.004, 0.004])
def test_the_next_drop_may_be_as_warm_or_as_cold_as_any_so_far(slope):
    """A day that warms by 8 K as the masses grow: the limit holds whichever way the cords go, and is the deeper."""
    warming = 14.0 + 2.0 * np.arange(MASSES.size)
    content, limit = next_content(2, 4, slope * (warming - 14.0), temperature=warming)
    assert content > 0.99
    even = next_content(2, 4, slope * (warming - 14.0))[1]
    assert limit > even + 0.1
    unrecorded = next_content(2, 4, slope * (warming - 14.0), temperature=np.nan)[1]
    assert unrecorded == pytest.approx(even, abs=1e-9)


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

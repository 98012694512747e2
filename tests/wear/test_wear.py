"""Wear: lines of each cord, limits, retirement, forecast, next retest, jump log."""

import json
import math

import numpy as np
import pytest

from cordlab import figures
from cordlab.campaign.files import CampaignError
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop
from cordlab.wear.in_service import cords_in_service, read_jump_log
from cordlab.wear.softening import tell_apart
from cordlab.wear.wear import assess_wear
from tests.coverage.wear import WORLDS, study

COUNTS = [0, 100, 200, 350, 500]


def worn(rng, *, cords=6, counts=COUNTS, start=9.0, loss=0.003, bend=0.0, sd=0.1):
    """Invented clearance: cord names, counts, values."""
    names, jumps = np.repeat([f"C{i}" for i in range(cords)], len(counts)), np.tile(counts, cords)
    slopes = loss * (1 + rng.normal(0, 0.1, cords)).repeat(len(counts))
    values = start - slopes * jumps - bend * jumps**2 + rng.normal(0, sd, jumps.size)
    return names, jumps, values


# --- wear -------------------------------------------------------------------------------------------------------


def test_equal_steps_at_equal_counts_give_the_next_equal_step():
    """Common practice, no source: what was lost in each of two equal intervals is forecast to be lost again."""
    wear = assess_wear(list("aaabbb"), [0, 100, 200] * 2, [8, 7.5, 7, 8.2, 7.7, 7.2], probability=0.9, least=4)
    tested = [point.mean for point in wear.points if point.kind == "tested"]
    (forecast,) = wear.forecast
    assert forecast.jumps == 300
    assert forecast.mean - tested[-1] == pytest.approx(tested[1] - tested[0])
    assert forecast.mean - tested[-1] == pytest.approx(-0.5)


def test_retirement_is_the_last_retest_that_meets_the_limit():
    names, jumps, values = worn(np.random.default_rng(1))
    wear = assess_wear(names, jumps, values, probability=0.99, least=4.0)
    assert wear.retire_at == 500
    assert all(point.meets for point in wear.points if point.kind == "tested")
    bound = next(point.lower for point in wear.points if point.jumps == 350)
    nearer = assess_wear(names, jumps, values, probability=0.99, least=bound)
    assert nearer.retire_at == 350
    assert nearer.next_retest is None
    assert any("not met at 500" in reason for reason in nearer.reasons)


def test_no_rating_is_given_beyond_the_last_retest():
    """Clearance to spare: the forecast meets the limit, and retirement stays at what was tested."""
    wear = assess_wear(*worn(np.random.default_rng(1)), probability=0.99, least=1.0)
    assert wear.forecast[0].meets
    assert wear.retire_at == 500
    assert any("not rated beyond 500" in reason for reason in wear.reasons)
    assert "forecast, not a rating" in wear.summary() or wear.crossing["early"] is None
    json.dumps(wear.to_dict())


def test_the_first_test_is_no_retest():
    """Met when new and not at 100 jumps: nothing can be said of cords that have been jumped."""
    names, jumps, values = worn(np.random.default_rng(1))
    first = assess_wear(names, jumps, values, probability=0.99, least=0.0).points[0].lower
    wear = assess_wear(names, jumps, values, probability=0.99, least=first)
    assert wear.points[0].meets
    assert wear.retire_at is None
    assert any("no retest meets the limit" in reason for reason in wear.reasons)


def test_the_makers_count_wins_where_smaller():
    names, jumps, values = worn(np.random.default_rng(1))
    wear = assess_wear(names, jumps, values, probability=0.99, least=4.0, greatest_jumps=300)
    assert wear.retire_at == 300
    assert wear.next_retest is None
    assert assess_wear(names, jumps, values, probability=0.99, least=4.0, greatest_jumps=800).retire_at == 500


def test_next_retest_comes_before_the_early_limit_of_the_forecast():
    names, jumps, values = worn(np.random.default_rng(3))
    last = assess_wear(names, jumps, values, probability=0.99, least=1.0).points[-2].lower
    wear = assess_wear(names, jumps, values, probability=0.99, least=last - 0.2)
    early, mean = wear.crossing["early"], wear.crossing["mean"]
    assert 500 < wear.next_retest < early < mean
    assert wear.next_retest >= early - 1
    # with room to spare it is one step on, and no farther
    assert assess_wear(names, jumps, values, probability=0.99, least=0.0).next_retest == 650
    capped = assess_wear(names, jumps, values, probability=0.99, least=0.0, greatest_jumps=600)
    assert capped.next_retest == 600
    assert capped.retire_at == 500


def test_wear_that_gets_faster_has_no_forecast():
    wear = assess_wear(*worn(np.random.default_rng(2), bend=4e-6), probability=0.99, least=4.0)
    assert not wear.forecast
    assert wear.next_retest is None
    assert wear.curvature_p < 0.05
    assert any("gets faster" in reason for reason in wear.reasons)
    # the same bend away from the bound is no danger to it
    easing = assess_wear(*worn(np.random.default_rng(2), bend=-2e-6), probability=0.99, least=4.0)
    assert easing.forecast
    assert easing.curvature_p > 0.95


def test_two_bounds_serve_the_logarithm_of_the_scale():
    """A cord that hardens is stopped by the upper bound (g), one that softens by the lower (clearance)."""
    names, jumps, values = worn(np.random.default_rng(4), start=0.0, loss=1e-4, sd=0.004)
    soft = assess_wear(names, jumps, values, probability=0.99, least=-0.04, greatest=0.05, quantity="ln scale", unit="")
    hard = assess_wear(
        names, jumps, -values, probability=0.99, least=-0.05, greatest=0.04, quantity="ln scale", unit=""
    )
    assert soft.retire_at == hard.retire_at
    assert 0 < soft.retire_at < 500
    for one, other in zip(soft.points, hard.points, strict=True):
        assert one.lower == pytest.approx(-other.upper, rel=1e-9)


def test_a_drop_that_misses_the_bound_ends_the_rating_by_itself():
    names, jumps, values = worn(np.random.default_rng(1), cords=40, sd=0.3)
    values[(names == "C7") & (jumps == 350)] = 3.9
    wear = assess_wear(names, jumps, values, probability=0.9, least=4.0)
    assert wear.retire_at == 200


def test_counts_only_one_cord_reached_are_not_retested():
    names, jumps, values = worn(np.random.default_rng(1), cords=4)
    keep = (jumps < 500) | (names == "C0")
    wear = assess_wear(names[keep], jumps[keep], values[keep], probability=0.9, least=1.0)
    assert wear.retire_at == 350


def test_counts_close_together_are_one_retest_at_the_lowest():
    """Each drop adds one to the count, and no two cords come to a retest at the same one."""
    rng = np.random.default_rng(8)
    names, jumps, values = worn(rng, cords=5)
    jumps = jumps + np.where(jumps > 0, rng.integers(-8, 9, jumps.size), 0)
    wear = assess_wear(names, jumps, values, probability=0.95, least=1.0)
    assert len([point for point in wear.points if point.kind == "tested"]) == 5
    assert wear.retire_at == jumps[jumps > 400].min()
    assert wear.next_retest > wear.retire_at
    # kept apart, no count has every cord, and the lines judge
    apart = assess_wear(names, jumps, values, probability=0.95, least=1.0, together=0)
    assert apart.retire_at == sorted(jumps)[-2]


def test_two_masses_at_a_retest_are_two_drops_of_the_cord_and_not_two_cords():
    names, jumps, values = worn(np.random.default_rng(8), cords=5)
    wear = assess_wear(names, jumps, values, probability=0.95, least=1.0)
    twice = assess_wear([*names, *names], [*jumps, *(jumps + 1)], [*values, *values], probability=0.95, least=1.0)
    for one, other in zip(wear.points[:5], twice.points[:5], strict=True):
        assert other.jumps == one.jumps
        assert other.lower == pytest.approx(one.lower)  # the same five means, nothing learnt


@pytest.mark.parametrize(
    ("keep", "said"),
    [
        (lambda names, jumps: names == "C0", "nothing is known of another cord"),
        (lambda names, jumps: jumps == 0, "nothing is known of another cord"),
        (lambda names, jumps: jumps < 200, "3 or more jump counts"),
    ],
)
def test_too_little_for_a_forecast_is_said(keep, said):
    names, jumps, values = worn(np.random.default_rng(1))
    of = keep(names, jumps)
    wear = assess_wear(names[of], jumps[of], values[of], probability=0.9, least=1.0)
    assert not wear.forecast
    assert wear.next_retest is None
    assert any(said in reason for reason in wear.reasons)
    json.dumps(wear.to_dict())


def test_new_cords_alone_are_not_rated_for_wear():
    wear = assess_wear(["a", "b", "c"], [0, 0, 0], [8.0, 8.1, 8.2], probability=0.9, least=1.0)
    assert wear.retire_at is None


def test_temperature_that_goes_with_the_count_is_pointed_out():
    names, jumps, values = worn(np.random.default_rng(1))
    given = {"temperature [degC]": 10 + jumps / 100, "rest [h]": np.where(jumps == 0, np.nan, 2.0)}
    wear = assess_wear(names, jumps, values, probability=0.99, least=4.0, conditions=given)
    assert any("temperature" in caution for caution in wear.cautions)
    assert wear.conditions["rest [h]"] == {100: (2, 2), 200: (2, 2), 350: (2, 2), 500: (2, 2)}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"least": None}, "no bound"),
        ({"jumps": [0, 1.5]}, "whole number"),
        ({"values": [1.0, math.inf]}, "value 2 is not a number"),
        ({"cord": ["a"]}, "one a drop each"),
        ({"greatest_jumps": -1}, "at least 0"),
        ({"probability": 1.2}, "not between 0 and 1"),
    ],
)
def test_input_that_makes_no_sense_is_refused(changed, said):
    given = {"cord": ["a", "b"], "jumps": [0, 0], "values": [1.0, 2.0], "least": 1.0, "probability": 0.9} | changed
    with pytest.raises(ValueError, match=said):
        assess_wear(given.pop("cord"), given.pop("jumps"), given.pop("values"), **given)


def test_figure_shows_drops_limits_and_bound():
    wear = assess_wear(*worn(np.random.default_rng(1)), probability=0.99, least=4.0)
    (ax,) = figures.wear(wear).axes
    assert len(ax.lines) == 6 + 6 + 2 + 1 + 1  # dots, lines, limits tested and forecast, bound, retirement


# --- coverage, the short version of `python -m tests.coverage wear` -----------------------------------------------


@pytest.mark.parametrize(
    "world", [world for world in WORLDS if world.name in ("straight", "a little faster", "faster")]
)
def test_forecast_holds_or_is_refused(world):
    """Invented wear, 6 cords, 95 % asked: held or refused in 95 % of batches or more, to 3 standard errors."""
    runs = 150
    found = study(world, cords=6, probability=0.95, runs=runs, seed=31)
    assert found.safe > 0.95 - 3 * math.sqrt(0.95 * 0.05 / runs)
    if world.faster >= 1:
        assert found.forecasts < 0.05 * runs
    if world.faster == 0:
        assert found.forecasts > 0.85 * runs


# --- jump log ---------------------------------------------------------------------------------------------------

LOG = """cord,date,jumps,lightest rider [kg],heaviest rider [kg],damage
J1,2024-05-02,30,52,80,
J2,2024-05-02,12,60,91,
J1,2024-05-01,25,55,79,
J2,2024-05-03,4,,,nick in the sheath
J3,2024-05-03,120,50,70,
"""


def logged(tmp_path, content):
    (tmp_path / "jumps.csv").write_text(content, encoding="utf-8")
    return read_jump_log(tmp_path)


def test_jumps_so_far_and_left(tmp_path):
    log = logged(tmp_path, LOG)
    assert [entry.line for entry in log] == [4, 2, 3, 5, 6]  # by date
    status = {one.cord: one for one in cords_in_service(log, retire_at=200, next_retest=260, before={"J1": 9})}
    assert (status["J1"].jumps, status["J1"].before_retirement, status["J1"].before_retest) == (64, 136, 196)
    assert status["J1"].may_jump
    assert status["J3"].may_jump


def test_damage_retires_at_once_and_says_where(tmp_path):
    (status,) = (one for one in cords_in_service(logged(tmp_path, LOG), retire_at=200) if one.cord == "J2")
    assert status.retired
    assert not status.may_jump
    assert status.before_retirement == 0
    assert status.reasons == ("retired: nick in the sheath (jumps.csv, row 5, 2024-05-03)",)


def test_count_cap_and_riders(tmp_path):
    log = logged(tmp_path, LOG)
    status = {one.cord: one for one in cords_in_service(log, retire_at=500, greatest_jumps=100, rated=(50, 90))}
    assert status["J3"].retired
    assert "20 jumps beyond" in status["J3"].cautions[0]
    assert "outside the rated 50 to 90 kg (jumps.csv, row 3)" in status["J2"].cautions[0]


def test_without_a_retirement_count_no_cord_may_jump(tmp_path):
    assert not any(one.may_jump for one in cords_in_service(logged(tmp_path, LOG), retire_at=None, greatest_jumps=500))


def test_pounds_and_semicolons(tmp_path):
    log = logged(tmp_path, "cord;date;jumps;heaviest rider [lb];damage\nJ1;2024-05-01;3;200,5;\n")
    assert log[0].heaviest == pytest.approx(200.5 * 0.45359237)
    assert log[0].lightest is None


def test_a_campaign_without_a_log_has_none(tmp_path):
    assert read_jump_log(tmp_path) == ()


def test_problems_of_the_log_come_all_at_once(tmp_path):
    bad = LOG.splitlines()[0] + "\nJ1,02.05.2024,-3,80,52,none\n,2024-05-01,1,,,\n"
    with pytest.raises(CampaignError) as raised:
        logged(tmp_path, bad)
    said = "\n".join(raised.value.problems)
    for part in (
        "jumps.csv, row 2, column 'date': '02.05.2024' is not a date",
        "jumps.csv, row 2, column 'jumps': '-3' is not a whole number",
        "jumps.csv, row 2, column 'heaviest rider [kg]': 52 kg is less than the lightest, 80 kg",
        "jumps.csv, row 2, column 'damage': 'none' would be read as damage",
        "jumps.csv, row 3, column 'cord': is blank",
    ):
        assert part in said


# --- softening and lengthening ----------------------------------------------------------------------------------


def dropped(rng, *, softening, lengthening, u=0.0, cords=6, masses=(36.0, 68.0, 100.0)):
    """Invented drops: loss of stiffness (a share) and gain of slack length [m], both in 500 jumps."""
    curve = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    names, jumps, mass = (
        axis.ravel() for axis in np.meshgrid([f"C{i}" for i in range(cords)], COUNTS, masses, indexing="ij")
    )
    own = dict(zip(dict.fromkeys(names), rng.normal(0, 0.02, cords), strict=True))
    scale = np.exp(np.array([own[name] for name in names])) * (1 - softening * jumps / 500)
    setup = {"mass": mass, "cord_mass": 14.0, "drag_area": 0.1}
    lowest = predict_drop(curve.scaled(scale), slack_length=10 + lengthening * jumps / 500, **setup).lowest_point
    found = tell_apart(
        curve, names, jumps + (mass > 50), mass, lowest + rng.normal(0, u, mass.size) if u else lowest,
        slack_length=np.full(mass.size, 10.0), cord_mass=14.0, drag_area=0.1,
    )  # fmt: skip
    return found


@pytest.mark.parametrize(("softening", "lengthening"), [(0.05, 0.0), (0.0, 0.12), (0.05, 0.12)])
def test_softening_and_lengthening_are_told_apart(softening, lengthening):
    """Exact drops give back the invented change: stiffness down by a share, slack length up, in 500 jumps."""
    found = dropped(np.random.default_rng(1), softening=softening, lengthening=lengthening)
    at_end = found.jumps == 500
    new = found.ln_scale[found.jumps == 0]
    assert found.ln_scale[at_end] - new == pytest.approx(np.full(6, math.log(1 - softening)), abs=1e-7)
    assert found.lengthening[at_end] == pytest.approx(np.full(6, lengthening), abs=1e-6)


def test_change_is_shown_only_where_the_readings_show_it():
    """Lowest points read to 0.05 m: 5 % of softening shows, a lengthening that is not there does not."""
    found = dropped(np.random.default_rng(7), softening=0.05, lengthening=0.0, u=0.05)
    assert found.p_scale < 0.05 < found.p_length
    assert abs(found.scale_lines.slope * 500 + 0.05) < 4 * 500 * found.scale_lines.se_slope
    assert "slack length" in found.summary()
    json.dumps(found.to_dict())


def test_one_mass_cannot_tell_them_apart():
    with pytest.raises(ValueError, match="2 masses or more"):
        dropped(np.random.default_rng(1), softening=0.05, lengthening=0.0, masses=(68.0,))

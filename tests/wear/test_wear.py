"""Wear: limits at the tested counts, retirement, forecast, next retest, coverage."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from cordlab import figures
from cordlab.wear.wear import Wear
from tests.coverage.wear import WORLDS, study

COUNTS = [0, 100, 200, 350, 500]


def worn(rng, *, cords=6, counts=COUNTS, start=9.0, loss=0.003, bend=0.0, sd=0.1):
    """Invented clearance: cord names, counts, values."""
    names, jumps = np.repeat([f"C{i}" for i in range(cords)], len(counts)), np.tile(counts, cords)
    slopes = loss * (1 + rng.normal(0, 0.1, cords)).repeat(len(counts))
    values = start - slopes * jumps - bend * jumps**2 + rng.normal(0, sd, jumps.size)
    return names, jumps, values


@pytest.fixture(scope="module")
def drops():
    return worn(np.random.default_rng(1))


def assess(cord, jumps, values, quantity="clearance", unit="m", conditions=None, **how):
    columns = np.array(cord), np.array(jumps), np.array(values)
    return Wear(*columns, quantity=quantity, unit=unit, conditions=conditions or {}, **how)


# --- wear -------------------------------------------------------------------------------------------------------


def test_equal_steps_at_equal_counts_give_the_next_equal_step():
    """Common practice, no source: what was lost in each of two equal intervals is forecast to be lost again."""
    wear = assess(list("aaabbb"), [0, 100, 200] * 2, [8, 7.5, 7, 8.2, 7.7, 7.2], probability=0.9, least=4)
    tested = [point.mean for point in wear.points if point.kind == "tested"]
    (forecast,) = wear.forecast
    assert forecast.jumps == 300
    assert forecast.mean - tested[-1] == pytest.approx(tested[1] - tested[0])
    assert forecast.mean - tested[-1] == pytest.approx(-0.5)


def test_retirement_is_the_last_retest_that_meets_the_limit(drops):
    names, jumps, values = drops
    wear = assess(names, jumps, values, probability=0.99, least=4.0)
    assert wear.retire_at == 500
    assert all(point.meets for point in wear.points if point.kind == "tested")
    bound = next(point.lower for point in wear.points if point.jumps == 350)
    nearer = assess(names, jumps, values, probability=0.99, least=bound)
    assert nearer.retire_at == 350
    assert nearer.next_retest is None
    assert any("not met at 500" in reason for reason in nearer.reasons)


def test_no_rating_is_given_beyond_the_last_retest(drops):
    """Clearance to spare: the forecast meets the limit, and retirement stays at what was tested."""
    wear = assess(*drops, probability=0.99, least=1.0)
    assert wear.forecast[0].meets
    assert wear.retire_at == 500
    assert any("not rated beyond 500" in reason for reason in wear.reasons)
    assert "forecast, not a rating" in wear.summary() or wear.crossing["early"] is None
    json.dumps(wear.to_dict())


def test_the_first_test_is_no_retest(drops):
    """Met when new and not at 100 jumps: nothing can be said of cords that have been jumped."""
    names, jumps, values = drops
    first = assess(names, jumps, values, probability=0.99, least=0.0).points[0].lower
    wear = assess(names, jumps, values, probability=0.99, least=first)
    assert wear.points[0].meets
    assert wear.retire_at is None
    assert any("no retest meets the limit" in reason for reason in wear.reasons)


def test_the_makers_count_wins_where_smaller(drops):
    names, jumps, values = drops
    wear = assess(names, jumps, values, probability=0.99, least=4.0, greatest_jumps=300)
    assert wear.retire_at == 300
    assert wear.next_retest is None
    assert assess(names, jumps, values, probability=0.99, least=4.0, greatest_jumps=800).retire_at == 500


def test_a_range_that_holds_to_fewer_jumps_retires_the_cords_before(drops):
    """The other criteria at the worn cords, and one cord by itself, which no other cord speaks for."""
    wear = assess(*drops, probability=0.99, least=1.0)
    held = replace(wear, holds_to=[100, 200])
    assert (held.retire_at, held.next_retest) == (200, None)
    assert held.reasons[-1] == "the rated range holds to 200 jumps, not beyond"
    assert replace(wear, holds_to=[]).retire_at is None
    assert replace(wear, holds_to=[200, 500]).next_retest == wear.next_retest > wear.retire_at == 500
    alone = replace(wear, holds_to=[350], only_cord="C1")
    assert alone.retire_at == 350
    assert alone.reasons[0].startswith("C1 by itself: its rating ends at its own last count")


def test_next_retest_comes_before_the_early_limit_of_the_forecast():
    names, jumps, values = worn(np.random.default_rng(3))
    last = assess(names, jumps, values, probability=0.99, least=1.0).points[-2].lower
    wear = assess(names, jumps, values, probability=0.99, least=last - 0.2)
    early, mean = wear.crossing["early"], wear.crossing["mean"]
    assert 500 < wear.next_retest < early < mean
    assert wear.next_retest >= early - 1
    # with room to spare it is one step on, and no farther
    assert assess(names, jumps, values, probability=0.99, least=0.0).next_retest == 650
    capped = assess(names, jumps, values, probability=0.99, least=0.0, greatest_jumps=600)
    assert capped.next_retest == 600
    assert capped.retire_at == 500


def test_wear_that_gets_faster_has_no_forecast():
    wear = assess(*worn(np.random.default_rng(2), bend=4e-6), probability=0.99, least=4.0)
    assert not wear.forecast
    assert wear.next_retest is None
    assert wear.curvature_p < 0.05
    assert any("gets faster" in reason for reason in wear.reasons)
    # the same bend away from the bound is no danger to it
    easing = assess(*worn(np.random.default_rng(2), bend=-2e-6), probability=0.99, least=4.0)
    assert easing.forecast
    assert easing.curvature_p > 0.95


def test_a_drop_that_misses_the_bound_ends_the_rating_by_itself():
    names, jumps, values = worn(np.random.default_rng(1), cords=40, sd=0.3)
    values[(names == "C7") & (jumps == 350)] = 3.9
    wear = assess(names, jumps, values, probability=0.9, least=4.0)
    assert wear.retire_at == 200


def test_counts_only_one_cord_reached_are_not_retested():
    names, jumps, values = worn(np.random.default_rng(1), cords=4)
    keep = (jumps < 500) | (names == "C0")
    wear = assess(names[keep], jumps[keep], values[keep], probability=0.9, least=1.0)
    assert wear.retire_at == 350


def test_counts_close_together_are_one_retest_at_the_lowest():
    """Each drop adds one to the count, and no two cords come to a retest at the same one."""
    rng = np.random.default_rng(8)
    names, jumps, values = worn(rng, cords=5)
    jumps = jumps + np.where(jumps > 0, rng.integers(-8, 9, jumps.size), 0)
    wear = assess(names, jumps, values, probability=0.95, least=1.0)
    assert len([point for point in wear.points if point.kind == "tested"]) == 5
    assert wear.retire_at == jumps[jumps > 400].min()
    assert wear.next_retest > wear.retire_at
    # thirty times as far apart, no count has every cord, and the lines judge
    apart = assess(names, 30 * jumps, values, probability=0.95, least=1.0)
    assert apart.retire_at == 30 * sorted(jumps)[-2]


def test_two_masses_at_a_retest_are_two_drops_of_the_cord_and_not_two_cords():
    names, jumps, values = worn(np.random.default_rng(8), cords=5)
    wear = assess(names, jumps, values, probability=0.95, least=1.0)
    twice = assess([*names, *names], [*jumps, *(jumps + 1)], [*values, *values], probability=0.95, least=1.0)
    for one, other in zip(wear.points[:5], twice.points[:5], strict=True):
        assert other.jumps == one.jumps
        assert other.lower == pytest.approx(one.lower)  # the same five means, nothing learnt


@pytest.mark.parametrize(
    ("keep", "reason"),
    [
        (lambda names, jumps: names == "C0", "nothing is known of another cord"),
        (lambda names, jumps: jumps == 0, "nothing is known of another cord"),
        (lambda names, jumps: jumps < 200, "3 or more jump counts"),
    ],
)
def test_too_little_for_a_forecast_is_said(drops, keep, reason):
    names, jumps, values = drops
    of = keep(names, jumps)
    wear = assess(names[of], jumps[of], values[of], probability=0.9, least=1.0)
    assert not wear.forecast
    assert wear.next_retest is None
    assert reason in "\n".join(wear.reasons)
    json.dumps(wear.to_dict())


def test_new_cords_alone_are_not_rated_for_wear():
    wear = assess(["a", "b", "c"], [0, 0, 0], [8.0, 8.1, 8.2], probability=0.9, least=1.0)
    assert wear.retire_at is None


def test_temperature_that_goes_with_the_count_is_pointed_out(drops):
    names, jumps, values = drops
    conditions = {"temperature [degC]": 10 + jumps / 100, "rest [h]": np.where(jumps == 0, np.nan, 2.0)}
    wear = assess(names, jumps, values, probability=0.99, least=4.0, conditions=conditions)
    assert any("temperature" in caution for caution in wear.cautions)
    assert wear.ranges()["rest [h]"].to_dict("index") == {n: {"lowest": 2, "highest": 2} for n in COUNTS[1:]}


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        ({"jumps": [0, 1.5]}, "whole number"),
        ({"values": [1.0, math.inf]}, "value 2 is not a number"),
        ({"cord": ["a"]}, "one a drop for all"),
        ({"greatest_jumps": -1}, "at least 0"),
        ({"probability": 1.2}, "not between 0 and 1"),
    ],
)
def test_input_that_makes_no_sense_is_refused(changed, problem):
    arguments = {"cord": ["a", "b"], "jumps": [0, 0], "values": [1.0, 2.0], "least": 1.0, "probability": 0.9} | changed
    with pytest.raises(ValueError, match=problem):
        assess(**arguments)


def test_a_bound_with_room_in_it_says_what_the_criterion_asks_for(drops):
    wear = replace(assess(*drops, probability=0.99, least=4.24), room=0.24)
    assert "at least 4.24 m: 4 m asked for and 0.24 m for what is unsure besides cords and drops" in wear.summary()
    assert f"no person jumps beyond {wear.retire_at} before it is passed" in wear.summary()


def test_table_and_figure_show_drops_limits_and_bound(drops):
    wear = assess(*drops, probability=0.99, least=4.0)
    table = wear.table()
    assert list(table.index) == [point.jumps for point in wear.points]
    assert {"kind", "mean [m]", "lower limit [m]", "limit of cord C0 [m]", "met"} <= set(table)
    assert "retire at 500" in wear._repr_html_()
    (ax,) = figures.wear(wear).axes
    assert len(ax.lines) == 6 + 6 + 2 + 1 + 1  # dots, lines, limits tested and forecast, bound, retirement


# --- coverage, the short version of `python -m tests.coverage wear` -----------------------------------------------


@pytest.mark.parametrize(
    "world", [world for world in WORLDS if world.name in ("straight", "a little faster", "faster")]
)
def test_forecast_holds_or_is_refused(world):
    """Invented wear, 6 cords, 95 % asked: held or refused in 95 % of batches or more, to 3 standard errors."""
    runs = 150
    outcome = study(world, cords=6, probability=0.95, runs=runs, seed=31)
    assert outcome.safe > 0.95 - 3 * math.sqrt(0.95 * 0.05 / runs)
    if world.faster >= 1:
        assert outcome.forecasts < 0.05 * runs
    if world.faster == 0:
        assert outcome.forecasts > 0.85 * runs

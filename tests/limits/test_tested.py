"""Masses near enough; temperature, its slope common to the cords; what no drop shows is not rated."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.budget import budget
from cordlab.limits.forecast import forecast_drop
from cordlab.limits.tested import (
    TEMPERATURE,
    UNKNOWN_SLOPE,
    comparable,
    counts_not_shown,
    not_shown,
    rateable_parts,
)
from cordlab.statistics.groups import GroupLines
from tests.limits.test_limits import CURVE, EXACT, MASSES, invented, scattered

CORDS = 4
CORD, MASS = np.repeat(np.arange(CORDS), MASSES.size), np.tile(MASSES, CORDS)
HALF_COLD = np.where((CORD + np.tile(np.arange(MASSES.size), CORDS)) % 2 == 0, 2.0, 18.0)


def dropped(temperature, slope=-0.004):
    """Cords that scatter by 1 %, and get softer by 0.4 % a kelvin, at these temperatures."""
    warmth = np.nan_to_num(np.reshape(temperature, (CORDS, -1)), nan=15.0) - 15.0
    scales = scattered(5, CORDS, 0.01, 0.003) + slope * warmth
    return replace(invented(scales), temperature=np.asarray(temperature, float))


def site(*temperature):
    return SimpleNamespace(**vars(EXACT) | {"temperature": temperature or None})


def test_the_slope_beside_the_lines_is_that_of_statsmodels():
    """statsmodels OLS, y ~ C(cord) + C(cord):mass + t: level, slope, and the error of a mean prediction of one cord."""
    y = scattered(5, CORDS, 0.01, 0.003).ravel() - 0.004 * HALF_COLD
    lines = replace(GroupLines.of(y, group=CORD, x=MASS, cause=HALF_COLD), cause_at=7.0)
    table = pd.DataFrame({"y": y, "cord": CORD, "mass": MASS, "t": HALF_COLD})
    fit = smf.ols("y ~ C(cord) + C(cord):mass + t", table).fit()
    at = pd.DataFrame({"cord": [2], "mass": [60.0], "t": [7.0]})
    predicted = fit.get_prediction(at)
    level = lines.this_group(2, [60.0])
    assert level.mean[0] == pytest.approx(predicted.predicted_mean[0], rel=1e-9)
    assert level.u[0] == pytest.approx(float(np.hypot(predicted.se_mean[0], np.sqrt(fit.mse_resid))), rel=1e-9)
    assert lines.dof_within == fit.df_resid


def test_a_cause_that_runs_with_x_is_refused():
    with pytest.raises(ValueError, match="does not run with x"):
        GroupLines.of(np.zeros(CORD.size), group=CORD, x=MASS, cause=5.0 + 0.2 * MASS)


def test_each_quantity_is_limited_at_the_end_where_it_is_worse():
    """Cords that are softer when warm come lowest at the warm end, and load most at the cold one."""
    stiffness = drop_stiffness(CURVE, dropped(HALF_COLD), rig=EXACT)
    assert stiffness.trend.slope == pytest.approx(-0.004, abs=0.0008)
    whole, cold, warm = (
        forecast_drop(stiffness, site=site(*ends), masses=MASSES, seed=1, draws=4000)
        for ends in ((2.0, 18.0), (2.0, 2.0), (18.0, 18.0))
    )
    for quantity, end, other in (("clearance", warm, cold), ("peak_load", cold, warm)):
        assert whole.limit(quantity) == pytest.approx(end.limit(quantity), rel=1e-9)
        assert np.all(np.abs(whole.limit(quantity) - other.limit(quantity)) > 0.01)
    assert warm.estimate("clearance")[2] == pytest.approx(
        forecast_drop(
            drop_stiffness(CURVE, dropped(np.full(CORD.size, 18.0)), rig=EXACT),
            site=site(18.0, 18.0), masses=MASSES, seed=1, draws=100,
        ).estimate("clearance")[2], abs=0.12,
    )  # fmt: skip


def test_without_a_slope_the_size_of_ideal_rubbers_is_carried():
    """Drops at 14 to 18 °C, used at 18: u(ln s) is 0.35 % a kelvin of what lies between, in the budget by name."""
    temperature = np.where(CORD % 2, 14.0, 18.0)
    stiffness = drop_stiffness(CURVE, dropped(temperature, slope=0.0), rig=EXACT)
    assert stiffness.trend.slope is None
    forecast = forecast_drop(stiffness, site=site(18.0, 18.0), masses=[68.0], seed=1, draws=2000)
    at_middle = forecast_drop(stiffness, site=site(16.0, 16.0), masses=[68.0], seed=1, draws=2000)
    (share,) = (share for share in budget(forecast, mass=68.0).shares if share.input == TEMPERATURE)
    assert all(share.share < 1e-12 for share in budget(at_middle, mass=68.0).shares if share.input == TEMPERATURE)
    softer = np.exp(-2.0 * UNKNOWN_SLOPE)
    low = forecast_drop(
        drop_stiffness(CURVE, replace(invented(np.log(np.full((2, 1), softer))), temperature=np.full(10, 16.0)),
                       rig=EXACT), site=site(), masses=[68.0], seed=1, draws=100,
    )  # fmt: skip
    plain = forecast_drop(
        drop_stiffness(CURVE, invented(np.zeros((2, 1))), rig=EXACT), site=site(), masses=[68.0], seed=1, draws=100
    )
    moved = plain.estimate("clearance")[0] - low.estimate("clearance")[0]
    assert share.u == pytest.approx(moved, rel=0.05)


@pytest.mark.parametrize(
    ("temperature", "use", "words"),
    [
        (np.where(np.arange(20) == 7, 0.0, 18.0), (0.0, 18.0), "what that does to the cords is not known"),
        (np.where(MASS == 36.0, 0.0, 18.0), (0.0, 18.0), "drop 2 cords at 0 °C"),
        (np.where(CORD == 0, 0.0, 18.0), (0.0, 18.0), "drop 2 cords at 0 °C"),
        (5.0 + 15.0 * (MASS - 36.0) / 64.0, (5.0, 20.0), "drop 2 cords at 5 and at 20 °C"),
        (5.0 + 15.0 * (MASS - 36.0) / 64.0, None, "drop 2 cords at 5 and at 20 °C"),
        (np.full(20, 18.0), (10.0, 18.0), "but drops were made at 18 to 18 °C"),
        (np.full(20, np.nan), (10.0, 18.0), "no drop has its temperature recorded"),
        (HALF_COLD, (2.0, 18.0), ""),
        (16.0 + 3.0 * (MASS - 36.0) / 64.0, (16.0, 19.0), ""),
        (np.where(CORD < 2, 0.0, 18.0), (0.0, 18.0), ""),
        (np.where(np.arange(20) == 7, 0.0, 18.0), (16.0, 18.0), ""),
    ],
)  # fmt: skip
def test_temperatures_that_the_drops_do_not_show_are_not_rated(temperature, use, words):
    """One cold drop, the lightest mass or one cord cold, a day that warms with the masses: no. Half cold, 3 K, and
    two cords at each end: yes.
    """
    drops = dropped(temperature)
    reasons = not_shown(drops, drop_stiffness(CURVE, drops, rig=EXACT).trend, use)
    assert (words in reasons[0]) if words else not reasons


@pytest.mark.parametrize(
    ("jumps", "asked", "words"),
    [
        (np.tile(np.arange(5), CORDS), None, ""),
        (np.tile(np.arange(5), CORDS), 20, ""),
        (np.tile(np.arange(5), CORDS), 500, "asked for 500 jumps, but cords with 0 to 4 jumps were dropped"),
        (np.tile(np.arange(5), CORDS) + np.where(CORD == 0, 300, 0), None, "note the drops of used cords as 'wear'"),
        (np.tile(np.arange(5), CORDS) + 18 * CORD, None, "note the drops of used cords as 'wear'"),
        (np.where((CORD == 1) & (MASS == 100.0), 520, 3), 500, "1 of them within 20 jumps of it"),
    ],
)
def test_a_jump_count_is_shown_by_two_cords_dropped_near_it(jumps, asked, words):
    """One used cord among the fit drops does not make its count a tested one."""
    reasons = counts_not_shown(replace(dropped(np.full(20, 15.0)), jumps=jumps.astype(float)), asked)
    assert any(words in reason for reason in reasons) if words else not reasons


def test_retests_in_the_cold_are_not_held_against_fit_drops_in_the_warm():
    fit = dropped(np.full(20, 18.0))
    near, words = comparable(fit, replace(fit, temperature=np.where(CORD == 2, 6.0, 22.0)))
    assert near.tolist() == (CORD != 2).tolist()
    assert "5 retests at 6 to 6 °C are not used" in words
    unknown = replace(fit, temperature=np.full(20, np.nan))
    assert comparable(fit, unknown)[0].all()
    assert comparable(unknown, fit)[0].all()


@pytest.mark.parametrize(
    ("masses", "checked", "parts", "words"),
    [
        ([36.0, 52.0, 68.0, 84.0, 100.0], (), [(36.0, 100.0)], []),
        ([36.0, 54.0, 81.0], (), [(36.0, 81.0)], []),
        ([36.0, 52.0, 84.0, 100.0], (), [(36.0, 52.0), (84.0, 100.0)], ["52 and 84 kg", "drop 66.1 kg too"]),
        ([36.0, 52.0, 84.0, 100.0], (68.0,), [(36.0, 100.0)], []),
        ([36.0, 68.0, 100.0], (), [(68.0, 100.0)], ["36 and 68 kg", "drop 49.5 kg too"]),
        ([36.0, 100.0], (), [], ["only two masses", "drop 50.6 and 71.1 kg too"]),
        ([40.0, 80.0], (60.0,), [(40.0, 80.0)], []),
        ([60.0, 80.0], (), [], ["only two masses", "drop 69.3 kg too"]),
        ([68.0], (36.0,), [(68.0, 68.0)], []),
    ],
)
def test_nothing_is_rated_between_masses_that_are_too_few_or_too_far_apart(masses, checked, parts, words):
    """A ladder may step by half of a mass; a bend between two masses is not shown. The masses named mend it."""
    near, reasons = rateable_parts(np.array(masses), checked)
    assert near == parts
    assert all(word in reasons[0] for word in words) if words else not reasons
    if reasons:
        named = [float(mass) for mass in re.findall(r"[\d.]+", reasons[0].split("drop ")[-1])]
        assert rateable_parts(np.array([*masses, *named]), checked) == ([(masses[0], masses[-1])], [])

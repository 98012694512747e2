"""The temperature trend against ordinary least squares of statsmodels; the invented numbers are plain arithmetic."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from cordlab.batch.temperature import temperature_trend


def drops(rng, *, slope=-0.004, noise=0.003, warm=12.0):
    """Three cords, three masses, each dropped cool and warm."""
    rows = [(cord, mass, day) for day in (0, 1) for cord in "ABC" for mass in (40.0, 70.0, 100.0)]
    cord, mass, day = zip(*rows, strict=True)
    t = 12.0 + warm * np.array(day) + rng.normal(0, 1.0, len(rows))
    level = {"A": 0.02, "B": -0.01, "C": 0.0}
    y = np.array([level[c] for c in cord]) + 0.001 * np.array(mass) + slope * t + rng.normal(0, noise, len(rows))
    return y, t, list(cord), list(mass), rng.permutation(len(rows)).astype(float)


def test_slope_and_its_error_are_those_of_statsmodels():
    """statsmodels OLS, y ~ t + C(cord) + C(mass)."""
    y, t, cord, mass, jumps = drops(np.random.default_rng(4))
    trend = temperature_trend(y, t, cords=cord, masses=mass, jumps=jumps)
    table = pd.DataFrame({"y": y, "t": t, "cord": cord, "mass": mass})
    fit = smf.ols("y ~ t + C(cord) + C(mass)", table).fit()
    assert (trend.slope, trend.u) == pytest.approx((fit.params["t"], fit.bse["t"]), rel=1e-9)
    assert trend.dof == fit.df_resid
    assert trend.interval(0.95) == pytest.approx(tuple(fit.conf_int().loc["t"]), rel=1e-9)
    assert "% per K" in trend.summary()


def test_the_interval_covers_as_often_as_it_says():
    """300 campaigns with a slope of −0.4 % per K: a 95 % interval; binomial, 99.9 % of such studies give 272 to 296."""
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(300):
        y, t, cord, mass, jumps = drops(rng)
        low, high = temperature_trend(y, t, cords=cord, masses=mass, jumps=jumps).interval()
        held += low <= -0.004 <= high
    assert 272 <= held <= 296


def test_no_trend_is_told_where_none_was_measured():
    y, t, cord, mass, jumps = drops(np.random.default_rng(4), warm=0.0)
    trend = temperature_trend(y, t, cords=cord, masses=mass, jumps=jumps)
    assert trend.slope is None
    assert "5 K apart" in trend.summary()
    with pytest.raises(ValueError, match="no temperature trend"):
        trend.interval()
    nothing = temperature_trend(y, np.full(y.size, np.nan), cords=cord, masses=mass, jumps=jumps)
    assert "no temperature was noted" in nothing.reason


def test_temperature_that_follows_the_masses_tells_nothing():
    """Warmer with every mass: the wave's and the curve's own course over mass cannot be told from the temperature's."""
    y, _, cord, mass, jumps = drops(np.random.default_rng(4))
    trend = temperature_trend(y, 5.0 + 0.2 * np.array(mass), cords=cord, masses=mass, jumps=jumps)
    assert trend.slope is None
    assert "not within them" in trend.reason


def test_jump_counts_that_rise_with_temperature_are_named():
    y, t, cord, mass, _ = drops(np.random.default_rng(4))
    jumps = np.repeat([5.0, 105.0], y.size // 2)
    assert "jump counts" in temperature_trend(y, t, cords=cord, masses=mass, jumps=jumps).note

"""Cords of a batch: variation and the outlying cord against published examples; the temperature trend against OLS."""

import json
import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import optimize

from cordlab import figures
from cordlab.batch.cords import batch_report, temperature_trend
from tests.conftest import approx_printed, published_csv

# NIST/SEMATECH e-Handbook, 1.3.5.17.1, Grubbs' test: uranium isotope data of Tietjen and Moore (1972). From memory.
URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


def test_spread_of_each_quantity_is_the_published_one():
    """Dyestuff (see test_spread), with batches for cords and a second quantity of one value each."""
    data = published_csv("dyestuff.csv")
    drops = {name: group["yield [g]"].tolist() for name, group in data.groupby("batch")}
    report = batch_report({"lowest point": drops, "slack length": {name: [len(name)] for name in drops}})
    assert report["lowest point"].components.between == approx_printed("1764.05")
    assert report["slack length"].components is None
    assert not report.outlying
    json.dumps(report.to_dict())


def test_grubbs_statistic_of_the_handbook():
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.468765, one value stands out."""
    report = batch_report({"slack length": {f"C{i}": [value] for i, value in enumerate(URANIUM)}}, level=0.05)
    (outlying,) = report.outlying
    assert outlying.cord == "C7"
    assert [text.get_text() for text in figures.batch(report).axes[0].texts] == ["C7"]
    n = len(URANIUM)
    g = (n - 1) / math.sqrt(n) * math.sqrt(outlying.t**2 / (n - 2 + outlying.t**2))
    assert g == approx_printed("2.468765")


def test_grubbs_critical_value_of_the_handbook():
    """Same page: critical G 2.032 for one side at 5 %, so a value just there has a two-sided p of 10 %."""
    rest = np.array(URANIUM[:-1])

    def g(last: float) -> float:
        values = np.append(rest, last)
        return (last - values.mean()) / values.std(ddof=1)

    last = optimize.brentq(lambda x: g(x) - 2.032, rest.max(), 250.0)
    report = batch_report({"slack length": {f"C{i}": [value] for i, value in enumerate([*rest, last])}})
    assert report["slack length"].tests[0].p == pytest.approx(0.10, abs=0.001)


def test_alike_cords_are_called_unlike_as_often_as_the_level_says():
    """Bonferroni: at most 5 % of batches of alike cords, over two quantities, unequal numbers of drops."""
    rng = np.random.default_rng(29)
    sizes, alarms, n = [1, 2, 3, 3, 4, 6], 0, 300
    for _ in range(n):
        values = {
            quantity: {f"C{i}": rng.normal() + rng.normal(0, 0.7, size) for i, size in enumerate(sizes)}
            for quantity in ("stiffness scale", "energy returned")
        }
        alarms += bool(batch_report(values, level=0.05).outlying)
    assert alarms / n < 0.05 + 4 * math.sqrt(0.05 * 0.95 / n)
    assert alarms / n > 0.02  # and it does alarm


def test_two_cords_cannot_show_which_is_odd():
    report = batch_report({"stiffness scale": {"A": [1.0, 1.1], "B": [3.0, 3.1]}})
    assert not report.outlying
    assert "at least 3" in report.cautions[0]


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({}, "no quantity"),
        ({"slack length": {"A": [1.0]}}, "1 cord"),
        ({"slack length": {"A": [1.0], "B": []}}, "no value for cord B"),
        ({"slack length": {"A": [1.0], "B": [math.nan]}}, "not a number"),
    ],
)
def test_a_batch_that_says_nothing_is_refused(values, message):
    with pytest.raises(ValueError, match=message):
        batch_report(values)


# --- temperature; the invented numbers are plain arithmetic -----------------------------------------------------


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

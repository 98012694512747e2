"""Variance components against published data, certified values and mixed models."""

import math
from itertools import combinations

import numpy as np
import pytest

from cordlab import components
from cordlab.statistics.components import furthest, furthest_pair, without_levels
from tests.conftest import PUBLISHED, printed, published_csv


def nist_anova(name: str) -> tuple[np.ndarray, np.ndarray]:
    group, value = np.loadtxt(PUBLISHED / name, skiprows=60, unpack=True)
    return value, group


def test_dyestuff():
    """Davies and Goldsmith (1972), 6.4; REML and ML estimates of lme4 (Bates 2010, ch. 1) and MixedModels.jl."""
    data = published_csv("dyestuff.csv")
    parts = components(data["yield [g]"], data["batch"])
    assert parts.mean == printed("dyestuff", "mean")
    assert parts.between == printed("dyestuff", "reml_between")
    assert parts.within == printed("dyestuff", "reml_within")
    assert parts.criterion == printed("dyestuff", "reml_criterion", digits=10)
    assert not parts.zeroed


def test_dyestuff2_becomes_zero_and_says_so():
    """Box and Tiao (1973), 5.1.2. The published sd is the ML one; at zero between it is the REML one times √(29/30)."""
    data = published_csv("dyestuff2.csv")
    parts = components(data["yield"], data["batch"])
    assert parts.between == 0
    assert parts.zeroed
    assert "negative" in parts.summary()
    assert parts.ms_between < parts.ms_within
    assert parts.mean == printed("dyestuff2", "mean")
    assert parts.sd_within * math.sqrt(29 / 30) == printed("dyestuff2", "ml_within_sd", digits=10)
    assert parts.se_mean * math.sqrt(29 / 30) == printed("dyestuff2", "ml_se_mean", digits=10)


@pytest.mark.parametrize(("file", "name", "digits"), [("SiRstv.dat", "sirstv", 12), ("AtmWtAg.dat", "atmwtag", 8)])
def test_certified_analysis_of_variance(file, name, digits):
    """NIST StRD: mean squares, F and residual sd. AtmWtAg: seven constant leading digits leave 8 in all."""
    parts = components(*nist_anova(file))
    sizes = parts.sizes[0]
    assert parts.ms_within == printed(name, "ms_within", digits=digits)
    assert parts.ms_between * parts.dof_between == printed(name, "ss_between", digits=digits)
    assert parts.ms_between / parts.ms_within == printed(name, "f", digits=digits)
    assert parts.ms_within**0.5 == printed(name, "residual_sd", digits=digits)
    # balanced: REML is the analysis-of-variance estimate, in closed form
    assert parts.between == pytest.approx((parts.ms_between - parts.ms_within) / sizes, rel=1e-9)


def test_zener_voltage_of_the_gum():
    """JCGM 100:2008, H.5, Table H.9: the printed summaries of each day's five readings stand for the readings."""
    days = published_csv("gum-h5-voltage.csv")
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)  # mean 0, standard deviation 1
    volts = days["mean [V]"].to_numpy()[:, None] + 1e-6 * days["standard deviation [uV]"].to_numpy()[:, None] * pattern
    parts = components(volts.ravel(), np.repeat(days["day"], 5))
    assert parts.mean == printed("gum-h5", "grand_mean")
    assert 1e6 * (parts.ms_between / 5) ** 0.5 == printed("gum-h5", "s_of_day_means")
    assert 1e6 * parts.sd_within == printed("gum-h5", "pooled_within_sd")
    assert 1e6 * parts.sd_between == printed("gum-h5", "s_B")
    assert 1e6 * parts.se_mean == printed("gum-h5", "s_of_grand_mean")
    # the GUM's F of 2.25 is 5·57²/85² from the rounded sds
    assert parts.ms_between / parts.ms_within == pytest.approx(2.25, abs=0.02)


def test_unbalanced_groups_agree_with_a_mixed_model():
    """Reference: statsmodels MixedLM, REML, on unequal groups."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(11)
    group = np.repeat(np.arange(7), [1, 2, 3, 4, 6, 8, 2])
    y = 3 + rng.normal(0, 0.8, 7)[group] + rng.normal(0, 0.5, len(group))
    reference = MixedLM(y, np.ones((len(y), 1)), groups=group).fit(reml=True, gtol=1e-9)
    parts = components(y, group)
    assert parts.within == pytest.approx(reference.scale, rel=1e-5)
    assert parts.between == pytest.approx(float(reference.cov_re[0, 0]), rel=1e-5)
    assert parts.mean == pytest.approx(reference.fe_params[0], rel=1e-6)
    # generalised least squares written out with the whole covariance matrix
    covariance = parts.within * np.eye(len(y)) + parts.between * (group[:, None] == group)
    assert parts.se_mean == pytest.approx(np.linalg.inv(covariance).sum() ** -0.5, rel=1e-9)
    assert parts.criterion == pytest.approx(-2 * reference.llf, rel=1e-8)


def test_shift_and_scale_do_not_matter():
    rng = np.random.default_rng(3)
    group = np.repeat(list("abcd"), [2, 3, 4, 3])
    y = rng.normal(size=4).repeat([2, 3, 4, 3]) + rng.normal(0, 0.3, 12)
    one, other = components(y, group), components(1000 + 5 * y, group)
    assert other.between == pytest.approx(25 * one.between, rel=1e-9)
    assert other.within == pytest.approx(25 * one.within, rel=1e-9)
    assert other.mean == pytest.approx(1000 + 5 * one.mean, rel=1e-12)


def test_no_scatter_within_leaves_the_means():
    parts = components([1.0, 1.0, 2.0, 2.0, 4.0, 4.0], list("aabbcc"))
    assert parts.within == 0
    assert parts.between == pytest.approx(np.var([1, 2, 4], ddof=1))


@pytest.mark.parametrize(
    ("values", "groups", "message"),
    [
        ([1.0, 2.0], ["a", "a"], "only 1 group"),
        ([1.0, 2.0], ["a", "b"], "one value a group"),
        ([1.0, math.nan], ["a", "a"], "value 2 is not a number"),
        ([1.0, 2.0], ["a"], "one name a value"),
    ],
)
def test_what_cannot_be_told_apart_is_refused(values, groups, message):
    with pytest.raises(ValueError, match=message):
        components(values, groups)


def _without_pair_by_regression(y, design):
    """Every pair's F ratio by fitting twice, with and without an indicator of its own for each of the two."""
    n, ratios = len(y), {}
    for pair in combinations(range(n), 2):
        full = np.hstack([design, np.eye(n)[:, pair]])
        coefficients, _, rank, _ = np.linalg.lstsq(full, y, rcond=None)
        squares = float(((y - full @ coefficients) ** 2).sum())
        without = float(((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2).sum())
        ratios[pair] = ((without - squares) / 2 / (squares / (n - rank)), coefficients[-2:])
    return ratios


def test_two_values_that_hide_one_another_are_found_as_a_regression_finds_them():
    rng = np.random.default_rng(5)
    group, x = np.repeat([0, 1, 2, 3], 4), np.tile([-1.0, -0.3, 0.4, 1.0], 4)
    y = rng.normal(0, 0.01, 16) + np.array([1.0, 1.2, 0.9, 1.1])[group] + 0.3 * x
    y[[3, 9]] += 0.5, -0.5
    design = np.hstack([(group[:, None] == np.arange(4)).astype(float), x[:, None], x[:, None] ** 2])
    ratios = _without_pair_by_regression(y, design)
    worst = max(ratios, key=lambda pair: ratios[pair][0])
    levels = without_levels(y, group, slopes=[x, x**2])
    one, other = furthest_pair(levels)
    assert (one.number, other.number) == worst == (3, 9)
    assert one.t**2 == pytest.approx(ratios[worst][0], rel=1e-6)
    assert [one.off, other.off] == pytest.approx(ratios[worst][1], rel=1e-6)
    assert one.chance < 1e-6 < furthest(levels).chance * 1e-3  # which alone says nothing


def test_a_value_that_has_a_level_for_itself_is_unlike_nothing():
    assert furthest_pair(without_levels(np.array([1.0, 2.0, 3.0, 4.0]), list("abcd"))) is None
    values, groups = np.array([1.0, 1.1, 0.9, 1.0, 1.05, 0.95, 9.0]), list("aaaaaab")
    assert furthest(without_levels(values, groups)).number != 6

"""Levels and lines within groups, and the next value: published lines, mixed models, closed forms, coverage."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from cordlab.statistics.groups import GroupLines, Pivots
from cordlab.statistics.limits import prediction_factor
from cordlab.statistics.propagation import scrambles
from tests.conftest import printed, published_csv
from tests.coverage.limits import mean_and_error
from tests.wear.test_wear import worn

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])


def own_lines(group, x, values, **how):
    return GroupLines.of(values, group=group, x=x, structure="own lines", **how)


def test_each_laser_reaches_the_limit_when_the_book_says():
    """Meeker and Escobar (1998), Example 13.5: crossing of 10 % by a line for each of 15 units, printed to the hour."""
    data = published_csv("laser-degradation.csv")
    lines = own_lines(data["unit"], data["hours"], data["increase [%]"])
    crossings = dict(zip(lines.names, (10 - lines.intercepts) / lines.slopes, strict=True))
    assert len(crossings) == 15
    for unit, hours in crossings.items():
        assert hours == printed("laser-degradation", f"crossing_{unit}")


def test_random_slopes_of_the_sleep_study():
    """Bates et al. (2015), lme4, REML: mean line, standard errors, spread of the lines, correlation, residual sd."""
    data = published_csv("sleepstudy.csv")
    lines = own_lines(data["subject"], data["days"], data["reaction [ms]"])
    covariance, zeroed = lines.between
    assert not zeroed
    assert lines.intercepts.mean() == printed("sleepstudy", "reml_intercept")
    assert lines.intercepts.std(ddof=1) / math.sqrt(18) == printed("sleepstudy", "reml_se_intercept")
    assert lines.slope == printed("sleepstudy", "reml_slope")
    assert lines.se_slope == printed("sleepstudy", "reml_se_slope")
    assert math.sqrt(covariance[1, 1]) == printed("sleepstudy", "reml_sd_slope")
    assert np.sqrt(lines.within) == printed("sleepstudy", "reml_residual_sd")
    assert covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]) == printed("sleepstudy", "reml_corr")
    # the paper prints 24.740 from one optimiser and 24.741 from another
    assert math.sqrt(covariance[0, 0]) == pytest.approx(24.7405, abs=0.0006)


def test_lines_agree_with_a_mixed_model():
    """Reference: statsmodels MixedLM, REML, random intercept and slope, balanced."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(2)
    names, jumps, values = worn(rng, cords=8, loss=0.02, sd=0.05)
    values = values + rng.normal(0, 0.3, 8).repeat(5)
    x = jumps / 100
    design = np.column_stack([np.ones(x.size), x])
    reference = MixedLM(values, design, groups=names, exog_re=design).fit(reml=True, method="lbfgs")
    lines = own_lines(names, x, values)
    assert lines.slope == pytest.approx(reference.fe_params[1], rel=1e-5)
    assert lines.within == pytest.approx(reference.scale, rel=1e-3)
    assert np.diag(lines.between[0]) == pytest.approx(np.diag(reference.cov_re), rel=2e-3)


def test_curvature_is_the_one_of_least_squares_on_the_whole_design():
    rng = np.random.default_rng(6)
    names, jumps, values = worn(rng, cords=3, bend=4e-6)
    design = np.zeros((values.size, 7))
    for i, name in enumerate(dict.fromkeys(names)):
        design[names == name, 2 * i], design[names == name, 2 * i + 1] = 1.0, jumps[names == name]
    design[:, 6] = jumps**2
    best, residual, *_ = np.linalg.lstsq(design, values, rcond=None)
    lines = own_lines(names, jumps, values, curved=True)
    assert lines.curvature == pytest.approx(best[6], rel=1e-7)
    assert lines.slopes == pytest.approx(best[1:6:2], rel=1e-7)
    assert lines.within * lines.dof_within == pytest.approx(residual[0], rel=1e-9)
    error = np.sqrt(lines.within) * math.sqrt(np.linalg.inv(design.T @ design)[6, 6])
    assert lines.se_curvature == pytest.approx(error, rel=1e-5)
    # the limit of a tested cord is the one of ordinary regression on the same design
    at = np.array([1.0, 650.0, 0, 0, 0, 0, 650.0**2])
    spread = np.sqrt(lines.within) * math.sqrt(1 + at @ np.linalg.solve(design.T @ design, at))
    value = lines.this_group("C0", 650.0)
    assert value.mean[0] == pytest.approx(at @ best, rel=1e-9)
    assert value.u[0] == pytest.approx(spread, rel=1e-5)


def test_a_line_through_alike_cords_is_zeroed_openly():
    lines = own_lines(list("aaabbb"), [0, 1, 2] * 2, [0.0, 1.3, 1.7, 0.1, 1.2, 1.8])
    covariance, zeroed = lines.between
    assert set(zeroed) == {"intercept", "slope"}
    assert not covariance.any()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: own_lines(["a", "a"], [5, 5], [1.0, 2.0]), "at one x only"),
        (lambda: own_lines(["a", "a"], [1, 2], [1.0, math.nan]), "not a finite number"),
        (lambda: own_lines(["a", "a"], [1, 2], [1.0, 2.0], curved=True), "3 different x"),
        (
            lambda: own_lines(list("aa"), [1, 2], [1.0, 2.0]).this_group("a", 3),
            "scatter",
        ),
        (
            lambda: own_lines(list("aa"), [1, 2], [1.0, 2.0]).another_group(3),
            "at least 2",
        ),
    ],
)
def test_lines_that_cannot_be_drawn_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


# --- the next value, of another cord and of this one ------------------------------------------------------------


def scattered(seed: int, n_cords: int, cord: float, drop: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.normal(0.0, cord, (n_cords, 1)) + rng.normal(0.0, drop, (n_cords, MASSES.size))


def test_balanced_drops_at_one_mass_give_the_two_stage_formula():
    """One-way layout, n cords with r drops: a1 = s_m²(1 + 1/n), a2 = s_w²(1 − 1/r), each with its t; ν written out."""
    n, r = 5, 3
    y = np.random.default_rng(0).normal(size=(n, r))
    value = GroupLines.of(y.ravel(), x=np.full(n * r, 50.0), group=np.repeat(np.arange(n), r)).another_group([50.0])
    a1 = y.mean(1).var(ddof=1) * (1 + 1 / n)
    within = ((y - y.mean(1, keepdims=True)) ** 2).sum() / (n * (r - 1))
    a2 = within * (1 - 1 / r)
    dof = (a1 + a2) ** 2 / (a1**2 / (n - 1) + a2**2 / (n * (r - 1)))
    assert value.mean[0] == pytest.approx(y.mean())
    assert value.u[0] == pytest.approx(np.sqrt(a1 + a2))
    assert value.effective_dof[0] == pytest.approx(dof)
    t1, t2 = stats.t.ppf(0.99, [n - 1, n * (r - 1)])
    assert value.limit(0.99, "upper")[0] == pytest.approx(y.mean() + np.sqrt(t1**2 * a1 + t2**2 * a2))


def test_one_drop_a_cord_is_a_plain_prediction_limit():
    """ISO 16269-8 (scope) and any textbook: mean + t(n − 1) s √(1 + 1/n)."""
    y = np.random.default_rng(1).normal(size=7)
    value = GroupLines.of(y, x=np.full(7, 50.0), group=np.arange(7)).another_group([50.0])
    assert value.limit(0.99, "lower")[0] == pytest.approx(y.mean() - prediction_factor(7, 0.99) * y.std(ddof=1))


def by_cord(masses_of):
    def layout(n: int) -> tuple[np.ndarray, np.ndarray]:
        each = [np.array(masses_of[c % len(masses_of)], float) for c in range(n)]
        return np.concatenate(each), np.repeat(np.arange(n), [len(m) for m in each])

    return layout


LAYOUTS = {
    "own lines": by_cord([MASSES]),
    "own lines, unbalanced": by_cord([MASSES, (36, 100, 100), (36, 68, 100), (36, 52, 68, 100)]),
    "one slope": by_cord([(36, 52), (68, 84), (84, 100), (36, 100)]),
    "across groups": by_cord([(36,), (52,), (68,), (84,), (100,)]),
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(("cord", "drop", "tilt"), [(0.02, 0.006, 0.005), (0.02, 0.04, 0.0), (0.0, 0.02, 0.0)])
@pytest.mark.parametrize("n", [4, 6, 10])
def test_limits_for_another_cord_hold_whatever_the_layout(layout, cord, drop, tilt, n):
    """Known truth, 3,000 campaigns: drops that scatter more than cords, unbalanced ones, cords that differ in shape."""
    rng = np.random.default_rng([n, len(layout)])
    mass, who = LAYOUTS[layout](n)
    at = np.array([36.0, 68.0, 100.0])
    tilted = rng.normal(0.0, tilt, (3_000, n))[:, who] * (mass - 68.0) / 32.0
    y = rng.normal(0.0, cord, (3_000, n))[:, who] + tilted + rng.normal(0.0, drop, (3_000, mass.size))
    lines = GroupLines.of(y, x=mass, group=who)
    assert lines.structure == layout.partition(",")[0]
    value = lines.another_group(at)
    true_sd = np.sqrt(cord**2 + drop**2 + (tilt * (at - 68.0) / 32.0) ** 2)
    limit = value.limit(0.99, "lower")
    held = stats.norm.sf(limit / true_sd)
    for k in range(at.size):
        mean, error = mean_and_error(held[:, k])
        assert mean >= 0.99 - 3 * error
    # the draws behind a forecast are on the safe side of one t with effective degrees of freedom, or as good
    pivots, one_t = (
        Pivots.of(scrambles(4, size=2**14, count=2, seed=1), value.dof),
        value.mean - value.u * stats.t.ppf(0.99, value.effective_dof),
    )
    for k in range(40):
        drawn = np.quantile(pivots.next_value(value, np.full(2**15, k))[1], 0.01)
        # the standard error of the drawn quantile is about 0.03 u
        assert drawn <= one_t[k, 1] + 0.12 * value.u[k, 1]


def test_this_cord_uses_its_own_mean_and_the_scatter_of_drops():
    y = scattered(2, 4, cord=0.05, drop=0.003)
    lines = GroupLines.of(y.ravel(), x=np.tile(MASSES, 4), group=np.repeat(np.arange(4), 5))
    value = lines.this_group(2, [68.0])
    assert value.mean[0] == pytest.approx(y[2].mean())  # the middle mass is the mean of the five
    assert value.u[0] == pytest.approx(np.sqrt(lines.within * (1 + 1 / 5)))
    assert value.dof == (0, 4 * 5 - 2 * 4)
    assert value.u[0] < lines.another_group([68.0]).u[0] / 5


def test_what_the_drops_cannot_carry_is_refused():
    one_cord = GroupLines.of([0.0, 0.1, 0.2], x=[36, 68, 100], group=["A"] * 3)
    with pytest.raises(ValueError, match="only 1 cord: a limit for another cord needs at least 2"):
        one_cord.another_group([50.0])
    with pytest.raises(ValueError, match="no drop here; cords with drops: A"):
        one_cord.this_group("B", [50.0])
    with pytest.raises(ValueError, match="show no scatter about a line"):
        GroupLines.of([0.0, 0.1], x=[36, 100], group=["A", "B"]).another_group([50.0])
    with pytest.raises(ValueError, match="repeat some drops"):
        GroupLines.of([0.0, 0.1], x=[50, 50], group=["A", "B"]).this_group("A", [50.0])
    # one slope, and no drop to spare for it: the repeatability is not known, so no limit hides it
    spare = GroupLines.of([0.0, 0.1, 0.05], x=[36, 100, 68], group=["A", "A", "B"])
    assert spare.dof_within == 0
    with pytest.raises(ValueError, match="repeat some drops"):
        spare.another_group([68.0])
    with pytest.raises(ValueError, match="not a finite number"):
        GroupLines.of([0.0, np.nan], x=[50, 50], group=["A", "B"])


@pytest.mark.parametrize("curved", [False, True])
def test_lack_of_fit_is_the_f_test_of_two_designs_by_statsmodels(curved):
    """Lines (with a bend) of each cord against lines with a level a mass: `anova_lm` of statsmodels."""
    rng = np.random.default_rng(4)
    cord, mass = np.repeat(list("ABCDEF"), MASSES.size), np.tile(MASSES, 6)
    y = rng.normal(0, 0.01, 6).repeat(MASSES.size) + 1e-5 * (mass - 60.0) ** 2 + rng.normal(0, 0.004, cord.size)
    y = y + 4e-7 * (mass - 68.0) ** 3
    table = pd.DataFrame({"y": y, "cord": cord, "mass": mass})
    levels = "y ~ C(cord) + C(cord):mass + " + " + ".join(f"I((mass == {inner}) * 1.0)" for inner in MASSES[1:-1])
    words = "y ~ C(cord) + C(cord):mass" + (" + I(mass**2)" if curved else "")
    less, more = smf.ols(words, table).fit(), smf.ols(levels, table).fit()
    dof = less.df_resid - more.df_resid
    ratio = (less.ssr - more.ssr) / dof / (more.ssr / more.df_resid)
    fit = GroupLines.of(y, group=cord, x=mass, curved=curved).lack_of_fit()
    assert (fit.dof, fit.dof_scatter) == (dof, more.df_resid)
    assert fit.ratio == pytest.approx(ratio, rel=1e-6)
    assert fit.chance == pytest.approx(stats.f.sf(ratio, dof, more.df_resid), rel=1e-6)
    assert fit.off == pytest.approx(less.resid.groupby(mass).mean().to_numpy(), abs=1e-9)
    assert fit.sd == pytest.approx(np.sqrt(max(ratio - 1, 0) * more.mse_resid / 6), rel=1e-6)  # 6 drops a mass


def test_lack_of_fit_finds_nothing_as_often_as_it_should():
    rng = np.random.default_rng(5)
    cord, mass = np.repeat(np.arange(4), MASSES.size), np.tile(MASSES, 4)
    chances = [
        GroupLines.of(rng.normal(0, 0.01, cord.size), group=cord, x=mass, curved=True).lack_of_fit().chance
        for _ in range(400)
    ]
    assert stats.kstest(chances, "uniform").pvalue > 1e-3


def test_the_deviation_of_means_from_lines_is_that_of_the_truth():
    """Each mass off by a draw of its own with sd 0.6 %, in unequal cords: the mean square of what is found."""
    rng = np.random.default_rng(8)
    cord, mass = np.repeat(np.arange(5), MASSES.size), np.tile(MASSES, 5)
    kept = np.arange(cord.size) % 7 > 0
    cord, mass, squares = cord[kept], mass[kept], []
    for _ in range(400):
        y = rng.normal(0, 0.006, MASSES.size)[np.searchsorted(MASSES, mass)] + rng.normal(0, 0.002, cord.size)
        fit = GroupLines.of(y, group=cord, x=mass, structure="one slope", curved=True).lack_of_fit()
        squares.append(fit.sd**2)
    assert np.sqrt(np.mean(squares)) == pytest.approx(0.006, rel=0.1)  # standard error 3.5 %: 2 degrees of freedom


def test_a_bend_is_drawn_where_the_values_show_one_and_a_saturated_design_has_no_lack_of_fit():
    cord, mass = np.repeat(np.arange(3), 3), np.tile(MASSES[:3], 3)
    y = np.random.default_rng(6).normal(0, 0.01, 9)
    assert GroupLines.bent(y, group=cord, x=mass).curved
    assert GroupLines.bent(y, group=cord, x=mass).lack_of_fit() is None
    assert not GroupLines.bent(y[:4], group=[0, 0, 1, 1], x=MASSES[[0, 1, 0, 1]]).curved

"""Levels and lines within groups, and the next value: published lines, mixed models, closed forms, coverage."""

import math

import numpy as np
import pytest

from cordlab.statistics.groups import GroupLines
from tests.conftest import printed, published_csv

COUNTS = [0, 100, 200, 350, 500]


def own_lines(group, x, values, **how):
    return GroupLines.of(values, group=group, x=x, structure="own lines", **how)


def worn(rng, *, cords=6, loss=0.003, bend=0.0, sd=0.1):
    """Invented clearance at jump counts: cord names, counts, values."""
    names, jumps = np.repeat([f"C{i}" for i in range(cords)], len(COUNTS)), np.tile(COUNTS, cords)
    slopes = loss * (1 + rng.normal(0, 0.1, cords)).repeat(len(COUNTS))
    return names, jumps, 9.0 - slopes * jumps - bend * jumps**2 + rng.normal(0, sd, jumps.size)


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
    assert lines.repeatability == printed("sleepstudy", "reml_residual_sd")
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
    assert lines.repeatability**2 == pytest.approx(reference.scale, rel=1e-3)
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
    assert lines.repeatability**2 * lines.dof_within == pytest.approx(residual[0], rel=1e-9)
    error = lines.repeatability * math.sqrt(np.linalg.inv(design.T @ design)[6, 6])
    assert lines.se_curvature == pytest.approx(error, rel=1e-5)
    # the limit of a tested cord is the one of ordinary regression on the same design
    at = np.array([1.0, 650.0, 0, 0, 0, 0, 650.0**2])
    spread = lines.repeatability * math.sqrt(1 + at @ np.linalg.solve(design.T @ design, at))
    value = lines.this_group("C0", 650.0)
    assert value.mean[0] == pytest.approx(at @ best, rel=1e-9)
    assert value.u[0] == pytest.approx(spread, rel=1e-5)


def test_a_line_through_alike_cords_is_zeroed_openly():
    lines = own_lines(list("aaabbb"), [0, 1, 2] * 2, [0.0, 1.3, 1.7, 0.1, 1.2, 1.8])
    covariance, zeroed = lines.between
    assert set(zeroed) == {"intercept", "slope"}
    assert not covariance.any()


@pytest.mark.parametrize(
    ("call", "said"),
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
def test_lines_that_cannot_be_drawn_are_refused(call, said):
    with pytest.raises(ValueError, match=said):
        call()

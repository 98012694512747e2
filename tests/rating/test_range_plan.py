"""How many cords for a wanted range: the plan is what such tests give, and it says what no number of cords reaches."""

from dataclasses import replace

import numpy as np
import pytest

from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.budget import CORDS
from cordlab.limits.forecast import forecast_drop
from cordlab.rating.range_plan import margin, plan_range
from cordlab.rating.rate import rate, rating_masses
from cordlab.statistics.limits import tolerance_factor
from tests.conftest import approx_printed
from tests.limits.test_limits import CURVE, EXACT, UNSURE, invented, scattered
from tests.rating.test_rating import LOT, criteria

ASKED = criteria(least_strength_factor=1.0)


def forecast_of(n_cords, *, seed, site=UNSURE, draws=20_000, **decision):
    stiffness = drop_stiffness(CURVE, invented(scattered(seed, n_cords, 0.02, 0.004)), rig=EXACT)
    return forecast_drop(stiffness, site=site, masses=rating_masses(stiffness, site), seed=1, draws=draws, **decision)


@pytest.fixture(scope="module")
def six():
    return forecast_of(6, seed=20)


@pytest.fixture(scope="module")
def tolerant():
    return forecast_of(6, seed=20, limit="tolerance", probability=0.95, confidence=0.9)


def test_with_the_cords_that_were_dropped_it_is_the_range_that_was_rated(six):
    plan, rating = plan_range(six, criteria=ASKED, breaking_load=LOT), rate(six, criteria=ASKED, breaking_load=LOT)
    at = int(np.flatnonzero(plan.cords == plan.so_far)[0])
    assert plan.lightest[at] == pytest.approx(rating.lightest, abs=0.11)
    assert plan.heaviest[at] == pytest.approx(rating.heaviest, abs=0.11)
    wide = plan.width
    assert (np.diff(wide[wide > 0]) >= -1e-9).all()
    assert plan.best[0] <= plan.lightest[-1] < plan.heaviest[-1] <= plan.best[1]
    assert f"  6 cords: {rating.lightest:.1f} to" in plan.summary()


def test_where_cords_alone_scatter_the_margin_is_students():
    """t(0.99; n − 1) √(1 + 1/n) times the sd of cords; t tables: 3.365 for 5, 2.718 for 11 degrees of freedom."""
    alone = [(CORDS, np.sqrt(1 + 1 / 6), 5.0)]
    assert margin(alone, dropped=6, cords=6, probability=0.99) / np.sqrt(7 / 6) == approx_printed("3.365")
    assert margin(alone, dropped=6, cords=12, probability=0.99) / np.sqrt(13 / 12) == approx_printed("2.718")
    assert margin(alone, dropped=6, cords=np.inf, probability=0.99) == approx_printed("2.326")


def test_a_tolerance_limit_of_cords_alone_has_the_published_factor():
    """`tolerance_factor`, checked against its tables elsewhere: share 0.95, confidence 0.9."""
    alone = [(CORDS, np.sqrt(1 + 1 / 6), 5.0)]
    for m in (3, 6, 12):
        factor = margin(alone, dropped=6, cords=m, probability=0.95, confidence=0.9)
        assert factor == pytest.approx(tolerance_factor(m, 0.95, 0.9), rel=1e-5)


@pytest.mark.parametrize("m", [2, 3, 5])
def test_few_cords_are_not_taken_for_more_because_the_site_is_unsure_too(m):
    """Half of the variance from cords, half from a site known well: the sum of a t and a normal, drawn plainly.

    √Σ t²u² is never narrower than the drawn sum (Banerjee, Sankhyā 22 (1960) 357), and here hardly wider.
    """
    halves = [(CORDS, np.sqrt(1 + 1 / 6), 5.0), ("site drag area", 1.0, np.inf)]
    rng = np.random.default_rng(m)
    summed = np.sqrt(1 + 1 / m) * rng.standard_t(m - 1, 10**6) + rng.standard_normal(10**6)
    planned = margin(halves, dropped=6, cords=m, probability=0.99)
    assert 0.98 < planned / np.quantile(summed, 0.99) < 1.04  # 2 of its standard errors below


def test_the_plan_is_what_tests_of_so_many_cords_give():
    """Planned from 40 invented cords, whose spread is well known; 24 invented tests of 6, mean of their ranges."""
    plan = plan_range(forecast_of(40, seed=2), criteria=ASKED, breaking_load=LOT)
    ranges = [rate(forecast_of(6, seed=1000 + k, draws=4_000), criteria=ASKED, breaking_load=LOT) for k in range(24)]
    widths = np.array([rating.heaviest - rating.lightest if rating.rated else 0.0 for rating in ranges])
    error = widths.std(ddof=1) / np.sqrt(widths.size)
    assert abs(plan.width[plan.cords == 6][0] - widths.mean()) < 3 * error
    assert plan.width[plan.cords == 40][0] > widths.mean() + 3 * error


def test_tolerance_limits_can_be_planned_too(tolerant):
    plan, rating = (make(tolerant, criteria=ASKED, breaking_load=LOT) for make in (plan_range, rate))
    assert plan.heaviest[plan.cords == 6][0] == pytest.approx(rating.heaviest, abs=0.11)
    assert plan.width[-1] > plan.width[4]


def test_what_cannot_be_planned_is_said(six):
    with pytest.raises(ValueError, match="no breaking load"):
        plan_range(six, criteria=ASKED)
    one_cord = replace(six.stiffness, drops=six.stiffness.drops.take(np.arange(5)))
    with pytest.raises(ValueError, match="do not show how cords scatter"):
        plan_range(replace(six, stiffness=one_cord), criteria=ASKED, breaking_load=LOT)
    nothing = plan_range(six, criteria=criteria(least_clearance=30.0), breaking_load=LOT)
    assert nothing.best is None
    assert np.isnan(nothing.heaviest).all()
    assert "no mass" in nothing.summary()

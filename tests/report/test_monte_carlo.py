"""How sure drawn numbers are said to be; that other draws stay within it is shown by rechecking (tests/bundle)."""

from types import SimpleNamespace

import numpy as np
import pytest

from cordlab.rating.criteria import MASS_STEP
from cordlab.report.monte_carlo import REACH, DrawnLimits, standard_errors
from tests.specimen import specimen

ROUNDING = MASS_STEP / 12**0.5  # standard deviation of what is rounded to a grid


@pytest.fixture
def limits():
    """Clearance of 20 − 0.2 m, its limit 2 m below, known to 0.05 m; at least 4 m is asked for: met up to 70 kg."""
    straight = DrawnLimits.__new__(DrawnLimits)
    straight.masses = np.array([40.0, 60.0, 80.0])
    straight.errors = {"clearance": np.full(3, 0.05)}
    straight.judgement = SimpleNamespace(
        bounds={"clearance": 4.0},
        estimate=lambda quantity, masses: 20 - 0.2 * masses,
        limit=lambda quantity, masses: 18 - 0.2 * masses,
    )
    return straight


def test_an_end_has_the_error_of_its_limit_over_the_slope_and_that_of_the_grid(limits):
    assert limits.end(70.0) == pytest.approx(0.05 / 0.2 + ROUNDING)


def test_an_end_to_expect_of_more_cords_has_that_of_a_limit_so_much_nearer(limits):
    """At 75 kg the criterion is half as far from the estimate as the limit of today."""
    assert limits.end(75.0) == pytest.approx(0.5 * 0.05 / 0.2 + ROUNDING)


def test_an_end_that_the_tests_set_is_not_drawn_unless_a_limit_is_near(limits):
    limits.masses = np.array([40.0, 60.0])
    limits.errors = {"clearance": np.full(2, 0.05)}
    assert limits.end(60.0) == 0
    limits.judgement.bounds["clearance"] = 6.0 - 0.99 * REACH * 0.05
    assert limits.end(60.0) > 0
    assert limits.end(None) == 0


def test_an_analysis_without_a_forecast_has_no_drawn_number():
    assert standard_errors(specimen()) == {}

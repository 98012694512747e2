"""How sure drawn numbers are said to be; that other draws stay within it is shown by rechecking (tests/bundle)."""

from types import SimpleNamespace

import numpy as np
import pytest

from cordlab.rating.criteria import ANY, MASS_STEP
from cordlab.report.monte_carlo import REACH, DrawnLimits, allowance, standard_errors
from tests.specimen import specimen

ROUNDING = MASS_STEP / 12**0.5  # standard deviation of what is rounded to a grid


@pytest.fixture
def limits():
    """Clearance of 20 − 0.2 m, its limit 2 m below, known to 0.05 m; at least 4 m is asked for: met up to 70 kg."""
    straight = DrawnLimits.__new__(DrawnLimits)
    straight.masses = np.array([40.0, 60.0, 80.0])
    straight.errors = {"clearance": 0.05}
    straight.judgement = SimpleNamespace(
        bounds={"clearance": 4.0},
        estimate=lambda quantity, masses: 20 - 0.2 * masses,
        limit=lambda quantity, masses: 18 - 0.2 * masses,
        violation=lambda masses: {ANY: np.zeros_like(masses)},
    )
    straight.forecast = SimpleNamespace(jointly=False)
    return straight


def test_an_end_has_the_error_of_its_limit_over_the_slope_and_that_of_the_grid(limits):
    assert limits.end(70.0) == pytest.approx(0.05 / 0.2 + ROUNDING)


def test_an_end_that_the_tests_set_is_not_drawn_unless_a_limit_is_near(limits):
    limits.masses = np.array([40.0, 60.0])
    assert limits.end(60.0) == 0
    limits.judgement.bounds["clearance"] = 6.0 - 0.99 * REACH * 0.05
    assert limits.end(60.0) > 0
    assert limits.end(None) == 0


def test_the_nearest_statement_counts_and_a_judgement_may_turn_by_any_of_them():
    """The path itself, the same with every row, then what it is part of."""
    errors = {"wear": 1.0, "wear.tested[].lower": 0.2, "predictions[].reason": 0.1, "predictions[64]": None}
    assert allowance(errors, "wear.tested[500].lower") == (0.2, False)
    assert allowance(errors | {"wear.tested[500].lower": 0.3}, "wear.tested[500].lower") == (0.3, False)
    assert allowance(errors, "wear.tested[500].mean") == (1.0, False)
    assert allowance(errors, "predictions[64].reason") == (0.1, True)
    assert allowance(errors, "predictions[65].reason") == (0.1, False)
    assert allowance(errors, "predictions[65].g") == (None, False)


def test_an_analysis_without_a_forecast_has_no_drawn_number():
    assert standard_errors(specimen()) == {}

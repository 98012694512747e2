"""Limits of worn cords: tolerance limits from their own values; draws from two cords reach as far as t does."""

import numpy as np
import pandas as pd
import pytest

from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.wear.service_life import aged
from tests.limits.test_limits import CURVE, EXACT, invented, scattered

MASSES = np.array([60.0, 68.0, 76.0])


@pytest.fixture(scope="module")
def stiffness():
    return drop_stiffness(CURVE, invented(scattered(4, 6, 0.02, 0.0005)), rig=EXACT)


def changes(stiffness, share):
    """Each cord's change, a share of how far it is from the mean."""
    values, cords = stiffness.scales[0][0], np.array(stiffness.drops.cord)
    level = pd.Series(values).groupby(cords).mean()
    return -0.05 + share * (level - level.mean())


def test_a_tolerance_limit_of_worn_cords_goes_by_their_own_values(stiffness):
    """Cords that grow alike have a narrow limit, cords that grow apart a wide one: half or twice their distance."""
    new = forecast_drop(stiffness, site=EXACT, masses=MASSES, limit="tolerance", draws=8_000)

    def margin(forecast):
        return (forecast.estimate("clearance") - forecast.limit("clearance"))[1]

    alike, same, apart = (aged(new, changes(stiffness, share)) for share in (-0.5, 0.0, 1.0))
    assert margin(alike) / margin(same) == pytest.approx(0.5, abs=0.1)
    assert margin(apart) / margin(same) == pytest.approx(2.0, abs=0.3)
    assert same.estimate("clearance")[1] < new.estimate("clearance")[1] - 0.3  # 5 % softer comes lower
    two = aged(new, changes(stiffness, 0.0).iloc[:2])
    assert two.n_cords == 2
    assert margin(two) > margin(same)


def test_draws_from_two_retested_cords_reach_as_far_as_their_t_law(stiffness):
    """One degree of freedom: 1 of 100 draws is beyond 31.8 u, and stiffness goes as far; t table."""
    new = forecast_drop(stiffness, site=EXACT, masses=MASSES, draws=16_000)
    change = pd.Series([-0.0495, -0.0505], ["C0", "C1"])
    u = np.std(change, ddof=1) * np.sqrt(1.5)
    worn = aged(new, change)
    deeper = worn.draws["lowest_point"][1] - new.draws["lowest_point"][1]
    softest = np.quantile(deeper, 0.995)
    slope = (aged(new, change - 0.01).estimate("lowest_point") - worn.estimate("lowest_point"))[1] / 0.01
    middle = (worn.estimate("lowest_point") - new.estimate("lowest_point"))[1]
    assert (softest - middle) / slope > 0.9 * 63.66 * u

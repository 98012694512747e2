"""The world of riders who turn over, against what must hold without losses."""

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.sound_records import G, TrueDrop
from tests.turning_rider import Rider, turn_over

ARM, MASS, GEAR = 1.0, 80.0, 3.0
LIGHT = TrueDrop(
    mass=MASS, length=10.0, cord_mass=0.4, air=0.0, reach=3.5, bend=0.4, hardening=0.02, friction=0.0, viscosity=0.0,
    waves=True, stiffness=1400.0,
)  # fmt: skip


def lowest_by_energies(turned: float) -> float:
    """W(x) = M g (L + x) + M_rider g · turned, and the cord's own fall, m g (L/4 + x/2)."""

    def left(x):
        strain = np.linspace(0.0, x / LIGHT.length, 2001)
        stored = LIGHT.length * LIGHT.scale * np.trapezoid(LIGHT.curve(strain), strain)
        fallen = (MASS + GEAR) * G * (LIGHT.length + x) + LIGHT.cord_mass * G * (LIGHT.length / 4 + x / 2)
        return fallen + MASS * G * turned - stored

    return LIGHT.length + brentq(left, 1.0, 60.0)


def test_a_body_that_hangs_straight_when_the_slack_ends_comes_as_low_as_the_energies_say():
    turned = turn_over(Rider(MASS, GEAR, ARM, 0.0), LIGHT)
    assert turned.angle == 0
    assert turned.lowest == pytest.approx(lowest_by_energies(2 * ARM), rel=1e-3)
    assert turned.lowest - turn_over(Rider(MASS, GEAR, 1e-6, 0.0), LIGHT).lowest > 0.8


@pytest.mark.parametrize("tipped", [15.0, 35.0, 60.0])
def test_a_body_that_tips_and_turns_freely_has_no_more_energy_than_that(tipped):
    """Some of it is left in the swing: it comes no lower, but lower than if nobody turned over."""
    turned = turn_over(Rider(MASS, GEAR, ARM, 0.0, tipped=np.radians(tipped), limp=0.0), LIGHT)
    assert abs(turned.angle) > 0.05
    assert lowest_by_energies(0.0) < turned.lowest < lowest_by_energies(2 * ARM) * 1.001

"""What a rider brings and a dead weight does not: by an account of energies, and by equations of motion in time."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop, scale_for_lowest_point, trace_drop

G, SLACK, CORD, GEAR = 9.80665, 10.0, 14.0, 3.0
RUBBER = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
RIDERS = np.array([36.0, 60.0, 80.0, 100.0])
ROPE = {"slack_length": SLACK, "cord_mass": CORD}
BOTH = {"centre_of_mass_fall": 2.0, "gear_mass": GEAR, "push_off": 2.0}


@pytest.mark.parametrize("release_depth", [-1.5, 0.0, 2.0])
def test_lowest_point_by_the_account_of_energies(release_depth):
    """W(x) = M g (L + x − y₀) + what the cord falls + M_rider g Δh + M v²/2, without drag; from y₀ the middle of the
    cord falls (L + x)/2 − (L + y₀)²/(4 L) + y₀²/(2 L), the fold hanging below the tie point."""
    mass = RIDERS + GEAR
    drop = predict_drop(RUBBER, mass=mass, release_depth=release_depth, **ROPE, **BOTH)
    for rider, hung, lowest in zip(RIDERS, mass, drop.lowest_point, strict=True):

        def left(x, rider=rider, hung=hung):
            y0 = release_depth
            cord = CORD * G * (SLACK / 4 + x / 2 - y0 / 2 + y0**2 / (4 * SLACK))
            given = hung * G * (SLACK + x - y0) + cord + rider * G * 2.0 + hung * 2.0**2 / 2
            return given - SLACK * float(RUBBER.energy(1 + x / SLACK))

        assert_allclose(lowest, SLACK + brentq(left, 1.0, 80.0, xtol=1e-12), rtol=1e-9)


def in_time(rider: float, fall: float, turned_at: float) -> tuple[float, float]:
    """Speed when the slack ends and lowest point [m] of attachment and centre of mass as two places, without drag.

    The centre of mass lies s(y) below where it was seen from the attachment, from 0 at the release to `fall` at the
    depth `turned_at`. Equation of motion by Lagrange with one coordinate y, in time by DOP853.
    """

    def turned(y):
        u = np.clip(y / turned_at, 0.0, 1.0)
        s, slope = fall * u**2 * (3 - 2 * u), fall * 6 * u * (1 - u) / turned_at
        bend = fall * (6 - 12 * u) / turned_at**2 if y < turned_at else 0.0
        return s, slope, bend

    def pieces(y):
        """Inertia, its slope in y, and the force."""
        _, slope, bend = turned(y)
        inertia, of_inertia = GEAR + rider * (1 + slope) ** 2, 2 * rider * (1 + slope) * bend
        force = (GEAR + rider * (1 + slope)) * G
        if y < SLACK:
            hanging = CORD * (SLACK - y) / (2 * SLACK)
            return inertia + hanging, of_inertia - CORD / (2 * SLACK), force + hanging * G
        pull = float(RUBBER.force(y / SLACK))
        return inertia + CORD / 3, of_inertia, force + CORD * G / 2 - pull

    def motion(_, state):
        y, v = state
        inertia, of_inertia, force = pieces(y)
        return v, (force - of_inertia * v**2 / 2) / inertia

    def tight(_, state):
        return state[0] - SLACK

    def lowest(_, state):
        return state[1]

    tight.terminal = lowest.terminal = True
    lowest.direction = -1
    exact = {"method": "DOP853", "rtol": 1e-11, "atol": 1e-11, "max_step": 0.02}
    first = solve_ivp(motion, (0, 9), [0.0, 0.0], events=[tight], **exact)
    _, slope, _ = turned(SLACK)
    speed = first.y[1, -1]
    body = GEAR + rider * (1 + slope) ** 2
    second = solve_ivp(motion, (0, 9), [SLACK, speed * np.sqrt(body / (body + CORD / 3))], events=[lowest], **exact)
    return float(speed), float(second.y[0, -1])


@pytest.mark.parametrize("rider", [36.0, 92.0])
def test_centre_of_mass_that_falls_further_while_the_cord_is_slack(rider):
    setup = {"mass": rider + GEAR, "centre_of_mass_fall": 2.0, "gear_mass": GEAR, **ROPE}
    speed, lowest = in_time(rider, 2.0, turned_at=7.0)
    assert_allclose(predict_drop(RUBBER, **setup).lowest_point, lowest, rtol=1e-7)
    with_waves = trace_drop(RUBBER, mechanics="waves", viscosity=5.0, duration=2.0, rate=5000.0, **setup)
    at_end_of_slack = np.argmax(with_waves.position >= SLACK)
    assert_allclose(with_waves.speed[at_end_of_slack], speed, rtol=0.005)  # the cord's lowest half lump takes a part


def test_a_rider_who_turns_over_during_the_stretch_comes_no_lower():
    """Without drag the account is the same wherever they turn over, as long as it is before the lowest point."""
    expected = predict_drop(RUBBER, mass=83.0, centre_of_mass_fall=2.0, gear_mass=GEAR, **ROPE).lowest_point
    assert_allclose(in_time(80.0, 2.0, turned_at=20.0)[1], expected, rtol=0.002)


def test_how_much_lower_and_harder():
    """2 m: 60 to 100 kg come 1.0 to 1.3 m lower and g rises 3 to 4 %; 0.3 m: 0.16 to 0.20 m; a jump up of 0.4 m: 0.2 m,
    a run of 2 m/s: 0.1 m. Figures of our own model, with the drag of a body, 0.5 m²."""
    at = {"mass": np.array([63.0, 103.0]), "drag_area": 0.5, **ROPE}
    still = predict_drop(RUBBER, **at)

    def changed(**brought):
        drop = predict_drop(RUBBER, **at, **brought)
        return drop.lowest_point - still.lowest_point, 100 * (drop.g / still.g - 1)

    lower, harder = changed(centre_of_mass_fall=2.0, gear_mass=GEAR)
    assert_allclose(lower, [1.0, 1.3], atol=0.05)
    assert_allclose(harder, [4.0, 3.0], atol=0.5)
    assert_allclose(changed(centre_of_mass_fall=0.3, gear_mass=GEAR)[0], [0.16, 0.20], atol=0.005)
    assert_allclose(changed(push_off=np.sqrt(2 * G * 0.4))[0], 0.25, atol=0.05)
    assert_allclose(changed(push_off=2.0)[0], 0.12, atol=0.03)
    assert_allclose(changed(push_off=-2.0)[0], changed(push_off=2.0)[0])  # whichever way it goes


@pytest.mark.parametrize("mechanics", ["uniform", "waves"])
def test_trace_and_stiffness_know_of_it_too(mechanics):
    setup = {"mass": 83.0, "drag_area": 0.5, **ROPE, **BOTH}
    viscosity = 5.0 if mechanics == "waves" else 0.0
    drop = predict_drop(RUBBER, mechanics=mechanics, viscosity=viscosity, **setup)
    trace = trace_drop(RUBBER, mechanics=mechanics, viscosity=viscosity, duration=9.0, **setup)
    assert_allclose(trace.turns[0, 1], drop.lowest_point, rtol=1e-4 if mechanics == "waves" else 1e-8)
    if mechanics == "uniform":
        assert_allclose(scale_for_lowest_point(RUBBER, drop.lowest_point, **setup), 1.0, rtol=1e-9)
        # it is brought once: later bounces neither rise nor fall but for drag
        lowest = trace_drop(RUBBER, duration=12.0, **setup | {"drag_area": 0.0}).turns[::2, 1]
        assert_allclose(lowest, lowest[0], rtol=1e-7)


def test_gear_alone_turns_nobody_over():
    at = {"mass": 2.0, "centre_of_mass_fall": 2.0, **ROPE}
    drop, still = predict_drop(RUBBER, gear_mass=3.0, **at), predict_drop(RUBBER, mass=2.0, **ROPE)
    assert drop.lowest_point == still.lowest_point
    with pytest.raises(ValueError, match="centre_of_mass_fall: -1 is below 0"):
        predict_drop(RUBBER, **at | {"centre_of_mass_fall": -1.0})

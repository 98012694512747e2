"""Riders who turn over on the way down, by physics written here alone; nothing of cordlab is in it.

A rider is a stiff body in a plane, pinned by the ankles to the lower end of the cord, the gear a point mass there. The
centre of mass stands a distance `arm` above the pin at the release and hangs as far below it in the end, so that it
falls 2 · arm further. Either the body has turned over and hangs straight before the slack ends (`tipped` None), by a
mechanism that neither adds nor takes energy; or it tips about the feet to an angle, lets go, and turns freely: then it
is anywhere when the slack ends, and the cord turns it over during the stretch, and swings it. A limp body damps the
swing. The cord hangs in a fold first (its Lagrangian), then it is a chain of lumps with the rubber of
`tests/sound_records.py`. All of it is invented.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.signal import butter, filtfilt

from tests.sound_records import LUMPS, STEP, G, TrueDrop, pull_elements

GYRATION = 0.5  # radius of gyration about the centre of mass over `arm`: 0.5 m for 1 m, about that of a standing body
MOST = 6.0  # s that are followed from the end of slack
AFTER = 0.8  # s that are followed from the lowest point
CHANNEL = 100.0  # Hz, cut-off of a filter of channel class 60 (SAE J211)


@dataclass(frozen=True)
class Rider:
    """Masses [kg], half of the further fall of the centre of mass [m], drag force over speed squared [kg/m].

    tipped : angle to which the body tips about the feet before it lets go [rad]; None: it hangs straight in time
    limp : damping of the swing over that which would end it at once
    """

    mass: float
    gear: float
    arm: float
    air: float
    tipped: float | None = None
    limp: float = 0.1
    release: float = 0.0


@dataclass(frozen=True)
class Turned:
    """Lowest point of the cord's lower end [m], greatest loads through CFC 60 [N], and by how much the body had still
    to turn when the slack ended, below 0 past hanging [rad]."""

    lowest: float
    tie_load: float
    lower_load: float
    angle: float


def turn_over(rider: Rider, cord: TrueDrop, scale: float = 1.0) -> Turned:
    """One rider on a cord whose stiffness is `scale` times that of `cord`."""
    state, body = at_end_of_slack(rider, cord), _body(rider)
    hold = cord.friction * (cord.mass + cord.cord_mass / 2) * G * 3
    rubber = (scale * cord.scale, cord.bend, cord.hardening, scale * hold, cord.viscosity)
    swing = rider.limp * 2 * np.sqrt((body[3] + rider.mass * rider.arm**2) * rider.mass * G * rider.arm)
    depth, tie, lower = _stretched(body, (cord.cord_mass, cord.length), rubber, swing, state)
    low_pass = butter(2, CHANNEL, fs=1 / STEP)
    tie, lower = (filtfilt(*low_pass, load) for load in (tie, lower))
    return Turned(float(depth.max()), float(tie.max()), float(lower.max()), float(state[2]))


def at_end_of_slack(rider: Rider, cord: TrueDrop) -> np.ndarray:
    """Place of the pin, across and down, and angle of the body, then how fast each of them changes."""
    rope = (cord.cord_mass, cord.length)
    if rider.tipped is None:
        return np.array([0.0, cord.length, 0.0, 0.0, _straight(_body(rider), rope, rider.release), 0.0])
    return _tipping(_body(rider), rope, rider.tipped, rider.release)


def _body(rider: Rider) -> tuple[float, float, float, float, float]:
    return rider.mass, rider.gear, rider.arm, rider.mass * (GYRATION * rider.arm) ** 2, rider.air


@njit(cache=True)
def _straight(body, rope, release):
    """Speed when the slack ends of a body that turned over on the way, by energies along the depth.

    The centre of mass lies s(y) lower than it was seen from the pin, from 0 at the release to 2 · arm at nine tenths.
    """
    M, gear, arm, _, air = body
    m, L = rope
    steps, energy, v2 = 4000, 0.0, 0.0
    dy, end = (L - release) / steps, release + 0.9 * (L - release)
    for k in range(steps):
        y = release + (k + 0.5) * dy
        u = min((y - release) / (end - release), 1.0)
        slope = 1 + 2 * arm * 6 * u * (1 - u) / (end - release)
        side = m * (L - y) / (2 * L)
        energy += dy * ((gear + side) * G + M * G * slope - air * v2 * slope**3)
        v2 = 2 * energy / (gear + side + M * slope**2)
    return np.sqrt(2 * energy / (gear + M))


@njit(cache=True)
def _accelerations(M, pinned, arm, inertia, air, state, pull_x, pull_y, swing):
    """Of the pin along x and y (down) and of the angle; `pinned` moves with the pin, on which the pull acts."""
    _, _, angle, vx, vy, turning = state
    sine, cosine = np.sin(angle), np.cos(angle)
    of_x, of_y = vx + arm * cosine * turning, vy - arm * sine * turning
    drag = air * np.sqrt(of_x**2 + of_y**2)
    along_x = pull_x + M * arm * sine * turning**2 - drag * of_x
    along_y = pull_y + (M + pinned) * G + M * arm * cosine * turning**2 - drag * of_y
    about = -M * G * arm * sine - arm * drag * (cosine * of_x - sine * of_y) - swing * turning
    total = M + pinned
    round_pin = inertia + M * arm**2 * pinned / total
    turn = (about - M * arm * (cosine * along_x - sine * along_y) / total) / round_pin
    return (along_x - M * arm * cosine * turn) / total, (along_y + M * arm * sine * turn) / total, turn


@njit(cache=True)
def _tipping(body, rope, tipped, release):
    """State when the slack ends of a body that lets go as it has tipped about the feet, and turns freely."""
    M, gear, arm, inertia, air = body
    m, L = rope
    turning = -np.sqrt(2 * M * G * arm * (1 - np.cos(tipped)) / (inertia + M * arm**2))
    state = np.array([0.0, release, np.pi - tipped, 0.0, 0.0, turning])
    while state[1] < L:
        pinned = gear + m * max(L - state[1], 0.0) / (2 * L)
        fold = m * state[4] ** 2 / (4 * L)
        ax, ay, turn = _accelerations(M, pinned, arm, inertia, air, state, 0.0, fold, 0.0)
        state[3] += STEP * ax
        state[4] += STEP * ay
        state[5] += STEP * turn
        state[:3] += STEP * state[3:]
    return state


@njit(cache=True)
def _stretched(body, rope, rubber, swing, state):
    """Depth of the pin, load at the tie point and at the lower end, step by step from the end of slack."""
    M, gear, arm, inertia, air = body
    m, L = rope
    d, lump = L / LUMPS, m / LUMPS
    y, v = d * np.arange(1, LUMPS + 1), np.zeros(LUMPS)
    friction, force, state = np.zeros(LUMPS), np.zeros(LUMPS), state.copy()
    pinned = gear + lump / 2
    state[4] *= (M + gear) / (M + pinned)  # the lowest half lump is taken along
    most = int(MOST / STEP)
    depth, tie, lower = np.empty(most), np.empty(most), np.empty(most)
    length = np.sqrt(state[0] ** 2 + state[1] ** 2)
    y[-1], lowest, at = length, 0.0, 0
    for k in range(most):
        length = np.sqrt(state[0] ** 2 + state[1] ** 2)
        y[-1] = length
        v[-1] = (state[0] * state[3] + state[1] * state[4]) / length
        pull_elements(y, v, d, rubber, friction, force)
        pull = -force[-1] / length
        taut = swing if force[-1] > 0 else 0.0
        ax, ay, turn = _accelerations(M, pinned, arm, inertia, air, state, pull * state[0], pull * state[1], taut)
        depth[k], tie[k], lower[k] = state[1], force[0] + lump * G / 2, force[-1] - lump / 2 * (G - ay)
        for i in range(LUMPS - 1):
            v[i] += STEP * (lump * G - force[i] + force[i + 1]) / lump
            y[i] += STEP * v[i]
        state[3] += STEP * ax
        state[4] += STEP * ay
        state[5] += STEP * turn
        state[:3] += STEP * state[3:]
        if state[1] > lowest:
            lowest, at = state[1], k
        if (k - at) * STEP > AFTER:
            return depth[: k + 1], tie[: k + 1], lower[: k + 1]
    return depth, tie, lower

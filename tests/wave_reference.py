"""A fine reference for `waves`, independent of it: a chain of 400 lumps by scipy's LSODA, all forces from the model."""

import numpy as np
from scipy.integrate import solve_ivp

from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup, fall_speed

LUMPS = 400
SMOOTHING = 0.005  # of the low-pass through which peak loads are read [s]


def reference_drop(
    curve: Curve, setup: DropSetup, viscosity: float, *, lumps: int = LUMPS, rtol: float = 1e-6, crossings: float = 3.0
) -> tuple[float, float, float]:
    """Lowest point [m], greatest load at the cord's lower end and at the tie point [N] of one drop on a stiff rig.

    The loads' low-pass is two more states of the equations; their peaks are read at the steps. The drop is followed for
    `crossings` of a wave over the slack cord after the lowest point.
    """
    mass, slack, cord = float(setup.mass), float(setup.slack_length), float(setup.cord_mass)
    gravity = float(setup.gravity)
    drag, d, half = float(setup.drag), slack / lumps, cord / lumps / 2
    lump = np.full(lumps, 2 * half)
    lump[-1] = half + mass
    # the states of a lump lie side by side, so that the Jacobian is a band: speed and place of each, then the loads
    start = np.zeros(2 * lumps + 2)
    start[1 : 2 * lumps : 2] = d * np.arange(1, lumps + 1)
    start[2 * lumps - 2] = float(fall_speed(setup, slack)) * mass / lump[-1]

    def motion(_, state):
        v, y = state[0 : 2 * lumps : 2], state[1 : 2 * lumps : 2]
        ratio = np.diff(y, prepend=0.0) / d
        force = curve.force(ratio) + viscosity * np.diff(v, prepend=0.0) / d
        force = np.where(ratio > 1, np.maximum(force, 0.0), 0.0)
        net = np.append(force[1:], -drag * v[-1] * abs(v[-1])) - force
        acceleration = net / lump + gravity
        rates = np.empty_like(state)
        rates[0 : 2 * lumps : 2], rates[1 : 2 * lumps : 2] = acceleration, v
        lower, tie = force[-1] - half * (gravity - acceleration[-1]), force[0] + half * gravity
        rates[-2:] = (np.array([lower, tie]) - state[-2:]) / SMOOTHING
        return rates

    def turned(_, state):
        return state[2 * lumps - 2]

    turned.terminal, turned.direction = True, -1
    options = {"method": "LSODA", "rtol": rtol, "atol": rtol * 0.1, "lband": 4, "uband": 4}
    down = solve_ivp(motion, (0, 60), start, events=turned, **options)
    crossing = np.sqrt(cord * slack / float(curve.slope(np.ones(1))[0]))
    on = solve_ivp(motion, (0, crossings * crossing), down.y[:, -1], **options)
    peaks = np.maximum(down.y[-2:].max(axis=1), on.y[-2:].max(axis=1))
    return float(down.y[2 * lumps - 1, -1]), *map(float, peaks)

"""Invented drop records with known truth, integrated in time: a uniformly strained heavy cord, its fold, its sensors.

Written for the tests of reduction, apart from the library's own mechanics: equations of motion by scipy's DOP853.
Nothing here was measured. Numbers near an ordinary all-rubber cord (invented).
"""

from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

G = 9.80665


def mooney_rivlin(ratio):
    return 2 * (ratio - ratio**-2) * (280.0 + 70.0 / ratio)


def straight(ratio):
    return 1500.0 * (ratio - 1)


@dataclass(frozen=True)
class Truth:
    time: np.ndarray
    load: np.ndarray
    position: np.ndarray
    lowest_point: float
    lowest_at: float
    slack_at: float
    energy_returned: float


def invented_drop(
    *, mass=68.0, length=10.0, cord_mass=14.0, y0=0.0, c=0.06, force=mooney_rivlin, b=0.35, cell="top",
    rate=1000.0, quiet=1.0, duration=8.0,
):  # fmt: skip
    """Rest, folded fall (Heck et al. 2010), uniform stretch; the kinetic energy carries over as slack ends."""
    M, m, L = mass, cord_mass, length

    def fall(_, s):
        me = M + m * (L - s[0]) / (2 * L)
        return s[1], (me * G + m * s[1] ** 2 / (4 * L) - c * s[1] * abs(s[1])) / me

    def taut(share):
        def law(_, s):
            F = force(s[0] / L) * share(s[0])
            return s[1], ((M + m / 2) * G - F - c * s[1] * abs(s[1])) / (M + m / 3)

        return law

    def at_length(_, s):
        return s[0] - L

    def turned(_, s):
        return s[1]

    at_length.terminal = turned.terminal = True
    options = {"method": "DOP853", "rtol": 1e-11, "atol": 1e-11, "dense_output": True}
    down = solve_ivp(fall, (0, 60), [y0, 0.0], events=at_length, **options)
    slack_at, speed = down.t[-1], down.y[1, -1]
    start = [L, speed * np.sqrt(M / (M + m / 3))]
    load_law, back_law = taut(lambda y: 1.0), None
    stretch = solve_ivp(load_law, (slack_at, 60), start, events=turned, **options)
    lowest, lowest_at = stretch.y[0, -1], stretch.t[-1]
    back_law = taut(lambda y: 1 - b * (1 - (y - L) / (lowest - L)))
    at_length.direction = -1
    back = solve_ivp(back_law, (lowest_at, 60), [lowest, 0.0], events=[at_length], **options)
    up_speed = back.y[1, -1] * np.sqrt((M + m / 3) / M)
    again = solve_ivp(fall, (back.t[-1], 60), [L, up_speed], events=turned, **options)
    turned.direction = -1

    time = np.arange(round(duration * rate)) / rate
    t = time - quiet
    position, v = np.full(t.size, y0), np.zeros(t.size)
    hung = m * G * (L + y0 * (1 if cell == "top" else -1)) / (2 * L)
    load = np.full(t.size, hung)
    for run, law, share in (
        (down, fall, None),
        (stretch, load_law, lambda y: 1.0),
        (back, back_law, lambda y: 1 - b * (1 - (y - L) / (lowest - L))),
        (again, fall, None),
    ):
        inside = (t > run.t[0]) & (t <= run.t[-1])
        if not inside.any():
            continue
        y, v = run.sol(t[inside])
        position[inside] = y
        a_up = -np.array([law(0, s)[1] for s in zip(y, v, strict=True)])
        if share is None:
            top = m * G * (L + y) / (2 * L) + m * v**2 / (4 * L)
            bottom = M * (-a_up - G) + c * v * abs(v)
        else:
            F = force(y / L) * share(y)
            top, bottom = F + m * (G / 2 + a_up / 6), F - m * (G / 2 + a_up / 3)
        load[inside] = top if cell == "top" else bottom
    rest = t > again.t[-1]  # up there a hand catches it: nobody reads the record so far on
    position[rest], load[rest] = again.y[0, -1], hung
    ratios = np.linspace(1, lowest / L, 4001)
    given = force(ratios) * (1 - b * (1 - (ratios - 1) / (lowest / L - 1)))
    returned = np.trapezoid(given, ratios) / np.trapezoid(force(ratios), ratios)
    return Truth(time, load, position, float(lowest), quiet + lowest_at, quiet + slack_at, float(returned))

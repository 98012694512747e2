"""Cords that stiffen as they are stretched, dropped by physics written here alone: nothing of cordlab's is in it.

A rigid fold falls (Heck et al. 2010), then a chain of lumps runs on with the cord straight and only the mass moving.
Force by the closed forms of Mooney-Rivlin, Yeoh, Gent and Ogden, viscosity on the rate of stretch, no compression.
All numbers are invented.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import signal
from scipy.integrate import solve_ivp

G = 9.80665
LUMPS = 120
MODELS = {  # number of the closed form, and its constants [N]
    "mooney-rivlin": (0, (280.0, 70.0, 0.0, 0.0)),
    "yeoh": (1, (300.0, -6.0, 0.5, 0.0)),
    "gent": (2, (560.0, 34.0, 0.0, 0.0)),
    "ogden-2": (3, (560.0, 1.7, 8.0, 4.6)),
}


@njit(cache=True)
def cord_force(kind, a, b, c, d, ratio):
    """Force [N] at a stretch ratio from 1 on."""
    first = ratio * ratio + 2 / ratio - 3
    shape = ratio - 1 / (ratio * ratio)
    if kind == 0:
        return 2 * shape * (a + b / ratio)
    if kind == 1:
        return 2 * shape * (a + 2 * b * first + 3 * c * first * first)
    if kind == 2:
        return a * shape * b / max(b - first, 1e-3 * b)
    return a * (ratio ** (b - 1) - ratio ** (-b / 2 - 1)) + c * (ratio ** (d - 1) - ratio ** (-d / 2 - 1))


@njit(cache=True)
def _chain(kind, numbers, scale, mass, cord_mass, length, drag, viscosity, speed, lumps, step, steps, every):
    """Depth of the mass, its acceleration, and load at the tie point, at every so many steps from the end of slack."""
    a, b, c, d = numbers
    part, lump = length / lumps, cord_mass / lumps
    y, v = part * np.arange(1, lumps + 1), np.zeros(lumps)
    end = mass + lump / 2
    v[-1] = speed * mass / end
    force, out = np.zeros(lumps + 1), np.empty((steps // every, 3))
    for k in range(steps // every * every):
        above, above_speed = 0.0, 0.0
        for i in range(lumps):
            ratio = (y[i] - above) / part
            force[i] = 0.0
            if ratio > 1:
                pull = scale * cord_force(kind, a, b, c, d, ratio) + viscosity * (v[i] - above_speed) / part
                force[i] = max(pull, 0.0)
            above, above_speed = y[i], v[i]
        rate = G - (force[lumps - 1] + drag * v[-1] * abs(v[-1])) / end
        if k % every == 0:
            # what hangs on the last half lump's end, and what the first half lump adds at the tie point
            out[k // every] = y[-1], force[lumps - 1] - lump / 2 * (G - rate), force[0] + lump / 2 * G
        for i in range(lumps - 1):
            v[i] += step * (G + (force[i + 1] - force[i]) / lump)
        v[lumps - 1] += step * rate
        y += step * v
    return out


@dataclass(frozen=True)
class StiffDrop:
    """One drop of an invented cord; SI."""

    model: str
    mass: float
    scale: float = 1.0
    length: float = 10.0
    cord_mass: float = 14.0
    air: float = 0.06  # drag over speed squared, ρ CdA/2 [kg/m]
    viscosity: float = 3.0
    release: float = 0.0


@dataclass(frozen=True)
class StiffTrace:
    """Time from the release [s], depth of the mass [m], load at the cord's lower end and at the tie point [N]."""

    time: np.ndarray
    depth: np.ndarray
    lower: np.ndarray
    tie: np.ndarray

    @property
    def lowest(self) -> float:
        return float(self.depth.max())

    def peak(self, end: str, *, filtered: bool) -> float:
        """Greatest load at an end: as it is, or through CFC 60 of SAE J211-1, forward and back (−3 dB at 100 Hz)."""
        load = getattr(self, end)
        if filtered:
            step = self.time[-1] - self.time[-2]
            load = signal.sosfiltfilt(signal.butter(2, 2.0775 * 60, fs=1 / step, output="sos"), load)
        return float(load.max())


def trace(drop: StiffDrop, *, after: float = 4.0, rate: float = 5000.0, lumps: int = LUMPS) -> StiffTrace:
    """From the release on, `after` seconds beyond the end of slack, at `rate` samples a second."""
    M, m, L = drop.mass, drop.cord_mass, drop.length

    def falling(_, state):
        y, v = state
        moving = M + m * (L - y) / (2 * L)
        return v, G + (m * v**2 / (4 * L) - drop.air * v * abs(v)) / moving

    def slack_ends(_, state):
        return state[0] - L

    slack_ends.terminal = True
    fall = solve_ivp(falling, (0, 20), [drop.release, 0.0], events=slack_ends, rtol=1e-9, atol=1e-9, dense_output=True)
    slack_at, speed = float(fall.t[-1]), float(fall.y[1, -1])
    kind, numbers = MODELS[drop.model]
    steep = drop.scale * 6000.0 if kind else drop.scale * 2500.0
    least = min(0.35 * np.sqrt(m * L / steep) / lumps, 0.2 * m * L / lumps**2 / max(drop.viscosity, 1e-9))
    every = int(np.ceil(1 / rate / least))
    step = 1 / rate / every
    out = _chain(
        kind, numbers, drop.scale, M, m, L, drop.air, drop.viscosity, speed, lumps, step, round(after / step), every
    )
    before = np.arange(0, slack_at, 1 / rate)
    y, v = fall.sol(before)
    hanging = m * G * (L + y) / (2 * L) + m * v**2 / (4 * L)
    return StiffTrace(
        np.append(before, slack_at + np.arange(len(out)) / rate),
        np.append(y, out[:, 0]),
        np.append(np.zeros(before.size), out[:, 1]),
        np.append(hanging, out[:, 2]),
    )

"""A mass on a cord that stretches while it falls: a chain of lumps in the plane, hung in a fold and let go.

The physics is written here alone: nothing of cordlab, nor of the rigid folds of `tests/sound_records.py`, is in it.
The cord is rubber of Mooney and Rivlin with a viscosity; it pulls and never pushes. It hangs from the tie point to the
mass, which is held `arms` metres aside, at rest in the elastic catenary that this makes. Then the mass is let go and
moves freely, up and down and aside. What is left out: bending of the cord, air on the cord, touch between the arms.
All of it is invented.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numba import njit
from scipy.optimize import brentq

from tests.sound_records import Trace

G = 9.80665
LUMPS = 160
STEP = 1e-4  # s of the integration
KEPT = 2e-4  # s between samples that are kept
DURATION = 8.0  # s that are followed from the release


@dataclass(frozen=True)
class ElasticDrop:
    """A mass on an elastic cord; SI.

    air : drag over v² [kg/m]; release : depth at which the mass is let go; arms : how far aside it is held [m]
    c1, c2 : of the cord's force 2 (λ − λ⁻²) (c1 + c2/λ) [N]; viscosity : force over dλ/dt [N·s]
    """

    mass: float
    length: float = 10.0
    cord_mass: float = 14.0
    air: float = 0.06
    release: float = 0.0
    arms: float = 0.3
    c1: float = 280.0
    c2: float = 70.0
    viscosity: float = 5.0

    def scaled(self, factor: float) -> "ElasticDrop":
        """On a cord so many times as stiff."""
        return replace(self, c1=self.c1 * factor, c2=self.c2 * factor)


@dataclass(frozen=True)
class FoldTrace:
    """Time from the release [s], pull at the tie point and on the mass [N], depth of the mass [m], energy [J].

    energy : of mass and cord, and what viscosity and air have taken: stays as it is
    """

    time: np.ndarray
    tie_load: np.ndarray
    lower_load: np.ndarray
    depth: np.ndarray
    energy: np.ndarray

    @property
    def lowest(self) -> float:
        return float(self.depth.max())

    def seen_at(self, cell: str) -> Trace:
        """As a load cell at the "top" or the "bottom" of the cord sees it."""
        return Trace(self.time, self.tie_load if cell == "top" else self.lower_load, self.depth)


@lru_cache(maxsize=64)  # the drops of a campaign: studies look at the same ones with other sensors
def fold_trace(drop: ElasticDrop, *, lumps: int = LUMPS, step: float = STEP, duration: float = DURATION) -> FoldTrace:
    """One drop from its release on."""
    x, y = at_rest(drop, lumps)
    columns = _follow(
        x, y, drop.mass, drop.cord_mass, drop.length, drop.air, drop.c1, drop.c2, drop.viscosity,
        step, round(KEPT / step), round(duration / KEPT),
    )  # fmt: skip
    return FoldTrace(KEPT * np.arange(len(columns)), *columns.T)


def at_rest(drop: ElasticDrop, lumps: int) -> tuple[np.ndarray, np.ndarray]:
    """Places aside and down of the nodes while the mass is held, from the tie point on.  (lumps + 1,) each

    The chain's catenary: the pull aside is the same all along, the pull up falls by a lump's weight from node to node.
    """
    weight, piece = drop.cord_mass * G, drop.length / lumps
    ratio = np.linspace(1.0, 1.0 + weight / (drop.c1 + drop.c2), 20_001)
    force = 2 * (ratio - ratio**-2) * (drop.c1 + drop.c2 / ratio)

    def nodes(aside, at_tie):
        up = at_tie - weight / lumps * np.arange(lumps)
        pull = np.hypot(aside, up)
        share = piece * np.interp(pull, force, ratio) / pull
        return np.cumsum(np.append(0.0, share * aside)), np.cumsum(np.append(0.0, share * up))

    def deep_enough(aside):
        at_tie = brentq(lambda up: nodes(aside, up)[1][-1] - drop.release, -weight, 2 * weight, xtol=1e-11)
        return nodes(aside, at_tie)

    log_aside = brentq(
        lambda log: deep_enough(np.exp(log))[0][-1] - drop.arms, np.log(1e-6), np.log(weight), xtol=1e-12
    )
    return deep_enough(np.exp(log_aside))


@njit(cache=True)
def _follow(x, y, mass, cord_mass, length, air, c1, c2, viscosity, step, every, samples):
    """Pull at the tie point and on the mass, depth of the mass, and energy, (samples, 4)."""
    lumps = x.size - 1
    piece, lump = length / lumps, cord_mass / lumps
    inertia = np.full(lumps + 1, lump)
    inertia[-1] = mass + lump / 2
    vx, vy = np.zeros(lumps + 1), np.zeros(lumps + 1)
    pull_x, pull_y = np.zeros(lumps + 2), np.zeros(lumps + 2)  # of the piece above each node, on it
    kept, lost = np.empty((samples, 4)), 0.0
    for k in range(samples * every):
        stored = 0.0
        for i in range(1, lumps + 1):
            dx, dy = x[i] - x[i - 1], y[i] - y[i - 1]
            long = np.sqrt(dx * dx + dy * dy)
            ratio = long / piece
            rate = ((vx[i] - vx[i - 1]) * dx + (vy[i] - vy[i - 1]) * dy) / (long * piece)
            elastic = force = 0.0
            if ratio > 1.0:
                elastic = 2 * (ratio - 1 / ratio**2) * (c1 + c2 / ratio)
                force = max(elastic + viscosity * rate, 0.0)
                stored += piece * (c1 * (ratio**2 + 2 / ratio - 3) + c2 * (2 * ratio + 1 / ratio**2 - 3))
            lost += (force - elastic) * rate * piece * step
            pull_x[i], pull_y[i] = force * dx / long, force * dy / long
        speed = np.sqrt(vx[-1] ** 2 + vy[-1] ** 2)
        lost += air * speed**3 * step
        if k % every == 0:
            energy = stored + lost
            for i in range(1, lumps + 1):
                energy += inertia[i] * ((vx[i] ** 2 + vy[i] ** 2) / 2 - G * y[i])
            # half a lump at each end belongs to the tie point and to the mass
            row = kept[k // every]
            row[0] = np.hypot(pull_x[1], pull_y[1] + lump / 2 * G)
            down = G - (pull_y[lumps] + air * speed * vy[-1]) / inertia[-1]
            aside = -(pull_x[lumps] + air * speed * vx[-1]) / inertia[-1]
            row[1] = np.hypot(pull_x[lumps] + lump / 2 * aside, pull_y[lumps] - lump / 2 * (G - down))
            row[2], row[3] = y[-1], energy
        for i in range(1, lumps + 1):
            net_x, net_y = pull_x[i + 1] - pull_x[i], pull_y[i + 1] - pull_y[i] + inertia[i] * G
            if i == lumps:
                net_x -= air * speed * vx[i]
                net_y -= air * speed * vy[i]
            vx[i] += step * net_x / inertia[i]
            vy[i] += step * net_y / inertia[i]
        for i in range(1, lumps + 1):
            x[i] += step * vx[i]
            y[i] += step * vy[i]
    return kept

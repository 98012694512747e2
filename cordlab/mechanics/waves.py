"""The cord resolved along its length: a chain of lumps in the cord's own coordinate, all draws at once.

A stretch wave needs a few tenths of a second to run along a jump cord, so the cord is not strained uniformly and the
loads at its two ends differ. The cord is cut into equal elements between lumps; an element of slack length d and
stretch ratio λ carries T = F(λ) + η dλ/dt while it is stretched, and never a compression. From one time to the next an
element's force is the secant Δw/Δλ of its energy, and speeds are the means of the two times (Gonzalez 1996, Journal of
Nonlinear Science 6, 449, and Simo, Tarnow and Wong 1992, Computer Methods in Applied Mechanics and Engineering 100, 63,
both from memory): energy is kept whatever the step and the viscosity.
"""

from __future__ import annotations

import warnings
from functools import cache
from importlib.util import find_spec
from types import ModuleType
from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dptsv

from cordlab.curves.models import Curve
from cordlab.mechanics.secant import secant_of
from cordlab.mechanics.setup import Array, DropSetup, Outcome, fall_speed, fall_time, take
from cordlab.mechanics.uniform import FURTHEST_RATIO, LOCK_UP_SHARE, take_draws

ELEMENTS = 40
COURANT = 1.0  # step over the time in which a wave crosses an element of the slack cord
CONVERGED = 1e-6  # greatest correction of a change of length in the last step of Newton's method near slack [m]
MOST_ITERATIONS = 20
LEAST_STIFFNESS = 1e-6  # of an element, so that one that carries nothing has a number [N]
SMOOTHING = 0.005  # time constant of the low-pass through which peak loads are read [s]
CROSSINGS = 3  # a drop is followed for so many crossings of a wave after its lowest point: the loads peak within them
MOST_STEPS = 20_000


def check_waves(setup: DropSetup, viscosity: Array) -> None:
    """Raises ValueError for what a chain cannot carry: a cord without mass, a viscosity below 0."""
    if not np.all(setup.cord_mass > 0):
        raise ValueError("cord_mass: a cord without mass carries no waves; give its mass, or use mechanics='uniform'")
    if not (np.isfinite(viscosity).all() and np.all(viscosity >= 0)):
        raise ValueError(f"viscosity: {np.min(viscosity):g} is not a number from 0 upwards")


def crossing(setup: DropSetup, curve: Curve, limit: Array | float = np.inf) -> Array:
    """Time in which a wave crosses the slack cord, √(m L / stiffness) [s]; at least 10 ms, for very light cords."""
    ratio = np.minimum(2.0, limit)
    stiffness = np.maximum(curve.slope(np.ones(1)), curve.force(ratio) / np.maximum(ratio - 1, 1e-3))
    return np.maximum(np.sqrt(setup.cord_mass * setup.slack_length / np.maximum(stiffness, 1e-9)), 0.01)


class Chain:
    """n cords with their masses, in motion. Position, speed: (elements + 1, n), from the tie point down [m], [m/s]."""

    def __init__(self, setup: DropSetup, curve: Curve, viscosity: Array, *, elements: int = ELEMENTS) -> None:
        self.setup, self.curve, self.viscosity = setup, curve, viscosity
        speed = fall_speed(setup, setup.slack_length)
        n = np.broadcast(speed, curve.force(np.ones(1)), viscosity).size
        self.length = np.broadcast_to(setup.slack_length / elements, n)
        self.lump = np.broadcast_to(setup.cord_mass / elements, (elements + 1, n)).copy()
        self.lump[[0, -1]] /= 2
        self.end_lump = self.lump[0].copy()
        self.lump[-1] += setup.mass
        self.position = np.linspace(0, 1, elements + 1)[:, None] * np.broadcast_to(setup.slack_length, n)
        self.speed = np.zeros((elements + 1, n))
        # the half lump at the end takes its speed from the mass: momentum kept, and second order in the lumps' size
        self.speed[-1] = speed * setup.mass / self.lump[-1]
        self.time = np.broadcast_to(fall_time(setup, setup.slack_length), n).copy()
        self.limit = np.broadcast_to(np.minimum(LOCK_UP_SHARE * np.asarray(curve.lock_up), FURTHEST_RATIO), n)
        self.crossing = np.broadcast_to(crossing(setup, curve, self.limit), n).copy()
        self.step_time = COURANT * self.crossing / elements
        self.ratio = np.ones((elements, n))
        self.tension = np.zeros((elements, n))
        self.end_acceleration = np.zeros((2, n))
        self.secant = secant_of(curve, self.limit, elements)
        # stretch ratios and the mass's place changed by this much in the steps before, the last first
        moved = self.step_time * self.speed
        self.changes: tuple[Array, ...] = (np.diff(moved, axis=0) / self.length,) * 3
        self.moves: tuple[Array, ...] = (moved[-1],) * 2
        self.mobility, self._taut = self.step_time**2 * elements / (2 * np.broadcast_to(setup.cord_mass, n)), True
        self.lost = np.zeros(n, dtype=bool)

    def keep(self, index: Array) -> None:
        """Go on with these draws only."""
        self.setup, self.curve = self.setup.take(index), take_draws(self.curve, index)
        self.viscosity = take(self.viscosity, index)
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray) and name != "viscosity":
                setattr(self, name, np.take(value, index, axis=-1))
        self.secant = secant_of(self.curve, self.limit, len(self.ratio))
        self.secant.go_on(self.ratio)
        self.changes = tuple(np.take(change, index, axis=1) for change in self.changes)
        self.moves = tuple(move[index] for move in self.moves)

    def step(self) -> None:
        """One step of time: Newton's method on the tensions, tridiagonal, for all draws at once."""
        dt, d, before = self.step_time, self.length, self.changes
        free = self.speed * dt  # how far each lump would move without the cord
        free += self.setup.gravity * dt**2 / 2
        change = before[0] - before[1]  # as it would go on by a parabola
        change *= 3
        change += before[2]
        end = 2 * self.moves[0] - self.moves[1]
        damped = np.broadcast_to(self.viscosity / dt, dt.shape)
        if not self._taut or (self.ratio + change / 2).min() <= 1:
            damped = np.where(self.ratio + change / 2 > 1, damped, 0.0)
        found: tuple[Array, ...] = ()
        settled = np.zeros(dt.size, dtype=bool)
        for _ in range(MOST_ITERATIONS):
            new = self.ratio + change
            taut: bool | Array = self._taut and new.min() >= 1
            mean, slope = self.secant.chord(self.ratio, new, not taut)
            # over the step an element pulls with `pull` + `stiffness` times its change of stretch ratio
            pull = slope * change
            np.subtract(mean, pull, out=pull)
            stiffness = slope + damped
            if not taut or mean.min() + np.max(damped) * min(change.min(), 0.0) < 0:
                pushing = mean + damped * change < 0  # a cord carries no compression
                pull[pushing], stiffness[pushing] = 0.0, 0.0
                taut = ~pushing.any(axis=0) & (np.minimum(self.ratio, new).min(axis=0) >= 1)
            tension, move = self._moves(free, pull, stiffness, end)
            last, last_end = change, end
            change, end = np.subtract(move[1:], move[:-1], out=stiffness), move[-1]
            change /= d
            last -= change
            tried = tension, move, change, self.ratio + change
            for whole, part in zip(found, tried, strict=False):
                np.copyto(whole, part, where=~settled)
            found = found or tried
            settled |= self._error(last, end - last_end) < self._allowed(taut, tried[3], tension)
            if settled.all():
                break
            change = change.copy()
            if found is tried:  # what has settled stays, so that draws do not depend on each other
                found = tuple(part.copy() for part in tried)
        self.lost |= ~settled
        self._accept(*found)

    def _error(self, change: Array, end: Array) -> Array:
        """Last correction of each draw, as a stretch ratio."""
        return np.maximum(np.maximum(change.max(axis=0), -change.min(axis=0)), np.abs(end) / self.length)

    def _allowed(self, taut: bool | Array, ratio: Array, tension: Array) -> Array:
        """Correction after which a draw may go on: where nothing went slack or lost its tension, its square is left."""
        if np.all(taut) and ratio.min() >= 1 and tension.min() >= 0:
            return np.full(self.length.size, self.secant.quadratic)
        smooth = taut & (ratio.min(axis=0) >= 1) & (tension.min(axis=0) >= 0)
        return np.where(smooth, self.secant.quadratic, CONVERGED / self.length)

    def _moves(self, free: Array, pull: Array, stiffness: Array, end: Array) -> tuple[Array, Array]:
        """Tensions and moves of the lumps over a step, the drag being drawn out from a move `end` of the mass.

        A lump moves by `free` and by `mobility` times the tension that it is pulled with, so tensions are tied to their
        neighbours only, by numbers that change neither along the cord nor in time: divided by them, by 1.
        """
        setup, dt, mobility = self.setup, self.step_time, self.mobility
        drag = setup.drag * np.abs(end)
        mass = 2 * (self.lump[-1] + drag)
        end_mobility = dt**2 / mass
        free[-1] = (self.lump[-1] * (2 * self.speed[-1] + setup.gravity * dt) * dt + drag * end) / mass
        # the rig's spring times its compliance: a stiff rig holds the tie point where it is
        rig = 2 * setup.compliance * self.lump[0] / dt**2 + 0.5
        pushed = self.lump[0] * (2 * self.speed[0] / dt + setup.gravity)
        free[0] = (setup.compliance * pushed - self.position[0]) / rig
        tie_mobility = setup.compliance / rig
        diagonal = np.maximum(stiffness, LEAST_STIFFNESS)
        np.divide(self.length / mobility, diagonal, out=diagonal)
        right = free[1:] - free[:-1]
        right /= mobility
        pull *= diagonal
        right += pull
        diagonal += 2
        diagonal[0] += tie_mobility / mobility - 1
        diagonal[-1] += end_mobility / mobility - 1
        tension = _solve(diagonal, right, pull[0])
        move = np.empty_like(free)
        np.subtract(tension[1:], tension[:-1], out=move[1:-1])
        move[1:-1] *= mobility
        move[0], move[-1] = tie_mobility * tension[0], -end_mobility * tension[-1]
        move += free
        return tension, move

    def _accept(self, tension: Array, move: Array, change: Array, ratio: Array) -> None:
        """Take the step."""
        self.tension = np.maximum(tension, 0.0, out=tension)
        self.position += move
        move_of_mass = move[-1].copy()
        speed = np.multiply(move, 2 / self.step_time, out=move)
        speed -= self.speed
        self.end_acceleration = (speed[[0, -1]] - self.speed[[0, -1]]) / self.step_time
        self.speed, self.ratio = speed, ratio
        self.changes = (change, *self.changes[:2])
        self.moves = (move_of_mass, self.moves[0])
        self._taut = bool(ratio.min() >= 1)
        self.secant.go_on(ratio)
        self.time = self.time + self.step_time

    @property
    def tie_load(self) -> Array:
        """Mean load at the tie point over the last step [N]."""
        return self.tension[0] + self.end_lump * (self.setup.gravity - self.end_acceleration[0])

    @property
    def lower_load(self) -> Array:
        """Mean load at the cord's lower end over the last step [N]."""
        return self.tension[-1] - self.end_lump * (self.setup.gravity - self.end_acceleration[1])


def _solve(diagonal: Array, right: Array, product: Array) -> Array:
    """Solution of a tridiagonal system with −1 beside its diagonal: Thomas's algorithm, all draws side by side.

    `diagonal` and `right` are used up; `product` is room for a row.
    """
    if right.shape[1] == 1:  # one chain by itself: no loop over its rows
        return dptsv(diagonal[:, 0], np.full(len(right) - 1, -1.0), right[:, 0])[2][:, None]
    above, solved = list(diagonal), list(right)
    one, found = above[0], solved[0]
    for next_one, next_found in zip(above[1:], solved[1:], strict=True):
        np.divide(1.0, one, out=one)
        np.subtract(next_one, one, out=next_one)
        np.multiply(found, one, out=found)
        np.add(next_found, found, out=next_found)
        one, found = next_one, next_found
    np.divide(found, one, out=found)
    for factor, below in zip(above[-2::-1], solved[-2::-1], strict=True):
        np.multiply(factor, found, out=product)
        found = np.add(below, product, out=below)
    return right


class Swing(NamedTuple):
    """One fall to the lowest point and a little beyond; arrays of one length. Times are from the release [s].

    stretch : of cord and rig at the lowest point, beyond the slack length  [m]
    ratio : stretched over slack length of the whole cord there
    lower_load, tie_load : greatest load at the cord's lower end and at the tie point  [N]
    outcome : `Outcome` codes; where there is no lowest point everything else is +inf
    """

    stretch: Array
    ratio: Array
    lower_load: Array
    tie_load: Array
    time: Array
    lower_load_time: Array
    tie_load_time: Array
    outcome: Array


def swing(setup: DropSetup, curve: Curve, viscosity: Array, n: int, *, elements: int = ELEMENTS) -> Swing:
    """Lowest point and peak loads of n draws; set-up, curve parameters and viscosity [N·s] of shape () or (n,).

    A jump in speed at the end of a viscous cord has no finite load in its first instant. Loads are therefore read
    through a low-pass of `SMOOTHING`, as those of a record are through its filter.
    """
    values = np.full((7, n), np.inf)
    outcome = np.full(n, Outcome.RELEASED_STRETCHED, dtype=np.int8)
    open_draws = np.flatnonzero(np.broadcast_to(setup.released_slack, n))
    if not open_draws.size:
        return Swing._make([*values, outcome])
    if open_draws.size < n:
        setup, curve, viscosity = setup.take(open_draws), take_draws(curve, open_draws), take(viscosity, open_draws)
    chain = Chain(setup, curve, viscosity, elements=elements)
    peaks = _Peaks(chain)
    if (fast := _compiled()) and fast.covers(curve):
        rules = {"smoothing": SMOOTHING, "converged": CONVERGED, "least": LEAST_STIFFNESS}
        counts = {"iterations": MOST_ITERATIONS, "steps": MOST_STEPS}
        vars(peaks).update(fast.follow(chain, after=CROSSINGS * chain.crossing, **rules, **counts))
        values[:, open_draws] = peaks.values(chain)
        outcome[open_draws], open_draws = peaks.outcome(chain, peaks.ratio > chain.limit), open_draws[:0]
    for _ in range(MOST_STEPS if open_draws.size else 0):
        before = chain.position[-1].copy(), chain.speed[-1]
        chain.step()
        peaks.read(chain, *before)
        locked: Array = peaks.ratio > chain.limit
        done = locked | chain.lost | (chain.time > peaks.time + CROSSINGS * chain.crossing)
        if done.mean() > 0.1 or done.all():
            closed = open_draws[done]
            values[:, closed] = peaks.values(chain)[:, done]
            outcome[closed] = peaks.outcome(chain, locked)[done]
            open_draws = open_draws[~done]
            if not open_draws.size:
                break
            chain.keep(np.flatnonzero(~done))
            peaks.keep(np.flatnonzero(~done))
    outcome[open_draws] = Outcome.UNRESOLVED
    values[:, outcome > Outcome.NOT_RISING] = np.inf
    return Swing._make([*values, outcome])


@cache
def _compiled() -> ModuleType | None:
    """The module of the compiled chain where numba is installed; where numba fails, that is said, once."""
    if find_spec("numba") is None:
        return None
    try:
        from cordlab.mechanics import compiled
    except Exception as error:  # whatever a compiler may come to: the chain is there without it
        return warnings.warn(f"numba is installed and fails ({error}): drops go on without it, slower", stacklevel=2)
    return compiled


class _Peaks:
    """What is remembered of a chain in motion: the lowest point and the greatest of both loads, with times."""

    def __init__(self, chain: Chain) -> None:
        n = chain.time.size
        self.lowest, self.tie_sag, self.time = np.zeros(n), np.zeros(n), np.full(n, np.inf)
        self.load = np.zeros((2, n))  # lower end, tie point
        self.greatest, self.load_time = np.zeros((2, n)), np.zeros((2, n))
        self.ratio = np.ones(n)
        self.share = -np.expm1(-chain.step_time / SMOOTHING)  # of a load that the low-pass takes up in a step

    def keep(self, index: Array) -> None:
        for name, value in vars(self).items():
            setattr(self, name, value[..., index])

    def read(self, chain: Chain, position: Array, speed: Array) -> None:
        """After a step from `position` and `speed` of the mass."""
        turned = (speed > 0) & (chain.speed[-1] <= 0)
        if turned.any():
            self._turn(chain, turned, position, speed)
        load = np.stack([chain.lower_load, chain.tie_load])
        load -= self.load
        load *= self.share
        self.load += load
        greater = self.load > self.greatest
        np.copyto(self.greatest, self.load, where=greater)
        np.copyto(self.load_time, chain.time - chain.step_time / 2 - SMOOTHING, where=greater)
        np.maximum(self.ratio, chain.ratio.max(axis=0), out=self.ratio)

    def _turn(self, chain: Chain, turned: Array, position: Array, speed: Array) -> None:
        share = np.where(turned, speed / np.where(turned, speed - chain.speed[-1], 1.0), 0.0)
        lowest = position + share * speed * chain.step_time / 2
        deeper = turned & (lowest > self.lowest)
        self.lowest = np.where(deeper, lowest, self.lowest)
        self.tie_sag = np.where(deeper, chain.position[0], self.tie_sag)
        self.time = np.where(deeper, chain.time - (1 - share) * chain.step_time, self.time)

    def values(self, chain: Chain) -> Array:
        slack = chain.setup.slack_length
        ratio = (self.lowest - self.tie_sag) / slack
        return np.stack([self.lowest - slack, ratio, *self.greatest, self.time, *self.load_time])

    def outcome(self, chain: Chain, locked: Array) -> Array:
        grid = 1 + (self.ratio - 1) * np.linspace(0, 1, 33)[:, None]
        rising = (chain.curve.slope(np.minimum(grid, chain.limit)) >= 0).all(axis=0)
        ended = np.where(np.isfinite(chain.curve.lock_up), Outcome.LOCK_UP, Outcome.NO_LOWEST_POINT)
        kept = np.where(rising, Outcome.OK, Outcome.NOT_RISING)
        return np.where(locked, ended, np.where(chain.lost, Outcome.UNRESOLVED, kept))

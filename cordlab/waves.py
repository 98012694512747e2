"""The cord resolved along its length: a chain of lumps in the cord's own coordinate, all draws at once.

A stretch wave needs a few tenths of a second to run along a jump cord, so the cord is not strained evenly and the
loads at its two ends differ. The cord is cut into equal elements between lumps; an element of slack length d and
stretch ratio λ carries T = F(λ) + η dλ/dt while it is stretched, and never a compression. From one time to the next an
element's force is the secant Δw/Δλ of its energy, and speeds are the means of the two times (Gonzalez 1996, Journal of
Nonlinear Science 6, 449, and Simo, Tarnow and Wong 1992, Computer Methods in Applied Mechanics and Engineering 100, 63,
both from memory): energy is kept whatever the step and the viscosity, and `Account` closes to rounding.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dgtsv

from cordlab.curves import Curve
from cordlab.even import FURTHEST_RATIO, LOCK_UP_SHARE, take_draws
from cordlab.fall import Array, Outcome, Setup, fall_speed, fall_time, take
from cordlab.secant import secant_of

ELEMENTS = 40
COURANT = 1.0  # step over the time in which a wave crosses an element of the slack cord
CONVERGED = 1e-6  # greatest correction of a change of length in the last step of Newton's method near slack [m]
MOST_ITERATIONS = 20
SMOOTHING = 0.005  # time constant of the low-pass through which peak loads are read [s]
CROSSINGS = 3  # a drop is followed for so many crossings of a wave after its lowest point: the loads peak within them
MOST_STEPS = 20_000


class Account(NamedTuple):
    """Where the energy is, from the moment the slack ends; each of shape (n,) [J]."""

    kinetic: Array
    strain: Array
    rig: Array
    gravity: Array
    drag: Array
    damping: Array

    @property
    def total(self) -> Array:
        return np.sum(self, axis=0)


def check_waves(setup: Setup, viscosity: Array) -> None:
    """Raises ValueError for what a chain cannot carry: a cord without mass, a viscosity below 0."""
    if not np.all(setup.cord_mass > 0):
        raise ValueError("cord_mass: a cord without mass carries no waves; give its mass, or use mechanics='even'")
    if not (np.isfinite(viscosity).all() and np.all(viscosity >= 0)):
        raise ValueError(f"viscosity: {np.min(viscosity):g} is not a number from 0 upwards")


class Chain:
    """n cords with their masses, in motion. Position, speed: (elements + 1, n), from the tie point down [m], [m/s]."""

    def __init__(
        self, setup: Setup, curve: Curve, viscosity: Array, *, elements: int = ELEMENTS, courant: float = COURANT
    ) -> None:
        self.setup, self.curve, self.viscosity = setup, curve, viscosity
        speed = fall_speed(setup, setup.slack_length)
        n = np.broadcast(speed, curve.force(np.ones(1)), viscosity).size
        self.length = np.broadcast_to(setup.slack_length / elements, n)
        self.lump = np.broadcast_to(setup.cord_mass / elements, (elements + 1, n)).copy()
        self.lump[[0, -1]] /= 2
        self.end_lump = self.lump[0].copy()
        self.lump[-1] += setup.mass
        self.weight = self.lump * setup.gravity
        self.position = np.linspace(0, 1, elements + 1)[:, None] * np.broadcast_to(setup.slack_length, n)
        self.speed = np.zeros((elements + 1, n))
        # the half lump at the end takes its speed from the mass: momentum kept, and second order in the lumps' size
        self.speed[-1] = speed * setup.mass / self.lump[-1]
        self.time = np.broadcast_to(fall_time(setup, setup.slack_length), n).copy()
        self.limit = np.broadcast_to(np.minimum(LOCK_UP_SHARE * np.asarray(curve.lock_up), FURTHEST_RATIO), n)
        self.step_time = np.broadcast_to(courant * self._crossing() / elements, n).copy()
        self.ratio = np.ones((elements, n))
        self.drag_loss, self.damping_loss = np.zeros(n), np.zeros(n)
        self.tension = np.zeros((elements, n))
        self.end_acceleration = np.zeros((2, n))
        self.secant = secant_of(curve, self.limit, elements)
        # stretch ratios and the mass's place changed by this much in the steps before, the last first
        moved = self.step_time * self.speed
        self.changes: tuple[Array, ...] = (np.diff(moved, axis=0) / self.length,) * 3
        self.moves: tuple[Array, ...] = (moved[-1],) * 2
        self._inertia, self._taut = 2 * self.lump / self.step_time**2, True
        self.lost = np.zeros(n, dtype=bool)

    def keep(self, index: Array) -> None:
        """Go on with these draws only."""
        self.setup, self.curve = self.setup.take(index), take_draws(self.curve, index)
        self.viscosity = take(self.viscosity, index)
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray) and name != "viscosity":
                setattr(self, name, np.take(value, index, axis=-1))
        self.secant = self.secant.take(index)
        self.changes = tuple(np.take(change, index, axis=1) for change in self.changes)
        self.moves = tuple(move[index] for move in self.moves)

    def _crossing(self) -> Array:
        """Time in which a wave crosses the slack cord, √(m L / stiffness) [s]; at least 10 ms, for very light cords."""
        ratio = np.minimum(2.0, self.limit)
        stiffness = np.maximum(self.curve.slope(np.ones(1)), self.curve.force(ratio) / np.maximum(ratio - 1, 1e-3))
        return np.maximum(np.sqrt(self.setup.cord_mass * self.setup.slack_length / np.maximum(stiffness, 1e-9)), 0.01)

    def step(self) -> None:
        """One step of time: Newton's method on the displacements, tridiagonal, for all draws at once."""
        dt, d, before = self.step_time, self.length, self.changes
        pushed = self._inertia * (dt * self.speed)
        pushed += self.weight
        change = 3 * (before[0] - before[1]) + before[2]  # as it would go on by a parabola
        end = 2 * self.moves[0] - self.moves[1]
        damped = self.viscosity / dt
        if not self._taut or (self.ratio + change / 2).min() <= 1:
            damped = np.where(self.ratio + change / 2 > 1, damped, 0.0)
        found: tuple[Array, ...] = ()
        settled = np.zeros(dt.size, dtype=bool)
        for _ in range(MOST_ITERATIONS):
            new = self.ratio + change
            taut: bool | Array = self._taut and new.min() >= 1
            mean, slope = self.secant.chord(self.ratio, new, not taut)
            # over the step an element pulls with `pull` + `stiffness` times its change of length
            pull = mean - slope * change
            stiffness = slope + damped
            if not taut or mean.min() + np.max(damped) * min(change.min(), 0.0) < 0:
                pushing = mean + damped * change < 0  # a cord carries no compression
                pull[pushing], stiffness[pushing] = 0.0, 0.0
                taut = ~pushing.any(axis=0) & (np.minimum(self.ratio, new).min(axis=0) >= 1)
            stiffness /= d
            move, last, end_last = self._moves(pushed, pull, stiffness, end), change, end
            change, end = np.diff(move, axis=0), move[-1]
            stiffness *= change
            pull += stiffness
            change /= d
            last = last - change
            slope *= last
            tried = move, end_last, change, pull, mean - slope  # the mean is the curve's where the step ended
            for whole, part in zip(found, tried, strict=False):
                np.copyto(whole, part, where=~settled)
            found = found or tried
            settled |= self._error(last, end - end_last) < self._allowed(taut, self.ratio + change, pull)
            if settled.all():
                break
            if found is tried:  # what has settled stays, so that draws do not depend on each other
                found = tuple(part.copy() for part in tried)
        self.lost |= ~settled
        self._accept(*found)

    def _error(self, change: Array, end: Array) -> Array:
        """Last correction of each draw, as a stretch ratio."""
        return np.maximum(np.maximum(change.max(axis=0), -change.min(axis=0)), np.abs(end) / self.length)

    def _allowed(self, taut: bool | Array, ratio: Array, pull: Array) -> Array:
        """Correction after which a draw may go on: where nothing went slack or lost its tension, its square is left."""
        if np.all(taut) and ratio.min() >= 1 and pull.min() >= 0:
            return np.full(self.length.size, self.secant.quadratic)
        smooth = taut & (ratio.min(axis=0) >= 1) & (pull.min(axis=0) >= 0)
        return np.where(smooth, self.secant.quadratic, CONVERGED / self.length)

    def _moves(self, pushed: Array, pull: Array, stiffness: Array, end: Array) -> Array:
        """Displacements of the lumps over a step, the drag being drawn out from a displacement `end` of the mass."""
        setup, dt = self.setup, self.step_time
        right, diagonal = pushed.copy(), self._inertia.copy()
        right[:-1] += pull
        right[1:] -= pull
        diagonal[:-1] += stiffness
        diagonal[1:] += stiffness
        drag = setup.drag * np.abs(end) / dt**2
        right[-1] += drag * end
        diagonal[-1] += 2 * drag
        # the first row is the rig's spring times its compliance: a stiff rig holds the tie point where it is
        right[0] = setup.compliance * right[0] - self.position[0]
        diagonal[0] = setup.compliance * diagonal[0] + 0.5
        return _solve(diagonal, stiffness, setup.compliance * stiffness[0], right)

    def _accept(self, move: Array, end: Array, change: Array, pull: Array, mean: Array) -> None:
        """Take the step, with the `mean` force of the curve over it, and the drag drawn out from `end`."""
        dt = self.step_time
        self.tension = np.maximum(pull, 0.0, out=pull)
        lost = pull - mean
        self.damping_loss = self.damping_loss + np.einsum("ij,ij->j", lost, change) * self.length
        self.drag_loss = self.drag_loss + self.setup.drag * np.abs(end) * (2 * move[-1] - end) * move[-1] / dt**2
        speed = move * (2 / dt)
        speed -= self.speed
        self.end_acceleration = (speed[[0, -1]] - self.speed[[0, -1]]) / dt
        self.speed = speed
        self.position += move
        self.ratio = self.ratio + change
        self.changes = (change, *self.changes[:2])
        self.moves = (move[-1], self.moves[0])
        self._taut = bool(self.ratio.min() >= 1)
        self.secant.go_on(self.ratio)
        self.time = self.time + dt

    @property
    def tie_load(self) -> Array:
        """Mean load at the tie point over the last step [N]."""
        return self.tension[0] + self.end_lump * (self.setup.gravity - self.end_acceleration[0])

    @property
    def lower_load(self) -> Array:
        """Mean load at the cord's lower end over the last step [N]."""
        return self.tension[-1] - self.end_lump * (self.setup.gravity - self.end_acceleration[1])

    def account(self) -> Account:
        compliance = np.where(self.setup.compliance > 0, self.setup.compliance, np.inf)
        return Account(
            kinetic=(self.lump * self.speed**2).sum(axis=0) / 2,
            strain=self.curve.energy(self.ratio).sum(axis=0) * self.length,
            rig=self.position[0] ** 2 / (2 * compliance),
            gravity=-(self.lump * self.position).sum(axis=0) * self.setup.gravity,
            drag=self.drag_loss,
            damping=self.damping_loss,
        )


def _solve(diagonal: Array, stiffness: Array, first: Array, right: Array) -> Array:
    """Displacements from a tridiagonal matrix with −`stiffness` beside the diagonal, and −`first` in its first row.

    Thomas's algorithm, all draws side by side; `diagonal` and `right` are used up.
    """
    if right.shape[1] == 1:  # one chain by itself: no loop over its rows
        above = -stiffness[:, 0]
        above[0] = -np.squeeze(first)
        *_, moved, _ = dgtsv(-stiffness[:, 0], diagonal[:, 0], above, right)
        return moved
    product = np.empty_like(right[0])
    diagonals, sides, found = list(diagonal), list(stiffness), list(right)
    factors = list(np.empty_like(stiffness))
    for i, factor in enumerate(factors):
        np.divide(sides[i], diagonals[i], out=factor)
        np.multiply(factor, sides[i] if i else first, out=product)
        np.subtract(diagonals[i + 1], product, out=diagonals[i + 1])
        np.multiply(factor, found[i], out=product)
        np.add(found[i + 1], product, out=found[i + 1])
    right /= diagonal
    factors[0] = first / diagonals[0]
    for i in range(len(factors) - 1, -1, -1):
        np.multiply(factors[i], found[i + 1], out=product)
        np.add(found[i], product, out=found[i])
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


def swing(setup: Setup, curve: Curve, viscosity: Array, n: int, *, elements: int = ELEMENTS) -> Swing:
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
    for _ in range(MOST_STEPS):
        before = chain.position[-1].copy(), chain.speed[-1]
        chain.step()
        peaks.read(chain, *before)
        locked: Array = np.any(chain.ratio > chain.limit, axis=0)
        done = locked | chain.lost | (chain.time > peaks.time + CROSSINGS * elements * chain.step_time)
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


class _Peaks:
    """What is remembered of a chain in motion: the lowest point and the greatest of both loads, with times."""

    def __init__(self, chain: Chain) -> None:
        n = chain.time.size
        self.lowest, self.tie_sag, self.time = np.zeros(n), np.zeros(n), np.full(n, np.inf)
        self.load = np.zeros((2, n))  # lower end, tie point
        self.greatest, self.load_time = np.zeros((2, n)), np.zeros((2, n))
        self.ratio = np.ones(n)

    def keep(self, index: Array) -> None:
        for name, value in vars(self).items():
            setattr(self, name, value[..., index])

    def read(self, chain: Chain, position: Array, speed: Array) -> None:
        """After a step from `position` and `speed` of the mass."""
        slowed = speed - chain.speed[-1]
        turned = (speed > 0) & (chain.speed[-1] <= 0)
        share = np.where(turned, speed / np.where(turned, slowed, 1.0), 0.0)
        lowest = position + share * speed * chain.step_time / 2
        deeper = turned & (lowest > self.lowest)
        self.lowest = np.where(deeper, lowest, self.lowest)
        self.tie_sag = np.where(deeper, chain.position[0], self.tie_sag)
        self.time = np.where(deeper, chain.time - (1 - share) * chain.step_time, self.time)
        load = np.stack([chain.lower_load, chain.tie_load])
        self.load += -np.expm1(-chain.step_time / SMOOTHING) * (load - self.load)
        greater = self.load > self.greatest
        self.greatest = np.where(greater, self.load, self.greatest)
        self.load_time = np.where(greater, chain.time - chain.step_time / 2 - SMOOTHING, self.load_time)
        self.ratio = np.maximum(self.ratio, chain.ratio.max(axis=0))

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

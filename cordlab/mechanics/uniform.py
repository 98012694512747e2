"""The stretch of a uniformly strained cord: lowest point for all draws at once, by quadrature and not by time steps.

With X = x + C F the stretch of cord and rig, K the kinetic energy, W the hung weight (M + m/2) g and κ = 2c/(M + m/3),

    dK/dX = W − F(x) − κ K,

which is linear in K. Two forms of its solution are used against each other, P(x) = L w(1 + x/L) + C F²/2 being the
energy stored in cord and rig:

    K(x) = e^{−κX} K₀ + W (1 − e^{−κX})/κ − P(x) + κ ∫ e^{−κ(X − X(s))} P(s) dX(s)  (energies: closed form at κ = 0)
    K(x) = e^{−κX} K₀ + ∫ e^{−κ(X − X(s))} (W − F(s)) dX(s)                         (forces: the check of every draw)

The lowest point is the first x with K = 0. What fails the check is searched panel by panel, and what fails that too is
told by its `Outcome`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.special import exprel

from cordlab.curves.models import Curve
from cordlab.mechanics.fall import Array, DropSetup, Outcome, slack_energy, spread_out, take

LOCK_UP_SHARE = 0.98  # of the stretch ratio at lock-up: beyond it a cord counts as locked up: a rule
FURTHEST_RATIO = 20.0  # no rubber goes there: a draw still falling at this stretch ratio has no lowest point
NEARLY = 3e-6  # steps of Newton's method end when the last was this share of x
CLOSE = 1e-10  # the two forms agree to this share of L + x, or the draw is searched panel by panel
FALLING = 0.01  # of the work of the weight is left as kinetic energy at the furthest stretch: it is not rounding
CLOSE_ENOUGH = 1e-6  # two searches agree to this share, or the draw is unresolved: still under 0.1 mm in 40 m


class Rule(NamedTuple):
    """Gauss–Legendre nodes (n, 1) and weights (n,) on [0, 1]."""

    nodes: Array
    weights: Array


def _rule(n: int) -> Rule:
    nodes, weights = np.polynomial.legendre.leggauss(n)
    return Rule((nodes[:, None] + 1) / 2, weights / 2)


_CRUDE, _INCREMENT, _PANEL = _rule(4), _rule(3), _rule(8)
# for the energies, for the forces that check them, and most steps: nearly all curves agree with the first
_FAST, _FINE = (_rule(10), _rule(14), 5), (_rule(28), _rule(32), 20)


class Stop(NamedTuple):
    """Where the stretch ends; arrays of one length.

    stretch : of the cord, x  [m], +inf where there is none
    lower_load, tie_load : the greatest on the way to the lowest point  [N]
    outcome : `Outcome` codes
    """

    stretch: Array
    lower_load: Array
    tie_load: Array
    outcome: Array

    def without(self, some: Array, code: Outcome | Array) -> Stop:
        """These arrays, in which some draws (n,) have no lowest point."""
        for whole, value in zip(self, (np.inf, np.inf, np.inf, code), strict=True):
            whole[some] = value
        return self


@dataclass(frozen=True)
class Stretch:
    """The equation of motion of one chunk of draws: set-up and curve, everything of shape () or (n,)."""

    setup: DropSetup
    curve: Curve
    start: Array = field(init=False)  # K₀ when the slack ends [J]
    damping: Array = field(init=False)  # κ [1/m]
    furthest: Array = field(init=False)  # x that is searched [m]
    compliant: bool = field(init=False)

    def __post_init__(self) -> None:
        setup = self.setup
        object.__setattr__(self, "start", slack_energy(setup))
        object.__setattr__(self, "damping", 2 * setup.drag / setup.moving_mass)
        object.__setattr__(self, "compliant", bool(np.any(setup.compliance)))
        ratio = np.minimum(LOCK_UP_SHARE * np.asarray(self.curve.lock_up), FURTHEST_RATIO)
        object.__setattr__(self, "furthest", np.maximum(ratio - 1, 0.0) * setup.slack_length)

    def ratio(self, x: Array) -> Array:
        return 1 + x / self.setup.slack_length

    def force(self, x: Array) -> Array:
        return self.curve.force(self.ratio(x))

    def sagged(self, x: Array, force: Array) -> Array:
        """Stretch X of cord and rig together [m]."""
        return x + self.setup.compliance * force if self.compliant else x

    def sag(self, x: Array) -> Array:
        """The same, from the cord's stretch alone [m]."""
        return x + self.setup.compliance * self.force(x) if self.compliant else x

    def sag_rate(self, x: Array) -> Array | float:
        """dX/dx."""
        if not self.compliant:
            return 1.0
        return 1 + self.setup.compliance * self.curve.slope(self.ratio(x)) / self.setup.slack_length

    def cord_share(self, sagged: Array) -> Array:
        """Stretch of the cord in a stretch `sagged` of cord and rig [m]: Newton's method on a rising function."""
        x = sagged
        for _ in range(12 if self.compliant else 0):
            x = np.clip(x - (self.sag(x) - sagged) / self.sag_rate(x), x / 4, sagged)
        return x

    def stored(self, x: Array) -> tuple[Array, Array]:
        """Energy P(x) stored in cord and rig [J], and X [m]."""
        energy = self.setup.slack_length * self.curve.energy(self.ratio(x))
        if not self.compliant:
            return energy, x
        force = self.force(x)
        return energy + self.setup.compliance * force**2 / 2, self.sagged(x, force)

    def take(self, index: Array) -> Stretch:
        return Stretch(self.setup.take(index), take_draws(self.curve, index))

    def integral(self, integrand: Callable[[Array], Array], low: Array | float, high: Array, rule: Rule) -> Array:
        width = high - low
        return width * (rule.weights @ integrand(low + width * rule.nodes))

    def integral_from_slack(self, integrand: Callable[[Array], Array], x: Array, rule: Rule) -> Array:
        """From 0 to `x`; on every piece by itself where the curve is made of pieces."""
        knots = getattr(self.curve.model, "knots", None)
        if knots is None:
            return self.integral(integrand, 0.0, x, rule)
        ends = [np.minimum((knot - 1) * self.setup.slack_length, x) for knot in knots] + [x]
        return np.sum([self.integral(integrand, near, end, rule) for near, end in pairwise(ends)], axis=0)

    def remembered(self, sagged: Array) -> Callable[[Array], Array]:
        """κ e^{−κ(X − X(s))} P(s) dX/ds at X = `sagged`: its integral is what drag has left of the stored energy."""

        def integrand(s: Array) -> Array:
            stored, inner = self.stored(s)
            rate = self.damping * self.sag_rate(s) if self.compliant else self.damping
            return stored * np.exp(self.damping * (inner - sagged)) * rate

        return integrand

    def by_energies(self, x: Array, memory: Array | float) -> Array:
        """K at `x` [J], `memory` being the integral of `remembered`."""
        stored, sag = self.stored(x)
        damped = -self.damping * sag
        return np.exp(damped) * self.start + self.setup.hung_weight * sag * exprel(damped) - stored + memory

    def pushed(self, high: Array, forces: list[Array]) -> Callable[[Array], Array]:
        """(W − F) e^{−κ(X − X(s))} dX/ds up to `high`; the forces that it meets are added to `forces`."""
        sagged = self.sag(high)

        def integrand(s: Array) -> Array:
            force = self.force(s)
            forces.append(force)
            net = (self.setup.hung_weight - force) * np.exp(self.damping * (self.sagged(s, force) - sagged))
            return net * self.sag_rate(s) if self.compliant else net

        return integrand

    def by_forces(self, low: Array, high: Array, before: Array, forces: list[Array]) -> Array:
        """K at `high` from K = `before` at `low`, a panel further up [J]."""
        gone = self.sag(high) - self.sag(low)
        return np.exp(-self.damping * gone) * before + self.integral(self.pushed(high, forces), low, high, _PANEL)

    def loads(self, force: Array, kinetic: Array | float = 0.0) -> tuple[Array, Array]:
        """Load at the cord's lower end and at the tie point [N]."""
        setup = self.setup
        upward = (force + self.damping * kinetic - setup.hung_weight) / setup.moving_mass
        lower = force - setup.cord_mass * (setup.gravity / 2 + upward / 3)
        return lower, force + setup.cord_mass * (setup.gravity / 2 + upward / 6)


def take_draws(curve: Curve, index: Array | slice) -> Curve:
    """The curve of some of the draws, by flat index; what is one for all draws stays one."""
    parameters = {name: take(np.asarray(value), index) for name, value in curve.parameters.items()}
    return replace(curve, parameters=parameters, scale=take(np.asarray(curve.scale), index))


def broadcast_draws(curve: Curve, shape: tuple[int, ...]) -> Curve:
    """The curve with every parameter that holds draws seen at `shape`; nothing is copied."""
    parameters = {name: spread_out(value, shape) for name, value in curve.parameters.items()}
    return replace(curve, parameters=parameters, scale=spread_out(curve.scale, shape))


def stop(setup: DropSetup, curve: Curve) -> Stop:
    """The lowest point of each of n draws; set-up and curve parameters of shape () or (n,)."""
    motion = Stretch(setup, curve)
    n = np.broadcast(motion.start, motion.furthest, motion.force(np.zeros(1))).size
    slack = np.broadcast_to(setup.released_slack, n)
    with np.errstate(all="ignore"):  # a wild draw may overflow on its way to being searched again; nothing is lost
        x, good, falling = _newton(motion, n, *_FAST)
        again = np.flatnonzero(~good & slack)
        if again.size:
            x[again], good[again], falling[again] = _newton(motion.take(again), again.size, *_FINE)
        lower, tie = (np.broadcast_to(load, n).copy() for load in motion.loads(motion.force(x)))
    outcome = np.full(n, Outcome.OK, dtype=np.int8)
    found, again = Stop(x, lower, tie, outcome), np.flatnonzero(~good & ~falling & slack)
    if again.size:
        for whole, part in zip(found, _search_twice(motion.take(again), again.size), strict=True):
            whole[again] = part
    lost = (outcome <= Outcome.NOT_RISING) & ~(np.isfinite(x) & np.isfinite(lower) & np.isfinite(tie))
    found.without(lost, Outcome.UNRESOLVED).without(falling, _still_falling(motion, n)[falling])
    return found.without(~slack, Outcome.RELEASED_STRETCHED)


def _still_falling(motion: Stretch, n: int) -> Array:
    """What becomes of draws (n,) that still fall at the furthest stretch."""
    locks_up = np.broadcast_to(np.isfinite(motion.curve.lock_up), n)
    return np.where(locks_up, Outcome.LOCK_UP, Outcome.NO_LOWEST_POINT)


def _newton(motion: Stretch, n: int, energies: Rule, check: Rule, steps: int) -> tuple[Array, Array, Array]:
    """First root of K by Newton's method; whether it stands: both forms agree, and the force rises to it; and whether
    there is none: both leave K at the furthest stretch, where the force has risen all the way.
    """
    setup, weight, damping = motion.setup, motion.setup.hung_weight, motion.damping
    reach = np.broadcast_to(motion.furthest, n)
    k = motion.force(setup.slack_length) / setup.slack_length  # first guess: straight through stretch ratio 2
    x = np.minimum((weight + np.sqrt(weight**2 + 2 * k * motion.start)) / k, reach)

    def step(x: Array, memory: Array | float) -> Array:
        kinetic = motion.by_energies(x, memory)
        rate = (weight - motion.force(x) - damping * kinetic) * motion.sag_rate(x)
        newton = np.clip(x - kinetic / np.minimum(rate, -1e-300), x / 4, reach)
        return np.where(rate < 0, newton, np.minimum(2 * x, reach))

    for _ in range(3):  # as if there were no drag: close enough for the next rule
        x = step(x, 0.0)
    memory: Array | float = 0.0
    dragged = bool(np.any(damping))
    if dragged:
        x = step(x, motion.integral(motion.remembered(motion.sag(x)), 0.0, x, _CRUDE))
        memory = motion.integral_from_slack(motion.remembered(motion.sag(x)), x, energies)
    for _ in range(steps):
        before, x = x, step(x, memory)
        if np.all(np.abs(x - before) <= NEARLY * x):  # the error left is of the order of its square
            break
        if dragged:
            sag = motion.sag(x)
            memory = np.exp(damping * (motion.sag(before) - sag)) * memory
            memory = memory + motion.integral(motion.remembered(sag), before, x, _INCREMENT)
    forces: list[Array] = []
    pushed = motion.integral_from_slack(motion.pushed(x, forces), x, check)
    kinetic = np.exp(-damping * motion.sag(x)) * motion.start + pushed
    force = motion.force(x)
    met = np.concatenate([*forces, np.broadcast_to(force, (1, n))])
    rising = (met[1:] >= met[:-1]).all(axis=0)
    good = rising & (np.abs(kinetic) <= CLOSE * (setup.slack_length + x) * (force - weight)) & (x < reach)
    left = np.minimum(kinetic, motion.by_energies(x, memory)) > FALLING * weight * (setup.slack_length + x)
    return x, good, rising & left & (x >= reach)


def _search_twice(motion: Stretch, n: int) -> Stop:
    """The slow way, for draws that Newton's method leaves: two searches with different panels must agree."""
    with np.errstate(all="ignore"):
        found, other = _search(motion, n, 96), _search(motion, n, 150)
        x = found.stretch
        agree = np.abs(x - other.stretch) <= CLOSE_ENOUGH * (motion.setup.slack_length + x)
    ended = (found.outcome == other.outcome) & (found.outcome > Outcome.NOT_RISING)
    return found.without(~(agree | ended), Outcome.UNRESOLVED)


def _search(motion: Stretch, n: int, panels: int) -> Stop:
    """K panel by panel from slack to the furthest stretch; the first panel in which K ends below 0 holds the root."""
    far = np.broadcast_to(motion.furthest, n)
    uniform = np.isfinite(np.asarray(motion.curve.lock_up))  # fine panels at the far end where the curve locks up
    share = np.linspace(0, 1, panels + 1)[:, None]
    ends = far * np.where(uniform, share, share**2)
    knots = getattr(motion.curve.model, "knots", None)
    if knots is not None:  # a curve made of pieces: no panel reaches over a knot
        inner = np.clip((np.asarray(knots, float) - 1)[:, None] * motion.setup.slack_length, 0, far)
        ends = np.sort(np.concatenate([ends, np.broadcast_to(inner, (len(inner), n))]), axis=0)
    kinetic = np.broadcast_to(motion.start, n).copy()
    low, high, before = np.zeros(n), np.zeros(n), kinetic.copy()
    falling, rising = np.ones(n, bool), np.ones(n, bool)
    last, lower, tie = np.full(n, -np.inf), np.full(n, -np.inf), np.full(n, -np.inf)
    for near, end in pairwise(ends):
        met: list[Array] = []
        after, forces = motion.by_forces(near, end, kinetic, met), met[0]
        first = falling & ~(after > 0)
        low[first], high[first], before[first] = near[first], end[first], kinetic[first]
        falling &= ~first
        if not falling.any():
            break
        rising &= ~falling | ((np.diff(forces, axis=0, prepend=last[None]) >= 0).all(axis=0))
        last, kinetic = np.where(falling, forces[-1], last), np.where(falling, after, kinetic)
        for greatest, load in zip((lower, tie), motion.loads(motion.force(end), kinetic), strict=True):
            np.maximum(greatest, load, out=greatest, where=falling)
    x = _root(motion, low, high, before)
    for greatest, load in zip((lower, tie), motion.loads(motion.force(x)), strict=True):
        np.maximum(greatest, load, out=greatest)
    rising &= motion.force(x) >= last
    outcome = np.where(rising, Outcome.OK, Outcome.NOT_RISING).astype(np.int8)
    outcome[falling] = _still_falling(motion, n)[falling]
    for whole in (x, lower, tie):
        whole[falling] = np.inf
    return Stop(x, lower, tie, outcome)


def _root(motion: Stretch, low: Array, high: Array, before: Array) -> Array:
    """Root of K between `low` (where K is `before`, above 0) and `high`: Newton's method, halving where it leaves."""
    start, x = low, (low + high) / 2
    for _ in range(60):
        kinetic = motion.by_forces(start, x, before, [])
        low, high = np.where(kinetic > 0, x, low), np.where(kinetic > 0, high, x)
        rate = (motion.setup.hung_weight - motion.force(x) - motion.damping * kinetic) * motion.sag_rate(x)
        newton = x - kinetic / np.where(rate == 0, -1e-300, rate)
        x, last = np.where((newton > low) & (newton < high), newton, (low + high) / 2), x
        if np.all(np.abs(x - last) <= 1e-14 * np.abs(x)):
            break
    return x


def scale_for_stretch(setup: DropSetup, curve: Curve, reached: Array) -> Array:
    """Factor on the curve's scale with which cord and rig stretch by just `reached` [m]; 0 where the curve locks up.

    K at the lowest point is linear in the scale where all of the stretch is the cord's: secants from a scale of 0 and
    of 1 are there in one step. With a compliant rig the cord's share depends on the scale, and they need a few more.
    """
    motion = Stretch(setup, replace(curve, scale=0.0 * np.asarray(curve.scale)))
    damped = motion.damping * reached
    low, kinetic_low = np.zeros_like(reached), np.exp(-damped) * motion.start
    kinetic_low = kinetic_low + setup.hung_weight * reached * exprel(-damped)
    scale = np.ones_like(reached)
    with np.errstate(invalid="ignore", divide="ignore"):  # locked up: infinite force, scale 0
        for _ in range(30 if motion.compliant else 1):
            motion = Stretch(setup, replace(curve, scale=scale * curve.scale))
            x = motion.cord_share(reached)
            kinetic = motion.by_energies(x, motion.integral_from_slack(motion.remembered(reached), x, _FINE[0]))
            step = np.where(kinetic == kinetic_low, 0.0, kinetic * (scale - low) / (kinetic_low - kinetic))
            low, kinetic_low, scale = scale, kinetic, scale + step
            if np.all(np.abs(step) <= 1e-13 * scale):
                break
    return np.where(np.isfinite(kinetic), scale, 0.0)

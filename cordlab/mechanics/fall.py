"""The set-up of a drop, and the fall with the cord still folded: closed form, with cord mass and drag."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any

import numpy as np
from scipy.special import exprel

Array = np.ndarray
Numbers = Any  # a number or an array goes in, an array comes out: one type cannot say both
GRAVITY = 9.80665  # standard gravity [m/s²], ISO 80000-3
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)


class Outcome(IntEnum):
    """What became of one draw. All but `OK` and `NOT_RISING` have +inf for lowest point and loads, never a NaN."""

    OK = 0
    NOT_RISING = 1  # the curve sinks somewhere on the way: numbers hold, loads are the greatest on the way
    LOCK_UP = 2  # stretched beyond 0.98 of the stretch ratio at which the curve locks up
    NO_LOWEST_POINT = 3  # still falling at the furthest stretch ratio that is searched
    RELEASED_STRETCHED = 4  # released further than the slack length from the tie point: not a drop on a slack cord
    UNRESOLVED = 5  # two rules of integration disagree (a jump or a sharp kink), or the curve's numbers are none
    OUTSIDE_TESTED = 6  # stretched further than was tested: the curve is a guess there
    SURFACE_REACHED = 7  # the cord's end comes down to the surface before the cord has stopped it


def take(value: Array, index: Array | slice) -> Array:
    """Some of the draws, by flat index; what is one for all draws stays one."""
    return value.reshape(()) if value.size == 1 else value.flat[index]


def spread_out(value: Array | float, shape: tuple[int, ...]) -> Array:
    """Seen at `shape`, without a copy; what is one for all draws stays one."""
    value = np.asarray(value, dtype=float)
    return value if value.size == 1 else np.broadcast_to(value, shape)


@dataclass(frozen=True)
class DropSetup:
    """What hangs on the cord and how it is released. Numbers, or arrays that broadcast (draws along the last axis).

    Raises ValueError, naming the argument, for a value that is not finite or out of range.
    """

    mass: Numbers  # hung below the cord's lower end [kg]
    slack_length: Numbers  # of the cord, lying unloaded [m]
    cord_mass: Numbers = 0.0  # [kg]
    drag_area: Numbers = 0.0  # drag coefficient times area of the mass [m²]
    air_density: Numbers = 1.2  # [kg/m³]
    release_depth: Numbers = 0.0  # below the tie point; negative is above it [m]
    compliance: Numbers = 0.0  # sag of the tie point [m/N]
    gravity: Numbers = GRAVITY  # [m/s²]
    centre_of_mass_fall: Numbers = 0.0  # by how much further than the attachment a rider's falls, until hanging [m]
    gear_mass: Numbers = 0.0  # of `mass`, what hangs with the rider and does not turn over [kg]
    push_off: Numbers = 0.0  # speed at the release, whichever way it goes [m/s]

    def __post_init__(self) -> None:
        for name in _FIELDS:
            value = np.asarray(getattr(self, name), dtype=float)
            object.__setattr__(self, name, value)
            if not np.isfinite(value).all():
                raise ValueError(f"{name}: {np.sum(~np.isfinite(value))} of {value.size} values are not finite")
            least = value.min(initial=np.inf)
            if name in ("mass", "slack_length", "gravity") and least <= 0:
                raise ValueError(f"{name}: {least:g} is not above 0")
            if name not in ("release_depth", "push_off") and least < 0:
                raise ValueError(f"{name}: {least:g} is below 0")

    def broadcast(self, shape: tuple[int, ...]) -> DropSetup:
        """Every value seen at `shape`; nothing is copied."""
        return DropSetup(*(spread_out(getattr(self, name), shape) for name in _FIELDS))

    def take(self, index: Array | slice) -> DropSetup:
        """The set-up of some of the draws, by flat index."""
        return DropSetup(*(take(getattr(self, name), index) for name in _FIELDS))

    @property
    def drag(self) -> Array:
        """c = ρ·CdA/2, drag force over speed squared [kg/m]."""
        return 0.5 * self.air_density * self.drag_area

    @property
    def weight(self) -> Array:
        """M g, what g compares loads with [N]."""
        return self.mass * self.gravity

    @property
    def hung_weight(self) -> Array:
        """(M + m/2) g: what the uniformly strained cord is pulled by [N]."""
        return (self.mass + self.cord_mass / 2) * self.gravity

    @property
    def moving_mass(self) -> Array:
        """M + m/3: the inertia of mass and uniformly strained cord [kg]."""
        return self.mass + self.cord_mass / 3

    @property
    def rider_energy(self) -> Array:
        """What a rider brings and a dead weight let go from rest does not, M_rider g Δh + M v²/2 [J].

        A rider turns over on the way to hanging. A speed at the release adds M v²/2 at most, whichever way it goes.
        """
        rider = np.maximum(self.mass - self.gear_mass, 0.0)
        return rider * self.gravity * self.centre_of_mass_fall + self.mass * self.push_off**2 / 2

    def folded_mass(self, depth: Array) -> Array:
        """Mass and the falling side of the folded cord, M + m (L − y)/(2L), at `depth` y ≤ L [kg]."""
        return self.mass + self.cord_mass * (self.slack_length - depth) / (2 * self.slack_length)

    @property
    def released_slack(self) -> Array:
        """Whether the mass is let go within a slack length of the tie point, above or below."""
        return np.abs(self.release_depth) <= self.slack_length


_FIELDS = [one.name for one in fields(DropSetup)]


def fall_energy(setup: DropSetup, depth: Array) -> Array:
    """Kinetic energy of mass and falling side of the cord at `depth` [m] between release and slack length [J].

    The cord hangs in a fold, of which the mass's side falls with the mass and the other is at rest: dK/dy =
    g M_e − 2c K/M_e with M_e = M + m (L − y)/(2L), solved in closed form; without drag, from rest at the tie point,
    v² = g y [4ML + m(2L−y)]/[2ML + m(L−y)] (Heck, Uylings and Kędzierska 2010, Physics Education 45, 63). The same
    holds for a release above the tie point (depth < 0), which the mass passes without touching it.
    """
    h = np.maximum(depth - setup.release_depth, 0.0)
    mass = setup.folded_mass(depth)
    z = setup.cord_mass * h / (2 * mass * setup.slack_length)
    r = 1 / exprel(np.log1p(z))  # ln(1 + z)/z, also at z = 0
    return mass * setup.gravity * h * r * exprel(2 * z * r - 2 * setup.drag * h * r / mass)


def fall_speed(setup: DropSetup, depth: Array) -> Array:
    """Speed of the mass at `depth` [m] below the tie point, at most the slack length [m/s]."""
    return np.sqrt(2 * fall_energy(setup, depth) / setup.folded_mass(depth))


def slack_energy(setup: DropSetup) -> Array:
    """Kinetic energy of the mass when the slack ends, with all that a rider brings: drag has taken none of that [J]."""
    return fall_energy(setup, setup.slack_length) + setup.rider_energy


def depth_at_rebound(setup: DropSetup, lowest_point: Numbers, energy_returned: Numbers) -> Array:
    """How far below the tie point the mass is at its highest return [m], as high as it can be.

    Of the energy since the release, K₀ as the slack ended and Q = (M + m/2) g x of the stretch x, the share s comes
    back: K₁ = s (K₀ + Q) − Q are left as the cord is slack again, drag meanwhile in s alone. Then the mass takes up the
    fold without loss and without drag, M g h + m g h²/(4L) = K₁: a cord without loss brings it back to where it was
    released. One that stays taut counts as just slack, and s as no less than 0 and no more than 1.
    """
    energy_returned = np.clip(energy_returned, 0.0, 1.0)
    lift = setup.hung_weight * (lowest_point - setup.slack_length)
    with np.errstate(invalid="ignore"):  # without a lowest point nothing returns
        left = energy_returned * slack_energy(setup) - (1 - energy_returned) * lift
    left = np.where(np.isfinite(lift), np.maximum(left, 0.0), 0.0)
    heavy = setup.cord_mass * setup.gravity / (setup.weight**2 * setup.slack_length)
    return setup.slack_length - 2 * left / (setup.weight * (1 + np.sqrt(1 + heavy * left)))


def fall_time(setup: DropSetup, depth: Array) -> Array:
    """Time from release to `depth` [m] below the tie point, at most the slack length [s].

    ∫ dy/v with y = y₀ + h s², which takes out the square root with which the speed starts: 12 Gauss–Legendre nodes.
    """
    h = np.asarray(depth - setup.release_depth)
    s = (_NODES + 1).reshape(-1, *([1] * np.ndim(fall_speed(setup, depth)))) / 2
    return np.tensordot(_WEIGHTS / 2, 2 * h * s / fall_speed(setup, setup.release_depth + h * s**2), axes=1)


def fall_to_slack(setup: DropSetup, n: int) -> tuple[Array, Array, Array]:
    """Time from release [s], depth [m] and speed [m/s] at n points of one fall, from release to the end of slack."""
    depth = setup.release_depth + (setup.slack_length - setup.release_depth) * np.linspace(0, 1, n) ** 2
    time = np.append(0.0, fall_time(setup, depth[1:]))  # the quadrature would divide 0 by 0 at the release
    return time, depth, fall_speed(setup, depth)


def folded_cord(setup: DropSetup, depth: Array, speed: Array) -> tuple[Array, Array, Array]:
    """Acceleration of the mass downwards [m/s²] and loads at the tie point and at the lower end [N], the cord folded.

    At the tie point hangs the resting side of the fold, m g (L + y)/(2L), with the pull of the fold, m v²/(4L). At the
    lower end acts what pulls the mass faster than gravity, M (a − g) + c v|v|.
    """
    pull, air = setup.cord_mass * speed**2 / (4 * setup.slack_length), setup.drag * speed * np.abs(speed)
    faster = (pull - air) / setup.folded_mass(depth)
    resting = setup.cord_mass * setup.gravity * (setup.slack_length + depth) / (2 * setup.slack_length)
    return setup.gravity + faster, resting + pull, setup.mass * faster + air


def loads_at_rest(setup: DropSetup) -> tuple[Array, Array]:
    """What of the folded cord hangs at the tie point and at the mass before the release, m g (L ± y₀)/(2L) [N]."""
    half, share = setup.cord_mass * setup.gravity / 2, setup.release_depth / setup.slack_length
    return half * (1 + share), half * (1 - share)

"""The chain of `waves`, compiled by numba: the same steps in an eighth of the time. What to read is `waves`.

Draws go side by side in `LANES`, and every innermost loop is over them, without branches, so that the compiler makes
vector instructions of it. Two flat arrays hold a block of draws, small enough for the processor's nearest cache:
`rods` what changes along the cord, element after element, `lane` one row for each number of a draw. The last place of
`rods` is the mass's lump. Numba keeps what it compiled beside this file and looks at changes of this file only:
constants of other modules therefore come in as numbers of the draws. A chord that changes in `secant` changes here too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

from cordlab.curves.models import Curve, MooneyRivlin, Polynomial, Yeoh
from cordlab.mechanics.secant import STILL as STILL_CHANGE
from cordlab.mechanics.setup import Array

if TYPE_CHECKING:
    from cordlab.mechanics.waves import Chain

LANES, NONE, ONE = np.uint64(16), np.uint64(0), np.uint64(1)  # unsigned: no look at indices below 0
MODELS: dict[type, int] = {MooneyRivlin: 0, Yeoh: 1, Polynomial: 2}
COEFFICIENTS = 3


def _rows(n: int) -> tuple[np.uint64, ...]:
    return tuple(LANES * np.uint64(i) for i in range(n))


# of an element, or of the lump at its upper end
RATIO, INVERSE, CHANGE, CHANGE_1, CHANGE_2, DAMPED, FACTOR, TENSION, SPEED, MOVE, FREE, ELEMENT = _rows(12)
# of a draw: what it is
(STEP, RATE, FALLS, MOBILITY, PER_MOBILITY, SPRING, LENGTH, PER_LENGTH, END_LUMP, MASS, GRAVITY, DRAG, COMPLIANCE,
 VISCOSITY, LIMIT, AFTER, SMOOTH, ROUGH, SHARE, DELAY, STILL, LEAST, C1, C2, C3) = _rows(25)  # fmt: skip
# where it is, and what is remembered of it
(TIME, DEPTH, SAG, TIE_SPEED, END_SPEED, MOVED, MOVED_1, LOWER, TIE, LOWEST, TIE_SAG, LOWEST_TIME, TOP_LOWER, TOP_TIE,
 TOP_LOWER_TIME, TOP_TIE_TIME, TOP_RATIO) = (np.uint64(25) * LANES + row for row in _rows(17))  # fmt: skip
# what the step under way needs
(OPEN, END, NEW_END, TIE_MOBILITY, END_MOBILITY, TIE_MOVE, TIE_TENSION, END_TENSION, ERROR, LEAST_RATIO, LEAST_TENSION,
 LEAST_TRIED, LEAST_PULL, BEFORE, FOUND, END_OF_ROWS) = (np.uint64(42) * LANES + row for row in _rows(16))  # fmt: skip
RESULTS = np.array([LOWEST, TIE_SAG, LOWEST_TIME, TOP_LOWER, TOP_TIE, TOP_LOWER_TIME, TOP_TIE_TIME, TOP_RATIO, OPEN])


def _compiled(signature: str) -> Callable[[Callable], Callable]:
    """Compiled when imported, or taken from the cache; compiled each time where there is no place for a cache."""
    options: dict[str, Any] = {"error_model": "numpy", "fastmath": {"contract", "nsz"}}

    def compiled(function: Callable) -> Callable:
        try:
            return njit(signature, cache=True, **options)(function)
        except RuntimeError as error:
            if "cannot cache" not in str(error):
                raise
            return njit(signature, **options)(function)

    return compiled


@njit(inline="always")
def _mooney_rivlin(start, inverse, taut, c1, c2, c3):
    """Chord, its derivative and the force at its end, as in `secant`; also of the two below."""
    r, s = 1.0 / taut, start + taut
    p = inverse * r
    part = p * c2
    outer = c1 - part * p
    slope = outer + 2.0 * (part * s + c1) * r * p
    return s * outer - 2.0 * c1 * p + 2.0 * c2, slope, 2.0 * (taut - r * r) * (c1 + c2 * r)


@njit(inline="always")
def _yeoh(start, inverse, taut, c1, c2, c3):
    r = 1.0 / taut
    p = 2.0 * inverse * r
    i, before = taut * taut + 2.0 * r - 3.0, start * start + 2.0 * inverse - 3.0
    s, rise, rate = i + before, start + taut - p, 2.0 * (taut - r * r)
    outer = (s * c3 + c2) * s - i * before * c3 + c1
    slope = (c2 + c3 * (s + i)) * rate * rise + (1.0 + p * r) * outer
    return rise * outer, slope, rate * (c1 + i * (2.0 * c2 + 3.0 * c3 * i))


@njit(inline="always")
def _polynomial(start, inverse, taut, p1, p2, p3):
    x, after = start - 1.0, taut - 1.0
    linear = x + after
    square, rate = after * linear + x * x, linear + after
    cube, cube_rate = after * square + x * x * x, square + after * rate
    mean = p1 / 2.0 * linear + p2 / 3.0 * square + p3 / 4.0 * cube
    return mean, p1 / 2.0 + p2 / 3.0 * rate + p3 / 4.0 * cube_rate, after * (p1 + after * (p2 + after * p3))


@_compiled("void(f8[::1], f8[::1], u8, f8[:, ::1], u8)")
def _load(rods, lane, elements, given, first):
    """A block of draws from `first` on, as their slack ends; places left over hold the first of them."""
    draws = np.uint64(given.shape[1])
    for k in range(LANES):
        draw = first + k if first + k < draws else first
        for row in range(np.uint64(given.shape[0])):
            lane[row * LANES + k] = given[row, draw]
        moved = lane[STEP + k] * lane[END_SPEED + k]
        lane[MOVED + k] = lane[MOVED_1 + k] = moved
        for i in range(elements + ONE):
            at = i * ELEMENT + k
            change = moved * lane[PER_LENGTH + k] if i + ONE == elements else 0.0
            speed = lane[END_SPEED + k] if i == elements else 0.0
            rods[at + RATIO] = rods[at + INVERSE] = 1.0
            rods[at + CHANGE] = rods[at + CHANGE_1] = rods[at + CHANGE_2] = change
            rods[at + DAMPED] = lane[VISCOSITY + k] if change > 0.0 else 0.0
            rods[at + SPEED] = speed
            rods[at + FREE] = speed * lane[STEP + k] + lane[FALLS + k]


@_compiled("void(f8[::1], f8[::1], u8)")
def _begin(rods, lane, elements):
    """What a step starts from, at both ends."""
    for k in range(LANES):
        step, compliance, speed = lane[STEP + k], lane[COMPLIANCE + k], rods[SPEED + k]
        rig = 2.0 * compliance * lane[END_LUMP + k] / (step * step) + 0.5
        pushed = lane[END_LUMP + k] * (2.0 * speed / step + lane[GRAVITY + k])
        lane[TIE_MOBILITY + k] = compliance / rig
        rods[FREE + k] = (compliance * pushed - lane[SAG + k]) / rig
        lane[TIE_SPEED + k], lane[END_SPEED + k] = speed, rods[elements * ELEMENT + SPEED + k]
        lane[END + k] = 2.0 * lane[MOVED + k] - lane[MOVED_1 + k]


@_compiled("void(f8[::1], f8[::1], u8, i8)")
def _eliminate(rods, lane, elements, model):
    """Down the cord: chords of the changes tried, and the tensions tied to those below."""
    for k in range(LANES):
        drag = lane[DRAG + k] * abs(lane[END + k])
        mass, step = lane[MASS + k], lane[STEP + k]
        over = 0.5 / (mass + drag)
        falling = mass * (2.0 * lane[END_SPEED + k] + lane[GRAVITY + k] * step) * step
        lane[END_MOBILITY + k] = step * step * over
        rods[elements * ELEMENT + FREE + k] = (falling + drag * lane[END + k]) * over
        lane[BEFORE + k] = 1.0 - lane[TIE_MOBILITY + k] * lane[PER_MOBILITY + k]
        lane[FOUND + k] = lane[LEAST_PULL + k] = 0.0
        lane[LEAST_TRIED + k] = 1.0
    for i in range(elements):
        at, below = i * ELEMENT, (i + ONE) * ELEMENT
        for k in range(LANES):
            old, change, inverse = rods[at + RATIO + k], rods[at + CHANGE + k], rods[at + INVERSE + k]
            new = old + change
            taut, start = max(new, 1.0), max(old, 1.0)
            c1, c2, c3 = lane[C1 + k], lane[C2 + k], lane[C3 + k]
            if model == 0:
                mean, slope, force = _mooney_rivlin(start, inverse, taut, c1, c2, c3)
            elif model == 1:
                mean, slope, force = _yeoh(start, inverse, taut, c1, c2, c3)
            else:
                mean, slope, force = _polynomial(start, inverse, taut, c1, c2, c3)
            tried, still = min(new, old), abs(change) < lane[STILL + k]
            mean_partly = 0.0 if still else mean * (taut - start) / change
            slope_partly = 0.0 if still else (force - mean_partly) / change
            mean = mean_partly if tried < 1.0 else mean
            slope = max(slope_partly if tried < 1.0 else slope, 0.0)
            force = mean + rods[at + DAMPED + k] * change
            pull = 0.0 if force < 0.0 else mean - slope * change  # a cord carries no compression
            stiffness = max(0.0 if force < 0.0 else slope + rods[at + DAMPED + k], lane[LEAST + k])
            lane[LEAST_PULL + k] = min(force, lane[LEAST_PULL + k])
            lane[LEAST_TRIED + k] = min(tried, lane[LEAST_TRIED + k])
            spring, apart = lane[SPRING + k], (rods[below + FREE + k] - rods[at + FREE + k]) * lane[PER_MOBILITY + k]
            over = 1.0 / (spring + stiffness * (2.0 - lane[BEFORE + k]))
            factor, found = stiffness * over, (stiffness * (apart + lane[FOUND + k]) + pull * spring) * over
            lane[BEFORE + k], lane[FOUND + k] = factor, found
            rods[at + FACTOR + k], rods[at + TENSION + k] = factor, found


@_compiled("void(f8[::1], f8[::1], u8)")
def _substitute(rods, lane, elements):
    """Up the cord the tensions, down the cord the moves; only draws still `OPEN` take them."""
    last, mass = (elements - ONE) * ELEMENT, elements * ELEMENT
    for k in range(LANES):
        end = lane[END_MOBILITY + k] * lane[PER_MOBILITY + k]
        tension = rods[last + TENSION + k] / (1.0 + rods[last + FACTOR + k] * (end - 1.0))
        rods[last + TENSION + k], rods[mass + TENSION + k] = tension, tension * (1.0 - end)
        lane[END_TENSION + k] = tension if lane[OPEN + k] > 0.0 else lane[END_TENSION + k]
        lane[NEW_END + k] = rods[mass + FREE + k] - lane[END_MOBILITY + k] * tension
        lane[ERROR + k] = abs(lane[NEW_END + k] - lane[END + k]) * lane[PER_LENGTH + k]
        lane[LEAST_TENSION + k] = tension
        lane[LEAST_RATIO + k] = 1.0
    for i in range(elements - ONE):
        below = (elements - ONE - i) * ELEMENT
        at = below - ELEMENT
        for k in range(LANES):
            tension = rods[at + TENSION + k] + rods[at + FACTOR + k] * rods[below + TENSION + k]
            rods[at + TENSION + k] = tension
            lane[LEAST_TENSION + k] = min(tension, lane[LEAST_TENSION + k])
    for k in range(LANES):
        move = rods[FREE + k] + lane[TIE_MOBILITY + k] * rods[TENSION + k]
        rods[MOVE + k] = move
        lane[TIE_MOVE + k] = move if lane[OPEN + k] > 0.0 else lane[TIE_MOVE + k]
        lane[TIE_TENSION + k] = rods[TENSION + k] if lane[OPEN + k] > 0.0 else lane[TIE_TENSION + k]
    for i in range(elements):
        at, below = i * ELEMENT, (i + ONE) * ELEMENT
        for k in range(LANES):
            move = rods[below + FREE + k] + lane[MOBILITY + k] * (rods[below + TENSION + k] - rods[at + TENSION + k])
            change, tried = (move - rods[at + MOVE + k]) * lane[PER_LENGTH + k], rods[at + CHANGE + k]
            rods[below + MOVE + k] = move
            rods[at + CHANGE + k] = change if lane[OPEN + k] > 0.0 else tried
            lane[ERROR + k] = max(abs(change - tried), lane[ERROR + k])
            lane[LEAST_RATIO + k] = min(rods[at + RATIO + k] + change, lane[LEAST_RATIO + k])


@_compiled("void(f8[::1], f8[::1], u8, i8, u8, b1[::1])")
def _settle(rods, lane, elements, model, most, done):
    """Newton's method for a step; draws that it does not settle stay `OPEN`."""
    left = LANES
    for k in range(LANES):
        lane[OPEN + k] = 0.0 if done[k] else 1.0
        left -= ONE if done[k] else NONE
    for _ in range(most):
        _eliminate(rods, lane, elements, model)
        _substitute(rods, lane, elements)
        for k in range(LANES):
            least = min(lane[LEAST_RATIO + k], lane[LEAST_TRIED + k])
            smooth = least >= 1.0 and lane[LEAST_TENSION + k] >= 0.0 and lane[LEAST_PULL + k] >= 0.0
            allowed = lane[SMOOTH + k] if smooth else lane[ROUGH + k]
            if lane[OPEN + k] > 0.0:
                if lane[ERROR + k] < allowed and np.isfinite(lane[NEW_END + k]):
                    lane[OPEN + k] = 0.0
                    left -= ONE
                lane[END + k] = lane[NEW_END + k]
        if left == NONE:
            break


@_compiled("void(f8[::1], f8[::1], u8)")
def _accept(rods, lane, elements):
    """Take the step: speeds, stretch ratios, and how they would go on by a parabola."""
    for k in range(LANES):
        rods[MOVE + k] = lane[TIE_MOVE + k]
    for i in range(elements):
        at, below = i * ELEMENT, (i + ONE) * ELEMENT
        for k in range(LANES):
            change, before, move = rods[at + CHANGE + k], rods[at + CHANGE_1 + k], rods[at + MOVE + k]
            speed, ratio = move * lane[RATE + k] - rods[at + SPEED + k], rods[at + RATIO + k] + change
            following = 3.0 * (change - before) + rods[at + CHANGE_2 + k]
            rods[below + MOVE + k] = move + change * lane[LENGTH + k]
            rods[at + SPEED + k], rods[at + FREE + k] = speed, speed * lane[STEP + k] + lane[FALLS + k]
            rods[at + RATIO + k], rods[at + INVERSE + k] = ratio, min(1.0 / ratio, 1.0)
            rods[at + CHANGE_2 + k], rods[at + CHANGE_1 + k], rods[at + CHANGE + k] = before, change, following
            rods[at + DAMPED + k] = lane[VISCOSITY + k] if ratio + following / 2.0 > 1.0 else 0.0
            lane[TOP_RATIO + k] = max(ratio, lane[TOP_RATIO + k])
    mass = elements * ELEMENT
    for k in range(LANES):
        rods[mass + SPEED + k] = rods[mass + MOVE + k] * lane[RATE + k] - rods[mass + SPEED + k]


@_compiled("void(f8[::1], f8[::1], u8)")
def _read(rods, lane, elements):
    """After a step: places and time, the lowest point, the greatest loads; as `_Peaks` of `waves`."""
    mass = elements * ELEMENT
    for k in range(LANES):
        step, lump, gravity = lane[STEP + k], lane[END_LUMP + k], lane[GRAVITY + k]
        speed, new_speed, depth = lane[END_SPEED + k], rods[mass + SPEED + k], lane[DEPTH + k]
        time, sag = lane[TIME + k] + step, lane[SAG + k] + rods[MOVE + k]
        lane[TIME + k], lane[SAG + k], lane[DEPTH + k] = time, sag, depth + rods[mass + MOVE + k]
        lane[MOVED_1 + k], lane[MOVED + k] = lane[MOVED + k], rods[mass + MOVE + k]
        share = speed / (speed - new_speed)
        turn = depth + share * speed * step / 2.0
        deeper = (speed > 0.0) & (new_speed <= 0.0) & (turn > lane[LOWEST + k])
        lane[TIE_SAG + k] = sag if deeper else lane[TIE_SAG + k]
        lane[LOWEST_TIME + k] = time - (1.0 - share) * step if deeper else lane[LOWEST_TIME + k]
        lane[LOWEST + k] = turn if deeper else lane[LOWEST + k]
        lower = max(lane[END_TENSION + k], 0.0) - lump * (gravity - (new_speed - speed) / step)
        tie = max(lane[TIE_TENSION + k], 0.0) + lump * (gravity - (rods[SPEED + k] - lane[TIE_SPEED + k]) / step)
        lower = lane[LOWER + k] + lane[SHARE + k] * (lower - lane[LOWER + k])
        tie = lane[TIE + k] + lane[SHARE + k] * (tie - lane[TIE + k])
        when = time - lane[DELAY + k]
        lane[TOP_LOWER_TIME + k] = when if lower > lane[TOP_LOWER + k] else lane[TOP_LOWER_TIME + k]
        lane[TOP_TIE_TIME + k] = when if tie > lane[TOP_TIE + k] else lane[TOP_TIE_TIME + k]
        lane[TOP_LOWER + k], lane[TOP_TIE + k] = max(lower, lane[TOP_LOWER + k]), max(tie, lane[TOP_TIE + k])
        lane[LOWER + k], lane[TIE + k] = lower, tie


@_compiled("void(f8[:, ::1], u8, i8, u8, u8, f8[:, ::1])")
def _follow(given, elements, model, iterations, steps, results):
    """Blocks of draws, each to its end; the rows `RESULTS` of each."""
    rods, lane, done = np.zeros((elements + ONE) * ELEMENT), np.zeros(END_OF_ROWS), np.zeros(LANES, np.bool_)
    draws = np.uint64(given.shape[1])
    for first in range(NONE, draws, LANES):
        _load(rods, lane, elements, given, first)
        left = min(LANES, draws - first)
        for k in range(LANES):
            done[k] = k >= left
        for _ in range(steps):
            if left == NONE:
                break
            _begin(rods, lane, elements)
            _settle(rods, lane, elements, model, iterations, done)
            _accept(rods, lane, elements)
            _read(rods, lane, elements)
            for k in range(LANES):
                ended = lane[OPEN + k] > 0.0 or lane[TOP_RATIO + k] > lane[LIMIT + k]
                if not done[k] and (ended or lane[TIME + k] > lane[LOWEST_TIME + k] + lane[AFTER + k]):
                    for row in range(np.uint64(RESULTS.size)):
                        results[row, first + k] = lane[RESULTS[row] + k]
                    done[k] = True
                    left -= ONE


def covers(curve: Curve) -> bool:
    """Whether the curve's chords are known here."""
    return type(curve.model) in MODELS and len(curve.model.values(curve.parameters)) <= COEFFICIENTS


def follow(
    chain: Chain, *, after: Array, smoothing: float, converged: float, least: float, iterations: int, steps: int
) -> dict[str, Array]:
    """All draws of a chain that has not moved yet, each until `after` [s] its lowest point, in at most so many steps.

    Gives what `_Peaks` of `waves` remembers of each, and sets the chain's `lost`. The numbers are the rules of `waves`.
    """
    setup, curve, step = chain.setup, chain.curve, chain.step_time
    elements, n = chain.ratio.shape
    values = [curve.scale * np.asarray(value, dtype=float) for value in curve.model.values(curve.parameters)]
    given_rows = {
        STEP: step, RATE: 2 / step, FALLS: setup.gravity * step**2 / 2,
        MOBILITY: chain.mobility, PER_MOBILITY: 1 / chain.mobility, SPRING: chain.length / chain.mobility,
        LENGTH: chain.length, PER_LENGTH: 1 / chain.length, END_LUMP: chain.end_lump, MASS: chain.lump[-1],
        GRAVITY: setup.gravity, DRAG: setup.drag, COMPLIANCE: setup.compliance, VISCOSITY: chain.viscosity / step,
        LIMIT: chain.limit, AFTER: after, SMOOTH: chain.secant.quadratic, ROUGH: converged / chain.length,
        SHARE: -np.expm1(-step / smoothing), DELAY: step / 2 + smoothing, STILL: STILL_CHANGE, LEAST: least,
        **dict(zip((C1, C2, C3), values, strict=False)),
        TIME: chain.time, DEPTH: chain.position[-1], END_SPEED: chain.speed[-1], LOWEST_TIME: np.inf, TOP_RATIO: 1.0,
    }  # fmt: skip
    given = np.zeros((int(OPEN // LANES), n))
    for row, value in given_rows.items():
        given[int(row // LANES)] = value
    alike = np.argsort(np.broadcast_to(setup.mass / setup.cord_mass, n))  # in steps to the end, so that no lane waits
    ends, found = np.ones((RESULTS.size, n)), np.empty((RESULTS.size, n))
    counts = [np.uint64(count) for count in (elements, iterations, steps)]
    _follow(np.take(given, alike, axis=1), counts[0], MODELS[type(curve.model)], *counts[1:], ends)
    found[:, alike] = ends
    chain.lost = found[8] > 0
    return {
        "lowest": found[0], "tie_sag": found[1], "time": found[2], "greatest": found[3:5], "load_time": found[5:7],
        "ratio": found[7],
    }  # fmt: skip

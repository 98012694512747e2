"""When a mass was let go and when the slack ended, from the distance or, without one, from the load alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np
from scipy.optimize import OptimizeResult, least_squares

from cordlab.mechanics.setup import DropSetup
from cordlab.records.motion import Fall, Release, folded_fall, quiet_load
from cordlab.records.prepare import Prepared, RecordError, noise
from cordlab.units import Measured

QUIET = 0.2  # s, the least time at rest before release
NOTHING: Mapping[str, Measured] = {}


def find_release(setup: DropSetup, record: Prepared, cell: str, marks: Mapping[str, Measured] = NOTHING) -> Release:
    """Release and end of slack, from the distance where there is one, else from the load.

    marks : "release", "slack_end" → when, set by hand  [s]. With one of them the other stays where the record has it,
        or without a distance, the fall's own duration from it.
    Raises RecordError where a sensor has the wrong sign, where there is no fall, or no time at rest before it.
    """
    time, load, distance = record.time, record.load, record.distance
    rise = load - np.median(load[_start(time)])
    if -rise.min() > rise.max():
        raise RecordError(
            f"the load falls by {-rise.min():.0f} N where it should rise: the force sensor's sign is flipped; "
            "swap its leads or the sign in its calibration"
        )
    fall = folded_fall(setup, cell)
    grain, span = noise(record.raw_load), float(np.ptp(np.append(fall.load, quiet_load(setup, cell))))
    visible = span > max(8 * grain, 0.005 * rise.max())  # the change of the load from rest to the end of the fall
    if marks:
        began, clock, u_time, slack_end = _marked(setup, record, fall.duration, marks)
    elif distance is not None:
        began, clock, u_time = _from_distance(time, distance, setup)
        slack_end = began + clock * fall.duration
    else:
        if visible:
            began, clock, u_time = _from_pattern(setup, time, load, _first_guess(time, rise, fall, cell), cell)
        else:
            onset, u_time = _onset(time, rise, grain)
            began, clock = onset - fall.duration, 1.0
        slack_end = began + fall.duration
    _check_quiet(time, load, began, rise.max())
    step = _step(time, rise, slack_end, 0.25 * fall.duration, cell) if visible else None
    if step is not None and step.size < max(6 * grain, 0.2 * span):
        step = None
    contrast = _contrast(setup, time, rise, cell, began, free=distance is None) if visible else np.inf
    return Release(began, u_time, clock, slack_end, step.time if step else None, contrast)


def _marked(
    setup: DropSetup, record: Prepared, duration: float, marks: Mapping[str, Measured]
) -> tuple[float, float, float, float]:
    """Release time, clock, uncertainty of the release and end of slack, from the events that were set by hand."""
    ends = {name: marks[name].value for name in ("release", "slack_end") if name in marks}
    if len(ends) < 2 and record.distance is not None:
        began, clock, _ = _from_distance(record.time, record.distance, setup)
        ends = {"release": began, "slack_end": began + clock * duration} | ends
    elif "release" in ends:
        ends.setdefault("slack_end", ends["release"] + duration)
    else:
        ends.setdefault("release", ends["slack_end"] - duration)
    began, slack_end = ends["release"], ends["slack_end"]
    if not record.time[0] < began < slack_end < record.time[-1]:
        raise RecordError(
            f"the release at {began:.3f} s and the end of slack at {slack_end:.3f} s, one of them marked by hand, do "
            f"not come in this order inside the record, {record.time[0]:.3f} to {record.time[-1]:.3f} s; mark both"
        )
    return began, (slack_end - began) / duration, max(mark.u for mark in marks.values()), slack_end


def _start(time: np.ndarray) -> slice:
    """The samples that are taken at rest before it is known when the mass is let go."""
    return slice(0, max(round(QUIET / 2 / (time[1] - time[0])), 3))


def _from_distance(time: np.ndarray, distance: np.ndarray, setup: DropSetup) -> tuple[float, float, float]:
    """Release time and clock from a straight line of the record's time on the fall's own time to each depth.

    Weighted by speed squared, since noise of the distance counts as time by noise over speed.
    """
    quiet = distance[_start(time)]
    rest = float(np.median(quiet))
    length = float(setup.slack_length - setup.release_depth)
    if np.std(quiet) > 0.05 * length:
        raise RecordError(
            f"the distance scatters by {np.std(quiet):.2f} m before the release: the sensor has no target"
        )
    if rest - distance.min() > max(0.5 * length, distance.max() - rest):
        raise RecordError(
            f"the distance falls by {rest - distance.min():.2f} m where it should grow: "
            "it counts down from the tie point; turn the sign in its calibration"
        )
    if distance.max() - rest < length:
        raise RecordError(
            f"the mass moves {distance.max() - rest:.2f} m and never gets to the slack length, {length:.2f} m below "
            "the release point: the record stops too early, or the distance or the slack length has another unit"
        )
    first, last = (int(np.argmax(distance > rest + share * length)) for share in (0.05, 0.95))
    if last - first < 5:
        raise RecordError(
            f"only {last - first} samples of the distance show the fall: the sensor lost its target, or takes fewer "
            "than 200 samples a second"
        )
    # the depth at rest is what this sensor says of the release point: its own zero cancels
    fall = folded_fall(setup, "top")
    own = fall.time_at(distance[first:last] - rest + float(setup.release_depth))
    (clock, began), covariance = np.polyfit(own, time[first:last], 1, w=np.maximum(own, 1e-9), cov=True)
    scatter = float(np.std(time[first:last] - began - clock * own))
    if scatter > 0.1 * fall.duration:
        raise RecordError(
            f"the distance is no fall: it scatters by {scatter:.2f} s about one; look at the distance sensor"
        )
    return float(began), float(clock), float(np.sqrt(covariance[1, 1]))


def _first_guess(time: np.ndarray, rise: np.ndarray, fall: Fall, cell: str) -> float:
    """Release time from the step in the load as the slack ends, looked for before the load has risen by a quarter."""
    risen = time[int(np.argmax(rise > 0.25 * rise.max()))]
    step = _step(time, rise, risen - 0.3 * fall.duration, 0.3 * fall.duration, cell)
    return (step.time if step else risen) - fall.duration


class _Step(NamedTuple):
    time: float
    size: float


def _step(time: np.ndarray, load: np.ndarray, near: float, reach: float, cell: str) -> _Step | None:
    """The sharpest step of the load within `reach` of a time: down at the tie point, either way at the lower end."""
    k = max(round(0.01 / (time[1] - time[0])), 1)
    total = np.concatenate([[0.0], np.cumsum(load)])
    after = (total[2 * k :] - 2 * total[k:-k] + total[: -2 * k]) / k  # mean of k samples less the k before
    at = (time[k - 1 : time.size - k] + time[k : time.size - k + 1]) / 2
    inside = np.abs(at - near) <= reach
    if not inside.any():
        return None
    change = -after[inside] if cell == "top" else np.abs(after[inside])
    best = int(np.argmax(change))
    return _Step(float(at[inside][best]), float(change[best]))


def _misfit(setup: DropSetup, time: np.ndarray, load: np.ndarray, cell: str, guess: float) -> Callable:
    """Residuals of the load about the pattern of rest and fall, as a function of two unknowns near 1.

    The first is 1 for a release at the guessed time and moves it by a duration of the fall for each unit; the second is
    the clock. The residuals' mean, the zero of the cell, is taken out.
    """
    fall, rest = folded_fall(setup, cell), quiet_load(setup, cell)
    duration = fall.duration
    window = (time > guess - 0.15 * duration) & (time < guess + 0.85 * duration)
    every = max(np.count_nonzero(window) // 2000, 1)
    t, y = time[window][::every], load[window][::every]

    def residual(unknown: np.ndarray) -> np.ndarray:
        own = (t - guess - (unknown[0] - 1) * duration) / unknown[1]
        pattern = np.where(own < 0, rest, np.interp(own, fall.time, fall.load))
        return (y - pattern) - np.mean(y - pattern)

    return residual


def _at_pattern(
    setup: DropSetup, time: np.ndarray, load: np.ndarray, guess: float, cell: str
) -> tuple[Callable, OptimizeResult]:
    """Residuals of rest and fall as `_misfit` gives them, and the fit of the release alone, the clock being right."""
    duration = folded_fall(setup, cell).duration
    if guess + 0.3 * duration < time[0]:
        raise RecordError("the record begins after the release; start it at least a second before")
    residual = _misfit(setup, time, load, cell, guess)
    if np.ptp(residual(np.ones(2))) == 0 or residual(np.ones(2)).size < 20:
        raise RecordError(f"the load shows no fall before {guess + duration:.2f} s, where it begins to rise")
    tries = np.linspace(0.9, 1.1, 41)
    best = tries[int(np.argmin([np.sum(residual(np.array([t, 1.0])) ** 2) for t in tries]))]
    return residual, least_squares(lambda u: residual(np.array([u[0], 1.0])), [best], diff_step=1e-6)


def _from_pattern(
    setup: DropSetup, time: np.ndarray, load: np.ndarray, guess: float, cell: str
) -> tuple[float, float, float]:
    """Release time and clock by matching rest and fall in the load at the cell; the zero of the cell is left free."""
    duration = folded_fall(setup, cell).duration
    residual, alone = _at_pattern(setup, time, load, guess, cell)
    both = least_squares(residual, [alone.x[0], 1.0], diff_step=1e-6, bounds=([-np.inf, 0.5], [np.inf, 2.0]))
    # filtered noise hangs together over some samples, and two misfits in a row are no more than one
    left = alone.fun
    r = float(np.clip(left[1:] @ left[:-1] / max(left @ left, 1e-300), 0.0, 0.98))
    steepness = float(alone.jac[:, 0] @ alone.jac[:, 0])
    if steepness == 0:
        raise RecordError(f"the load shows no release near {guess:.2f} s: it does not change as the fall would have it")
    u = np.sqrt(left.var() * (1 + r) / (1 - r) / steepness)
    return float(guess + (alone.x[0] - 1) * duration), float(both.x[1]), float(u * duration)


def _contrast(setup: DropSetup, time: np.ndarray, rise: np.ndarray, cell: str, began: float, *, free: bool) -> float:
    """RMS misfit of the other end's pattern over that of the cell's own; `free`: the other at its own best release."""
    other, at = "bottom" if cell == "top" else "top", began
    if free:
        fall = folded_fall(setup, other)
        guess = _first_guess(time, rise, fall, other)
        at = guess + (_at_pattern(setup, time, rise, guess, other)[1].x[0] - 1) * fall.duration
    there, here = (np.std(_misfit(setup, time, rise, *end)(np.ones(2))) for end in ((other, at), (cell, began)))
    return float(there / here)


def _onset(time: np.ndarray, rise: np.ndarray, grain: float) -> tuple[float, float]:
    """When a cord without visible weight begins to pull: the first straight rise of the load, taken back to nothing."""
    low, high = (int(np.argmax(rise > level)) for level in (max(0.015 * rise.max(), 6 * grain), 0.06 * rise.max()))
    pulled = slice(max(low - 1, 0), max(high, low + 3))
    slope, at_zero = np.polyfit(rise[pulled], time[pulled], 1)
    return float(at_zero), float(np.hypot(slope * grain, (time[1] - time[0]) / np.sqrt(12)))


def _check_quiet(time: np.ndarray, load: np.ndarray, began: float, rise: float) -> None:
    if began - time[0] < QUIET:
        raise RecordError(
            f"no quiet time before release: the mass is let go {max(began - time[0], 0):.2f} s "
            f"after the record begins; the zero of the cell needs at least {QUIET} s; start the record a second before"
        )
    quiet = load[time < began - 0.05]
    if np.std(quiet) > 0.02 * rise:
        raise RecordError(
            f"no quiet time before release: the load moves by {np.std(quiet):.1f} N (standard deviation) before the "
            f"mass is let go at {began:.2f} s; wait until it hangs still"
        )

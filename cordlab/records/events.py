"""When a mass was released and when the slack ended, from the distance or, without one, from the load alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.optimize import OptimizeResult, least_squares

from cordlab.records.motion import AT_ONCE, Fall, Release, crossing, folded_fall
from cordlab.records.prepare import DRIFT, Prepared, RecordError, inflation, noise
from cordlab.units import Measured

QUIET = 0.2  # s, the least time at rest before release
HUM_STEP = 1.5  # of the sharpest step at rest, that the end of slack has at least; our choice
FOLD_TIME = 0.08  # of the fall's duration, before and after its end: where the pull of a fold that stretches can end
ELASTIC_SCALE = 0.03  # what a cord that stretches does to the time scale by the load; `tests.coverage elastic_fold`
NO_MARKS: Mapping[str, Measured] = {}


class _Start(NamedTuple):
    """Release time [s], the record's time over the time that the fall takes, and the standard uncertainty of each."""

    time: float
    u_time: float
    time_scale: float
    u_time_scale: float = 0.0


class _LoadStep(NamedTuple):
    time: float
    size: float


def find_release(fall: Fall, record: Prepared, marks: Mapping[str, Measured] = NO_MARKS) -> Release:
    """Release and end of slack, from the distance where there is one, else from the load.

    marks : "release", "slack_end" → when, set by hand  [s]. With one of them the other stays where the record has it,
        or without a distance, the fall's duration from it.
    Raises RecordError where a sensor has the wrong sign, where there is no fall, or no time at rest before it.
    """
    time, load, distance = record.time, record.load, record.distance
    rise = load - np.median(load[_at_rest(time)])
    if -rise.min() > rise.max():
        raise RecordError(
            f"the load falls by {-rise.min():.0f} N where it should rise: the force sensor's sign is flipped; "
            "swap its leads or the sign in its calibration"
        )
    load_noise = noise(record.raw_load)
    if distance is None:  # hum, which is no white noise, must not be taken for a release
        load_noise = max(load_noise, float(np.std(record.raw_load[_at_rest(time)])))
    visible = fall.load_span > max(8 * load_noise, 0.005 * rise.max())
    at_rest = _sharpest_step(time, rise, time[0], QUIET, "bottom")  # hum, the more so where a lag is taken off
    least_step = max(6 * load_noise, 0.2 * fall.load_span, HUM_STEP * at_rest.size if at_rest else 0.0)
    if marks:
        start = _marked(fall, record, marks)
    elif distance is not None:
        start = _from_distance(time, distance, fall)
    elif visible:
        guess, step = _first_guess(fall, time, rise)
        start = _from_pattern(fall, time, load, guess, step if step >= least_step else 0.0, load_noise)
    else:
        start = _from_onset(fall, time, rise, load_noise)
    _check_quiet(time, load, start.time, rise.max())
    # without a distance the time scale is a finding about the record, and the fall's duration is kept
    scale = start.time_scale if marks or distance is not None else 1.0
    slack_end = start.time + scale * fall.duration
    load_step = None
    if visible:
        where = ((FOLD_TIME, least_step), (0.25, max(least_step, 0.5 * fall.load_span)))
        steps = (_sharpest_step(time, rise, slack_end, share * fall.duration, fall.cell) for share, _ in where)
        load_step = next((s.time for s, (_, least) in zip(steps, where, strict=True) if s and s.size >= least), None)
    release = Release(fall, *start, slack_end, load_step, bool(visible))
    if distance is None or (release.rigid and load_step is not None):
        return release
    return replace(release, u_time_scale=fall.u_elastic / fall.duration)


def _check_quiet(time: np.ndarray, load: np.ndarray, release: float, rise: float) -> None:
    if release - time[0] < QUIET:
        raise RecordError(
            f"no quiet time before release: the mass is let go {max(release - time[0], 0):.2f} s "
            f"after the record begins; the zero of the cell needs at least {QUIET} s; start the record a second before"
        )
    scatter = np.std(load[time < release - 0.05])
    if scatter > 0.02 * rise:
        raise RecordError(
            f"no quiet time before release: the load moves by {scatter:.1f} N (standard deviation) before the "
            f"mass is let go at {release:.2f} s; wait until it hangs still"
        )


def _at_rest(time: np.ndarray) -> slice:
    """The samples that are taken at rest before the release is known."""
    return slice(0, max(round(QUIET / 2 / (time[1] - time[0])), 3))


def _marked(fall: Fall, record: Prepared, marks: Mapping[str, Measured]) -> _Start:
    """The start with one or both of its events set by hand."""
    ends = {name: mark.value for name, mark in marks.items()}
    if len(ends) < 2 and record.distance is not None:
        seen = _from_distance(record.time, record.distance, fall)
        ends = {"release": seen.time, "slack_end": seen.time + seen.time_scale * fall.duration} | ends
    release = ends["release"] if "release" in ends else ends["slack_end"] - fall.duration
    slack_end = ends.get("slack_end", release + fall.duration)
    if not record.time[0] < release < slack_end < record.time[-1]:
        raise RecordError(
            f"the release at {release:.3f} s and the end of slack at {slack_end:.3f} s, one of them marked by hand, do "
            f"not come in this order inside the record, {record.time[0]:.3f} to {record.time[-1]:.3f} s; mark both"
        )
    return _Start(release, max(mark.u for mark in marks.values()), (slack_end - release) / fall.duration)


def _from_distance(time: np.ndarray, distance: np.ndarray, fall: Fall) -> _Start:
    """By a straight line of the record's time on the fall's time to each depth.

    Weighted by speed squared, since noise of the distance counts as time by noise over speed.
    """
    quiet = distance[_at_rest(time)]
    rest = float(np.median(quiet))
    down, up = distance.max() - rest, rest - distance.min()
    length = float(fall.setup.slack_length - fall.setup.release_depth)
    if np.std(quiet) > 0.05 * length:
        raise RecordError(
            f"the distance scatters by {np.std(quiet):.2f} m before the release: the sensor has no target"
        )
    if up > max(0.5 * length, down):
        raise RecordError(
            f"the distance falls by {up:.2f} m where it should grow: "
            "it counts down from the tie point; turn the sign in its calibration"
        )
    if down < length:
        raise RecordError(
            f"the mass moves {down:.2f} m and never gets to the slack length, {length:.2f} m below "
            "the release point: the record stops too early, or the distance or the slack length has another unit"
        )
    first, last = (int(np.argmax(distance > rest + share * length)) for share in (0.05, 0.95))
    if last - first < 5:
        raise RecordError(
            f"only {last - first} samples of the distance show the fall: the sensor lost its target, or takes fewer "
            "than 200 samples a second"
        )
    # the depth at rest is what this sensor says of the release point: its zero cancels
    fall_time = fall.time_at(distance[first:last] - rest + float(fall.setup.release_depth))
    weights = np.maximum(fall_time, 1e-9)
    (scale, release), covariance = np.polyfit(fall_time, time[first:last], 1, w=weights, cov=True)
    scatter = float(np.std(time[first:last] - release - scale * fall_time))
    if scatter > 0.1 * fall.duration:
        raise RecordError(
            f"the distance is no fall: it scatters by {scatter:.2f} s about one; look at the distance sensor"
        )
    return _Start(float(release), float(np.sqrt(covariance[1, 1])), float(scale))


def _first_guess(fall: Fall, time: np.ndarray, rise: np.ndarray) -> tuple[float, float]:
    """Release time from the step in the load as the slack ends, looked for before the load has risen by a quarter.

    And the size of that step, 0 where there is none.
    """
    risen = time[int(np.argmax(rise > 0.25 * rise.max()))]
    step = _sharpest_step(time, rise, risen - 0.3 * fall.duration, 0.3 * fall.duration, fall.cell)
    return (risen if step is None else step.time) - fall.duration, 0.0 if step is None else step.size


def _sharpest_step(time: np.ndarray, load: np.ndarray, near: float, reach: float, cell: str) -> _LoadStep | None:
    """The sharpest step of the load within `reach` of a time: down at the tie point, either way at the lower end."""
    k = max(round(0.01 / (time[1] - time[0])), 1)
    total = np.concatenate([[0.0], np.cumsum(load)])
    change = (total[2 * k :] - 2 * total[k:-k] + total[: -2 * k]) / k  # mean of k samples less the k before
    at = (time[k - 1 : time.size - k] + time[k : time.size - k + 1]) / 2
    inside = np.abs(at - near) <= reach
    if not inside.any():
        return None
    size = -change[inside] if cell == "top" else np.abs(change[inside])
    sharpest = int(np.argmax(size))
    return _LoadStep(float(at[inside][sharpest]), float(size[sharpest]))


def _misfit(fall: Fall, time: np.ndarray, load: np.ndarray, guess: float) -> Callable[..., np.ndarray]:
    """Residuals of the load about the pattern of rest and fall, as a function of two unknowns near 1; zero and drift
    of the cell are free.

    The first moves the release from the guess, by a duration of the fall a unit; the second is the time-scale factor.
    """
    window = (time > guess - 0.15 * fall.duration) & (time < guess + 0.85 * fall.duration)
    every = max(np.count_nonzero(window) // 2000, 1)
    t, y = time[window][::every], load[window][::every]
    since = t - np.mean(t)

    def residual(shift: float, time_scale: float = 1.0) -> np.ndarray:
        fall_time = (t - guess - (shift - 1) * fall.duration) / time_scale
        pattern = np.where(fall_time < 0, fall.quiet_load, np.interp(fall_time, fall.time, fall.load))
        off = (y - pattern) - np.mean(y - pattern)
        return off - np.clip(off @ since / (since @ since), -DRIFT, DRIFT) * since

    return residual


def _fit_release(fall: Fall, time: np.ndarray, load: np.ndarray, guess: float) -> tuple[float, OptimizeResult]:
    """The release [s], and the fit of `_misfit` that gives it, with a time-scale factor of 1."""
    if guess + 0.3 * fall.duration < time[0]:
        raise RecordError("the record begins after the release; start it at least a second before")
    residual = _misfit(fall, time, load, guess)
    at_guess = residual(1.0)
    if np.ptp(at_guess) == 0 or at_guess.size < 20:
        raise RecordError(f"the load shows no fall before {guess + fall.duration:.2f} s, where it begins to rise")
    nearest = min(np.linspace(0.9, 1.1, 41), key=lambda shift: np.sum(residual(shift) ** 2))
    fit = least_squares(lambda unknown: residual(unknown[0]), [nearest], diff_step=1e-6)
    return float(guess + (fit.x[0] - 1) * fall.duration), fit


def _from_pattern(
    fall: Fall, time: np.ndarray, load: np.ndarray, guess: float, step: float, load_noise: float
) -> _Start:
    """By rest and fall in the load at the cell; by the step as the slack ends, from which `guess` is, where a rigid
    fold ends so: the pull at the tie point goes at once, or the load at the lower end rises when it is due.

    The step of a cord that stretches while it falls comes elsewhere, and its fall takes longer than a rigid fold's. The
    time scale is that of the fall up to there.

    step : its size [N], 0 where there is none to be trusted
    """
    release, fit = _fit_release(fall, time, load, guess)
    if not step:  # the guess may be far off, and with it the samples that are fitted
        guess = release
        release, fit = _fit_release(fall, time, load, guess)
    residual = _misfit(fall, time, load, guess)
    steepness = float(fit.jac[:, 0] @ fit.jac[:, 0])
    if steepness == 0:
        raise RecordError(f"the load shows no release near {guess:.2f} s: it does not change as the fall would have it")
    u = fall.duration * np.sqrt(fit.fun.var() * inflation(fit.fun) / steepness)
    if fall.cell == "bottom" and (let_go := _let_go(fall, time, load, guess, load_noise)):
        release, u = let_go
    all_of_it = fall.cell == "top" and step > 0.4 * fall.load_span
    by_step = step > 0 and (all_of_it or abs(release - guess) <= max(2 * u, AT_ONCE * fall.duration))
    if by_step:
        release, u = guess, time[1] - time[0]
    else:
        u = float(np.hypot(u, fall.u_elastic))
    end = 2 + (release - guess) / fall.duration  # of the fall, as a shift
    scaled = least_squares(
        lambda unknown: residual(end - unknown[0], unknown[0]), [1.0], diff_step=1e-6, bounds=([0.5], [2.0])
    )
    # by means over a tenth of a second, in which no hum is left
    count = max(round(0.1 / fall.duration * scaled.fun.size), 1)
    means = scaled.fun[: scaled.fun.size // count * count].reshape(-1, count).mean(axis=1)
    u_scale = np.sqrt(count * means.var() * inflation(means) / (scaled.jac[:, 0] @ scaled.jac[:, 0]))
    if not by_step:
        u_scale = np.hypot(u_scale, ELASTIC_SCALE)
    return _Start(float(release), float(u), float(scaled.x[0]), float(u_scale))


def _let_go(
    fall: Fall, time: np.ndarray, load: np.ndarray, guess: float, load_noise: float
) -> tuple[float, float] | None:
    """Release [s] and its standard uncertainty by a cell at the lower end, from which half the cord hangs until then.

    That load goes at once in a rigid fold, and in a straight line while a cord shrinks that its weight had stretched.
    """
    near = np.flatnonzero(np.abs(time - guess) < 0.3 * fall.duration)
    if fall.quiet_load < 8 * load_noise or not near.size:
        return None
    gone = np.median(load[_at_rest(time)]) - load[near]
    first, second = (time[near[int(np.argmax(gone > share * fall.quiet_load))]] for share in (0.25, 0.75))
    if not time[near[0]] < first <= second:
        return None
    u = np.linalg.norm([time[1] - time[0], (second - first) / 8, load_noise / fall.quiet_load * (second - first)])
    return float(first - (second - first) / 2), float(u)


def goodness_ratio(record: Prepared, release: Release) -> float:
    """RMS misfit with the cell at the other end over that with the cell where it is noted; infinite where the cord is
    too light to be seen. Without a distance the other end's pattern is compared at its best release.
    """
    if not release.visible:
        return np.inf
    fall, time, rise = release.fall, record.time, record.load - np.median(record.load[_at_rest(record.time)])
    other, other_release = folded_fall(fall.setup, "bottom" if fall.cell == "top" else "top"), release.time
    if record.distance is None:
        other_release, _ = _fit_release(other, time, rise, _first_guess(other, time, rise)[0])
    return float(
        np.std(_misfit(other, time, rise, other_release)(1.0)) / np.std(_misfit(fall, time, rise, release.time)(1.0))
    )


def _from_onset(fall: Fall, time: np.ndarray, rise: np.ndarray, load_noise: float) -> _Start:
    """For a cord without visible weight: the first straight rise of the load, taken back to nothing."""
    levels = max(0.015 * rise.max(), 6 * load_noise), 0.06 * rise.max()
    low, high = (int(np.argmax(rise > level)) for level in levels)
    pulled = slice(max(low - 1, 0), max(high, low + 3))
    slope, onset = np.polyfit(rise[pulled], time[pulled], 1)
    # a stretch wave, if there is one, comes to a cell at the tie point only after it has crossed the cord
    late = crossing(float(time[np.argmax(rise)] - onset), fall.setup)
    u = np.linalg.norm([slope * load_noise, (time[1] - time[0]) / np.sqrt(12), late / 2])
    return _Start(float(onset) - fall.duration, float(u), 1.0)

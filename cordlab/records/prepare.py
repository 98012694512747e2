"""A record before anything is known of the drop: even sampling, low-pass, noise, flat tops, local parabolas."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import signal

CFC60_DESIGN = 2.0775 * 60  # Hz; SAE J211-1, Appendix C: wd = 2π·CFC·2.0775
LEAST_RATE = 600.0  # Hz, six times the −3 dB frequency of the two passes together; SAE J211-1
MOST_GAPS = 3  # that are listed one by one
LONGEST_GAP = 0.1  # s, between release and lowest point
GAP = 5.0  # a step longer than this many sample periods is a gap
DRIFT = 1.0  # N/s of a cell's zero; common practice, no source
SHOULDER = 0.1  # s, longest part next to a flat top that is looked at


class RecordError(ValueError):
    """A record that is refused; the message says what is wrong, where, and what to try.

    Examples
    --------
    >>> import cordlab
    >>> cordlab.reduce_drop([0.0, 0.1, 0.2], [0.0, 0.0, 0.0], mass=68.0, slack_length=10.0)
    Traceback (most recent call last):
        ...
    cordlab.records.prepare.RecordError: 3 samples show no drop; at least 20, and better 1000 a second
    """


def even_steps(
    time: np.ndarray, channels: dict[str, np.ndarray]
) -> tuple[np.ndarray, dict[str, np.ndarray], list[tuple[float, float]]]:
    """Time and channels (n,) at even steps, by straight lines, and (start, end) [s] of each gap of the clock.

    Raises RecordError for lengths that differ, numbers that are not finite, too few samples, time that does not run on.
    """
    columns = {name: np.asarray(values, dtype=float) for name, values in {"time": time, **channels}.items()}
    time = columns["time"]
    lengths = {values.size for values in columns.values()}
    if time.ndim != 1 or len(lengths) > 1:
        raise RecordError(f"the columns have different lengths, {sorted(lengths)}: one row a sample")
    if time.size < 20:
        raise RecordError(f"{time.size} samples show no drop; at least 20, and better 1000 a second")
    for name, values in columns.items():
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            raise RecordError(f"{name} has {bad.size} values that are not numbers, the first in sample {bad[0] + 1}")
    steps = np.diff(time)
    if np.any(steps <= 0):
        back = int(np.argmax(steps <= 0))
        raise RecordError(
            f"time does not run on after {time[back]:.6g} s (sample {back + 1}); sort or repair the record"
        )
    step = float(np.median(steps))
    gaps = [(float(time[k]), float(time[k + 1])) for k in np.flatnonzero(steps > GAP * step)]
    even = time
    if np.ptp(steps) > 1e-3 * step:
        even = time[0] + step * np.arange(int((time[-1] - time[0]) / step * (1 + 1e-12)) + 1)
    return even, {name: np.interp(even, time, columns[name]) for name in channels}, gaps


@lru_cache(maxsize=64)
def cfc60(step: float) -> np.ndarray:
    """The filter's second-order section at a sampling interval [s]: a 2-pole Butterworth, SAE J211-1, Appendix C.

    Run forward and back it has no phase and −3 dB at 100 Hz.
    """
    return signal.butter(2, CFC60_DESIGN, fs=1 / step, output="sos")


def low_pass(values: np.ndarray, step: float, kind: str) -> np.ndarray:
    """(…, n) `values` at even steps [s] through CFC 60 forward and back, or as they are where `kind` is "off"."""
    if kind == "off":
        return values
    design = cfc60(float(f"{step:.12g}"))  # steps of one logger differ in the last digits
    return signal.sosfiltfilt(design, values, padlen=min(values.shape[-1] - 1, round(0.05 / step)))


def noise(values: np.ndarray) -> float:
    """Standard deviation of white noise on a smooth signal, by the median of its third differences."""
    with np.errstate(over="ignore", invalid="ignore"):  # a reading of 1e308 is refused by its range
        third = np.diff(values, 3)
    return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0))


def resolution(values: np.ndarray) -> float:
    """The smallest difference between values: the step of the converter or of the printed digits."""
    return float(np.diff(np.unique(values)).min(initial=np.inf)) if np.ptp(values) else 0.0


def flat_top(time: np.ndarray, values: np.ndarray) -> tuple[float, float] | None:
    """(from, to) [s] where a sensor stood at the end of its range; None where its top is a top.

    Equal greatest values in a row are a flat top where a parabola through both shoulders, which are short, rises above
    them by more than noise and converter steps explain.
    """
    top = values.max()
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (values == top).astype(np.int8), [0]))))
    start, end = max(edges.reshape(-1, 2).tolist(), key=lambda run: run[1] - run[0])
    reach = max(min(end - start, round(SHOULDER / (time[1] - time[0]))), 5)
    shoulders = np.r_[max(start - reach, 0) : start, end : min(end + reach, time.size)]
    if end - start < 3 or shoulders.size < 6:
        return None
    at, shoulder = time[shoulders], values[shoulders]
    middle, half = (time[start] + time[end - 1]) / 2, np.ptp(at) / 2
    crown = np.polynomial.Polynomial.fit(at - middle, shoulder, 2, domain=[-half, half])(0.0)
    explained = 5 * noise(shoulder) + 2 * resolution(shoulder)
    return (float(time[start]), float(time[end - 1])) if crown - top > explained else None


@dataclass(frozen=True)
class Vertex:
    """The top of a parabola through samples: where [s], how high, and the standard uncertainties of both."""

    at: float
    height: float
    u: float
    u_at: float


def vertex(time: np.ndarray, values: np.ndarray, near: float, half_width: float) -> Vertex:
    """The greatest value near a time, by a parabola through the samples within `half_width` [s], at least seven.

    Where noise hides the turn, twice and four times the width are tried. Raises RecordError where there is none.
    """
    step = time[1] - time[0]
    middle = round((near - time[0]) / step)
    for widen in (1, 2, 4):
        reach = max(round(widen * half_width / step), 3)
        window = slice(max(middle - reach, 0), middle + reach + 1)
        t, y = (time[window] - near) / (reach * step), values[window]
        if y.size < 6:
            continue
        (bend, slope, height), covariance = np.polyfit(t, y, 2, cov="unscaled")
        if bend < 0 and abs(slope) <= -2 * bend:
            break
    else:
        raise RecordError(
            f"no top near {near:.3f} s: the samples around it do not turn; look there for a jolt, a lost target or the "
            "record's end"
        )
    top = float(-slope / (2 * bend))
    residual = y - np.polyval([bend, slope, height], t)
    covariance *= residual @ residual / (y.size - 3) * inflation(residual)
    row = np.array([top * top, top, 1.0])
    u_at = np.sqrt(covariance[1, 1]) / (-2 * bend) * reach * step
    height += slope * top / 2
    return Vertex(near + top * reach * step, float(height), float(np.sqrt(row @ covariance @ row)), float(u_at))


def inflation(residual: np.ndarray) -> float:
    """How much a variance grows with the residuals' lag-one correlation r: (1 + r)/(1 − r), r from 0 to 0.98."""
    r = float(np.clip(residual[1:] @ residual[:-1] / max(residual @ residual, 1e-300), 0.0, 0.98))
    return (1 + r) / (1 - r)


@dataclass(frozen=True)
class Prepared:
    """A record at even steps, filtered, the zero of the cell still in it; `raw_load` and `raw_distance` unfiltered."""

    time: np.ndarray
    load: np.ndarray
    distance: np.ndarray | None
    raw_load: np.ndarray
    raw_distance: np.ndarray | None
    step: float
    filter: str
    gaps: list[tuple[float, float]]
    notes: tuple[str, ...]

    def zeroed(self, release: float, hung: float) -> tuple[Prepared, float, float]:
        """The record less its zero, the zero [N], and its standard uncertainty.

        The zero is the mean of the last two seconds at rest, less what is `hung` of the cord on the cell then [N].
        """
        rest = self.raw_load[(self.time < release - 0.05) & (self.time > release - 2.05)]
        zero, u_zero = float(rest.mean() - hung), float(rest.std(ddof=1) / np.sqrt(rest.size))
        return replace(self, load=self.load - zero, raw_load=self.raw_load - zero), zero, u_zero

    def check_gaps(self, release: float, lowest: float) -> None:
        """Raises RecordError where the clock misses the lowest point, or too much of the way to it."""
        for start, end in self.gaps:
            missed = f"a gap in time from {start:.3f} to {end:.3f} s ({(end - start) / self.step:.0f} sample periods)"
            if start < lowest + 0.25 and end > lowest - 0.25:
                raise RecordError(f"{missed} at the peak, near {lowest:.2f} s; the logger lost samples: drop again")
            if start < lowest and end > release and end - start > LONGEST_GAP:
                raise RecordError(f"{missed} between release and lowest point; the logger lost samples: drop again")


def prepare(time: np.ndarray, force: np.ndarray, distance: np.ndarray | None, kind: str) -> Prepared:
    """The record checked for its form, at even steps and filtered. Raises RecordError."""
    if kind not in ("cfc60", "off"):
        raise ValueError(f"filter '{kind}' is not known; choose 'cfc60' or 'off'")
    time, channels, gaps = even_steps(time, {"force": force} | ({} if distance is None else {"distance": distance}))
    step = float((time[-1] - time[0]) / (time.size - 1))
    for name, values in channels.items():
        if values.min() == values.max():
            raise RecordError(f"{name} stays at {values[0]:.6g} all along: the sensor was not connected")
        clipped = flat_top(time, values)
        if clipped:
            raise RecordError(
                f"{name} is clipped: it stands at {values.max():.6g} from {clipped[0]:.3f} to {clipped[1]:.3f} s, "
                "a flat top; choose a wider range on the sensor or the logger, and drop again"
            )
    used, rate, notes = kind, 1 / step, []
    if kind == "cfc60" and rate <= 2 * CFC60_DESIGN:
        used = "off"
        notes.append(f"not filtered: {rate:.0f} samples a second are too few for CFC 60")
    elif kind == "cfc60" and rate < LEAST_RATE * 0.999:
        notes.append(f"CFC 60 at {rate:.0f} samples a second, below the {LEAST_RATE:.0f} that it asks for")
    bridged = [
        f"a gap in time of {(end - start) / step:.0f} sample periods at {start:.3f} s, bridged by a line"
        for start, end in gaps
    ]
    if len(gaps) > MOST_GAPS:
        bridged = [f"{len(gaps)} gaps in time, each bridged by a line; the first: {bridged[0]}"]
    smooth = dict(zip(channels, low_pass(np.array([*channels.values()]), step, used), strict=True))
    raw_load, raw_distance = channels["force"], channels.get("distance")
    load, distance = smooth["force"], smooth.get("distance")
    return Prepared(time, load, distance, raw_load, raw_distance, step, used, gaps, (*notes, *bridged))

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
DRIFT = 1.0  # N/s of a cell's zero, allowed for before it is measured; common practice, no source
MOST_DRIFT = 10.0  # N/s: no load cell that works has more; common practice, no source
HUM = 0.1  # s, whole periods of 50 and of 60 Hz
FEWEST_MEANS = 4  # over `HUM` at rest, to see a drift in; our choice
MAINS_PERIOD = 0.02  # s, of 50 Hz: over which steps are told by means
LEVEL_MEAN = 0.004  # s, over which a level top is looked for
DEPTHS = np.arange(1, 8)  # of it, as powers of 1.5 times the noise of such means; our choice
FLANKS = (0.06, 0.02)  # s, longest parts on both sides of a level top that a parabola describes; our choice
CORNERS = 8.0  # F of a level top with corners against a quartic; our choice
SET_ANEW = 50.0  # F of a step in the load at rest: in sound records 1 in 10 000 has more; our choice
SHOULDER = 0.1  # s, longest part next to a flat top that is looked at
REPEATS = 4  # equal greatest values that chance may bring, in terms of the logger's shortest run; our choice


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
    levels = np.unique(np.round(values, 6))  # not the rounding of floating-point numbers
    return float(np.diff(levels).min()) if levels.size > 1 else 0.0


def running_mean(values: np.ndarray, count: int) -> np.ndarray:
    """Means of every `count` values in a row.  (n,) → (n − count + 1,)"""
    total = np.cumsum(np.append(0.0, values))
    return (total[count:] - total[:-count]) / count


def flat_top(time: np.ndarray, values: np.ndarray) -> tuple[float, float] | None:
    """(from, to) [s] where a sensor stood at the end of its range; None where its top is a top.

    A range that ends gives the same greatest value again and again: more often than steps and noise do on a top as
    round as the shoulders on both sides.
    """
    if (level := _level_top(time, values)) is not None:
        return level
    top = values.max()
    at = np.flatnonzero(values == top)
    groups = np.split(at, np.flatnonzero(np.diff(time[at]) > SHOULDER) + 1)  # noise parts the flat top of one peak
    group = max(groups, key=len)
    start, end = int(group[0]), int(group[-1]) + 1
    runs = np.diff(np.flatnonzero(np.diff(values, prepend=np.nan, append=np.nan) != 0))
    shortest = float(np.quantile(runs, 0.05))  # of a logger that is faster than its sensor, more than one
    if group.size <= REPEATS * shortest:
        return None
    step = float(np.median(np.diff(time)))
    reach = max(end - start, round(SHOULDER / step))
    before, after = max(start - reach, 0), min(end + reach, values.size) - 1
    scatter, read = noise(values[before:after]), resolution(values)
    bend = 2 * (top - np.mean(values[[before, after]])) / ((time[after] - time[before]) / 2) ** 2
    # how long a top as round as this stays so high [s]
    rounded = 2 * np.sqrt(2 * (read + 2 * scatter) / max(bend, 1e-12))
    share = min(1.0, read / max(2 * scatter, 1e-300))  # of the values there that are the greatest one
    explained = REPEATS * shortest + 1.15 * rounded / step * share
    return (float(time[start]), float(time[end - 1])) if group.size > explained else None


def _level_top(time: np.ndarray, values: np.ndarray) -> tuple[float, float] | None:
    """(from, to) [s] where a top is level under noise that came in after the sensor's end; None where it is round.

    Its longest part within some noise is level where one line and a parabola through both flanks describe it better
    than a quartic through all, by F, and the parabola passes well above the line: a round top has no such corners.
    """
    step, scatter, read = float(np.median(np.diff(time))), noise(values), resolution(values)
    if scatter <= read / 4:  # steps hide the noise: then a level top is of equal values
        return None
    count = max(round(LEVEL_MEAN / step), 1)
    means = running_mean(values - values.mean(), count)
    for depth in read / 2 + 1.5**DEPTHS * scatter / np.sqrt(count):
        under = np.concatenate([[-1], np.flatnonzero(means < means.max() - depth), [means.size]])
        longest = int(np.argmax(np.diff(under)))
        start, end = int(under[longest]) + 1, int(under[longest + 1]) + count - 1
        if np.std(values[start:end]) > 2 * scatter:
            break
        for width in FLANKS:
            flank = max(min((end - start) // 2, round(width / step)), 4)
            if end - start < 2 * flank or start < flank or end + flank > values.size:
                continue
            part, inside = values[start - flank : end + flank], slice(flank, -flank)
            at, outside = np.linspace(-1, 1, part.size), np.r_[:flank, -flank:0]
            quartic, parabola = np.polyfit(at, part, 4), np.polyfit(at[outside], part[outside], 2)
            off = part - np.polyval(parabola, at)
            off[inside] = part[inside] - part[inside].mean()
            rest, above = off @ off, np.polyval(parabola, at[inside]).max() - part[inside].mean()
            gain = np.sum((part - np.polyval(quartic, at)) ** 2) - rest
            if gain > CORNERS * rest / (part.size - 6) and above > 4 * scatter + 2 * read:
                return float(time[start]), float(time[end - 1])
    return None


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
class Zero:
    """What a cell reads without load at time `at` [N, s], its drift [N/s], and the standard uncertainties.

    step : of one reading, by the steps in which it is read [N];  anew : when the zero was set anew at rest [s]
    """

    value: float
    u: float
    drift: float
    u_drift: float
    at: float
    step: float
    anew: float | None = None

    @classmethod
    def of(cls, time: np.ndarray, load: np.ndarray, step: float) -> Zero:
        """By a straight line through means over `HUM` of the load at rest; what was before it was set anew is left out.

        What the rest does not tell of the drift lies within `MOST_DRIFT`, any of it as likely.
        """
        count = max(round(HUM / (time[1] - time[0])), 1)
        n = load.size // count
        part = load[load.size - n * count :].reshape(n, count)
        means = part.mean(axis=1)
        # means of noise over steps are finer than one
        dithered = n > 0 and np.median(np.ptp(part, axis=1)) > 2.5 * step
        unread = 0.0 if dithered else step / np.sqrt(12)
        if anew := _set_anew(means):
            kept = slice(load.size - (n - anew) * count, None)
            return replace(cls.of(time[kept], load[kept], step), anew=float(time[kept][0]))
        least = MOST_DRIFT / np.sqrt(3)
        u, drift, u_drift = float(load.std(ddof=1) / np.sqrt(max(n, 1))), 0.0, least
        if n >= FEWEST_MEANS:
            since = HUM * (np.arange(n) - (n - 1) / 2)
            slope, left = _line(since, means)
            variance = left / max(n - 4, 1)  # as Student's t has it
            u_slope = float(np.hypot(np.sqrt(variance / (since @ since)), np.sqrt(2) * unread / (n * HUM)))
            prior = least**2 / (least**2 + u_slope**2)
            u, drift, u_drift = float(np.sqrt(variance / n)), prior * slope, np.sqrt(prior) * u_slope
        return cls(float(load.mean()), float(np.hypot(u, unread)), drift, float(u_drift), float(time.mean()), unread)

    def check(self) -> str:
        """A note on a drift that is more than expected. Raises RecordError for one that is no load cell's."""
        seen = f"the zero of the cell drifts by {self.drift:+.2f} N/s, u = {self.u_drift:.2f} N/s"
        if abs(self.drift) - 2 * self.u_drift > MOST_DRIFT:
            raise RecordError(
                f"{seen}, by the load before the release: no load cell has more than {MOST_DRIFT:g} N/s (common "
                "practice, no source); let it warm up, look for a zero that was set anew or a mass that swings, and "
                "drop again"
            )
        anew = (
            "" if self.anew is None else f"the load steps at rest at {self.anew:.1f} s: only what follows is the zero"
        )
        drifts = f"{seen}: taken off" if abs(self.drift) > max(DRIFT, 2 * self.u_drift) else ""
        return "; ".join(filter(None, (anew, drifts)))

    def by(self, time: np.ndarray) -> np.ndarray:
        """The zero at each time [N]."""
        return self.value + self.drift * (time - self.at)

    def u_by(self, time: float) -> float:
        """Its standard uncertainty [N]."""
        return float(np.hypot(self.u, self.u_drift * (time - self.at)))


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Slope of the least-squares line, and the sum of squares that it leaves."""
    off_x, off_y = x - x.mean(), y - y.mean()
    slope = float(off_x @ off_y / (off_x @ off_x))
    return slope, float(np.sum((off_y - slope * off_x) ** 2))


def _set_anew(means: np.ndarray) -> int:
    """Number of the first mean after a step in means at rest, 0 where a straight line describes them as well.

    By F of the step that explains most beside a drift.
    """
    n = means.size
    if n < 2 * FEWEST_MEANS:
        return 0
    line = np.column_stack([np.ones(n), np.arange(n)])
    columns = np.column_stack([means, np.tri(n, n, -1)[:, : n - 1]])  # a step before mean 1, 2, …
    off = columns - line @ np.linalg.lstsq(line, columns, rcond=None)[0]
    rest, gain = off[:, 0] @ off[:, 0], (off[:, 1:].T @ off[:, 0]) ** 2 / np.sum(off[:, 1:] ** 2, axis=0)
    first = int(np.argmax(gain)) + 1
    return first if gain[first - 1] > SET_ANEW / (n - 4) * max(rest - gain[first - 1], 1e-6) else 0


@dataclass(frozen=True)
class Prepared:
    """A record at even steps, filtered, the zero of the cell still in it; `raw_load` and `raw_distance` unfiltered.

    resolution : the steps in which the load was read [N]
    """

    time: np.ndarray
    load: np.ndarray
    distance: np.ndarray | None
    raw_load: np.ndarray
    raw_distance: np.ndarray | None
    step: float
    filter: str
    gaps: list[tuple[float, float]]
    notes: tuple[str, ...]
    resolution: float = 0.0

    def zeroed(self, release: float, hung: float) -> tuple[Prepared, Zero]:
        """The record less its zero and the drift, by the last two seconds at rest, with `hung` of the cord on the cell
        then [N].
        """
        at_rest = (self.time < release - 0.05) & (self.time > release - 2.05)
        zero = Zero.of(self.time[at_rest], self.raw_load[at_rest] - hung, self.resolution)
        off = zero.by(self.time)
        return replace(self, load=self.load - off, raw_load=self.raw_load - off), zero

    def check_gaps(self, release: float, lowest: float) -> None:
        """Raises RecordError where the clock misses the lowest point, or too much of the way to it."""
        for start, end in self.gaps:
            missed = f"a gap in time from {start:.3f} to {end:.3f} s ({(end - start) / self.step:.0f} sample periods)"
            if start < lowest + 0.25 and end > lowest - 0.25:
                raise RecordError(f"{missed} at the peak, near {lowest:.2f} s; the logger lost samples: drop again")
            if start < lowest and end > release and end - start > LONGEST_GAP:
                raise RecordError(f"{missed} between release and lowest point; the logger lost samples: drop again")


def prepare(time: np.ndarray, force: np.ndarray, distance: np.ndarray | None, kind: str, lag: float = 0.0) -> Prepared:
    """The record checked for its form, at even steps, filtered, a lag of the load taken off [s]. Raises RecordError."""
    if kind not in ("cfc60", "off"):
        raise ValueError(f"filter '{kind}' is not known; choose 'cfc60' or 'off'")
    as_read = {"force": force} | ({} if distance is None else {"distance": distance})
    read_at = np.asarray(time, dtype=float)
    time, channels, gaps = even_steps(time, as_read)
    step = float((time[-1] - time[0]) / (time.size - 1))
    for name, column in as_read.items():
        values = np.asarray(column, dtype=float)
        if values.min() == values.max():
            raise RecordError(f"{name} stays at {values[0]:.6g} all along: the sensor was not connected")
        clipped = flat_top(read_at, values)
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
    ahead = lag * np.gradient(load, step)  # of a first-order lag all of it, of others the first term
    load, raw_load = load + ahead, raw_load + ahead
    return Prepared(
        time, load, distance, raw_load, raw_distance, step, used, gaps, (*notes, *bridged), resolution(force)
    )


def simulated(time: np.ndarray, load: np.ndarray, distance: np.ndarray | None, kind: str) -> Prepared:
    """A simulated record, without a zero and filtered as a measured one was: there is nothing to check in it."""
    step = float(time[1] - time[0])
    smooth = low_pass(np.array([load] if distance is None else [load, distance]), step, kind)
    return Prepared(time, smooth[0], None if distance is None else smooth[1], load, distance, step, kind, [], ())

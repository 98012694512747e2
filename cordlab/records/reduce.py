"""A raw record of one drop → zeroed, filtered, events, loading and unloading branch of the cord, energy returned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.integrate import trapezoid
from scipy.signal import lfilter, savgol_filter

from cordlab.mechanics.fall import GRAVITY, DropSetup
from cordlab.records.events import NO_MARKS, find_release, goodness_ratio
from cordlab.records.motion import Motion, Release, cord_force, find_motion, folded_fall, greatest_load
from cordlab.records.plausibility import (
    check_record,
    check_zero_kept,
    implied_mass,
    load_lag,
    rest_seen,
    slack_seen,
)
from cordlab.records.prepare import DRIFT, Prepared, RecordError, Zero, prepare, running_mean
from cordlab.units import Measured, notebook_html

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Drop", "RecordError", "reduce_drop"]

BINS = 80  # of stretch ratio from slack to the lowest point, equally wide
G_WINDOW = 0.4  # over which acceleration is read from a distance: over 0.1 s its noise alone is 2 g; our choice [s]
LAG_STEP = 0.015  # of a first-order lag that is tried; our choice [s]
KEPT_RATE = 1000.0  # samples a second of a reduced record, at the least; CFC 60 leaves nothing above some 200 Hz
EVENTS = {"release": "release", "slack_end": "end of slack", "peak": "peak", "lowest": "lowest point"}


@dataclass(frozen=True)
class Drop:
    """One drop, reduced from its record; SI.

    Attributes
    ----------
    name, cord, use : str
    mass, slack_length, cord_mass : float
        Mass hung below the cord's end [kg], slack length [m] and mass [kg] of the cord.
    jumps, temperature : int, float
        Jumps of the cord before this drop; [°C].
    load_cell_at, filter : {"top", "bottom"}, {"cfc60", "off"}
        The cell is at the tie point or at the lower end of the cord.
    time, load, position, speed : ndarray, (n,)
        Filtered, at even steps, at most 2000 a second [s, N, m, m/s]. Load at the cell without its zero; position below
        the tie point. Without a distance column they end where the first unloading ends.
    release, slack_end, peak, lowest : int
        Indices into `time`.
    lowest_point, u_lowest_point, peak_load, u_peak_load : float
        Below the tie point [m]; at the cell [N].
    stretch_ratio, force, unloading_ratio, unloading_force : ndarray, (k,)
        Force of the cord [N] without its weight and inertia, one value a bin: loading, and the way back.
    energy_returned : float or None
        Share of the loading energy that came back: area under the branches, or with a stretch wave in the load the
        energy of the mass as the slack returns; None where the record does not show it.
    zero : float
        What the cell read without load [N].
    residual_velocity : float or None
        Motion from the load alone: speed left when the load is greatest [m/s]; None with a distance column.
    implied_mass : float or None
        Mass [kg] that load and motion together imply by momentum; None without a distance column.
    time_scale, u_time_scale : float
        The record's time over the time that gravity gives the fall, and its standard uncertainty.
    rest_seen, slack_seen : float or None
        Depth by the distance before the release, and as the load shows the end of slack [m]. None without a distance
        column, or where the load does not show it.
    lowest_by_load : Measured or None
        Lowest point by the load alone, with what a fold that stretches leaves open [m]. None without a distance column,
        or where it was not looked for.
    notes : tuple of str
        What a reader has to know of this record.
    u_energy_returned : float or None
        Standard uncertainty of the share.
    load_lag : float or None
        By how much the load comes later than the distance [s]; None without a distance column.
    peak_per_lag, energy_per_lag : float
        What a lag hides of the peak and of the share [N/s, 1/s].

    Examples
    --------
    See `reduce_drop`.
    """

    name: str
    cord: str
    use: str
    mass: float
    slack_length: float
    cord_mass: float
    jumps: int
    temperature: float
    load_cell_at: str
    filter: str
    time: np.ndarray = field(repr=False)
    load: np.ndarray = field(repr=False)
    position: np.ndarray = field(repr=False)
    speed: np.ndarray = field(repr=False)
    release: int
    slack_end: int
    peak: int
    lowest: int
    lowest_point: float
    u_lowest_point: float
    peak_load: float
    u_peak_load: float
    stretch_ratio: np.ndarray = field(repr=False)
    force: np.ndarray = field(repr=False)
    unloading_ratio: np.ndarray = field(repr=False)
    unloading_force: np.ndarray = field(repr=False)
    energy_returned: float | None
    zero: float
    residual_velocity: float | None
    implied_mass: float | None
    time_scale: float
    u_time_scale: float
    rest_seen: float | None
    slack_seen: float | None
    notes: tuple[str, ...]
    lowest_by_load: Measured | None = None
    u_energy_returned: float | None = None
    load_lag: float | None = None
    peak_per_lag: float = 0.0
    energy_per_lag: float = 0.0

    def at(self, event: str) -> float:
        """Time [s] of "release", "slack_end", "peak" or "lowest"."""
        return float(self.time[getattr(self, event)])

    @cached_property
    def greatest_g(self) -> float:
        """Greatest load on the mass over its weight: of a cell at the lower end, else of the distance over `G_WINDOW`;
        nan where the motion is by the load alone, or the record too short."""
        if self.load_cell_at == "bottom":
            return self.peak_load / (self.mass * GRAVITY)
        step = float(self.time[1] - self.time[0])
        steps, since = round(G_WINDOW / step / 2), self.slack_end
        if self.residual_velocity is not None or 2 * steps + 1 > self.position.size - since or steps < 1:
            return np.nan
        upward = -savgol_filter(self.position[since:], 2 * steps + 1, 2, deriv=2, delta=step, mode="nearest")
        return 1 + float(upward[steps:-steps].max()) / GRAVITY

    def summary(self) -> str:
        returned = "not seen" if self.energy_returned is None else f"{self.energy_returned:.1%}"
        lines = [
            f"drop {self.name or '(unnamed)'}: {self.mass:g} kg, cord {self.cord or '(unnamed)'}, filter {self.filter}",
            "  " + ", ".join(f"{word} {self.at(event):.3f} s" for event, word in EVENTS.items()),
            f"  lowest point {self.lowest_point:.3f} m below the tie point, u = {self.u_lowest_point:.3f} m",
            f"  peak load {self.peak_load:.1f} N at the {self.load_cell_at} of the cord, u = {self.u_peak_load:.1f} N",
            f"  energy returned {returned}; zero of the cell {self.zero:+.1f} N",
        ]
        if self.residual_velocity is not None:
            lines.append(f"  motion from the load alone: {self.residual_velocity:+.2f} m/s left at the greatest load")
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])

    def table(self) -> pd.DataFrame:
        """One row an event: time, load at the cell, position below the tie point, speed."""
        import pandas as pd

        rows = [getattr(self, event) for event in EVENTS]
        quantities = {"time [s]": self.time, "load [N]": self.load}
        quantities |= {"position [m]": self.position, "speed [m/s]": self.speed}
        return pd.DataFrame(quantities).iloc[rows].set_axis(pd.Index(EVENTS.values(), name="event"))

    def _repr_html_(self) -> str:
        return notebook_html(self.summary(), self.table().round(3))

    def to_dict(self) -> dict[str, Any]:
        names = (
            *("cord", "mass", "use", "jumps", "lowest_point", "u_lowest_point", "peak_load", "u_peak_load"),
            *("load_cell_at", "energy_returned", "residual_velocity", "implied_mass", "filter"),
        )
        return {"drop": self.name} | {name: getattr(self, name) for name in names} | {"notes": [*self.notes]}


def reduce_drop(
    time: np.ndarray,
    force: np.ndarray,
    distance: np.ndarray | None = None,
    *,
    mass: float,
    slack_length: float,
    cord_mass: float = 0.0,
    release_depth: float = 0.0,
    drag_area: float = 0.0,
    air_density: float = 1.2,
    load_cell_at: str = "top",
    filter: str = "cfc60",
    gravity: float = GRAVITY,
    name: str = "",
    cord: str = "",
    use: str = "",
    jumps: int = 0,
    temperature: float = float("nan"),
    marks: Mapping[str, Measured] = NO_MARKS,
    lag: float = 0.0,
) -> Drop:
    """Reduce the record of one drop: events, motion, lowest point, peak load, and the cord's force on its way.

    Without a distance, the motion is the closed-form fall to the end of slack, then the load integrated twice.

    Parameters
    ----------
    time, force, distance : array_like, (n,)
        Time [s]; load at the cell, its zero still in it [N]; distance below the tie point [m], if it was measured.
    mass, slack_length, cord_mass : float
        Hung below the cord's end [kg]; of the cord [m, kg].
    release_depth : float
        Below the tie point, negative above it [m].
    drag_area, air_density, gravity : float
        Drag coefficient times area of the mass [m²], [kg/m³], [m/s²].
    load_cell_at : {"top", "bottom"}
        At the tie point, or at the cord's lower end.
    filter : {"cfc60", "off"}
        CFC 60 forward and back, or none. Below 250 samples a second none is used.
    name, cord, use, jumps, temperature
        Are passed on to the `Drop`.
    marks : mapping of str to Measured, optional
        "release", "slack_end" or "lowest" → when, set by hand in the record's time [s].
    lag : float
        Of the load against the distance, taken off [s].

    Returns
    -------
    Drop

    Raises
    ------
    RecordError
        Where the record cannot be used: clipped, gaps, no quiet time, a wrong sign, too short, or contradictory.
    ValueError
        Where an argument is out of range.

    References
    ----------
    Filter: SAE J211-1, Appendix C. Fall: Heck, Uylings and Kędzierska 2010, Physics Education 45, 63.

    Examples
    --------
    An invented drop, and what its record gives back:

    >>> import cordlab
    >>> curve = cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    >>> cord = {"slack_length": 10.0, "cord_mass": 14.0}
    >>> truth = cordlab.trace_drop(curve, mass=68.0, **cord, quiet=1.0, duration=7.0)
    >>> drop = cordlab.reduce_drop(truth.time, truth.tie_load, truth.position, mass=68.0, **cord)
    >>> print(f"{drop.lowest_point:.2f} m, true {truth.position.max():.2f} m")
    30.84 m, true 30.84 m
    """
    if load_cell_at not in ("top", "bottom"):
        raise ValueError(f"load_cell_at '{load_cell_at}' is not known; choose 'top' or 'bottom'")
    setup = DropSetup(mass, slack_length, cord_mass, drag_area, air_density, release_depth, gravity=gravity)
    if not setup.released_slack:
        raise ValueError(f"release_depth {release_depth:g} m is beyond the slack length, {slack_length:g} m")
    prepared = prepare(time, force, distance, filter, lag)
    record, zero, release, motion = evaluate(setup, load_cell_at, prepared, marks)
    peak = greatest_load(record, release, motion.unloaded)
    loading, unloading = branches(record, release, motion)
    returned, energy_note = _energy_returned(loading, unloading, zero, release, motion)
    peak_per_lag, energy_per_lag = _per_lag(record, zero, release, motion, returned)
    implied = None if distance is None else implied_mass(record, release, motion)
    suspicions = check_record(record, release, motion, implied, goodness_ratio(record, release))
    off_zero = check_zero_kept(record, release)
    # a filtered record has nothing above the filter: what is kept of it does not grow with the logger's rate
    every = 1 if record.filter == "off" else max(1, int(1.000001 / (KEPT_RATE * record.step)))
    kept_time, kept_load, position, speed = (
        values[: motion.end : every].copy() for values in (record.time, record.load, motion.position, motion.speed)
    )
    return Drop(
        name=name,
        cord=cord,
        use=use,
        mass=float(mass),
        slack_length=float(slack_length),
        cord_mass=float(cord_mass),
        jumps=jumps,
        temperature=temperature,
        load_cell_at=load_cell_at,
        filter=record.filter,
        time=kept_time,
        load=kept_load,
        position=position,
        speed=speed,
        release=sample_at(kept_time, release.time),
        slack_end=sample_at(kept_time, release.slack_end),
        peak=sample_at(kept_time, peak.at),
        lowest=sample_at(kept_time, motion.lowest.at),
        lowest_point=motion.lowest.height,
        u_lowest_point=motion.lowest.u,
        peak_load=peak.height,
        u_peak_load=float(np.linalg.norm([peak.u, zero.u_by(peak.at), zero.step, off_zero])),
        stretch_ratio=loading[0],
        force=loading[1],
        unloading_ratio=unloading[0],
        unloading_force=unloading[1],
        energy_returned=returned.value if returned else None,
        u_energy_returned=returned.u if returned else None,
        load_lag=None if distance is None else load_lag(record, release, motion),
        peak_per_lag=peak_per_lag,
        energy_per_lag=energy_per_lag,
        zero=zero.value,
        residual_velocity=motion.residual_velocity,
        implied_mass=implied,
        time_scale=release.time_scale,
        u_time_scale=release.u_time_scale,
        rest_seen=rest_seen(record, release),
        slack_seen=slack_seen(record, release, motion),
        notes=tuple(note for note in (*record.notes, *motion.notes, energy_note, *suspicions, zero.check()) if note),
    )


def evaluate(
    setup: DropSetup, cell: str, record: Prepared, marks: Mapping[str, Measured] = NO_MARKS
) -> tuple[Prepared, Zero, Release, Motion]:
    """The record without its zero, the zero, the release, and the motion."""
    fall = folded_fall(setup, cell)
    events = {event: at for event, at in marks.items() if event != "lowest"}
    release = find_release(fall, record, events)
    zeroed, zero = record.zeroed(release.time, fall.quiet_load)
    if abs(zero.drift) > DRIFT:  # more than is allowed for in a release that is looked for in the load
        release = find_release(fall, zeroed, events)
    motion = find_motion(zeroed, release, marks.get("lowest"))
    zeroed.check_gaps(release.time, motion.lowest.at)
    return zeroed, zero, release, motion


def sample_at(time: np.ndarray, at: float) -> int:
    """The sample nearest to a time."""
    return int(np.clip(round((at - time[0]) / (time[1] - time[0])), 0, time.size - 1))


Branch = tuple[np.ndarray, np.ndarray]
"""Stretch ratio and force of the cord [N], by rising stretch ratio."""


def branches(record: Prepared, release: Release, motion: Motion) -> tuple[Branch, Branch]:
    """Loading and unloading: mean stretch ratio and mean force in each bin that has samples."""
    setup = release.fall.setup
    ratio = motion.position / float(setup.slack_length)
    force = cord_force(setup, record.load, motion.speed, release.fall.cell)
    edges = np.linspace(1.0, motion.lowest.height / float(setup.slack_length), BINS + 1)
    rounded = 0 if record.filter == "off" else round(0.01 / record.step)  # by the filter, at the end of slack
    first, turn = sample_at(record.time, release.slack_end) + 1 + rounded, sample_at(record.time, motion.lowest.at)

    def mean_of_bins(part: slice) -> Branch:
        inside = (ratio[part] >= edges[0]) & (ratio[part] <= edges[-1])
        ratios, forces = ratio[part][inside], force[part][inside]
        bins = np.minimum(np.searchsorted(edges, ratios, side="right") - 1, BINS - 1)
        count, ratio_sum, force_sum = (np.bincount(bins, values, BINS) for values in (None, ratios, forces))
        filled = count > 0
        return ratio_sum[filled] / count[filled], force_sum[filled] / count[filled]

    return mean_of_bins(slice(first, turn + 1)), mean_of_bins(slice(turn, motion.unloaded))


def _energy_returned(
    loading: Branch, unloading: Branch, zero: Zero, release: Release, motion: Motion
) -> tuple[Measured | None, str]:
    """Energy returned over energy taken up, and a note on it.

    A wave takes load and stretch at the cell out of step: their loop is not the cord's loss, and the motion counts.
    """
    measured = motion.residual_velocity is None
    if motion.end_of_slack == "momentum" and (measured or release.fall.cell == "top"):
        share = motion.energy_returned
        note = "energy returned is from the motion of the mass: a stretch wave runs along the cord"
    else:
        share, note = _area_ratio(loading, unloading, zero, release, motion), ""
    if share is None:
        note = "energy returned is not seen: for a stretch wave, or because the record ends or the cord stays taut"
    return share, note


def _per_lag(
    record: Prepared, zero: Zero, release: Release, motion: Motion, returned: Measured | None
) -> tuple[float, float]:
    """What a cell with a first-order lag hides of the peak [N/s] and of the energy `returned` [1/s], by trying one."""
    share = -np.expm1(-record.step / LAG_STEP)
    late = replace(record, load=lfilter([share], [1, share - 1], record.load, zi=[(1 - share) * record.load[0]])[0])
    taut, count = slice(sample_at(record.time, release.slack_end), motion.unloaded), round(0.01 / record.step) | 1
    now, later = (running_mean(of.load[taut], count).max() for of in (record, late))
    energy = _energy_returned(*branches(late, release, motion), zero, release, motion)[0]
    return float(now - later) / LAG_STEP, (energy.value - returned.value) / LAG_STEP if energy and returned else 0.0


def _area_ratio(loading: Branch, unloading: Branch, zero: Zero, release: Release, motion: Motion) -> Measured | None:
    """Ratio of the areas under the branches, over the stretch that the unloading covers; None below half of it.

    A zero that is off adds to both areas, a drift to the one that comes later.
    """
    longest = motion.lowest.height / float(release.fall.setup.slack_length)
    if unloading[0].size < 2 or unloading[0][0] > (1 + longest) / 2:
        return None
    bin_width = (longest - 1) / BINS
    slack = unloading[0][0] < 1 + 2 * bin_width  # unloaded to the end: both branches start without force
    along = np.linspace(1.0 if slack else unloading[0][0], longest, 4 * BINS)
    taken_up, returned = (
        trapezoid(np.interp(along, np.append(1.0, ratio), np.append(0.0, force)), along)
        for ratio, force in (loading, unloading)
    )
    share, mean_force, turn = returned / taken_up, taken_up / np.ptp(along), motion.lowest.at
    off = (1 - share) * zero.u_by(turn), zero.u_drift * (turn - release.slack_end)
    return Measured(float(share), float(np.linalg.norm(off) / mean_force))

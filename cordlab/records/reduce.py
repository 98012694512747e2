"""A raw record of one drop → zeroed, filtered, events, loading and unloading branch of the cord, energy returned."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.integrate import trapezoid

from cordlab.mechanics.setup import GRAVITY, DropSetup
from cordlab.records.calibration import Calibration, OutsideCalibration
from cordlab.records.events import NOTHING, find_release
from cordlab.records.motion import cord_force, measured_motion, motion_from_load, quiet_load
from cordlab.records.plausibility import Evidence, against_noted, disagreements
from cordlab.records.prepare import RecordError, noise, prepare, resolution, vertex
from cordlab.units import Measured

if TYPE_CHECKING:
    from cordlab.campaign.campaign import Campaign, DropEntry
    from cordlab.campaign.decisions import Mark

__all__ = ["Drop", "RecordError", "notes_on", "reduce_drop", "reduce_entry"]

BINS = 80  # of stretch ratio from slack to the lowest point, equally wide
KEPT_RATE = 1000.0  # samples a second of a reduced record, at the least; CFC 60 leaves nothing above some 200 Hz


@dataclass(frozen=True)
class Drop:
    """One drop, reduced; SI.

    mass : hung below the cord's end [kg]; slack_length [m]; cord_mass [kg]; jumps before this drop; temperature [degC]
    load_cell_at : "top" (tie point) or "bottom" (the cord's lower end): where `load` and `peak_load` are
    filter : "cfc60" or "off"
    time, load, position, speed : (n,) at even steps, filtered, 1000 to 2000 a second of a faster record; load at the
        cell, zero removed; position below the tie point. Without a distance column they end where the first unloading
        ends.
    release, slack_end, peak, lowest : indices into `time`
    lowest_point, u_lowest_point : from the record's own motion, below the tie point
    peak_load, u_peak_load : at the cell
    stretch_ratio, force : loading branch, force F(x) of the cord with its weight and inertia taken out, one value a bin
    unloading_ratio, unloading_force : the way back
    energy_returned : share of the loading energy that came back: area under the branches over the same stretch, or
        where the load shows a stretch wave, energy of the mass as the slack returns; None where the record shows none
    zero : what the cell read without load [N]
    closure_error : motion from the load alone: speed left when the load is greatest, where the uniform cord is
        at its lowest point [m/s]; None with a distance column
    mass_seen : the mass that load and motion together imply (momentum from release to lowest point), which the clock's
        rate drops out of; None without a distance column [kg]
    notes : what a reader has to know of this record
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
    closure_error: float | None
    mass_seen: float | None
    notes: tuple[str, ...]

    def summary(self) -> str:
        returned = "not seen" if self.energy_returned is None else f"{self.energy_returned:.1%}"
        at = {event: self.time[getattr(self, event)] for event in ("release", "slack_end", "peak", "lowest")}
        lines = [
            f"drop {self.name or '(unnamed)'}: {self.mass:g} kg, cord {self.cord or '(unnamed)'}, filter {self.filter}",
            "  " + ", ".join(f"{event.replace('_', ' ')} {when:.3f} s" for event, when in at.items()),
            f"  lowest point {self.lowest_point:.3f} ± {self.u_lowest_point:.3f} m below the tie point",
            f"  peak load {self.peak_load:.1f} ± {self.u_peak_load:.1f} N at the {self.load_cell_at} of the cord",
            f"  energy returned {returned}; zero of the cell {self.zero:+.1f} N",
        ]
        if self.closure_error is not None:
            lines.append(f"  motion from the load alone: {self.closure_error:+.2f} m/s left at the greatest load")
        return "\n".join([*lines, *(f"  note: {note}" for note in self.notes)])

    def to_dict(self) -> dict[str, Any]:
        names = ("cord", "mass", "use", "jumps", "lowest_point", "u_lowest_point", "peak_load", "u_peak_load")
        more = ("load_cell_at", "energy_returned", "closure_error", "mass_seen", "filter")
        return {"drop": self.name} | {name: getattr(self, name) for name in (*names, *more)} | {"notes": [*self.notes]}


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
    marks: Mapping[str, Measured] = NOTHING,
) -> Drop:
    """One record, (n,) each: time [s], load at the cell with its zero still in [N], distance below the tie point [m].

    The zero is the mean of the quiet time before release less what the folded cord hangs on the cell. Force and
    distance go through CFC 60 forward and back (`filter="off"`: as they are; so too below 250 samples a second).
    Without a distance, the motion is the closed-form fall to the end of slack, then the load integrated twice.

    marks : "release", "slack_end" or "lowest" → when, set by hand in the record's time [s]; the others are found
    Raises RecordError where the record cannot be used, ValueError where an argument is out of range.
    """
    if load_cell_at not in ("top", "bottom"):
        raise ValueError(f"load_cell_at '{load_cell_at}' is not known; choose 'top' or 'bottom'")
    inputs = (mass, slack_length, cord_mass, drag_area, air_density, release_depth, 0.0, gravity)
    setup = DropSetup(*inputs)
    if not setup.released_slack:
        raise ValueError(f"release_depth {release_depth:g} m is beyond the slack length, {slack_length:g} m")
    record = prepare(time, force, distance, filter)
    ends = {name: at for name, at in marks.items() if name != "lowest"}
    seen = find_release(setup, record, load_cell_at, ends)
    zero, u_zero = record.zero(seen.time, quiet_load(setup, load_cell_at))
    load = record.load - zero
    if distance is None:
        motion = motion_from_load(record, load, zero, seen, setup, load_cell_at, marks.get("lowest"))
    else:
        motion = measured_motion(record, load, seen.slack_end, setup, load_cell_at, marks.get("lowest"))
    record.check_gaps(seen.time, motion.lowest.at)
    first, last = (_index(record.time, at) for at in (seen.slack_end, motion.lowest.at))
    top = first + int(np.argmax(load[first : motion.unloaded]))
    if top >= record.time.size - 2:
        raise RecordError(f"the record stops at {record.time[-1]:.2f} s, before the load is at its greatest")
    peak = vertex(record.time, load, record.time[top], 0.05)

    pull = cord_force(setup, load, motion.speed, load_cell_at)
    ratio = motion.position / slack_length
    edges = np.linspace(1.0, motion.lowest.height / slack_length, BINS + 1)
    rounded = 0 if record.filter == "off" else round(0.01 / record.step)  # by the filter, at the end of slack
    sharp = first + 1 + rounded
    loading = _branch(ratio[sharp : last + 1], pull[sharp : last + 1], edges)
    unloading = _branch(ratio[last : motion.unloaded], pull[last : motion.unloaded], edges)
    # a filtered record has nothing above the filter: what is kept of it does not grow with the logger's rate
    every = 1 if record.filter == "off" else max(1, int(1.000001 / (KEPT_RATE * record.step)))
    along, load_along, position, speed = (
        values[: motion.end : every].copy() for values in (record.time, load, motion.position, motion.speed)
    )
    if motion.carry == "momentum" and (distance is not None or load_cell_at == "top"):
        # a wave takes load and stretch at the cell out of step: their loop is not the cord's loss
        returned = motion.energy_returned
        said = "energy returned is from the motion of the mass: a stretch wave runs along the cord"
    else:
        returned, said = _energy_returned(loading, unloading, edges[-1]), ""
    if returned is None:
        said = "energy returned is not seen: for a stretch wave, or because the record ends or the cord stays taut"
    mass_seen, doubts = disagreements(Evidence(record.time, load, seen, motion, setup, load_cell_at))
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
        time=along,
        load=load_along,
        position=position,
        speed=speed,
        release=_index(along, seen.time),
        slack_end=_index(along, seen.slack_end),
        peak=_index(along, peak.at),
        lowest=_index(along, motion.lowest.at),
        lowest_point=motion.lowest.height,
        u_lowest_point=motion.lowest.u,
        peak_load=peak.height,
        u_peak_load=float(np.hypot(peak.u, u_zero)),
        stretch_ratio=loading[0],
        force=loading[1],
        unloading_ratio=unloading[0],
        unloading_force=unloading[1],
        energy_returned=returned,
        zero=zero,
        closure_error=motion.closure,
        mass_seen=mass_seen,
        notes=tuple(note for note in (*record.notes, *motion.notes, said, *doubts) if note),
    )


def _index(time: np.ndarray, at: float) -> int:
    """The sample nearest to a time."""
    return int(np.clip(round((at - time[0]) / (time[1] - time[0])), 0, time.size - 1))


def _branch(ratio: np.ndarray, force: np.ndarray, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean stretch ratio and mean force in each bin that has samples, by rising stretch ratio."""
    inside = (ratio >= edges[0]) & (ratio <= edges[-1])
    which = np.minimum(np.searchsorted(edges, ratio[inside], side="right") - 1, edges.size - 2)
    count, ratios, forces = (
        np.bincount(which, values, edges.size - 1) for values in (None, ratio[inside], force[inside])
    )
    filled = count > 0
    return ratios[filled] / count[filled], forces[filled] / count[filled]


def _energy_returned(
    loading: tuple[np.ndarray, np.ndarray], unloading: tuple[np.ndarray, np.ndarray], longest: float
) -> float | None:
    """Energy given back over energy taken up, over the stretch that the unloading covers; None below half of it."""
    if unloading[0].size < 2 or unloading[0][0] > (1 + longest) / 2:
        return None
    bin_width = (longest - 1) / BINS
    slack = unloading[0][0] < 1 + 2 * bin_width  # unloaded to the end: both branches start without force
    along = np.linspace(1.0 if slack else unloading[0][0], longest, 4 * BINS)
    there, back = (
        trapezoid(np.interp(along, np.append(1.0, ratio), np.append(0.0, force)), along)
        for ratio, force in (loading, unloading)
    )
    return float(back / there)


def reduce_entry(
    campaign: Campaign, entry: DropEntry, calibrations: dict[str, Calibration], *, load_alone: bool = False
) -> Drop:
    """The raw record of a drop of a campaign, through the calibrations ("force", "distance"), reduced.

    load_alone : as if there were no distance sensor, to hold one beside the other
    To the uncertainty of the lowest point that of the distance calibration is added, or, where there is no distance,
    what the lowest point moves by when force, mass and slack length move by theirs; to that of the peak load the force
    calibration's. The lowest point is held against the one noted in drops.csv. Events that the campaign has by hand are
    used, and what they change is noted.
    Raises RecordError, naming drop and record; CampaignError where the file cannot be read.
    """
    record = campaign.read_record(entry)
    where = f"records/{entry.record} (drop {entry.drop})"
    cord, rig, mark = campaign.cord(entry.cord), campaign.rig, campaign.by_hand.marked(entry.drop)
    try:
        force, u_force = _in_si(record.force, "force", calibrations)
        distance = u_distance = None
        if record.distance is not None and not load_alone:
            distance, u_distance = _in_si(record.distance, "distance", calibrations)
        given: dict[str, Any] = {
            "force": force,
            "mass": entry.mass.value,
            "slack_length": cord.slack_length.value,
            "cord_mass": cord.mass.value,
            "release_depth": rig.release_depth.value,
            "drag_area": rig.drag_area.value,
            "air_density": rig.air_density.value,
            "load_cell_at": rig.load_cell_at,
            "filter": campaign.decision.filter,
            "name": entry.drop,
            "cord": entry.cord,
            "use": entry.use,
            "jumps": entry.jumps,
            "temperature": entry.temperature,
            "marks": mark.events if mark else NOTHING,
        }

        def reduced(**other: Any) -> Drop:
            return reduce_drop(record.time, distance=distance, **(given | other))

        drop = reduced()
        u_peak = np.interp(drop.time[drop.peak], record.time, u_force)
        if u_distance is None:
            length = cord.slack_length
            moves = {
                "force": force + u_force,
                "mass": entry.mass.value + entry.mass.u,
                "slack_length": length.value + length.u,
            }
            moved = [reduced(**{name: value}).lowest_point - drop.lowest_point for name, value in moves.items()]
            u_more = float(np.linalg.norm(moved))
        else:
            u_more = float(np.interp(drop.time[drop.lowest], record.time, u_distance))
        lowest = Measured(drop.lowest_point, float(np.hypot(drop.u_lowest_point, u_more)))
        doubts = against_noted(lowest, entry.lowest_point, measured=distance is not None) if entry.lowest_point else ()
        settled = _settled(mark, drop, lambda: reduced(marks=NOTHING)) if mark else ()
    except (RecordError, OutsideCalibration) as error:
        raise RecordError(f"{where}: {error}") from error
    return replace(
        drop,
        u_lowest_point=lowest.u,
        u_peak_load=float(np.hypot(drop.u_peak_load, u_peak)),
        notes=(*settled, *drop.notes, *doubts),
    )


_EVENTS = {"release": "release", "slack_end": "end of slack", "lowest": "lowest point"}


def _settled(mark: Mark, drop: Drop, automatic: Callable[[], Drop]) -> tuple[str, ...]:
    """What was marked by hand and why, beside what the record alone gives."""
    marked = {_EVENTS[name]: at.value for name, at in mark.events.items()}
    why = f"; reason: {mark.reason}" + (f" ({mark.by})" if mark.by else "")
    told = ", ".join(f"{name} at {at:.3f} s" for name, at in marked.items())
    try:
        alone = automatic()
    except (RecordError, OutsideCalibration) as error:
        return (f"marked by hand: {told}{why}", f"without the marks the record is refused: {error}")
    found = ", ".join(f"{_EVENTS[name]} at {alone.time[getattr(alone, name)]:.3f} s" for name in mark.events)
    notes = [f"marked by hand: {told}, where the record alone gives {found}{why}"]
    if abs(drop.lowest_point - alone.lowest_point) > alone.u_lowest_point:
        notes.append(
            f"the marks move the lowest point to {drop.lowest_point:.3f} m from {alone.lowest_point:.3f} m (standard "
            f"uncertainty {alone.u_lowest_point:.3f} m): more than the record's own uncertainty"
        )
    return tuple(notes)


def _in_si(reading: np.ndarray, channel: str, calibrations: dict[str, Calibration]) -> tuple[np.ndarray, np.ndarray]:
    """Quantity and uncertainty of readings; six standard deviations of noise and a step may pass the range's end."""
    if channel not in calibrations:
        raise RecordError(f"has a column {channel}, but calibration/{channel}.csv is missing")
    grain = 6 * noise(reading) + resolution(reading)
    return calibrations[channel].convert(reading, noise=grain)


def notes_on(drops: Sequence[Drop]) -> list[str]:
    """Each note on records once, with the names of the drops that it is about."""
    about: dict[str, list[str]] = {}
    for drop in drops:
        for note in drop.notes:
            about.setdefault(note, []).append(drop.name)
    return [f"{_named(names)}: {note}" for note, names in about.items()]


def _named(drops: Sequence[str]) -> str:
    if len(drops) == 1:
        return f"drop {drops[0]}"
    shown = ", ".join(drops) if len(drops) < 6 else f"{drops[0]}, {drops[1]} … {drops[-1]}"
    return f"{len(drops)} drops ({shown})"

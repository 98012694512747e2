"""The drops of a campaign: each raw record through its calibrations, reduced; what is refused is named all at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from cordlab.campaign.campaign import Campaign, DropEntry
from cordlab.campaign.decisions import Choice
from cordlab.campaign.files import CampaignError
from cordlab.mechanics.fall import DropSetup
from cordlab.records.calibration import Calibration, OutsideCalibration
from cordlab.records.events import NO_MARKS
from cordlab.records.plausibility import check_lowest_point
from cordlab.records.prepare import DRIFT, HUM, RecordError, noise, prepare, resolution, running_mean
from cordlab.records.reduce import EVENTS, Drop, evaluate, reduce_drop
from cordlab.units import Measured, Progress, unwatched

ZERO = 0.01  # of the calibrated range: how far samples that are not evaluated may pass its end next to zero; our choice


def reduce_entry(
    campaign: Campaign,
    entry: DropEntry,
    calibrations: Mapping[str, Calibration],
    *,
    load_alone: bool = False,
    both: bool = False,
    lag: float = 0.0,
) -> Drop:
    """The raw record of a drop of a campaign, through its calibrations, reduced.

    Uncertainties include the calibrations'; that of a lowest point without a distance also what it moves by with mass
    and slack length. Notes compare the lowest point with the one in drops.csv, and say what events marked by hand
    change.

    Parameters
    ----------
    campaign, entry : Campaign, DropEntry, one of `campaign.drops` with a record
    calibrations : mapping of str to Calibration, of "force", and of "distance" where the record has it
    load_alone : bool, as if there were no distance sensor
    both : bool, with a distance, the lowest point by the load alone beside it
    lag : float, of the load against the distance, taken off [s]

    Returns
    -------
    Drop

    Raises
    ------
    RecordError
        Where the record cannot be used, naming drop and record.
    CampaignError
        Where the file cannot be read.

    Examples
    --------
    >>> import cordlab
    >>> campaign = cordlab.read_campaign("data-demo/first-batch")
    >>> drop = cordlab.reduce_entry(campaign, campaign.drops[0], cordlab.Analysis(campaign).calibrations)
    >>> print(f"{drop.lowest_point:.2f} m")
    21.19 m
    """
    record, cord, rig = campaign.read_record(entry), campaign.cord(entry.cord), campaign.rig
    mark = campaign.by_hand.marked(entry.drop)
    marks = mark.events if mark else NO_MARKS
    try:
        readings = {"force": record.force, "distance": None if load_alone else record.distance}
        si = {name: _in_si(reading, name, calibrations) for name, reading in readings.items() if reading is not None}
        (force, u_force), (distance, u_distance) = si["force"], si.get("distance", (None, None))
        measured = {"slack_length": cord.slack_length, "cord_mass": cord.mass, "mass": entry.mass}
        measured |= {name: getattr(rig, name) for name in ("release_depth", "drag_area", "air_density")}
        setup: dict[str, Any] = {name: quantity.value for name, quantity in measured.items()}
        reduced = partial(
            reduce_drop,
            record.time,
            force=force,
            distance=distance,
            load_cell_at=rig.load_cell_at,
            filter=campaign.decision.filter,
            name=entry.drop,
            cord=entry.cord,
            use=entry.use,
            jumps=entry.jumps,
            temperature=entry.temperature,
            marks=marks,
            lag=lag,
            **setup,
        )
        drop = reduced()
        for channel, (quantity, _) in si.items():
            _check_zero_end(calibrations[channel], drop, record.time, quantity)
        if u_distance is not None:
            u_inputs = float(np.interp(drop.at("lowest"), record.time, u_distance))
        else:  # by how much the lowest point moves with force, mass and slack length
            higher = {name: setup[name] + measured[name].u for name in ("mass", "slack_length")} | {
                "force": force + u_force
            }
            moved = [reduced(**{name: value}) for name, value in higher.items()]
            u_inputs = float(np.linalg.norm([other.lowest_point - drop.lowest_point for other in moved]))
        lowest = Measured(drop.lowest_point, float(np.hypot(drop.u_lowest_point, u_inputs)))
        notes = [*_notes_on_marks(mark, drop, reduced), *drop.notes] if mark else [*drop.notes]
        if entry.lowest_point:
            try:
                notes += check_lowest_point(lowest, entry.lowest_point, measured=distance is not None)
            except RecordError as error:  # what else the record says may name the cause
                raise RecordError("; ".join([str(error), *notes])) from error
    except (RecordError, OutsideCalibration) as error:
        raise RecordError(f"records/{entry.record} (drop {entry.drop}): {error}") from error
    by_load = None
    if both and distance is not None and not lag:  # a load without its lag has too much noise to be integrated
        with suppress(RecordError):
            alone = prepare(record.time, force, None, campaign.decision.filter)
            _, _, release, motion = evaluate(DropSetup(**setup), rig.load_cell_at, alone, marks)
            by_load = Measured(motion.lowest.height, 0.0 if release.rigid else motion.lowest.u)
    u_peak = float(np.hypot(drop.u_peak_load, np.interp(drop.at("peak"), record.time, u_force)))
    return replace(drop, u_lowest_point=lowest.u, u_peak_load=u_peak, notes=tuple(notes), lowest_by_load=by_load)


def reduce_all(
    campaign: Campaign,
    calibrations: Mapping[str, Calibration],
    *,
    uses: Sequence[str] | None = None,
    lag: float = 0.0,
    progress: Progress = unwatched,
) -> tuple[Drop, ...]:
    """Every drop of a campaign that has a record, reduced; `uses`: those alone, such as ("fit", "check").

    Those with the heaviest mass by the load alone too: there the range ends.
    Raises CampaignError with a problem for each record that is refused or cannot be read.
    """
    entries = [entry for entry in campaign.drops if entry.record and (uses is None or entry.use in uses)]
    heaviest = max((entry.mass.value for entry in entries), default=0.0)
    drops, problems = [], []
    for entry in progress(entries, desc="records", unit="record"):
        try:
            drops.append(reduce_entry(campaign, entry, calibrations, both=entry.mass.value == heaviest, lag=lag))
        except RecordError as error:
            lowest = "keep its lowest point" if entry.lowest_point else "note its lowest point"
            remedy = f"mark its events by hand in decisions.csv, or blank its record in drops.csv and {lowest}"
            problems.append(f"{error}; or {remedy}")  # names record and drop
        except CampaignError as error:
            problems.extend(error.problems)
    if problems:
        raise CampaignError(tuple(problems))
    return tuple(drops)


def _notes_on_marks(mark: Choice, drop: Drop, reduced: Callable[..., Drop]) -> list[str]:
    """What was marked by hand and why, and what the record alone gives."""
    by = f" ({mark.by})" if mark.by else ""
    marked = ", ".join(f"{EVENTS[event]} at {at.value:.3f} s" for event, at in mark.events.items())
    reason = f"; reason: {mark.reason}{by}"
    try:
        alone = reduced(marks=NO_MARKS)
    except RecordError as error:
        return [f"marked by hand: {marked}{reason}", f"without the marks the record is refused: {error}"]
    seen = ", ".join(f"{EVENTS[event]} at {alone.at(event):.3f} s" for event in mark.events)
    notes = [f"marked by hand: {marked}, where the record alone gives {seen}{reason}"]
    if abs(drop.lowest_point - alone.lowest_point) > alone.u_lowest_point:
        notes.append(
            f"the marks move the lowest point to {drop.lowest_point:.3f} m from {alone.lowest_point:.3f} m (standard "
            f"uncertainty {alone.u_lowest_point:.3f} m): more than the record's own uncertainty"
        )
    return notes


def _in_si(reading: np.ndarray, channel: str, calibrations: Mapping[str, Calibration]) -> tuple[np.ndarray, np.ndarray]:
    """Quantity and uncertainty of readings; six standard deviations of noise and a step may pass the range's end.

    Next to zero they may pass it by `ZERO` too: a slack cord reads what hum and drift make of no load.
    """
    if channel not in calibrations:
        raise RecordError(f"has a column {channel}, but calibration/{channel}.csv is missing")
    return calibrations[channel].convert(reading, noise=6 * noise(reading) + resolution(reading), zero=ZERO)


def _check_zero_end(line: Calibration, drop: Drop, time: np.ndarray, value: np.ndarray) -> None:
    """Raises OutsideCalibration where the evaluated part of a channel passes the end of its calibration next to zero.

    That part is from the release until the cord is slack again. Its means over `HUM` hold no hum; they may be off by
    the uncertainty of the zero, which for a cell is measured at the release and drifts from then on.
    """
    ends, u_ends = line.single(np.array(line.valid))
    end = int(np.argmin(np.abs(ends)))
    inward = np.sign(ends[1 - end] - ends[end])
    slack_again = np.append(drop.position[drop.lowest : -1] <= drop.slack_length, True)
    evaluated = (time >= drop.at("release")) & (time <= drop.time[drop.lowest + int(np.argmax(slack_again))])
    count = max(round(HUM / float(np.median(np.diff(time)))), 1)
    means, since = running_mean(value[evaluated], count), time[evaluated][count - 1 :] - drop.at("release")
    allowed = 3 * u_ends[end] + 6 * noise(value) / np.sqrt(count)
    if line.channel == "force":
        allowed = allowed + DRIFT * since - min(inward * drop.zero, 0.0)
    beyond = inward * (ends[end] - means) - allowed
    if beyond.max(initial=-1.0) > 0:
        worst = int(np.argmax(beyond))
        at, unit = drop.at("release") + since[worst], line.quantity_unit
        raise OutsideCalibration(
            f"{line.channel} reads {means[worst]:.5g} {unit} about {at:.2f} s, while the drop is evaluated, outside "
            f"the calibrated range, which begins at {ends[end]:.5g} {unit}; calibrate over more than the range used"
        )


def notes_on(drops: Sequence[Drop]) -> list[str]:
    """Each note on records once, with the names of the drops that it is about."""
    about: dict[str, list[str]] = {}
    for drop in drops:
        for note in drop.notes:
            about.setdefault(note, []).append(drop.name)
    lines = []
    for note, names in about.items():
        shown = ", ".join(names) if len(names) < 6 else f"{names[0]}, {names[1]} … {names[-1]}"
        lines.append(f"drop {shown}: {note}" if len(names) == 1 else f"{len(names)} drops ({shown}): {note}")
    return lines

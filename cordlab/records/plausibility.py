"""What a single record says against itself: load and motion, time and gravity, slack length and the end of slack."""

from __future__ import annotations

import numpy as np
from scipy.integrate import cumulative_trapezoid, trapezoid

from cordlab.records.motion import Motion, Release, taut_speed
from cordlab.records.prepare import DRIFT, MAINS_PERIOD, Prepared, RecordError, running_mean
from cordlab.units import Measured

# Beyond the first a note is made, beyond the second the record is refused.
TIME_SCALE = (0.02, 0.25)  # share by which a fall is too slow or too quick
MASS = (0.07, 0.35)  # share by which the mass that load and motion imply departs
SLACK_LENGTH = 0.03  # share of the slack length, between the end of slack in the load and in the distance
STRETCHED = 0.08  # of the slack length, by which a cord is longer as its fold ends: `tests.coverage elastic_fold`
RESIDUAL_VELOCITY = (0.15, np.inf)  # share of the speed at the end of slack, left at the greatest load
CORD_MASS = (0.15, np.inf)  # share by which the cord's mass that the load shows during the fall departs
RELEASE_DEPTH = (0.5, np.inf)  # m, between the distance at rest and the release depth
GOODNESS_RATIO = (1 / 2, 1 / 4)  # misfit with the cell at the other end over that with the cell where it is noted
LOWEST = (4.0, 10.0)  # standard uncertainties between the lowest point noted and the one that the distance shows
UNSTATED = 0.1  # m, standard uncertainty of a lowest point that is noted without one
LOWEST_BY_LOAD = (0.03, 0.15)  # the same from the load alone, as a share of the lowest point
LOWEST_BY_LOAD_U = (2.0, 4.0)  # and in the record's standard uncertainties then: it may know little
MIDDLE = (0.25, 0.65)  # of the fall, in which a step is looked for; our choice
LATE = (0.8, 0.95)  # of the fall, where the load above a rigid fold shows the zero; our choice
LEAST_STEP = 0.002  # of the greatest load, that a step in the fall has at least; our choice
POUND = 0.45359237  # kg, exact


def check_record(
    record: Prepared, release: Release, motion: Motion, implied: float | None, goodness_ratio: float
) -> list[str]:
    """Notes on what is suspicious in a zeroed record. Raises RecordError for what cannot be true.

    implied : by `implied_mass` [kg]; None without a distance
    goodness_ratio : misfit of the load with the cell at the other end, over that with the cell where it is noted
    """
    fall, notes, left = release.fall, [], motion.residual_velocity
    if goodness_ratio <= GOODNESS_RATIO[0]:
        other = "bottom" if fall.cell == "top" else "top"
        text = f"before and during the fall the load behaves as at the {other} of the cord, not as at the {fall.cell}"
        if goodness_ratio < GOODNESS_RATIO[1]:
            misfit = f"misfit {1 / goodness_ratio:.1f} times as large"
            raise RecordError(f"{text} ({misfit}): the load cell is at the wrong end")
        notes.append(f"{text}; check load_cell_at")
    causes = "a clock that runs wrong, or the distance in another unit"
    if left is not None:  # by the folded cord's load, which grows as the mass falls
        causes = "the clock, the slack length, the release depth, the cord's mass or the cell's calibration"
    # the load may show the fall too faintly to tell how long it takes
    slow = tuple(max(limit, 3 * release.u_time_scale) for limit in TIME_SCALE)
    text = f"the fall takes {release.time_scale:.3f} times as long as gravity allows; look at {causes}"
    notes += _judged(release.time_scale - 1, slow, text)
    if release.visible:
        notes += _check_cord_mass(record, release)
    if implied is not None:
        notes += _check_distance(record, release, motion, implied)
    elif left is not None and motion.end_of_slack == "energy":  # a wave's greatest load is not at the lowest point
        causes = "a stretch wave, or the mass, the clock or the cell's calibration is wrong"
        text = f"{left:+.1f} m/s are left where the load is greatest: {causes}"
        notes += _judged(left / fall.speed[-1], RESIDUAL_VELOCITY, text)
    return notes


def _judged(departure: float, limits: tuple[float, ...], text: str) -> list[str]:
    """A note beyond the first limit; a refusal beyond the second."""
    if abs(departure) > limits[1]:
        raise RecordError(text)
    return [text] if abs(departure) > limits[0] else []


def implied_mass(record: Prepared, release: Release, motion: Motion) -> float:
    """Mass [kg] that has no momentum at release, and none again at the lowest point: (∫load + ∫drag)/(gT) less cord.

    The record's time scale divides out. At the tie point the cell holds mass and cord, at the lower end the mass alone;
    there the falling side of the fold hangs below the mass and pulls it down.
    """
    setup, top = release.fall.setup, release.fall.cell == "top"
    M, m = float(setup.mass), float(setup.cord_mass)
    start, end = release.time, motion.lowest.at
    inside = (record.time > start) & (record.time < end)
    at = np.concatenate([[start], record.time[inside], [end]])
    air = float(setup.drag) * motion.speed * np.abs(motion.speed)
    pulled_down = (record.time < release.slack_end) & (not top)
    up = np.where(pulled_down, -record.load, record.load)
    impulse = trapezoid(np.interp(at, record.time, up + air), at)
    if motion.end_of_slack == "energy":
        # under uniform strain the cord starts with more momentum than the fall had, by no force
        before, after = release.fall.speed[-1], taut_speed(release.fall, "energy")
        impulse -= (M + m / 2) * after - M * before if top else M * (after - before)
    return float(impulse / (setup.gravity * (end - start)) - (m if top else 0.0))


def load_lag(record: Prepared, release: Release, motion: Motion) -> float | None:
    """By how much the load comes later than the motion says [s]; None where the record is too short.

    While the cord is taut the impulse of load, weight and drag is the change of momentum: M v, with a cell at the tie
    point (M + m/2) v, up to what a wave holds for a while. A lag of τ takes τ times the change of the load off the
    impulse, a wrong gain a share of it: both by least squares. Exact for a first-order lag; of others, their delay.
    """
    setup, held = release.fall.setup, np.array([0.0, 0.0])
    if release.fall.cell == "top":
        held = float(setup.cord_mass) * np.array([1.0, 0.5])
    hung, moving = float(setup.mass) + held
    taut = (record.time > release.slack_end) & (np.arange(record.time.size) < motion.unloaded)
    load, speed, time = record.load[taut], motion.speed[taut], record.time[taut]
    if time.size < 20:
        return None
    air = float(setup.drag) * speed * np.abs(speed)
    impulse, dragged = (cumulative_trapezoid(force, dx=record.step, initial=0.0) for force in (load, air))
    missing = impulse + dragged - hung * float(setup.gravity) * (time - time[0]) + moving * speed
    columns = np.column_stack([-load, impulse, np.ones(time.size)])
    return float(np.linalg.lstsq(columns, missing, rcond=None)[0][0])


def slack_seen(record: Prepared, release: Release, motion: Motion) -> float | None:
    """Where the mass is by its distance as the load shows the end of slack [m]; None where it does not show it."""
    if record.distance is None or release.load_step is None:
        return None
    return float(np.interp(release.load_step, record.time, motion.position))


def end_of_slack_off(seen: float | None, noted: float, cell: str) -> float:
    """Share by which the slack length, as the load shows its end, is off the one noted; nan where it is not seen.

    A cell at the lower end sees it as the arm is straight, which is stretched by then: by up to `STRETCHED`.
    """
    if seen is None:
        return np.nan
    off = seen / noted - 1
    return off - float(np.clip(off, 0.0, STRETCHED if cell == "bottom" else 0.0))


def rest_seen(record: Prepared, release: Release) -> float | None:
    """Where the mass is by its distance before the release [m]; None without a distance."""
    if record.distance is None:
        return None
    return float(np.median(record.distance[record.time < release.time - 0.05]))


def _check_distance(record: Prepared, release: Release, motion: Motion, implied: float) -> list[str]:
    """The end of slack in the load against that in the distance, the distance at rest, and the mass by both."""
    setup, notes = release.fall.setup, []
    length, depth, mass = float(setup.slack_length), float(setup.release_depth), float(setup.mass)
    if (seen := slack_seen(record, release, motion)) is not None:
        text = f"the load shows the end of slack at {seen:.2f} m, but the slack length is given as {length:.2f} m"
        causes = "another cord, a slack length with the wrong unit or datum, or a cord that stretches much as it falls"
        off = end_of_slack_off(seen, length, release.fall.cell)
        notes += _judged(off, (SLACK_LENGTH, np.inf), f"{text}; {causes}")
    if (rest := rest_seen(record, release)) is not None:
        text = f"at rest the distance reads {rest:.2f} m, but the release depth is given as {depth:.2f} m"
        notes += _judged(rest - depth, RELEASE_DEPTH, f"{text} below the tie point")
    cause = "a mass mistyped, records swapped between drops, or a wrong calibration of the cell"
    if abs(implied / (mass * POUND) - 1) < 0.1:
        cause = "pounds read as kilograms"
    elif abs(implied * POUND / mass - 1) < 0.1:
        cause = "kilograms read as pounds"
    off = implied / mass - 1
    text = f"load and motion imply {implied:.1f} kg, not the {mass:.4g} kg noted ({off:+.0%}); {cause} would do that"
    return notes + _judged(off, MASS, text)


def _check_cord_mass(record: Prepared, release: Release) -> list[str]:
    """The folded cord's pull grows with its mass, at rest and falling: how much of it the load shows."""
    fall = release.fall
    fall_time = (record.time - release.time) * fall.duration / (release.slack_end - release.time)
    during = (fall_time > 0.1 * fall.duration) & (fall_time < 0.85 * fall.duration)
    expected = np.interp(fall_time[during], fall.time, fall.load) - fall.quiet_load
    shape = expected / (expected @ expected)
    share = float((record.load[during] - fall.quiet_load) @ shape)
    drifted = DRIFT * float((1 + fall_time[during]) @ np.abs(shape))  # since the middle of the rest
    noted = float(fall.setup.cord_mass)
    text = f"while the mass falls the load is that of a cord of {share * noted:.1f} kg, not of the {noted:.4g} kg noted"
    causes = "check the cord's mass and its unit, load_cell_at and the cell's calibration"
    return _judged(share - 1, (CORD_MASS[0] + drifted, CORD_MASS[1]), f"{text}; {causes}")


def check_lowest_point(recorded: Measured, noted: Measured, *, measured: bool) -> list[str]:
    """What is suspicious between the lowest point of a record and the one noted by hand, both below the tie point.

    measured : whether the record has a distance, or its motion is integrated from the load
    Raises RecordError where the two cannot both be true.
    """
    off = recorded.value - noted.value
    if measured:
        u = float(np.hypot(recorded.u, noted.u or UNSTATED))
        limits = [LOWEST[0] * u, max(LOWEST[1] * u, 1.0)]
        source, size = "the distance", f"{abs(off) / u:.1f} standard uncertainties"
        causes = (
            "its datum (the tie point) and unit, the distance's calibration, and whether this is that drop's record"
        )
    else:
        pairs = zip(LOWEST_BY_LOAD, LOWEST_BY_LOAD_U, strict=True)
        limits = [max(share * noted.value, LOWEST[0] * noted.u, factor * recorded.u) for share, factor in pairs]
        source, size = "the load", f"{abs(off) / noted.value:.0%} of it"
        causes = "the mass, the cell's calibration, the datum and unit of the lowest point, and whose record this is"
    text = (
        f"{source} shows the lowest point at {recorded.value:.2f} m, but {noted.value:.2f} m is noted: "
        f"{off:+.2f} m, {size}; check {causes}"
    )
    return _judged(off, (limits[0], limits[1]), text)


def check_zero_kept(record: Prepared, release: Release) -> float:
    """By how much the load above a rigid fold is off before the slack ends [N]: so much may be of a zero set anew; else
    0. Raises RecordError where the load steps in the middle of the fall.

    The folded cord's load is smooth there; before, an elastic cord lets go of the mass, and later it opens before a
    rigid one. Steps are told by means over `MAINS_PERIOD` before and after each moment.
    """
    fall = release.fall
    count = max(round(MAINS_PERIOD / record.step), 2)
    share = (record.time - release.time) / (release.time_scale * fall.duration)
    off = record.raw_load - np.interp(share * fall.duration, fall.time, fall.load)
    during = np.flatnonzero((share > MIDDLE[0]) & (share < MIDDLE[1]))
    if during.size < 6 * count:
        return 0.0
    means = running_mean(off[during], count)
    steps = means[count:] - means[:-count]
    scatter = 1.4826 * float(np.median(np.abs(steps - np.median(steps))))
    worst = int(np.argmax(np.abs(steps)))
    if abs(steps[worst]) > 8 * scatter + 1.5 * record.resolution + LEAST_STEP * float(np.ptp(record.load)):
        raise RecordError(
            f"the load steps by {steps[worst]:+.0f} N at {record.time[during][worst + count]:.2f} s, while the mass "
            "falls: as a zero does that is set anew; switch that off on the amplifier, and drop again"
        )
    known = release.rigid and release.visible and fall.cell == "top"
    return abs(float(np.mean(off[(share > LATE[0]) & (share < LATE[1])]))) if known else 0.0

"""Load and motion of a drop, one from the other: the fall with the cord folded, then the cord under uniform strain.

`cell` is where the load cell sits: "top" (at the tie point) or "bottom" (at the cord's lower end). Symbols as in the
nomenclature: M mass, m cord mass, L slack length, y below the tie point, a upward acceleration, c the drag over v².
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.integrate import cumulative_trapezoid

from cordlab.mechanics.fall import DropSetup, fall_energy, fall_time, fall_to_slack, folded_cord, loads_at_rest
from cordlab.records.prepare import Prepared, RecordError, Vertex, vertex
from cordlab.units import Measured

EndOfSlack = Literal["energy", "momentum"]
"""End-of-slack condition: what is kept as the slack ends. "energy": kinetic energy, the cord is taut at once; or
"momentum": a stretch wave pulls the cord straight."""
HOW = {
    "energy": "the cord taut at once (kinetic energy kept as the slack ends)",
    "momentum": "the cord pulled straight by a wave (momentum kept)",
}
AT_ONCE = 0.01  # of the fall's duration: the step in the load comes as the slack of a rigid fold ends; our choice
SPEED_WINDOW = 0.1  # s, over which speed is read from a measured distance
PEAK_WIDTHS = (0.05, 0.025, 0.0125, 0.006)  # half of them, of the parabola through the greatest load [s]
VERTEX_SHARE = 0.12  # half-width of the parabola through the lowest point, over the time down: off by 1 mm in 40 m


@dataclass(frozen=True)
class Fall:
    """The fall from release to the end of slack, as a load cell sees it; arrays along the fall, time from release."""

    setup: DropSetup
    cell: str
    time: np.ndarray
    depth: np.ndarray
    speed: np.ndarray
    load: np.ndarray

    @property
    def duration(self) -> float:
        return float(self.time[-1])

    @property
    def quiet_load(self) -> float:
        """Load of the folded cord on the cell before release [N]."""
        return float(loads_at_rest(self.setup)[self.cell == "bottom"])

    @property
    def load_span(self) -> float:
        """Greatest change of the load from rest to the end of slack [N]."""
        return float(np.ptp(np.append(self.load, self.quiet_load)))

    @property
    def u_elastic(self) -> float:
        """Standard uncertainty of the duration [s] where the cord may stretch while it falls: it takes longer than a
        rigid fold, which pulls the mass down from the first moment, and not longer than a mass without a cord."""
        setup = replace(self.setup, cord_mass=0.0)
        return max(float(fall_time(setup, self.depth[-1:])[0]) - self.duration, 0.0) / 2

    # between the points along the fall, the root of the distance fallen is nearly straight in time

    def depth_at(self, time: np.ndarray) -> np.ndarray:
        """Depth [m] at `time` after release."""
        return self.depth[0] + np.interp(time, self.time, np.sqrt(self.depth - self.depth[0])) ** 2

    def time_at(self, depth: np.ndarray) -> np.ndarray:
        """Time after release [s] at `depth`."""
        fallen = np.maximum(depth - self.depth[0], 0.0)
        return np.interp(np.sqrt(fallen), np.sqrt(self.depth - self.depth[0]), self.time)


def folded_fall(setup: DropSetup, cell: str) -> Fall:
    """The fall with the cord folded, and the load at the cell."""
    time, depth, speed = fall_to_slack(setup, 129)
    _, *loads = folded_cord(setup, depth, speed)
    return Fall(setup, cell, time, depth, speed, loads[cell == "bottom"])


def cord_force(setup: DropSetup, load: np.ndarray, speed: np.ndarray, cell: str) -> np.ndarray:
    """Force F of the uniformly strained cord [N] from the load at the cell, without the cord's weight and inertia.

    The load is F + m (g/2 + a/6) at the tie point, F − m (g/2 + a/3) at the lower end, with
    a = [F − (M + m/2) g + c v|v|]/(M + m/3): linear in F.
    """
    share = setup.cord_mass / setup.moving_mass * (1 / 6 if cell == "top" else -1 / 3)
    weight = setup.cord_mass * setup.gravity * (0.5 if cell == "top" else -0.5)
    rest = setup.hung_weight - setup.drag * speed * np.abs(speed)
    return (load - weight + share * rest) / (1 + share)


def taut_speed(fall: Fall, end_of_slack: EndOfSlack) -> float:
    """Speed [m/s] with which the cord under uniform strain starts, from the speed of the fall as the slack ends.

    "energy" is kept while the inertia steps from M to M + m/3; with "momentum" a cell at the tie point sees M v shared
    with m/2, and a cell at the lower end reads the mass's speed.
    """
    setup, share = fall.setup, 1.0
    if end_of_slack == "energy":
        share = np.sqrt(setup.mass / setup.moving_mass)
    elif fall.cell == "top":
        share = setup.mass / (setup.mass + setup.cord_mass / 2)
    return float(fall.speed[-1] * share)


@dataclass(frozen=True)
class Release:
    """When the mass was released, as far as the record shows, and the fall that follows; times in [s]."""

    fall: Fall
    time: float
    u_time: float
    time_scale: float  # the record's time over the time that the fall takes
    u_time_scale: float
    slack_end: float
    load_step: float | None  # end of slack seen as a step in the load, None where the cord is too light for one
    visible: bool  # whether the cord is heavy enough for its fall to be seen in the load

    @property
    def rigid(self) -> bool:
        """Whether nothing says that the cord stretches as it falls: the load steps as the slack of a rigid fold ends,
        or the cord is too light."""
        step = self.load_step
        return not self.visible or (step is not None and abs(step - self.slack_end) <= AT_ONCE * self.fall.duration)


@dataclass(frozen=True)
class Motion:
    """The motion of one drop, arrays at the record's steps: position below the tie point [m], speed down [m/s]."""

    position: np.ndarray
    speed: np.ndarray
    lowest: Vertex
    unloaded: int  # index one past the first unloading
    end: int  # one past the last sample whose motion is known
    end_of_slack: EndOfSlack  # as far as the load shows it
    energy_returned: Measured | None = None  # share that the mass has back when the cord is slack again, by a distance
    residual_velocity: float | None = None  # left where the load is greatest, for motion from the load alone [m/s]
    notes: tuple[str, ...] = ()


def find_motion(record: Prepared, release: Release, mark: Measured | None = None) -> Motion:
    """Motion of a zeroed record: from its distance where it has one, else from its load.

    The speed is by local parabolas, the lowest point by a parabola through unfiltered samples.
    mark : when the mass was lowest, set by hand [s]
    """
    end_of_slack, setup, time = _end_of_slack(record, release), release.fall.setup, record.time
    position, raw = record.distance, record.raw_distance
    if position is None or raw is None:
        return _motion_from_load(record, release, end_of_slack, mark)
    turn = int(np.argmax(position))
    if mark is None:
        if turn >= position.size - max(3, round(0.02 / record.step)):
            raise RecordError(
                f"the record stops at {time[-1]:.2f} s, before the lowest point: the mass is still going down; "
                "record for at least 5 s after release"
            )
        lowest = vertex(time, raw, time[turn], VERTEX_SHARE * (time[turn] - release.slack_end))
    else:
        at, width = mark.value, VERTEX_SHARE * (mark.value - release.slack_end)
        if width <= 0:
            raise RecordError(
                f"the lowest point marked at {at:.3f} s is before the end of slack, {release.slack_end:.3f} s"
            )
        lowest = vertex(time, raw, at, width)
        if abs(lowest.at - at) > width or lowest.height <= setup.slack_length:
            raise RecordError(
                f"no turn below the slack length within {width:.2f} s of the lowest point marked at {at:.3f} s; mark "
                "it where the distance turns"
            )
        turn = int(np.argmin(np.abs(time - lowest.at)))
    speed = _slopes(position, max(round(SPEED_WINDOW / record.step) | 1, 5)) / record.step
    unloaded = _unloaded(position, speed, turn, setup)
    returned = _energy_returned(raw[unloaded:], record.step, lowest, setup)
    return Motion(position, speed, lowest, unloaded, position.size, end_of_slack, returned)


def _slopes(values: np.ndarray, window: int) -> np.ndarray:
    """Slope a sample by a parabola through the `window` samples about each; at the ends by the first and last one.

    As scipy's savgol_filter, which takes three times as long.
    """
    half, at = window // 2, np.arange(window)
    ends = [np.polyval(np.polyder(np.polyfit(at, values[part], 2)), at) for part in (at, at - window)]
    inner = np.convolve(values, (half - at) / np.sum((half - at) ** 2), "valid")
    return np.concatenate([ends[0][:half], inner, ends[1][-half:]])


def _motion_from_load(record: Prepared, release: Release, end_of_slack: EndOfSlack, mark: Measured | None) -> Motion:
    """Motion from the load alone: the closed-form fall, then the load integrated from the end of slack."""
    fall, setup, first = release.fall, release.fall.setup, int(np.searchsorted(record.time, release.slack_end))
    position, speed = _integrated(record, release, first, end_of_slack)
    if mark is None:
        turn = first + int(np.argmax(speed[first:] <= 0))
        if speed[turn] > 0:
            raise RecordError(
                f"the record stops at {record.time[-1]:.2f} s, before the lowest point: by the load the mass still "
                f"moves down at {speed[-1]:.1f} m/s; record longer, or check the mass ({float(setup.mass):g} kg) and "
                "the cell's unit"
            )
        past = speed[turn] / (speed[turn] - speed[turn - 1])
        when = Measured(float(record.time[turn] - past * record.step), record.step / np.sqrt(12))
    else:
        turn, when = int(np.searchsorted(record.time, mark.value)), mark
        if not first + 2 <= turn < speed.size or position[turn - 1 : turn + 1].max() <= setup.slack_length:
            raise RecordError(f"the lowest point marked at {mark.value:.3f} s is not below the slack length")
    unloaded, duration = _unloaded(position, speed, turn, setup), when.value - release.slack_end
    peak, start = greatest_load(record, release, unloaded), taut_speed(fall, end_of_slack)
    left = float(np.interp(peak.at, record.time, speed))
    u_path = 0.0
    if end_of_slack == "energy":  # under uniform strain, speed left at the greatest load grew steadily from the start
        braking = float(speed[turn - 1] - speed[turn]) / record.step
        u_path = float(np.hypot(left, braking * peak.u_at)) * duration / 2
    elif fall.cell == "top":  # the cord's momentum swings about m v/2 while the wave crosses
        swing = setup.cord_mass / (2 * setup.mass + setup.cord_mass) * start
        u_path = float(swing * crossing(duration, setup) / np.pi)
    # an end of slack that is late by δ has the mass too high by v δ, and too slow by g δ from then on
    u_start = (start + setup.gravity * duration) * np.hypot(record.step / np.sqrt(12), release.u_time)
    # speed left at a mark is an error too, grown in the same way
    u_mark = 0.0 if mark is None else float(np.interp(mark.value, record.time, speed)) * duration / 2
    u, depth = float(np.linalg.norm([u_path, u_start, u_mark])), float(position[turn - 1 : turn + 1].max())
    note = f"no distance: motion from the load, {HOW[end_of_slack]}"
    lowest = Vertex(when.value, depth, u, when.u)
    return Motion(position, speed, lowest, unloaded, unloaded, end_of_slack, None, left, (note,))


def _integrated(
    record: Prepared, release: Release, first: int, end_of_slack: EndOfSlack
) -> tuple[np.ndarray, np.ndarray]:
    """Position [m] and speed [m/s]: of the fall until the slack ends, from then on by the load integrated twice."""
    fall, setup = release.fall, release.fall.setup
    load = record.raw_load[first:]  # the filter would smear the step at the end of slack into the motion
    held = moving = setup.mass  # by the cell, and with the mass
    if fall.cell == "top":
        held, moving = setup.mass + setup.cord_mass, setup.mass + setup.cord_mass / 2
    start = taut_speed(fall, end_of_slack)
    late = record.time[first] - release.slack_end  # the slack ends between two samples
    first_speed = start + late * float(setup.gravity)
    taut = np.full(load.size, first_speed)
    for _ in range(6):  # drag depends on speed; it is a small part, so a few rounds settle it
        up = (load - held * setup.gravity + setup.drag * taut * np.abs(taut)) / moving
        taut = first_speed - cumulative_trapezoid(up, dx=record.step, initial=0.0)
    depth = setup.slack_length + late * start + cumulative_trapezoid(taut, dx=record.step, initial=0.0)
    since_release = record.time[:first] - release.time
    position = np.concatenate([fall.depth_at(np.maximum(since_release, 0.0)), depth])
    speed = np.concatenate([np.interp(since_release, fall.time, fall.speed, left=0.0), taut])
    return position, speed


def greatest_load(record: Prepared, release: Release, unloaded: int) -> Vertex:
    """The peak of the load between the end of slack and index `unloaded`. Raises RecordError at the record's end.

    By the widest of `PEAK_WIDTHS` whose parabola comes to the greatest sample but for the scatter at rest and the steps
    of reading: steep waves, as in a cord that stiffens, have a sharp top, and a wide parabola stays 3 % below it.
    """
    scatter = float(np.std(record.load[: int(np.searchsorted(record.time, release.time))]))
    first = int(np.searchsorted(record.time, release.slack_end))
    greatest = first + int(np.argmax(record.load[first:unloaded]))
    if greatest >= record.time.size - 2:
        raise RecordError(f"the record stops at {record.time[-1]:.2f} s, before the load is at its greatest")
    peak = vertex(record.time, record.load, record.time[greatest], PEAK_WIDTHS[0])
    for half_width in PEAK_WIDTHS[1:]:
        if abs(record.load[greatest] - peak.height) <= 4 * scatter + record.resolution:
            break
        with suppress(RecordError):  # a narrow one may find no turn in noise
            peak = vertex(record.time, record.load, record.time[greatest], half_width)
    return peak


def _unloaded(position: np.ndarray, speed: np.ndarray, lowest: int, setup: DropSetup) -> int:
    """One past the last sample of the first unloading: slack again, or turned on the way up, or the record's end."""
    up = position[lowest:] < position[lowest] - 0.05 * (position[lowest] - setup.slack_length)
    over = up & ((position[lowest:] <= setup.slack_length) | (speed[lowest:] >= 0))
    return lowest + int(np.argmax(over)) if over.any() else position.size


def _end_of_slack(record: Prepared, release: Release) -> EndOfSlack:
    """The end-of-slack condition by the record: "momentum" with a stretch wave, else "energy"; a light cord shows none.

    Until a wave has crossed the cord, the load at the tie point stays below the cord's weight, or near what a fold
    pulls where the hanging arm is stretched; under uniform strain it passes that in a fraction of the time. At the
    lower end a wave's load jumps up by more than the cord's weight as the cord is straight, while a uniform cord's
    begins below 0, by a sixth of that weight.
    """
    setup, slack_end = release.fall.setup, release.slack_end
    weight = float(setup.cord_mass * setup.gravity)
    if weight == 0.0:
        return "energy"
    if release.fall.cell == "bottom":
        first = int(np.searchsorted(record.time, release.load_step or slack_end))
        after = record.load[first : first + max(round(0.03 / record.step), 2)]
        wave = after.min() > -weight / 12 and np.ptp(after) > weight
    else:
        after = record.load[np.searchsorted(record.time, slack_end + 0.01) :]  # the filter rounds the end of slack
        levels, latest = [[weight], [1.5 * release.fall.load[-1]]], [0.2, 0.45]
        across = crossing(np.argmax(after) * record.step, setup)
        wave = np.any(np.argmax(after > levels, axis=1) * record.step > np.multiply(latest, across))
    return "momentum" if wave else "energy"


def crossing(down: float, setup: DropSetup) -> float:
    """Time that a stretch wave takes along the cord [s], from the time to the lowest point, about 1.9 rad of the swing:
    L/c = √(m/k) and ω = √(k/M)."""
    return float(np.sqrt(setup.cord_mass / setup.mass) * down / 1.9)


def _energy_returned(distance: np.ndarray, step: float, lowest: Vertex, setup: DropSetup) -> Measured | None:
    """Energy of the mass as the slack returns, where `distance` begins, over that on the way down; both from `lowest`.

    By the lift of mass and half the cord, and the speed of the mass in the first fifth of a second of slack.
    """
    reach = max(round(0.2 / step), 5)
    slack = distance[:reach]
    if slack.size < reach or np.median(slack) > setup.slack_length:
        return None
    fit, covariance = np.polyfit(step * np.arange(reach), slack, 2, cov=True)
    speed, weight = fit[1], setup.hung_weight
    lift = weight * (lowest.height - setup.slack_length)
    down = fall_energy(setup, setup.slack_length) + lift
    share = (setup.mass * speed**2 / 2 + lift) / down
    parts = setup.mass * speed * np.sqrt(covariance[1, 1]), weight * (1 - share) * lowest.u
    return Measured(float(share), float(np.linalg.norm(parts) / down))

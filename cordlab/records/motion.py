"""Load and motion of a drop, one from the other: the fall with the cord folded, then the cord under uniform strain.

`cell` is where the load cell sits: "top" (at the tie point) or "bottom" (at the cord's lower end). Symbols as in the
nomenclature: M mass, m cord mass, L slack length, y below the tie point, a upward acceleration, c the drag over v².
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.signal import savgol_coeffs

from cordlab.mechanics.fall import DropSetup, fall_energy, fall_speed, fall_time
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
    def end_speed(self) -> float:
        """Speed as the slack ends [m/s]."""
        return float(self.speed[-1])

    @property
    def quiet_load(self) -> float:
        """Load of the folded cord on the cell before release [N]: m g (L ± y₀)/(2L), half on each side of the fold."""
        setup, sign = self.setup, 1 if self.cell == "top" else -1
        share = (setup.slack_length + sign * setup.release_depth) / (2 * setup.slack_length)
        return float(setup.cord_mass * setup.gravity * share)

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
    """The fall with the cord folded, and the load at the cell.

    At the tie point hangs the resting side of the fold, m g (L + y)/(2L), and the pull of the fold, m v²/(4L). At the
    lower end the cell sees what pulls the mass faster than gravity, M (a − g) + c v².
    """
    depth = setup.release_depth + (setup.slack_length - setup.release_depth) * np.linspace(0, 1, 129) ** 2
    speed = fall_speed(setup, depth)
    pull = setup.cord_mass * speed**2 / (4 * setup.slack_length)
    if cell == "top":
        load = setup.cord_mass * setup.gravity * (setup.slack_length + depth) / (2 * setup.slack_length) + pull
    else:
        air = setup.drag * speed**2
        load = setup.mass * (pull - air) / setup.folded_mass(depth) + air
    # the first depth is that of release: the quadrature would divide 0 by 0 there
    time = np.concatenate([[0.0], fall_time(setup, depth[1:])])
    return Fall(setup, cell, time, depth, speed, load)


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
    return float(fall.end_speed * share)


@dataclass(frozen=True)
class Release:
    """When the mass was released, as far as the record shows, and the fall that follows.

    time, u_time : of release [s]; slack_end : when the fall is over [s]
    time_scale, u_time_scale : the record's time over the time that the fall takes, and its standard uncertainty
    load_step : end of slack seen as a step in the load [s], None where the cord is too light for one
    visible : whether the cord is heavy enough for its fall to be seen in the load
    """

    fall: Fall
    time: float
    u_time: float
    time_scale: float
    u_time_scale: float
    slack_end: float
    load_step: float | None
    visible: bool

    @property
    def rigid(self) -> bool:
        """Whether nothing says that the cord stretches as it falls: the load steps as the slack of a rigid fold ends,
        or the cord is too light."""
        step = self.load_step
        return not self.visible or (step is not None and abs(step - self.slack_end) <= AT_ONCE * self.fall.duration)


@dataclass(frozen=True)
class Motion:
    """The motion of one drop, arrays at the record's steps: position below the tie point [m], speed down [m/s].

    unloaded : index one past the first unloading; end : one past the last sample whose motion is known
    end_of_slack : what was kept as the slack ended, as far as the load shows it
    energy_returned : share that the mass has back when the cord is slack again, by a measured distance, if seen
    residual_velocity : speed that is left where the load is greatest, for motion from the load alone [m/s]
    """

    position: np.ndarray
    speed: np.ndarray
    lowest: Vertex
    unloaded: int
    end: int
    end_of_slack: EndOfSlack
    energy_returned: Measured | None = None
    residual_velocity: float | None = None
    notes: tuple[str, ...] = ()


def find_motion(record: Prepared, release: Release, mark: Measured | None = None) -> Motion:
    """Motion of a zeroed record: from its distance where it has one, else from its load.

    mark : when the mass was lowest, set by hand [s]
    """
    if record.distance is None or record.raw_distance is None:
        return _motion_from_load(record, release, mark)
    return _measured_motion(record, record.distance, record.raw_distance, release, mark)


def _measured_motion(
    record: Prepared, position: np.ndarray, raw: np.ndarray, release: Release, mark: Measured | None
) -> Motion:
    """Speed by local parabolas, the lowest point by a parabola through unfiltered samples, at the turn near a mark."""
    setup = release.fall.setup
    speed = _slopes(position, max(round(SPEED_WINDOW / record.step) | 1, 5)) / record.step
    if mark is None:
        turn = int(np.argmax(position))
        if turn >= position.size - max(3, round(0.02 / record.step)):
            raise RecordError(
                f"the record stops at {record.time[-1]:.2f} s, before the lowest point: the mass is still going down; "
                "record for at least 5 s after release"
            )
        half_width = VERTEX_SHARE * (record.time[turn] - release.slack_end)
        lowest = vertex(record.time, raw, record.time[turn], half_width)
    else:
        lowest = _turn_near(record.time, raw, mark.value, release)
        turn = int(np.argmin(np.abs(record.time - lowest.at)))
    unloaded = _unloaded(position, speed, turn, setup)
    returned = _energy_returned(raw[unloaded:], record.step, lowest, setup)
    return Motion(position, speed, lowest, unloaded, position.size, _end_of_slack(record, release), returned)


def _slopes(values: np.ndarray, window: int) -> np.ndarray:
    """Slope a sample by a parabola through the `window` samples about each; at the ends by the first and last one.

    As scipy's savgol_filter, which takes three times as long.
    """
    half, at = window // 2, np.arange(window)
    ends = [np.polyval(np.polyder(np.polyfit(at, values[part], 2)), at) for part in (at, at - window)]
    return np.concatenate([ends[0][:half], np.convolve(values, _weights(window), "valid"), ends[1][-half:]])


@lru_cache(maxsize=16)
def _weights(window: int) -> np.ndarray:
    return np.asarray(savgol_coeffs(window, 2, deriv=1))


def _turn_near(time: np.ndarray, distance: np.ndarray, mark: float, release: Release) -> Vertex:
    """The turn of the distance at a time set by hand. Raises RecordError where it does not turn there."""
    width = VERTEX_SHARE * (mark - release.slack_end)
    if width <= 0:
        raise RecordError(
            f"the lowest point marked at {mark:.3f} s is before the end of slack, {release.slack_end:.3f} s"
        )
    turn = vertex(time, distance, mark, width)
    if abs(turn.at - mark) > width or turn.height <= release.fall.setup.slack_length:
        raise RecordError(
            f"no turn below the slack length within {width:.2f} s of the lowest point marked at {mark:.3f} s; mark it "
            "where the distance turns"
        )
    return turn


def _motion_from_load(record: Prepared, release: Release, mark: Measured | None) -> Motion:
    """Motion from the load alone: the closed-form fall, then the load integrated from the end of slack."""
    fall, slack_end = release.fall, release.slack_end
    first = int(np.searchsorted(record.time, slack_end))
    end_of_slack = _end_of_slack(record, release)
    position, speed = _integrated(record, release, first, end_of_slack)
    turn, when, u_when = _turn(record, position, speed, first, fall.setup, mark)
    unloaded = _unloaded(position, speed, turn, fall.setup)
    peak = greatest_load(record, release, unloaded)
    residual_velocity = float(np.interp(peak.at, record.time, speed))
    braking = float(speed[turn - 1] - speed[turn]) / record.step
    terms = [
        _u_of_integration(fall, end_of_slack, when - slack_end, np.hypot(residual_velocity, braking * peak.u_at)),
        # an end of slack that is late by δ has the mass too high by v δ, and too slow by g δ from then on
        (taut_speed(fall, end_of_slack) + fall.setup.gravity * (when - slack_end))
        * np.hypot(record.step / np.sqrt(12), release.u_time),
    ]
    if mark is not None:  # a speed that is left there is an error too, grown in the same way
        terms.append(float(np.interp(mark.value, record.time, speed)) * (when - slack_end) / 2)
    lowest = Vertex(when, float(position[turn - 1 : turn + 1].max()), float(np.linalg.norm(terms)), u_when)
    note = f"no distance: motion from the load, {HOW[end_of_slack]}"
    return Motion(position, speed, lowest, unloaded, unloaded, end_of_slack, None, residual_velocity, (note,))


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


def _turn(
    record: Prepared, position: np.ndarray, speed: np.ndarray, first: int, setup: DropSetup, mark: Measured | None
) -> tuple[int, float, float]:
    """Index, time [s] and its standard uncertainty of the lowest point of an integrated motion, after index `first`."""
    if mark is not None:
        turn = int(np.searchsorted(record.time, mark.value))
        if not first + 2 <= turn < speed.size or position[turn - 1 : turn + 1].max() <= setup.slack_length:
            raise RecordError(f"the lowest point marked at {mark.value:.3f} s is not below the slack length")
        return turn, mark.value, mark.u
    turn = first + int(np.argmax(speed[first:] <= 0))
    if speed[turn] > 0:
        raise RecordError(
            f"the record stops at {record.time[-1]:.2f} s, before the lowest point: by the load the mass still "
            f"moves down at {speed[-1]:.1f} m/s; record longer, or check the mass ({float(setup.mass):g} kg) and the "
            "cell's unit"
        )
    share = speed[turn - 1] / (speed[turn - 1] - speed[turn])
    return turn, float(record.time[turn] - (1 - share) * record.step), record.step / np.sqrt(12)


def _u_of_integration(fall: Fall, end_of_slack: EndOfSlack, duration: float, speed_left: float) -> float:
    """Standard uncertainty of a lowest point [m] that was integrated from the load over `duration` [s].

    Under uniform strain, speed left at the greatest load is an error that grew steadily from the end of slack. With a
    wave, at the tie point, the cord's momentum counts instead: it swings about m v/2 while the wave crosses.
    """
    if end_of_slack == "energy":
        return speed_left * duration / 2
    if fall.cell == "bottom":
        return 0.0
    setup = fall.setup
    swing = setup.cord_mass / (2 * setup.mass + setup.cord_mass) * taut_speed(fall, end_of_slack)
    return float(swing * crossing(duration, setup) / np.pi)


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

"""Load and motion of a drop, one from the other: the fall with the cord folded, and the cord strained uniformly.

`setup` is a `DropSetup` of plain numbers, `cell` is "top" (at the tie point) or "bottom" (at the cord's lower end).
Symbols as in the nomenclature: M mass, m cord mass, L slack length, y below the tie point, a upward acceleration, c the
drag over v².
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.signal import savgol_filter

from cordlab.mechanics.setup import DropSetup, fall_energy, fall_speed, fall_time
from cordlab.records.prepare import Prepared, RecordError, Vertex, vertex
from cordlab.units import Measured

SMOOTH = 0.1  # s, the stretch of time over which speed is read from a measured distance
WIDTH = 0.12  # half of the parabola through the lowest point, over the time down: it departs by 1 mm in 40 m


def quiet_load(setup: DropSetup, cell: str) -> float:
    """What the folded cord hangs on the cell before release [N]: m g (L ± y₀)/(2L), half on each side of the fold."""
    sign = 1 if cell == "top" else -1
    L = setup.slack_length
    return float(setup.cord_mass * setup.gravity * (L + sign * setup.release_depth) / (2 * L))


@dataclass(frozen=True)
class Fall:
    """The fall from release to the end of slack; arrays along it, `time` from release [s], depth [m], speed [m/s]."""

    time: np.ndarray
    depth: np.ndarray
    speed: np.ndarray
    load: np.ndarray

    @property
    def duration(self) -> float:
        return float(self.time[-1])

    def depth_at(self, time: np.ndarray) -> np.ndarray:
        """Depth [m] at `time` after release; by the root of the distance fallen, nearly straight in time."""
        root = np.interp(time, self.time, np.sqrt(self.depth - self.depth[0]))
        return self.depth[0] + root**2

    def time_at(self, depth: np.ndarray) -> np.ndarray:
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
    return Fall(time, depth, speed, load)


def cord_force(setup: DropSetup, load: np.ndarray, speed: np.ndarray, cell: str) -> np.ndarray:
    """Force F of the uniform cord from the load at the cell [N], with the cord's weight and inertia taken out.

    The load is F + m (g/2 + a/6) at the tie point, F − m (g/2 + a/3) at the lower end, with
    a = [F − (M + m/2) g + c v|v|]/(M + m/3): linear in F.
    """
    share = setup.cord_mass / setup.moving_mass * (1 / 6 if cell == "top" else -1 / 3)
    weight = setup.cord_mass * setup.gravity * (0.5 if cell == "top" else -0.5)
    rest = setup.hung_weight - setup.drag * speed * np.abs(speed)
    return (load - weight + share * rest) / (1 + share)


def taut_speed(setup: DropSetup, speed: float, cell: str, carry: str) -> float:
    """Speed [m/s] with which the uniformly strained cord starts, from the speed at the end of slack.

    carry : "energy", K as it was while the inertia steps from M to M + m/3; or "momentum", which is what a cell at the
        tie point sees of a real cord (M v shared with m/2), and a cell at the lower end too (it reads M's own).
    """
    if carry == "energy":
        return float(speed * np.sqrt(setup.mass / setup.moving_mass))
    return float(speed * (setup.mass / (setup.mass + setup.cord_mass / 2) if cell == "top" else 1.0))


def integrate(
    setup: DropSetup, step: float, load: np.ndarray, cell: str, speed: float, depth: float
) -> tuple[np.ndarray, np.ndarray]:
    """Depth [m] and speed [m/s] on the stretched cord from the load at even steps [s], starting at `depth`, `speed`."""
    held, moving = setup.mass, setup.mass  # by the cell, and with the mass
    if cell == "top":
        held, moving = setup.mass + setup.cord_mass, setup.mass + setup.cord_mass / 2
    v = np.full(load.size, speed)
    for _ in range(6):  # drag depends on speed; it is a small part, so a few rounds settle it
        up = (load - held * setup.gravity + setup.drag * v * np.abs(v)) / moving
        v = speed - cumulative_trapezoid(up, dx=step, initial=0.0)
    return depth + cumulative_trapezoid(v, dx=step, initial=0.0), v


@dataclass(frozen=True)
class Release:
    """When the mass was let go, as far as the record shows.

    time, u_time : of release [s]; slack_end : when the fall is over [s]
    clock : the record's time over the time that the fall takes
    step : end of slack seen as a step in the load [s], None where the cord is too light for one
    contrast : misfit of the other end's load pattern over that of the cell's own; below 1 the other end fits better
    """

    time: float
    u_time: float
    clock: float
    slack_end: float
    step: float | None
    contrast: float


@dataclass(frozen=True)
class Motion:
    """The motion of one drop, arrays at the record's steps: position below the tie point [m], speed down [m/s].

    unloaded : index one past the first unloading; end : one past the last sample whose motion is known
    carry : "energy" or "momentum": what was kept as the slack ended, as far as the load shows it
    energy_returned : share of the energy taken up that the mass has back when the cord is slack again, from a measured
        distance; None where that is not seen
    closure : speed left where the load is greatest, for motion from the load alone [m/s]
    """

    position: np.ndarray
    speed: np.ndarray
    lowest: Vertex
    unloaded: int
    end: int
    carry: str
    energy_returned: float | None
    closure: float | None
    notes: tuple[str, ...]


def measured_motion(
    record: Prepared, load: np.ndarray, slack_end: float, setup: DropSetup, cell: str, mark: Measured | None = None
) -> Motion:
    """Motion from the distance: speed by local parabolas, the lowest point by a parabola through unfiltered samples.

    mark : when the mass was lowest, set by hand [s]: the turn nearest to it, where there is one
    """
    position, raw = record.distance, record.raw_distance
    if position is None or raw is None:
        raise ValueError("the record has no distance to measure the motion by")
    speed = savgol_filter(position, max(round(SMOOTH / record.step) | 1, 5), 2, deriv=1, delta=record.step)
    if mark is None:
        at = int(np.argmax(position))
        if at >= position.size - max(3, round(0.02 / record.step)):
            raise RecordError(
                f"the record stops at {record.time[-1]:.2f} s, before the lowest point: the mass is still going down; "
                "record for at least 5 s after release"
            )
        lowest = vertex(record.time, raw, record.time[at], WIDTH * (record.time[at] - slack_end))
    else:
        lowest = _nearest_turn(record.time, raw, mark.value, slack_end, setup)
        at = int(np.argmin(np.abs(record.time - lowest.at)))
    unloaded = _unloaded(position, speed, at, setup)
    carry = _carry(record, load, int(np.searchsorted(record.time, slack_end)), setup, cell)
    returned = _energy_returned(record.time, raw, unloaded, lowest.height, setup)
    return Motion(position, speed, lowest, unloaded, position.size, carry, returned, None, ())


def _nearest_turn(time: np.ndarray, distance: np.ndarray, mark: float, slack_end: float, setup: DropSetup) -> Vertex:
    """The turn of the distance at a time set by hand. Raises RecordError where it does not turn there."""
    width = WIDTH * (mark - slack_end)
    if width <= 0:
        raise RecordError(f"the lowest point marked at {mark:.3f} s is before the end of slack, {slack_end:.3f} s")
    turn = vertex(time, distance, mark, width)
    if abs(turn.at - mark) > width or turn.height <= setup.slack_length:
        raise RecordError(
            f"no turn below the slack length within {width:.2f} s of the lowest point marked at {mark:.3f} s; mark it "
            "where the distance turns"
        )
    return turn


def motion_from_load(
    record: Prepared,
    load: np.ndarray,
    zero: float,
    seen: Release,
    setup: DropSetup,
    cell: str,
    mark: Measured | None = None,
) -> Motion:
    """Motion from the load alone: the closed-form fall, then the load integrated from the end of slack.

    Where a uniform cord is lowest its load is greatest. The speed left there is the closure error; nothing is
    corrected by it, and the lowest point is as uncertain as if that error had grown steadily from the end of slack;
    to this comes the uncertainty of the moment of the greatest load, and of the end of slack. Where the load shows a
    wave, its greatest value is not at the lowest point: instead of the closure, at the tie point, the cord's momentum
    counts, which swings about m v/2 by as much while the wave crosses; at the lower end the cell reads the mass alone.

    mark : when the mass was lowest, set by hand [s]: the speed left there is an error too, grown in the same way
    """
    fall, slack_end = folded_fall(setup, cell), seen.slack_end
    first = int(np.searchsorted(record.time, slack_end))
    carry = _carry(record, load, first, setup, cell)
    start = taut_speed(setup, fall.speed[-1], cell, carry)
    lead = record.time[first] - slack_end  # the slack ends between two samples
    depth, v = integrate(
        setup,
        record.step,
        record.raw_load[first:] - zero,  # the filter would smear the step at the end of slack into the motion
        cell,
        start + lead * float(setup.gravity),
        setup.slack_length + lead * start,
    )
    if mark is None:
        turn = int(np.argmax(v <= 0))
        if v[turn] > 0:
            raise RecordError(
                f"the record stops at {record.time[-1]:.2f} s, before the lowest point: by the load the mass still "
                f"moves down at {v[-1]:.1f} m/s; record longer, or check the mass ({float(setup.mass):g} kg) and the "
                "cell's unit"
            )
    else:
        turn = int(np.searchsorted(record.time, mark.value)) - first
        if not 2 <= turn < v.size or depth[turn - 1 : turn + 1].max() <= setup.slack_length:
            raise RecordError(f"the lowest point marked at {mark.value:.3f} s is not below the slack length")
    position = np.concatenate([fall.depth_at(np.maximum(record.time[:first] - seen.time, 0.0)), depth])
    speed = np.concatenate([np.interp(record.time[:first] - seen.time, fall.time, fall.speed, left=0.0), v])
    at = first + turn
    unloaded = _unloaded(position, speed, at, setup)
    share = v[turn - 1] / (v[turn - 1] - v[turn]) if turn else 0.0
    when = float(record.time[at] - (1 - share) * record.step) if mark is None else mark.value
    greatest = first + int(np.argmax(load[first:unloaded]))
    peak = vertex(record.time, load, record.time[greatest], 0.05)
    closure = float(np.interp(peak.at, record.time, speed))
    if carry == "energy":
        braking = (speed[at - 1] - speed[at]) / record.step
        u_speed = np.hypot(closure, braking * peak.u_at) * (when - slack_end) / 2
    elif cell == "top":
        swung = setup.cord_mass / (2 * setup.mass + setup.cord_mass) * start
        u_speed = swung * _crossing(when - slack_end, setup) / np.pi
    else:
        u_speed = 0.0
    u = np.hypot(u_speed, start * np.hypot(record.step / np.sqrt(12), seen.u_time))
    height, u_at = float(position[at - 1 : at + 1].max()), record.step / np.sqrt(12)
    if mark is not None:
        left = float(np.interp(mark.value, record.time, speed))
        u, u_at = np.hypot(u, left * (when - slack_end) / 2), mark.u
    lowest = Vertex(when, height, float(u), u_at)
    kept = {
        "energy": "the cord taut at once (kinetic energy kept as the slack ends)",
        "momentum": "the cord pulled straight by a wave (momentum kept)",
    }
    note = f"no distance: motion from the load, {kept[carry]}"
    return Motion(position, speed, lowest, unloaded, unloaded, carry, None, closure, (note,))


def _unloaded(position: np.ndarray, speed: np.ndarray, lowest: int, setup: DropSetup) -> int:
    """One past the last sample of the first unloading: slack again, or turned on the way up, or the record's end."""
    up = position[lowest:] < position[lowest] - 0.05 * (position[lowest] - setup.slack_length)
    over = up & ((position[lowest:] <= setup.slack_length) | (speed[lowest:] >= 0))
    return lowest + int(np.argmax(over)) if over.any() else position.size


def _carry(record: Prepared, load: np.ndarray, first: int, setup: DropSetup, cell: str) -> str:
    """What the record shows as the slack ends: a wave ("momentum"), or a cord taut at once ("energy", and if light).

    The tie point learns of the mass only when the wave has crossed the cord; until then the load stays below the cord's
    weight, which a uniformly strained cord passes in a tenth of that time. At the lower end the mass
    hits the cord: the load jumps up by more than the cord's weight, where the uniform cord begins with a push.
    """
    weight = float(setup.cord_mass * setup.gravity)
    if weight == 0.0:
        return "energy"
    if cell == "bottom":
        after = load[first : first + max(round(0.03 / record.step), 2)]
        return "momentum" if after.min() > 0.0 and np.ptp(after) > weight else "energy"
    after = load[first + round(0.01 / record.step) :]  # the filter rounds the end of slack
    crossing = _crossing(np.argmax(after) * record.step, setup)
    return "momentum" if np.argmax(after > weight) * record.step > 0.2 * crossing else "energy"


def _crossing(down: float, setup: DropSetup) -> float:
    """Time that a stretch wave takes along the cord [s], from the time to the lowest point, roughly.

    L/c = √(m/k) and ω = √(k/M); from slack to the lowest point the swing takes 1.9 rad, between a quarter and half a
    period, on the cords it was tried on.
    """
    return float(np.sqrt(setup.cord_mass / setup.mass) * down / 1.9)


def _energy_returned(
    time: np.ndarray, distance: np.ndarray, slack: int, lowest: float, setup: DropSetup
) -> float | None:
    """Energy of the mass as the slack returns (index `slack`) over that on the way down, both counted from `lowest`.

    From the measured motion alone: lifting mass and half the cord by the stretch, and the mass's speed in the first
    fifth of a second of slack.
    """
    reach = max(round(0.2 / (time[1] - time[0])), 5)
    t, y = time[slack : slack + reach], distance[slack : slack + reach]
    if t.size < reach or np.median(y) > setup.slack_length:
        return None
    speed = np.polynomial.Polynomial.fit(t - t[0], y, 2).convert().coef[1]
    lift = setup.hung_weight * (lowest - setup.slack_length)
    return float((setup.mass * speed**2 / 2 + lift) / (fall_energy(setup, setup.slack_length) + lift))

"""What a single record says against itself: load and motion, clock and gravity, slack length and the end of slack."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import trapezoid

from cordlab.mechanics.setup import DropSetup, fall_speed
from cordlab.records.motion import Motion, Release, folded_fall, quiet_load, taut_speed
from cordlab.records.prepare import RecordError
from cordlab.units import Measured

# Beyond the first a note is made, beyond the second the record is refused.
CLOCK = (0.02, 0.25)  # share by which a fall is too slow or too quick
MASS = (0.07, 0.35)  # share by which the mass that load and motion imply departs
SLACK = (0.03, 0.25)  # share of the slack length, between the end of slack in the load and in the distance
CLOSURE = (0.15, np.inf)  # share of the speed at the end of slack, left at the greatest load
CORD = (0.15, np.inf)  # share by which the cord's mass that the load shows during the fall departs
RELEASE = (0.5, np.inf)  # m, between the distance at rest and the release depth
LOWEST = (4.0, 10.0)  # standard uncertainties between the lowest point noted and the one that the distance shows
UNSTATED = 0.1  # m, standard uncertainty of a lowest point that is noted without one
ALONE = (0.03, 0.15)  # the same from the load alone, as a share of the lowest point
OWN = (2.0, 4.0)  # and of the record's own standard uncertainties then: where it knows little, it is no witness
POUND = 0.45359237  # kg


@dataclass(frozen=True)
class Evidence:
    """A reduced record: arrays (n,) of time [s] and load without zero [N], and the motion."""

    time: np.ndarray
    load: np.ndarray
    release: Release
    motion: Motion
    setup: DropSetup
    cell: str


def disagreements(seen: Evidence) -> tuple[float | None, list[str]]:
    """The mass that load and motion imply (where the distance was measured), and what is suspicious, with the evidence.

    Raises RecordError for what cannot be true.
    """
    notes, closure = [*_cell_end(seen), *_clock(seen), *_cord(seen)], seen.motion.closure
    if closure is not None:
        # a wave's greatest load is not at the lowest point
        return None, notes + (_closure(seen, closure) if seen.motion.carry == "energy" else [])
    mass = implied_mass(seen)
    return mass, [*notes, *_slack(seen), *_release_point(seen), *_mass(seen, mass)]


def _judged(off: float, limits: tuple[float, float], said: str, refused: str = "") -> list[str]:
    """A note beyond the first limit; a refusal, `refused` added to it, beyond the second."""
    if abs(off) <= limits[0]:
        return []
    if abs(off) > limits[1]:
        raise RecordError(said + refused)
    return [said]


def implied_mass(seen: Evidence) -> float:
    """Mass [kg] that has no momentum at release, and none again at the lowest point: (∫load + ∫drag)/(gT) less cord.

    The record's own clock divides out. At the tie point the cell holds mass and cord, at the lower end the mass alone;
    there the falling side of the fold hangs below the mass and pulls it down.
    """
    M, m = float(seen.setup.mass), float(seen.setup.cord_mass)
    start, end = seen.release.time, seen.motion.lowest.at
    inside = (seen.time > start) & (seen.time < end)
    at = np.concatenate([[start], seen.time[inside], [end]])
    air = float(seen.setup.drag) * seen.motion.speed * np.abs(seen.motion.speed)
    up = np.where((seen.cell == "bottom") & (seen.time < seen.release.slack_end), -seen.load, seen.load)
    pushed = trapezoid(np.interp(at, seen.time, up + air), at)
    if (
        seen.motion.carry == "energy"
    ):  # the uniformly strained cord starts with more momentum than the fall had, by no force
        before = float(fall_speed(seen.setup, seen.setup.slack_length))
        after = taut_speed(seen.setup, before, seen.cell, "energy")
        pushed -= (M + m / 2) * after - M * before if seen.cell == "top" else M * (after - before)
    return float(pushed / (seen.setup.gravity * (end - start)) - (m if seen.cell == "top" else 0.0))


def _mass(seen: Evidence, mass: float) -> list[str]:
    given = float(seen.setup.mass)
    off = mass / given - 1
    said = f"load and motion imply {mass:.1f} kg, not the {given:.4g} kg noted ({off:+.0%})"
    if abs(mass / (given * POUND) - 1) < 0.1:
        said += "; pounds read as kilograms would do that"
    elif abs(mass * POUND / given - 1) < 0.1:
        said += "; kilograms read as pounds would do that"
    else:
        said += "; a mass mistyped, records swapped between drops, or a wrong calibration of the cell would do that"
    return _judged(off, MASS, said)


def _clock(seen: Evidence) -> list[str]:
    clock = seen.release.clock
    causes = "a clock that runs wrong, or the distance in another unit"
    if seen.motion.closure is not None:  # told by the folded cord's load, which grows as the mass falls
        causes = "the clock, the slack length, the release depth, the cord's mass or the cell's calibration"
    return _judged(clock - 1, CLOCK, f"the fall takes {clock:.3f} times as long as gravity allows; look at {causes}")


def _slack(seen: Evidence) -> list[str]:
    if seen.release.step is None:
        return []
    length = float(seen.setup.slack_length)
    at = float(np.interp(seen.release.step, seen.time, seen.motion.position))
    said = f"the load shows the end of slack at {at:.2f} m, but the slack length is given as {length:.2f} m"
    return _judged(at / length - 1, SLACK, said, "; another cord, or a slack length with the wrong unit or datum")


def _cord(seen: Evidence) -> list[str]:
    """The folded cord's pull grows with its mass, at rest and falling: how much of it the load shows."""
    if not np.isfinite(seen.release.contrast):
        return []  # a cord too light to be seen before it stretches
    fall = folded_fall(seen.setup, seen.cell)
    own = (seen.time - seen.release.time) / seen.release.clock
    during = (own > 0.1 * fall.duration) & (own < 0.85 * fall.duration)
    rest = quiet_load(seen.setup, seen.cell)
    expected, got = np.interp(own[during], fall.time, fall.load) - rest, seen.load[during] - rest
    share = float(got @ expected / (expected @ expected))
    mass = float(seen.setup.cord_mass)
    said = f"while the mass falls the load is that of a cord of {share * mass:.1f} kg, not of the {mass:.4g} kg noted"
    causes = "check the cord's mass and its unit, load_cell_at and the cell's calibration"
    return _judged(share - 1, CORD, f"{said}; {causes}")


def against_noted(found: Measured, noted: Measured, *, measured: bool) -> list[str]:
    """What is suspicious between the lowest point of a record and the one noted by hand, both below the tie point.

    measured : whether the record has a distance, or its motion is integrated from the load
    Raises RecordError where the two cannot both be true.
    """
    off = found.value - noted.value
    if measured:
        u = float(np.hypot(found.u, noted.u or UNSTATED))
        limits = LOWEST[0] * u, max(LOWEST[1] * u, 1.0)
        source, scale = "the distance", f"{abs(off) / u:.1f} standard uncertainties"
        causes = (
            "its datum (the tie point) and unit, the distance's calibration, and whether this is that drop's record"
        )
    else:
        one, two = (max(s * noted.value, LOWEST[0] * noted.u, k * found.u) for s, k in zip(ALONE, OWN, strict=True))
        limits = one, two
        source, scale = "the load", f"{abs(off) / noted.value:.0%} of it"
        causes = "the mass, the cell's calibration, the datum and unit of the lowest point, and whose record this is"
    said = (
        f"{source} shows the lowest point at {found.value:.2f} m, but {noted.value:.2f} m is noted: "
        f"{off:+.2f} m, {scale}; check {causes}"
    )
    return _judged(off, limits, said)


def _release_point(seen: Evidence) -> list[str]:
    rest = float(np.median(seen.motion.position[seen.time < seen.release.time - 0.05]))
    given = float(seen.setup.release_depth)
    said = (
        f"at rest the distance reads {rest:.2f} m, but the release depth is given as {given:.2f} m below the tie point"
    )
    return _judged(rest - given, RELEASE, said)


def _cell_end(seen: Evidence) -> list[str]:
    contrast = seen.release.contrast
    if contrast > 1 / 2:
        return []
    other = "bottom" if seen.cell == "top" else "top"
    said = f"before and during the fall the load behaves as at the {other} of the cord, not as at the {seen.cell}"
    if contrast < 1 / 4:
        raise RecordError(f"{said} (misfit {1 / contrast:.1f} times as large): the load cell is at the wrong end")
    return [f"{said}; check load_cell_at"]


def _closure(seen: Evidence, closure: float) -> list[str]:
    before = float(fall_speed(seen.setup, seen.setup.slack_length))
    causes = "a stretch wave, or the mass, the clock or the cell's calibration is wrong"
    said = f"{closure:+.1f} m/s are left where the load is greatest: {causes}"
    return _judged(closure / before, CLOSURE, said)

"""Held-back drops against their limits: what the analysis says of drops that it has not seen. Fit drops and retests
against what the others lead one to expect.
"""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from math import hypot, inf

import numpy as np
from scipy.optimize import brentq
from scipy.special import bdtrc

from cordlab.batch.bootstrap import GROUPS, groups_left_out
from cordlab.batch.drop_table import Evidence, drop_inputs, log_scales
from cordlab.batch.findings import Finding
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.tested import UNKNOWN_SLOPE, known_temperatures
from cordlab.limits.wave_effects import stiffened
from cordlab.mechanics.predict import predict_drop
from cordlab.statistics.components import furthest, furthest_pair, without_levels
from cordlab.statistics.groups import GroupLines
from cordlab.statistics.propagation import t_margin
from cordlab.units import Progress, unwatched

DOUBTFUL = 0.01
"""Validation fails where so many drops outside their limits had less than this probability, were the limits true."""

UNLIKE = 0.001  # chance that repeatability alone puts any drop of a campaign so far off; our choice
REPEATABLE = 0.002  # of the stiffness that one drop shows: no rig was seen to repeat better; our choice
UNLIKE_STIFFNESS = 0.01  # share that moves an end of the range by about 1 kg; our choice
UNLIKE_PEAK = 0.03  # share of a peak load; our choice
MOST_UNLIKE = 4  # drops that are named before it is the campaign that is unlike itself
STIFFER_WHEN_WORN = 0.01  # share by which retests may look stiffer than the same cords when new; our choice


@dataclass(frozen=True)
class HeldBack:
    """One drop that the limits had not seen; lowest points below the tie point [m]."""

    drop: str
    cord: str
    mass: float
    measured: float
    predicted: float
    lower: float
    upper: float
    whose: str  # "this cord" or "another cord"
    u_measured: float = 0.0

    @property
    def inside(self) -> bool:
        return bool(self.lower <= self.measured <= self.upper)

    def to_dict(self) -> dict[str, object]:
        return asdict(self) | {"inside": self.inside}


@dataclass(frozen=True)
class Validation:
    """Held-back drops, how many fell outside, and how likely that many are if the limits are true.

    probability : of one drop to stay within both its limits. left_out : True where no drop was held back and each fit
        drop was left out in turn instead.
    """

    rows: tuple[HeldBack, ...]
    probability: float
    left_out: bool

    @property
    def outside(self) -> int:
        return sum(not row.inside for row in self.rows)

    @property
    def chance(self) -> float:
        """Binomial probability of at least this many outside. Drops of one cord hang together, so it is a guide."""
        return 1.0 if self.outside == 0 else float(bdtrc(self.outside - 1, len(self.rows), 1 - self.probability))

    @property
    def failed(self) -> bool:
        return self.chance < DOUBTFUL

    @property
    def rms(self) -> float:
        """Root mean square of measured less predicted lowest point [m]."""
        return float(np.sqrt(np.mean([(row.measured - row.predicted) ** 2 for row in self.rows])))

    @property
    def how(self) -> str:
        if not self.left_out:
            return "held back"
        return "left out in turn" if len(self.rows) <= GROUPS else f"left out in {GROUPS} groups in turn"

    def summary(self) -> str:
        if not self.rows:
            return "no drop to validate with"
        masses = [row.mass for row in self.rows]
        return (
            f"{self.outside} of {len(self.rows)} drops {self.how} outside their {100 * self.probability:g} % limits "
            f"(probability of that many or more: {self.chance:.2g}); rms {self.rms:.2f} m; validated with "
            f"{min(masses):g} to {max(masses):g} kg hung"
        )


def validate(
    stiffness: DropStiffness,
    check: Evidence | None = None,
    *,
    probability: float = 0.99,
    progress: Progress = unwatched,
) -> Validation:
    """Predict each drop of `check` from the fit drops; without any, each fit drop from the others, of more than a
    hundred from those of the other groups of `groups_left_out`.

    The limits are two prediction limits at `probability` each, one a side, for the next drop of that cord where it is
    among the fit drops, else for another cord. They hold on the rig where the drops were made, so what all drops share
    cancels. Raises EvidenceError where the fit drops give no limit (one cord, no repeated drops).
    """
    both, fit = 2 * probability - 1, stiffness.drops
    rows: dict[int, HeldBack] = {}
    if check is not None and len(check):
        lines = replace(stiffness.lines(), values=stiffness.scales[0][0])  # by the central curve
        numbers = progress(range(len(check)), desc="drops held back", unit="drop")
        return Validation(tuple(_row(stiffness, lines, check, k, probability) for k in numbers), both, left_out=False)
    for out in progress(groups_left_out(len(fit)), desc="drops left out", unit="group"):
        others = np.flatnonzero(~out)
        if others.size < 2:
            break
        lines = stiffness.lines(0, others)
        lines = replace(lines, values=lines.values[0])
        if lines.n_groups == 1 and lines.dof_within < 1:
            continue  # too few drops of one cord are left to show their scatter
        rows |= {k: _row(stiffness, lines, fit, k, probability) for k in np.flatnonzero(out).tolist()}
    return Validation(tuple(rows[k] for k in sorted(rows)), both, left_out=True)


def _row(stiffness: DropStiffness, lines: GroupLines, drops: Evidence, k: int, probability: float) -> HeldBack:
    """Drop k of `drops` against the limits that `lines` give."""
    mass, cord, inputs, central = drops.mass[k], drops.cord[k], drop_inputs(stiffness.rig), stiffness.shapes[0]
    temperature = drops.temperature[k]
    if np.isfinite(temperature):
        lines = replace(lines, cause_at=temperature)
    this = cord in lines.names and (lines.dof_within > 0 or lines.n_groups < 2) and lines.structure != "across groups"
    level = lines.this_group(cord, mass) if this else lines.another_group(mass)
    error = 0.0
    if mass not in lines.x and drops.u_mass[k] > 0:  # this mass has an error that the fit drops don't share
        noted = drops.take(np.array([k]))
        off = replace(noted, mass=noted.mass + noted.u_mass)
        logs = [log_scales(central, drop, stiffness.batch, **inputs)[0, 0] for drop in (noted, off)]
        error = abs(logs[1] - logs[0])
    if np.isfinite(temperature) and not lines.cause.size:
        error = hypot(error, UNKNOWN_SLOPE * (temperature - known_temperatures(stiffness.drops).mean()))
    margin = t_margin([*np.sqrt(level.variances[:, 0]), error], [*level.dof, inf], probability)
    middle = level.mean[0] + stiffened(stiffness.waves, mass)
    scales = np.exp(middle + np.array([0.0, margin, -margin]))  # stiff stops high, soft stops low
    curves = central.take(np.zeros(3, int), scales)
    predicted, lower, upper = predict_drop(curves, mass=mass, **stiffness.batch, **inputs).lowest_point.tolist()
    return HeldBack(
        drop=drops.drop[k],
        cord=cord,
        mass=float(mass),
        measured=float(drops.lowest_point[k]),
        predicted=predicted,
        lower=lower,
        upper=upper,
        whose="this cord" if this else "another cord",
        u_measured=float(drops.u_lowest_point[k]),
    )


# --- drops unlike the others -----------------------------------------------------------------------------------------


def unlike_drops(stiffness: DropStiffness) -> Iterator[Finding]:
    """Fit drops whose lowest point or greatest load is far from what the other drops lead one to expect."""
    drops, central = stiffness.drops, stiffness.scales[0][0]
    odd = [k for k, _ in _unlike(central, drops, UNLIKE_STIFFNESS)]
    others = np.delete(np.arange(len(drops)), odd)
    lines = GroupLines.of(central[others], x=drops.mass[others], group=[drops.cord[k] for k in others])
    for k in odd:
        cord, mass, measured = drops.cord[k], float(drops.mass[k]), float(drops.lowest_point[k])
        expected = partial(_lowest_point, stiffness, lines, cord)
        implied = _mass_for(expected, measured, mass)
        in_words = "" if implied is None else f"; it says {implied:.1f} kg, {mass:g} kg is noted"
        yield Finding(
            "unlike lowest point",
            f"its lowest point, {measured:.2f} m, is {measured - expected(mass):+.2f} m from what the other drops lead "
            f"one to expect{in_words}",
            f"drop {drops.drop[k]} (cord {cord})",
            "check its mass, its lowest point, its cord and their units; drop it again",
            (drops.drop[k],),
        )
    recorded = drops.take(drops.has_peak)
    for k, off in _unlike(stiffness.excess[0][0], recorded, UNLIKE_PEAK) if stiffness.excess else ():
        yield Finding(
            "unlike peak load",
            f"its greatest load, {recorded.peak_load[k]:.0f} N, is {np.expm1(off):+.1%} from what the other drops lead "
            "one to expect",
            f"drop {recorded.drop[k]} (cord {recorded.cord[k]})",
            "check its mass and its record; drop it again",
            (recorded.drop[k],),
        )


def _unlike(values: np.ndarray, drops: Evidence, least: float) -> Iterator[tuple[int, float]]:
    """Number and distance of each value that the others do not lead one to expect.

    Cords have levels, and all have a bend over mass: a quadratic where there are drops enough, a line where not.
    """
    left = np.arange(len(drops))
    for _ in range(MOST_UNLIKE):
        log_mass = np.log(drops.mass[left] / drops.mass.mean())
        cords = [drops.cord[k] for k in left]
        powers = 2 if len(left) - len(set(cords)) > 6 else 1
        slopes = [log_mass**power for power in range(1, powers + 1)]
        levels = without_levels(values[left], cords, slopes=slopes)
        one = furthest(levels, least_sd=REPEATABLE)
        odd = [] if one is None or one.chance > UNLIKE else [one]
        if not odd:
            pair = furthest_pair(levels, least_sd=REPEATABLE)
            odd = [] if pair is None or pair[0].chance > UNLIKE else list(pair)
        if not odd or max(abs(value.off) for value in odd) < least:
            return
        for value in odd:
            yield int(left[value.number]), value.off
        left = np.delete(left, [value.number for value in odd])


def _lowest_point(stiffness: DropStiffness, lines: GroupLines, cord: str, mass: float) -> float:
    """Where a mass comes to on the rig, on that cord where the lines know it, else on a cord of the batch.  [m]"""
    tested = float(np.clip(mass, *stiffness.tested))  # lines and waves are known there alone
    level = lines.this_group(cord, tested) if cord in lines.names else lines.another_group(tested)
    curve = stiffness.shapes[0].take(np.zeros(1, int), np.exp(level.mean + stiffened(stiffness.waves, tested)))
    inputs = drop_inputs(stiffness.rig)
    return float(predict_drop(curve, mass=mass, **stiffness.batch, **inputs).lowest_point[0])


def _mass_for(expected: Callable[[float], float], lowest: float, mass: float) -> float | None:
    """The mass that comes to that lowest point, from a third to three times `mass`; None where none does.  [kg]"""
    low, high = mass / 3, 3 * mass
    if not expected(low) < lowest < expected(high):
        return None
    return float(brentq(lambda other: expected(other) - lowest, low, high, xtol=0.01))


def stiffer_when_worn(stiffness: DropStiffness, worn: Evidence) -> Iterator[Finding]:
    """Retests that show their cords stiffer than they were when new: another datum, most often."""
    lines, known = stiffness.lines(), np.array([cord in stiffness.drops.cord for cord in worn.cord], bool)
    if not known.any():
        return
    worn = worn.take(known)
    fresh = [lines.this_group(cord, mass).mean[0] for cord, mass in zip(worn.cord, worn.mass, strict=True)]
    change = stiffness.unexplained(worn) - np.array(fresh)
    if np.median(change) > STIFFER_WHEN_WORN:
        yield Finding(
            "stiffer when worn",
            f"the retests show the cords {np.expm1(np.median(change)):+.1%} stiffer than when new, in the median",
            f"{len(worn)} retests",
            "check the datum of their lowest points, their masses and their temperatures",
            worn.drop,
        )

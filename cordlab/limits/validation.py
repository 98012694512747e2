"""Held-back drops against their limits: what the analysis says of drops that it has not seen. Fit drops and retests
against what the others lead one to expect.
"""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from functools import partial
from math import hypot, inf
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.special import bdtrc

from cordlab.batch.bootstrap import GROUPS, groups_left_out
from cordlab.batch.drop_table import Evidence, Keywords, drop_inputs, log_excess, log_scales
from cordlab.batch.findings import Finding
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.tested import UNKNOWN_SLOPE, known_temperatures
from cordlab.limits.wave_effects import stiffened
from cordlab.mechanics.predict import predict_drop
from cordlab.statistics.components import furthest, furthest_pair, without_levels
from cordlab.statistics.groups import GroupLines, LackOfFit
from cordlab.statistics.propagation import t_margin
from cordlab.units import Progress, unwatched

DOUBTFUL = 0.01
"""Validation fails where so many drops outside their limits had less than this probability, were the limits true."""

BENT = 0.01, 0.001  # chance of means over mass that lie so far off lines: told; off every bend: it stops
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
    peak_load: float | None = None  # measured by the load cell, and its limits [N]; None without a record of a new drop
    peak_lower: float | None = None
    peak_upper: float | None = None
    g: float | None = None  # the same of the greatest g, where a cell at the lower end or the distance shows it
    g_lower: float | None = None
    g_upper: float | None = None

    @property
    def inside(self) -> bool:
        return bool(self.lower <= self.measured <= self.upper)

    @property
    def peak_inside(self) -> bool | None:
        """Whether the peak load lies within its limits; None where it is not judged."""
        return _within(self.peak_lower, self.peak_load, self.peak_upper)

    @property
    def g_inside(self) -> bool | None:
        return _within(self.g_lower, self.g, self.g_upper)

    def to_dict(self) -> dict[str, object]:
        return asdict(self) | {"inside": self.inside, "peak_inside": self.peak_inside, "g_inside": self.g_inside}


def _within(lower: float | None, measured: float | None, upper: float | None) -> bool | None:
    return None if lower is None or measured is None or upper is None else lower <= measured <= upper


@dataclass(frozen=True)
class MeanOff:
    """Mean over the held-back drops of a mass of measured less predicted lowest point, and how far it may be off [m]"""

    mass: float
    drops: int
    off: float
    allowed: float

    @property
    def inside(self) -> bool:
        return abs(self.off) <= self.allowed

    def to_dict(self) -> dict[str, object]:
        return asdict(self) | {"inside": self.inside}


@dataclass(frozen=True)
class Validation:
    """Held-back drops, how many fell outside, and how likely that many are if the limits are true; their means.

    probability : of one drop to stay within both its limits. left_out : True where no drop was held back and each fit
        drop was left out in turn instead. means : one a mass that was held back
    """

    rows: tuple[HeldBack, ...]
    probability: float
    left_out: bool
    means: tuple[MeanOff, ...] = ()

    @property
    def outside(self) -> int:
        return sum(not row.inside for row in self.rows)

    @property
    def peaks(self) -> list[bool]:
        """Whether each peak load that is judged lies within its limits."""
        return [row.peak_inside for row in self.rows if row.peak_inside is not None]

    @property
    def g(self) -> list[bool]:
        """Whether each greatest g that is judged lies within its limits."""
        return [row.g_inside for row in self.rows if row.g_inside is not None]

    @property
    def chance(self) -> float:
        """Binomial probability of at least this many outside. Drops of one cord hang together, so it is a guide."""
        return self._chance(self.outside, len(self.rows))

    def _chance(self, outside: int, of: int) -> float:
        return 1.0 if outside == 0 else float(bdtrc(outside - 1, of, 1 - self.probability))

    @property
    def failed(self) -> bool:
        chances = [self._chance(judged.count(False), len(judged)) for judged in (self.peaks, self.g)]
        return min(self.chance, *chances) < DOUBTFUL or not all(mean.inside for mean in self.means)

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
        masses, more = [row.mass for row in self.rows], ""
        for what, judged in (("peak loads", self.peaks), ("values of g", self.g)):
            if judged:
                more += f"; {judged.count(False)} of {len(judged)} {what} outside theirs"
        for mean in self.means:
            if not mean.inside:
                more += f"; at {mean.mass:g} kg {mean.off:+.2f} m in the mean, where {mean.allowed:.2f} m is allowed"
        return (
            f"{self.outside} of {len(self.rows)} drops {self.how} outside their {100 * self.probability:g} % limits "
            f"(probability of that many or more: {self.chance:.2g}); rms {self.rms:.2f} m; validated with "
            f"{min(masses):g} to {max(masses):g} kg hung{more}"
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
    cancels. Of `check` peak loads and g are judged too, and the mean of each mass. Raises EvidenceError where the fit
    drops give no limit (one cord, no repeated drops).
    """
    both, fit = 2 * probability - 1, stiffness.drops
    rows: dict[int, HeldBack] = {}
    if check is not None and len(check):
        lines = replace(stiffness.lines(), values=stiffness.scales[0][0])  # by the central curve
        numbers = progress(range(len(check)), desc="drops held back", unit="drop")
        held = [_row(stiffness, lines, check, k, probability) for k in numbers]
        rows_held = _with_records(stiffness, check, [row for row, _ in held], probability)
        means = _means(stiffness, lines, check, held) if lines.dof_within > 0 else ()
        return Validation(rows_held, both, left_out=False, means=means)
    for out in progress(groups_left_out(len(fit)), desc="drops left out", unit="group"):
        others = np.flatnonzero(~out)
        if others.size < 2:
            break
        lines = stiffness.lines(0, others)
        lines = replace(lines, values=lines.values[0])
        if lines.n_groups == 1 and lines.dof_within < 1:
            continue  # too few drops of one cord are left to show their scatter
        rows |= {k: _row(stiffness, lines, fit, k, probability)[0] for k in np.flatnonzero(out).tolist()}
    return Validation(tuple(rows[k] for k in sorted(rows)), both, left_out=True)


class _Expected(NamedTuple):
    """Of a held-back drop: what each fit drop counts in it, error of its mass in ln s, metres for ln s."""

    weights: np.ndarray
    error: float
    per_log: float


def _with_records(
    stiffness: DropStiffness, check: Evidence, rows: list[HeldBack], probability: float
) -> tuple[HeldBack, ...]:
    """The rows, with the peak load and the g of each recorded drop beside the limits that those of the fit drops give.

    A distance does not show the load of a wave: with waves g is judged by a cell at the lower end alone.
    """
    waves, inputs = stiffness.waves, drop_inputs(stiffness.rig)
    for name, of, end in (("peak", "peak_load", check.cell_end), ("g", "g", "lower")):
        numbers = np.flatnonzero(np.isfinite(getattr(check, of)))
        fitted, recorded = stiffness.drops.take(np.isfinite(getattr(stiffness.drops, of))), check.take(numbers)
        unseen, few = waves is not None and end != check.cell_end, min(2, len(set(stiffness.drops.cord)))
        if stiffness.excess is None or unseen or not numbers.size or len(set(fitted.cord)) < few:
            continue
        logs = []
        for drops in (fitted, recorded):
            uniform = log_scales(stiffness.shapes[0], drops, stiffness.batch, **inputs)
            excess = log_excess(stiffness.shapes[0], drops, uniform, stiffness.batch, of=of, **inputs)[0]
            logs.append(excess - (0.0 if waves is None else waves.at(drops.mass, end)[0]))
        lines = GroupLines.of(logs[0], x=fitted.mass, group=fitted.cord)
        rest = lines.lack_of_fit()
        for k, log, measured, mass in zip(numbers, logs[1], getattr(recorded, of), recorded.mass, strict=True):
            one = lines.n_groups == 1
            level = lines.this_group(lines.names[0], mass) if one else lines.another_group(mass)
            parts = [*np.sqrt(level.variances[:, 0]), rest.sd if rest else 0.0]
            far = float(t_margin(parts, [*level.dof, inf], probability))
            low, high = (float(measured * np.exp(level.mean[0] + way * far - log)) for way in (-1, 1))
            judged: Keywords = {of: float(measured), f"{name}_lower": low, f"{name}_upper": high}
            rows[k] = replace(rows[k], **judged)
    return tuple(rows)


def _means(
    stiffness: DropStiffness, lines: GroupLines, check: Evidence, held: list[tuple[HeldBack, _Expected]]
) -> tuple[MeanOff, ...]:
    """The mean of each held-back mass over its drops; an error that they share does not shrink with their number."""
    masses, means = np.unique(check.mass), []
    for mass in masses:
        of_mass = [held[k] for k in np.flatnonzero(check.mass == mass)]
        n, unseen = len(of_mass), {row.cord for row, _ in of_mass if row.whose == "another cord"}
        shares = np.mean([expected.weights for _, expected in of_mass], axis=0)
        sizes, dofs = [float(lines.within * (1 / n + shares @ shares)) ** 0.5, REPEATABLE], [lines.dof_within, inf]
        sizes, dofs = [*sizes, of_mass[0][1].error], [*dofs, inf]
        if unseen:
            level = lines.another_group(mass)
            share = sum(row.cord in unseen for row, _ in of_mass) / n
            sizes.append(share * float(level.mean_squares[0, 0] * (1 / len(unseen) + 1 / lines.n_groups)) ** 0.5)
            dofs.append(level.dof[0])
        bound = float(t_margin(sizes, dofs, 1 - DOUBTFUL / masses.size, sides=2))
        off = float(np.mean([row.measured - row.predicted for row, _ in of_mass]))
        per_log = float(np.mean([expected.per_log for _, expected in of_mass]))
        means.append(MeanOff(float(mass), n, off, bound * per_log))
    return tuple(means)


def _row(
    stiffness: DropStiffness, lines: GroupLines, drops: Evidence, k: int, probability: float
) -> tuple[HeldBack, _Expected]:
    """Drop k of `drops` against the limits that `lines` give, and what they expect of it."""
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
    error = hypot(error, stiffness.lack_of_fit)
    margin = t_margin([*np.sqrt(level.variances[:, 0]), error], [*level.dof, inf], probability)
    middle = level.mean[0] + stiffened(stiffness.waves, mass)
    scales = np.exp(middle + np.array([0.0, margin, -margin]))  # stiff stops high, soft stops low
    curves = central.take(np.zeros(3, int), scales)
    predicted, lower, upper = predict_drop(curves, mass=mass, **stiffness.batch, **inputs).lowest_point.tolist()
    weights = lines.mean_weights(mass, cord if this else None)[0]
    row = HeldBack(
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
    return row, _Expected(weights, error, (upper - lower) / (2 * float(margin)))


# --- means over mass -------------------------------------------------------------------------------------------------


def lack_of_fit(stiffness: DropStiffness) -> Iterator[Finding]:
    """Masses at which lowest points alone say otherwise than lines over mass, or than every bend that may be drawn."""
    if not stiffness.bent:
        return
    drops, (told, stops) = stiffness.drops, BENT
    straight = replace(stiffness, bent=False).lines().lack_of_fit()
    if straight is not None and straight.chance < told:
        yield Finding(
            "bend over mass",
            f"all cords bend alike over the masses: {_off_at(straight, drops.mass)}; the bend is in the estimates and "
            "its uncertainty in the limits",
            "lowest points",
            "records of some drops would show the curve itself",
        )
    rests = [stiffness.lines(j).lack_of_fit() for j in range(len(stiffness.shapes))]
    best = max((rest for rest in rests if rest is not None), key=lambda rest: rest.chance, default=None)
    off = 0.0 if best is None or best.chance > stops else float(np.abs(best.off).max())
    if best is not None and off > REPEATABLE:
        yield Finding(
            "lack of fit" if off > UNLIKE_STIFFNESS else "small lack of fit",
            f"no curve with a bend over mass describes the lowest points: {_off_at(best, drops.mass)}",
            "lowest points",
            "check the masses and how lowest points were read at that mass; record some drops",
        )


def _off_at(fit: LackOfFit, masses: np.ndarray) -> str:
    """The mass whose mean lies furthest off, and how sure that is, in words."""
    furthest = int(np.argmax(np.abs(fit.off)))
    return (
        f"at {np.unique(masses)[furthest]:g} kg {fit.off[furthest]:+.1%} of stiffness in the mean "
        f"(F({fit.dof}, {fit.dof_scatter}) = {fit.ratio:.3g}, chance {fit.chance:.1g})"
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
        further = partial(_further_down, stiffness, lines, cord, measured)
        in_words, lightest, heaviest = "", mass / 3, 3 * mass
        if further(lightest) < 0 < further(heaviest):
            implied = brentq(further, lightest, heaviest, xtol=0.01)
            in_words = f"; it says {implied:.1f} kg, {mass:g} kg is noted"
        yield Finding(
            "unlike lowest point",
            f"its lowest point, {measured:.2f} m, is {-further(mass):+.2f} m from what the other drops lead "
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


def _further_down(stiffness: DropStiffness, lines: GroupLines, cord: str, lowest: float, mass: float) -> float:
    """How far beyond `lowest` a mass comes on the rig, on that cord where the lines know it, else on another.  [m]"""
    tested = float(np.clip(mass, *stiffness.tested))  # lines and waves are known there alone
    level = lines.this_group(cord, tested) if cord in lines.names else lines.another_group(tested)
    curve = stiffness.shapes[0].take(np.zeros(1, int), np.exp(level.mean + stiffened(stiffness.waves, tested)))
    inputs = drop_inputs(stiffness.rig)
    return float(predict_drop(curve, mass=mass, **stiffness.batch, **inputs).lowest_point[0]) - lowest


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

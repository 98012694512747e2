"""The stiffness of each drop, and the errors that drops share: what limits for the next drop are made of.

Each source of uncertainty enters once:

- cord to cord (stiffness, slack length, mass, and the errors of measuring these): scatter of the cords' ln s; drop to
  drop (release, reading of the lowest point): scatter about the cords' lines. The t law for both, in the Monte Carlo.
- the same two for the peaks' excess over the curve's, with a t law of its own; what its lines over the masses do not
  describe is one more error at each tested mass and one at the mass asked for (`u_between_masses`).
- shape of the curve and choice of the model: each draw takes another curve that the records allow.
- shared by all drops (`SharedInput`), one error a draw, carried by what it does to every ln s: drag, air, release depth
  and compliance of the rig, each test mass, viscosity, the calibration behind the peaks and behind lowest points read
  from records, and the error of tape or camera behind those that were noted. An error of the force that the curve was
  fitted to scales the curve, and ln s takes it up.
- without records, a bend over the masses that the cords share: its uncertainty is in the lines' own, and what no bend
  describes (`LACK_OF_FIT`) is one more error at each tested mass and one at the mass asked for. Cords at one mass each
  have the bend in their scatter about the line through them.
- drawn for each drop: the site's height, release, drag, air, reach and gear; in the stretch ratio, the new cord's
  length. The rig's height is in no limit: lowest points are measured from the tie point.

Draws are common to all masses, so a limit is smooth in mass. JCGM 101 throughout, with its adaptive stop (7.9).
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from cordlab.batch.cords import TemperatureTrend, temperature_trend
from cordlab.batch.drop_table import (
    Evidence,
    Keywords,
    Place,
    Shapes,
    drop_inputs,
    log_excess,
    log_scales,
    mean_cord,
    uncertain_inputs,
)
from cordlab.curves.models import Curve
from cordlab.limits.tested import TEMPERATURE, UNKNOWN_SLOPE, known_temperatures
from cordlab.limits.wave_effects import WaveEffect, stiffened
from cordlab.statistics.groups import EvidenceError, GroupLines
from cordlab.units import Measured

VISCOSITY = "viscosity of the cords"  # shared by all drops where lowest points carry waves
TEST_MASSES = "test masses"
LACK_OF_FIT = "lack of fit over the masses"
# Of ln of a load by the waves of a cord whose fold was rigid, `python -m tests.coverage elastic_fold`; our choices:
UNMEASURED = 0.025  # at an end without a load cell, unless the peaks at the other end follow their waves more closely
DEEPER, PER_METRE = 0.5, 0.01  # at a site that lets go more than so far below or above the rig [m], and per metre


@dataclass(frozen=True)
class SharedInput:
    """An input that all drops, or all drops of one mass, have in common: its error does not shrink with their number.

    name : in the budget;  measured : value and standard uncertainty;  positive : whether it cannot be negative
    effect, peak_effect : d ln s / d input, (n_drops,), and d excess / d input, (n_drops with a record,)
    """

    name: str
    measured: Measured
    positive: bool
    effect: np.ndarray
    peak_effect: np.ndarray

    def take(self, drops: np.ndarray, recorded: np.ndarray) -> "SharedInput":
        """The same for some of the drops, and of those with a record; both as masks."""
        peak_effect = self.peak_effect[recorded] if len(self.peak_effect) else self.peak_effect
        return replace(self, effect=self.effect[drops], peak_effect=peak_effect)


@dataclass(frozen=True)
class DropStiffness:
    """The log scales and peak excesses of the drops, and how errors that they share move them.

    shapes : curves that the records allow, the central one first; scales[j] (shapes_j.count, n_drops) of ln s, the part
        of `waves` taken off
    excess : ln(measured/predicted peak), (shapes_j.count, n_drops with a record); None where fewer than 2 cords have
        one
    batch : slack length, cord mass and gravity of the mean cord
    trend : of ln s over temperature, carried by the lines where it is known
    unknowns_before : of the curve's shape, where one cord's lowest points alone gave it
    checked : masses of drops that were held back [kg]
    bent : whether the cords share a bend over the masses: no record holds the shape of the curve
    """

    drops: Evidence
    rig: Place
    shapes: tuple[Shapes, ...]
    scales: tuple[np.ndarray, ...]
    excess: tuple[np.ndarray, ...] | None
    shared: tuple[SharedInput, ...]
    waves: WaveEffect | None
    batch: Keywords
    notes: tuple[str, ...]
    trend: TemperatureTrend
    unknowns_before: int = 0
    checked: tuple[float, ...] = ()
    bent: bool = False

    def take(self, keep: np.ndarray) -> "DropStiffness":
        """The same of some of the drops, as a mask; curves, temperature and inputs stay those of all."""
        recorded = keep[self.drops.has_peak]
        return replace(
            self,
            drops=self.drops.take(keep),
            scales=tuple(scales[:, keep] for scales in self.scales),
            excess=self.excess and tuple(excess[:, recorded] for excess in self.excess),
            shared=tuple(one.take(keep, recorded) for one in self.shared),
        )

    def unexplained(self, drops: Evidence) -> np.ndarray:
        """ln s of drops on this rig by the central curve, the part of waves taken off.  (n_drops,)"""
        uniform = log_scales(self.shapes[0], drops, self.batch, **drop_inputs(self.rig))[0]
        return uniform - stiffened(self.waves, drops.mass)

    def lines(self, j: int = 0, drops: np.ndarray | slice = slice(None)) -> GroupLines:
        """ln s over mass, a line a cord, by shapes number j, and over temperature where its slope is known; bent where
        the curve is that of lowest points alone.

        drops : of some of the drops only, by number
        """
        line = partial(
            GroupLines.bent if self.bent else GroupLines.of,
            self.scales[j][:, drops],
            x=self.drops.mass[drops],
            group=np.array(self.drops.cord)[drops],
            unknowns_before=self.unknowns_before,
        )
        if self.trend.slope is not None:
            with suppress(ValueError):  # temperature may run with the masses on each cord, or where drops are left out
                return line(cause=known_temperatures(self.drops)[drops])
        return line()

    @property
    def bend_unseen(self) -> bool:
        """Whether the lines are to have a bend over the masses, and no cord shows one."""
        lines = self.lines()
        return self.bent and lines.structure == "one slope" and not lines.curved

    @property
    def lack_of_fit(self) -> float:
        """Standard deviation of ln s over the masses about every bend, in the limits; 0 where none is seen."""
        return next((one.measured.u for one in self.shared if one.name == LACK_OF_FIT), 0.0)

    def u_of_waves(self, end: str, release_depth: float) -> float:
        """Standard uncertainty of ln of the load at the "lower" or "tie" end that the waves' model itself leaves, let
        go at a `release_depth` [m].

        How far the masses' mean peaks lie off the model at the measured end tells of the other end, too. It may be off
        twice as much there, as far as `UNMEASURED`. The greatest load over every viscosity that a cord may have holds
        that already.
        """
        away = PER_METRE * max(abs(release_depth - self.rig.release_depth.value) - DEEPER, 0.0)
        unmeasured = 0.0 if self.waves is not None and self.waves.worst else UNMEASURED
        if self.excess is not None and unmeasured:
            masses, excess = self.drops.mass[self.drops.has_peak], self.excess[0][0]
            means = np.array([excess[masses == mass].mean() for mass in np.unique(masses)])
            if means.size > 1:
                scatter = float(np.sqrt(np.mean(means**2)))
                unmeasured = max(scatter, min(2 * scatter, UNMEASURED))
        measured = self.excess is not None and end == self.drops.cell_end
        return float(np.hypot(away, 0.0 if measured else unmeasured))

    def u_between_masses(self, hung: np.ndarray) -> np.ndarray:
        """Standard uncertainty of the peaks' excess at hung masses (n,) [kg] by what its lines do not describe.

        Waves change from mass to mass: each tested mass is off its line by itself, and so is the one asked for.  (n,)
        """
        lines = next(iter(self.excess_lines()), None)
        if lines is None or (lack := lines.lack_of_fit()) is None:
            return np.zeros(len(hung))
        at_mass = lines.mean_weights(hung) @ (lines.x[:, None] == np.unique(lines.x))
        return lack.sd * np.sqrt(1 + (at_mass**2).sum(axis=1))

    def excess_lines(self) -> list[GroupLines]:
        """The peaks' excess over mass, one a family of shapes; none where `excess` is."""
        recorded = self.drops.take(self.drops.has_peak)
        return [GroupLines.of(values, x=recorded.mass, group=recorded.cord) for values in self.excess or ()]

    @property
    def tested(self) -> tuple[float, float]:
        """Lightest and heaviest mass hung [kg]."""
        return float(self.drops.mass.min()), float(self.drops.mass.max())


def drop_stiffness(
    curve: Curve,
    evidence: Evidence,
    *,
    rig: Place,
    shapes: Sequence[Curve] = (),
    waves: WaveEffect | None = None,
    unknowns_before: int = 0,
    checked: Sequence[float] = (),
    bent: bool = False,
) -> DropStiffness:
    """Anchor `curve` on measured lowest points and peaks.

    rig : a campaign's `[rig]`. shapes : other curves that the records allow just as well, parameters as numbers or
        arrays of draws: bootstrap draws of the shape, other models that fit equally well; each draw of each counts the
        same.
    waves : `WaveEffect` on the rig; without it peaks are the uniform cord's, raised (never lowered) by the excess that
        was measured, and lowest points bend over the masses as waves make them.
    """
    if not len(evidence):
        raise EvidenceError("no drop to learn from: the campaign has no `fit` drop with a lowest point")
    notes, batch, lengths = [], mean_cord(evidence), evidence.slack_length
    if np.ptp(lengths) > 0.1 * batch["slack_length"]:
        notes.append(
            f"slack lengths run from {lengths.min():.2f} to {lengths.max():.2f} m, and limits for another cord cover "
            f"that whole mix; rate cords of one length by themselves for narrower limits"
        )
    logs = _Logs(evidence, batch, waves)
    reached, weight = evidence.lowest_point / batch["slack_length"], batch["gravity"] * logs.carried
    families, scales, excess = [], [], []
    for number, drawn in enumerate(map(Shapes.of, [curve, *shapes])):
        possible = drawn.possible(reached) if number else drawn
        if possible.count < drawn.count:
            notes.append(
                f"{drawn.count - possible.count} of {drawn.count} drawn shapes lock up before a measured lowest point"
            )
        if not possible.count:
            continue
        y, r = logs.of(possible, evidence, drop_inputs(rig))
        finite = np.isfinite(np.hstack([y, r])).all(axis=1)
        turning = np.flatnonzero(possible.turn(reached, y + logs.stiffer, weight) & finite)
        if turning.size < possible.count:
            notes.append(
                f"{possible.count - turning.size} of {possible.count} drawn shapes do not turn every drop that was made"
            )
        if turning.size:
            families.append(possible.only(turning))
            scales.append(y[turning])
            excess.append(r[turning])
        elif not families:
            raise EvidenceError(
                "with the batch's curve and mean slack length some drop would not have turned where it did: check "
                "slack lengths and lowest points, and rate cords of one length by themselves"
            )
    if not logs.by_peaks:
        notes.append(
            "fewer than 2 cords have a record of the load: peak loads and g are the curve's, not checked by a peak"
        )
    trend = temperature_trend(
        scales[0][0], evidence.temperature, cords=evidence.cord, masses=evidence.mass, jumps=evidence.jumps
    )
    stiffness = DropStiffness(
        drops=evidence,
        rig=rig,
        shapes=tuple(families),
        scales=tuple(scales),
        excess=tuple(excess) if logs.by_peaks else None,
        shared=(),
        waves=waves,
        batch=batch,
        notes=tuple(notes),
        trend=trend,
        unknowns_before=unknowns_before,
        checked=tuple(checked),
        bent=bent,
    )
    if trend.slope is not None and not stiffness.lines().cause.size:
        trend = replace(trend, slope=None, u=None, dof=0, reason="on each cord temperature ran with the masses")
    stiffness = replace(stiffness, trend=trend)
    shared = _shared(logs, families[0], rig, sloped=trend.slope is not None)
    if bent and (lack := stiffness.lines().lack_of_fit()) and lack.sd > 0:
        deviations = [*(evidence.mass == mass for mass in np.unique(evidence.mass)), np.ones(len(evidence))]
        law, no_peaks = Measured(0.0, lack.sd), np.zeros(excess[0].shape[1])
        shared += [SharedInput(LACK_OF_FIT, law, False, 1.0 * one, no_peaks) for one in deviations]
    return replace(stiffness, shared=tuple(shared))


class _Logs:
    """ln s and the peaks' excess of drops, what waves do to them taken off; also with an input that is a little off."""

    def __init__(self, drops: Evidence, batch: Keywords, waves: WaveEffect | None) -> None:
        recorded = drops.mass[drops.has_peak]
        self.drops, self.batch, self.waves = drops, batch, waves
        peaked = drops.take(drops.has_peak)
        self.by_peaks = len(set(peaked.cord)) >= 2
        if len(peaked) and len(set(drops.cord)) == 1:  # of one cord by itself, where its drops show their scatter
            self.by_peaks = GroupLines.of(peaked.mass, x=peaked.mass, group=peaked.cord).dof_within > 0
        self.carried = drops.mass + batch["cord_mass"] / 2
        # a mass that is off moves the drop, not the point of the wave table at which it is read
        self.stiffer = stiffened(waves, drops.mass)
        self.raised = 0.0 if waves is None else waves.at(recorded, drops.cell_end)[0]

    def of(self, shapes: Shapes, drops: Evidence, inputs: Keywords) -> tuple[np.ndarray, np.ndarray]:
        """(count, n_drops) and (count, n_drops with a record); the latter (count, 0) where peaks are not used."""
        y = log_scales(shapes, drops, self.batch, **inputs)
        if not self.by_peaks:
            return y - self.stiffer, np.empty((len(y), 0))
        peaked = drops.has_peak
        r = log_excess(shapes, drops.take(peaked), y[:, peaked], self.batch, **inputs)
        y = y - self.stiffer
        if self.waves is not None:  # a stiff cord's wave is not a mean cord's
            r = r - self.waves.moved(self.drops.mass[peaked], drops.cell_end, y[:, peaked])
        return y, r - self.raised


def _shared(logs: _Logs, central: Shapes, rig: Place, *, sloped: bool) -> list[SharedInput]:
    """Inputs with an uncertainty that drops have in common, with what they do by central differences."""
    drops, inputs, shared = logs.drops, drop_inputs(rig), []

    def slopes(
        moved: Callable[[float], tuple[Evidence, Keywords]], up: float = 1.0, down: float = 1.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """d ln s and d excess with the input off by `up` and by −`down`."""
        above, below = logs.of(central, *moved(up)), logs.of(central, *moved(-down))
        effect, peak_effect = ((a[0] - b[0]) / (up + down) for a, b in zip(above, below, strict=True))
        return effect, peak_effect

    def rig_off(name: str, by: float) -> tuple[Evidence, Keywords]:
        return drops, inputs | {name: inputs[name] + by}

    def lowest_off(u: np.ndarray, by: float) -> tuple[Evidence, Keywords]:
        return replace(drops, lowest_point=drops.lowest_point + by * u), inputs

    for name, measured in uncertain_inputs(rig).items():
        if measured.u > 0:
            positive = name != "release_depth"
            down = 0.0 if positive and measured.value < measured.u else measured.u
            change = slopes(partial(rig_off, name), measured.u, down)
            shared.append(SharedInput(f"rig {name.replace('_', ' ')}", measured, positive, *change))
    if drops.u_mass.any():
        # an error of a mass is felt by the drops of that mass only: all masses are moved in one go
        change = slopes(lambda by: (replace(drops, mass=drops.mass + by * drops.u_mass), inputs))
        recorded = drops.mass[drops.has_peak] if logs.by_peaks else np.empty(0)
        for mass in np.unique(drops.mass):
            u = float(np.max(drops.u_mass[drops.mass == mass]))
            if u > 0:
                of_mass = (x * (at == mass) / u for x, at in zip(change, (drops.mass, recorded), strict=True))
                shared.append(SharedInput(TEST_MASSES, Measured(float(mass), u), True, *of_mass))
    none, no_peaks = np.zeros(len(drops)), np.zeros(drops.has_peak.sum() if logs.by_peaks else 0)
    if drops.u_calibration > 0:
        calibration = Measured(1.0, drops.u_calibration)
        shared.append(SharedInput("peak load calibration", calibration, False, none, no_peaks + 1))
    one = Measured(0.0, 1.0)  # in standard uncertainties: each drop has its own
    error = getattr(rig, "lowest_point_error", None) or Measured(0.0)
    u_noted = error.u * (drops.u_common == 0)
    read = {"lowest points' calibration": (one, drops.u_common), "lowest points as noted": (error, u_noted)}
    for name, (law, u) in read.items():
        if u.any():
            change = slopes(partial(lowest_off, u))
            shared.append(SharedInput(name, law, False, *(moved / law.u for moved in change)))
    temperatures = known_temperatures(drops)
    if np.ptp(temperatures) > 0 and not sloped:  # `NextDrop` adds what it does at the temperature of use
        effect = temperatures.mean() - temperatures
        shared.append(SharedInput(TEMPERATURE, Measured(0.0, UNKNOWN_SLOPE), False, effect, no_peaks))
    if logs.waves is not None and logs.waves.sd_stiffness.any():
        # `NextDrop` adds what it does at the site; what it does to the peaks' excess is in sd_lower and sd_tie
        effect = -logs.waves.at(drops.mass, "stiffness")[1]
        shared.append(SharedInput(VISCOSITY, one, False, effect, no_peaks))
    return shared

"""Limits for the next drop: of another cord of the batch or of one tested cord, at a site, at any tested mass.

Each source of doubt enters once:

- cord to cord (stiffness, slack length, mass, and the errors of measuring these): scatter of the cords' ln s; drop to
  drop (release, reading of the lowest point): scatter about the cords' lines. The t law for both, in the Monte Carlo.
- the same two for the peaks' excess over the curve's, with a t law of its own.
- shape of the curve and choice of the model: each draw takes another curve that the records allow.
- shared by all drops, one error a draw, carried by what it does to every ln s: drag, air, release depth and compliance
  of the rig, each test mass, viscosity, and the calibration behind the peaks and behind lowest points read from
  records. An error of the force that the curve was fitted to scales the curve, and ln s takes it up.
- drawn for each drop: the site's height, release, drag, air, reach and gear; in the stretch ratio, the new cord's
  length. The rig's height is in no limit: lowest points are measured from the tie point.

Draws are common to all masses, so a limit is smooth in mass. JCGM 101 throughout, with its adaptive stop (7.9).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cordlab.batch.drop_table import Evidence, EvidenceError, SetUp, Shapes, log_excess, log_scales, mean_cord
from cordlab.curves.models import Curve
from cordlab.limits.wave_effects import WaveEffect, stiffened
from cordlab.statistics.groups import GroupLines
from cordlab.units import Measured

VISCOSITY = "viscosity of the cords"  # an input that all drops share, where lowest points carry waves
PEAK_CALIBRATION, LOWEST_CALIBRATION = "peak load calibration", "lowest points' calibration"


@dataclass(frozen=True)
class DropStiffness:
    """The log scales and peak excesses of the drops, and how errors that they share move them.

    shapes : curves that the records allow, the central one first; scales[j] (shapes_j.count, n_drops) of ln s, the part
        of `waves` taken off
    excess : ln(measured/predicted peak), (shapes_j.count, n_drops with a record); None where fewer than 2 cords have
        one
    shared : inputs that all drops, or all drops of one mass, have in common, by name
    slope, excess_slope : d ln s / d input and d excess / d input  (n_shared, n_drops), (n_shared, n_drops with a
        record)
    """

    drops: Evidence
    rig: SetUp
    shapes: tuple[Shapes, ...]
    scales: tuple[np.ndarray, ...]
    excess: tuple[np.ndarray, ...] | None
    shared: dict[str, Measured]
    slope: np.ndarray
    excess_slope: np.ndarray | None
    waves: WaveEffect | None
    batch: dict[str, Any]
    notes: tuple[str, ...]

    def unexplained(self, drops: Evidence) -> np.ndarray:
        """ln s of drops on this rig by the central curve, the part of waves taken off.  (n_drops,)"""
        uniform = log_scales(self.shapes[0], drops, self.batch, **self.rig.values())[0]
        return uniform - stiffened(self.waves, drops.mass)

    @property
    def has_peak(self) -> np.ndarray:
        return np.isfinite(self.drops.peak_load)

    def lines(self, j: int = 0) -> GroupLines:
        return GroupLines.of(self.scales[j], x=self.drops.mass, group=self.drops.cord)

    def excess_lines(self) -> list[GroupLines]:
        """One a family of shapes; none where `excess` is."""
        kept = self.drops.take(self.has_peak)
        return [GroupLines.of(values, x=kept.mass, group=kept.cord) for values in self.excess or ()]

    @property
    def tested(self) -> tuple[float, float]:
        """Lightest and heaviest mass hung [kg]."""
        return float(self.drops.mass.min()), float(self.drops.mass.max())


def drop_stiffness(
    curve: Curve,
    evidence: Evidence,
    *,
    rig: Any,
    shapes: Sequence[Curve] = (),
    waves: WaveEffect | None = None,
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
    set_up, notes = SetUp.of(rig), []
    batch, lengths = mean_cord(evidence), evidence.slack_length
    if np.ptp(lengths) > 0.1 * batch["slack_length"]:
        notes.append(
            f"slack lengths run from {lengths.min():.2f} to {lengths.max():.2f} m, and limits for another cord cover "
            f"that whole mix; rate cords of one length by themselves for narrower limits"
        )
    everything = [Shapes.of(curve)]
    reached = evidence.lowest_point / batch["slack_length"]
    for given in map(Shapes.of, shapes):
        possible = given.possible(reached)
        if possible.count < given.count:
            notes.append(
                f"{given.count - possible.count} of {given.count} drawn shapes lock up before a measured lowest point"
            )
        if possible.count:
            everything.append(possible)
    inputs, peaked = set_up.values(), np.isfinite(evidence.peak_load)
    kept = evidence.take(peaked)
    by_peaks, weight = len(set(kept.cord)) >= 2, batch["gravity"] * (evidence.mass + batch["cord_mass"] / 2)
    end = "tie" if evidence.load_cell_at == "top" else "lower"
    ratio = 0.0 if waves is None else waves.at(kept.mass, end)[0]
    told, uniform, excess = [], [], []
    for shape in everything:
        y = log_scales(shape, evidence, batch, **inputs)
        r = log_excess(shape, kept, y[:, peaked], batch, **inputs) - ratio if by_peaks else np.empty((len(y), 0))
        found = np.flatnonzero(shape.turn(reached, y, weight) & np.isfinite(np.hstack([y, r])).all(axis=1))
        if found.size < shape.count:
            notes.append(
                f"{shape.count - found.size} of {shape.count} drawn shapes do not turn every drop that was made"
            )
        if found.size:
            told.append(shape.only(found))
            uniform.append(y[found])
            excess.append(r[found])
        elif not told:
            raise EvidenceError(
                "with the batch's curve and mean slack length some drop would not have turned where it did: check "
                "slack lengths and lowest points, and rate cords of one length by themselves"
            )
    if not by_peaks:
        notes.append(
            "fewer than 2 cords have a record of the load: peak loads and g are the curve's, not checked by a peak"
        )
    stiffness = DropStiffness(
        drops=evidence,
        rig=set_up,
        shapes=tuple(told),
        scales=tuple(y - stiffened(waves, evidence.mass) for y in uniform),
        excess=tuple(excess) if by_peaks else None,
        shared=_shared(evidence, set_up, waves),
        slope=np.empty((0, 0)),
        excess_slope=None,
        waves=waves,
        batch=batch,
        notes=tuple(notes),
    )
    slope, excess_slope = _slopes(stiffness)
    return replace(stiffness, slope=slope, excess_slope=excess_slope)


def _shared(evidence: Evidence, rig: SetUp, waves: WaveEffect | None) -> dict[str, Measured]:
    """Inputs with an uncertainty that all drops, or all drops of one mass, have in common."""
    shared = {f"rig {name}": getattr(rig, name) for name in SetUp.NAMES}
    for mass in np.unique(evidence.mass):
        u = float(np.max(evidence.u_mass[evidence.mass == mass]))
        shared[f"mass {mass:g} kg"] = Measured(float(mass), u)
    known = np.isfinite(evidence.u_peak_load) & np.isfinite(evidence.peak_load)
    if known.any():
        relative = float(np.median(evidence.u_peak_load[known] / evidence.peak_load[known]))
        shared[PEAK_CALIBRATION] = Measured(1.0, relative)
    if evidence.u_common.any():
        shared[LOWEST_CALIBRATION] = Measured(0.0, 1.0)  # in standard uncertainties: each drop has its own
    if waves is not None and waves.sd_stiffness.any():
        shared[VISCOSITY] = Measured(0.0, 1.0)  # in standard uncertainties: `Run` adds what it does at the site
    return {name: quantity for name, quantity in shared.items() if quantity.u > 0}


def shifted(stiffness: DropStiffness, name: str, by: float) -> tuple[np.ndarray, np.ndarray | None]:
    """ln s and peak excess of the central curve with one shared input off by `by`.  (n_drops,), (n_drops with a
    record,)

    name : of `DropStiffness.shared`, or "mass" for every mass off by `by` of its standard uncertainties.
    """
    evidence, inputs, central = stiffness.drops, stiffness.rig.values(), stiffness.shapes[0]
    if name.startswith("rig "):
        inputs[name.removeprefix("rig ")] += by
    elif name == PEAK_CALIBRATION:
        evidence = replace(evidence, peak_load=evidence.peak_load * np.exp(by))  # a share: never below 0
    elif name == LOWEST_CALIBRATION:
        evidence = replace(evidence, lowest_point=evidence.lowest_point + by * evidence.u_common)
    elif name == "mass":
        evidence = replace(evidence, mass=evidence.mass + by * evidence.u_mass)
    else:
        only = evidence.mass == stiffness.shared[name].value
        evidence = replace(evidence, mass=np.where(only, evidence.mass + by, evidence.mass))
    y = log_scales(central, evidence, stiffness.batch, **inputs)
    # a mass that is off moves the drop, not the point of the wave table at which it is read
    unexplained = y[0] - stiffened(stiffness.waves, stiffness.drops.mass)
    if stiffness.excess is None:
        return unexplained, None
    kept, y_kept = evidence.take(stiffness.has_peak), y[:, stiffness.has_peak]
    r = log_excess(central, kept, y_kept, stiffness.batch, **inputs)[0]
    if stiffness.waves is not None:
        end = "tie" if evidence.load_cell_at == "top" else "lower"
        r = r - stiffness.waves.at(stiffness.drops.mass[stiffness.has_peak], end)[0]
    return unexplained, r


def _slopes(stiffness: DropStiffness) -> tuple[np.ndarray, np.ndarray | None]:
    """d ln s and d excess by each shared input: central differences of one standard uncertainty, one-sided near 0."""
    evidence, kept = stiffness.drops, stiffness.has_peak
    rows, excess_rows = [], []

    def differ(name: str, up: float, down: float) -> list[np.ndarray]:
        above, below = shifted(stiffness, name, up), shifted(stiffness, name, -down)
        return [(a - b) / (up + down) for a, b in zip(above, below, strict=True) if a is not None and b is not None]

    # an error of a mass is felt by the drops of that mass only: all masses are moved in one go
    by_mass = differ("mass", 1.0, 1.0) if np.any(evidence.u_mass) else []
    for name, quantity in stiffness.shared.items():
        if name.startswith("mass "):
            ours = np.where(evidence.mass == quantity.value, 1.0 / quantity.u, 0.0)
            found = [change * mask for change, mask in zip(by_mass, (ours, ours[kept]), strict=False)]
        elif name == VISCOSITY and stiffness.waves is not None:
            # what it does to the peaks' excess is in sd_lower and sd_tie
            found = [-stiffness.waves.at(evidence.mass, "stiffness")[1], np.zeros(int(kept.sum()))]
        else:
            near = name.endswith(("compliance", "drag_area", "air_density")) and quantity.value < quantity.u
            found = differ(name, quantity.u, 0.0 if near else quantity.u)
        rows.append(found[0])
        excess_rows += found[1:]
    slope = np.array(rows).reshape(len(rows), len(evidence))
    if stiffness.excess is None:
        return slope, None
    return slope, np.array(excess_rows).reshape(len(rows), int(kept.sum()))

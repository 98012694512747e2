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
from dataclasses import replace
from typing import Any

import numpy as np

from cordlab.batch.anchor import (
    VISCOSITY,
    Anchors,
    Evidence,
    EvidenceError,
    SetUp,
    Shapes,
    WaveEffect,
    log_excess,
    log_scales,
    stiffened,
)
from cordlab.batch.peaks import mean_cord
from cordlab.curves.models import Curve
from cordlab.limits.forecast import Forecast
from cordlab.limits.simulate import Run
from cordlab.units import Measured

__all__ = ["Evidence", "EvidenceError", "Forecast", "Learned", "WaveEffect", "learn"]

PEAK_CALIBRATION, LOWEST_CALIBRATION = "peak load calibration", "lowest points' calibration"


class Learned(Anchors):
    """What the fit drops say, ready to forecast the next drop."""

    def forecast(
        self,
        *,
        site: Any,
        masses: Any,
        limit: str = "prediction",
        probability: float = 0.99,
        confidence: float = 0.95,
        cord: str | None = None,
        waves: WaveEffect | None = None,
        seed: int = 0,
        draws: int | None = None,
    ) -> Forecast:
        """Draws of the next drop at `site` (a campaign's `[site]`) for rider masses (n_mass,) [kg].

        cord : a tested cord by name, or None for another cord of the batch. waves : at the site, where `learn` had them
            for the rig. draws : a fixed number; by default as many as JCGM 101 7.9 asks for. Raises
            EvidenceError where the drops cannot carry it (one cord, no repeated drops).
        """
        return Run.of(self, site=site, masses=masses, cord=cord, waves=waves).simulate(
            limit=limit, probability=probability, confidence=confidence, seed=seed, draws=draws
        )


def learn(
    curve: Curve,
    evidence: Evidence,
    *,
    rig: Any,
    shapes: Sequence[Curve] = (),
    waves: WaveEffect | None = None,
) -> Learned:
    """Anchor `curve` on measured lowest points and peaks.

    rig : a campaign's `[rig]`. shapes : other curves that the records allow just as well, parameters as numbers or
        arrays of draws: bootstrap draws of the shape, other models that fit equally well; each draw of each counts the
        same.
    waves : `WaveEffect` on the rig; without it peaks are the even cord's, raised (never lowered) by the excess that was
        measured, and lowest points bend over the masses as waves make them.
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
    told, even, excess = [], [], []
    for shape in everything:
        y = log_scales(shape, evidence, batch, **inputs)
        r = log_excess(shape, kept, y[:, peaked], batch, waves, **inputs) if by_peaks else np.empty((len(y), 0))
        found = np.flatnonzero(shape.turn(reached, y, weight) & np.isfinite(np.hstack([y, r])).all(axis=1))
        if found.size < shape.count:
            notes.append(
                f"{shape.count - found.size} of {shape.count} drawn shapes do not turn every drop that was made"
            )
        if found.size:
            told.append(shape.only(found))
            even.append(y[found])
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
    learned = Learned(
        evidence=evidence,
        rig=set_up,
        shapes=tuple(told),
        scales=tuple(y - stiffened(waves, evidence.mass) for y in even),
        excess=tuple(excess) if by_peaks else None,
        shared=_shared(evidence, set_up, waves),
        slope=np.empty((0, 0)),
        excess_slope=None,
        waves=waves,
        batch=batch,
        notes=tuple(notes),
    )
    slope, excess_slope = _slopes(learned)
    return replace(learned, slope=slope, excess_slope=excess_slope)


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


def shifted(learned: Anchors, name: str, by: float) -> tuple[np.ndarray, np.ndarray | None]:
    """ln s and peak excess of the central curve with one shared input off by `by`.  (n_drops,), (n_drops with a
    record,)

    name : of `Learned.shared`, or "mass" for every mass off by `by` of its standard uncertainties.
    """
    evidence, inputs, central = learned.evidence, learned.rig.values(), learned.shapes[0]
    if name.startswith("rig "):
        inputs[name.removeprefix("rig ")] += by
    elif name == PEAK_CALIBRATION:
        evidence = replace(evidence, peak_load=evidence.peak_load * np.exp(by))  # a share: never below 0
    elif name == LOWEST_CALIBRATION:
        evidence = replace(evidence, lowest_point=evidence.lowest_point + by * evidence.u_common)
    elif name == "mass":
        evidence = replace(evidence, mass=evidence.mass + by * evidence.u_mass)
    else:
        only = evidence.mass == learned.shared[name].value
        evidence = replace(evidence, mass=np.where(only, evidence.mass + by, evidence.mass))
    y = log_scales(central, evidence, learned.batch, **inputs)
    # a mass that is off moves the drop, not the point of the wave table at which it is read
    unexplained = y[0] - stiffened(learned.waves, learned.evidence.mass)
    if learned.excess is None:
        return unexplained, None
    kept, y_kept = evidence.take(learned.has_peak), y[:, learned.has_peak]
    r = log_excess(central, kept, y_kept, learned.batch, None, **inputs)[0]
    if learned.waves is not None:
        end = "tie" if evidence.load_cell_at == "top" else "lower"
        r = r - learned.waves.at(learned.evidence.mass[learned.has_peak], end)[0]
    return unexplained, r


def _slopes(learned: Anchors) -> tuple[np.ndarray, np.ndarray | None]:
    """d ln s and d excess by each shared input: central differences of one standard uncertainty, one-sided near 0."""
    evidence, kept = learned.evidence, learned.has_peak
    rows, excess_rows = [], []

    def differ(name: str, up: float, down: float) -> list[np.ndarray]:
        above, below = shifted(learned, name, up), shifted(learned, name, -down)
        return [(a - b) / (up + down) for a, b in zip(above, below, strict=True) if a is not None and b is not None]

    # an error of a mass is felt by the drops of that mass only: all masses are moved in one go
    by_mass = differ("mass", 1.0, 1.0) if np.any(evidence.u_mass) else []
    for name, quantity in learned.shared.items():
        if name.startswith("mass "):
            ours = np.where(evidence.mass == quantity.value, 1.0 / quantity.u, 0.0)
            found = [change * mask for change, mask in zip(by_mass, (ours, ours[kept]), strict=False)]
        elif name == VISCOSITY and learned.waves is not None:
            # what it does to the peaks' excess is in sd_lower and sd_tie
            found = [-learned.waves.at(evidence.mass, "stiffness")[1], np.zeros(int(kept.sum()))]
        else:
            near = name.endswith(("compliance", "drag_area", "air_density")) and quantity.value < quantity.u
            found = differ(name, quantity.u, 0.0 if near else quantity.u)
        rows.append(found[0])
        excess_rows += found[1:]
    slope = np.array(rows).reshape(len(rows), len(evidence))
    if learned.excess is None:
        return slope, None
    return slope, np.array(excess_rows).reshape(len(rows), int(kept.sum()))

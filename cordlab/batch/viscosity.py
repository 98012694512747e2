"""What stretch waves do to lowest points and loads as against the uniform cord, and the viscosity behind them.

Loads are compared where both cords come equally low, because that is where the drops anchor the uniform one: the
uniform cord is given the stiffness with which it reaches the lowest point of the cord with waves.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator

from cordlab.batch.drop_table import (
    Evidence,
    Keywords,
    Place,
    Shapes,
    drop_inputs,
    log_excess,
    log_scales,
    uncertain_inputs,
)
from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import predict_drop, scale_for_lowest_point
from cordlab.mechanics.waves import ELEMENTS, Swing, swing
from cordlab.statistics.groups import EvidenceError
from cordlab.units import Measured

UNKNOWN = (0.5, 20.0)  # viscosities that are allowed for where neither the campaign nor a record says [N·s]
SEARCHED = np.array([0.0, 1.0, 2.0, 4.0, 7.0, 12.0, 20.0, 40.0])  # that records are compared with [N·s]


@dataclass(frozen=True)
class Viscosity:
    """Of the batch's cords [N·s]; known how: "given", "measured" from peaks, or "unknown" (the worst counts)."""

    value: float
    u: float
    how: str
    hidden: str = ""  # why the records do not tell it

    @classmethod
    def given(cls, viscosity: Measured) -> "Viscosity":
        return cls(viscosity.value, viscosity.u, "given")

    @classmethod
    def unknown(cls, hidden: str = "") -> "Viscosity":
        return cls(UNKNOWN[0], 0.0, "unknown", hidden)

    def judged(self, hidden: str = "") -> "Viscosity":
        """Unknown where it was measured and something hides it, or where it is at an end of what was searched."""
        if self.how != "measured":
            return self
        if not SEARCHED[0] < self.value < SEARCHED[-1] - self.u:
            hidden = f"the peaks ask for {self.value:.0f} N·s, an end of the range that was searched"
        return self.unknown(hidden) if hidden else self

    def __str__(self) -> str:
        if self.how == "unknown":
            why = f", {self.hidden}" if self.hidden else ""
            return f"not known{why}: the worst of {UNKNOWN[0]:g} to {UNKNOWN[1]:g} N·s counts"
        source = "given in [cord]" if self.how == "given" else "measured from the peaks in the records"
        return f"{self.value:.1f} N·s, u = {self.u:.1f} N·s, {source}"


class Excess(NamedTuple):
    """Of a uniform cord that comes as low as the one with waves: ln of its stiffness over that of the curve, ln of the
    peaks with waves over its own at both ends; and the swing.
    """

    stiffness: np.ndarray
    lower: np.ndarray
    tie: np.ndarray
    swing: Swing

    def at(self, k: int) -> "Excess":
        """Number k along the first axis."""
        return Excess(self.stiffness[k], self.lower[k], self.tie[k], Swing(*(value[k] for value in self.swing)))


def wave_excess(
    curve: Curve,
    *,
    mass: ArrayLike,
    viscosity: ArrayLike,
    batch: Keywords,
    inputs: Keywords,
    elements: int = ELEMENTS,
) -> Excess:
    """Excess of stiffness and peaks for arrays that broadcast, the curve's parameters being numbers.

    batch, inputs : keywords of `predict_drop`, of the cord and of the rig or site. Where the cord with waves has no
        lowest point the excess is nan.
    """
    keywords = {**batch, **inputs, "mass": mass}
    shape = np.broadcast_shapes(*map(np.shape, (viscosity, curve.scale, *keywords.values())))
    flat: Keywords = {name: np.broadcast_to(value, shape).ravel() for name, value in keywords.items()}
    cords = replace(curve, scale=np.broadcast_to(curve.scale, shape).ravel())
    eta = np.broadcast_to(viscosity, shape).ravel()
    waves = swing(DropSetup(**flat), cords, eta, eta.size, elements=elements)
    held = np.isfinite(waves.stretch)
    lowest = flat["slack_length"] + np.where(held, waves.stretch, 1.0)  # where it is not held, any: it is not used
    scale = scale_for_lowest_point(cords, lowest, **flat)
    uniform = predict_drop(cords.scaled(scale), **flat)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = scale, waves.lower_load / uniform.tension, waves.tie_load / uniform.tie_load
        stiffness, lower, tie = (np.where(held, np.log(ratio), np.nan).reshape(shape) for ratio in ratios)
    return Excess(stiffness, lower, tie, Swing(*(value.reshape(shape) for value in waves)))


def measured_viscosity(curve: Curve, evidence: Evidence, *, rig: Place, batch: Keywords) -> Viscosity:
    """The viscosity with which waves explain the peaks in the records, by least squares over the masses.

    A peak's excess over the uniform cord's at the measured lowest point falls with the viscosity. Errors of the wave's
    course are common to the drops of a mass, so the masses count, not the drops; the calibration of the load and the
    rig are common to all. When the jump arrives at the load cell is a check (`WaveFit.to_dict`) and not weighed in: it
    comes only 2 to 3 ms earlier for each N·s, while a record shows it to some 5 ms, so it would say the viscosity to
    some 2 N·s where the peaks say it to 0.5 N·s. Raises EvidenceError without a record.
    """
    recorded, inputs = evidence.take(evidence.has_peak), drop_inputs(rig)
    if not len(recorded):
        raise EvidenceError("no record of the load: the viscosity cannot be measured")
    masses = np.unique(recorded.mass)
    table = wave_excess(curve, mass=masses, viscosity=SEARCHED[:, None], batch=batch, inputs=inputs)
    fine = np.linspace(SEARCHED[0], SEARCHED[-1], 2001)
    course = PchipInterpolator(SEARCHED, getattr(table, evidence.cell_end))(fine)
    member = (recorded.mass[:, None] == masses).astype(float)
    number = member.sum(axis=0)
    excess = _excess(curve, recorded, batch, inputs)
    mean = excess @ member / number
    best = int(np.argmin(((mean - course) ** 2).sum(axis=1)))
    slope, rest = np.gradient(course, fine, axis=0)[best], mean - course[best]
    off_mean = excess - member @ mean
    within = off_mean @ off_mean / max(len(recorded) - masses.size, 1)
    scatter = np.maximum(rest**2 * masses.size / max(masses.size - 1, 1), within / number)
    heavier = _excess(curve, replace(recorded, mass=recorded.mass + recorded.u_mass), batch, inputs) - excess
    variance = slope**2 @ (scatter + (heavier @ member / number) ** 2)
    variance += (recorded.u_calibration * slope.sum()) ** 2
    for name, measured in uncertain_inputs(rig).items():
        moved = _excess(curve, recorded, batch, inputs | {name: measured.value + measured.u}) - excess
        variance += (slope @ (moved @ member / number)) ** 2
    return Viscosity(float(fine[best]), float(np.sqrt(variance) / (slope @ slope)), "measured")


def _excess(curve: Curve, drops: Evidence, batch: Keywords, inputs: Keywords) -> np.ndarray:
    """ln of each measured peak over the uniform cord's at the measured lowest point."""
    shapes = Shapes.of(curve)
    return log_excess(shapes, drops, log_scales(shapes, drops, batch, **inputs), batch, **inputs)[0]

"""What stretch waves do to lowest points and loads as against the uniform cord, and the viscosity behind them.

Loads are compared where both cords come equally low, because that is where the drops anchor the uniform one (`anchor`):
the uniform cord is given the stiffness with which it reaches the lowest point of the cord with waves.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from scipy.interpolate import PchipInterpolator

from cordlab.batch.drop_table import Evidence, EvidenceError, SetUp, Shapes, log_excess, log_scales
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop, scale_for_lowest_point
from cordlab.mechanics.setup import DropSetup
from cordlab.mechanics.waves import ELEMENTS, Swing, swing
from cordlab.units import Measured

UNKNOWN = (0.5, 20.0)  # viscosities that are allowed for where neither the campaign nor a record says [N·s]
SEARCHED = np.array([0.0, 1.0, 2.0, 4.0, 7.0, 12.0, 20.0, 40.0])  # that records are compared with [N·s]


@dataclass(frozen=True)
class Viscosity:
    """Of the batch's cords [N·s]; `how` we know it: "given", "measured" from peaks, or "unknown" (the worst counts)."""

    value: float
    u: float
    how: str

    @classmethod
    def given(cls, viscosity: Measured) -> "Viscosity":
        return cls(viscosity.value, viscosity.u, "given")

    @classmethod
    def unknown(cls) -> "Viscosity":
        return cls(UNKNOWN[0], 0.0, "unknown")

    def __str__(self) -> str:
        if self.how == "unknown":
            return f"not known: the worst of {UNKNOWN[0]:g} to {UNKNOWN[1]:g} N·s counts"
        source = "given in [cord]" if self.how == "given" else "measured from the peaks in the records"
        return f"{self.value:.1f} ± {self.u:.1f} N·s, {source}"


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
    curve: Curve, *, mass: Any, viscosity: Any, batch: Mapping[str, Any], inputs: Mapping[str, Any],
    elements: int = ELEMENTS,
) -> Excess:  # fmt: skip
    """Excess of stiffness and peaks for arrays that broadcast, the curve's parameters being numbers.

    batch, inputs : keywords of `predict_drop`, of the cord and of the rig or site. Where the cord with waves has no
        lowest point the excess is nan.
    """
    given = {**batch, **inputs, "mass": mass}
    shape = np.broadcast_shapes(*map(np.shape, (viscosity, curve.scale, *given.values())))
    flat: dict[str, Any] = {name: np.broadcast_to(value, shape).ravel() for name, value in given.items()}
    each = replace(curve, scale=np.broadcast_to(curve.scale, shape).ravel())
    eta = np.broadcast_to(viscosity, shape).ravel()
    found = swing(DropSetup(**flat), each, eta, eta.size, elements=elements)
    held = np.isfinite(found.stretch)
    lowest = flat["slack_length"] + np.where(held, found.stretch, 1.0)  # where it is not held, any: it is not used
    scale = scale_for_lowest_point(each, lowest, **flat)
    uniform = predict_drop(each.scaled(scale), **flat)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = scale, found.lower_load / uniform.tension, found.tie_load / uniform.tie_load
        stiffness, lower, tie = (np.where(held, np.log(ratio), np.nan).reshape(shape) for ratio in ratios)
    return Excess(stiffness, lower, tie, Swing(*(value.reshape(shape) for value in found)))


def measured_viscosity(curve: Curve, evidence: Evidence, *, rig: SetUp, batch: Mapping[str, Any]) -> Viscosity:
    """The viscosity with which waves explain the peaks in the records, by least squares over the masses.

    A peak's excess over the uniform cord's at the measured lowest point falls with the viscosity. Errors of the wave's
    course are common to the drops of a mass, so the masses count, not the drops; the calibration of the load and the
    rig are common to all. When the jump arrives at the load cell is a check (`WaveFit.to_dict`) and not weighed in: it
    comes only 2 to 3 ms earlier for each N·s, while a record shows it to some 5 ms and the grid of the chain to 4 ms,
    so it would add 1 to 2 N·s of doubt of its own to the 0.5 N·s of the peaks. Raises EvidenceError without a record.
    """
    kept = evidence.take(np.isfinite(evidence.peak_load))
    if not len(kept):
        raise EvidenceError("no record of the load: the viscosity cannot be measured")
    inputs = rig.values()
    seen = _seen(curve, kept, batch, inputs)
    masses = np.unique(kept.mass)
    table = wave_excess(curve, mass=masses, viscosity=SEARCHED[:, None], batch=batch, inputs=inputs)
    expected = getattr(table, "tie" if evidence.load_cell_at == "top" else "lower")
    fine = np.linspace(SEARCHED[0], SEARCHED[-1], 2001)
    course = PchipInterpolator(SEARCHED, expected)(fine)
    each = (kept.mass[:, None] == masses).astype(float)
    number = each.sum(axis=0)
    mean = seen @ each / number
    best = int(np.argmin(((mean - course) ** 2).sum(axis=1)))
    slope, left = np.gradient(course, fine, axis=0)[best], mean - course[best]
    within = (seen - each @ mean) @ (seen - each @ mean) / max(len(kept) - masses.size, 1)
    scatter = np.maximum(left**2 * masses.size / max(masses.size - 1, 1), within / number)
    heavier = _seen(curve, replace(kept, mass=kept.mass + kept.u_mass), batch, inputs) - seen
    variance = slope**2 @ (scatter + (heavier @ each / number) ** 2)
    variance += (_calibration(kept) * slope.sum()) ** 2
    for name in SetUp.NAMES:
        moved = inputs | {name: inputs[name] + getattr(rig, name).u}
        variance += (slope @ ((_seen(curve, kept, batch, moved) - seen) @ each / number)) ** 2
    return Viscosity(float(fine[best]), float(np.sqrt(variance) / (slope @ slope)), "measured")


def _seen(curve: Curve, evidence: Evidence, batch: Mapping[str, Any], inputs: Mapping[str, Any]) -> np.ndarray:
    """ln of each measured peak over the uniform cord's at the measured lowest point."""
    shapes = Shapes.of(curve)
    y = log_scales(shapes, evidence, batch, **inputs)
    return log_excess(shapes, evidence, y, batch, **inputs)[0]


def _calibration(evidence: Evidence) -> float:
    """Relative standard uncertainty that all peaks have in common."""
    u = evidence.u_peak_load / evidence.peak_load
    return float(np.median(u[np.isfinite(u)])) if np.isfinite(u).any() else 0.0

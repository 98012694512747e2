"""Stiffness against temperature, as this campaign measured it: no default, and no trend where none was measured."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import stdtrit

from cordlab.statistics.groups import without_levels

LEAST_RANGE = 5.0  # that drops of a cord must span for a trend to be told: a cord's core is known to about 2 K  [K]
TOGETHER = 0.9  # correlation of temperature and jump count from which they are called inseparable


@dataclass(frozen=True)
class TemperatureTrend:
    """Change of ln stiffness by temperature, within cords and masses.

    slope, u : [1/K], None where it was not measured;  dof : degrees of freedom of u
    lowest, highest : temperatures of the drops [degC];  reason : why there is no slope;  note : what else may be in it
    """

    slope: float | None
    u: float | None
    dof: int
    lowest: float
    highest: float
    reason: str = ""
    note: str = ""

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Two-sided confidence interval of the slope by Student's t [1/K]; ValueError where it was not measured."""
        if self.slope is None or self.u is None:
            raise ValueError(f"no temperature trend: {self.reason}")
        half = float(stdtrit(self.dof, (1 + level) / 2)) * self.u
        return self.slope - half, self.slope + half

    def summary(self) -> str:
        if self.slope is None or self.u is None:
            return f"temperature: no trend of stiffness measured ({self.reason})"
        told = f"temperature: stiffness changes by {100 * self.slope:+.2f} ± {100 * self.u:.2f} % per K"
        return f"{told}, measured from {self.lowest:.1f} to {self.highest:.1f} °C{'; ' if self.note else ''}{self.note}"

    def to_dict(self) -> dict[str, Any]:
        return {"slope_per_K": self.slope, "u": self.u, "dof": self.dof, "range": [self.lowest, self.highest],
                "reason": self.reason, "note": self.note}  # fmt: skip


def temperature_trend(
    log_scale: np.ndarray,
    temperature: np.ndarray,
    *,
    cords: Sequence[str],
    masses: Sequence[float] | np.ndarray,
    jumps: Sequence[float] | np.ndarray,
) -> TemperatureTrend:
    """Slope of ln stiffness scale on temperature [degC], one value a drop, every cord and every mass at its own level.

    Least squares with a column for each cord and each mass; drops without a temperature don't count. No slope where no
    cord was dropped over `LEAST_RANGE`, or where no degree of freedom is left.
    """
    known = np.isfinite(temperature)
    t, y = np.asarray(temperature, float)[known], np.asarray(log_scale, float)[known]
    cord, mass = np.asarray(cords)[known], np.asarray(masses)[known]
    lowest, highest = (float(t.min()), float(t.max())) if t.size else (np.nan, np.nan)

    def none(reason: str) -> TemperatureTrend:
        return TemperatureTrend(None, None, 0, lowest, highest, reason)

    spans = [np.ptp(t[cord == name]) for name in np.unique(cord)]
    if not t.size or max(spans) < LEAST_RANGE:
        widest = f"{max(spans):.1f} K" if t.size else "no temperature was noted"
        return none(f"drops of one cord span {widest}; drop a cord at temperatures {LEAST_RANGE:g} K apart or more")
    free, _, dof = without_levels(np.column_stack([t - t.mean(), y, np.asarray(jumps, float)[known]]), cord, mass)
    own, left, counted = free.T
    dof -= 1
    if dof < 1 or own @ own < t.size:  # a kelvin of its own a drop, in the root of the mean square
        return none(
            "temperature changed with the cords or the masses, not within them; repeat a mass when it is warmer"
        )
    slope = float(own @ left / (own @ own))
    u = float(np.sqrt(np.sum((left - slope * own) ** 2) / dof / (own @ own)))
    with_jumps = abs(own @ counted) / np.sqrt((own @ own) * (counted @ counted)) if counted @ counted > 1e-9 else 0.0
    note = "jump counts rose along with it, and their softening is in the trend" if with_jumps > TOGETHER else ""
    return TemperatureTrend(slope, u, dof, lowest, highest, note=note)


def tested_only(temperatures: Any) -> str:
    """The caution where a campaign does not say at which temperatures the cords are used.  (n_drops,) [°C]"""
    known = np.asarray(temperatures)[np.isfinite(temperatures)]
    if not known.size:
        return "No drop has its temperature recorded, and none is given for the use: the rating says nothing of either."
    return (
        f"The rating holds for cords at {known.min():g} to {known.max():g} °C, where they were dropped; the "
        "temperature of use is not given ([site] temperature)."
    )

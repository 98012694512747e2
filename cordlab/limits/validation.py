"""Held-back drops against their limits: what the analysis says of drops that it has not seen."""

from dataclasses import dataclass, replace
from math import inf
from typing import Any

import numpy as np
from scipy.special import bdtrc

from cordlab.batch.bootstrap import GROUPS, groups_left_out
from cordlab.batch.drop_table import Evidence, log_scales
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.wave_effects import stiffened
from cordlab.mechanics.predict import predict_drop
from cordlab.statistics.groups import GroupLines
from cordlab.statistics.propagation import t_margin
from cordlab.units import Progress, unwatched

DOUBTFUL = 0.01
"""Validation fails where so many drops outside their limits had less than this probability, were the limits true."""


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

    def to_dict(self) -> dict[str, Any]:
        names = ("drop", "cord", "mass", "measured", "predicted", "lower", "upper", "inside", "whose", "u_measured")
        return {name: getattr(self, name) for name in names}


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
        return (
            f"{self.outside} of {len(self.rows)} drops {self.how} outside their {100 * self.probability:g} % limits "
            f"(probability of that many or more: {self.chance:.2g}); rms {self.rms:.2f} m"
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
    if check is not None and len(check):
        lines = replace(stiffness.lines(), values=stiffness.scales[0][0])  # by the central curve
        held = progress(range(len(check)), desc="drops held back", unit="drop")
        return Validation(tuple(_row(stiffness, lines, check, k, probability) for k in held), both, left_out=False)
    found: dict[int, HeldBack] = {}
    for out in progress(groups_left_out(len(fit)), desc="drops left out", unit="group"):
        others = np.flatnonzero(~out)
        if others.size < 2:
            break
        lines = GroupLines.of(
            stiffness.scales[0][0, others], x=fit.mass[others], group=[fit.cord[other] for other in others]
        )
        found |= {k: _row(stiffness, lines, fit, k, probability) for k in np.flatnonzero(out).tolist()}
    return Validation(tuple(found[k] for k in sorted(found)), both, left_out=True)


def _row(stiffness: DropStiffness, lines: GroupLines, drops: Evidence, k: int, probability: float) -> HeldBack:
    """Drop k of `drops` against the limits that `lines` give."""
    mass, inputs = drops.mass[k], stiffness.rig.values()
    cord, whose = drops.cord[k], "another cord"
    if cord in lines.names and (lines.dof_within > 0 or lines.n_groups < 2) and lines.structure != "across groups":
        whose = "this cord"
    level = lines.this_group(cord, mass) if whose == "this cord" else lines.another_group(mass)
    error = 0.0
    if mass not in lines.x and drops.u_mass[k] > 0:  # a mass of its own has an error that the fit drops don't share
        one = drops.take(np.array([k]))
        moved = replace(one, mass=one.mass + one.u_mass)
        at, off = (log_scales(stiffness.shapes[0], x, stiffness.batch, **inputs)[0, 0] for x in (one, moved))
        error = off - at
    half = t_margin([*np.sqrt(level.variances[:, 0]), abs(error)], [*level.dof, inf], probability)
    middle = level.mean[0] + stiffened(stiffness.waves, mass)
    scales = np.exp(middle + np.array([0.0, half, -half]))  # stiff stops high, soft stops low
    curves = stiffness.shapes[0].take(np.zeros(3, int), scales)
    points = predict_drop(curves, mass=mass, **stiffness.batch, **inputs).lowest_point
    predicted, upper, lower = (float(x) for x in points[[0, 2, 1]])
    measured = float(drops.lowest_point[k])
    u_measured = float(drops.u_lowest_point[k])
    return HeldBack(drops.drop[k], cord, float(mass), measured, predicted, lower, upper, whose, u_measured)

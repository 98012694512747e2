"""Held-back drops against their limits: what the analysis says of drops that it has not seen."""

from dataclasses import asdict, dataclass, replace
from math import inf

import numpy as np
from scipy.special import bdtrc

from cordlab.batch.bootstrap import GROUPS, groups_left_out
from cordlab.batch.drop_table import Evidence, drop_inputs, log_scales
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
    rows: dict[int, HeldBack] = {}
    if check is not None and len(check):
        lines = replace(stiffness.lines(), values=stiffness.scales[0][0])  # by the central curve
        numbers = progress(range(len(check)), desc="drops held back", unit="drop")
        return Validation(tuple(_row(stiffness, lines, check, k, probability) for k in numbers), both, left_out=False)
    for out in progress(groups_left_out(len(fit)), desc="drops left out", unit="group"):
        others = np.flatnonzero(~out)
        if others.size < 2:
            break
        cords = [fit.cord[other] for other in others]
        lines = GroupLines.of(stiffness.scales[0][0, others], x=fit.mass[others], group=cords)
        rows |= {k: _row(stiffness, lines, fit, k, probability) for k in np.flatnonzero(out).tolist()}
    return Validation(tuple(rows[k] for k in sorted(rows)), both, left_out=True)


def _row(stiffness: DropStiffness, lines: GroupLines, drops: Evidence, k: int, probability: float) -> HeldBack:
    """Drop k of `drops` against the limits that `lines` give."""
    mass, cord, inputs, central = drops.mass[k], drops.cord[k], drop_inputs(stiffness.rig), stiffness.shapes[0]
    this = cord in lines.names and (lines.dof_within > 0 or lines.n_groups < 2) and lines.structure != "across groups"
    level = lines.this_group(cord, mass) if this else lines.another_group(mass)
    error = 0.0
    if mass not in lines.x and drops.u_mass[k] > 0:  # this mass has an error that the fit drops don't share
        noted = drops.take(np.array([k]))
        off = replace(noted, mass=noted.mass + noted.u_mass)
        logs = [log_scales(central, drop, stiffness.batch, **inputs)[0, 0] for drop in (noted, off)]
        error = abs(logs[1] - logs[0])
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

"""Softening and permanent lengthening of worn cords, told apart by drops at two masses or more.

A softer cord and a longer one both come lower, but not by the same amounts at a light and at a heavy mass.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from cordlab.batch.drop_table import retests
from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import scale_for_lowest_point
from cordlab.statistics.groups import GroupLines


@dataclass(frozen=True)
class Softening:
    """Change of stiffness and of slack length with the count, one row a cord and count dropped at several masses.

    cord, jumps : (m,) ; ln_scale : (m,) logarithm of the stiffness scale ; lengthening : (m,) beyond the slack length
    of the new cord [m] ; scale_lines, length_lines : a line for each cord on the count
    p_scale, p_length : two-sided p of no change a jump, by Student's t between cords
    """

    cord: np.ndarray
    jumps: np.ndarray
    ln_scale: np.ndarray
    lengthening: np.ndarray
    scale_lines: GroupLines
    length_lines: GroupLines
    p_scale: float
    p_length: float

    def summary(self) -> str:
        changes = []
        for what, unit, lines, factor, p in (
            ("stiffness", "%", self.scale_lines, 1e4, self.p_scale),
            ("slack length", "m", self.length_lines, 1e2, self.p_length),
        ):
            change = f"{factor * lines.slope:+.2g} {unit} in 100 jumps, standard error {factor * lines.se_slope:.1g}"
            changes.append(f"{what} {change}" + ("" if p < 0.05 else ": no change shown"))
        return "; ".join(changes)

    def table(self) -> pd.DataFrame:
        """A row a cord and count: stiffness against the curve, and lengthening."""
        columns = {"stiffness scale [1]": np.exp(self.ln_scale), "lengthening [m]": self.lengthening}
        return pd.DataFrame(columns, index=pd.MultiIndex.from_arrays([self.cord, self.jumps], names=["cord", "jumps"]))

    def to_dict(self) -> dict[str, object]:
        columns = ("cord", "jumps", "ln_scale", "lengthening")
        rows = zip(*(getattr(self, name).tolist() for name in columns), strict=True)
        return {
            "rows": [dict(zip(columns, row, strict=True)) for row in rows],
            "scale_slope": self.scale_lines.slope,
            "se_scale_slope": self.scale_lines.se_slope,
            "p_scale": self.p_scale,
            "length_slope": self.length_lines.slope,
            "se_length_slope": self.length_lines.se_slope,
            "p_length": self.p_length,
        }


def tell_apart(
    curve: Curve, cord: Sequence[str] | np.ndarray, jumps: np.ndarray, lowest_point: np.ndarray, setup: DropSetup
) -> Softening:
    """Split wear into softening and lengthening.

    cord, jumps, lowest_point [m] : (n,) one a drop ; setup : with mass [kg] and the slack length when new [m], (n,).
    A lengthened cord keeps its curve in the stretch ratio. At each cord and count the scale and the length are those
    with which all its masses come to their lowest points, by least squares on ln scale.
    Raises ValueError unless two cords were dropped at two masses or more at two retests or more.
    """
    cord, retest, new = np.asarray(cord), retests(np.asarray(jumps)), setup.broadcast(np.shape(lowest_point))
    rows = [
        at
        for name in dict.fromkeys(cord.tolist())
        for count in np.unique(retest[cord == name])
        if np.unique(new.mass[at := (cord == name) & (retest == count)]).size > 1
    ]
    names = [cord[at][0] for at in rows]
    if sum(names.count(name) > 1 for name in set(names)) < 2:
        raise ValueError(
            "softening and lengthening cannot be told apart: "
            "that takes 2 cords dropped at 2 masses or more at 2 retests or more"
        )
    rows = [at for at, name in zip(rows, names, strict=True) if names.count(name) > 1]

    def ln_scale(length: np.ndarray) -> np.ndarray:
        return np.log(scale_for_lowest_point(curve, lowest_point, **vars(replace(new, slack_length=length))))

    longer, logs = np.zeros(len(cord)), np.empty(len(rows))
    for _ in range(3):  # nearly linear in the length: three rounds reach rounding
        length = new.slack_length + longer
        here, rate = ln_scale(length), (ln_scale(length * 1.0001) - ln_scale(length * 0.9999)) / (2e-4 * length)
        for i, at in enumerate(rows):
            off = rate[at] - rate[at].mean()
            more = -(off @ here[at]) / (off @ off)
            logs[i] = here[at].mean() + rate[at].mean() * more
            longer[at] += more
    cords, counts, lengthening = (np.array([column[at][0] for at in rows]) for column in (cord, retest, longer))
    scale_lines, length_lines = (
        GroupLines.of(values, group=cords, x=counts, structure="own lines") for values in (logs, lengthening)
    )
    return Softening(
        cord=cords,
        jumps=counts,
        ln_scale=logs,
        lengthening=lengthening,
        scale_lines=scale_lines,
        length_lines=length_lines,
        p_scale=_p(scale_lines),
        p_length=_p(length_lines),
    )


def _p(lines: GroupLines) -> float:
    """Two-sided p of a mean slope of 0, by Student's t between cords."""
    if not lines.se_slope:
        return 0.0
    return float(2 * special.stdtr(lines.n_groups - 1, -abs(lines.slope / lines.se_slope)))

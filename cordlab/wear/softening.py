"""Softening and permanent lengthening of worn cords, told apart by drops at two masses or more.

A softer cord and a longer one both come lower, but not by the same amounts at a light and at a heavy mass.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from cordlab.batch.drop_table import retests
from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import scale_for_lowest_point
from cordlab.statistics.groups import GroupLines


@dataclass(frozen=True)
class Softening:
    """Change of stiffness and of slack length with the count, one row a cord and count dropped at several masses.

    cord, jumps : (m,) ; ln_scale : (m,) logarithm of the stiffness scale ; lengthening : (m,) beyond the slack length
    of the new cord [m]
    """

    cord: np.ndarray
    jumps: np.ndarray
    ln_scale: np.ndarray
    lengthening: np.ndarray

    @cached_property
    def scale_lines(self) -> GroupLines:
        """A line for each cord on the count."""
        return GroupLines.of(self.ln_scale, group=self.cord, x=self.jumps, structure="own lines")

    @cached_property
    def length_lines(self) -> GroupLines:
        """The same of the lengthening."""
        return GroupLines.of(self.lengthening, group=self.cord, x=self.jumps, structure="own lines")

    def summary(self) -> str:
        changes = []
        for what, unit, factor, lines in (
            ("stiffness", "%", 1e4, self.scale_lines),
            ("slack length", "m", 1e2, self.length_lines),
        ):
            change = f"{factor * lines.slope:+.2g} {unit} in 100 jumps, standard error {factor * lines.se_slope:.1g}"
            changes.append(f"{what} {change}" + ("" if lines.p_slope < 0.05 else ": no change shown"))
        return "; ".join(changes)

    def table(self) -> pd.DataFrame:
        """A row a cord and count: stiffness against the curve, and lengthening."""
        columns = {"stiffness scale [1]": np.exp(self.ln_scale), "lengthening [m]": self.lengthening}
        return pd.DataFrame(columns, index=pd.MultiIndex.from_arrays([self.cord, self.jumps], names=["cord", "jumps"]))

    def to_dict(self) -> dict[str, object]:
        """The rows, and of each line's slope its standard error and the p of no change a jump."""
        columns = ("cord", "jumps", "ln_scale", "lengthening")
        rows = pd.DataFrame({name: getattr(self, name).tolist() for name in columns})
        changes: dict[str, object] = {"rows": rows.to_dict("records")}
        for name, lines in (("scale", self.scale_lines), ("length", self.length_lines)):
            changes |= {f"{name}_slope": lines.slope, f"se_{name}_slope": lines.se_slope, f"p_{name}": lines.p_slope}
        return changes


def tell_apart(
    curve: Curve, cord: Sequence[str] | np.ndarray, jumps: np.ndarray, lowest_point: np.ndarray, setup: DropSetup
) -> Softening:
    """Split wear into softening and lengthening.

    cord, jumps, lowest_point [m] : (n,) one a drop ; setup : with mass [kg] and the slack length when new [m], (n,).
    A lengthened cord keeps its curve in the stretch ratio; scale and length are those with which all masses of a cord
    at a count come to their lowest points, by least squares on ln scale.
    Raises ValueError unless two cords were dropped at two masses or more at two retests or more.
    """
    new, (number, names) = setup.broadcast(np.shape(lowest_point)), pd.factorize(np.asarray(cord))
    drops = pd.DataFrame({"cord": number, "retest": retests(np.asarray(jumps)), "mass": new.mass})
    drops = drops[drops.groupby(["cord", "retest"])["mass"].transform("nunique") > 1]
    drops = drops[drops.groupby("cord")["retest"].transform("nunique") > 1]
    if drops["cord"].nunique() < 2:
        raise ValueError(
            "softening and lengthening cannot be told apart: "
            "that takes 2 cords dropped at 2 masses or more at 2 retests or more"
        )
    rows = {row: at.to_numpy() for row, at in drops.groupby(["cord", "retest"]).groups.items()}

    def ln_scale(length: np.ndarray) -> np.ndarray:
        return np.log(scale_for_lowest_point(curve, lowest_point, **vars(replace(new, slack_length=length))))

    longer, logs = np.zeros(len(number)), np.empty(len(rows))
    for _ in range(3):  # nearly linear in the length: three rounds reach rounding
        length = new.slack_length + longer
        here, rate = ln_scale(length), (ln_scale(length * 1.0001) - ln_scale(length * 0.9999)) / (2e-4 * length)
        for i, at in enumerate(rows.values()):
            off = rate[at] - rate[at].mean()
            more = -(off @ here[at]) / (off @ off)
            logs[i] = here[at].mean() + rate[at].mean() * more
            longer[at] += more
    cords, counts = np.array(list(rows)).T
    return Softening(names[cords], counts, logs, np.array([longer[at[0]] for at in rows.values()]))

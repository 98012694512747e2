"""How cords wear: limits at the tested jump counts, the retirement count, a forecast marked as one, the next retest.

Any quantity of a drop will do of which little is dangerous: clearance at a rider mass, or the logarithm of stiffness.
Softening and permanent lengthening are told apart by drops at two masses or more: a softer cord and a longer one both
come lower, but not by the same amounts at a light and at a heavy mass.
"""

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import KW_ONLY, asdict, dataclass, field, replace
from functools import cached_property, partial
from itertools import takewhile
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, special

from cordlab.batch.drop_table import retests
from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import scale_for_lowest_point
from cordlab.statistics.groups import GroupLines
from cordlab.units import notebook_html

CURVATURE_LEVEL = 0.05  # one-sided, towards the bound: wear that gets faster is not drawn as a line
FARTHEST = 10  # a crossing is looked for up to this many times the tested span beyond the last test


@dataclass(frozen=True)
class WearPoint:
    """Limits at one jump count. `mean` is the mean cord's, [unit of the values] throughout.

    kind : "tested", or "forecast" beyond the last test: never a rating
    lower : prediction limit of another cord
    this_cord : tested cord → its own limit, None if it is not known
    meets : the limit is within the bound; where tested, each drop too
    """

    jumps: int
    kind: Literal["tested", "forecast"]
    mean: float
    lower: float
    this_cord: dict[str, float | None]
    meets: bool


@dataclass(frozen=True)
class Wear:
    """What one quantity of drops at several jump counts shows: limits, retirement count, forecast and next retest.

    A retest is judged by its own drops alone (limit for another cord, no line assumed) where every cord was dropped,
    else by the lines; a forecast by the worse of straight and curved lines, never beyond one longest step between
    tests. Wear that gets faster towards the bound has no forecast. Too few drops give no rating, with the reason.

    cord, jumps, values : (n,) name of the cord, its jump count before the drop, the value
    least : bound that the limits must meet ; probability : of a prediction limit
    quantity, unit : what the values are
    conditions : name with unit → (n,) recorded at the drops (temperature, rest), nan where not recorded
    greatest_jumps : cap of the maker or the rule, which wins where smaller
    room : part of `least` that is no criterion, but left for what is unsure apart from cords and drops
    holds_to : retested counts to which the rated range holds, which nothing is used beyond; None: no range is asked for
    only_cord : the cord that is rated by itself, "" for the batch

    Raises ValueError for columns of unequal length, a value that is not finite, a count that is not a whole number, and
    a probability or cap that makes no sense.
    """

    cord: np.ndarray
    jumps: np.ndarray
    values: np.ndarray
    _: KW_ONLY
    least: float
    probability: float
    quantity: str = "clearance"
    unit: str = "m"
    conditions: Mapping[str, np.ndarray] = field(default_factory=dict)
    greatest_jumps: int | None = None
    room: float = 0.0
    holds_to: Sequence[int] | None = None
    only_cord: str = ""

    def __post_init__(self) -> None:
        sizes = [column.size for column in (self.cord, self.jumps, self.values, *self.conditions.values())]
        if len(set(sizes)) > 1 or not sizes[0]:
            raise ValueError(f"cord, jumps, values and conditions of {sizes} drops: one a drop for all of them")
        if not np.isfinite(self.values).all():
            raise ValueError(f"value {np.argmin(np.isfinite(self.values)) + 1} is not a number: leave that drop out")
        if (self.jumps < 0).any() or (self.jumps != np.floor(self.jumps)).any():
            raise ValueError("a jump count is not a whole number of 0 or more")
        if self.greatest_jumps is not None and self.greatest_jumps < 0:
            raise ValueError(f"greatest jumps {self.greatest_jumps}: at least 0")
        if not 0 < self.probability < 1:
            raise ValueError(f"probability {self.probability:g} is not between 0 and 1")

    @cached_property
    def retest(self) -> np.ndarray:
        """The count that stands for the retest of each drop.  (n,)"""
        return retests(self.jumps)

    def take(self, keep: np.ndarray) -> "Wear":
        """The same asked of some of the drops alone, by number or by (n,) truth values."""
        columns = {name: getattr(self, name)[keep] for name in ("cord", "jumps", "values")}
        conditions = {name: recorded[keep] for name, recorded in self.conditions.items()}
        return replace(self, **columns, conditions=conditions, room=0.0, holds_to=None, only_cord="")

    def ranges(self) -> dict[str, pd.DataFrame]:
        """Condition → lowest and highest value recorded at each retest."""
        ranges = {}
        for name, recorded in self.conditions.items():
            of_retests = pd.Series(recorded, dtype=float).groupby(self.retest)
            ranges[name] = of_retests.agg(lowest="min", highest="max").dropna().rename_axis("jumps")
        return ranges

    # --- the lines

    @cached_property
    def _retests(self) -> pd.DataFrame:
        """Of each cord, how many retests it had and the last one."""
        return pd.Series(self.retest).groupby(self.cord, sort=False).agg(["nunique", "max"])

    @cached_property
    def _lined(self) -> list[str]:
        """Cords with 2 retests or more, which have a line; none where only one has."""
        names = self._retests.index[self._retests["nunique"] > 1].tolist()
        return names if len(names) > 1 else []

    @cached_property
    def _lines(self) -> tuple[GroupLines, ...]:
        """A straight line on the count for each of these cords; where drops can show it, others with one curvature."""
        if not self._lined:
            return ()
        at = np.isin(self.cord, self._lined)
        line = partial(GroupLines.of, self.values[at], group=self.cord[at], x=self.jumps[at], structure="own lines")
        may_bend = self._retests["nunique"].max() > 2 and at.sum() > 2 * len(self._lined) + 1
        return (line(), line(curved=True)) if may_bend else (line(),)

    @property
    def lines(self) -> GroupLines | None:
        """The straight lines; None with fewer than 2 cords that have one."""
        return self._lines[0] if self._lines else None

    @property
    def slope(self) -> float | None:
        """Mean change a jump.  [unit/jump]"""
        return self.lines.slope if self.lines else None

    @property
    def se_slope(self) -> float | None:
        """Standard error of `slope`, between cords.  [unit/jump]"""
        return self.lines.se_slope if self.lines else None

    @cached_property
    def curvature_p(self) -> float | None:
        """One-sided p of wear that gets faster towards the bound; None if it could not be tested."""
        if len(self._lines) < 2:
            return None
        curved = self._lines[1]
        if abs(curved.curvature) * float(np.ptp(self.jumps)) ** 2 <= 1e-9 * np.ptp(self.values):
            return 1.0  # a line to rounding: its standard error is rounding too
        return float(special.stdtr(curved.dof_within, curved.curvature / curved.se_curvature))

    @property
    def _no_forecast(self) -> str:
        """Why there is no forecast; "" where there is one."""
        if not self._lined:
            return "fewer than 2 cords dropped at 2 or more jump counts: nothing is known of another cord"
        if self.curvature_p is None:
            return "wear that gets faster shows at 3 or more jump counts only, with drops to spare"
        if self.curvature_p < CURVATURE_LEVEL:
            p = f"p = {self.curvature_p:.2g}"
            return f"wear gets faster with the count ({p}): a line promises too much; retest in small steps"
        return ""

    # --- the limits

    @cached_property
    def _counts(self) -> tuple[list[int], list[int]]:
        """Retests that two cords with a line reached: up to the first that cannot be judged, and those that cannot."""
        if self.lines is None:
            return [], []
        reached = self._retests["max"].loc[self._lined].nlargest(2).iloc[-1]  # beyond, it is one cord's wear alone
        counts = [int(count) for count in np.unique(self.retest) if count <= reached]
        if self.lines.dof_within >= 1:  # the lines have limits
            return counts, []
        unjudged = [count for count in counts if not self._all_cords_at(count)]
        return [count for count in counts if count < min(unjudged, default=count + 1)], unjudged

    def _all_cords_at(self, count: int) -> bool:
        return set(self._lined) <= set(self.cord[self.retest == count].tolist())

    def _by_lines(self, counts: ArrayLike, cord: Hashable | None = None) -> np.ndarray:
        """Limit by the worse of straight and curved lines, as wear that gets faster may not show yet.  (n_counts,)"""
        limits = []
        for lines in self._lines:
            value = lines.another_group(counts) if cord is None else lines.this_group(cord, counts)
            limits.append(value.limit(self.probability, "lower"))
        return np.min(limits, axis=0)

    @cached_property
    def points(self) -> tuple[WearPoint, ...]:
        """Limits at the tested counts, then the forecast."""
        points, counts, lines = [], self._counts[0], self.lines
        if lines is None:
            return ()
        ahead = [] if self._no_forecast else [counts[-1] + int(max(np.diff(counts)))]
        for count in [*counts, *ahead]:
            this_cord: dict[str, float | None] = dict.fromkeys(map(str, self._lined))
            if len(self._lines) > 1:
                this_cord = {str(name): float(self._by_lines(count, name)[0]) for name in self._lined}
            mean, drops_meet, limit = lines.group_values(count).mean(), True, None
            if count in counts:
                here = self.values[self.retest == count]
                cords = GroupLines.of(here, group=self.cord[self.retest == count])
                mean, drops_meet = cords.group_values(0.0).mean(), bool(np.all(here >= self.least))
                if self._all_cords_at(count):
                    limit = cords.another_group().limit(self.probability, "lower")
            lower = float((self._by_lines(count) if limit is None else limit)[0])
            kind: Literal["tested", "forecast"] = "tested" if count in counts else "forecast"
            meets = drops_meet and lower >= self.least
            points.append(WearPoint(count, kind, float(mean), lower, this_cord, meets))
        return tuple(points)

    @property
    def tested(self) -> tuple[WearPoint, ...]:
        return tuple(point for point in self.points if point.kind == "tested")

    @property
    def forecast(self) -> tuple[WearPoint, ...]:
        return tuple(point for point in self.points if point.kind == "forecast")

    @cached_property
    def crossing(self) -> dict[str, float | None]:
        """Counts beyond the last test at which the limit (`early`), the mean cord (`mean`) and the limit on the other
        side (`late`) reach the bound first; None where not within reach of a forecast."""
        lines, counts = self.lines, self._counts[0]
        if self._no_forecast or lines is None:
            return {"early": None, "mean": None, "late": None}
        # finer where it matters
        grid = counts[-1] + (counts[-1] - counts[0]) * FARTHEST * np.linspace(0, 1, 41) ** 2

        def first(value: Callable[[ArrayLike], np.ndarray]) -> float | None:
            beyond = np.flatnonzero(value(grid) < self.least)
            if not beyond.size or beyond[0] == 0:
                return float(counts[-1]) if beyond.size else None
            ends = grid[beyond[0] - 1], grid[beyond[0]]
            return float(optimize.brentq(lambda count: value(count)[0] - self.least, *ends, xtol=1e-6))

        return {
            "early": first(self._by_lines),
            "mean": first(lambda counts: lines.group_values(counts).mean(-1)),
            "late": first(lambda counts: lines.another_group(counts).limit(self.probability, "upper")),
        }

    # --- what follows

    @cached_property
    def _end(self) -> tuple[int | None, list[str]]:
        """The count at which to retire, or None, and why: the last retest to which limits and rated range hold."""
        covered, cap = max(self.holds_to or (), default=None), self.greatest_jumps
        if self.only_cord:
            return covered, []
        met = list(takewhile(lambda point: point.meets, self.tested))
        reasons = [f"the limit is not met at {point.jumps} jumps" for point in self.tested[len(met) :][:1]]
        if not met:
            return None, [*reasons, "no jump count at which the limit is met: not rated for wear"]
        if len(met) == 1:
            return None, [*reasons, "no retest meets the limit: the first test says nothing of cords jumped since"]
        last = met[-1].jumps
        if cap is not None and cap < last:
            last = cap
            reasons.append(f"the maker's or the rule's greatest count of {cap} is smaller than what was tested")
        else:
            reasons.append(f"not rated beyond {last} jumps, the last retest that meets the limit")
        if self.holds_to is not None and (covered is None or last > covered):
            to = "at no retested count" if covered is None else f"to {covered} jumps, not beyond"
            return covered, [*reasons, f"the rated range holds {to}"]
        return last, reasons

    @property
    def retire_at(self) -> int | None:
        """Last retested count to which limits and rated range hold, or the cap where smaller; None: not rated."""
        return self._end[0]

    @property
    def next_retest(self) -> int | None:
        """Count of the next retest: before the forecast's early limit, no farther than the longest step so far and the
        cap; None where there is no forecast to choose it by."""
        last = max(self._counts[0], default=None)
        if last is None or not self.forecast or self.retire_at != last:
            return None
        counts = [self.forecast[0].jumps]
        if self.crossing["early"] is not None:
            counts.append(math.ceil(self.crossing["early"]) - 1)
        if self.greatest_jumps is not None:
            counts.append(self.greatest_jumps)
        return min(counts) if min(counts) > last else None

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why not more is rated or forecast."""
        if self.only_cord:
            return (
                f"{self.only_cord} by itself: its rating ends at its own last count, and no cord tells how it goes on",
            )
        retests, (_, unjudged) = self._retests["nunique"], self._counts
        reasons = [f"no line for cord {name}: dropped at one jump count only" for name in retests.index[retests < 2]]
        if unjudged:
            first = f"{unjudged[0]} jumps: not every cord was dropped there"
            reasons.append(f"{first}, and no drop is to spare for the lines")
        if self._no_forecast:
            reasons.append(f"no forecast: {self._no_forecast}")
        return (*reasons, *self._end[1])

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to know beside it."""
        cautions = []
        for name, ends in self.ranges().items():
            low, high = ends.to_numpy().T
            if low.size > 1 and (high[0] < low[-1] or low[0] > high[-1]):
                cautions.append(f"{name} at the first and the last count do not overlap: its effect is in the wear")
        if zeroed := self.lines.between[1] if self.lines else ():
            cautions.append(
                f"variance between the cords' {'s and '.join(zeroed)}s came out negative and stands at zero: they "
                "differ no more than drops of one cord do"
            )
        return tuple(cautions)

    @property
    def headline(self) -> str:
        return f"wear by {self.quantity}: {'not rated' if self.retire_at is None else f'retire at {self.retire_at}'}"

    def summary(self) -> str:
        lines, unit = [self.headline], f" {self.unit}".rstrip()
        if self.slope is not None and self.se_slope is not None:
            lines.append(f"{100 * self.slope:+.3g}{unit} in 100 jumps, standard error {100 * self.se_slope:.2g}")
        if self.points and self.room:
            asked = f"{self.least - self.room:.4g}{unit} asked for and {self.room:.2g}{unit} for what is unsure besides"
            lines.append(f"limits are to be at least {self.least:.4g}{unit}: {asked} cords and drops")
        for point in self.points:
            limit = f"lower limit {point.lower:.4g}: {'met' if point.meets else 'not met'}"
            lines.append(f"{point.jumps:5d} jumps, {point.kind}: mean {point.mean:.4g}, {limit}")
        early, late = self.crossing["early"], self.crossing["late"]
        if early is not None:
            until = "no end in sight" if late is None else f"{late:.0f}"
            lines.append(f"forecast, not a rating: the bound is reached between {early:.0f} jumps and {until}")
        if self.next_retest is not None:
            beyond = f", reached with dead weights: no person jumps beyond {self.retire_at} before it is passed"
            lines.append(f"next retest at {self.next_retest} jumps{beyond}")
        return "\n".join([*lines, *(f"  {reason}" for reason in self.reasons), *(f"note: {c}" for c in self.cautions)])

    def table(self) -> pd.DataFrame:
        """A row a jump count: mean cord, limits of another cord and of each tested cord; nan where not known."""
        unit = f"[{self.unit or 1}]"
        heads = {"mean": f"mean {unit}", "lower": f"lower limit {unit}", "meets": "met"}
        points = pd.DataFrame([asdict(point) for point in self.points], columns=["jumps", "kind", *heads, "this_cord"])
        cords = pd.DataFrame(points.pop("this_cord").tolist(), dtype=float)
        cords = cords.rename(columns=lambda name: f"limit of cord {name} {unit}").dropna(axis="columns", how="all")
        return points.rename(columns=heads).join(cords).set_index("jumps")

    def _repr_html_(self) -> str:
        """The retirement count with its reasons, and the limits."""
        return notebook_html("\n".join([self.headline, *self.reasons, *self.cautions]), self.table())

    def to_dict(self) -> dict[str, Any]:
        names = ["quantity", "unit", "least", "room", "probability", "slope", "se_slope", "curvature_p"]
        names += ["retire_at", "next_retest", "greatest_jumps", "reasons", "cautions"]
        lines = self.lines
        return {name: getattr(self, name) for name in names} | {
            "slopes": dict(zip(map(str, lines.names), lines.slopes.tolist(), strict=True)) if lines else {},
            "tested": [asdict(point) for point in self.tested],
            "forecast": [asdict(point) for point in self.forecast],
            "crossing_forecast": dict(self.crossing),
            "conditions": {name: ends.reset_index().to_dict("records") for name, ends in self.ranges().items()},
        }


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

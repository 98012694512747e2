"""How cords wear: limits at the tested jump counts, the retirement count, a forecast marked as one, the next retest.

Any quantity of a drop will do of which little is dangerous: clearance at a rider mass, or the logarithm of stiffness.
"""

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from itertools import takewhile
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import optimize, special

from cordlab.batch.drop_table import retests
from cordlab.statistics.groups import GroupLines
from cordlab.units import notebook_html

CURVATURE_LEVEL = 0.05  # one-sided, towards the bound: wear that gets faster is not drawn as a line
FARTHEST = 10  # a crossing is looked for up to this many times the tested span beyond the last test


@dataclass(frozen=True)
class RetestedDrops:
    """One quantity of drops at several jump counts.

    cord, jumps, values : (n,) name of the cord, its jump count before the drop, the value
    quantity, unit      : what the values are
    conditions          : name with unit → (n,) recorded at the drops (temperature, rest), nan where not recorded

    Raises ValueError for columns of unequal length, a value that is not finite, and a count that is not a whole number.
    """

    cord: np.ndarray
    jumps: np.ndarray
    values: np.ndarray
    quantity: str = "clearance"
    unit: str = "m"
    conditions: Mapping[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        sizes = [column.size for column in (self.cord, self.jumps, self.values, *self.conditions.values())]
        if len(set(sizes)) > 1 or not sizes[0]:
            raise ValueError(f"cord, jumps, values and conditions of {sizes} drops: one a drop for all of them")
        if not np.isfinite(self.values).all():
            first = int(np.flatnonzero(~np.isfinite(self.values))[0]) + 1
            raise ValueError(f"value {first} is not a number: leave that drop out")
        if (self.jumps < 0).any() or (self.jumps != np.floor(self.jumps)).any():
            raise ValueError("a jump count is not a whole number of 0 or more")

    @property
    def retest(self) -> np.ndarray:
        """The count that stands for the retest of each drop.  (n,)"""
        return retests(self.jumps)

    def take(self, keep: np.ndarray) -> "RetestedDrops":
        """Some of the drops, by number or by (n,) truth values."""
        conditions = {name: recorded[keep] for name, recorded in self.conditions.items()}
        columns = {"cord": self.cord[keep], "jumps": self.jumps[keep], "values": self.values[keep]}
        return replace(self, **columns, conditions=conditions)

    def ranges(self) -> dict[str, dict[int, tuple[float, float]]]:
        """Condition → retest → least and greatest value recorded there."""
        ranges: dict[str, dict[int, tuple[float, float]]] = {}
        for name, recorded in self.conditions.items():
            known = np.isfinite(recorded)
            retest, values = self.retest[known], recorded[known]
            by_retest = {int(count): values[retest == count] for count in np.unique(retest)}
            ranges[name] = {count: (float(x.min()), float(x.max())) for count, x in by_retest.items()}
        return ranges


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

    def summary(self) -> str:
        limit = f"lower limit {self.lower:.4g}: {'met' if self.meets else 'not met'}"
        return f"{self.jumps:5d} jumps, {self.kind}: mean {self.mean:.4g}, {limit}"


@dataclass(frozen=True)
class Wear:
    """What the drops at several jump counts show.

    least : bound that the limits must meet ; probability : of a limit
    lines : a straight line for each cord on the count; None with fewer than 2 cords that were retested
    points : limits at the tested counts, then the forecast
    retire_at : last retested count at which the limits are met, or the cap where smaller; None: not rated for wear
    next_retest : count of the next retest, None where there is no forecast to choose it by
    crossing : forecast counts at which the mean cord (`mean`), the limit (`early`) and the limit on the other side
        (`late`) reach the bound; None where not within reach of a forecast
    curvature_p : one-sided p of wear that gets faster towards the bound; None if it could not be tested
    room : part of `least` that is no criterion, but left for what is unsure apart from cords and drops
    """

    drops: RetestedDrops
    least: float
    probability: float
    lines: GroupLines | None
    points: tuple[WearPoint, ...]
    retire_at: int | None
    next_retest: int | None
    crossing: dict[str, float | None]
    curvature_p: float | None
    greatest_jumps: int | None
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    room: float = 0.0

    @property
    def quantity(self) -> str:
        return self.drops.quantity

    @property
    def unit(self) -> str:
        return self.drops.unit

    @property
    def slope(self) -> float | None:
        """Mean change a jump.  [unit/jump]"""
        return self.lines.slope if self.lines else None

    @property
    def se_slope(self) -> float | None:
        """Standard error of `slope`, between cords.  [unit/jump]"""
        return self.lines.se_slope if self.lines else None

    @property
    def tested(self) -> tuple[WearPoint, ...]:
        return tuple(point for point in self.points if point.kind == "tested")

    @property
    def forecast(self) -> tuple[WearPoint, ...]:
        return tuple(point for point in self.points if point.kind == "forecast")

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
        lines += [point.summary() for point in self.points]
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
            "conditions": {
                name: [{"jumps": count, "lowest": low, "highest": high} for count, (low, high) in ranges.items()]
                for name, ranges in self.drops.ranges().items()
            },
        }


def assess_wear(drops: RetestedDrops, *, probability: float, least: float, greatest_jumps: int | None = None) -> Wear:
    """Retirement count, forecast and next retest from drops at several jump counts.

    least : bound that the limits must meet ; probability : of a prediction limit ;
    greatest_jumps : cap of the maker or the rule, which wins where smaller.
    A retest is judged by its own drops alone (limit for another cord, no line assumed) where every cord was dropped,
    else by the lines; a forecast by the worse of straight and curved lines, never beyond one longest step between
    tests. Wear that gets faster towards the bound has no forecast.
    Raises ValueError for input that makes no sense; too few drops give no rating, with the reason.
    """
    if greatest_jumps is not None and greatest_jumps < 0:
        raise ValueError(f"greatest jumps {greatest_jumps}: at least 0")
    if not 0 < probability < 1:
        raise ValueError(f"probability {probability:g} is not between 0 and 1")
    reasons: list[str] = []
    retested: list[str] = []
    for name in dict.fromkeys(drops.cord.tolist()):
        if np.unique(drops.retest[drops.cord == name]).size > 1:
            retested.append(name)
        else:
            reasons.append(f"no line for cord {name}: dropped at one jump count only")
    limits = WearLimits.of(drops, retested, least, probability) if len(retested) > 1 else None
    points: list[WearPoint] = []
    crossing: dict[str, float | None] = {"early": None, "mean": None, "late": None}
    curvature_p, next_retest = None, None
    no_forecast = "fewer than 2 cords dropped at 2 or more jump counts: nothing is known of another cord"
    if limits is not None:
        counts, unjudged = limits.counts()
        if unjudged:
            first = f"{unjudged[0]} jumps: not every cord was dropped there"
            reasons.append(f"{first}, and no drop is to spare for the lines")
        points = [limits.tested(count) for count in counts]
        curvature_p, no_forecast = limits.getting_faster()
    retire_at, why = _retirement(points, greatest_jumps)
    if no_forecast or limits is None:
        reasons.append(f"no forecast: {no_forecast}")
    else:
        last, step = counts[-1], int(max(np.diff(counts)))
        points.append(limits.forecast(last + step))
        crossing = limits.crossing(last, last - counts[0])
        if retire_at == last:
            next_retest = _next_retest(last, step, crossing["early"], greatest_jumps)
    lines = limits.straight if limits else None
    return Wear(
        drops=drops,
        least=least,
        probability=probability,
        lines=lines,
        points=tuple(points),
        retire_at=retire_at,
        next_retest=next_retest,
        crossing=crossing,
        curvature_p=curvature_p,
        greatest_jumps=greatest_jumps,
        reasons=tuple(reasons + why),
        cautions=tuple(_cautions(drops.ranges(), lines)),
    )


def _retirement(points: Sequence[WearPoint], cap: int | None) -> tuple[int | None, list[str]]:
    """The count at which to retire, or None, and why: the last retest up to which every limit is met."""
    met = list(takewhile(lambda point: point.meets, points))
    reasons = [f"the limit is not met at {point.jumps} jumps" for point in points[len(met) : len(met) + 1]]
    if not met:
        return None, [*reasons, "no jump count at which the limit is met: not rated for wear"]
    if len(met) == 1:
        return None, [*reasons, "no retest meets the limit: the first test says nothing of cords jumped since"]
    last = met[-1].jumps
    if cap is not None and cap < last:
        return cap, [*reasons, f"the maker's or the rule's greatest count of {cap} is smaller than what was tested"]
    return last, [*reasons, f"not rated beyond {last} jumps, the last retest that meets the limit"]


def _next_retest(last: int, step: int, early: float | None, cap: int | None) -> int | None:
    """Before the forecast's early limit, no farther than the longest step so far, no farther than the cap."""
    count = last + step
    if early is not None:
        count = min(count, math.ceil(early) - 1)
    if cap is not None:
        count = min(count, cap)
    return count if count > last else None


def _cautions(ranges: Mapping[str, Mapping[int, tuple[float, float]]], lines: GroupLines | None) -> list[str]:
    cautions = []
    for name, by_count in ranges.items():
        low, high = np.array(list(by_count.values()) or [(np.nan, np.nan)]).T
        if low.size > 1 and (high[0] < low[-1] or low[0] > high[-1]):
            cautions.append(f"{name} at the first and the last count do not overlap: its effect is in the wear")
    zeroed = lines.between[1] if lines is not None else ()
    if zeroed:
        what = f"variance between the cords' {'s and '.join(zeroed)}s"
        cautions.append(f"{what} came out negative and stands at zero: they differ no more than drops of one cord do")
    return cautions


@dataclass(frozen=True)
class WearLimits:
    """Limits at a count, from drops of which some cords have a line.

    straight : a line for each of them ; curved : the same with a common curvature, None where drops cannot show one
    """

    drops: RetestedDrops
    straight: GroupLines
    curved: GroupLines | None
    least: float
    probability: float

    @classmethod
    def of(cls, drops: RetestedDrops, retested: Sequence[str], least: float, probability: float) -> "WearLimits":
        """retested : the cords that have a line"""
        lined = drops.take(np.isin(drops.cord, retested))
        line = partial(GroupLines.of, lined.values, group=lined.cord, x=lined.jumps, structure="own lines")
        most = max(np.unique(drops.retest[drops.cord == name]).size for name in retested)
        may_bend = most > 2 and lined.values.size > 2 * len(retested) + 1
        return cls(drops, line(), line(curved=True) if may_bend else None, least, probability)

    def counts(self) -> tuple[list[int], list[int]]:
        """Retests that two cords reached: up to the first that cannot be judged, and those that cannot."""
        retest = self.drops.retest
        last = [int(retest[self.drops.cord == name].max()) for name in self.straight.names]
        reached = sorted(last, reverse=True)[1]  # what only one cord has reached is that cord's wear
        counts = [int(count) for count in np.unique(retest) if count <= reached]
        if self.straight.dof_within >= 1:  # the lines have limits
            return counts, []
        unjudged = [count for count in counts if not self._all_cords_at(count)]
        return [count for count in counts if count < min(unjudged, default=count + 1)], unjudged

    def getting_faster(self) -> tuple[float | None, str]:
        """One-sided p of wear that gets faster towards the bound, and why there is no forecast ("" if there may be)."""
        if self.curved is None:
            return None, "wear that gets faster shows at 3 or more jump counts only, with drops to spare"
        bend = abs(self.curved.curvature) * float(np.ptp(self.drops.jumps)) ** 2
        if bend <= 1e-9 * np.ptp(self.drops.values):  # a line to rounding: its standard error is rounding too
            return 1.0, ""
        p = float(special.stdtr(self.curved.dof_within, self.curved.curvature / self.curved.se_curvature))
        if p < CURVATURE_LEVEL:
            return p, f"wear gets faster with the count (p = {p:.2g}): a line promises too much; retest in small steps"
        return p, ""

    def tested(self, count: int) -> WearPoint:
        """By the drops of this retest alone where every cord was dropped there, else by the lines; by each drop too."""
        here = self.drops.take(self.drops.retest == count)
        cords = GroupLines.of(here.values, group=here.cord)
        if self._all_cords_at(count):
            limit = cords.another_group().limit(self.probability, "lower")
        else:
            limit = self.by_lines(count)
        drops_meet = bool(np.all(here.values >= self.least))
        return self._point(count, "tested", float(cords.group_values(0.0).mean()), limit, drops_meet)

    def forecast(self, count: int) -> WearPoint:
        mean = float(self.straight.group_values(count).mean())
        return self._point(count, "forecast", mean, self.by_lines(count), True)

    def by_lines(self, counts: ArrayLike, cord: Hashable | None = None) -> np.ndarray:
        """Limit by the worse of straight and curved lines, as wear that gets faster may not show yet.  (n_counts,)"""
        limits = []
        for lines in (self.straight, self.curved):
            if lines is not None:
                value = lines.another_group(counts) if cord is None else lines.this_group(cord, counts)
                limits.append(value.limit(self.probability, "lower"))
        return np.min(limits, axis=0)

    def crossing(self, last: int, span: int) -> dict[str, float | None]:
        """Counts beyond the last test at which limit, mean and the limit on the other side reach the bound first."""

        def first(value: Callable[[ArrayLike], np.ndarray]) -> float | None:
            counts = last + span * FARTHEST * np.linspace(0, 1, 41) ** 2  # finer where it matters
            beyond = np.flatnonzero(value(counts) < self.least)
            if not beyond.size:
                return None
            i = int(beyond[0])
            if i == 0:
                return float(last)
            return float(
                optimize.brentq(lambda count: value(count)[0] - self.least, counts[i - 1], counts[i], xtol=1e-6)
            )

        return {
            "early": first(self.by_lines),
            "mean": first(lambda counts: self.straight.group_values(counts).mean(-1)),
            "late": first(lambda counts: self.straight.another_group(counts).limit(self.probability, "upper")),
        }

    def _all_cords_at(self, count: int) -> bool:
        return set(self.straight.names) <= set(self.drops.cord[self.drops.retest == count].tolist())

    def _point(
        self, count: int, kind: Literal["tested", "forecast"], mean: float, limit: np.ndarray, drops_meet: bool
    ) -> WearPoint:
        this_cord: dict[str, float | None] = dict.fromkeys(map(str, self.straight.names))
        if self.curved is not None:
            this_cord = {str(name): float(self.by_lines(count, name)[0]) for name in self.straight.names}
        lower = float(limit[0])
        return WearPoint(count, kind, mean, lower, this_cord, drops_meet and lower >= self.least)

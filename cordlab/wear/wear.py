"""How cords wear: limits at the tested jump counts, the retirement count, a forecast marked as one, the next retest.

Any quantity of a drop will do that a criterion bounds: clearance or lowest point at a standard mass, or the logarithm
of the stiffness scale, in which one pair of bounds can stand for every criterion at every mass.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from itertools import takewhile
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy import optimize, special

from cordlab.statistics.groups import GroupLines
from cordlab.statistics.limits import prediction_limit
from cordlab.statistics.propagation import OneSide
from cordlab.units import notebook_html

if TYPE_CHECKING:
    import pandas as pd

ONE_RETEST = 20  # counts no farther apart are one retest: each of its drops adds a jump (a choice, no source)
CURVATURE_LEVEL = 0.05  # one-sided, towards the bound: wear that gets faster is not drawn as a line
FARTHEST = 10  # a crossing is looked for up to this many times the tested span beyond the last test
OPPOSITE: dict[OneSide, OneSide] = {"lower": "upper", "upper": "lower"}


def retests(jumps: np.ndarray) -> np.ndarray:
    """The retest that each drop belongs to, by its lowest count: counts at most `ONE_RETEST` apart are one.  (n,)"""
    counts = np.unique(jumps)
    starts = counts[np.insert(np.diff(counts) > ONE_RETEST, 0, True)]
    return starts[np.searchsorted(starts, jumps, side="right") - 1]


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
        cord, jumps, values = np.asarray(self.cord), np.asarray(self.jumps), np.asarray(self.values, float)
        if not cord.shape == jumps.shape == values.shape or values.ndim != 1 or not values.size:
            shapes = f"{cord.shape}, {jumps.shape}, {values.shape}"
            raise ValueError(f"cord, jumps and values of shapes {shapes}: one a drop each")
        if not np.isfinite(values).all():
            first = int(np.flatnonzero(~np.isfinite(values))[0]) + 1
            raise ValueError(f"value {first} is not a number: leave that drop out")
        if (jumps < 0).any() or (jumps != np.floor(jumps)).any():
            raise ValueError("a jump count is not a whole number of 0 or more")
        conditions = {name: np.asarray(recorded, float) for name, recorded in self.conditions.items()}
        for name, recorded in conditions.items():
            if recorded.shape != values.shape:
                raise ValueError(f"{name}: {recorded.size} values for {values.size} drops")
        columns = {"cord": cord, "jumps": jumps.astype(int), "values": values, "conditions": conditions}
        for name, column in columns.items():
            object.__setattr__(self, name, column)

    @property
    def retest(self) -> np.ndarray:
        """The count that stands for the retest of each drop.  (n,)"""
        return retests(self.jumps)

    def take(self, keep: np.ndarray) -> "RetestedDrops":
        """Some of the drops, by number or by (n,) truth values."""
        conditions = {name: recorded[keep] for name, recorded in self.conditions.items()}
        return RetestedDrops(self.cord[keep], self.jumps[keep], self.values[keep], self.quantity, self.unit, conditions)

    def ranges(self) -> dict[str, dict[int, tuple[float, float]]]:
        """Condition → retest → least and greatest value recorded there."""
        retest, ranges = self.retest, {}
        for name, recorded in self.conditions.items():
            at = {int(count): recorded[(retest == count) & np.isfinite(recorded)] for count in np.unique(retest)}
            ranges[name] = {count: (float(x.min()), float(x.max())) for count, x in at.items() if x.size}
        return ranges


@dataclass(frozen=True)
class WearPoint:
    """Limits at one jump count. `mean` is the mean cord's, [unit of the values] throughout.

    kind : "tested", or "forecast" beyond the last test: never a rating
    lower, upper : prediction limits of another cord on the sides that have a bound, else None
    this_cord : tested cord → its own limit on the side that is nearer its bound, None if it is not known
    meets : the limits are within the bounds
    """

    jumps: int
    kind: Literal["tested", "forecast"]
    mean: float
    lower: float | None
    upper: float | None
    this_cord: dict[str, float | None]
    meets: bool

    def summary(self) -> str:
        limits = (("lower", self.lower), ("upper", self.upper))
        shown = ", ".join(f"{side} limit {limit:.4g}" for side, limit in limits if limit is not None)
        return (
            f"{self.jumps:5d} jumps, {self.kind}: mean {self.mean:.4g}, {shown}: {'met' if self.meets else 'not met'}"
        )

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Wear:
    """What the drops at several jump counts show.

    least, greatest : bounds that the limits must meet ; probability : of a limit
    lines : a straight line for each cord on the count; None with fewer than 2 cords that were retested
    points : limits at the tested counts, then the forecast
    retire_at : last retested count at which the limits are met, or the cap where smaller; None: not rated for wear
    next_retest : count of the next retest, None where there is no forecast to choose it by
    crossing : forecast counts at which the mean cord (`mean`), the limit (`early`) and the opposite limit (`late`)
        reach the bound; None where not within reach of a forecast
    curvature_p : one-sided p of wear that gets faster towards the bound; None if it could not be tested
    room : part of `least` that is no criterion, but left for what is unsure apart from cords and drops
    """

    drops: RetestedDrops
    least: float | None
    greatest: float | None
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

    def summary(self) -> str:
        answer = "not rated" if self.retire_at is None else f"retire at {self.retire_at}"
        lines = [f"wear by {self.quantity}: {answer}"]
        if self.slope is not None and self.se_slope is not None:
            unit = self.unit and f" {self.unit}"
            lines.append(f"{100 * self.slope:+.3g}{unit} in 100 jumps, standard error {100 * self.se_slope:.2g}")
        lines += [point.summary() for point in self.points]
        early, late = self.crossing["early"], self.crossing["late"]
        if early is not None:
            until = "no end in sight" if late is None else f"{late:.0f}"
            lines.append(f"forecast, not a rating: the bound is reached between {early:.0f} jumps and {until}")
        if self.next_retest is not None:
            lines.append(f"next retest at {self.next_retest} jumps")
        return "\n".join([*lines, *(f"  {reason}" for reason in self.reasons), *(f"note: {c}" for c in self.cautions)])

    def table(self) -> "pd.DataFrame":
        """A row a jump count: mean cord, limits of another cord and of each tested cord; nan where not known."""
        import pandas as pd

        unit = f"[{self.unit or 1}]"
        columns: dict[str, list[Any]] = {
            "kind": [point.kind for point in self.points],
            f"mean {unit}": [point.mean for point in self.points],
        }
        for side in OPPOSITE:
            columns[f"{side} limit {unit}"] = [getattr(point, side) for point in self.points]
        for name in self.lines.names if self.lines else ():
            columns[f"limit of cord {name} {unit}"] = [point.this_cord[str(name)] for point in self.points]
        frame = pd.DataFrame(columns, index=pd.Index([point.jumps for point in self.points], name="jumps"))
        numbers = {name: float for name in columns if name != "kind"}
        return frame.astype(numbers).dropna(axis="columns", how="all").assign(met=[p.meets for p in self.points])

    def _repr_html_(self) -> str:
        """The retirement count with its reasons, and the limits."""
        head = self.summary().splitlines()[0]
        return notebook_html("\n".join([head, *self.reasons, *self.cautions]), self.table())

    def to_dict(self) -> dict[str, Any]:
        lines = self.lines
        slopes = dict(zip(map(str, lines.names), lines.slopes.tolist(), strict=True)) if lines else {}
        return {
            "quantity": self.quantity,
            "unit": self.unit,
            "least": self.least,
            "room": self.room,
            "greatest": self.greatest,
            "probability": self.probability,
            "slope": self.slope,
            "se_slope": self.se_slope,
            "slopes": slopes,
            "tested": [point.to_dict() for point in self.tested],
            "forecast": [point.to_dict() for point in self.forecast],
            "crossing_forecast": dict(self.crossing),
            "curvature_p": self.curvature_p,
            "retire_at": self.retire_at,
            "next_retest": self.next_retest,
            "greatest_jumps": self.greatest_jumps,
            "conditions": {
                name: [{"jumps": count, "lowest": low, "highest": high} for count, (low, high) in ranges.items()]
                for name, ranges in self.drops.ranges().items()
            },
            "reasons": list(self.reasons),
            "cautions": list(self.cautions),
        }


def assess_wear(
    drops: RetestedDrops,
    *,
    probability: float,
    least: float | None = None,
    greatest: float | None = None,
    greatest_jumps: int | None = None,
) -> Wear:
    """Retirement count, forecast and next retest from drops at several jump counts.

    least, greatest : bounds that the limits must meet, at least one of them ; probability : of a prediction limit ;
    greatest_jumps : cap of the maker or the rule, which wins where smaller.
    A retest is judged by its own drops alone (limit for another cord, no line assumed) where every cord was dropped,
    else by the lines; a forecast by the worse of straight and curved lines, never beyond one longest step between
    tests. Wear that gets faster towards the bound has no forecast.
    Raises ValueError for input that makes no sense; too few drops give no rating, with the reason.
    """
    if least is None and greatest is None:
        raise ValueError("no bound: give least or greatest, from the criteria")
    if greatest_jumps is not None and greatest_jumps < 0:
        raise ValueError(f"greatest jumps {greatest_jumps}: at least 0")
    if not 0 < probability < 1:
        raise ValueError(f"probability {probability:g} is not between 0 and 1")
    sides: dict[OneSide, float | None] = {"lower": least, "upper": greatest}
    bounds = {side: bound for side, bound in sides.items() if bound is not None}
    retested, retest = _retested_cords(drops), drops.retest
    reasons = [
        f"no line for cord {name}: dropped at one jump count only"
        for name in dict.fromkeys(drops.cord.tolist())
        if name not in retested
    ]
    crossing: dict[str, float | None] = {"early": None, "mean": None, "late": None}
    points: list[WearPoint] = []
    curvature_p, next_retest, limits = None, None, None
    no_forecast = "fewer than 2 cords dropped at 2 or more jump counts: nothing is known of another cord"
    if len(retested) > 1:
        limits = WearLimits.of(drops, retested, bounds, probability)
        # what only one cord has reached is that cord's wear
        reached = sorted((int(retest[drops.cord == name].max()) for name in retested), reverse=True)[1]
        counts = [int(count) for count in np.unique(retest) if count <= reached]
        unjudged = [] if limits.lines_have_limits else [count for count in counts if not limits.all_cords_at(count)]
        if unjudged:
            first = f"{unjudged[0]} jumps: not every cord was dropped there"
            reasons.append(f"{first}, and no drop is to spare for the lines")
            counts = [count for count in counts if count < unjudged[0]]
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
        greatest=greatest,
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


def _retested_cords(drops: RetestedDrops) -> list[str]:
    """Cords dropped at two retests or more: those have a line."""
    retest, names = drops.retest, dict.fromkeys(drops.cord.tolist())
    return [name for name in names if np.unique(retest[drops.cord == name]).size > 1]


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
    bounds : side of the limit → what it must meet
    """

    drops: RetestedDrops
    straight: GroupLines
    curved: GroupLines | None
    bounds: Mapping[OneSide, float]
    probability: float

    @classmethod
    def of(
        cls, drops: RetestedDrops, retested: Sequence[str], bounds: Mapping[OneSide, float], probability: float
    ) -> "WearLimits":
        """retested : the cords that have a line"""
        lined = drops.take(np.isin(drops.cord, retested))
        columns: dict[str, Any] = {"group": lined.cord, "x": lined.jumps, "structure": "own lines"}
        most = max(np.unique(drops.retest[drops.cord == name]).size for name in retested)
        curved = None
        if most > 2 and lined.values.size > 2 * len(retested) + 1:
            curved = GroupLines.of(lined.values, curved=True, **columns)
        return cls(drops, GroupLines.of(lined.values, **columns), curved, bounds, probability)

    @property
    def lines_have_limits(self) -> bool:
        return self.straight.dof_within >= 1

    def getting_faster(self) -> tuple[float | None, str]:
        """One-sided p of wear that gets faster towards a bound, and why there is no forecast ("" if there may be)."""
        if self.curved is None:
            return None, "wear that gets faster shows at 3 or more jump counts only, with drops to spare"
        bend = abs(self.curved.curvature) * float(np.ptp(self.drops.jumps)) ** 2
        if bend <= 1e-9 * np.ptp(self.drops.values):  # a line to rounding: its standard error is rounding too
            return 1.0, ""
        t = self.curved.curvature / self.curved.se_curvature
        towards_bound = max(-t if side == "lower" else t for side in self.bounds)
        p = float(special.stdtr(self.curved.dof_within, -towards_bound))
        if p < CURVATURE_LEVEL:
            return p, f"wear gets faster with the count (p = {p:.2g}): a line promises too much; retest in small steps"
        return p, ""

    def all_cords_at(self, count: int) -> bool:
        return set(self.straight.names) <= set(self.drops.cord[self.drops.retest == count].tolist())

    def tested(self, count: int) -> WearPoint:
        """By the drops of this retest alone where every cord was dropped there, else by the lines; by each drop too."""
        here = self.drops.take(self.drops.retest == count)
        limits = {}
        for side in self.bounds:
            if self.all_cords_at(count):
                limit = prediction_limit(here.values, probability=self.probability, side=side, groups=here.cord)
                limits[side] = float(limit)
            else:
                limits[side] = float(self.by_lines(count, side)[0])
        drops_meet = all(np.all(self._margin(here.values, side) >= 0) for side in self.bounds)
        mean = GroupLines.of(here.values, group=here.cord).group_values(0.0).mean()
        return self._point(count, "tested", float(mean), limits, drops_meet)

    def forecast(self, count: int) -> WearPoint:
        limits = {side: float(self.by_lines(count, side)[0]) for side in self.bounds}
        return self._point(count, "forecast", float(self.straight.group_values(count).mean()), limits, True)

    def by_lines(self, counts: Any, side: OneSide, cord: str | None = None) -> np.ndarray:
        """Limit by the worse of straight and curved lines, as wear that gets faster may not show yet.  (n_counts,)"""
        limits = []
        for lines in (self.straight, self.curved):
            if lines is not None:
                value = lines.another_group(counts) if cord is None else lines.this_group(cord, counts)
                limits.append(value.limit(self.probability, side))
        return np.min(limits, axis=0) if side == "lower" else np.max(limits, axis=0)

    def crossing(self, last: int, span: int) -> dict[str, float | None]:
        """Counts beyond the last test at which the limit, the mean and the opposite limit reach a bound first."""

        def first(limit: Callable[[Any, OneSide], np.ndarray]) -> float | None:
            def least(count: Any) -> np.ndarray:
                return np.min([self._margin(limit(count, side), side) for side in self.bounds], axis=0)

            counts = last + span * FARTHEST * np.linspace(0, 1, 41) ** 2  # finer where it matters
            beyond = np.flatnonzero(least(counts) < 0)
            if not beyond.size:
                return None
            i = int(beyond[0])
            if i == 0:
                return float(last)
            return float(optimize.brentq(lambda count: least(count)[0], counts[i - 1], counts[i], xtol=1e-6))

        def opposite(counts: Any, side: OneSide) -> np.ndarray:
            return self.straight.another_group(counts).limit(self.probability, OPPOSITE[side])

        return {
            "early": first(self.by_lines),
            "mean": first(lambda counts, _: self.straight.group_values(counts).mean(-1)),
            "late": first(opposite),
        }

    def _margin(self, limit: Any, side: OneSide) -> Any:
        """By how much a limit is within its bound; below 0 beyond it."""
        bound = self.bounds[side]
        return limit - bound if side == "lower" else bound - limit

    def _point(
        self, count: int, kind: Literal["tested", "forecast"], mean: float, limits: dict[OneSide, float], meets: bool
    ) -> WearPoint:
        meets = meets and all(self._margin(limit, side) >= 0 for side, limit in limits.items())
        this_cord = {str(name): self._this_cord(name, count) for name in self.straight.names}
        return WearPoint(count, kind, mean, limits.get("lower"), limits.get("upper"), this_cord, meets)

    def _this_cord(self, name: Any, count: int) -> float | None:
        if self.curved is None:
            return None
        limits = {side: float(self.by_lines(count, side, name)[0]) for side in self.bounds}
        return limits[min(limits, key=lambda side: self._margin(limits[side], side))]

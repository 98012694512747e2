"""How cords age: limits at the tested jump counts, the retirement count, a forecast marked as one, the next retest.

Any quantity of a drop will do that a criterion bounds: clearance or lowest point at a standard mass, or the logarithm
of the stiffness scale, in which one pair of bounds can stand for every criterion at every mass.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cordlab.statistics.groups import GroupLines
from cordlab.statistics.propagation import OneSide
from cordlab.wear.ageing import TOGETHER, Judge, WearPoint, retests


@dataclass(frozen=True)
class Wear:
    """What the drops at several jump counts say.

    slope, se_slope : mean change a jump and its standard error between cords  [unit/jump]
    retire_at : last retested count at which the limits are met, or the cap where smaller; None: not rated for wear
    next_retest : count of the next retest, None where there is no forecast to choose it by
    crossing : forecast counts at which the mean cord (`mean`), the limit (`early`) and the opposite limit (`late`)
        reach the bound; None where not within reach of a forecast
    room : part of `least` that is no criterion, but left for what is unsure beside cords and drops
    curvature_p : one-sided p of wear that gets faster towards the bound; None if it could not be tested
    """

    quantity: str
    unit: str
    least: float | None
    greatest: float | None
    probability: float
    cord: np.ndarray
    jumps: np.ndarray
    values: np.ndarray
    lines: GroupLines | None
    points: tuple[WearPoint, ...]
    retire_at: int | None
    next_retest: int | None
    crossing: dict[str, float | None]
    curvature_p: float | None
    conditions: dict[str, dict[int, tuple[float, float]]]
    greatest_jumps: int | None
    reasons: tuple[str, ...]
    cautions: tuple[str, ...]
    room: float = 0.0

    @property
    def slope(self) -> float | None:
        return self.lines.slope if self.lines else None

    @property
    def se_slope(self) -> float | None:
        return self.lines.se_slope if self.lines and len(self.lines.names) > 1 else None

    @property
    def tested(self) -> tuple[WearPoint, ...]:
        return tuple(point for point in self.points if point.kind == "tested")

    @property
    def forecast(self) -> tuple[WearPoint, ...]:
        return tuple(point for point in self.points if point.kind == "forecast")

    def summary(self) -> str:
        lines = [
            f"wear by {self.quantity}: " + ("not rated" if self.retire_at is None else f"retire at {self.retire_at}")
        ]
        if self.slope is not None:
            unit = self.unit and f" {self.unit}"
            error = "" if self.se_slope is None else f", standard error {100 * self.se_slope:.2g}"
            lines.append(f"{100 * self.slope:+.3g}{unit} in 100 jumps{error}")
        lines += [point.summary() for point in self.points]
        early, late = self.crossing["early"], self.crossing["late"]
        if early is not None:
            until = "no end in sight" if late is None else f"{late:.0f}"
            lines.append(f"forecast, not a rating: the bound is reached between {early:.0f} jumps and {until}")
        if self.next_retest is not None:
            lines.append(f"next retest at {self.next_retest} jumps")
        return "\n".join([*lines, *(f"  {reason}" for reason in self.reasons), *(f"note: {c}" for c in self.cautions)])

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
                name: [{"jumps": count, "lowest": low, "highest": high} for count, (low, high) in by_count.items()]
                for name, by_count in self.conditions.items()
            },
            "reasons": list(self.reasons),
            "cautions": list(self.cautions),
        }


def assess_wear(
    cord: Sequence[str] | np.ndarray,
    jumps: Sequence[int] | np.ndarray,
    values: Sequence[float] | np.ndarray,
    *,
    probability: float,
    least: float | None = None,
    greatest: float | None = None,
    greatest_jumps: int | None = None,
    quantity: str = "clearance",
    unit: str = "m",
    conditions: Mapping[str, Sequence[float] | np.ndarray] | None = None,
    together: int = TOGETHER,
) -> Wear:
    """Retirement count, forecast and next retest from drops at several jump counts.

    cord, jumps, values : (n,) one a drop ; least, greatest : bounds that the limits must meet, at least one of them ;
    greatest_jumps : cap of the maker or the rule, which wins where smaller ; conditions : name with unit → (n,) values
    recorded at the drops (temperature, rest), nan where not recorded ; together : counts no farther apart are one
    retest, which stands at its lowest count.
    A retest is judged by its own drops alone (limit for another cord, no line assumed) where every cord was dropped,
    else by the lines; a forecast by the worse of straight and curved lines, never beyond one longest step between
    tests. Wear that gets faster towards the bound has no forecast.
    Raises ValueError for input that makes no sense; too little of it gives no rating, with the reason.
    """
    cord, jumps, values = _checked(cord, jumps, values)
    if least is None and greatest is None:
        raise ValueError("no bound: give least or greatest, from the criteria")
    if greatest_jumps is not None and greatest_jumps < 0:
        raise ValueError(f"greatest jumps {greatest_jumps}: at least 0")
    if not 0 < probability < 1:
        raise ValueError(f"probability {probability:g} is not between 0 and 1")
    if together < 0:
        raise ValueError(f"together {together}: at least 0")
    given: dict[OneSide, float | None] = {"lower": least, "upper": greatest}
    bounds = {side: bound for side, bound in given.items() if bound is not None}
    retest = retests(jumps, together)
    names = dict.fromkeys(cord.tolist())
    lined = [name for name in names if np.unique(retest[cord == name]).size > 1]
    reasons = [f"no line for cord {name}: dropped at one jump count only" for name in names if name not in lined]
    crossing: dict[str, float | None] = {"early": None, "mean": None, "late": None}
    points: list[WearPoint] = []
    judge, p, next_retest = None, None, None
    refusal = "fewer than 2 cords dropped at 2 or more jump counts: nothing is known of another cord"
    if len(lined) > 1:
        judge = Judge.of(cord, jumps, retest, values, lined, bounds, probability)
        counts = _retested(cord, retest, lined)
        if judge.straight.dof_within < 1 and (unjudged := [count for count in counts if not judge.all_here(count)]):
            reasons.append(
                f"{unjudged[0]} jumps: not every cord was dropped there, and no drop is to spare for the lines"
            )
            counts = [count for count in counts if count < unjudged[0]]
        points = [judge.tested(count) for count in counts]
        p, refusal = judge.getting_faster()
    retire_at, why = _retirement(points, greatest_jumps)
    if refusal or judge is None:
        reasons.append(f"no forecast: {refusal}")
    else:
        last, step = counts[-1], int(max(np.diff(counts)))
        points.append(judge.forecast(last + step))
        crossing = judge.crossing(last, last - counts[0])
        if retire_at == last:
            next_retest = _next_retest(last, step, crossing["early"], greatest_jumps)
    recorded = {name: _by_count(retest, np.asarray(seen, float)) for name, seen in (conditions or {}).items()}
    return Wear(
        quantity=quantity,
        unit=unit,
        least=least,
        greatest=greatest,
        probability=probability,
        cord=cord,
        jumps=jumps,
        values=values,
        lines=judge.straight if judge else None,
        points=tuple(points),
        retire_at=retire_at,
        next_retest=next_retest,
        crossing=crossing,
        curvature_p=p,
        conditions=recorded,
        reasons=tuple(reasons + why),
        greatest_jumps=greatest_jumps,
        cautions=tuple(_cautions(recorded, judge.straight if judge else None)),
    )


def _checked(cord: Any, jumps: Any, values: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    cord, jumps, values = np.asarray(cord), np.asarray(jumps), np.asarray(values, float)
    if not cord.shape == jumps.shape == values.shape or values.ndim != 1 or not values.size:
        shapes = f"{cord.shape}, {jumps.shape}, {values.shape}"
        raise ValueError(f"cord, jumps and values of shapes {shapes}: one a drop each")
    if not np.isfinite(values).all():
        first = int(np.flatnonzero(~np.isfinite(values))[0]) + 1
        raise ValueError(f"value {first} is not a number: leave that drop out")
    if (jumps < 0).any() or (jumps != np.floor(jumps)).any():
        raise ValueError("a jump count is not a whole number of 0 or more")
    return cord, jumps.astype(int), values


def _retested(cord: np.ndarray, retest: np.ndarray, lined: Sequence[str]) -> list[int]:
    """Retests that at least two cords have reached: what lies beyond is one cord's wear."""
    oldest = sorted((int(retest[cord == name].max()) for name in lined), reverse=True)[1]
    return [int(count) for count in np.unique(retest) if count <= oldest]


def _retirement(points: Sequence[WearPoint], cap: int | None) -> tuple[int | None, list[str]]:
    last, reasons = None, []
    for point in points:
        if not point.meets:
            reasons.append(f"the limit is not met at {point.jumps} jumps")
            break
        last = point.jumps
    if points and last == points[0].jumps:
        return None, [*reasons, "no retest meets the limit: the first test says nothing of cords jumped since"]
    if last is not None and cap is not None and cap < last:
        return cap, [*reasons, f"the maker's or the rule's greatest count of {cap} is smaller than what was tested"]
    if last is None:
        return None, [*reasons, "no jump count at which the limit is met: not rated for wear"]
    return last, [*reasons, f"not rated beyond {last} jumps, the last retest that meets the limit"]


def _next_retest(last: int, step: int, early: float | None, cap: int | None) -> int | None:
    """Before the forecast's early limit, no farther than the longest step so far, no farther than the cap."""
    count = last + step
    if early is not None:
        count = min(count, math.ceil(early) - 1)
    if cap is not None:
        count = min(count, cap)
    return count if count > last else None


def _by_count(retest: np.ndarray, given: np.ndarray) -> dict[int, tuple[float, float]]:
    if given.shape != retest.shape:
        raise ValueError(f"{given.size} recorded values for {retest.size} drops")
    kept = {}
    for count in np.unique(retest):
        of = given[(retest == count) & np.isfinite(given)]
        if of.size:
            kept[int(count)] = (float(of.min()), float(of.max()))
    return kept


def _cautions(conditions: Mapping[str, Mapping[int, tuple[float, float]]], straight: GroupLines | None) -> list[str]:
    cautions = []
    for name, by_count in conditions.items():
        ranges = list(by_count.values())
        if len(ranges) > 1 and (ranges[0][1] < ranges[-1][0] or ranges[0][0] > ranges[-1][1]):
            cautions.append(f"{name} at the first and the last count do not overlap: its effect is in the wear")
    zeroed = straight.between[1] if straight is not None else ()
    if zeroed:
        cautions.append(f"spread of the cords' {' and '.join(zeroed)} came out negative and stands at zero")
    return cautions

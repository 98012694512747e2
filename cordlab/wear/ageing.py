"""Limits of a worn cord at a jump count: from the drops at that count, or from the lines through all of them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from scipy import optimize, special

from cordlab.statistics.groups import GroupLines, NextValue
from cordlab.statistics.limits import prediction_limit
from cordlab.statistics.propagation import OneSide

CURVATURE_LEVEL = 0.05  # one-sided, towards the bound: wear that gets faster is not drawn as a line
TOGETHER = 20  # counts no farther apart are one retest: each of its drops adds a jump (a choice, no source)
FARTHEST = 10  # a crossing is looked for up to this many times the tested span beyond the last test


def retests(jumps: np.ndarray, together: int = TOGETHER) -> np.ndarray:
    """(n,) the retest that each drop belongs to, by its lowest count: counts no more than `together` apart are one."""
    counts = np.unique(jumps)
    starts = counts[np.insert(np.diff(counts) > together, 0, True)]
    return starts[np.searchsorted(starts, jumps, side="right") - 1]


def room(limit: float, bound: float, side: OneSide) -> float:
    """By how much a limit is within its bound; below 0 beyond it."""
    return limit - bound if side == "lower" else bound - limit


@dataclass(frozen=True)
class WearPoint:
    """Limits at one jump count. `mean` is the mean cord's, [unit of the values] throughout.

    kind : "tested", or "forecast" beyond the last test: never a rating
    lower, upper : prediction limits of another cord on the sides that have a bound, else None
    this_cord : tested cord → its own limit on the side that is nearer its bound, None if it cannot be told
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
class Judge:
    """Limits at a count, from drops (n,) of which some cords have a line.

    retest : (n,) count that stands for the retest of each drop
    straight : a line for each of them ; curved : the same with a common curvature, None where drops cannot show one
    bounds : side of the limit → what it must meet
    """

    cord: np.ndarray
    jumps: np.ndarray
    retest: np.ndarray
    values: np.ndarray
    straight: GroupLines
    curved: GroupLines | None
    bounds: Mapping[OneSide, float]
    probability: float

    @classmethod
    def of(
        cls,
        cord: np.ndarray,
        jumps: np.ndarray,
        retest: np.ndarray,
        values: np.ndarray,
        lined: Sequence[str],
        bounds: Mapping[OneSide, float],
        probability: float,
    ) -> "Judge":
        """`lined` names the cords dropped at two or more retests: those have a line."""
        of = np.isin(cord, lined)
        drops: dict[str, Any] = {"group": cord[of], "x": jumps[of], "structure": "own lines"}
        most = max(np.unique(retest[cord == name]).size for name in lined)
        bends = most > 2 and of.sum() > 2 * len(lined) + 1
        straight = GroupLines.of(values[of], **drops)
        curved = GroupLines.of(values[of], curved=True, **drops) if bends else None
        return cls(cord, jumps, retest, values, straight, curved, bounds, probability)

    def getting_faster(self) -> tuple[float | None, str]:
        """One-sided p of wear that gets faster towards a bound, and why there is no forecast ("" if there may be)."""
        if self.curved is None:
            return None, "wear that gets faster shows at 3 or more jump counts only, with drops to spare"
        bend = abs(self.curved.curvature) * float(np.ptp(self.jumps)) ** 2
        if bend <= 1e-9 * np.ptp(self.values):  # a line to rounding: its standard error is rounding too
            return 1.0, ""
        t = self.curved.curvature / self.curved.se_curvature
        p = float(special.stdtr(self.curved.dof_within, -max(-t if side == "lower" else t for side in self.bounds)))
        if p < CURVATURE_LEVEL:
            return p, f"wear gets faster with the count (p = {p:.2g}): a line promises too much; retest in small steps"
        return p, ""

    def all_here(self, count: int) -> bool:
        return set(self.straight.names) <= set(self.cord[self.retest == count].tolist())

    def tested(self, count: int) -> WearPoint:
        """By the drops of this retest alone where every cord was dropped there, else by the lines; by each drop too."""
        at = self.retest == count
        cords, values, limits, within = self.cord[at], self.values[at], {}, True
        for side, bound in self.bounds.items():
            if self.all_here(count):
                limits[side] = float(prediction_limit(values, probability=self.probability, side=side, groups=cords))
            else:
                limits[side] = self.by_lines(count, side)
            within &= all(room(value, bound, side) >= 0 for value in values.tolist())
        mean = float(np.mean([values[cords == name].mean() for name in dict.fromkeys(cords.tolist())]))
        return self._point(count, "tested", mean, limits, within)

    def forecast(self, count: int) -> WearPoint:
        limits = {side: self.by_lines(count, side) for side in self.bounds}
        return self._point(count, "forecast", float(self.straight.group_values(count).mean()), limits, True)

    def by_lines(self, count: float, side: OneSide) -> float:
        return self._worse(lambda lines: lines.another_group(count), side)

    def _worse(self, value: Callable[[GroupLines], NextValue], side: OneSide) -> float:
        """The worse of straight and curved: wear that gets faster may not show yet."""
        both = [lines for lines in (self.straight, self.curved) if lines is not None]
        limits = [float(value(lines).limit(self.probability, side)[0]) for lines in both]
        return min(limits) if side == "lower" else max(limits)

    def _point(
        self, count: int, kind: Literal["tested", "forecast"], mean: float, limits: dict[OneSide, float], within: bool
    ) -> WearPoint:
        meets = within and all(room(limits[side], bound, side) >= 0 for side, bound in self.bounds.items())
        this_cord = {str(name): self._this(name, count) for name in self.straight.names}
        return WearPoint(count, kind, mean, limits.get("lower"), limits.get("upper"), this_cord, meets)

    def _this(self, name: Any, count: int) -> float | None:
        if self.curved is None:
            return None

        def own(side: OneSide) -> float:
            return self._worse(lambda lines: lines.this_group(name, count), side)

        limits = {side: own(side) for side in self.bounds}
        return limits[min(limits, key=lambda side: room(limits[side], self.bounds[side], side))]

    def crossing(self, last: int, span: int) -> dict[str, float | None]:
        """Counts beyond the last test at which the limit, the mean and the opposite limit reach a bound first."""
        opposite: dict[OneSide, OneSide] = {"lower": "upper", "upper": "lower"}

        def first(limit: Callable[[float, OneSide], float]) -> float | None:
            def least(count: float) -> float:
                return min(room(limit(count, side), bound, side) for side, bound in self.bounds.items())

            counts = last + span * FARTHEST * np.linspace(0, 1, 41) ** 2  # finer where it matters
            gaps = np.array([least(count) for count in counts])
            if not (gaps < 0).any():
                return None
            i = int(np.argmax(gaps < 0))
            return float(last) if i == 0 else float(optimize.brentq(least, counts[i - 1], counts[i], xtol=1e-6))

        def far(count: float, side: OneSide) -> float:
            return float(self.straight.another_group(count).limit(self.probability, opposite[side])[0])

        return {
            "early": first(self.by_lines),
            "mean": first(lambda count, side: float(self.straight.group_values(count).mean())),
            "late": first(far),
        }

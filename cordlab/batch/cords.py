"""How the cords of a batch differ: variation between and within them, a cord unlike the others, a temperature trend."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit

from cordlab.statistics.components import VarianceComponents, components, without_levels
from cordlab.units import notebook_html

if TYPE_CHECKING:
    from cordlab.batch.drop_table import Evidence

RULE = "Grubbs' test on the cord means, Bonferroni correction over all cords and quantities"
CORDS_THAT_SHOW = 2  # what temperature or wear does: one may be changing for another reason
LEAST_RANGE = 5.0  # that drops of a cord must span for a trend: a cord's core is known to about 2 K; our choice [K]
WITH_JUMPS = 0.9  # correlation of temperature and jump count from which they are called inseparable; our choice


@dataclass(frozen=True)
class Outlying:
    """A cord beside the others of its batch."""

    cord: str
    quantity: str
    mean: float
    others: float
    t: float  # its mean against the others'
    p: float  # two-sided, after the Bonferroni correction

    def summary(self) -> str:
        return f"cord {self.cord}: {self.quantity} {self.mean:.4g}, the others {self.others:.4g} (p = {self.p:.2g})"


@dataclass(frozen=True)
class QuantitySpread:
    """One quantity over the cords."""

    quantity: str
    cords: tuple[str, ...]  # (k,)
    means: np.ndarray  # (k,) of each cord
    sd: float  # of the cord means
    components: VarianceComponents | None  # None where every cord has one value: then `sd` holds both
    tests: tuple[Outlying, ...]  # (k,) each cord against the others, strangest first; empty below 3 cords

    def summary(self) -> str:
        if self.components is None:
            of_means = f"mean {self.means.mean():.6g}, sd {self.sd:.3g} over {len(self.cords)} cords"
            return f"{self.quantity}: {of_means}; one value a cord: between and within not told apart"
        return f"{self.quantity}: {self.components.summary()}"

    def to_dict(self) -> dict[str, object]:
        return {
            "quantity": self.quantity,
            "cords": dict(zip(self.cords, self.means.tolist(), strict=True)),
            "sd": self.sd,
            "components": self.components and self.components.to_dict(),
            "tests": [{"cord": test.cord, "t": test.t, "p": test.p} for test in self.tests],
        }


@dataclass(frozen=True)
class Batch:
    """Variation of each quantity over the cords, and the cords that stand out at `level` by `rule`."""

    spreads: tuple[QuantitySpread, ...]
    outlying: tuple[Outlying, ...]
    level: float
    rule: str
    cautions: tuple[str, ...]

    def __getitem__(self, quantity: str) -> QuantitySpread:
        return {spread.quantity: spread for spread in self.spreads}[quantity]

    def summary(self) -> str:
        lines = [spread.summary() for spread in self.spreads]
        lines += [f"unlike its batch, {test.summary()}" for test in self.outlying]
        if not self.outlying:
            lines.append(f"no cord unlike its batch at {self.level:g} ({self.rule})")
        return "\n".join(lines + [f"note: {caution}" for caution in self.cautions])

    def table(self) -> pd.DataFrame:
        """A row a quantity, in its unit: mean and variation of the cords, and the cord furthest from the others."""
        rows = {}
        for spread in self.spreads:
            parts = spread.components
            sds = (parts.sd_between, parts.sd_within) if parts else (spread.sd, np.nan)
            worst = [(test.cord, test.p) for test in spread.tests] or [("", np.nan)]
            rows[spread.quantity] = (spread.means.mean(), *sds, len(spread.cords), *worst[0])
        heads = ["mean", "sd between cords", "sd within cords", "cords", "furthest cord", "p"]
        return pd.DataFrame.from_dict(rows, orient="index", columns=heads).rename_axis("quantity")

    def _repr_html_(self) -> str:
        unlike = ", ".join(f"{test.cord} ({test.quantity})" for test in self.outlying)
        return notebook_html(f"{len(self.spreads[0].cords)} cords; unlike the others: {unlike or 'none'}", self.table())

    def to_dict(self) -> dict[str, object]:
        return {
            "quantities": [spread.to_dict() for spread in self.spreads],
            "outlying": [{"cord": test.cord, "quantity": test.quantity, "p": test.p} for test in self.outlying],
            "rule": self.rule,
            "level": self.level,
            "cautions": list(self.cautions),
        }


def quantities(evidence: "Evidence", scale: np.ndarray) -> dict[str, dict[str, list[float]]]:
    """What a batch is judged by, quantity → cord → values, from drops and the stiffness of each (n,).
    A lowest point is taken at each mass that every cord was dropped with."""
    cords = np.array(evidence.cord)

    def by_cord(values: np.ndarray, drops: np.ndarray | slice = slice(None)) -> dict[str, list[float]]:
        return pd.Series(values[drops]).groupby(cords[drops], sort=False).apply(list).to_dict()

    values = {"stiffness scale": by_cord(scale)}
    values["slack length [m]"] = {cord: lengths[:1] for cord, lengths in by_cord(evidence.slack_length).items()}
    for mass in np.unique(evidence.mass):
        lowest = by_cord(evidence.lowest_point, evidence.mass == mass)
        if len(lowest) == len(set(evidence.cord)):
            values[f"lowest point at {mass:g} kg [m]"] = lowest
    returned = by_cord(evidence.energy_returned, np.isfinite(evidence.energy_returned))
    return values | {"energy returned": returned} if len(returned) > 1 else values


def batch_report(values: Mapping[str, Mapping[str, Sequence[float]]], *, level: float = 0.01) -> Batch:
    """Variation of each quantity between and within cords, and those unlike the others at `level` over the whole batch.
    values : quantity → cord → its values, one a drop or one a cord. ValueError where they say nothing."""
    if not values:
        raise ValueError("no quantity to judge the batch by")
    number = sum(len(cords) for cords in values.values() if len(cords) > 2)
    spreads = tuple(_spread(quantity, cords, number) for quantity, cords in values.items())
    outlying = sorted((test for spread in spreads for test in spread.tests if test.p < level), key=lambda test: test.p)
    fewest, cautions = min(len(spread.cords) for spread in spreads), []
    if fewest < 3:
        cautions.append(f"{fewest} cords: at least 3 are needed to see that one is unlike the others")
    return Batch(spreads, tuple(outlying), level, RULE, tuple(cautions))


def _spread(quantity: str, values: Mapping[str, Sequence[float]], number: int) -> QuantitySpread:
    if len(values) < 2:
        raise ValueError(f"{quantity}: {len(values)} cord; spread between cords takes at least 2")
    cords, by_cord = tuple(values), [np.asarray(of_cord, float) for of_cord in values.values()]
    sizes, flat = np.array([of_cord.size for of_cord in by_cord]), np.concatenate(by_cord)
    if not sizes.all():
        raise ValueError(f"{quantity}: no value for cord {cords[sizes.argmin()]}")
    if not np.isfinite(flat).all():
        raise ValueError(f"{quantity}: a value is not a number: leave the drop out by name")
    means = np.array([of_cord.mean() for of_cord in by_cord])
    parts, variance = None, np.ones(len(cords))  # one value a cord: all means are as certain
    if flat.size > len(cords):
        parts = components(flat, np.repeat(cords, sizes))
        if np.isfinite(parts.ratio):
            variance = parts.ratio + 1 / sizes  # the mean of fewer drops is the less certain one
    tests = _tests(quantity, cords, means, variance, number) if len(cords) > 2 else ()
    return QuantitySpread(quantity, cords, means, float(np.std(means, ddof=1)), parts, tests)


def _tests(
    quantity: str, cords: tuple[str, ...], means: np.ndarray, variance: np.ndarray, number: int
) -> tuple[Outlying, ...]:
    """Each cord mean against the others': Student's t on k − 2, the same test as Grubbs' G if balanced."""
    dof = len(cords) - 2
    weights = (1 - np.eye(len(cords))) / variance  # a row a cord: those of the others
    total = weights.sum(axis=1)
    others = weights @ means / total
    square = (weights * (means - others[:, None]) ** 2).sum(axis=1) / dof
    error = np.maximum(np.sqrt(square * (variance + 1 / total)), 1e-300)  # 0 where the others are equal
    t = (means - others) / error
    p = np.minimum(number * 2 * stdtr(dof, -np.abs(t)), 1.0)
    columns = (column.tolist() for column in (means, others, t, p))
    tests = [Outlying(cord, quantity, *row) for cord, *row in zip(cords, *columns, strict=True)]
    return tuple(sorted(tests, key=lambda test: test.p))


@dataclass(frozen=True)
class Slope:
    """A slope by least squares, every group at a level of its own."""

    slope: float
    u: float  # its standard error
    dof: int
    cause: np.ndarray  # (n,) what is left of x when the groups' levels are taken off

    @property
    def chance(self) -> float:
        """That repeatability alone makes a slope as steep as this, either way."""
        return 2 * float(stdtr(self.dof, -abs(self.slope) / self.u))

    def along(self, other: "Slope") -> float:
        """Correlation of the two causes within the groups, without its sign."""
        size = (self.cause @ self.cause) * (other.cause @ other.cause)
        return float(abs(self.cause @ other.cause) / np.sqrt(size))


def slope_within(values: np.ndarray, x: np.ndarray, *groupings: ArrayLike) -> Slope | None:
    """Slope of values (n,) on x (n,) within the groups of each grouping (n,); None where x or the values leave none."""
    columns, _, dof = without_levels(np.column_stack([values, x]), *groupings)
    rest, cause = columns.T
    size = cause @ cause
    if dof < 2 or size <= 1e-12:
        return None
    slope = float(cause @ rest / size)
    residuals = rest - slope * cause
    u = np.sqrt(max(residuals @ residuals, 1e-300) / (dof - 1) / size)
    return Slope(slope, float(u), dof - 1, cause)


@dataclass(frozen=True)
class TemperatureTrend:
    """Change of ln stiffness by temperature, within cords and masses."""

    slope: float | None  # [1/K], None where it was not measured
    u: float | None
    dof: int
    lowest: float  # temperature of the drops [degC]
    highest: float
    reason: str = ""  # why there is no slope
    note: str = ""  # what else may be in it

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Two-sided confidence interval of the slope by Student's t [1/K]; ValueError where it was not measured."""
        if self.slope is None or self.u is None:
            raise ValueError(f"no temperature trend: {self.reason}")
        half = float(stdtrit(self.dof, (1 + level) / 2)) * self.u
        return self.slope - half, self.slope + half

    def summary(self) -> str:
        if self.slope is None or self.u is None:
            return f"temperature: no trend of stiffness measured ({self.reason})"
        change = f"stiffness changes by {100 * self.slope:+.2f} % per K, u = {100 * self.u:.2f} %"
        text = f"temperature: {change}, measured from {self.lowest:.1f} to {self.highest:.1f} °C"
        return f"{text}; {self.note}" if self.note else text

    def to_dict(self) -> dict[str, object]:
        plain = {"slope_per_K": self.slope, "u": self.u, "dof": self.dof}
        return plain | {"range": [self.lowest, self.highest], "reason": self.reason, "note": self.note}


def temperature_trend(
    log_scale: np.ndarray,
    temperature: np.ndarray,
    *,
    cords: Sequence[str],
    masses: Sequence[float] | np.ndarray,
    jumps: Sequence[float] | np.ndarray,
) -> TemperatureTrend:
    """Slope of ln stiffness scale on temperature [degC], one value a drop, every cord and every mass at its own level.
    None is given where no cord was dropped over `LEAST_RANGE`, or where no degree of freedom is left."""
    known = np.isfinite(temperature)
    y, t, cord, mass, jump = (np.asarray(column)[known] for column in (log_scale, temperature, cords, masses, jumps))
    lowest, highest = (float(t.min()), float(t.max())) if t.size else (np.nan, np.nan)

    def none(reason: str) -> TemperatureTrend:
        return TemperatureTrend(None, None, 0, lowest, highest, reason)

    telling = min(CORDS_THAT_SHOW, len(set(cords)))
    spans = [0.0] * telling + sorted(float(np.ptp(t[cord == name])) for name in set(cord))
    span = spans[-telling]
    if span < LEAST_RANGE:
        of_each = f"the drops of {telling} of them span {span:.1f} K each" if t.size else "no temperature was noted"
        return none(f"{of_each}; drop {telling} at temperatures {LEAST_RANGE:g} K apart or more")
    trend = slope_within(y, t - t.mean(), cord, mass)
    if trend is None or trend.cause @ trend.cause < t.size:  # a kelvin a drop, in the root of the mean square
        return none(
            "temperature changed with the cords or the masses, not within them; repeat a mass when it is warmer"
        )
    counts, note = slope_within(y, jump, cord, mass), ""
    if counts and trend.along(counts) > WITH_JUMPS:
        note = "jump counts rose along with it, and their softening is in the trend"
    return TemperatureTrend(trend.slope, trend.u, trend.dof, lowest, highest, note=note)


def tested_only(temperatures: ArrayLike) -> str:
    """The caution where a campaign does not say at which temperatures the cords are used.  (n_drops,) [°C]"""
    known = np.asarray(temperatures)[np.isfinite(temperatures)]
    if not known.size:
        return "No drop has its temperature recorded, and none is given for the use: the rating says nothing of either."
    return (
        f"The rating holds for cords at {known.min():g} to {known.max():g} °C, where they were dropped; the "
        "temperature of use is not given ([site] temperature)."
    )

"""A batch of cords: spread between and within cords, and the cord unlike the others."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from cordlab.statistics.limits import VarianceComponents, components

if TYPE_CHECKING:
    from cordlab.batch.anchor import Evidence

RULE = "Grubbs' test on the cord means, Bonferroni correction over all cords and quantities"


@dataclass(frozen=True)
class Outlying:
    """A cord unlike its batch. t : its mean against the others' ; p : two-sided, after the Bonferroni correction"""

    cord: str
    quantity: str
    mean: float
    others: float
    t: float
    p: float

    def summary(self) -> str:
        return f"cord {self.cord}: {self.quantity} {self.mean:.4g}, the others {self.others:.4g} (p = {self.p:.2g})"


@dataclass(frozen=True)
class QuantitySpread:
    """One quantity over the cords.

    cords, means, sizes : (k,) name, mean and number of values of each cord ; sd : of the cord means
    components : between and within cords; None where every cord has one value, then `sd` holds both
    tests : (k,) each cord against the others, strangest first; empty below 3 cords
    """

    quantity: str
    cords: tuple[str, ...]
    means: np.ndarray
    sizes: np.ndarray
    sd: float
    components: VarianceComponents | None
    tests: tuple[Outlying, ...]

    def summary(self) -> str:
        if self.components is None:
            said = f"mean {self.means.mean():.6g}, sd {self.sd:.3g} over {len(self.cords)} cords"
            return f"{self.quantity}: {said}; one value a cord: between and within not told apart"
        return f"{self.quantity}: {self.components.summary()}"

    def to_dict(self) -> dict[str, Any]:
        return {
            "quantity": self.quantity,
            "cords": dict(zip(self.cords, self.means.tolist(), strict=True)),
            "sd": self.sd,
            "components": self.components and self.components.to_dict(),
            "tests": [{"cord": test.cord, "t": test.t, "p": test.p} for test in self.tests],
        }


@dataclass(frozen=True)
class Batch:
    """Spread of each quantity, and the cords that stand out at `level` by `rule`."""

    spreads: tuple[QuantitySpread, ...]
    outlying: tuple[Outlying, ...]
    level: float
    rule: str
    cautions: tuple[str, ...]

    def __getitem__(self, quantity: str) -> QuantitySpread:
        for spread in self.spreads:
            if spread.quantity == quantity:
                return spread
        raise KeyError(f"no quantity {quantity!r}; there are {', '.join(spread.quantity for spread in self.spreads)}")

    def summary(self) -> str:
        lines = [spread.summary() for spread in self.spreads]
        lines += [f"unlike its batch, {found.summary()}" for found in self.outlying]
        if not self.outlying:
            lines.append(f"no cord unlike its batch at {self.level:g} ({self.rule})")
        return "\n".join(lines + [f"note: {caution}" for caution in self.cautions])

    def to_dict(self) -> dict[str, Any]:
        return {
            "quantities": [spread.to_dict() for spread in self.spreads],
            "outlying": [{"cord": found.cord, "quantity": found.quantity, "p": found.p} for found in self.outlying],
            "rule": self.rule,
            "level": self.level,
            "cautions": list(self.cautions),
        }


def quantities(
    evidence: "Evidence", scale: np.ndarray, energy_returned: Mapping[str, float]
) -> dict[str, dict[str, list[float]]]:
    """What a batch is judged by, quantity → cord → values: stiffness scale, slack length, lowest point at each mass
    that every cord was dropped with, energy returned.

    scale : (n,) stiffness, one a drop of the evidence ; energy_returned : drop → share, where its record shows it
    """
    rows, cord, names = range(len(evidence)), evidence.cord, list(dict.fromkeys(evidence.cord))

    def by_cord(kept: Sequence[int], values: Sequence[float] | np.ndarray) -> dict[str, list[float]]:
        return {name: own for name in names if (own := [float(values[k]) for k in kept if cord[k] == name])}

    found = {"stiffness scale": by_cord(rows, scale)}
    found["slack length [m]"] = {name: [float(evidence.slack_length[cord.index(name)])] for name in names}
    for mass in np.unique(evidence.mass):
        at = by_cord([k for k in rows if evidence.mass[k] == mass], evidence.lowest_point)
        if len(at) == len(names):
            found[f"lowest point at {mass:g} kg [m]"] = at
    seen = [energy_returned.get(name, np.nan) for name in evidence.drop]
    returned = by_cord([k for k in rows if np.isfinite(seen[k])], seen)
    return found | {"energy returned": returned} if len(returned) > 1 else found


def batch_report(values: Mapping[str, Mapping[str, Sequence[float]]], *, level: float = 0.01) -> Batch:
    """Spread between and within cords of each quantity, and the cords unlike the others.

    values : quantity → cord → its values, one a drop (stiffness scale, lowest point at a standard mass, energy
    returned) or one a cord (slack length). level : of the outlying-cord rule over the whole batch.
    A cord that stands out is shown and never left out: that takes a reason from the workshop.
    Raises ValueError for no quantity, fewer than 2 cords, a cord without a value or a value that is no number.
    """
    if not values:
        raise ValueError("no quantity given")
    number = sum(len(cords) for cords in values.values() if len(cords) > 2)
    spreads = tuple(_spread(quantity, cords, number) for quantity, cords in values.items())
    outlying = [test for spread in spreads for test in spread.tests if test.p < level]
    cautions = []
    fewest = min(len(spread.cords) for spread in spreads)
    if fewest < 3:
        cautions.append(f"{fewest} cords: at least 3 are needed to see that one is unlike the others")
    return Batch(spreads, tuple(sorted(outlying, key=lambda test: test.p)), level, RULE, tuple(cautions))


def _spread(quantity: str, values: Mapping[str, Sequence[float]], number: int) -> QuantitySpread:
    if len(values) < 2:
        raise ValueError(f"{quantity}: {len(values)} cord; spread between cords takes at least 2")
    empty = [cord for cord, of_cord in values.items() if not len(of_cord)]
    if empty:
        raise ValueError(f"{quantity}: no value for cord {empty[0]}")
    cords, sizes = tuple(values), np.array([len(of_cord) for of_cord in values.values()])
    flat = np.concatenate([np.asarray(of_cord, float) for of_cord in values.values()])
    if not np.isfinite(flat).all():
        raise ValueError(f"{quantity}: a value is not a number: leave the drop out by name")
    means = np.array([np.mean(of_cord) for of_cord in values.values()])
    found = components(flat, np.repeat(np.arange(len(cords)), sizes)) if flat.size > len(cords) else None
    # the mean of fewer drops is the less certain one; with one value a cord all are alike
    variance = np.ones(len(cords)) if found is None or np.isinf(found.ratio) else found.ratio + 1 / sizes
    tests = _tests(quantity, cords, means, variance, number) if len(cords) > 2 else ()
    return QuantitySpread(quantity, cords, means, sizes, float(np.std(means, ddof=1)), found, tests)


def _tests(
    quantity: str, cords: tuple[str, ...], means: np.ndarray, variance: np.ndarray, number: int
) -> tuple[Outlying, ...]:
    """Each cord mean against the others': Student's t on k − 2, the same test as Grubbs' G if balanced."""
    tests = []
    for i, cord in enumerate(cords):
        rest = np.arange(len(cords)) != i
        weight = 1 / variance[rest]
        others = float(weight @ means[rest] / weight.sum())
        scale = weight @ (means[rest] - others) ** 2 / (rest.sum() - 1)
        difference = float(means[i] - others)
        error = np.sqrt(scale * (variance[i] + 1 / weight.sum()))
        t = difference / error if error else np.copysign(np.inf, difference) if difference else 0.0
        p = min(1.0, number * 2 * float(special.stdtr(len(cords) - 2, -abs(t))))
        tests.append(Outlying(cord, quantity, float(means[i]), others, float(t), p))
    return tuple(sorted(tests, key=lambda test: test.p))

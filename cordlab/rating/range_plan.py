"""How many cords to test for a wanted rated range: the range to expect of tests of more or fewer cords."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil, inf, log
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import chdtri, ndtri

from cordlab.limits.budget import BETWEEN, SHAPE, WITHIN, Part, first_order
from cordlab.limits.forecast import Forecast
from cordlab.rating.criteria import FACTOR, judge
from cordlab.statistics.limits import tolerance_factor
from cordlab.statistics.propagation import t_margin
from cordlab.units import Measured, mass_range

if TYPE_CHECKING:
    from cordlab.campaign.settings import Criteria


@dataclass(frozen=True)
class RangePlan:
    """Rated ranges to expect of n cords dropped with the same masses, if cords and drops scatter as those so far.

    cords : (N,) numbers of cords;  lightest, heaviest : (N,) rider mass [kg], nan where nothing would be rated
    so_far : cords that were dropped
    best : the range if the spread were known without error: no number of cords gets beyond it; None where nothing
    """

    cords: np.ndarray
    lightest: np.ndarray
    heaviest: np.ndarray
    so_far: int
    best: tuple[float, float] | None

    @property
    def width(self) -> np.ndarray:
        """(N,) of the rated range [kg], 0 where nothing would be rated."""
        return np.nan_to_num(self.heaviest - self.lightest)

    def summary(self) -> str:
        lines = ["rated range to expect, if further cords and drops scatter as these:"]
        for n, light, heavy in zip(self.cords, self.lightest, self.heaviest, strict=True):
            lines.append(f"{n:3d} cords: {mass_range(light, heavy)}" + (" (as dropped)" if n == self.so_far else ""))
        if self.best is not None:
            lines.append(f"spread known: {mass_range(*self.best)}")
        return "\n".join(lines)

    def table(self) -> pd.DataFrame:
        """A row a number of cords; nan where nothing would be rated."""
        columns = {"lightest rider [kg]": self.lightest, "heaviest rider [kg]": self.heaviest}
        return pd.DataFrame(columns, index=pd.Index(self.cords, name="cords"))

    def to_dict(self) -> dict[str, object]:
        names = ("cords", "lightest", "heaviest")
        return {name: getattr(self, name).tolist() for name in names} | {"so_far": self.so_far, "best": self.best}


def plan_range(
    forecast: Forecast, *, criteria: "Criteria", breaking_load: Measured | None = None, most: int = 20
) -> RangePlan:
    """Rated ranges to expect of 2 to `most` cords; where more were dropped, on to those in steps of a tenth.

    forecast : that the range so far was rated by;  criteria, breaking_load : as in `rate`
    Every limit keeps its estimate; its distance from it changes as that of the first-order sum does whose parts of
    cords, drops and shape are known from n cords: variance (1 + 1/n), Student's t with n − 1 degrees of freedom.
    Raises ValueError where a criterion cannot be judged, cords do not show their variation, or one mass was dropped.
    """
    if forecast.masses.size < 2:
        raise ValueError("only one mass was dropped: there is no range to plan")
    n = forecast.n_cords
    if n < 2 or forecast.level.families[0].dof[0] != n - 1:
        raise ValueError(f"{n} cords, dropped as these were, do not show how cords scatter: nothing to plan from")
    judgement, missing = judge(forecast, criteria=criteria, breaking_load=breaking_load)
    if missing:
        raise ValueError("; ".join(missing))
    confidence = None if forecast.content is None else forecast.confidence
    # a strength factor's parts are those of the peak load
    quantities = sorted({"peak_load" if name == FACTOR else name for name in judgement.bounds})
    parts = {name: first_order(forecast, name) for name in quantities}
    distance = partial(margin, dropped=n, probability=forecast.probability, confidence=confidence)

    def margins(cords: float) -> dict[str, np.ndarray]:
        return {name: np.array([distance(at_mass, cords=cords) for at_mass in parts[name]]) for name in quantities}

    so_far = margins(n)

    def range_with(cords: float) -> tuple[float, float] | None:
        limits = dict(judgement.limits)
        for name, far in margins(cords).items():  # every limit so many times as far from its estimate
            estimate = forecast.estimates[name]
            limits[name] = estimate + far / so_far[name] * (limits[name] - estimate)
        with np.errstate(invalid="ignore"):  # both infinite: nothing is known, and no mass is allowed
            limits[FACTOR] = limits[FACTOR] * (judgement.limits["peak_load"] / limits["peak_load"])
        met, runs = replace(judgement, limits=limits).runs()
        if not runs:
            return None
        light, heavy = met.index[max(runs, key=len)[[0, -1]]]
        return float(light), float(heavy)

    beyond = np.geomspace(most, n, 2 + ceil(log(n / most, 1.1))) if n > most else ()
    cords = np.unique([*range(2, most + 1), *np.round(beyond).astype(int)])
    ends = np.array([range_with(int(count)) or (np.nan, np.nan) for count in cords])
    return RangePlan(cords, ends[:, 0], ends[:, 1], n, range_with(inf))


def margin(
    parts: Sequence[Part], *, dropped: int, cords: float, probability: float, confidence: float | None = None
) -> float:
    """Distance of a limit from its estimate, √Σ (t u)², with `cords` in place of those that were dropped; with a
    `confidence` that of a tolerance limit, where each t is the tolerance factor of its part."""
    sizes, dofs, factors = [], [], []
    for name, size, dof in parts:
        if name == SHAPE:
            size *= (dropped / cords) ** 0.5
        elif name in BETWEEN:
            size *= ((1 + 1 / cords) / (1 + 1 / dropped)) ** 0.5
            dof = cords - 1
        elif name in WITHIN:
            dof *= cords / dropped
        sizes.append(size)
        dofs.append(dof)
        if confidence is None:
            continue
        if dof == inf:
            factors.append(ndtri(probability))
        elif name in BETWEEN:  # that of cords has the error of their mean in it
            factors.append(tolerance_factor(dof + 1, probability, confidence) / (1 + 1 / (dof + 1)) ** 0.5)
        else:
            factors.append(ndtri(probability) * (dof / chdtri(dof, confidence)) ** 0.5)
    if confidence is None:
        return float(t_margin(sizes, dofs, probability))
    return float(np.linalg.norm(np.multiply(factors, sizes)))

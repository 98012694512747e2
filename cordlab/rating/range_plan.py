"""How many cords to test for a wanted rated range: the range to expect of tests of more or fewer cords."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf, log, sqrt
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, ndtr, ndtri, stdtrit

from cordlab.limits.budget import BETWEEN, SHAPE, WITHIN, components_of
from cordlab.limits.forecast import Forecast
from cordlab.limits.simulate import Run
from cordlab.rating.criteria import Margins, margins
from cordlab.rating.rate import STEP, longest_run
from cordlab.units import Measured

DRAWS = 4_000  # even steps of probability in random order: each law is met exactly, only their sum is drawn


@dataclass(frozen=True)
class RangePlan:
    """Rated ranges to expect of n cords dropped with the same masses, if cords and drops scatter as found so far.

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

    def cords_for(self, lightest: float, heaviest: float) -> int:
        """Fewest cords with which riders from `lightest` to `heaviest` [kg] may be expected to be rated.

        Raises ValueError where none of the plan's numbers is enough, with what would be.
        """
        enough = self.cords[(self.lightest <= lightest + 1e-9) & (self.heaviest >= heaviest - 1e-9)]
        if enough.size:
            return int(enough[0])
        if self.best is None:
            reach = "nothing would be rated with any number of cords"
        else:
            reach = f"{self.best[0]:.1f} to {self.best[1]:.1f} kg is all that these cords can be rated for at this site"
        raise ValueError(
            f"{lightest:g} to {heaviest:g} kg is out of reach with {self.cords[-1]} cords: {reach}; drop lighter or "
            "heavier masses, or change what ends the range"
        )

    def summary(self) -> str:
        lines = ["rated range to expect, if further cords and drops scatter as these:"]
        for n, light, heavy in zip(self.cords, self.lightest, self.heaviest, strict=True):
            said = f"{light:.1f} to {heavy:.1f} kg" if np.isfinite(light) else "nothing rated"
            lines.append(f"{n:3d} cords: {said}" + (" (as dropped)" if n == self.so_far else ""))
        if self.best is not None:
            lines.append(f"spread known: {self.best[0]:.1f} to {self.best[1]:.1f} kg")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        names = ("cords", "lightest", "heaviest")
        return {name: getattr(self, name).tolist() for name in names} | {"so_far": self.so_far, "best": self.best}


def plan_range(
    forecast: Forecast, *, criteria: Any, breaking_load: Measured | None = None, most: int = 20
) -> RangePlan:
    """Rated ranges to expect of 2 to `most` cords; where more were dropped, on to those in steps of a tenth.

    forecast : that the range so far was rated by;  criteria, breaking_load : as in `rate`
    Every limit keeps its estimate; its distance from it changes as that of a first-order sum does whose parts of cords,
    drops and shape are known from n cords: variance (1 + 1/n), Student's t with n − 1 degrees of freedom. The sum is
    drawn: effective degrees of freedom (JCGM 100, G.4.1) promise far too much where 2 or 3 cords are one part of it.
    Raises ValueError where a criterion cannot be judged, cords do not show their spread, or one mass was dropped.
    """
    if forecast.masses.size < 2:
        raise ValueError("only one mass was dropped: there is no range to plan")
    n, level = forecast.n_cords, forecast.level
    if n < 2 or level.dof_between != n - 1:
        raise ValueError(f"{n} cords, dropped as these were, do not show how cords scatter: nothing to plan from")
    found, missing = margins(forecast, criteria=criteria, breaking_load=breaking_load)
    if missing:
        raise ValueError("; ".join(missing))
    run = Run.of(forecast.learned, site=forecast.site, masses=forecast.masses, cord=forecast.cord, waves=forecast.waves)
    judged = {"peak_load" if name == "strength_factor" else name for name in found.bounds}
    parts = {name: [components_of(run, k, name) for k in range(forecast.masses.size)] for name in sorted(judged)}

    def distances(m: float) -> dict[str, np.ndarray]:
        sums = Sums(forecast, n, m)
        return {name: np.array([sums.margin(each) for each in rows]) for name, rows in parts.items()}

    now = distances(n)

    def ends(m: float) -> tuple[float, float] | None:
        return _range(_moved(found, {name: far / now[name] for name, far in distances(m).items()}))

    beyond = np.geomspace(most, n, 2 + ceil(log(n / most, 1.1))) if n > most else ()
    cords = np.unique([*range(2, most + 1), *np.round(beyond).astype(int)])
    rated = np.array([ends(int(m)) or (np.nan, np.nan) for m in cords])
    return RangePlan(cords, rated[:, 0], rated[:, 1], n, ends(inf))


class Sums:
    """Distance of a limit from its estimate by first-order sums, with m cords in place of the n that were dropped."""

    def __init__(self, forecast: Forecast, n: int, m: float) -> None:
        self.forecast, self.n, self.m = forecast, n, m
        self._rng = np.random.default_rng(0)
        self._drawn: dict[str, np.ndarray] = {}

    def margin(self, parts: Sequence[tuple[str, float, float]]) -> float:
        """parts : name, standard uncertainty and degrees of freedom of each input, as known from n cords"""
        p, n, m = self.forecast.probability, self.n, self.m
        tolerance = self.forecast.content is not None and m < inf
        drawn, mean, rest = np.zeros(DRAWS), np.zeros(DRAWS), 0.0  # of squares, for a tolerance limit
        for name, size, dof in parts:
            if name == SHAPE:
                size = size * sqrt(n / m)
            if name in BETWEEN:
                size, dof = size * sqrt((1 + 1 / m) / (1 + 1 / n)), m - 1
            elif name in WITHIN:
                dof = dof * m / n
            if size == 0 or dof == inf:
                rest += size**2
            elif tolerance:
                square = size**2 * self._draw(name, dof, squared=True)
                known = 1 / (m + 1) if name in BETWEEN else 0.0  # of (1 + 1/m), what the mean's error has
                drawn, mean = drawn + (1 - known) * square, mean + known * square
            else:
                drawn = drawn + size * self._draw(name, dof)
        if tolerance:
            return _quantile(ndtri(p) * np.sqrt(drawn + rest), np.sqrt(mean), self.forecast.confidence)
        return _quantile(drawn, np.full(DRAWS, sqrt(rest)), p)

    def _draw(self, name: str, dof: float, *, squared: bool = False) -> np.ndarray:
        """Student's t of an input, or dof over chi squared; the same draws at every mass.  (DRAWS,)"""
        if name not in self._drawn:
            even = (self._rng.permutation(DRAWS) + 0.5) / DRAWS
            self._drawn[name] = dof / chdtri(dof, even) if squared else stdtrit(dof, even)
        return self._drawn[name]


def _quantile(middle: np.ndarray, sd: np.ndarray, probability: float) -> float:
    """Of as many normal laws, each as likely.  (n,), (n,)"""
    if not sd.any():
        return float(np.quantile(middle, probability, method="hazen"))
    low, high = (middle - 9 * sd).min(), (middle + 9 * sd).max()
    return float(brentq(lambda x: ndtr((x - middle) / sd).mean() - probability, low, high, rtol=1e-6))


def _moved(found: Margins, ratio: dict[str, np.ndarray]) -> Margins:
    """The margins with every limit `ratio` times as far from its estimate."""
    limits = {
        name: found.estimates[name] + by * (found.limits[name] - found.estimates[name]) for name, by in ratio.items()
    }
    if "peak_load" in limits:
        with np.errstate(invalid="ignore"):  # both infinite: nothing is known, and no mass is allowed
            load = found.limits["peak_load"] / limits["peak_load"]
        limits["strength_factor"] = found.limits["strength_factor"] * load
    return replace(found, limits=found.limits | limits)


def _range(found: Margins) -> tuple[float, float] | None:
    """Ends of the longest run of masses that meet every criterion; None where none does."""
    low, high = found.masses.min(), found.masses.max()
    grid = np.append(np.arange(low, high, STEP), high)
    ok = np.all([np.asarray(met, bool) for met in found.met(grid).values()], axis=0)
    if not ok.any():
        return None
    first, last = longest_run(ok)
    return float(grid[first]), float(grid[last])

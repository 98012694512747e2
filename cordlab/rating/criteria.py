"""Criteria against limits: clearance, g, strength factor, stretch ratio, and the stretch that was tested."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from cordlab.limits.forecast import Forecast, spread_of
from cordlab.quantities import DRAWN, QUANTITIES, bounded
from cordlab.statistics.propagation import quantile
from cordlab.units import Measured

TESTED_STRETCH = "tested stretch"


@dataclass(frozen=True)
class Margins:
    """Estimates, limits and standard uncertainties u of the next drop at the forecast's masses (n_mass,), and the
    criteria to hold them against.

    draws : of the next drop, for the quantities that have a criterion  (n_mass, n)
    bounds : quantity → what its criterion asks for
    tested_stretch : greatest stretch ratio of the fit drops; estimates beyond it are not rated
    risk : probability of violation that guarded acceptance allows
    """

    masses: np.ndarray
    gear: float
    estimates: dict[str, np.ndarray]
    limits: dict[str, np.ndarray]
    u: dict[str, np.ndarray]
    draws: dict[str, np.ndarray]
    bounds: dict[str, float]
    tested_stretch: float
    risk: float

    def estimate(self, quantity: str, masses: np.ndarray) -> np.ndarray:
        return between(self.masses, self.estimates.get(quantity), masses)

    def limit(self, quantity: str, masses: np.ndarray) -> np.ndarray:
        return between(self.masses, self.limits.get(quantity), masses)

    def met(self, masses: np.ndarray, *, by: str = "limit") -> dict[str, np.ndarray]:
        """Whether each criterion is met, by its limit or only by the estimate; an undefined number meets nothing."""
        value = self.limit if by == "limit" else self.estimate
        found = {}
        for name, bound in self.bounds.items():
            quantity = QUANTITIES[name]
            found[quantity.word] = quantity.meets(value(name, masses), bound)
        if by == "limit":
            # a cord at a tested mass may stretch further than those that were tested; its typical stretch may not
            found[TESTED_STRETCH] = self.estimate("stretch_ratio", masses) <= self.tested_stretch * (1 + 1e-9)
        return found

    def violation(self, masses: np.ndarray) -> dict[str, np.ndarray]:
        """Probability that the next drop violates each criterion.

        Between two masses of the draws, the share of theirs that lie as far out as the criterion does here, counted in
        steps from estimate to limit: where the limit meets the criterion, the risk is the one that the limit allows.
        """
        found = {}
        for name, criterion in self.bounds.items():
            estimate, limit = self.estimate(name, masses), self.limit(name, masses)
            with np.errstate(divide="ignore", invalid="ignore"):
                far = (criterion - estimate) / (limit - estimate)
            found[QUANTITIES[name].word] = np.array([self._violated(name, *at) for at in zip(masses, far, strict=True)])
        return found

    def _violated(self, name: str, mass: float, far: float) -> float:
        criterion, quantity = self.bounds[name], QUANTITIES[name]
        here = np.flatnonzero(np.abs(self.masses - mass) < 1e-9)
        near = here if here.size else np.searchsorted(self.masses, mass) + np.array([-1, 0])
        with np.errstate(invalid="ignore"):  # an infinite limit
            bounds = self.estimates[name][near] + far * (self.limits[name][near] - self.estimates[name][near])
        bounds = np.where(np.isfinite(bounds), bounds, criterion)
        shares = []
        for k, bound in zip(near, bounds, strict=True):
            shares.append(float(quantity.worse(self.draws[name][k], bound).mean()))
        return float(np.interp(mass, self.masses[near], shares))

    def say(self, label: str, row: dict[str, Any]) -> str:
        """Why a mass fails a criterion, for people."""
        if label == TESTED_STRETCH:
            return (
                f"stretch ratio {_number(row['stretch_ratio'])} is beyond the {self.tested_stretch:.3g} that was tested"
            )
        quantity, criterion = next(pair for pair in bounded() if pair[0].word == label)
        value = _number(row[f"{quantity.name}_limit"])
        side = "above" if quantity.danger == "upper" else "below"
        limit = f"{label} limit {value} {quantity.unit}".rstrip()
        bound = f"{criterion.key.replace('_', ' ')} of {self.bounds[quantity.name]:g} {quantity.unit}".rstrip()
        return f"{limit} is {side} the {bound}"


def _number(value: float | None) -> str:
    return "undefined" if value is None else f"{value:.3g}"


def between(nodes: np.ndarray, values: np.ndarray | None, masses: np.ndarray) -> np.ndarray:
    """Smooth values between nodes: a cubic spline, or straight lines where a value is infinite; nan without values.

    Next to an infinite value the answer is infinite or undefined, so it meets no criterion.
    """
    if values is None:
        return np.full(np.shape(masses), np.nan)
    if nodes.size >= 4 and np.all(np.isfinite(values)):
        return CubicSpline(nodes, values)(masses)
    with np.errstate(invalid="ignore"):
        return np.interp(masses, nodes, values)


def margins(forecast: Forecast, *, criteria: Any, breaking_load: Measured | None) -> tuple[Margins, list[str]]:
    """Estimates, limits and draws of every quantity, and reasons why a criterion cannot be judged."""
    missing: list[str] = []
    bounds: dict[str, float] = {}
    for quantity, criterion in bounded():
        bound = getattr(criteria, criterion.key)
        if bound is not None or criterion.required:
            bounds[quantity.name] = bound
    estimates, u = dict(forecast.estimates), dict(forecast.u)
    limits = {name: forecast.limit(name) for name in DRAWN}
    draws = {name: forecast.draws[name] for name in bounds if name in DRAWN}
    strength = criteria.design_breaking_load or breaking_load
    if strength is None:
        bounds.pop("strength_factor", None)
        missing.append(
            "no breaking load, in breaks.csv or as design_breaking_load: the strength factor cannot be judged"
        )
    else:
        rng = np.random.default_rng([forecast.seed, 106])
        draws["strength_factor"] = factors = _over(strength, forecast.draws["peak_load"], rng)
        estimates["strength_factor"] = strength.value / forecast.estimates["peak_load"]
        u["strength_factor"] = spread_of(factors)
        if forecast.content is None:
            limits["strength_factor"] = quantile(factors, 1 - forecast.probability, "lower")
        else:
            content = _over(strength, forecast.content["peak_load"], rng)
            limits["strength_factor"] = quantile(content, 1 - forecast.confidence, "lower")
    found = Margins(
        masses=forecast.masses,
        gear=float(forecast.site.gear_mass.value),
        estimates=estimates,
        limits=limits,
        u=u,
        draws=draws,
        bounds=bounds,
        tested_stretch=float(forecast.learned.evidence.stretch_ratio.max()),
        risk=1 - forecast.probability,
    )
    return found, missing


def _over(strength: Measured, loads: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Breaking load over peak load; an infinite load leaves a factor of 0."""
    return (strength.value if strength.u == 0 else strength.draw(rng, loads.shape[-1])) / loads

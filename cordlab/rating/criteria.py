"""Judging the next drop: its limits at each rider mass against the criteria, and the risk of violating them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import floor, log10
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline

from cordlab.limits.forecast import Forecast
from cordlab.limits.simulate import draw_input
from cordlab.limits.tested import rateable_parts
from cordlab.quantities import QUANTITIES, bounded, bounds
from cordlab.units import Measured, fixed

if TYPE_CHECKING:
    from cordlab.campaign.settings import Criteria

MASS_STEP = 0.1  # ends of a range lie on this grid of rider masses, inside the true ones; our choice [kg]
TESTED_STRETCH, MASS_GAP = "tested stretch", "gap between tested masses"
FACTOR = "strength_factor"
ANY = "any criterion"  # of those that the next drop is judged by all together


@dataclass(frozen=True)
class Judgement:
    """The next drop with its strength factor, and the criteria that its limits are held against.

    limits : quantity → (n_mass,) at the forecast's masses, in SI
    bounds : quantity → the figure that its criterion asks for
    """

    forecast: Forecast
    limits: dict[str, np.ndarray]
    bounds: dict[str, float]

    @property
    def tested_stretch(self) -> float:
        """Greatest stretch ratio of the fit drops; a typical drop beyond it is not rated."""
        return float(self.forecast.stiffness.drops.stretch_ratio.max())

    def estimate(self, quantity: str, masses: np.ndarray) -> np.ndarray:
        return interpolated(self.forecast.masses, self.forecast.estimates.get(quantity), masses)

    def limit(self, quantity: str, masses: np.ndarray) -> np.ndarray:
        return interpolated(self.forecast.masses, self.limits.get(quantity), masses)

    def runs(self) -> tuple[pd.DataFrame, list[np.ndarray]]:
        """Whether each criterion is met, a row a rider mass: the lightest and heaviest that was tested, and every
        `MASS_STEP` between. And the runs of rows that meet them all."""
        low, high = self.forecast.masses.min(), self.forecast.masses.max()
        steps = np.arange(np.ceil(low / MASS_STEP + 1e-9), np.floor(high / MASS_STEP - 1e-9) + 1) * MASS_STEP
        grid = np.unique(np.concatenate([[low], steps, [high]]))
        met = pd.DataFrame(self.met(grid), index=grid)
        rows = np.flatnonzero(met.all(axis=1))
        return met, np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if rows.size else []

    def met(self, masses: np.ndarray) -> dict[str, np.ndarray]:
        """Criterion → whether its limit meets it at each mass; whether typical stretch and masses were tested.

        `ANY` is met where the next drop breaks none of them with the probability asked for, if that is the rule.
        """
        # a cord at a tested mass may stretch further than those that were tested; its typical stretch may not
        stretch = self.estimate("stretch_ratio", masses)
        stiffness, hung = self.forecast.stiffness, masses + self.forecast.site.gear_mass.value
        parts, _ = rateable_parts(stiffness.drops.mass, stiffness.checked)
        shown = [(hung >= low - 1e-6) & (hung <= high + 1e-6) for low, high in parts]
        tested = {
            TESTED_STRETCH: stretch <= self.tested_stretch * (1 + 1e-9),
            MASS_GAP: np.any(shown, axis=0) if shown else np.zeros(hung.shape, bool),
        }
        met = self._meets(self.limit, masses)
        if self.forecast.jointly:
            alone = np.all([met[QUANTITIES[name].word] for name in self._joint], axis=0)
            met[ANY] = np.zeros(masses.size, bool)  # where one breaks too often by itself, so do all together
            met[ANY][alone] = self._violation(self._joint, masses[alone]) <= 1 - self.forecast.probability + 1e-12
        return met | tested

    def met_by_estimate(self, masses: np.ndarray) -> dict[str, np.ndarray]:
        """Criterion → whether the estimate alone would meet it (simple acceptance, JCGM 106 8.2.1)."""
        met = self._meets(self.estimate, masses)
        return met | {ANY: np.all([met[QUANTITIES[name].word] for name in self._joint], axis=0)}

    def _meets(self, value: Callable[[str, np.ndarray], np.ndarray], masses: np.ndarray) -> dict[str, np.ndarray]:
        return {
            QUANTITIES[name].word: QUANTITIES[name].meets(value(name, masses), bound)
            for name, bound in self.bounds.items()
        }

    @property
    def _joint(self) -> list[str]:
        """Quantities whose criteria the same drop may break together; strength is no matter of the drop alone."""
        return [name for name in self.bounds if QUANTITIES[name].drawn]

    def violation(self, masses: np.ndarray) -> dict[str, np.ndarray]:
        """Criterion → probability that the next drop violates it at each mass (JCGM 106 7.2); `ANY` of them.
        None for strength: a few breaks do not give the probability that the next cord breaks below."""
        alone = {QUANTITIES[name].word: self._violation([name], masses) for name in self._joint}
        return alone | {ANY: self._violation(self._joint, masses)}

    def _violation(self, names: Sequence[str], masses: np.ndarray) -> np.ndarray:
        """Share of the draws that break one of these criteria or another at each mass: draw i is one drop in all.

        Between two masses of the draws, the shares of their draws count by the distance, and a criterion lies as far
        out among them as here, in steps from estimate to limit: where the limit meets it, the risk is the allowed one.
        """
        forecast, total, bounds = self.forecast, np.zeros(masses.size), {}
        for name in names:
            bound, estimate, limit = self.bounds[name], self.estimate(name, masses), self.limit(name, masses)
            estimates, limits = forecast.estimates[name][:, None], forecast.limits[name][:, None]
            with np.errstate(divide="ignore", invalid="ignore"):
                at_draws = estimates + (bound - estimate) / (limit - estimate) * (limits - estimates)
            bounds[name] = np.where(np.isfinite(at_draws), at_draws, bound)
        for k, one in enumerate(np.eye(forecast.masses.size)):
            counts = np.interp(masses, forecast.masses, one)
            near = np.flatnonzero(counts)
            if not near.size or not names:
                continue
            here = {name: bounds[name][k, near] for name in names}
            signs = {name: QUANTITIES[name].sign for name in names}
            strictest = {name: signs[name] * np.min(signs[name] * rows, keepdims=True) for name, rows in here.items()}
            few = _broken({name: forecast.draws[name][k] for name in names}, strictest)[:, 0]  # no other breaks any
            hits = _broken({name: forecast.draws[name][k, few] for name in names}, here)
            total[near] += counts[near] * hits.sum(axis=0) / few.size
        return total

    def ended_by(self, mass: float) -> str:
        """What a mass fails: of the criteria that are judged together the one that is broken most often."""
        at = np.array([mass])
        failed = [word for word, meets in self.met(at).items() if not meets[0]]
        if ANY in failed:
            words = [QUANTITIES[name].word for name in self._joint]
            risks = self.violation(at)
            failed = [max(words, key=lambda word: risks[word][0]), *(x for x in failed if x not in (ANY, *words))]
        return " and ".join(failed)

    def reason(self, word: str, mass: float) -> str:
        """Why a rider mass fails a criterion: which limit, and what the criterion asks for."""
        at = np.array([mass])
        if word == MASS_GAP:
            hung = mass + self.forecast.site.gear_mass.value
            return f"{hung:.4g} kg hung is between tested masses that are too few or too far apart"
        if word == TESTED_STRETCH:
            stretch = _three_digits(self.estimate("stretch_ratio", at)[0])
            return f"stretch ratio {stretch} is beyond the {self.tested_stretch:.3g} that was tested"
        if word == ANY:
            risks = {name: f"{100 * share[0]:.2g} %" for name, share in self.violation(at).items()}
            parts = ", ".join(f"{QUANTITIES[name].word} {risks[QUANTITIES[name].word]}" for name in self._joint)
            allowed = f"{100 * (1 - self.forecast.probability):.3g} %"
            return f"the next drop breaks one criterion or another with {risks[ANY]} ({parts}), above {allowed}"
        quantity, criterion = next(row for row in bounded() if row[0].word == word)
        limit = f"{_three_digits(self.limit(quantity.name, at)[0], quantity.danger)} {quantity.unit}".rstrip()
        bound = f"{self.bounds[quantity.name]:g} {quantity.unit}".rstrip()
        side, asked = "above" if quantity.danger == "upper" else "below", criterion.key.replace("_", " ")
        allowed = f"{bound} that the {asked} leaves" if criterion.strength else f"{asked} of {bound}"
        return f"{word} limit {limit} is {side} the {allowed}"


def _broken(draws: dict[str, np.ndarray], bounds: dict[str, np.ndarray]) -> np.ndarray:
    """Which draws (n,) of the same drops break a bound (n_bounds,) of any of the quantities.  (n, n_bounds)"""
    return np.logical_or.reduce([QUANTITIES[name].worse(x[:, None], bounds[name]) for name, x in draws.items()])


def _three_digits(value: float, side: str = "") -> str:
    if not np.isfinite(value):
        return "undefined"
    return fixed(value, max(0, 2 - floor(log10(abs(value))) if value else 2), side)


def interpolated(nodes: np.ndarray, values: np.ndarray | None, masses: np.ndarray) -> np.ndarray:
    """Values (n,) at `nodes` (n,), read at `masses`: a cubic spline, or straight lines where a value is infinite, next
    to which the answer is infinite or undefined and meets no criterion. nan without values."""
    if values is None:
        return np.full(np.shape(masses), np.nan)
    if nodes.size >= 4 and np.all(np.isfinite(values)):
        return _spline_weights(tuple(nodes), tuple(np.atleast_1d(masses))) @ values
    with np.errstate(invalid="ignore"):
        return np.interp(masses, nodes, values)


@lru_cache(maxsize=64)
def _spline_weights(nodes: tuple[float, ...], masses: tuple[float, ...]) -> np.ndarray:
    """What each value at a node counts at each mass, (n_masses, n_nodes): a cubic spline is linear in its values."""
    return CubicSpline(nodes, np.eye(len(nodes)))(masses)


def judge(
    forecast: Forecast, *, criteria: "Criteria", breaking_load: Measured | None
) -> tuple[Judgement, tuple[str, ...]]:
    """The judgement of a forecast, and the reasons why a criterion cannot be judged. breaking_load : the lot's lowest
    break; the lower of it and the design breaking load counts."""
    asked, missing = bounds(vars(criteria)), []
    strengths = [load for load in (criteria.design_breaking_load, breaking_load) if load is not None]
    if strengths:  # one more quantity: the lowest breaking load over the peak load; 0 for an infinite load
        lowest = np.min([draw_input(load, forecast.spare[k]) for k, load in enumerate(strengths, start=1)], axis=0)
        factor = min(load.value for load in strengths) / forecast.estimates["peak_load"]
        content = forecast.content and forecast.content | {FACTOR: lowest / forecast.content["peak_load"]}
        draws = forecast.draws | {FACTOR: lowest / forecast.draws["peak_load"]}
        forecast = replace(forecast, estimates=forecast.estimates | {FACTOR: factor}, draws=draws, content=content)
    else:
        del asked[FACTOR]
        missing.append(
            "no breaking load, in breaks.csv or as design_breaking_load: the strength factor cannot be judged"
        )
    for name in [name for name in asked if name not in forecast.draws and QUANTITIES[name].asked_only]:
        del asked[name]
        missing.append(
            f"{QUANTITIES[name].word} cannot be judged: it takes the energy returned, which 2 cords or more (one by "
            "itself, 2 drops) must show down to the lightest mass: records with a distance, on past the return"
        )
    return Judgement(forecast, forecast.limits, asked), tuple(missing)

"""Judging the next drop: its limits at each rider mass against the criteria, and the risk of violating them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import floor, log10
from typing import TYPE_CHECKING

import numpy as np
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

    def fine_masses(self) -> np.ndarray:
        """The lightest and heaviest rider mass that was tested, and every `MASS_STEP` between."""
        low, high = self.forecast.masses.min(), self.forecast.masses.max()
        steps = np.arange(np.ceil(low / MASS_STEP + 1e-9), np.floor(high / MASS_STEP - 1e-9) + 1) * MASS_STEP
        return np.unique(np.concatenate([[low], steps, [high]]))

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
            met[ANY][alone] = self._violation_of_any(masses[alone]) <= 1 - self.forecast.probability + 1e-12
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
        None for strength: a few breaks do not give the probability that the next cord breaks below.

        Between two masses of the draws, the share of their draws that lie as far out as the criterion does here,
        counted in steps from estimate to limit: where the limit meets the criterion, the risk is the allowed one.
        """
        between, shares = self._between_draws(masses), {}
        for name in self._joint:
            bounds = self._bounds_at_draws(name, masses)
            drawn = [self.forecast.share_beyond(name, k, row) for k, row in enumerate(bounds)]
            shares[QUANTITIES[name].word] = (between * np.array(drawn)).sum(axis=0)
        return shares | {ANY: self._violation_of_any(masses)}

    def _violation_of_any(self, masses: np.ndarray) -> np.ndarray:
        """Share of the draws that break one criterion or another at each mass: draw i is one drop in all quantities."""
        names, total = self._joint, np.zeros(masses.size)
        bounds = {name: self._bounds_at_draws(name, masses) for name in names}
        for k, counts in enumerate(self._between_draws(masses)):
            near = np.flatnonzero(counts)
            if not near.size or not names:
                continue
            draws, here = ({name: of[name][k] for name in names} for of in (self.forecast.draws, bounds))
            here = {name: rows[near] for name, rows in here.items()}
            strictest = {
                name: QUANTITIES[name].sign * np.min(QUANTITIES[name].sign * rows) for name, rows in here.items()
            }
            few = _broken(draws, strictest)[:, 0]  # no other draw breaks any of them
            hits = _broken({name: x[few] for name, x in draws.items()}, here)
            total[near] += counts[near] * hits.sum(axis=0) / few.size
        return total

    def _between_draws(self, masses: np.ndarray) -> np.ndarray:
        """What the draws at each of their masses count at `masses`: straight lines.  (n_drawn, n)"""
        drawn_at = self.forecast.masses
        return np.array([np.interp(masses, drawn_at, one) for one in np.eye(drawn_at.size)])

    def _bounds_at_draws(self, name: str, masses: np.ndarray) -> np.ndarray:
        """The criterion as far out among the draws at each of their masses as it is at `masses`.  (n_drawn, n)"""
        bound, estimate, limit = self.bounds[name], self.estimate(name, masses), self.limit(name, masses)
        estimates, limits = self.forecast.estimates[name][:, None], self.forecast.limits[name][:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            bounds = estimates + (bound - estimate) / (limit - estimate) * (limits - estimates)
        return np.where(np.isfinite(bounds), bounds, bound)

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
    """Values (n,) at `nodes` (n,), read at `masses`: a cubic spline, or straight lines where a value is infinite.

    Next to an infinite value the answer is infinite or undefined, so it meets no criterion. nan without values.
    """
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
    """The judgement of a forecast, and the reasons why a criterion cannot be judged.

    breaking_load : the lot's lowest break; the lower of it and the design breaking load counts
    """
    asked, missing = bounds(vars(criteria)), []
    strengths = [load for load in (criteria.design_breaking_load, breaking_load) if load is not None]
    if strengths:
        forecast = _with_strength_factor(forecast, strengths)
    else:
        del asked["strength_factor"]
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


def _with_strength_factor(forecast: Forecast, strengths: Sequence[Measured]) -> Forecast:
    """The forecast with one more quantity: the lowest breaking load over the peak load; 0 for an infinite load."""
    name, lowest = "strength_factor", np.full(forecast.spare.shape[-1], np.inf)
    for load, shares in zip(strengths, forecast.spare[1:], strict=False):
        lowest = np.minimum(lowest, draw_input(load, shares))
    content, estimate = forecast.content, min(load.value for load in strengths) / forecast.estimates["peak_load"]
    return replace(
        forecast,
        estimates=forecast.estimates | {name: estimate},
        draws=forecast.draws | {name: lowest / forecast.draws["peak_load"]},
        content=None if content is None else content | {name: lowest / content["peak_load"]},
    )


def broke_below_design(criteria: "Criteria", breaking_load: Measured | None) -> list[str]:
    """What must be said where a cord broke below the maker's figure."""
    design = criteria.design_breaking_load
    if design is None or breaking_load is None or breaking_load.value >= design.value:
        return []
    return [
        f"a cord of the lot broke at {breaking_load.value / 1000:.2f} kN, below the design breaking load of "
        f"{design.value / 1000:.2f} kN: strength factors are those of the lowest break; ask the maker"
    ]


def longest_run(ok: np.ndarray) -> tuple[int, int]:
    """First and last index of it, the first of equals; some of `ok` (n,) is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], ok.astype(int), [0]])))
    starts, ends = edges[::2], edges[1::2] - 1
    k = int(np.argmax(ends - starts))
    return int(starts[k]), int(ends[k])

"""A forecast: draws of the next drop at a site, and its one-sided limits."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from cordlab.batch.drop_table import drop_inputs
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.wave_effects import WaveEffect, both_mechanics
from cordlab.quantities import QUANTITIES
from cordlab.statistics.groups import NextValue
from cordlab.statistics.propagation import quantile, quantile_error, share_beyond

if TYPE_CHECKING:
    from cordlab.campaign.settings import Site

HALF = 0.6827  # of a normal law lies within one standard deviation


def spread_of(ranked: np.ndarray) -> np.ndarray:
    """Standard uncertainty from draws in rising order, as half the central 68.27 % of them.  (...)

    Infinite where a draw that far out is. For a normal law it is the standard deviation. With few cords draws follow
    Student's t, whose standard deviation is far wider than what it does most of the time, or is not defined at all
    (below 3 degrees of freedom).
    """
    low, high = (quantile(ranked, (1 + sign * HALF) / 2, side) for sign, side in ((-1, "lower"), (1, "upper")))
    with np.errstate(invalid="ignore"):
        return np.nan_to_num((high - low) / 2, nan=np.inf, posinf=np.inf)


def spread_error(ranked: np.ndarray) -> np.ndarray:
    """Monte Carlo standard error of `spread_of`, its two ends taken as independent.  (...)"""
    low, high = (quantile_error(ranked, (1 + sign * HALF) / 2) for sign in (-1, 1))
    return np.hypot(low, high) / 2


@dataclass(frozen=True)
class Forecast:
    """The next drop at a site: draws, their limits, and estimates; masses are the rider's.

    masses, hung : rider mass, and rider plus gear  [kg]  (n_mass,)
    estimates : quantity → (n_mass,), with every input at its estimate
    draws : quantity → (n_mass, n_draws): the next drop, everything uncertain drawn, in rising order at each mass;
        infinite draws (no lowest point) are kept
    content : quantity → (n_mass, n_draws), in rising order: the value that the share `probability` of drops stays
        within, what is not known of it drawn; None for prediction limits
    u : quantity → (n_mass,), the standard uncertainty of the next drop
    dof : effective degrees of freedom of the scatter  (n_mass,)
    """

    masses: np.ndarray
    hung: np.ndarray
    site: "Site"
    limit_kind: str
    probability: float
    confidence: float
    cord: str | None
    estimates: dict[str, np.ndarray]
    draws: dict[str, np.ndarray]
    content: dict[str, np.ndarray] | None
    u: dict[str, np.ndarray]
    dof: np.ndarray
    n_cords: int
    stiffness: DropStiffness
    level: NextValue
    waves: WaveEffect | None
    seed: int
    notes: tuple[str, ...]

    def estimate(self, quantity: str) -> np.ndarray:
        return self.estimates[quantity]

    def limit(self, quantity: str) -> np.ndarray:
        """One-sided limit of a quantity, on its dangerous side.  (n_mass,)"""
        if self.content is None:
            return self.prediction_limit(quantity, self.probability)
        row = QUANTITIES[quantity]
        return quantile(self.content[quantity], row.tail(self.confidence), row.danger)

    def prediction_limit(self, quantity: str, probability: float) -> np.ndarray:
        """The prediction limit, whichever kind of limit the forecast is for.  (n_mass,)"""
        row = QUANTITIES[quantity]
        return quantile(self.draws[quantity], row.tail(probability), row.danger)

    def limit_error(self, quantity: str) -> np.ndarray:
        """Monte Carlo standard error of `limit`.  (n_mass,)"""
        row = QUANTITIES[quantity]
        if self.content is None:
            return self.prediction_limit_error(quantity, self.probability)
        return quantile_error(self.content[quantity], row.tail(self.confidence))

    def prediction_limit_error(self, quantity: str, probability: float) -> np.ndarray:
        """Monte Carlo standard error of `prediction_limit`.  (n_mass,)"""
        return quantile_error(self.draws[quantity], QUANTITIES[quantity].tail(probability))

    def violation(self, quantity: str, criterion: float) -> np.ndarray:
        """Probability that the next drop violates a criterion (JCGM 106 7.2), from the draws.  (n_mass,)"""
        return np.array([self.share_beyond(quantity, k, criterion) for k in range(self.masses.size)])

    def share_beyond(self, quantity: str, k: int, bounds: ArrayLike) -> np.ndarray:
        """Share of the draws at mass number k that violate criteria (...)."""
        return share_beyond(self.draws[quantity][k], np.asarray(bounds), QUANTITIES[quantity].danger)

    def by_waves(self, masses: np.ndarray) -> list[dict[str, float] | None]:
        """What stretch waves change in the estimates at rider masses (n,) [kg]; None without waves, or not drawn.

        A dict a mass: lowest point with waves less that of the uniform cord with the same curve, `lowest_point`
        [m] (0 where the curve was fitted to lowest points, and holds it); greatest g and load at the tie point over
        the uniform cord's, `g` and `peak_load`; and when all three come, from the release, `time_…` [s].
        """
        rows: list[dict[str, float] | None] = [None] * len(masses)
        inside = np.flatnonzero((masses >= self.masses[0] - 1e-9) & (masses <= self.masses[-1] + 1e-9))
        if self.waves is None or not inside.size:
            return rows
        hung = np.interp(masses[inside], self.masses, self.hung)
        level = np.exp(np.interp(hung, self.hung, self.level.mean[0]))
        inputs = self.stiffness.batch | drop_inputs(self.site)
        both = both_mechanics(self.stiffness.shapes[0].curve.scaled(level), self.waves, hung, inputs)
        columns = {
            "lowest_point": both["lowest_point_waves"] - both["lowest_point_uniform"],
            "g": both["g_waves"] / both["g_uniform"],
            "peak_load": both["tie_load_waves"] / both["tie_load_uniform"],
            "time_lowest_point": both["time_lowest"],
            "time_g": both["time_lower_load"],
            "time_peak_load": both["time_tie_load"],
        }
        for i, k in enumerate(inside):
            rows[k] = {name: float(values[i]) for name, values in columns.items()}
        return rows

    @property
    def label(self) -> str:
        """What the limits promise, for a caption."""
        whose = f"cord {self.cord}" if self.cord else "another cord of the batch"
        n = f"{self.n_cords} cord{'s' if self.n_cords != 1 else f', {len(self.stiffness.drops)} drops of it'}"
        if self.content is None:
            return f"{100 * self.probability:g} % prediction limit for the next drop of {whose}, from {n}"
        return (
            f"tolerance limit: {100 * self.probability:g} % of drops of {whose} within it, "
            f"with {100 * self.confidence:g} % confidence, from {n}"
        )

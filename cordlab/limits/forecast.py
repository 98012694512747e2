"""A forecast: the next drop at a site by Monte Carlo (JCGM 101), draws common to all masses, and one-sided limits.

The draws come in scrambles of quasi-random points that fill the space of all inputs evenly. More scrambles are added
until the limits are steady (7.9); how far they are from that is read from how the scrambles differ.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import ceil, log2

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from cordlab.batch.drop_table import Evidence, drop_inputs
from cordlab.campaign.settings import Site
from cordlab.limits.anchoring import DropStiffness
from cordlab.limits.simulate import NextDrop
from cordlab.limits.wave_effects import WaveEffect, both_mechanics
from cordlab.quantities import QUANTITIES
from cordlab.statistics.propagation import evenness, quantile, quantile_error, scrambles

HALF = 0.6827  # of a normal law lies within one standard deviation
SCRAMBLES, SCRAMBLE = 8, 2048  # at first, and draws in each at least
IN_A_TAIL = 100  # draws beyond a limit at least
MOST_DRAWS = 2**17
SPARE = slice(4, 7)  # rows of points between 0 and 1, for what comes after: wear, two breaking loads
STEADY = 0.1
"""Draws are enough when twice the standard error of every limit is within this many standard deviations of its quantity
(JCGM 101 7.9.2 with one significant digit asks for 0.05 to 0.5 of it)."""


@dataclass(frozen=True)
class Forecast(NextDrop):
    """The next drop at a site: draws, their limits, and estimates; masses are the rider's.

    draws : quantity → (n_mass, n_draws): the next drop, everything uncertain drawn; draw number i has the same inputs
        in every quantity and at every mass. Infinite draws (no lowest point) are kept
    content : quantity → (n_mass, n_draws): the value that the share `probability` of drops stays within, what is not
        known of it drawn; None for prediction limits
    """

    limit_kind: str
    probability: float
    confidence: float
    together: bool  # whether criteria are judged all together, where limits are prediction limits
    seed: int
    estimates: dict[str, np.ndarray] = field(default_factory=dict)  # (n_mass,), with every input at its estimate
    draws: dict[str, np.ndarray] = field(default_factory=dict)
    content: dict[str, np.ndarray] | None = None
    # points between 0 and 1 that belong to the draws, for what comes after (3, n_draws)
    spare: np.ndarray = field(default_factory=lambda: np.empty((SPARE.stop - SPARE.start, 0)))
    count: int = 0  # of scrambles that the draws are, one after the other
    notes: tuple[str, ...] = ()

    @property
    def jointly(self) -> bool:
        """Whether the next drop is to break none of the criteria; of tolerance limits each is judged by itself."""
        return self.together and self.content is None

    def estimate(self, quantity: str) -> np.ndarray:
        return self.estimates[quantity]

    @cached_property
    def limits(self) -> dict[str, np.ndarray]:
        """One-sided limit of each quantity, on its dangerous side.  (n_mass,)"""
        return {name: quantile(*self._limited(name), QUANTITIES[name].danger) for name in self.draws}

    def limit(self, quantity: str) -> np.ndarray:
        """One-sided limit of a quantity, on its dangerous side.  (n_mass,)"""
        return self.limits[quantity]

    def prediction_limit(self, quantity: str, probability: float) -> np.ndarray:
        """The prediction limit, whichever kind of limit the forecast is for.  (n_mass,)"""
        row = QUANTITIES[quantity]
        return quantile(self.draws[quantity], row.tail(probability), row.danger)

    def limit_error(self, quantity: str) -> np.ndarray:
        """Monte Carlo standard error of `limit`.  (n_mass,)"""
        return quantile_error(*self._limited(quantity)) * self.evenness

    def _limited(self, quantity: str) -> tuple[np.ndarray, float]:
        """The draws that the limit is a quantile of, and which."""
        row = QUANTITIES[quantity]
        if self.content is None:
            return self.draws[quantity], row.tail(self.probability)
        return self.content[quantity], row.tail(self.confidence)

    @cached_property
    def evenness(self) -> float:
        """Standard error of limits over that of as many independent draws."""
        beyond = [QUANTITIES[name].worse(self._limited(name)[0], self.limit(name)[:, None]) for name in self.quantities]
        return evenness(np.array(beyond), self.count)

    def prediction_limit_error(self, quantity: str) -> np.ndarray:
        """Monte Carlo standard error of `prediction_limit` at the forecast's own probability.  (n_mass,)"""
        return quantile_error(self.draws[quantity], QUANTITIES[quantity].tail(self.probability)) * self.evenness

    @cached_property
    def u(self) -> dict[str, np.ndarray]:
        """Standard uncertainty of the next drop, by quantity: half the central 68.27 % of the draws.  (n_mass,)

        For a normal law the standard deviation; with few cords draws follow Student's t, whose standard deviation is
        far wider than what it does most of the time. Infinite where a draw that far out is.
        """
        half = {}
        for name, x in self.draws.items():
            with np.errstate(invalid="ignore"):
                width = quantile(x, (1 + HALF) / 2, "upper") - quantile(x, (1 - HALF) / 2, "lower")
            half[name] = np.nan_to_num(width / 2, nan=np.inf, posinf=np.inf)
        return half

    def u_error(self, quantity: str) -> np.ndarray:
        """Monte Carlo standard error of `u`, its two ends taken as independent.  (n_mass,)"""
        ends = (quantile_error(self.draws[quantity], (1 + sign * HALF) / 2) for sign in (-1, 1))
        return np.hypot(*ends) / 2 * self.evenness

    def assurance(self, at: Sequence[int]) -> dict[str, np.ndarray]:
        """Share of campaigns like this whose prediction limits hold `probability` of next drops, or more, by quantity
        at the masses of these numbers.  (n,)

        What `probability` of the drops stays within is drawn, with all that is not known of cords and site.
        """
        there = NextDrop(self.stiffness, self.site, self.masses[[*at]], self.cord, self.waves, self.recorded)
        shares = scrambles(there.dimensions, size=SCRAMBLE // 2, count=1, seed=self.seed)
        content, assured = there.draw(shares, self.probability)[len(there.quantities) :], {}
        for name, x in zip(there.quantities, content, strict=True):
            limit = self.prediction_limit(name, self.probability)[[*at], None]
            assured[name] = 1 - QUANTITIES[name].worse(x, limit).mean(axis=-1)
        return assured

    def on_average(self, masses: Mapping[str, float]) -> str:
        """What a prediction limit does not promise of this one campaign, each quantity at a mass of its own [kg]; ""
        for tolerance limits, and of one cord."""
        if self.content is not None or self.cord is not None:
            return ""
        nearest = [int(np.argmin(np.abs(self.masses - mass))) for mass in masses.values()]
        assured = self.assurance(nearest) if nearest else {}
        often = [
            f"{100 * assured[name][k]:.0f} of 100 ({QUANTITIES[name].word} near {mass:.0f} kg)"
            for k, (name, mass) in enumerate(masses.items())
        ]
        return (
            f"A {100 * self.probability:g} % prediction limit holds that share of next drops on average over "
            f"campaigns; in a single one it may be less: of campaigns like this {' and '.join(often)} hold as many. "
            'Assurance for this one takes a tolerance limit ([decision] limit = "tolerance").'
        )

    @property
    def steady(self) -> bool:
        """Whether every limit is known to `STEADY`; one that is infinite is."""
        return all(
            np.all(~np.isfinite(self.limit(name)) | (2 * self.limit_error(name) <= STEADY * self.u[name]))
            for name in self.quantities
        )

    def by_waves(self, masses: np.ndarray) -> list[dict[str, float] | None]:
        """What stretch waves change in the estimates at rider masses (n,) [kg]; None without waves, or not drawn.

        A dict a mass: lowest point with waves less that of the uniform cord with the same curve, `lowest_point`
        [m] (0 where the curve was fitted to lowest points, and holds it); greatest g and load at the tie point over
        the uniform cord's, `g` and `peak_load`; and when all three come, from the release, `time_…` [s].
        """
        inside = np.flatnonzero((masses >= self.masses[0] - 1e-9) & (masses <= self.masses[-1] + 1e-9))
        if self.waves is None or not inside.size:
            return [None] * len(masses)
        hung = np.interp(masses[inside], self.masses, self.hung)
        level = np.exp(np.interp(hung, self.hung, self.level.families[0].mean[0]))
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
        rows = pd.DataFrame(columns, index=inside).to_dict("index")
        return [rows.get(k) for k in range(len(masses))]

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


def forecast_drop(
    stiffness: DropStiffness,
    *,
    site: Site,
    masses: ArrayLike,
    limit: str = "prediction",
    probability: float = 0.99,
    confidence: float = 0.95,
    cord: str | None = None,
    waves: WaveEffect | None = None,
    recorded: Evidence | None = None,
    together: bool = True,
    seed: int = 0,
    draws: int | None = None,
) -> Forecast:
    """Draws of the next drop at `site` (a campaign's `[site]`) for rider masses (n_mass,) [kg].

    cord : a tested cord by name, or None for another cord of the batch. waves : at the site, where the drops' stiffness
        had them for the rig. recorded : drops whose energy returned is that of the next, where the depth at rebound is
        asked for. together : how a rating will judge criteria. draws : about so many; by default as many as
        JCGM 101 7.9 asks for. Raises EvidenceError where the drops cannot carry it (one cord, no repeated drops).
    """
    if limit not in ("prediction", "tolerance"):
        raise ValueError(f"limit is 'prediction' or 'tolerance', not {limit!r}")
    decision = limit, probability, confidence, together, seed
    known = stiffness, site, np.atleast_1d(np.asarray(masses, float)), cord, waves, recorded
    undrawn = Forecast(*known, *decision, notes=stiffness.notes)
    content, in_tail = (None, 1 - probability) if limit == "prediction" else (probability, 1 - confidence)
    size = 2 ** ceil(log2(max(IN_A_TAIL / in_tail / SCRAMBLES, SCRAMBLE)))
    if draws is not None:
        size = 2 ** max(round(log2(draws / SCRAMBLES)), 1)
    estimates = {name: values[:, 0] for name, values in undrawn.by_shapes().items()}
    values, spare, count = np.empty((0, 0, 0)), undrawn.spare, 0
    while True:
        more = max(count, SCRAMBLES)
        points = scrambles(undrawn.dimensions + len(spare), size=size, count=more, seed=seed, first=count)
        drawn = undrawn.draw(np.delete(points, SPARE, axis=0), content)
        values, count = np.concatenate([values, drawn], axis=-1) if count else drawn, count + more
        spare = np.concatenate([spare, points[SPARE]], axis=-1)
        parts = np.split(values, 1 if content is None else 2)
        of_drops, *of_content = (dict(zip(undrawn.quantities, part, strict=True)) for part in parts)
        held = next(iter(of_content), None)
        forecast = replace(undrawn, estimates=estimates, draws=of_drops, content=held, spare=spare, count=count)
        if draws is not None or forecast.steady or 2 * values.shape[-1] > MOST_DRAWS:
            break
    if draws is not None or forecast.steady:
        return forecast
    note = (
        f"limits were not steady to {STEADY:g} of a standard uncertainty after {values.shape[-1]} draws: few cords "
        "leave a long tail, and another seed moves the limits by more than that"
    )
    return replace(forecast, notes=(*stiffness.notes, note))

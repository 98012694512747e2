"""Does the next drop break any criterion as seldom as is said? `python -m tests.coverage together [campaigns]`.

The engine alone: lowest points drawn by `tests/lowest_worlds.py`, which shares no code with cordlab; the load of a
uniformly strained cord at its lowest point follows from them by Newton's law. For each campaign the bounds on
clearance, g and stretch at 68 kg are set where the rule is just met there: "each" holds them at their 0.99 limits,
"together" further out, until any is broken by 0.01 of the draws. 20,000 true next drops then say how often any breaks.
Second: the ranges rated by criteria so narrow that both matter, and how often any is broken at their ends.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
from scipy.optimize import brentq

from cordlab.limits.forecast import forecast_drop
from cordlab.rating.criteria import ANY, Judgement
from cordlab.rating.rate import rate
from cordlab.units import Measured
from tests.coverage._engine import RIDERS, campaign, heads, mean, row, share, site, true_next
from tests.lowest_worlds import Cords

SIDES = {"clearance": -1, "g": 1, "stretch_ratio": 1}
DRAWS = 8192


def broken(drops: dict[str, np.ndarray], bounds: dict[str, float]) -> np.ndarray:
    """Share of true drops that break any bound, at each rider mass."""
    parts = [SIDES[name] * drops[name] > SIDES[name] * bound for name, bound in bounds.items()]
    return np.logical_or.reduce(parts).mean(axis=-1)


def bounds_that_are_just_met(forecast, k: int) -> dict[str, float]:
    """At mass number k, all three as far out."""

    def bounds(probability: float) -> dict[str, float]:
        return {name: float(forecast.prediction_limit(name, probability)[k]) for name in SIDES}

    def beyond(probability: float) -> float:
        judgement = Judgement(forecast, forecast.limits, bounds(probability))
        return float(judgement.violation(forecast.masses[k : k + 1])[ANY][0]) - 0.01

    return bounds(brentq(beyond, 0.985, 0.9999, xtol=1e-5)) if forecast.together else bounds(0.99)


def main(campaigns: int = 300) -> None:
    print(f"any criterion broken, 0.01 promised, {campaigns} campaigns each; ± a standard error over campaigns")
    heads(
        "cords differ by",
        "cords",
        "criteria",
        "at its limits",
        "narrow criteria: rated",
        "at the light end",
        "heavy end",
    )
    riders = np.arange(RIDERS[0], RIDERS[-1] + 0.1, 0.5)
    for cord_sd in (0.01, 0.02):
        cords, rng = Cords(cord_sd=cord_sd, per_kelvin=0.0), np.random.default_rng(1)
        truth = true_next(cords, riders, rng, 20_000)
        middle = {name: x[riders == 65.0] for name, x in truth.items()}
        sorted_g, sorted_room = np.sort(truth["g"][riders == 62.0][0]), np.sort(truth["clearance"][riders == 68.0][0])
        narrow = SimpleNamespace(
            least_clearance=float(sorted_room[60]), greatest_g=float(sorted_g[-60]), least_strength_factor=1.0,
            greatest_stretch_ratio=None, design_breaking_load=Measured(1e6),
        )  # fmt: skip
        by_mass = broken(truth, {"clearance": narrow.least_clearance, "g": narrow.greatest_g})
        for n_cords in (4, 6, 10):
            at_limits, at_ends = {True: [], False: []}, {True: [], False: []}
            for _ in range(campaigns):
                drops, seed = campaign(cords, n_cords, rng), int(rng.integers(1 << 30))
                forecast = forecast_drop(drops, site=site(), masses=RIDERS, seed=seed, draws=DRAWS)
                for together in at_limits:
                    judged = replace(forecast, together=together)
                    at_limits[together].append(float(broken(middle, bounds_that_are_just_met(judged, 4))[0]))
                    rating = rate(judged, criteria=narrow)
                    if rating.rated:
                        at_ends[together].append(np.interp([rating.lightest, rating.heaviest], riders, by_mass))
            for together, name in ((False, "each"), (True, "together")):
                rated = share(np.arange(campaigns) < len(at_ends[together]))
                ends = map(mean, np.transpose(at_ends[together]))
                row(f"{cord_sd:.0%}", n_cords, name, mean(at_limits[together]), rated, *ends)

"""Does the next drop break any criterion as seldom as is said? `python -m tests.coverage together [campaigns]`.

The engine alone: lowest points drawn by `tests/lowest_worlds.py`, which shares no code with cordlab; the load of a
uniformly strained cord at its lowest point follows from them by Newton's law. For each campaign the bounds on
clearance, g and stretch at 68 kg are set where the rule is just met there: "each" holds them at their 0.99 limits,
"together" further out, until any is broken by 0.01 of the draws. 20,000 true next drops then say how often any breaks.
Second: the ranges rated by criteria so narrow that both matter, and how often any is broken at their ends.
"""

from types import SimpleNamespace

import numpy as np
from scipy.optimize import brentq

from cordlab.batch.drop_table import Evidence
from cordlab.curves.models import Curve
from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.rating.criteria import ANY, Judgement
from cordlab.rating.rate import rate
from cordlab.units import Measured
from tests.invented import G
from tests.lowest_worlds import AIR, CORD_MASS, DRAG, GEAR, LENGTH, REACH, READING, RELEASE, TIE, Cords, drawn

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
RIG = SimpleNamespace(
    tie_height=Measured(60.0), release_depth=Measured(0.0), drag_area=Measured(0.10),
    air_density=Measured(1.20), compliance=Measured(0.0), load_cell_at="bottom",
)  # fmt: skip
SITE = SimpleNamespace(
    tie_height=Measured(*TIE), surface="water", release_depth=Measured(*RELEASE), gear_mass=Measured(*GEAR),
    reach_below_attachment=Measured(*REACH), drag_area=Measured(*DRAG), air_density=Measured(*AIR), temperature=None,
)  # fmt: skip
SIDES = {"clearance": -1, "g": 1, "stretch_ratio": 1}


def true_next(cords: Cords, riders: np.ndarray, rng: np.random.Generator, n: int) -> dict[str, np.ndarray]:
    """Clearance, g and stretch ratio of next drops, the same cords and site at every rider mass.  (n_riders, n)"""
    gear, drag = drawn(GEAR, rng, n), drawn(DRAG, rng, n) * drawn(AIR, rng, n) / 2
    release, room = drawn(RELEASE, rng, n), drawn(TIE, rng, n) - drawn(REACH, rng, n)
    log_scale = cords.log_scale(cords.draw(rng, n), 68.0, 0, 15.0, rng)
    hung = riders[:, None] + gear
    depth = cords.site(hung, np.broadcast_to(log_scale, hung.shape), drag, release)
    force = np.exp(log_scale) * cords.curve(depth / LENGTH)
    upward = (force - (hung + CORD_MASS / 2) * G) / (hung + CORD_MASS / 3)
    lower_load = force - CORD_MASS * (G / 2 + upward / 3)
    return {"clearance": room - depth, "g": lower_load / (hung * G), "stretch_ratio": depth / LENGTH}


def broken(drops: dict[str, np.ndarray], bounds: dict[str, float]) -> np.ndarray:
    """Share of true drops that break any bound, at each rider mass."""
    parts = [SIDES[name] * drops[name] > SIDES[name] * bound for name, bound in bounds.items()]
    return np.logical_or.reduce(parts).mean(axis=-1)


def campaign(cords: Cords, n_cords: int, rng: np.random.Generator):
    """Draws of the next drop from a campaign of lowest points on a known curve."""
    cord, mass = np.repeat(np.arange(n_cords), MASSES.size), np.tile(MASSES, n_cords)
    level = cords.draw(rng, n_cords)
    log_scale = cords.log_scale((level[0][cord], level[1][cord]), mass, 0, 15.0, rng)
    lowest, n = cords.rig(mass, log_scale) + rng.normal(0, READING, mass.size), mass.size
    full, none = np.ones(n), np.full(n, np.nan)
    evidence = Evidence(
        [f"D{k}" for k in range(n)], [f"C{k}" for k in cord], mass, 0 * full, lowest, READING * full, LENGTH * full,
        CORD_MASS * full, none, none, 0 * full, 15.0 * full, "bottom",
    )  # fmt: skip
    stiffness = drop_stiffness(Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}), evidence, rig=RIG)
    riders = np.linspace(MASSES[0] - GEAR[0], MASSES[-1] - GEAR[0], 9)
    return forecast_drop(stiffness, site=SITE, masses=riders, seed=int(rng.integers(1 << 30)), draws=16_384)


def bounds_that_are_just_met(forecast, k: int, *, together: bool) -> dict[str, float]:
    """At mass number k, all three as far out."""

    def bounds(probability: float) -> dict[str, float]:
        return {name: float(forecast.prediction_limit(name, probability)[k]) for name in SIDES}

    def beyond(probability: float) -> float:
        judgement = Judgement(forecast, forecast.limits, bounds(probability))
        return float(judgement.violation(forecast.masses[k : k + 1])[ANY][0]) - 0.01

    return bounds(brentq(beyond, 0.985, 0.9999, xtol=1e-5)) if together else bounds(0.99)


def mean_and_error(values: list[float]) -> str:
    return f"{np.mean(values):.4f} ± {np.std(values) / np.sqrt(len(values)):.4f}"


def main(campaigns: int = 300) -> None:
    print(f"any criterion broken, 0.01 promised, {campaigns} campaigns each; ± a standard error over campaigns")
    for cord_sd in (0.01, 0.02):
        cords, rng = Cords(cord_sd=cord_sd, per_kelvin=0.0), np.random.default_rng(1)
        riders = np.arange(MASSES[0] - GEAR[0], MASSES[-1] - GEAR[0] + 0.1, 0.5)
        truth = true_next(cords, riders, rng, 20_000)
        middle = {name: x[riders == 65.0] for name, x in truth.items()}
        sorted_g, sorted_room = np.sort(truth["g"][riders == 62.0][0]), np.sort(truth["clearance"][riders == 68.0][0])
        narrow = SimpleNamespace(
            least_clearance=float(sorted_room[60]), greatest_g=float(sorted_g[-60]), least_strength_factor=1.0,
            greatest_stretch_ratio=None, design_breaking_load=Measured(1e6),
        )  # fmt: skip
        limits = {"clearance": narrow.least_clearance, "g": narrow.greatest_g}
        for n_cords in (4, 6, 10):
            at_limits, at_ends = {"each": [], "together": []}, {"each": [], "together": []}
            for _ in range(campaigns):
                forecast = campaign(cords, n_cords, rng)
                for way, of in at_limits.items():
                    bounds = bounds_that_are_just_met(forecast, 4, together=way == "together")
                    of.append(float(broken(middle, bounds)[0]))
                for way, of in at_ends.items():
                    object.__setattr__(forecast, "together", way == "together")
                    rating = rate(forecast, criteria=narrow)
                    if rating.rated:
                        of.append(
                            float(np.interp([rating.lightest, rating.heaviest], riders, broken(truth, limits)).max())
                        )
            for way in at_limits:
                rated = len(at_ends[way])
                told = f"; at the worse end {mean_and_error(at_ends[way])}" if rated else ""
                limited = mean_and_error(at_limits[way])
                print(f"  cords {cord_sd:.0%}, {n_cords:2d} of them, {way:8s} at its limits {limited}", end="; ")
                print(f"narrow criteria: rated {rated} of {campaigns}{told}", flush=True)

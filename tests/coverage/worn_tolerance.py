"""Does a tolerance limit carried to a jump count hold? `python -m tests.coverage worn_tolerance [campaigns]`.

The engine alone, on true drops of `tests/lowest_worlds.py`: cords of a spread change by 5 % with a standard deviation
of 2 %, independent of what they were or with them. The limit of the clearance that 0.99 of the worn cords' drops are
to keep, with confidence 0.95; held: the share of campaigns in which they do.
"""

import numpy as np
import pandas as pd

from cordlab.batch.drop_table import Evidence
from cordlab.curves.models import Curve
from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.wear.service_life import aged
from tests.coverage.together import MASSES, RIG, SITE
from tests.lowest_worlds import AIR, CORD_MASS, DRAG, GEAR, LENGTH, REACH, READING, RELEASE, TIE, Cords, drawn

CHANGE, CHANGE_SD, DROP_SD, RIDER = -0.05, 0.02, 0.004, 65.0


def cords_and_changes(rng, cord_sd: float, correlation: float, n: int):
    """True ln stiffness of cords when new, and their changes."""
    level, other = rng.standard_normal((2, n))
    change = correlation * level + np.sqrt(1 - correlation**2) * other
    return cord_sd * level, CHANGE + CHANGE_SD * change


def true_clearance(world: Cords, rng, cord_sd: float, correlation: float, n: int = 40_000) -> np.ndarray:
    """Of worn cords, at the site."""
    level, change = cords_and_changes(rng, cord_sd, correlation, n)
    drag = drawn(DRAG, rng, n) * drawn(AIR, rng, n) / 2
    scale = level + change + rng.normal(0, DROP_SD, n)
    depth = world.site(RIDER + drawn(GEAR, rng, n), scale, drag, drawn(RELEASE, rng, n))
    return drawn(TIE, rng, n) - drawn(REACH, rng, n) - depth


def limit(world: Cords, rng, cord_sd: float, correlation: float, n_cords: int) -> float:
    """Of one campaign whose cords are all retested at two masses."""
    level, change = cords_and_changes(rng, cord_sd, correlation, n_cords)
    cord, mass = np.repeat(np.arange(n_cords), MASSES.size), np.tile(MASSES, n_cords)
    n, full, none = mass.size, np.ones(mass.size), np.full(mass.size, np.nan)
    lowest = world.rig(mass, level[cord] + rng.normal(0, DROP_SD, n)) + rng.normal(0, READING, n)
    evidence = Evidence(
        [f"D{k}" for k in range(n)], [f"C{k}" for k in cord], mass, 0 * full, lowest, READING * full, LENGTH * full,
        CORD_MASS * full, none, none, 0 * full, 15.0 * full, "bottom",
    )  # fmt: skip
    stiffness = drop_stiffness(Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}), evidence, rig=RIG)
    asked = {"limit": "tolerance", "draws": 4096, "seed": int(rng.integers(1 << 30))}
    forecast = forecast_drop(stiffness, site=SITE, masses=[57.0, RIDER, 73.0], **asked)
    new = [stiffness.scales[0][0][(cord == k) & np.isin(mass, (68.0, 100.0))].mean() for k in range(n_cords)]
    worn = level + change + rng.normal(0, DROP_SD, (2, n_cords)).mean(axis=0)
    changes = pd.Series(worn - new, [f"C{k}" for k in range(n_cords)])
    return float(aged(forecast, changes).limit("clearance")[1])


def main(campaigns: int = 200) -> None:
    print(f"held, of {campaigns} campaigns; 0.95 promised, binomial error {np.sqrt(0.95 * 0.05 / campaigns):.3f}")
    world = Cords(per_kelvin=0.0)
    for cord_sd in (0.005, 0.01, 0.02):
        for correlation in (0.0, 0.5, 0.9):
            truth = np.sort(true_clearance(world, np.random.default_rng(1), cord_sd, correlation))[400]
            for n_cords in (6, 10, 20):
                rng = np.random.default_rng([n_cords, int(1000 * cord_sd), int(10 * correlation)])
                held = [limit(world, rng, cord_sd, correlation, n_cords) <= truth for _ in range(campaigns)]
                print(
                    f"  cords {cord_sd:.1%}, correlation {correlation:g}, {n_cords:2d}: {np.mean(held):.3f}", flush=True
                )

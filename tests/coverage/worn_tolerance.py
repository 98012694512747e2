"""Does a tolerance limit carried to a jump count hold? `python -m tests.coverage worn_tolerance [campaigns]`.

The engine alone, on true drops of `tests/lowest_worlds.py`: cords of a spread change by 5 % with a standard deviation
of 2 %, independent of what they were or with them, and are retested with two masses. The limit of the clearance that
0.99 of the worn cords' drops are to keep, with confidence 0.95, at a site whose tie height is off by its uncertainty,
the same for all drops; held: the share of campaigns in which they do. Stays rated: the share whose limit meets a least
clearance that lies a metre below what 0.99 of the drops truly keep.
"""

from dataclasses import replace

import numpy as np

from cordlab.limits.forecast import Forecast, forecast_drop
from cordlab.wear.service_life import _changes, _stiffness, aged
from tests.coverage._engine import anchored, evidence, heads, ladder, row, share, site
from tests.lowest_worlds import LAWS, READING, Cords, next_drops

CHANGE, CHANGE_SD, DROP_SD, RIDER, JUMPS = -0.05, 0.02, 0.004, 65.0, 300
RETESTED = (68.0, 100.0)
DRAWS = 1024  # of a limit: it then lies within 0.03 of its own scatter from campaign to campaign
TO_SPARE = 1.0  # [m]
HEIGHT, U_HEIGHT = LAWS["tie_height"]
FIXED = LAWS | {"tie_height": (HEIGHT, 0.0)}


def cords_and_changes(rng, cord_sd: float, correlation: float, n: int):
    """True ln stiffness of cords when new, and their changes."""
    level, other = rng.standard_normal((2, n))
    change = correlation * level + np.sqrt(1 - correlation**2) * other
    return cord_sd * level, CHANGE + CHANGE_SD * change


def true_clearance(world: Cords, cord_sd: float, correlation: float, n: int = 2_000_000) -> float:
    """What 0.99 of the drops of worn cords keep at a site whose tie height is as stated.  [m]"""
    rng = np.random.default_rng(1)
    level, change = cords_and_changes(rng, cord_sd, correlation, n)
    scale = level + change + rng.normal(0, DROP_SD, n)
    return float(np.quantile(next_drops(world, RIDER, scale, rng, FIXED)["clearance"], 0.01))


def limit(world: Cords, new: Forecast, rng, cord_sd: float, correlation: float, n_cords: int) -> float:
    """Of one campaign whose cords are all retested; new : of any campaign, to be made again of this one."""
    level, change = cords_and_changes(rng, cord_sd, correlation, n_cords)
    cord, mass = ladder(n_cords)

    def dropped(keep: np.ndarray, log_scale: np.ndarray, jumps: int):
        scale = log_scale[cord[keep]] + rng.normal(0, DROP_SD, keep.sum())
        lowest = world.rig(mass[keep], scale) + rng.normal(0, READING, keep.sum())
        return evidence(cord[keep], mass[keep], lowest, jumps)

    stiffness = anchored(dropped(np.ones(mass.size, bool), level, 0))
    worn = dropped(np.isin(mass, RETESTED), level + change, JUMPS)
    changes = _changes(stiffness, *_stiffness(stiffness, worn))
    new = replace(new, stiffness=stiffness, seed=int(rng.integers(1e9)))  # its draws are in no worn limit
    return float(aged(new, changes[JUMPS]).limit("clearance")[0])


def main(campaigns: int = 400) -> None:
    print(f"{campaigns} campaigns each; held: 0.95 promised")
    world = Cords(per_kelvin=0.0)
    any_drops = anchored(evidence(*ladder(2), world.rig(ladder(2)[1], 0.01 * np.arange(10))))
    new = forecast_drop(any_drops, site=site(), masses=[RIDER], limit="tolerance", draws=DRAWS)
    heads("cords differ by", "correlation", "cords", "held", "stays rated")
    for cord_sd in (0.005, 0.01, 0.02):
        for correlation in (0.0, 0.5, 0.9):
            truth = true_clearance(world, cord_sd, correlation)
            for n_cords in (6, 10, 20):
                rng = np.random.default_rng([n_cords, int(1000 * cord_sd), int(10 * correlation)])
                limits = np.array([limit(world, new, rng, cord_sd, correlation, n_cords) for _ in range(campaigns)])
                higher = rng.normal(0, U_HEIGHT, campaigns)  # the sites than stated
                cells = share(limits <= truth + higher), share(limits >= truth - TO_SPARE)
                row(f"{cord_sd:.1%}", f"{correlation:g}", n_cords, *cells)

"""What was tested: the masses, temperatures and jump counts that the drops show, and why another use is not rated.

The slope of ln stiffness over temperature is common to the cords and stands beside each cord's line. Where the drops
show none, temperatures within `AS_ONE` count as one, with a slope of 0 ± `UNKNOWN_SLOPE` of either sign. Masses are
near enough where a ladder may step from one to the next, and show a bend from three on.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import ceil, log

import numpy as np
import pandas as pd

from cordlab.batch.cords import CORDS_THAT_SHOW, TemperatureTrend
from cordlab.batch.drop_table import ONE_RETEST, Evidence, retests
from cordlab.campaign.settings import Site

TEMPERATURE = "temperature of the cords, its slope not known"  # shared by all drops
UNKNOWN_SLOPE = 0.0035  # of ln stiffness: that of ideal rubber, 1/T at 285 K, of either sign  [1/K]
AS_ONE = 5.0  # temperatures no further apart count as one where no slope is known; our choice [K]
MASSES_AT_AN_END = 2  # lightest or heaviest, with one of which such a cord was dropped
FURTHEST_STEP = 1.5  # from a mass to the next, in a ladder and in what is rated; our choice
FEWEST_MASSES = 3  # two show no bend between them


def rateable_parts(masses: np.ndarray, checked: Sequence[float] = ()) -> tuple[list[tuple[float, float]], list[str]]:
    """Ends of each run of masses near enough to rate what lies between, none by two masses alone [kg]; and why what
    lies between others is not rated, a sentence a gap. `checked` : masses of drops that were held back."""
    dropped = np.union1d(masses, [mass for mass in checked if masses.min() < mass < masses.max()])
    if 1 < dropped.size < FEWEST_MASSES:
        few = f"only two masses were dropped, {dropped[0]:g} and {dropped[1]:g} kg: a bend between them is not shown"
        return [], [f"{few}; drop {_between(*dropped)} kg too"]
    runs = np.split(dropped, np.flatnonzero(dropped[1:] > FURTHEST_STEP * (1 + 1e-9) * dropped[:-1]) + 1)
    reasons = []
    for light, heavy in pairwise(runs):
        apart = f"{light[-1]:g} and {heavy[0]:g} kg are more than {FURTHEST_STEP:g} times apart"
        reasons.append(f"{apart}, and nothing between them is rated: drop {_between(light[-1], heavy[0])} kg too")
    return [(float(run[0]), float(run[-1])) for run in runs if run.size > 1 or dropped.size == 1], reasons


def _between(light: float, heavy: float) -> str:
    """Masses with which no step is too wide, in words [kg]."""
    steps = max(ceil(log(heavy / light) / log(0.98 * FURTHEST_STEP)), 2)
    return " and ".join(f"{mass:.3g}" for mass in np.geomspace(light, heavy, steps + 1)[1:-1])


def known_temperatures(drops: Evidence) -> np.ndarray:
    """Temperatures of the drops, one that is not recorded at the mean of the others; 0 where none is.  (n_drops,)"""
    known = np.isfinite(drops.temperature)
    return np.where(known, drops.temperature, drops.temperature[known].mean() if known.any() else 0.0)


def rider_not_known(site: Site) -> list[str]:
    """Why a site that says nothing of how its riders turn over rates nobody; empty where it does."""
    if site.centre_of_mass_fall is not None:
        return []
    return [
        "[site] centre_of_mass_fall is left out, and a rider who turns over comes lower than a dead weight, by about "
        "1 m where it is 2 m: measure how much further the centre of mass falls than the cord's end, from the release "
        'to hanging (common practice, no source: "2.0(3) m" by the ankles, "0.3(2) m" in a body harness), or write '
        '"0 m" for a dummy that hangs like a weight'
    ]


def _range_of(drops: Evidence) -> tuple[float, float] | None:
    """Lowest and highest temperature of the drops [°C], None where none is recorded."""
    known = drops.temperature[np.isfinite(drops.temperature)]
    return (float(known.min()), float(known.max())) if known.size else None


def range_of_use(site: Site, drops: Evidence) -> tuple[float, float] | None:
    """Lowest and highest temperature of use, those of the drops where the site gives none [°C]; None: nothing known."""
    dropped = _range_of(drops)
    return dropped and (site.temperature or dropped)


def not_shown(drops: Evidence, trend: TemperatureTrend, use: tuple[float, float] | None) -> list[str]:
    """Why a range of use [°C] is not what the drops show; empty where it is."""
    dropped = _range_of(drops)
    asked = f"asked for use at {use[0]:g} to {use[1]:g} °C" if use else ""
    if dropped is None:
        return [f"{asked}, but no drop has its temperature recorded"] if use else []
    low, high = dropped
    if use and (use[0] < low or use[1] > high):
        return [f"{asked}, but drops were made at {low:g} to {high:g} °C"]
    if trend.slope is not None or high - low <= AS_ONE:
        return []
    masses, cords, missing = np.unique(drops.mass), np.array(drops.cord), []
    light = drops.mass <= masses[:MASSES_AT_AN_END][-1]
    heavy = drops.mass >= masses[-MASSES_AT_AN_END:][0]
    for end in dict.fromkeys(use or (low, high)):
        near = np.abs(drops.temperature - end) <= AS_ONE
        if len(set(cords[near & light]) & set(cords[near & heavy])) < min(CORDS_THAT_SHOW, np.unique(cords).size):
            missing.append(f"{end:g}")
    if not missing:
        return []
    return [
        f"drops were made at {low:g} to {high:g} °C, and what that does to the cords is not known ({trend.reason}): "
        f"drop {CORDS_THAT_SHOW} cords at {' and at '.join(missing)} °C, each with one of the two lightest masses and "
        "one of the two heaviest"
    ]


def comparable(fit: Evidence, worn: Evidence) -> tuple[np.ndarray, str]:
    """Which retests were as warm as the fit drops or nearly so, (n,), and in words which were not."""
    dropped = _range_of(fit)
    if dropped is None or not len(worn):
        return np.ones(len(worn), bool), ""
    low, high = dropped
    off = np.maximum(low - worn.temperature, worn.temperature - high)
    near = ~(off > AS_ONE)  # one that is not recorded counts
    if near.all():
        return near, ""
    far = worn.temperature[~near]
    return near, (
        f"{far.size} retests at {far.min():g} to {far.max():g} °C are not used: the fit drops were made at "
        f"{low:g} to {high:g} °C, and nothing says what the rest does"
    )


def counts_not_shown(drops: Evidence, jumps: float | None) -> list[str]:
    """Why the fit drops are not of one state of wear, and why `jumps`, where it is asked for, is not theirs."""
    first, reasons = pd.Series(drops.jumps).groupby(list(drops.cord)).min(), []
    low, high = drops.jumps.min(), drops.jumps.max()
    if np.unique(retests(drops.jumps)).size > 1 or np.ptp(first) > ONE_RETEST:
        reasons.append(
            f"the fit drops were made on cords with {low:g} to {high:g} jumps, too far apart for one state of wear: "
            "note the drops of used cords as 'wear'"
        )
    if jumps is not None:
        cords = len(set(np.array(drops.cord)[np.abs(drops.jumps - jumps) <= ONE_RETEST]))
        if cords < min(CORDS_THAT_SHOW, first.size):
            reasons.append(
                f"asked for {jumps:g} jumps, but cords with {low:g} to {high:g} jumps were dropped, "
                f"{cords} of them within {ONE_RETEST} jumps of it; retest {CORDS_THAT_SHOW} there"
            )
    return reasons

"""Temperatures of use: which of them the drops show.

The slope of ln stiffness over temperature is common to the cords and stands beside each cord's line. Where the drops
show none, temperatures within `AS_ONE` count as one, with a slope of 0 ± `UNKNOWN_SLOPE` of either sign.
"""

from typing import TYPE_CHECKING

import numpy as np

from cordlab.batch.cords import TemperatureTrend
from cordlab.batch.drop_table import Evidence

if TYPE_CHECKING:
    from cordlab.campaign.settings import Site

TEMPERATURE = "temperature of the cords, its slope not known"  # shared by all drops
UNKNOWN_SLOPE = 0.0035  # of ln stiffness: that of ideal rubber, 1/T at 285 K, of either sign  [1/K]
AS_ONE = 5.0  # temperatures no further apart count as one where no slope is known; our choice [K]
CORDS_AT_AN_END, MASSES_AT_AN_END = 2, 2  # that show a temperature: cords, each with one of the lightest and heaviest


def known_temperatures(drops: Evidence) -> np.ndarray:
    """Temperatures of the drops, one that is not recorded at the mean of the others; 0 where none is.  (n_drops,)"""
    known = np.isfinite(drops.temperature)
    return np.where(known, drops.temperature, drops.temperature[known].mean() if known.any() else 0.0)


def range_of_use(site: "Site", drops: Evidence) -> tuple[float, float] | None:
    """Lowest and highest temperature of use, those of the drops where the site gives none [°C]; None: nothing known."""
    known = drops.temperature[np.isfinite(drops.temperature)]
    if not known.size:
        return None
    return site.temperature or (float(known.min()), float(known.max()))


def not_shown(drops: Evidence, trend: TemperatureTrend, use: tuple[float, float] | None) -> list[str]:
    """Why a range of use [°C] is not what the drops show; empty where it is."""
    known = drops.temperature[np.isfinite(drops.temperature)]
    asked = f"asked for use at {use[0]:g} to {use[1]:g} °C" if use else ""
    if not known.size:
        return [f"{asked}, but no drop has its temperature recorded"] if use else []
    low, high = known.min(), known.max()
    if use and (use[0] < low or use[1] > high):
        return [f"{asked}, but drops were made at {low:g} to {high:g} °C"]
    if trend.slope is not None or high - low <= AS_ONE:
        return []
    ends = dict.fromkeys(use or (low, high))
    missing = [f"{end:g}" for end in ends if not _shown(drops, end)]
    if not missing:
        return []
    return [
        f"drops were made at {low:g} to {high:g} °C, and what that does to the cords is not known ({trend.reason}): "
        f"drop {CORDS_AT_AN_END} cords at {' and at '.join(missing)} °C, each with one of the two lightest masses and "
        "one of the two heaviest"
    ]


def _shown(drops: Evidence, temperature: float) -> bool:
    """Whether enough cords were dropped near this temperature [°C] with a light and with a heavy mass."""
    masses, near = np.unique(drops.mass), np.abs(drops.temperature - temperature) <= AS_ONE
    ends = drops.mass <= masses[:MASSES_AT_AN_END][-1], drops.mass >= masses[-MASSES_AT_AN_END:][0]
    cords = np.array(drops.cord)
    both = set(cords[near & ends[0]]) & set(cords[near & ends[1]])
    return len(both) >= min(CORDS_AT_AN_END, len(set(drops.cord)))

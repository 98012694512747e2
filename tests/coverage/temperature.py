"""What a campaign shows of temperature, in designs that show little: `python -m tests.coverage temperature [number]`.

First the engine by itself: ln stiffness drawn here, the share of next drops within the one-sided 0.99 limits of
`GroupLines` at the cold and the warm end, mean over masses and campaigns, where a slope is known. Then whole campaigns
without records (`tests/lowest_worlds.py`, model and viscosity given): how many are rated for the whole range of
temperatures, and the true chance that the least clearance is broken at the heavy end, at the worse temperature; 0.01
is promised.
Where the drops of a campaign do not show the range, no limit changes that: a few are rated all the same, for sure.
"""

from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from cordlab.batch.cords import temperature_trend
from cordlab.limits.tested import not_shown
from cordlab.statistics.groups import GroupLines
from tests.coverage._engine import MASSES, RATED, analysed, heads, ladder, mean, rated, row
from tests.lowest_worlds import TOLD, Cords, Row, violated

COLD, WARM = 0.0, 20.0
AT_LEAST = 5  # campaigns of a design that are rated though the drops do not show the range


def designs(rng: np.random.Generator, cords: int) -> dict[str, np.ndarray]:
    """Design → temperature of each drop, cord by cord and light to heavy."""
    cord, mass = ladder(cords)
    near, k = rng.normal(0, 0.3, cord.size), np.arange(cord.size)
    cold = {
        "one drop cold": k == rng.integers(cord.size),
        "lightest mass cold": mass == MASSES[0],
        "one cord cold": cord == 0,
        "half cold": k % 2 == 0,  # every second mass, the others on the next cord
    }
    rows = {name: np.where(which, COLD, WARM) + near for name, which in cold.items()}
    rows["a warming day, 5 to 20 °C"] = 5.0 + 15.0 * (mass - 36.0) / 64.0 + near
    rows["a day that warms by 3 K (sound)"] = 17.0 + 3.0 * (mass - 36.0) / 64.0 + near
    return rows


def engine(campaigns: int) -> None:
    print("the engine: content of 0.99 limits where a slope is known, ± a standard error over campaigns")
    heads("cords differ by", "cords", "design", "with a slope", "cold", "warm")
    for cord_sd in (0.01, 0.02):
        for cords in (3, 6):
            contents: dict[str, list[tuple[float, float]]] = {}
            for seed in range(campaigns):
                rng, (cord, mass) = np.random.default_rng([seed, cords]), ladder(cords)
                for name, t in designs(rng, cords).items():
                    y = rng.normal(0, cord_sd, cords)[cord] + rng.normal(0, 0.004, cord.size) - 0.0034 * (t - 20)
                    of = contents.setdefault(name, [])
                    trend = temperature_trend(y, t, cords=list(cord), masses=mass, jumps=np.zeros(t.size))
                    if trend.slope is None:
                        continue
                    lines, sd = GroupLines.of(y, group=cord, x=mass, cause=t), np.hypot(cord_sd, 0.004)
                    soft = replace(lines, cause_at=WARM).another_group(MASSES).limit(0.99, "lower")
                    stiff = replace(lines, cause_at=COLD).another_group(MASSES).limit(0.99, "upper")
                    of.append((ndtr((stiff + 0.0034 * (COLD - 20)) / sd).mean(), ndtr(-soft / sd).mean()))
            for name, held in contents.items():
                cells = map(mean, zip(*held, strict=True)) if held else ("–", "–")
                row(f"{cord_sd:.0%}", cords, name, f"{len(held)} of {campaigns}", *cells)


def chance(world: Cords, temperatures: np.ndarray, rng, limit: str, *, whole: bool) -> tuple[bool, float | None]:
    """Whether a campaign's drops show the whole range, and the chance that the clearance is broken at its heavy end.

    whole : rate it even where the drops do not show the range
    """
    plan = [Row(k // 5, MASSES[k % 5], k % 5, round(t, 1)) for k, t in enumerate(temperatures)]
    met = [drop.temperature for drop in plan]
    use = min(met), max(met)
    asked = f'gear_mass = "3.0(3) kg"\ntemperature = "{use[0]} to {use[1]} degC"'
    changes = [('gear_mass = "3.0(3) kg"', asked), ('limit = "prediction"', f'limit = "{limit}"'), *TOLD]
    analysis = analysed(plan, world, rng, *changes)
    drops = analysis.stiffness
    unshown = not_shown(drops.drops, drops.trend, use)
    if unshown and not whole:
        return False, None
    rating = analysis.rating
    assert not unshown or unshown[0] in " ".join(rating.reasons)
    if rating.heaviest is None:
        return not unshown, None
    return not unshown, violated(world, rating.heaviest, temperatures=use, jumps=4)


def end_to_end(campaigns: int) -> None:
    print("whole campaigns of 6 cords, 0.34 % softer a kelvin; use over the whole range that was met")
    heads("limit", "cords differ by", "design", *RATED)
    unshown: set[tuple[float, str, int]] = set()  # by the drops, whichever the limit
    for limit in ("prediction", "tolerance"):
        for cord_sd in (0.02, 0.01):
            world = Cords(cord_sd=cord_sd)
            for name in designs(np.random.default_rng(0), 6):
                chances = []
                for seed in range(campaigns):
                    rng, whole = np.random.default_rng([seed, 77]), seed < AT_LEAST
                    if (cord_sd, name, seed) in unshown and not whole:
                        continue
                    shown, broken = chance(world, designs(rng, 6)[name], rng, limit, whole=whole)
                    unshown |= set() if shown else {(cord_sd, name, seed)}
                    chances += [] if broken is None else [broken]
                row(limit, f"{cord_sd:.0%}", name, *rated(chances, campaigns))


def main(campaigns: int = 100, of_engine: int = 2000) -> None:
    engine(of_engine)
    end_to_end(campaigns)

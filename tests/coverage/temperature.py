"""What a campaign shows of temperature, in designs that show little: `python -m tests.coverage temperature [number]`.

First the engine by itself: ln stiffness drawn here, the share of next drops within the one-sided 0.99 limits of
`GroupLines` at the cold and the warm end, mean over masses and campaigns, where a slope is known. Then whole campaigns
without records (`tests/lowest_worlds.py`): how many are rated for the whole range of temperatures, and the true chance
that the least clearance is broken at the heavy end, at the worse temperature; 0.01 is promised.
"""

from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from scipy.special import ndtr

from cordlab import Analysis, read_campaign
from cordlab.batch.cords import temperature_trend
from cordlab.statistics.groups import GroupLines
from tests.lowest_worlds import Cords, Row, violated, write

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
COLD, WARM = 0.0, 20.0


def designs(rng: np.random.Generator, cords: int) -> dict[str, np.ndarray]:
    """Design → temperature of each drop, cord by cord and light to heavy."""
    cord, mass = np.repeat(np.arange(cords), MASSES.size), np.tile(MASSES, cords)
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
    for cord_sd in (0.01, 0.02):
        for cords in (3, 6):
            contents: dict[str, list[tuple[float, float]]] = {}
            for seed in range(campaigns):
                rng = np.random.default_rng([seed, cords])
                cord, mass = np.repeat(np.arange(cords), MASSES.size), np.tile(MASSES, cords)
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
            for name, rows in contents.items():
                told = "no slope in any campaign"
                if rows:
                    mean, error = np.mean(rows, axis=0), np.std(rows, axis=0) / np.sqrt(len(rows))
                    told = f"cold {mean[0]:.4f} ± {error[0]:.4f}, warm {mean[1]:.4f} ± {error[1]:.4f}"
                    told += f" ({len(rows)} of {campaigns} with a slope)"
                print(f"  cords {cord_sd:.0%}, {cords} of them, {name:32s} {told}", flush=True)


def end_to_end(campaigns: int) -> None:
    print("whole campaigns of 6 cords, 0.34 % softer a kelvin; use over the whole range that was met")
    for limit in ("prediction", "tolerance"):
        for cord_sd in (0.01, 0.02):
            world, chances = Cords(cord_sd=cord_sd), {}
            for seed in range(campaigns):
                rng = np.random.default_rng([seed, 77])
                for name, t in designs(rng, 6).items():
                    plan = [Row(k // 5, MASSES[k % 5], k % 5, round(t[k], 1)) for k in range(30)]
                    met = [row.temperature for row in plan]
                    use = min(met), max(met)
                    asked = f'gear_mass = "3.0(3) kg"\ntemperature = "{use[0]} to {use[1]} degC"'
                    changes = [('gear_mass = "3.0(3) kg"', asked), ('limit = "prediction"', f'limit = "{limit}"')]
                    with TemporaryDirectory() as scratch:
                        folder = write(Path(scratch, "campaign"), plan, world, rng, *changes)
                        rating = Analysis(read_campaign(folder)).rating
                    of = chances.setdefault(name, [])
                    if rating.heaviest is not None:
                        of.append(violated(world, rating.heaviest, temperatures=use, jumps=4))
            for name, rows in chances.items():
                told = f"rated {len(rows)} of {campaigns}"
                if rows:
                    told += f"; violated at the heavy end {np.mean(rows):.4f} on average, {max(rows):.3f} at the most"
                print(f"  {limit}, cords {cord_sd:.0%}, {name:32s} {told}", flush=True)


def main(campaigns: int = 100, of_engine: int = 2000) -> None:
    engine(of_engine)
    end_to_end(campaigns)

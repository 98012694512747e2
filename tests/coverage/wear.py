"""How often the forecast of worn cords holds, on invented wear with known truth: `python -m tests.coverage wear`.

Invented clearance at one mass: each cord starts at its own height and loses its own amount a jump, straight or getting
faster. The forecast limit one step beyond the last retest is compared with the next drop of another cord of the batch.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy import special

from cordlab.wear.wear import Wear


@dataclass(frozen=True)
class World:
    """Invented truth: clearance start − loss·c·(1 + faster·c), c the count over 500; sds of cords and drops [m]."""

    name: str
    faster: float = 0.0
    start: float = 9.0
    loss: float = 1.1
    sd_start: float = 0.35
    sd_loss: float = 0.25
    sd_faster: float = 0.0
    sd_drop: float = 0.10
    counts: tuple[int, ...] = (0, 100, 200, 350, 500)

    def drops(self, rng: np.random.Generator, cords: int, counts: tuple[int, ...]) -> np.ndarray:
        """(cords, counts) clearance [m]; one drop a cord a count."""
        c = np.array(counts) / 500
        start = rng.normal(self.start, self.sd_start, (cords, 1))
        loss = rng.normal(self.loss, self.sd_loss, (cords, 1))
        faster = rng.normal(self.faster, self.sd_faster, (cords, 1))
        return start - loss * c * (1 + faster * c) + rng.normal(0, self.sd_drop, (cords, c.size))


WORLDS = (
    World("straight"),
    World("straight, drops scatter", sd_start=0.1, sd_loss=0.05, sd_drop=0.3),
    World("a little faster", faster=0.3),
    World("faster", faster=1.0, sd_faster=0.3),
    World("much faster", faster=3.0, sd_faster=0.5),
    World("slower", faster=-0.4),
)


@dataclass(frozen=True)
class Outcome:
    """Of `runs` batches: how many had a forecast; in how many of those it held; how many were refused or held."""

    runs: int
    forecasts: int
    held: int
    width: float

    @property
    def safe(self) -> float:
        return (self.runs - self.forecasts + self.held) / self.runs


def study(world: World, *, cords: int, probability: float, runs: int, seed: int) -> Outcome:
    """One step of 150 jumps beyond 500. width: mean margin of the limit over the one of a lab that knows everything."""
    rng = np.random.default_rng(seed)
    names = np.repeat([f"C{i}" for i in range(cords)], len(world.counts))
    jumps = np.tile(world.counts, cords)
    forecasts, held, margins = 0, 0, []
    for _ in range(runs):
        values = world.drops(rng, cords, world.counts).ravel()
        nexts = float(world.drops(rng, 1, (650,))[0, 0])
        wear = Wear(names, jumps, values, probability=probability, least=0.0)
        if not wear.forecast:
            continue
        (point,) = wear.forecast
        forecasts += 1
        held += nexts >= point.lower
        margins.append(point.mean - point.lower)
    reach = 1.3
    known = sqrt(world.sd_start**2 + (reach * world.sd_loss) ** 2 + world.sd_drop**2) * special.ndtri(probability)
    return Outcome(runs, forecasts, held, float(np.mean(margins)) / known if margins else np.nan)


def percent(count: float, runs: int) -> str:
    """Share with its binomial standard error, in per cent."""
    if not runs:
        return "–"
    share = count / runs
    return f"{100 * share:5.1f} ± {100 * sqrt(max(share * (1 - share), 1 / runs) / runs):.1f}"


def main(runs: int = 1000) -> None:
    print(f"Limit for another cord, one step of 150 jumps beyond the last retest; {runs} invented batches a line.\n")
    heads = ("no forecast %", "forecast held %", "refused or held %")
    print(f"{'wear':26s}{'cords':>6s}{'asked %':>9s}" + "".join(f"{head:>18s}" for head in heads) + f"{'margin':>8s}")
    for world in WORLDS:
        for cords in (4, 6, 10):
            for probability in (0.95, 0.99):
                found = study(world, cords=cords, probability=probability, runs=runs, seed=cords)
                shares = (
                    percent(runs - found.forecasts, runs),
                    percent(found.held, found.forecasts),
                    percent(found.safe * runs, runs),
                )
                line = f"{world.name:26s}{cords:6d}{100 * probability:9.0f}" + "".join(f"{one:>18s}" for one in shares)
                print(line + (f"{found.width:8.2f}" if found.forecasts else f"{'–':>8s}"), flush=True)
    print("\nmargin: mean distance of the limit from the forecast mean, over that of a lab that knows mean and spread.")
    print(
        "Where wear gets only a little faster, a forecast that was given may hold less often than asked: most batches"
    )
    print("are refused one, and those that are not look straighter than they are. A forecast is never a rating.")

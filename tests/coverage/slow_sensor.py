"""A late load cell: does the limit of g hold, or is nothing rated? `python -m tests.coverage slow_sensor [worlds]`.

Campaigns of 4 cords with 5 masses. "rigid": stretch waves after a rigid fold, cell at the tie point
(`tests/sound_records.py`); "elastic": a chain that stretches while it falls (`tests/elastic_fold.py`), cell at either
end. Neither shares code with cordlab. The load goes through a low-pass of one or of two equal poles, late by 0 to 80 ms
in all. The true g of the next cord is that of the same chains with a rider's drag, through CFC 60.

Printed for each cell of the table: how many campaigns were rated (no finding stops them), in how many something was
said of the lag; over the rated ones the mean with its standard error and the greatest chance that the next drop's g is
above the stated limit, at light, middle and heavy riders (0.01 is promised); what was said, and the lag and the
viscosity that were found. Each campaign is printed as it is judged, and the table again after each world of all cells,
since a run takes long; limits are drawn for the three riders alone, from few draws of the curve's shape.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
from scipy.interpolate import PchipInterpolator

from cordlab import Analysis, CampaignError, read_campaign
from cordlab.statistics.groups import EvidenceError
from tests.coverage._engine import heads, row
from tests.coverage.drifting_zero import true_peak
from tests.coverage.sensors import GEAR, RIDER_AIR, greatest_g
from tests.elastic_fold import ElasticDrop, fold_trace
from tests.rigs import Circumstance, RecordedWorld, elastic_world, happen, on_cord, recorded_world, write
from tests.sound_records import random_logger, trace
from tests.worlds import FIVE, crossed

LAGS = (0.0, 0.005, 0.01, 0.02, 0.03, 0.04, 0.06, 0.08)  # s
LATE = [(lag, poles) for lag in LAGS for poles in ((1, 2) if lag else (1,))]
RIDERS = np.array([FIVE[0], 65.0, FIVE[-1]]) - GEAR[0]
DRAWS = 20_000


@dataclass(frozen=True)
class Case:
    """A world, what its campaign.toml says of it, and the chance that the next drop's g is above limits at `RIDERS`."""

    world: RecordedWorld
    sound: Circumstance
    g: list[PchipInterpolator]  # of ln stiffness, a rider each

    def above(self, limits: np.ndarray) -> np.ndarray:
        sd = np.hypot(self.world.cord_sd, self.world.drop_sd)
        logs = np.random.default_rng(1).normal(0, sd, DRAWS)
        return np.array([np.mean(g(logs) > limit) for g, limit in zip(self.g, limits, strict=True)])


def truth(world: RecordedWorld, g_of: Callable[[float, float], float]) -> list[PchipInterpolator]:
    nodes = np.hypot(world.cord_sd, world.drop_sd) * np.linspace(-4, 4, 5)
    return [PchipInterpolator(nodes, [g_of(rider + GEAR[0], np.exp(node)) for node in nodes]) for rider in RIDERS]


def rigid(rng: np.random.Generator) -> Case:
    world = recorded_world(rng, crossed(4, FIVE, rng, warming=2.0), waves=True)
    happen([world])
    return Case(
        world,
        Circumstance(),
        truth(world, lambda mass, scale: greatest_g(trace(on_cord(world.cord, mass, scale, RIDER_AIR)))),
    )


def elastic(rng: np.random.Generator, cell: str) -> Case:
    cord = ElasticDrop(FIVE[-1], arms=rng.uniform(0.1, 0.6), viscosity=rng.uniform(3.0, 10.0))
    logger = replace(random_logger(rng), rate=float(rng.choice([200.0, 500.0, 1000.0])))
    world, sound = elastic_world(cord, crossed(4, FIVE, rng, warming=2.0), rng, cell=cell, logger=logger)

    def g_of(mass: float, scale: float) -> float:
        rider = replace(cord.scaled(scale), mass=mass, air=RIDER_AIR)
        return true_peak(fold_trace(rider).seen_at("bottom")) / (mass * 9.80665)

    return Case(world, sound, truth(world, g_of))


CASES: dict[str, Callable[[np.random.Generator], Case]] = {
    "rigid, top": rigid,
    "elastic, top": lambda rng: elastic(rng, "top"),
    "elastic, bottom": lambda rng: elastic(rng, "bottom"),
}
SAID = ("slow load cell", "late load", "viscosity")


def judged(case: Case, lag: float, poles: int, seed: int) -> tuple[str, set[str], np.ndarray | None, str]:
    """The answer, what was said of the lag, the chances above the limits where it is rated, and lag and viscosity."""
    late = replace(case.sound, lag=lag, poles=poles)
    with TemporaryDirectory() as scratch, patch("cordlab.analysis.SHAPES", 40):
        try:
            analysis = Analysis(read_campaign(write(Path(scratch, "c"), case.world, np.random.default_rng(seed), late)))
            kinds = {finding.kind for finding in analysis.findings}
        except CampaignError as error:
            return f"refused: {error.problems[0][:100]}", set(), None, ""
        stops = {finding.kind for finding in analysis.findings if finding.stops}
        seen = f"{1000 * analysis.load_lag.value:.0f} ms{' off' * analysis.load_lag.taken_off}"
        seen += f", {analysis.waves.viscosity.value:.0f} N·s {analysis.waves.viscosity.how}"
        if stops:
            return f"not rated: {', '.join(sorted(stops))}", kinds & set(SAID), None, seen
        try:
            with patch("cordlab.analysis.rating_masses", lambda *_: RIDERS):
                limits = analysis._need("_forecast").limit("g")
        except EvidenceError as error:
            return f"not rated: {error}"[:100], kinds & set(SAID), None, seen
    return "rated", kinds & set(SAID), case.above(limits), seen


Cell = tuple[str, float, int]


def table(results: dict[Cell, list[tuple[str, set[str], np.ndarray | None, str]]]) -> None:
    heads("world, cell", "lag", "poles", "rated", "said", "g above its limit, mean", "greatest", "answers", "found")
    for (name, lag, poles), of_cell in results.items():
        chances = [chance for *_, chance, _ in of_cell if chance is not None]
        mean = greatest = "–"
        if chances:
            of_world = np.mean(chances, axis=1)
            error = f" ± {of_world.std(ddof=1) / np.sqrt(len(chances)):.4f}" if len(chances) > 1 else ""
            mean, greatest = f"{of_world.mean():.4f}{error}", f"{np.max(chances):.3f}"
        said = sum(bool(kinds) for _, kinds, *_ in of_cell)
        answers = "; ".join(dict.fromkeys(answer for answer, *_ in of_cell))
        seen = "; ".join(text for *_, text in of_cell)
        counts = f"{len(chances)} of {len(of_cell)}", f"{said} of {len(of_cell)}"
        row(name, f"{1000 * lag:.0f} ms", poles, *counts, mean, greatest, answers, seen)


def main(worlds: int = 2) -> None:
    results: dict[Cell, list[tuple[str, set[str], np.ndarray | None, str]]] = {}
    for number in range(worlds):
        for name, made in CASES.items():
            case = made(np.random.default_rng(300 + number))
            for lag, poles in LATE:
                result = judged(case, lag, poles, number)
                results.setdefault((name, lag, poles), []).append(result)
                print(f"{name}, world {number}, {1000 * lag:.0f} ms, {poles} poles: {result}", flush=True)
        table(results)

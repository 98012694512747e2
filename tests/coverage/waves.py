"""Campaigns whose truth has stretch waves, and others without: the curve, and limits against the next drops' truth.

`python -m tests.coverage waves [campaigns]`. Everything is invented. Printed: bias of the curve's force by stretch
ratio before and after waves are taken off, the viscosity found, and for lowest point, g and peak load at light, middle
and heavy rider the true probability that the next drop goes beyond the stated limit (to be 1 % on average), with the
limit over the true quantile.
"""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from cordlab.analysis import Analysis, analyse
from cordlab.campaign import read_campaign
from cordlab.fit import fit_batch
from cordlab.scenario import invent
from cordlab.world import Scenario, _future_drops, _normals, _predict_many

RATIOS = np.array([1.1, 1.2, 1.5, 2.0, 2.5, 3.0, 3.5])
RIDERS = np.array([38.0, 60.0, 90.0])
QUANTITIES = {"lowest_point": "lowest_point", "g": "g", "peak_load": "tie_load"}
WORLD = {
    "masses": (36.0, 52.0, 68.0, 84.0, 100.0),
    "checks": (52.0, 84.0),
    "retests": (),
    "rate": 500.0,
    "duration": 7.0,
    "draws": 0,
    "decision": {"probability": 0.99, "model": "mooney-rivlin"},
}


def next_drops(world: Scenario, draws: int = 2048) -> dict[str, np.ndarray]:
    """True next drops of other cords at the site.  quantity → (riders, draws)"""
    z = _normals(draws)
    future, there = _future_drops(world, 0, z)
    return _predict_many(world, z, future | {"mass": RIDERS[:, None] + there["gear_mass"]})


def bias(curve, truth) -> np.ndarray:
    """Relative error of the curve's force at `RATIOS`, its level apart: cords drawn stiff are no bias."""
    off = curve.force(RATIOS) / truth.force(RATIOS)
    return off / off[-3] - 1


def limits(analysis: Analysis) -> dict[str, np.ndarray]:
    """Limits at `RIDERS`, rated or not."""
    forecast = analysis.forecast
    return {name: np.interp(RIDERS, forecast.masses, forecast.limit(name)) for name in QUANTITIES}


def main(campaigns: int = 4) -> None:
    np.set_printoptions(precision=3, suppress=True, linewidth=120)
    print("stretch ratio                 ", RATIOS)
    for mechanics in ("waves", "even"):
        world = Scenario(**WORLD, mechanics=mechanics)
        truth = next_drops(world)
        beyond, over = [], []
        for seed in range(campaigns):
            with TemporaryDirectory() as scratch:
                invent(Path(scratch, "campaign"), seed=seed, truth=Path(scratch, "truth.json"), scenario=world)
                analysis = analyse(read_campaign(Path(scratch, "campaign")))
            raw = fit_batch(
                [drop for drop in analysis.drops if drop.use == "fit"], candidates=("mooney-rivlin",)
            ).chosen.curve
            print(f"{mechanics} {seed}: bias of the pairs as read ", 100 * bias(raw, world.curve), "%")
            print(
                f"{mechanics} {seed}: bias with waves taken off ",
                100 * bias(analysis.fit.chosen.curve, world.curve),
                "%",
            )
            if mechanics == "waves":
                print(f"{mechanics} {seed}: viscosity {analysis.waves.viscosity}; true {world.viscosity:g} N·s")
            stated = limits(analysis)
            beyond.append([(truth[key] > stated[name][:, None]).mean(axis=1) for name, key in QUANTITIES.items()])
            over.append([stated[name] / np.quantile(truth[key], 0.99, axis=1) for name, key in QUANTITIES.items()])
            print(
                f"{mechanics} {seed}: waves seen: {analysis.waves.seen}; {analysis.rating.summary().splitlines()[0]}",
                flush=True,
            )
        for k, name in enumerate(QUANTITIES):
            chance, ratio = np.array(beyond)[:, k], np.array(over)[:, k]
            print(f"{mechanics} {name:13s} at riders of {RIDERS} kg: beyond the limit {100 * chance.mean(axis=0)} %, "
                  f"limit over true 99 % quantile {ratio.mean(axis=0)} ± {ratio.std(axis=0)}")  # fmt: skip


if __name__ == "__main__":
    main()

"""Campaigns whose truth has stretch waves, and others without: the curve, and limits against the next drops' truth.

`python -m tests.coverage waves [campaigns]`. Everything is invented. Printed: bias of the curve's force by stretch
ratio before and after waves are taken off, error of the lowest points of the mean cord from the lightest to the
heaviest mass when waves' part of the stiffness is left in and when it is taken off (with 3 and with 9 masses, without
scatter, so that only the bend is left), the viscosity found, and for lowest point, g and peak load at light, middle
and heavy rider the true probability that the next drop goes beyond the stated limit (to be 1 % on average), with the
limit over the true quantile.
"""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from cordlab.analysis import Analysis, analyse
from cordlab.batch.drop_table import drop_inputs
from cordlab.batch.fit import fit_batch
from cordlab.campaign.campaign import read_campaign
from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.synthetic import Scenario, invent
from cordlab.units import Measured
from tests.true_range import future_drops, normals, predict_many

RATIOS = np.array([1.1, 1.2, 1.5, 2.0, 2.5, 3.0, 3.5])
RIDERS = np.array([38.0, 60.0, 90.0])
QUANTITIES = {"lowest_point": "lowest_point", "g": "g", "peak_load": "tie_load"}
WORLD = {
    "masses": (36.0, 52.0, 68.0, 84.0, 100.0),
    "checks": (52.0, 84.0),
    "retests": (),
    "rate": 500.0,
    "duration": 7.0,
    "decision": {"probability": 0.99, "model": "mooney-rivlin"},
}


def next_drops(world: Scenario, draws: int = 2048) -> dict[str, np.ndarray]:
    """True next drops of other cords at the site.  quantity → (riders, draws)"""
    z = normals(draws)
    future, there = future_drops(world, 0, z)
    return predict_many(world, z, future | {"mass": RIDERS[:, None] + there["gear_mass"]})


def bias(curve, truth) -> np.ndarray:
    """Relative error of the curve's force at `RATIOS`, its level apart: cords drawn stiff are no bias."""
    off = curve.force(RATIOS) / truth.force(RATIOS)
    return off / off[-3] - 1


STILL = {
    "cord_sd": 0.0, "drop_sd": 0.0, "u_lowest_point": 1e-3, "u_mass": 1e-3, "release_sd": 1e-3, "noise": 0.1,
    "rig": {"release_depth": "0.000(1) m", "drag_area": "0.1000(1) m^2"}, "slack_length": Measured(10.0, 1e-4),
    "cord_mass": Measured(14.0, 1e-3), "u_slack_length": 1e-3, "u_cord_mass": 1e-3, "cords": 4,
}  # fmt: skip
SPACED = {"3 masses": (36.0, 68.0, 100.0), "9 masses": tuple(np.linspace(36.0, 100.0, 9))}


def between_masses(masses: tuple[float, ...], seed: int = 1) -> dict[str, np.ndarray]:
    """Error of the estimated lowest point at each kilogram between tested masses [m], at the site, before and after."""
    world = Scenario(**WORLD | STILL | {"masses": masses, "checks": masses[1::2] if len(masses) > 3 else ()},
                     mechanics="waves")  # fmt: skip
    with TemporaryDirectory() as scratch:
        invent(Path(scratch, "campaign"), seed=seed, truth=Path(scratch, "truth.json"), **vars(world))
        campaign = read_campaign(Path(scratch, "campaign"))
        analysis = analyse(campaign)
    riders = np.arange(masses[0], masses[-1] + 0.5) - campaign.site.gear_mass.value
    curve, drops, loads = analysis.fit.chosen.curve, analysis.stiffness.drops, analysis.loads
    cord = {"slack_length": world.slack_length.value, "cord_mass": world.cord_mass.value}
    hung, there = riders + campaign.site.gear_mass.value, drop_inputs(campaign.site)
    true = world.predict(scale=1.0, mass=hung, **cord, **there).lowest_point
    found = {}
    for name, waves in (("left in", loads.loads_only()), ("taken off", loads)):
        stiffness = drop_stiffness(curve, drops, rig=campaign.rig, waves=waves.rig)
        forecast = forecast_drop(stiffness, site=campaign.site, masses=riders, waves=waves.site, draws=1_000)
        found[name] = forecast.estimate("lowest_point") - true
    return found


def limits(analysis: Analysis) -> dict[str, np.ndarray]:
    """Limits at `RIDERS`, rated or not."""
    forecast = analysis.forecast
    return {name: np.interp(RIDERS, forecast.masses, forecast.limit(name)) for name in QUANTITIES}


def main(campaigns: int = 4) -> None:
    np.set_printoptions(precision=3, suppress=True, linewidth=120)
    for spaced, masses in SPACED.items():
        for name, off in between_masses(masses).items():
            span, rms = f"{off.min():+.3f} to {off.max():+.3f} m", np.sqrt(np.mean(off**2))
            print(
                f"{spaced}, waves' part of the stiffness {name}: lowest point off by {span}, rms {rms:.3f} m",
                flush=True,
            )
    print("stretch ratio                 ", RATIOS)
    for mechanics in ("waves", "uniform"):
        world = Scenario(**WORLD, mechanics=mechanics)
        truth = next_drops(world)
        beyond, over = [], []
        for seed in range(campaigns):
            with TemporaryDirectory() as scratch:
                invent(Path(scratch, "campaign"), seed=seed, truth=Path(scratch, "truth.json"), **vars(world))
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

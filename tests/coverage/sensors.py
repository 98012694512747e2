"""Sensors and rigs that are wrong without malice: what is rated? `python -m tests.coverage sensors [worlds]`.

Campaigns of 4 cords with 5 masses, with and without stretch waves in turn (`tests/rigs.py`, which shares no code with
cordlab); each is written once as it is and once for each circumstance. Printed for each: the heavy end, or what stopped
or refused it, and the true chance that the next cord breaks the least clearance at the heavy end that would be rated if
nothing were stopped (0.01 is promised), and that it breaks the greatest g at the light end.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
from scipy.interpolate import PchipInterpolator

from cordlab import Analysis, CampaignError, read_campaign
from tests.rigs import Circumstance, RecordedWorld, happen, on_cord, recorded_world, site_height, write
from tests.sound_records import AFTER, STEP, G, Trace, trace
from tests.worlds import FIVE, crossed

REACH, GEAR, CLEARANCE, RIDER_AIR = (2.2, 0.1), (3.0, 0.3), 4.0, 0.6 * 0.5
LIGHT = 50.0  # mass of the rider at which the greatest g of the site is reached by the mean cord [kg]
DRAWS = 20_000


def compressed(share: float) -> Callable[[float], Circumstance]:
    """A distance sensor that grows by a share of the truth beyond 0.85 of the deepest drop."""

    def of(deepest: float) -> Circumstance:
        knee = 0.85 * deepest
        return Circumstance(depth=lambda depth: np.minimum(depth, knee) + share * np.maximum(depth - knee, 0.0))

    return of


def aside(by: float) -> Callable[[float], Circumstance]:
    """A laser on the ground, 6 m below the deepest drop, that far aside: it reads the slant range."""

    def of(deepest: float) -> Circumstance:
        height = deepest + 6.0
        return Circumstance(depth=lambda depth: np.hypot(height, by) - np.hypot(height - depth, by))

    return of


def scaled(factor: float) -> Callable[[float], Circumstance]:
    return lambda deepest: Circumstance(depth=lambda depth: factor * depth)


def fixed(**changes) -> Callable[[float], Circumstance]:
    return lambda deepest: Circumstance(**changes)


CIRCUMSTANCES: dict[str, Callable[[float], Circumstance]] = {
    "sound, with a distance": fixed(),
    "sound, distance and tape": fixed(noted=True),
    "sound, load alone": fixed(distance=False, noted=True),
    "distance grows by 30 % near the bottom": compressed(0.30),
    "distance grows by 85 % near the bottom": compressed(0.85),
    "laser 5 m aside": aside(5.0),
    "laser 3 m aside": aside(3.0),
    "distance scale 0.98": scaled(0.98),
    "distance scale 0.97": scaled(0.97),
    "distance scale 0.96": scaled(0.96),
    "distance datum -0.3 m": fixed(depth=lambda depth: depth - 0.3),
    "release stated 1 m too high, load alone": fixed(
        distance=False, noted=True, toml=(('release_depth = "0.00(2) m"', 'release_depth = "-1.00(2) m"'),)
    ),
    "release stated 1 m too high, distance": fixed(
        toml=(('release_depth = "0.00(2) m"', 'release_depth = "-1.00(2) m"'),)
    ),
    "compliance 3e-4 m/N stated, none true": fixed(toml=(('compliance = "0.0 m/N"', 'compliance = "0.00030(3) m/N"'),)),
    "2 kg of gear noted and not hung": fixed(mass=2.0),
    "tape 2 % short, distance right": fixed(noted=True, tape=0.98),
    "load cell gain 0.96": fixed(gain=0.96),
    "tape 0.2 m short, load alone": fixed(distance=False, noted=True, tape_off=-0.2),
    "tape 0.2 m short, stated as 0.00(20) m": fixed(
        distance=False,
        noted=True,
        tape_off=-0.2,
        toml=(('load_cell_at = "top"', 'load_cell_at = "top"\nlowest_point_error = "0.00(20) m"'),),
    ),
}


@dataclass(frozen=True)
class Truth:
    """What the next cord of a world does at its site."""

    world: RecordedWorld

    @cached_property
    def greatest_g(self) -> float:
        """What the site allows: it ends the range near `LIGHT`."""
        return round(greatest_g(self.drop(LIGHT + GEAR[0], 1.0)), 2)

    def drop(self, mass: float, scale: float) -> Trace:
        return trace(on_cord(self.world.cord, mass, scale, RIDER_AIR))

    def chances(self, lightest: float, heaviest: float) -> tuple[float, float]:
        """That the next drop breaks the least clearance at the heavy end, and the greatest g at the light end."""
        rng = np.random.default_rng(1)
        sd = np.hypot(self.world.cord_sd, self.world.drop_sd)
        logs, gear = sd * rng.normal(size=DRAWS), GEAR[0] + GEAR[1] * rng.normal(size=DRAWS)
        nodes = sd * np.linspace(-4, 4, 7)
        lowest = PchipInterpolator(nodes, [self.drop(heaviest + GEAR[0], np.exp(x)).lowest for x in nodes])
        per_kilogram = self.drop(heaviest + GEAR[0] + 1, 1.0).lowest - self.drop(heaviest + GEAR[0], 1.0).lowest
        deep = lowest(logs) + per_kilogram * (gear - GEAR[0]) + REACH[0] + REACH[1] * rng.normal(size=DRAWS)
        clearance = site_height(self.world) + 0.1 * rng.normal(size=DRAWS) - deep
        g = PchipInterpolator(nodes, [greatest_g(self.drop(lightest + GEAR[0], np.exp(x))) for x in nodes])
        return float(np.mean(clearance < CLEARANCE)), float(np.mean(g(logs) > self.greatest_g))


def greatest_g(happened: Trace) -> float:
    """Load at the cord's lower end over the weight, from the acceleration of the mass over 4 ms."""
    every = round(0.004 / STEP)
    depth = happened.depth[-round(AFTER / STEP) :: every]
    return 1.0 - float(np.diff(depth, 2).min()) / (0.004**2 * G)


def judged(folder: Path) -> tuple[str, tuple[float, float] | None]:
    """What is said, and the range if nothing were stopped."""
    try:
        analysis = Analysis(read_campaign(folder))
        stops = [finding for finding in analysis.findings if finding.stops]
        with patch("cordlab.batch.findings.STOPS", frozenset()):
            ends = analysis.rating.ends
    except CampaignError as error:
        return f"refused: {error.problems[0][:150]}", None
    if not stops:
        return ("not rated" if ends is None else f"RATED to {ends[1]:.1f} kg"), ends
    against = re.sub(r" \(as if[^)]*\)", "", stops[0].text.partition("it speaks against ")[2])
    said = f"stopped: {', '.join(dict.fromkeys(finding.kind for finding in stops))}"
    return (f"{said}; against {against}" if against else said), ends


def main(worlds: int = 4) -> None:
    print("| world | circumstance | outcome | if nothing were stopped: rated | chance clearance | chance g |")
    print("|---|---|---|---|---|---|")
    for number in range(worlds):
        rng = np.random.default_rng(100 + number)
        world = recorded_world(rng, crossed(4, FIVE, rng, warming=2.0), waves=number % 2 == 0)
        happen([world])
        truth = Truth(world)
        greatest = ("greatest_g = 3.5", f"greatest_g = {truth.greatest_g}")
        deepest, kind = max(happened.lowest for happened in world.truth), "waves" if world.cord.waves else "uniform"
        for name, circumstance in CIRCUMSTANCES.items():
            with TemporaryDirectory() as scratch:
                wrong = circumstance(deepest)
                wrong = replace(wrong, toml=(*wrong.toml, greatest))
                campaign = write(Path(scratch, "c"), world, np.random.default_rng(number), wrong)
                said, ends = judged(campaign)
            cells = ["–", "–", "–"]
            if ends is not None:
                chances = truth.chances(*ends)
                cells = [f"{ends[0]:.1f} to {ends[1]:.1f} kg", *(f"{chance:.3f}" for chance in chances)]
            print(f"| {number} {kind} | {name} | {said} | {' | '.join(cells)} |", flush=True)

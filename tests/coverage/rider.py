"""Do limits from dead weights hold for riders who turn over? `python -m tests.coverage rider [campaigns]`.

Each campaign drops dead weights on 4 to 6 invented cords with stretch waves, with records (`tests/rigs.py`), and says
at the site that a rider's centre of mass falls 2.0(3) m further than the cord's end. Its limits for the next drop of
another cord are held against riders of `tests/turning_rider.py`, which shares no code with cordlab: bodies that hang
straight before the slack ends, and stiff bodies that tip off the platform and turn freely: when the slack ends they
have still to turn, and the cord turns them over during the stretch; or they have turned past hanging and spin on. The
swing of both is in no limit. Everything of the site is drawn anew for each: gear, drag, air, release, further fall.

Printed, at the lightest rider, in the middle and at the heaviest whose estimate was tested: the share of next drops
within the 99 % limit of lowest point, g and greatest load, its mean over campaigns with its standard error, and how far
the mean is from the estimate; and the share within the limits that a campaign states which calls its riders dead
weights ("0 m"). In how many campaigns a finding stops the rating is said; their limits count all the same.
"""

from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
import pandas as pd

from cordlab import Analysis, read_campaign
from cordlab.limits.forecast import Forecast, forecast_drop
from cordlab.units import Measured
from tests.coverage._engine import heads, mean, row
from tests.rigs import Circumstance, RecordedWorld, happen, on_cord, recorded_world, write
from tests.sound_records import G, TrueDrop
from tests.turning_rider import Rider, at_end_of_slack, turn_over
from tests.worlds import FIVE, crossed

DROPS = 100  # next drops at a mass, of each kind
FALL = (2.0, 0.3)
TIPPED = (np.radians(10.0), np.radians(90.0))  # angles at which bodies let go
SAYS = Circumstance(toml=(('centre_of_mass_fall = "0 m"', f'centre_of_mass_fall = "{FALL[0]}(3) m"'),))
QUANTITIES = ("lowest_point", "g", "peak_load")
KINDS = {  # by how much the body has still to turn when the slack ends [degrees]
    "hangs straight": None,
    "0 to 60° to turn": (0.0, 60.0),
    "60 to 180° to turn": (60.0, 180.0),
    "past hanging, spinning": (-180.0, 0.0),
}


def next_rider(cord: TrueDrop, mass: float, angles: tuple[float, float] | None, rng: np.random.Generator) -> Rider:
    """One as the site says, at such an angle when the slack ends."""

    def above_0(value: float, u: float) -> float:
        return next(draw for draw in rng.normal(value, u, 100) if draw > 0)

    while True:
        rider = Rider(
            mass=mass,
            gear=rng.normal(3.0, 0.3),
            arm=above_0(*FALL) / 2,
            air=above_0(0.5, 0.2) * above_0(1.2, 0.1) / 2,
            tipped=None if angles is None else rng.uniform(*TIPPED),
            limp=rng.uniform(0.05, 0.3),
            release=rng.normal(0.0, 0.03),
        )
        if angles is None or angles[0] <= np.degrees(at_end_of_slack(rider, cord)[2]) < angles[1]:
            return rider


def next_riders(
    world: RecordedWorld, mass: float, angles: tuple[float, float] | None, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """What happens to riders of this mass on other cords of the batch."""
    seen, cord = [], on_cord(world.cord, mass)
    for _ in range(DROPS):
        rider = next_rider(cord, mass, angles, rng)
        scale = np.exp(rng.normal(0, world.cord_sd) + rng.normal(0, world.drop_sd))
        turned = turn_over(rider, cord, scale)
        seen.append((turned.lowest, turned.lower_load / ((mass + rider.gear) * G), turned.tie_load))
    return dict(zip(QUANTITIES, np.array(seen).T, strict=True))


def as_dead_weights(analysis: Analysis, forecast: Forecast) -> Forecast:
    """The forecast of a campaign that calls its riders dead weights."""
    site = replace(analysis.campaign.site, centre_of_mass_fall=Measured(0.0))
    waves = analysis.loads.site if analysis.loads else None
    return forecast_drop(analysis.stiffness, site=site, masses=forecast.masses, waves=waves, seed=1, draws=16_000)


def judged(world: RecordedWorld, analysis: Analysis, rng: np.random.Generator) -> list[dict[str, object]]:
    """A row a rider mass, kind of turning over and quantity."""
    forecast = analysis.forecast
    still = as_dead_weights(analysis, forecast)
    tested = forecast.estimate("stretch_ratio") <= analysis.stiffness.drops.stretch_ratio.max()
    last = int(np.flatnonzero(tested)[-1])
    rows = []
    for place, k in {"lightest": 0, "middle": last // 2, "heaviest": last}.items():
        mass = float(forecast.masses[k])
        for kind, angles in KINDS.items():
            truth = next_riders(world, mass, angles, rng)
            for name in QUANTITIES:
                off = truth[name].mean() - forecast.estimate(name)[k]
                rows.append(
                    {
                        "rider": place,
                        "when the slack ends": kind,
                        "quantity": name,
                        "held": np.mean(truth[name] <= forecast.limit(name)[k]),
                        "as dead weights": np.mean(truth[name] <= still.limit(name)[k]),
                        "off": off if name == "lowest_point" else off / forecast.estimate(name)[k],
                        "kg": mass,
                    }
                )
    return rows


def main(campaigns: int = 8, seed: int = 1) -> None:
    rows, stopped = [], []
    for number in range(campaigns):
        rng = np.random.default_rng([seed, number])
        world = recorded_world(rng, crossed(int(rng.integers(4, 7)), FIVE, rng), waves=True)
        happen([world])
        with TemporaryDirectory() as scratch, patch("cordlab.analysis.SHAPES", 40):
            analysis = Analysis(read_campaign(write(Path(scratch, "campaign"), world, rng, SAYS)))
            if analysis.forecast is None:
                print(f"campaign {number} has no limits: {'; '.join(analysis.rating.reasons)}", flush=True)
                continue
            stopped.append(any(finding.stops for finding in analysis.findings))
        rows += judged(world, analysis, rng)
        print(f"campaign {number} is judged", flush=True)
    print(f"stopped by a finding: {sum(stopped)} of {len(stopped)}; {DROPS} next drops a cell and campaign")
    by = ["rider", "when the slack ends", "quantity"]
    heads(*by, "kg", "within the 99 % limit", "mean less estimate", "within limits that call them dead weights")
    for (place, kind, name), cell in pd.DataFrame(rows).groupby(by, sort=False):
        off = f"{cell['off'].mean():+.2f} m" if name == "lowest_point" else f"{100 * cell['off'].mean():+.1f} %"
        held, dead = mean(cell["held"].tolist()), mean(cell["as dead weights"].tolist())
        row(place, kind, name, f"{cell['kg'].mean():.0f}", held, off, dead)

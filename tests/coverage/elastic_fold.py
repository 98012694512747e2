"""Records and campaigns of cords that stretch while they fall: `python -m tests.coverage elastic_fold [campaigns]`.

The drops are of `tests/elastic_fold.py`, a chain in the plane that shares no code with cordlab. First 72 records: six
masses, arms of the fold 0.1, 0.3 and 0.6 m apart, released at the tie point or 2.5 m below it, cell at the top or the
bottom of the cord; each is reduced with its distance and by its load alone.

Then campaigns, as many of each kind: 4 cords that differ by 2 %, five masses, arms of 0.3 m. Printed are the shares of
true next drops of other cords, elastic too, within the 99 % limits of g and load at a light, a middle and a heavy
rider, of those campaigns that a finding does not stop; 0.98 is asked for. A site that releases 2.5 m deeper is a
finding of its own, which is settled here.
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.signal import butter, sosfiltfilt

from cordlab import Analysis, CampaignError, read_campaign
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.campaign_drops import reduce_entry
from cordlab.records.reduce import RecordError
from cordlab.statistics.groups import EvidenceError
from tests.coverage._engine import heads, row
from tests.elastic_fold import KEPT, ElasticDrop, G, fold_trace
from tests.rigs import elastic_world, write
from tests.sound_records import FORM
from tests.worlds import FIVE, crossed

MASSES = (36.0, 48.0, 60.0, 72.0, 86.0, 100.0)
ARMS, RELEASES, CELLS = (0.1, 0.3, 0.6), (0.0, 2.5), ("top", "bottom")


def records(
    set_ups: Iterable[tuple[float, float, str]] = tuple(product(ARMS, RELEASES, CELLS)),
    masses: Sequence[float] = MASSES,
) -> tuple[dict[bool, list[tuple[float, float]]], dict[bool, Counter]]:
    """Load alone or not → error and stated u of each lowest point taken [m], and what was said how often.

    set_ups : arms and depth of the release [m], and where the cell is
    """
    taken, said = {False: [], True: []}, {False: Counter(), True: Counter()}
    for number, (arms, release, cell) in enumerate(set_ups):
        rng = np.random.default_rng([31, number])
        plan = [(0, mass, k, 15.0, "fit") for k, mass in enumerate(masses)]
        cord = ElasticDrop(masses[-1], arms=arms, release=release)
        world, circumstance = elastic_world(cord, plan, rng, cell=cell, cord_sd=0.0, drop_sd=0.0)
        with TemporaryDirectory() as scratch:
            campaign = read_campaign(write(Path(scratch, "c"), world, rng, circumstance))
            calibrations = calibrate_campaign(campaign)
            for entry, true, alone in (
                (entry, true, alone)
                for entry, true in zip(campaign.drops, world.truth, strict=True)
                for alone in (False, True)
            ):
                try:
                    drop = reduce_entry(campaign, entry, calibrations, load_alone=alone)
                except RecordError as error:
                    said[alone][f"refused: {_kind(str(error))}"] += 1
                    continue
                taken[alone].append((drop.lowest_point - true.lowest, drop.u_lowest_point))
                for note in drop.notes:
                    if not re.search(FORM, note):
                        said[alone][f"noted: {_kind(note)}"] += 1
    return taken, said


RIDERS, GEAR, RIDER_AIR, SD = (33.0, 65.0, 97.0), 3.0, 0.3, 0.02
KINDS = {  # cell, depth of the site's release, whether there is a distance sensor
    "cell at the top": ("top", 0.0, True),
    "cell at the bottom": ("bottom", 0.0, True),
    "cell at the top, site 2.5 m deeper": ("top", 2.5, True),
    "cell at the bottom, site 2.5 m deeper": ("bottom", 2.5, True),
    "cell at the top, load and tape": ("top", 0.0, False),
}


@cache
def true_loads(release: float) -> tuple[np.ndarray, np.ndarray]:
    """g and tie load [N] through CFC 60 of the next cords at the site.  (n_riders, n)"""
    nodes, sections = SD * np.linspace(-3.5, 3.5, 5), butter(2, 2.0775 * 60, fs=1 / KEPT, output="sos")
    logs = np.random.default_rng(4).normal(0.0, np.hypot(SD, 0.004), 20_000)
    cord, g, load = ElasticDrop(0.0, release=release, air=RIDER_AIR), [], []
    for rider in RIDERS:
        drops = [fold_trace(replace(cord, mass=rider + GEAR).scaled(np.exp(log)), duration=6.0) for log in nodes]
        for values, peaks in (
            (g, [sosfiltfilt(sections, drop.lower_load).max() / (rider + GEAR) / G for drop in drops]),
            (load, [sosfiltfilt(sections, drop.tie_load).max() for drop in drops]),
        ):
            values.append(PchipInterpolator(nodes, peaks)(logs))
    return np.array(g), np.array(load)


def campaign_limits(kind: tuple[str, float, bool], rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray] | str:
    """The limits of g and load of one campaign at `RIDERS`, or what stopped it."""
    cell, release, distance = kind
    world, sound = elastic_world(ElasticDrop(100.0), crossed(4, FIVE, rng), rng, cell=cell, cord_sd=SD)
    world = replace(world, logger=replace(world.logger, rate=500.0))
    there = 'release_depth = "0.00(3) m"', f'release_depth = "{release:.2f}(3) m"'
    toml = (*sound.toml, there, ("greatest_g = 3.5", "greatest_g = 4.5"))
    with TemporaryDirectory() as scratch, patch("cordlab.analysis.SHAPES", 40):
        folder = write(Path(scratch, "c"), world, rng, replace(sound, toml=toml, distance=distance, noted=not distance))
        analysis = Analysis(read_campaign(folder))
        try:
            stops = [one.kind for one in analysis.findings if one.stops and one.kind != "release depth"]
            if stops:
                return f"stopped: {', '.join(stops)}"
            forecast = analysis._need("_forecast")
        except (CampaignError, EvidenceError) as error:
            return f"refused: {error}"
    g, load = (np.interp(RIDERS, forecast.masses, forecast.limit(name)) for name in ("g", "peak_load"))
    return g, load


def campaigns_of(kind: str, number: int) -> None:
    """A row of the table: of the campaigns of a kind that are not stopped, the mean share of true drops within."""
    held, why = [], []
    for seed in range(number):
        limits = campaign_limits(KINDS[kind], np.random.default_rng([7, seed]))
        if isinstance(limits, str):
            why.append(limits)
            continue
        truth = true_loads(KINDS[kind][1])
        held.append([(values <= limit[:, None]).mean(axis=1) for values, limit in zip(truth, limits, strict=True)])
    cells = ["–"] * 2
    if held:
        g, load = np.array(held).transpose(1, 0, 2)
        cells = [" ".join(f"{share:.3f}" for share in of.mean(axis=0)) for of in (g, load)]
        cells = [f"{cell}, least {of.min():.3f}" for cell, of in zip(cells, (g, load), strict=True)]
    row(kind, f"{len(held)} of {number}", *cells, "; ".join(dict.fromkeys(why)) or "–")


def _kind(message: str) -> str:
    """A message without its numbers and names."""
    return re.sub(r"[-+]?\d[\d.,]*", "#", message.partition("): ")[2] or message)[:90]


def main(campaigns: int = 2) -> None:
    taken, said = records()
    heads(
        "72 records", "taken", "mean error of the lowest point [m]", "greatest", "greatest u", "within u", "within 2 u"
    )
    for alone, name in ((False, "with a distance"), (True, "load alone")):
        off, u = np.array(taken[alone]).reshape(-1, 2).T
        if not off.size:
            row(name, 0, *"–––––")
            continue
        within = (f"{np.sum(abs(off) <= k * u)} of {off.size}" for k in (1, 2))
        row(name, off.size, f"{off.mean():+.2f}", f"{off[abs(off).argmax()]:+.2f}", f"{u.max():.2f}", *within)
    for alone, name in ((False, "with a distance"), (True, "load alone")):
        for message, count in said[alone].most_common():
            print(f"{count} {name}, {message}")
    if campaigns:
        heads("campaigns", "not stopped", "g within its limit at 33, 65, 97 kg", "load within its limit", "stopped by")
    for kind in KINDS if campaigns else ():
        campaigns_of(kind, campaigns)

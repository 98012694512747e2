"""Records and campaigns of cords that stretch while they fall: `python -m tests.coverage elastic_fold [campaigns]`.

The drops are of `tests/elastic_fold.py`, a chain in the plane that shares no code with cordlab. First 72 records: six
masses, arms of the fold 0.1, 0.3 and 0.6 m apart, released at the tie point or 2.5 m below it, cell at the top or the
bottom of the cord; each is reduced with its distance and by its load alone.
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from cordlab import read_campaign
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.reduce import RecordError, reduce_entry
from tests.coverage._engine import heads, row
from tests.elastic_fold import ElasticDrop
from tests.rigs import elastic_world, write
from tests.sound_records import FORM

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


def _kind(message: str) -> str:
    """A message without its numbers and names."""
    return re.sub(r"[-+]?\d[\d.,]*", "#", message.partition("): ")[2] or message)[:90]


def main(campaigns: int = 10) -> None:
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

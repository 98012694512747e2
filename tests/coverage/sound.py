"""How many sound records are refused or noted, and how many faulty ones are found: `python -m tests.coverage sound`.

The records are of tests/sound_records.py, whose physics and sensors share no code with the reduction: 200 to 5,000
samples a second, mains hum, drift, converter steps, sensors calibrated from 0 on. As argument the number of records.
Each is reduced with its distance and by its load alone; light cords, of which the load shows no release, are counted
apart then. Of the faults each is planted in a third of the records.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from cordlab.campaign.campaign import Campaign, read_campaign
from cordlab.records.calibration import calibrate_campaign
from cordlab.units import Measured
from tests.sound_records import LIGHT, Trace, TrueDrop, outcome, random_logger, sound_drops, traces, write_campaign


def noted(**factors: float) -> Callable[[Campaign], Campaign]:
    """Masses, slack lengths or cord masses noted wrongly, by a factor."""

    def change(campaign: Campaign) -> Campaign:
        def times(value: Measured, factor: float) -> Measured:
            return Measured(value.value * factor, value.u)

        drops = tuple(replace(drop, mass=times(drop.mass, factors.get("mass", 1.0))) for drop in campaign.drops)
        cords = tuple(
            replace(
                cord,
                slack_length=times(cord.slack_length, factors.get("slack_length", 1.0)),
                mass=times(cord.mass, factors.get("cord_mass", 1.0)),
            )
            for cord in campaign.cords
        )
        return replace(campaign, drops=drops, cords=cords)

    return change


def greatest(traces: list[Trace], share: float, channel: str) -> dict[str, float]:
    """A calibration that ends at a share of the least of the greatest values of a campaign."""
    values = [trace.load.max() if channel == "force" else trace.lowest for trace in traces]
    return {channel: share * min(values)}


# name → changes of what was noted, of the logger, first and last reference of the calibrations
FAULTS: dict[str, dict] = {
    "mass noted 15 % too great": {"noted": noted(mass=1.15)},
    "mass noted 13 % too small": {"noted": noted(mass=0.87)},
    "slack length noted 8 % too long": {"noted": noted(slack_length=1.08)},
    "cord mass noted 40 % too great": {"noted": noted(cord_mass=1.4)},
    "clock 5 % slow": {"logger": {"clock": 1.05}},
    "cell reads 12 % too little": {"logger": {"gain": 0.88}},
    "force calibrated to 95 % of the peak": {"last": (0.95, "force")},
    "force calibrated from 120 N on": {"first": {"force": 120.0}},
    "distance calibrated to 97 % of the lowest point": {"last": (0.97, "distance")},
    "distance calibrated from 3 m on": {"first": {"distance": 3.0}},
}


def judged(
    drops: list[TrueDrop], true: list[Trace], fault: dict, seed: int
) -> dict[tuple[bool, bool], list[tuple[str, tuple]]]:
    """(load alone, light cord) → what became of each record, and what was said of it; three drops a campaign."""
    rng = np.random.default_rng(seed)
    results: dict[tuple[bool, bool], list[tuple[str, tuple]]] = {}
    for first in range(0, len(drops), 3):
        of_cord, logger = slice(first, first + 3), replace(random_logger(rng), **fault.get("logger", {}))
        last = greatest(true[of_cord], *fault["last"]) if "last" in fault else None
        with TemporaryDirectory() as scratch:
            folder = write_campaign(
                Path(scratch), drops[of_cord], true[of_cord], logger, rng, first=fault.get("first"), last=last
            )
            campaign = fault.get("noted", lambda campaign: campaign)(read_campaign(folder))
            calibrations = calibrate_campaign(campaign)
            for drop, entry in zip(drops[of_cord], campaign.drops, strict=True):
                for alone in (False, True):
                    result = outcome(campaign, entry, calibrations, load_alone=alone)
                    results.setdefault((alone, drop.cord_mass < LIGHT), []).append(result)
    return results


def share(count: int, of: int) -> str:
    p = count / of
    return f"{100 * p:.1f} % ± {100 * np.sqrt(p * (1 - p) / of):.1f} % ({count} of {of})"


def main(number: int = 300) -> None:
    drops = sound_drops(np.random.default_rng(16), number, weight="mixed")
    true = traces(drops)
    sound = judged(drops, true, {}, 17)
    print("| sound records | nominal: refused, noted | refused | noted |\n|---|---|---|---|")
    with_distance = sound[False, False] + sound.get((False, True), [])
    rows = {"with a distance": with_distance, "load alone, release shows": sound[True, False]}
    rows |= {"load alone, light cord: no release shows": sound.get((True, True), [])}
    said = Counter[str]()
    for name, results in rows.items():
        if not results:
            continue
        counts = Counter(what for what, _ in results)
        nominal = "at most 1 %, 2 %" if name == "with a distance" else "–"
        cells = [share(counts[what], len(results)) for what in ("refused", "noted")]
        print(f"| {name} | {nominal} | {' | '.join(cells)} |", flush=True)
        said.update(f"{name}: {message.split('): ')[-1][:120]}" for _, messages in results for message in messages)
    for message, count in said.most_common():
        print(f"  {count}: {message}")
    shown = [k for k, drop in enumerate(drops) if drop.cord_mass >= LIGHT][: number // 3 // 3 * 3]
    heavy = [drops[k] for k in shown], [true[k] for k in shown]
    print("\n| fault | found, with a distance | found, load alone |\n|---|---|---|")
    for fault, changes in FAULTS.items():
        results = judged(*heavy, changes, 18)
        cells = [
            share(sum(what != "taken" for what, _ in results[alone, False]), len(results[alone, False]))
            for alone in (False, True)
        ]
        print(f"| {fault} | {' | '.join(cells)} |", flush=True)

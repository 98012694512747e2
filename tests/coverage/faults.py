"""Mistakes planted in invented campaigns, and how each is found; then how often clean campaigns raise a false alarm.

`python -m tests.coverage faults [clean campaigns]`. Everything is invented: tests/planted.py. Printed: a table of the
mistakes by world (uniform or waves, with a distance or the load alone, or without records), what cannot be found and
why, and for clean campaigns of each world how many were refused and how many warnings they raised.
"""

from collections import Counter
from pathlib import Path
from shutil import copytree
from tempfile import TemporaryDirectory

from tests.planted import FAULTS, UNSEEN, WORLDS, Fault, examine, write

COLUMNS = [*WORLDS, ("uniform", "none")]


def planted(clean: Path, fault: Fault) -> tuple[str, str]:
    """How it is found, and the first message."""
    with TemporaryDirectory() as scratch:
        folder = copytree(clean, Path(scratch, "campaign"))
        fault.plant(folder)
        verdict = examine(folder)
    return verdict.outcome, next(iter(verdict.messages), "")


def main(campaigns: int = 100) -> None:
    with TemporaryDirectory() as scratch:
        clean = {
            world: write(Path(scratch, "-".join(world)), mechanics=world[0], sensors=world[1]) for world in COLUMNS
        }
        print("| planted | " + " | ".join(", ".join(world) for world in COLUMNS) + " | first message |")
        print("|---|" + "---|" * (len(COLUMNS) + 1))
        for fault in FAULTS:
            verdicts = {world: planted(clean[world], fault) for world in COLUMNS if fault.applies(world[1])}
            cells = [verdicts[world][0] if world in verdicts else "–" for world in COLUMNS]
            first = next(iter(verdicts.values()))[1].replace("|", "/")
            print(f"| {fault.name} | {' | '.join(cells)} | {first[:160]} |", flush=True)
        print("\n| not found | why | found in |\n|---|---|---|")
        for fault in UNSEEN:
            how = [" ".join(world) for world in COLUMNS if fault.applies(world[1]) and planted(clean[world], fault)[1]]
            print(f"| {fault.name} | {fault.message} | {', '.join(how) or 'none'} |", flush=True)
    print(f"\nclean campaigns, {campaigns} of each world:")
    for world in COLUMNS:
        refused, counts = 0, Counter[int]()
        for seed in range(campaigns):
            with TemporaryDirectory() as scratch:
                verdict = examine(write(Path(scratch, "c"), mechanics=world[0], sensors=world[1], seed=100 + seed))
            refused += bool(verdict.refused)
            counts[len(verdict.warnings)] += 1
            if verdict.messages:
                print(f"  {' '.join(world)} seed {100 + seed}: {verdict.outcome}: {verdict.messages[0]}", flush=True)
        print(f"{' '.join(world)}: {refused} refused; campaigns by number of warnings: {dict(counts)}", flush=True)

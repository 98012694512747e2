"""Time and greatest memory of an analysis, by number of cords and by length of the records: both grow in proportion.

`python -m tests.benchmarks size`. Campaigns are invented: cords by 10 drops each with records at 1000 a second, the
same without drops held back, then 4 cords by 3 drops with records at 10,000 a second, of up to a million rows (the cord
swings on, then hangs). Each is read and analysed in a process of its own. Printed: processor time [s], greatest memory
beyond the imports [MiB], and the power of the size by which each grew since the size before: 1 is proportion, 2 a
square.
"""

import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from math import log
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import cordlab

CORDS, ROWS = (20, 60, 200), (85_000, 300_000, 1_000_000)
WORLD = {
    "retests": (),
    "site": {"tie_height": "60 m"},
    "criteria": {"greatest_g": 4.5},
}
TEN = tuple(float(mass) for mass in range(36, 101, 7))


def of_cords(place: Path, cords: int, **more: Any) -> Path:
    cordlab.invent(place / "campaign", seed=1, cords=cords, lot=2 * cords + 10, masses=TEN, **WORLD, **more)
    return place / "campaign"


def of_cords_unchecked(place: Path, cords: int) -> Path:
    """No drop is held back: each is left out in turn, those beyond a hundred in groups."""
    return of_cords(place, cords, checks=())


def of_rows(place: Path, rows: int) -> Path:
    """Records of 8.5 s at 10,000 a second; what is beyond is the last second over and over, as of a logger left on."""
    world = WORLD | {"masses": (36.0, 68.0, 100.0), "rate": 10_000.0}
    cordlab.invent(place / "campaign", seed=1, cords=4, **world)
    for path in (place / "campaign" / "records").iterdir():
        head, *lines = path.read_text().splitlines()
        last = [line.split(",", 1)[1] for line in lines[-10_000:]]
        more = (f"{k / 10_000:.4f},{last[k % len(last)]}" for k in range(len(lines), rows))
        path.write_text("\n".join([head, *lines, *more, ""]))
    return place / "campaign"


def analysed(folder: str) -> None:
    """What the process does: prints seconds and MiB of reading, then of the analysis."""
    from cordlab.analysis import analyse
    from cordlab.campaign.campaign import read_campaign

    def now() -> tuple[float, float]:
        return time.process_time(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    import pandas  # noqa: F401  the imports of the reader are not its memory

    marks = [now()]
    campaign = read_campaign(folder)
    marks.append(now())
    analysis = analyse(campaign)
    marks.append(now())
    facts = {
        "read": marks[1][0] - marks[0][0],
        "analyse": marks[2][0] - marks[1][0],
        "memory": marks[2][1] - marks[0][1],
        "rated": analysis.rating.rated,
    }
    print(json.dumps(facts))


def table(name: str, sizes: tuple[int, ...], make: Callable[[Path, int], Path]) -> None:
    print(f"{name:>10s}  {'drops':>6s}  {'read s':>14s}  {'analyse s':>14s}  {'memory MiB':>16s}")
    before: dict[str, Any] = {}
    for size in sizes:
        with TemporaryDirectory() as scratch:
            folder = make(Path(scratch), size)
            command = [sys.executable, "-m", "tests.benchmarks.size", str(folder)]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            drops = len((folder / "drops.csv").read_text().splitlines()) - 1
        facts = json.loads(done.stdout)
        cells = []
        for key in ("read", "analyse", "memory"):
            by = f"{log(facts[key] / before[key]) / log(size / before['size']):.2f}" if before else "–"
            cells.append(f"{facts[key]:8.1f} ({by:>4s})")
        print(f"{size:10d}  {drops:6d}  " + "  ".join(cells), flush=True)
        before = facts | {"size": size}


def main() -> None:
    table("cords", CORDS, of_cords)
    table("unchecked", CORDS, of_cords_unchecked)
    table("rows", ROWS, of_rows)


if __name__ == "__main__":
    analysed(sys.argv[1])

"""Does a slip of the hand widen a rating in silence? `python -m tests.coverage slips [every] [records]`.

A sound invented campaign, 4 cords with 5 masses each: lowest points alone (`tests/worlds.py`), or with `records` 1
records and lowest points too (`tests/rigs.py`). Then each single cell of its drops and cords is changed by a slip:
digits swapped, decimal moved, pounds for kilograms, feet for metres, sign lost, the cell of the row above, two rows
exchanged, a column shifted by a row. Each campaign is refused, stopped by a finding, or rated; a rating that reaches
more than 1 kg beyond the sound one at either end is a failure. every : only every so many slips. Few shapes of the
curve are drawn.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np

from cordlab import Analysis, CampaignError, read_campaign
from cordlab.records.campaign_drops import reduce_entry
from cordlab.records.reduce import Drop
from tests.rigs import Circumstance, happen, recorded_world, write
from tests.worlds import FIVE, World, crossed

Rows = list[list[str]]
COLUMNS = {"cord": 1, "mass": 2, "jumps": 4, "temperature": 5, "lowest point": 7, "record": 9}
CORD_COLUMNS = {"slack length": 1, "cord mass": 3}
MOST = 1.0  # that a slip may widen an end by [kg]


def swapped(cell: str) -> str:
    """Two neighbouring digits exchanged, the first two that differ."""
    for k in range(len(cell) - 1):
        one, other = cell[k], cell[k + 1]
        if one.isdigit() and other.isdigit() and one != other:
            return cell[:k] + other + one + cell[k + 2 :]
    return cell


def times(factor: float, cell: str) -> str:
    return f"{float(cell) * factor:.2f}"


CELL_SLIPS: dict[str, tuple[tuple[str, ...], Callable[[str], str]]] = {
    "digits swapped": (("mass", "lowest point", "jumps", "temperature"), swapped),
    "decimal moved left": (("mass", "lowest point", "temperature"), partial(times, 0.1)),
    "decimal moved right": (("mass", "lowest point", "temperature"), partial(times, 10.0)),
    "pounds as kilograms": (("mass",), partial(times, 2.20462)),
    "kilograms as pounds": (("mass",), partial(times, 0.453592)),
    "feet as metres": (("lowest point",), partial(times, 3.28084)),
    "metres as feet": (("lowest point",), partial(times, 0.3048)),
    "sign": (("lowest point", "temperature"), lambda cell: f"-{cell}"),
    "8 kg more": (("mass",), lambda cell: f"{float(cell) + 8:g}"),
    "1 m less": (("lowest point",), lambda cell: f"{float(cell) - 1:.2f}"),
}
OF_CORDS: dict[str, Callable[[str], str]] = {
    "digits swapped": swapped,
    "decimal moved left": partial(times, 0.1),
    "decimal moved right": partial(times, 10.0),
    "feet as metres, pounds as kilograms": lambda cell: times(3.28084 if float(cell) < 12.5 else 2.20462, cell),
    "1 less": lambda cell: f"{float(cell) - 1:.3f}",
    "sign": lambda cell: f"-{cell}",
}


def slips(rows: Rows) -> Iterator[tuple[str, Rows]]:
    """Every slip by name, with the rows that it leaves."""
    for number in range(1, len(rows)):
        for slip, (columns, change) in CELL_SLIPS.items():
            for column in columns:
                yield _changed(rows, number, column, slip, change(rows[number][COLUMNS[column]]))
        for column in COLUMNS if number > 1 else ():
            yield _changed(rows, number, column, "cell of the row above", rows[number - 1][COLUMNS[column]])
        for column in ("mass", "lowest point", "record") if number > 1 else ():
            exchanged = [list(row) for row in rows]
            place = COLUMNS[column]
            exchanged[number][place], exchanged[number - 1][place] = rows[number - 1][place], rows[number][place]
            yield f"{column} of rows {number - 1} and {number} exchanged", exchanged
    for column in ("mass", "lowest point", "record"):
        shifted = [list(row) for row in rows]
        for number in range(2, len(rows)):
            shifted[number][COLUMNS[column]] = rows[number - 1][COLUMNS[column]]
        yield f"{column} shifted by a row", shifted


def slips_of_cords(rows: Rows) -> Iterator[tuple[str, Rows]]:
    """The same of the table of cords."""
    for number in range(1, len(rows)):
        for slip, change in OF_CORDS.items():
            for column, place in CORD_COLUMNS.items():
                yield _changed(rows, number, column, slip, change(rows[number][place]), place)


def _changed(rows: Rows, number: int, column: str, slip: str, cell: str, place: int = -1) -> tuple[str, Rows]:
    edited, place = [list(row) for row in rows], COLUMNS[column] if place < 0 else place
    edited[number][place] = cell
    return f"{slip}: {column} of row {number}, {rows[number][place]} → {cell}", edited


def outcome(folder: Path) -> tuple[str, tuple[float, float] | None]:
    """How a campaign ends, and its range where it is rated."""
    try:
        analysis = Analysis(read_campaign(folder))
        if any(finding.stops for finding in analysis.findings):
            return "stopped by a finding", None
        ends = analysis.rating.ends
    except CampaignError:
        return "refused", None
    return ("rated", ends) if ends else ("not rated", None)


def sound_campaign(folder: Path, records: bool) -> Path:
    rng = np.random.default_rng(11)
    plan = crossed(4, FIVE, rng, warming=3.0)
    if records:
        recorded = recorded_world(rng, plan, waves=False)
        happen([recorded])
        return write(folder, recorded, rng, Circumstance(noted=True))
    world = World()
    world.drop(rng, plan)
    return world.write(folder)


def table(path: Path) -> Rows:
    return [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]


def main(every: int = 1, records: int = 0) -> None:
    reduced: dict[str, Drop] = {}

    def once(campaign, entry, calibrations, *, both=False, **options):
        """A record is reduced once for the same cells."""
        key = repr((entry, campaign.cord(entry.cord), both))
        if key not in reduced:
            reduced[key] = reduce_entry(campaign, entry, calibrations, both=both, **options)
        return reduced[key]

    few, memory = patch("cordlab.analysis.SHAPES", 8), patch("cordlab.records.campaign_drops.reduce_entry", once)
    with TemporaryDirectory() as scratch, few, memory:
        folder = sound_campaign(Path(scratch, "campaign"), bool(records))
        drops, cords = table(folder / "drops.csv"), table(folder / "cords.csv")
        ending, ends = outcome(folder)
        if ends is None:
            raise SystemExit(f"the sound campaign is {ending}")
        print(f"sound: rated {ends[0]:.1f} to {ends[1]:.1f} kg", flush=True)
        counts, failures = Counter(), 0
        tried = [("drops.csv", *slip) for slip in slips(drops)] + [
            ("cords.csv", *slip) for slip in slips_of_cords(cords)
        ]
        for file, name, rows in tried[::every]:
            if rows in (drops, cords):
                continue
            sound = (folder / file).read_text(encoding="utf-8")
            (folder / file).write_text("".join(",".join(row) + "\n" for row in rows), encoding="utf-8")
            ending, slipped = outcome(folder)
            (folder / file).write_text(sound, encoding="utf-8")
            counts[ending] += 1
            if counts.total() % 50 == 0:
                print(f"  so far {counts.total()}: {dict(counts)}", flush=True)
            if slipped is not None and (slipped[0] < ends[0] - MOST or slipped[1] > ends[1] + MOST):
                failures += 1
                print(f"  WIDENED {slipped[0]:.1f} to {slipped[1]:.1f} kg: {file}, {name}", flush=True)
        print(f"{counts.total()} slips: {dict(counts)}; widened by more than {MOST:g} kg: {failures}, asked 0")

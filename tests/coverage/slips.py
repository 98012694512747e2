"""Does a slip of the hand widen a rating in silence? `python -m tests.coverage slips [every] [records]`.

A sound invented campaign of `tests/worlds.py`, 4 cords with 5 masses each; then each single cell of its drops is
changed by a slip: digits swapped, decimal moved, pounds for kilograms, feet for metres, sign lost, the cell of the row
above, two rows exchanged. Each campaign is refused, stopped by a finding, or rated; a rating that reaches more than 1
kg beyond the sound one at either end is a failure and is printed. every : only every so many slips.
records : 1 for drops with records.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from cordlab import Analysis, CampaignError, read_campaign
from tests.worlds import FIVE, World, crossed

Rows = list[list[str]]
COLUMNS = {"cord": 1, "mass": 2, "jumps": 4, "temperature": 5, "lowest point": 7}
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


def slips(rows: Rows) -> Iterator[tuple[str, Rows]]:
    """Every slip by name, with the rows that it leaves."""
    for number in range(1, len(rows)):
        for slip, (columns, change) in CELL_SLIPS.items():
            for column in columns:
                yield _changed(rows, number, column, slip, change(rows[number][COLUMNS[column]]))
        for column in COLUMNS if number > 1 else ():
            yield _changed(rows, number, column, "cell of the row above", rows[number - 1][COLUMNS[column]])
        for column in ("mass", "lowest point") if number > 1 else ():
            exchanged = [list(row) for row in rows]
            place = COLUMNS[column]
            exchanged[number][place], exchanged[number - 1][place] = rows[number - 1][place], rows[number][place]
            yield f"{column} of rows {number - 1} and {number} exchanged", exchanged
    for column in ("mass", "lowest point"):
        shifted = [list(row) for row in rows]
        for number in range(2, len(rows)):
            shifted[number][COLUMNS[column]] = rows[number - 1][COLUMNS[column]]
        yield f"{column} shifted by a row", shifted


def _changed(rows: Rows, number: int, column: str, slip: str, cell: str) -> tuple[str, Rows]:
    edited = [list(row) for row in rows]
    edited[number][COLUMNS[column]] = cell
    return f"{slip}: {column} of row {number}, {rows[number][COLUMNS[column]]} → {cell}", edited


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


def main(every: int = 1, records: int = 0) -> None:
    rng = np.random.default_rng(11)
    world = World(records=bool(records))
    world.drop(rng, crossed(4, FIVE, rng, warming=3.0))
    with TemporaryDirectory() as scratch:
        sound: Rows = []
        folder = world.write(Path(scratch, "campaign"), rng, sound.extend)
        ending, ends = outcome(folder)
        if ends is None:
            raise SystemExit(f"the sound campaign is {ending}")
        print(f"sound: rated {ends[0]:.1f} to {ends[1]:.1f} kg")
        counts, failures = Counter(), 0
        for number, (name, rows) in enumerate(slips(sound)):
            if number % every or rows == sound:
                continue
            (folder / "drops.csv").write_text("".join(",".join(row) + "\n" for row in rows), encoding="utf-8")
            ending, slipped = outcome(folder)
            counts[ending] += 1
            if slipped is not None and (slipped[0] < ends[0] - MOST or slipped[1] > ends[1] + MOST):
                failures += 1
                print(f"  WIDENED to {slipped[0]:.1f} to {slipped[1]:.1f} kg: {name}", flush=True)
        print(f"{sum(counts.values())} slips: {dict(counts)}; widened by more than {MOST:g} kg: {failures}, asked 0")

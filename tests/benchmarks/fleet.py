"""A fleet of invented campaigns on 1 and on 2 processes, by turns in one run: the ratio says what a process adds.

Start of the processes and their imports are left out, and printed beside; the least of three rounds counts.
"""

import time
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from cordlab.fleet import run_fleet
from tests.fleets import write_fleet

CAMPAIGNS, ROUNDS = 24, 3


def seconds(folders: list[Path], table: Path, workers: int) -> tuple[float, float]:
    """Of the campaigns after the first of each process, per campaign; and of everything."""
    begin, first, last = time.monotonic(), 0.0, 0.0

    def progress(done: Iterable, **_: Any) -> Iterable:
        nonlocal first, last
        for count, future in enumerate(done):
            last = time.monotonic()
            first = last if count == workers - 1 else first
            yield future

    run_fleet(folders, table, workers=workers, progress=progress)
    table.unlink()
    return (last - first) / (len(folders) - workers), time.monotonic() - begin


def main() -> None:
    with TemporaryDirectory() as scratch:
        folders, table = write_fleet(Path(scratch), CAMPAIGNS), Path(scratch, "fleet.csv")
        found = {1: list[tuple[float, float]](), 2: list[tuple[float, float]]()}
        for _ in range(ROUNDS):
            for workers, each in found.items():
                each.append(seconds(folders, table, workers))
        least = {workers: min(each) for workers, each in found.items()}
        for workers, (one, whole) in least.items():
            print(f"{workers} processes: {one:.2f} s a campaign, {whole:.1f} s with start and end of the fleet")
        print(f"2 processes against 1: {least[1][0] / least[2][0]:.2f} times as many campaigns in the same time")

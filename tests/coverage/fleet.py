"""A fleet of many small campaigns on two processes, one of them killed on the way, then broken off and run again.

`python -m tests.coverage fleet [campaigns]`. The campaigns are invented (tests/fleets.py): each fifth is not rated,
each tenth cannot be read. Printed: whether every campaign is in the table once with the answer that it has to have,
whether each number is the one that a plain `analyse` gives, and what a second run did again.
"""

import os
import signal
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from cordlab.fleet import Row, outcome, read_table, run_fleet
from tests.fleets import expected, write_fleet

TOLD = {True: "rated", False: "not rated", None: "failed"}


class BrokenOff(Exception):
    pass


def killing(after: int, victims: list[int]) -> Any:
    """Kills a process of the fleet once `after` answers are there."""

    def progress(done: Iterable, **_: Any) -> Iterable:
        for count, future in enumerate(done):
            if count == after:
                victims.append(min(future.client.run(os.getpid).values()))
                os.kill(victims[-1], signal.SIGKILL)
            yield future

    return progress


def breaking_off(after: int) -> Any:
    def progress(done: Iterable, **_: Any) -> Iterable:
        for count, future in enumerate(done):
            if count == after:
                raise BrokenOff
            yield future

    return progress


def check(name: str, rows: list[Row], folders: list[Path]) -> None:
    times = Counter(row["campaign"] for row in rows)
    once = sum(times[str(folder)] == 1 for folder in folders)
    told = {row["campaign"]: TOLD[row["rated"]] for row in rows}
    right = sum(told.get(str(folder)) == expected(k) for k, folder in enumerate(folders))
    print(
        f"{name}: {len(rows)} rows; once in the table: {once} of {len(folders)}; as they have to be: {right}; ", end=""
    )
    print(f"{dict(Counter(told.values()))}; with problems: {sum(bool(row['problems']) for row in rows)}", flush=True)


def main(campaigns: int = 200) -> None:
    with TemporaryDirectory() as scratch:
        folders, table, victims = write_fleet(Path(scratch), campaigns), Path(scratch, "fleet.csv"), list[int]()
        found = run_fleet(folders, table, workers=2, progress=killing(campaigns // 3, victims))
        check(f"{len(victims)} of 2 processes killed after {campaigns // 3} answers", read_table(table), folders)
        first = next(row["problems"] for row in found.rows if row["problems"])
        print(f"a campaign that failed says: {first}")
        alone = [k for k in range(0, campaigns, 10) if found.rows[k] == outcome(str(folders[k]))[0]]
        print(f"rows equal to those of an analysis without a fleet: {len(alone)} of {len(range(0, campaigns, 10))}")
        again = run_fleet(folders, table, workers=2)
        print(f"run again: {again.kept} kept, {len(again.failed)} of the others had failed", flush=True)
        table.unlink()
        try:
            run_fleet(folders, table, workers=2, progress=breaking_off(campaigns // 2))
        except BrokenOff:
            done = read_table(table)
        told = sum(row["rated"] is not None for row in done)
        again = run_fleet(folders, table, workers=2)
        print(f"broken off after {len(done)} answers, {told} of them done; run again: {again.kept} kept")
        check("then", read_table(table), folders)

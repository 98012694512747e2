"""The record of one drop as a logger wrote it: read fast, and slowly only to place what is wrong."""

import io
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from cordlab.campaign.files import Folder
from cordlab.campaign.tables import ANY, Column, Table, read_header, read_rows
from cordlab.units import convert

COLUMNS = (Column("time", "s"), Column("force", ANY), Column("distance", ANY, required=False))
FEWEST_ROWS = 20  # fewer samples show no drop
MOST_PROBLEMS = 5  # of one record that are said one by one; a line too many in it makes thousands


@dataclass(frozen=True)
class Record:
    """The raw record of one drop, arrays of one length."""

    time: np.ndarray  # strictly increasing [s]
    force: np.ndarray  # readings of the sensors
    distance: np.ndarray | None  # None where the logger had no such channel


def parse_record(folder: Folder, name: str, data: bytes) -> tuple[Table, Record] | None:
    """The header and the record in `data`, in its units; None, with problems noted, where anything is wrong."""
    known = len(folder.problems)
    content = folder.decode(name, data)
    table = None if content is None else read_header(folder, name, content, COLUMNS, remarks=False)
    if content is None or table is None:
        return None
    columns = _read_fast(data, table) if len(folder.problems) == known else None
    if columns is None:
        columns = _read_slowly(table, content)
        folder.shorten(name, known, MOST_PROBLEMS)
    if len(folder.problems) > known:
        return None
    return table, Record(columns["time"], columns["force"], columns.get("distance"))


def _read_fast(data: bytes, header: Table) -> dict[str, np.ndarray] | None:
    """The columns by pandas' C reader; None where anything is wrong with them: it doesn't say where."""
    numbers = _numbers(data, header.line, header.width, header.delimiter)
    if numbers is None:
        return None
    columns = {key: numbers[place.index] for key, place in header.places.items()}
    columns["time"] = convert(columns["time"], header.places["time"].unit, "s")
    return columns if numbers.shape[1] >= FEWEST_ROWS and np.all(np.diff(columns["time"]) > 0) else None


@lru_cache(maxsize=64)  # a record is read to check it and again to reduce it
def _numbers(data: bytes, skip: int, width: int, delimiter: str) -> np.ndarray | None:
    """(width, rows), not to be written to: the numbers below the first `skip` lines; None where one is no number."""
    import pandas as pd  # over a second: only where there are records

    form = {"sep": delimiter, "decimal": "." if delimiter == "," or b"," not in data else ",", "skipinitialspace": True}
    types = dict.fromkeys(range(width), float)
    try:
        frame = pd.read_csv(
            io.BytesIO(data), header=None, skiprows=skip, dtype=types, na_filter=False, low_memory=False, **form
        )
    except ValueError:
        return None
    # without names, the first row sets the width: pandas would drop what is beyond the names without a word
    if frame.shape[1] < width or not (frame.iloc[:, width:] == "").all(axis=None):
        return None
    numbers = np.ascontiguousarray(frame.iloc[:, :width].to_numpy().T)
    numbers.flags.writeable = False
    return numbers if np.isfinite(numbers).all() else None


def _read_slowly(table: Table, content: str) -> dict[str, np.ndarray]:
    """The columns cell by cell, with each problem placed; they are of use only where there is none."""
    known = len(table.folder.problems)
    read_rows(table, content)
    if len(table.folder.problems) > known or "time" not in table.places:
        return {}
    time = np.array(table.values["time"])
    if len(time) < FEWEST_ROWS:
        table.folder.problem(table.name, f"has {len(time)} rows; a drop needs at least {FEWEST_ROWS}")
    for row in (np.flatnonzero(np.diff(time) <= 0) + 1).tolist():
        before = f"{time[row - 1]:.10g} s in row {table.lines[row - 1]}"
        table.problem(row, "time", f"{time[row]:.10g} s does not come after {before}")
    return {key: np.array(table.values[key]) for key in table.places}

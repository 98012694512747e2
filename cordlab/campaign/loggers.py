"""The record of one drop as a logger wrote it: read fast, and slowly only to place what is wrong."""

import io
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from cordlab.campaign.files import Folder
from cordlab.campaign.tables import ANY, Column, Header, read_header, read_rows
from cordlab.units import convert

COLUMNS = (Column("time", "s"), Column("force", ANY), Column("distance", ANY, required=False))
FEWEST_ROWS = 20  # fewer samples show no drop
MOST_PROBLEMS = 5  # of one record that are said one by one; a line too many in it makes thousands


@dataclass(frozen=True)
class Record:
    """The raw record of one drop, arrays of one length.

    time : strictly increasing  [s]
    force, distance : readings of the sensors; distance is None where the logger had no such channel
    """

    time: np.ndarray
    force: np.ndarray
    distance: np.ndarray | None


def parse_record(folder: Folder, name: str, data: bytes) -> tuple[Header, Record] | None:
    """The record in `data`, the bytes of the file `name`, in the units of its header; None, with problems noted."""
    known = len(folder.problems)
    content = folder.decode(name, data)
    header = None if content is None else read_header(folder, name, content, COLUMNS)
    if content is None or header is None:
        return None
    columns = _read_fast(data, header) if len(folder.problems) == known else None
    if columns is None:
        columns = _read_slowly(folder, header, content)
        folder.shorten(name, known, MOST_PROBLEMS)
    if columns is None or len(folder.problems) > known:
        return None
    return header, Record(columns["time"], columns["force"], columns.get("distance"))


def _read_fast(data: bytes, header: Header) -> dict[str, np.ndarray] | None:
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

    try:
        frame = pd.read_csv(
            io.BytesIO(data),
            sep=delimiter,
            decimal="." if delimiter == "," or b"," not in data else ",",
            header=None,
            skiprows=skip,
            skipinitialspace=True,
            dtype=dict.fromkeys(range(width), float),
            na_filter=False,
            engine="c",
            low_memory=False,
        )
    except ValueError:
        return None
    # without names, the first row sets the width: pandas would drop what is beyond the names without a word
    if frame.shape[1] < width or not (frame.iloc[:, width:] == "").all(axis=None):
        return None
    numbers = np.ascontiguousarray(frame.iloc[:, :width].to_numpy().T)
    numbers.flags.writeable = False
    return numbers if np.isfinite(numbers).all() else None


def _read_slowly(folder: Folder, header: Header, content: str) -> dict[str, np.ndarray] | None:
    """The columns cell by cell, with each problem placed; None where there is one."""
    known = len(folder.problems)
    table = read_rows(folder, header, content, COLUMNS)
    if len(folder.problems) > known or "time" not in header.places:
        return None
    time = np.array(table.values["time"])
    if len(time) < FEWEST_ROWS:
        folder.problem(header.name, f"has {len(time)} rows; a drop needs at least {FEWEST_ROWS}")
    refused = {}
    for row in (np.flatnonzero(np.diff(time) <= 0) + 1).tolist():
        before = f"{time[row - 1]:.10g} s in row {table.lines[row - 1]}"
        refused[row, "time"] = f"{time[row]:.10g} s does not come after {before}"
    table.report(refused)
    return None if len(folder.problems) > known else {key: np.array(table.values[key]) for key in header.places}

"""CSV tables as people write them, and records as loggers do, read against the columns that are wanted, every problem
with its place: a row is the line of the file, the header being line 1 (or the first line that is not blank)."""

import csv
import io
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import PureWindowsPath
from typing import Any

import numpy as np

from cordlab.campaign.files import Folder, offer
from cordlab.units import Measured, UnitError, check_unit, convert, nearest, parse_head, short

ANY = "any"  # the unit of a column that each file chooses: a sensor's reading
Row = dict[str, Any]  # what a row says by column: numbers, text, dates; None where it says nothing
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}
MOST_COLUMNS, MOST_ROWS = 200, 2000  # 200 cords with 10 drops each
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")

# Cells that are no numbers: each reader turns a cell into its value, or raises ValueError with what is wrong.


def text(cell: str, longest: int = 120, instead: str = "type the name again") -> str:
    """A name: free text of one line."""
    if not cell.isprintable():
        odd = next(letter for letter in cell if not letter.isprintable())
        raise ValueError(f"holds a character that cannot be seen (U+{ord(odd):04X}); {instead}")
    if len(cell) > longest:
        raise ValueError(f"is {len(cell)} characters long; {longest} are taken")
    return cell


def whole(cell: str) -> int:
    """A count."""
    if not re.fullmatch(r"[0-9]{1,9}", cell):
        raise ValueError(f"'{short(cell, 40)}' is not a whole number of 0 or more")
    return int(cell)


def one_of(*words: str) -> Callable[[str], str]:
    def read(cell: str) -> str:
        if cell.lower() not in words:
            raise ValueError(f"'{short(cell, 40)}' is none of {', '.join(words)}{offer(nearest(cell, words))}")
        return cell.lower()

    return read


@dataclass(frozen=True)
class Column:
    """One column that a table may have."""

    name: str
    # SI unit that numbers are converted to; "": plain numbers, ANY: that of the head is kept, None: `read` reads it
    unit: str | None = None
    read: Callable[[str], object] = text
    required: bool = True
    may_be_blank: bool = False
    above: float = -math.inf  # bounds of a number, in SI
    at_least: float = -math.inf
    uncertain: bool = False  # a second column may give `u(name)` or `U(name) k=2`; not for units with an offset

    @property
    def head(self) -> str:
        """Its head with the unit."""
        return self.name if not self.unit else f"{self.name} [{'unit' if self.unit == ANY else self.unit}]"

    @property
    def with_u(self) -> tuple["Column", ...]:
        """The column and, where it may have one, that of its standard uncertainty."""
        if not self.uncertain:
            return (self,)
        return self, Column(f"u({self.name})", self.unit, required=False, may_be_blank=True, at_least=0)


may_have = partial(Column, required=False, may_be_blank=True)

# Taken in every table but records beside its own columns, kept and shown, never computed with.
_line = partial(text, longest=500, instead="write one line of text")
REMARKS = (
    *(may_have(name, read=_line) for name in ("remark", "date", "time", "operator", "photo")),
    may_have("rest", "s", at_least=0),
    may_have("wind", "m/s", at_least=0),
)


@dataclass(frozen=True)
class Place:
    """Where a wanted column stands in a file: number from 0, head as written, unit ("" without), and what it is."""

    index: int
    head: str
    unit: str
    column: Column
    k: float = 1.0  # what its numbers are divided by, the coverage factor of an expanded uncertainty


@dataclass
class Table:
    """A file's header, and below it the cells by row, in SI; what is wrong with them goes to `folder`."""

    folder: Folder
    name: str
    columns: Sequence[Column]  # that are wanted
    line: int  # of the header
    width: int  # of it, in cells
    delimiter: str
    places: dict[str, Place]  # name, or u(name), of a column → where it stands
    lines: list[int] = field(default_factory=list)  # of the file, one a row
    values: dict[str, list[Any]] = field(default_factory=dict)  # by name or u(name); None where blank or refused
    refused: dict[tuple[int, str], str] = field(default_factory=dict)  # (row, key) of a cell → what is wrong
    lost: bool = False  # rows were left out because their cells could not be told apart

    def problem(self, row: int | None, key: str, what: str) -> None:
        """Notes what is wrong with a cell; with a head where `row` is None, with a row where `key` is ""."""
        where = f"{self.name}, row {self.line if row is None else self.lines[row]}"
        head = self.places[key].head if key in self.places else key
        self.folder.problem(f"{where}, column '{head}'" if key else where, what)

    def rows(self) -> Iterator[tuple[int, Row]]:
        """Number of each row, from 0, with its values by key."""
        for row in range(len(self.lines)):
            yield row, {key: column[row] for key, column in self.values.items()}

    def entries(self) -> list[Row]:
        """The values of each row by the column's name, "_" for spaces, with an uncertainty as `Measured`; then its
        remarks by head."""
        own, entries = {part.name for column in self.columns for part in column.with_u}, []
        for _, values in self.rows():
            entry: Row = {column.name.replace(" ", "_"): values[column.name] for column in self.columns}
            for name in [column.name for column in self.columns if column.uncertain]:
                if values[name] is not None:
                    entry[name.replace(" ", "_")] = Measured(values[name], values[f"u({name})"] or 0.0)
            remarks = {key: value for key, value in values.items() if key not in own and value is not None}
            entry["remarks"] = {self.places[key].column.head: value for key, value in remarks.items()}
            entries.append(entry)
        return entries

    def has_all(self, key: str) -> bool:
        """Whether every row was read and has a value in this column, so that a name not in it is not there."""
        return not self.lost and None not in self.values[key]

    def check_names(self, key: str) -> None:
        """Notes each name of a column that is there twice."""
        first: dict[str, int] = {}
        for row, name in enumerate(self.values[key]):
            if name is not None and first.setdefault(name, row) != row:
                self.problem(row, key, f"'{name}' is in row {self.lines[first[name]]} too")

    def check_rising(self, key: str, hint: str) -> None:
        """Notes the first number of a column that is not above the one before it."""
        values = self.values[key]
        for row in np.flatnonzero(np.diff(values) <= 0)[:1] + 1:
            self.problem(row, key, f"{values[row]:g} is not above the {values[row - 1]:g} before it; {hint}")

    def file(self, row: int, key: str, inner: str, *, ending: str = "", otherwise: str) -> str | None:
        """The file of the folder `inner` that a cell names, without its `ending`; None, with a problem, for another."""
        name, path = self.values[key][row], f"{inner}/{self.values[key][row]}{ending}"
        if PureWindowsPath(name).name != name or name == "..":
            without = f", without {ending}" if ending else ""
            self.problem(row, key, f"'{name}' is a path; write the name of a file in {inner}/{without}")
        elif not self.folder.has(path):
            near = nearest(name, [file.removesuffix(ending) for file in self.folder.names(inner)])
            self.problem(row, key, f"there is no file {path}{offer(near, otherwise)}")
        else:
            return path
        return None


def read_table(folder: Folder, name: str, columns: Sequence[Column], *, may_be_empty: bool = False) -> Table | None:
    """The table in the file `name`; None where there is no header. Problems go to `folder`."""
    content, known = folder.read_text(name), len(folder.problems)
    if content is not None and (rows := content.count("\n")) > MOST_ROWS:
        folder.problem(name, f"has {rows} rows; at most {MOST_ROWS} are read: make a campaign of each batch of cords")
        return None
    table = None if content is None else read_header(folder, name, content, columns)
    if content is None or table is None:
        return None
    read_rows(table, content, may_be_empty)
    folder.shorten(name, known)
    return table


def read_header(
    folder: Folder, name: str, content: str, columns: Sequence[Column], *, remarks: bool = True
) -> Table | None:
    """The header of a table with those of its columns that can be used; None where cells cannot be told apart."""
    lines = ((line, row) for line, row in enumerate(io.StringIO(content), start=1) if row.strip(" ,;\t\r\n"))
    line, first = next(lines, (0, ""))
    if not first:
        wanted = ", ".join(column.head for column in columns if column not in REMARKS)
        folder.problem(name, f"is empty; write a header: {wanted}")
        return None
    where = f"{name}, row {line}"
    delimiters = [mark for mark in DELIMITERS if mark in re.sub(r'"[^"]*"', "", first)] or [","]
    if len(delimiters) > 1:
        separators = " and ".join(DELIMITERS[mark] for mark in delimiters)
        folder.problem(where, f"{separators} both separate cells; use one of them in the whole file")
        return None
    heads = [cell.strip() for cell in next(csv.reader([first], delimiter=delimiters[0], skipinitialspace=True))]
    while heads and not heads[-1]:
        heads.pop()
    if len(heads) > MOST_COLUMNS:
        folder.problem(where, f"has {len(heads)} columns; at most {MOST_COLUMNS} are read")
        return None
    wanted_by_name = {column.name: column for column in REMARKS} if remarks else {}
    wanted_by_name |= {part.name: part for column in columns for part in column.with_u}
    places = _match(folder, where, heads, wanted_by_name)
    return Table(folder, name, columns, line, len(heads), delimiters[0], places) if places else None


def _match(folder: Folder, where: str, heads: list[str], wanted: dict[str, Column]) -> dict[str, Place]:
    """The columns wanted, by their heads; a problem for each missing, unknown, doubled or of a wrong unit."""
    places: dict[str, Place] = {}
    seen: dict[str, str] = {}  # name of a column → its head as written
    unknown = []
    for index, head in enumerate(heads):
        here = f"{where}, column '{short(head, 40)}'" if head else f"{where}, column {index + 1}"
        try:
            key, unit, k = parse_head(head)
            if key in ("", "u()"):
                folder.problem(here, "has no name; name it or remove it")
            elif key not in wanted:
                unknown.append((here, head))
            elif key in seen:
                folder.problem(here, f"says the same as column '{seen[key]}'; keep one")
            else:
                seen[key], column = head, wanted[key]
                if unit is None and column.unit:
                    raise UnitError(f"has no unit; write for example '{column.head}'")
                if unit is not None and column.unit is None:
                    raise UnitError(f"takes no unit; write '{column.head}'")
                check_unit(unit or "", (unit if column.unit == ANY else column.unit) or "")
                places[key] = Place(index, head, unit or "", column, k)
        except UnitError as error:
            folder.problem(here, str(error))
    missing = [column.head for name, column in wanted.items() if column.required and name not in seen]
    free = [column.head for name, column in wanted.items() if name not in seen]
    slips = [(here, nearest(head, free)) for here, head in unknown]
    if len(unknown) == len(heads) and not any(near for _, near in slips):
        header = ", ".join(missing)
        folder.problem(where, f"is no header, which is the first line: {header}; remove what stands above it")
        return {}
    for here, near in slips:
        folder.problem(here, f"is not a known column{offer(near, '; remove it')}")
    for head in missing:
        if head not in [near for _, near in slips]:  # one slip, one message
            folder.problem(where, f"there is no column '{head}'; add it")
    return places


def read_rows(table: Table, content: str, may_be_empty: bool = False) -> None:
    """Fills a table from the `content` of its file. Problems go to its folder, sorted by row."""
    folder, known, refused = table.folder, len(table.folder.problems), table.refused
    table.lines, rows = _cells(table, content)
    table.lost = len(folder.problems) > known
    if not rows and not table.lost and not may_be_empty:
        folder.problem(table.name, "has no rows below its header")
    marks: dict[str, str] = {}  # decimal mark → where it is first; a comma is none where commas separate the cells
    numeric = [place.index for place in table.places.values() if place.column.unit is not None]
    for line, row in zip(table.lines, rows, strict=True) if table.delimiter != "," else ():
        for cell in (row[index] for index in numeric):
            for mark in {",", "."} & {*cell}:
                marks.setdefault(mark, f"'{short(cell, 40)}' in row {line}")
    if len(marks) == 2:
        folder.problem(table.name, f"has decimal commas ({marks[',']}) and points ({marks['.']}); use one of them")
    decimal_mark = "," if list(marks) == [","] else "."
    keys = [*(part.name for column in table.columns for part in column.with_u), *table.places]
    table.values = {key: [None] * len(rows) for key in keys}
    for number, row in enumerate(rows):
        for key, place in table.places.items():
            try:
                table.values[key][number] = _value(row[place.index], place, decimal_mark)
            except ValueError as error:
                refused[number, key] = str(error)
    _check_uncertainties(table)
    for number, key in sorted(refused, key=lambda cell: (cell[0], table.places[cell[1]].index)):
        table.problem(number, key, refused[number, key])


def _check_uncertainties(table: Table) -> None:
    """Refuses an uncertainty without its value, none beside a value, and one as large as a value that is above 0."""
    for column in table.columns:
        name, u_name = column.name, f"u({column.name})"
        if not column.uncertain or not {name, u_name} <= table.places.keys():
            continue
        for row, (value, u) in enumerate(zip(table.values[name], table.values[u_name], strict=True)):
            what = ""
            if value is not None and u is None:
                what = f"is blank, but there is a {name}; write its uncertainty, or 0 where it is exact"
            elif value is None and u is not None:
                what = f"is the uncertainty of a {name} that is not given"
            elif value is not None and u >= value and column.above >= 0:
                what = f"is not less than the {name} itself"
            if what and not table.refused.keys() & {(row, name), (row, u_name)}:
                table.refused[row, u_name] = what


def _cells(table: Table, content: str) -> tuple[list[int], list[list[str]]]:
    """Lines and stripped cells of the rows below the header, blank ones left out, all as wide as the header."""
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=table.delimiter, skipinitialspace=True)
    lines, rows, line, wanted, mark = [], [], 1, table.width, table.delimiter
    try:
        for raw in reader:
            row, what = [cell.strip() for cell in raw], ""
            if line > table.line and reader.line_num > line:
                what = "a cell runs on over the end of the line; close its quote"
            elif line > table.line and any(row) and (len(row) < wanted or any(row[wanted:])):
                width = max(number for number, cell in enumerate(row, start=1) if cell)  # up to the last filled one
                others = [other for other in DELIMITERS if other != mark and any(other in cell for cell in row)]
                what = f"has {width} cells, but the header has {wanted}"
                if others and width < wanted:
                    what += f"; is this row separated by {DELIMITERS[others[0]]}, the header by {DELIMITERS[mark]}?"
                elif mark == "," and width > wanted:
                    what += "; is there a decimal comma?"
            elif line > table.line and any(row):
                lines.append(line)
                rows.append(row[:wanted])
            if what:
                table.folder.problem(f"{table.name}, row {line}", what)
            line = reader.line_num + 1
    except csv.Error as error:
        table.folder.problem(f"{table.name}, row {line}", f"cannot be read as cells ({error}); look for an open quote")
    return lines, rows


def _value(cell: str, place: Place, mark: str) -> object:
    """The value of a cell, a number in SI; None of one that may be blank. Raises ValueError with what is wrong."""
    column = place.column
    if not cell:
        if column.may_be_blank:
            return None
        raise ValueError("is blank; every row needs a value here")
    if column.unit is None:
        return column.read(cell)
    plain = cell.replace(",", ".") if mark == "," and cell.count(",") == 1 and "." not in cell else cell
    if not _NUMBER.fullmatch(plain) or not math.isfinite(float(plain)):
        hint = "write the value, or leave out the whole row"
        if "," in cell:
            sign = "comma" if mark == "," else "point"
            hint = f"the decimal mark of this file is a {sign}, and thousands are not parted"
        raise ValueError(f"'{short(cell, 40)}' is not a number; {hint}")
    unit = place.unit if column.unit == ANY else column.unit
    value = convert(float(plain), place.unit, unit) / place.k
    check_bounds(cell, value, unit, above=column.above, at_least=column.at_least)
    return value


def check_bounds(
    written: object, value: float, unit: str, *, above: float = -math.inf, at_least: float = -math.inf
) -> None:
    """Raises ValueError where a value in SI is out of bounds; `written` is what the file says."""
    for wrong, words, bound in ((value <= above, "not above", above), (value < at_least, "less than", at_least)):
        if wrong:
            raise ValueError(f"{written} is {words} {bound:g}" + (f" {unit}" if bound and unit else ""))


# Records: read fast, and slowly only to place what is wrong.

RECORD = (Column("time", "s"), Column("force", ANY), Column("distance", ANY, required=False))
FEWEST_ROWS = 20  # fewer samples show no drop
FEW_PROBLEMS = 5  # of one record that are said one by one; a line too many in it makes thousands


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
    table = None if content is None else read_header(folder, name, content, RECORD, remarks=False)
    if content is None or table is None:
        return None
    columns = _read_fast(data, table) if len(folder.problems) == known else None
    if columns is None:
        columns = _read_slowly(table, content)
        folder.shorten(name, known, FEW_PROBLEMS)
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

"""CSV tables as people and loggers write them, read against the columns that are wanted, every problem with its place.

A row number is the line of the file, the header being line 1 (or the first line that is not blank).
"""

import csv
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from cordlab.campaign.files import Folder, nearest, offer
from cordlab.units import UnitError, check_unit, convert, parse_head, short

ANY = "any"  # the unit of a column that each file chooses: a sensor's reading
MOST_LISTED = 20  # cells of one column that are listed one by one; a wrong column in a long record has a million


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
    """One column that a table may have.

    unit : SI unit that its numbers are converted to ("": a plain number, whose head needs none), ANY where the unit of
        the head is kept, None where `read` reads it
    above, at_least : bounds of a number, in SI
    uncertain : a second column `u(name)` may give standard uncertainties
    """

    name: str
    unit: str | None = None
    read: Callable[[str], Any] = text
    required: bool = True
    may_be_blank: bool = False
    above: float = -math.inf
    at_least: float = -math.inf
    uncertain: bool = False

    @property
    def specimen(self) -> str:
        """Its head, as a message writes it."""
        return self.name if not self.unit else f"{self.name} [{'unit' if self.unit == ANY else self.unit}]"


@dataclass(frozen=True)
class Place:
    """Where a wanted column stands in a file: its number from 0, its head as written, and its unit ("" without)."""

    index: int
    head: str
    unit: str
    column: Column


@dataclass(frozen=True)
class Header:
    """The header of a table, with those of its columns that can be used.

    line : line of the file; width : number of cells; places : name, or u(name), of a column → where it stands
    """

    name: str
    line: int
    width: int
    delimiter: str
    places: dict[str, Place]

    def where(self, line: int, key: str) -> str:
        head = self.places[key].head if key in self.places else key
        return f"{self.name}, row {line}, column '{head}'"


@dataclass(frozen=True)
class Table:
    """The cells of a file, converted.

    lines : line of the file for each row
    values : name, or u(name), of a column → one value a row; None where the cell is blank or was refused
    refused : (row, key) of the cells that were refused
    lost : whether rows were left out because their cells could not be told apart
    """

    header: Header
    lines: list[int]
    values: dict[str, list[Any]]
    refused: set[tuple[int, str]]
    lost: bool

    def where(self, row: int, key: str) -> str:
        return self.header.where(self.lines[row], key)

    def rows(self) -> Iterator[tuple[int, dict[str, Any]]]:
        """Number of each row, from 0, with its values by key."""
        for row in range(len(self.lines)):
            yield row, {key: column[row] for key, column in self.values.items()}

    def has_all(self, key: str) -> bool:
        """Whether every row was read and has a value in this column, so that a name not in it is not there."""
        return not self.lost and None not in self.values[key]


def read_table(folder: Folder, name: str, columns: tuple[Column, ...], *, may_be_empty: bool = False) -> Table | None:
    """The table in the file `name`; None where there is no header. Problems go to `folder`."""
    content = folder.read_text(name)
    if content is None or (header := read_header(folder, name, content, columns)) is None:
        return None
    return read_rows(folder, header, content, columns, may_be_empty)


def read_rows(
    folder: Folder, header: Header, content: str, columns: tuple[Column, ...], may_be_empty: bool = False
) -> Table:
    """The rows below `header` in `content`, the text of its file. Problems go to `folder`, sorted by row."""
    known = len(folder.problems)
    lines, rows = _cells(folder, header, content)
    lost = len(folder.problems) > known
    if not rows and not lost and not may_be_empty:
        folder.problem(header.name, "has no rows below its header")
    refusals: list[tuple[int, int, str]] = []  # line, column, what is wrong
    refused = set()
    values: dict[str, list[Any]] = {column.name: [None] * len(rows) for column in columns}
    mark = _decimal_mark(folder, header, lines, rows)
    for key, place in header.places.items():
        cells = [row[place.index] for row in rows]
        values[key], wrong = _read_cells(cells, place, is_u=key != place.column.name, mark=mark)
        refused |= {(row, key) for row in wrong}
        refusals += [(lines[row], place.index, what) for row, what in wrong.items()]
    for key, place in header.places.items():
        if key != place.column.name and place.column.name in header.places:
            wrong = _unpaired(rows, header, place.column.name)
            kept = wrong.keys() - {row for row, name in refused if name == place.column.name}
            refusals += [(lines[row], place.index, wrong[row]) for row in kept]
    report(folder, header, refusals)
    return Table(header, lines, values, refused, lost)


def read_header(folder: Folder, name: str, content: str, columns: tuple[Column, ...]) -> Header | None:
    """The header of a table with those of its columns that can be used; None where cells cannot be told apart."""
    blank = re.match(r"[ ,;\t\r\n]*", content)
    start = content.rfind("\n", 0, blank.end()) + 1 if blank else 0
    first, line = content[start:].split("\n", 1)[0], content.count("\n", 0, start) + 1
    if not first.strip(" ,;\t\r"):
        folder.problem(name, f"is empty; write a header: {', '.join(column.specimen for column in columns)}")
        return None
    bare = re.sub(r'"[^"]*"', "", first)
    delimiters = [mark for mark in ",;\t" if mark in bare]
    if len(delimiters) > 1:
        spoken = " and ".join(_SPOKEN[mark] for mark in delimiters)
        folder.problem(f"{name}, row {line}", f"{spoken} both separate cells; use one of them in the whole file")
        return None
    delimiter = delimiters[0] if delimiters else ","
    heads = [cell.strip() for cell in next(csv.reader([first], delimiter=delimiter, skipinitialspace=True))]
    while heads and not heads[-1]:
        heads.pop()
    return Header(name, line, len(heads), delimiter, _match(folder, f"{name}, row {line}", heads, columns))


_SPOKEN = {",": "commas", ";": "semicolons", "\t": "tabs"}


def column_heads(columns: Iterable[Column]) -> dict[str, str]:
    """Name, and u(name) where there may be one, of each column → its head with its unit."""
    heads = {}
    for column in columns:
        heads[column.name] = column.specimen
        if column.uncertain:
            heads[f"u({column.name})"] = f"u({column.name}) [{column.unit}]"
    return heads


def _match(folder: Folder, where: str, heads: list[str], columns: tuple[Column, ...]) -> dict[str, Place]:
    """The columns wanted, by their heads; a problem for each missing, unknown, doubled or of a wrong unit."""
    wanted = {key: (column, head) for column in columns for key, head in column_heads([column]).items()}
    places: dict[str, Place] = {}
    seen, unknown = set(), []
    for index, written in enumerate(heads):
        here = f"{where}, column '{short(written, 40)}'" if written else f"{where}, column {index + 1}"
        try:
            key, unit = parse_head(written)
            if key in ("", "u()"):
                folder.problem(here, "has no name; name it or remove it")
            elif key not in wanted:
                unknown.append((here, written))
            elif key in seen:
                folder.problem(here, f"is a second column '{key}'; keep one")
            else:
                seen.add(key)
                column, specimen = wanted[key]
                places[key] = Place(index, written, _unit_of(unit, column, specimen), column)
        except UnitError as error:
            folder.problem(here, str(error))
    missing = {column.name: column.specimen for column in columns if column.required and column.name not in seen}
    for here, written in unknown:
        near = nearest(written, [specimen for key, (_, specimen) in wanted.items() if key not in seen])
        folder.problem(here, f"is not a known column{offer(near, '; remove it')}")
        missing = {name: specimen for name, specimen in missing.items() if specimen != near}  # one slip, one message
    for specimen in missing.values():
        folder.problem(where, f"there is no column '{specimen}'; add it")
    return places


def _unit_of(unit: str | None, column: Column, specimen: str) -> str:
    if unit is None:
        if column.unit:
            raise UnitError(f"has no unit; write for example '{specimen}'")
        return ""
    if column.unit is None:
        raise UnitError(f"takes no unit; write '{specimen}'")
    check_unit(unit, unit if column.unit == ANY else column.unit)
    return unit


def _cells(folder: Folder, header: Header, content: str) -> tuple[list[int], list[list[str]]]:
    """Lines and stripped cells of the rows below the header, blank ones left out, all as wide as the header."""
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=header.delimiter, skipinitialspace=True)
    lines, rows = [], []
    before = 0
    try:
        for raw in reader:
            line, before = before + 1, reader.line_num
            if line <= header.line:
                continue
            if reader.line_num > line:
                folder.problem(f"{header.name}, row {line}", "a cell runs on over the end of the line; close its quote")
                continue
            row = [cell.strip() for cell in raw]
            if any(row) and (len(row) < header.width or any(row[header.width :])):
                folder.problem(f"{header.name}, row {line}", _count(row, header))
            elif any(row):
                lines.append(line)
                rows.append(row[: header.width])
    except csv.Error as error:
        folder.problem(f"{header.name}, row {before + 1}", f"cannot be read as cells ({error}); look for an open quote")
    return lines, rows


def _count(row: list[str], header: Header) -> str:
    """What is wrong with a row that is not as wide as its header."""
    width = max(number for number, cell in enumerate(row, start=1) if cell)  # empty cells at the end don't count
    other = [mark for mark in ",;\t" if mark != header.delimiter and any(mark in cell for cell in row)]
    if other and width < header.width:
        hint = f"; is this row separated by {_SPOKEN[other[0]]}, the header by {_SPOKEN[header.delimiter]}?"
    else:
        hint = "; is there a decimal comma?" if header.delimiter == "," and width > header.width else ""
    return f"has {width} cells, but the header has {header.width}{hint}"


_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")


def _decimal_mark(folder: Folder, header: Header, lines: list[int], rows: list[list[str]]) -> str:
    """The decimal mark of the file: a comma is one only where semicolons or tabs separate the cells."""
    if header.delimiter == ",":
        return "."
    numeric = [place for place in header.places.values() if place.column.unit is not None]
    seen: dict[str, str] = {}
    for line, row in zip(lines, rows, strict=True):
        for place in numeric:
            for mark in ",.":
                if mark in row[place.index]:
                    seen.setdefault(mark, f"'{short(row[place.index], 40)}' in row {line}")
        if len(seen) == 2:
            folder.problem(header.name, f"has decimal commas ({seen[',']}) and points ({seen['.']}); use one of them")
            break
    return "," if "," in seen and len(seen) == 1 else "."


def _read_cells(cells: list[str], place: Place, *, is_u: bool, mark: str) -> tuple[list[Any], dict[int, str]]:
    """The values of one column, and what is wrong with the cells that were refused, by row."""
    column = place.column
    values: list[Any] = [None] * len(cells)
    wrong: dict[int, str] = {}
    for row, cell in enumerate(cells):
        try:
            if cell:
                values[row] = _number(cell, mark) if column.unit is not None else column.read(cell)
            elif not column.may_be_blank and not is_u:
                raise ValueError("is blank; every row needs a value here")
        except ValueError as error:
            wrong[row] = str(error)
    if column.unit is None:
        return values, wrong
    unit = place.unit if column.unit == ANY else column.unit
    numbers = np.array([math.nan if value is None else value for value in values])
    converted = convert(numbers, place.unit, unit)
    if is_u:
        converted = converted - convert(0.0, place.unit, unit)
    for row, value in enumerate(converted.tolist()):
        if values[row] is not None:
            problem = _out_of_bounds(value, unit, 0.0 if is_u else column.at_least, -math.inf if is_u else column.above)
            if problem:
                wrong[row] = f"{cells[row]} {problem}"
            values[row] = None if problem else value
    return values, wrong


def _number(cell: str, mark: str) -> float:
    plain = cell.replace(",", ".") if mark == "," and cell.count(",") == 1 and "." not in cell else cell
    if _NUMBER.fullmatch(plain):
        value = float(plain)
        if math.isfinite(value):
            return value
    if "," in cell:
        hint = f"the decimal mark of this file is a {'comma' if mark == ',' else 'point'}, and thousands are not parted"
    else:
        hint = "write the value, or leave out the whole row"
    raise ValueError(f"'{short(cell, 40)}' is not a number; {hint}")


def _out_of_bounds(value: float, unit: str, at_least: float, above: float) -> str:
    if value <= above:
        return f"is not above {above:g}" + (f" {unit}" if above and unit else "")
    if value < at_least:
        return f"is less than {at_least:g}" + (f" {unit}" if at_least and unit else "")
    return ""


def _unpaired(rows: list[list[str]], header: Header, name: str) -> dict[int, str]:
    """Rows with a value and no uncertainty, or an uncertainty and no value."""
    of, u_of = header.places[name].index, header.places[f"u({name})"].index
    wrong = {}
    for row, cells in enumerate(rows):
        if cells[of] and not cells[u_of]:
            wrong[row] = f"is blank, but there is a {name}; write its standard uncertainty, or 0 where it is exact"
        elif cells[u_of] and not cells[of]:
            wrong[row] = f"is the uncertainty of a {name} that is not given"
    return wrong


def report(
    folder: Folder, header: Header, refusals: list[tuple[int, int, str]], rest: str = "cells are refused"
) -> None:
    """Notes refused cells, (line, number of the column, what is wrong); beyond `MOST_LISTED` of a column as `rest`."""
    heads = {place.index: key for key, place in header.places.items()}
    listed: dict[int, int] = {}
    for line, index, what in sorted(refusals):
        listed[index] = listed.get(index, 0) + 1
        if listed[index] <= MOST_LISTED:
            folder.problem(header.where(line, heads[index]), what)
    for index, count in listed.items():
        if count > MOST_LISTED:
            where = f"{header.name}, column '{header.places[heads[index]].head}'"
            folder.problem(where, f"{count - MOST_LISTED} more {rest}")


def check_names(folder: Folder, table: Table, key: str) -> None:
    """Notes each name of a column that is there twice."""
    first: dict[str, int] = {}
    for number, row in table.rows():
        if row[key] is not None and first.setdefault(row[key], number) != number:
            folder.problem(table.where(number, key), f"'{row[key]}' is in row {table.lines[first[row[key]]]} too")

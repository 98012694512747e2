"""CSV as people and loggers write it: spellings that give the same answer, and files that are refused."""

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from cordlab.campaign import Campaign, CampaignError, read_campaign
from cordlab.folder import Folder
from cordlab.records import parse_record
from tests.small_campaign import edit, edit_bytes, problems, write_small_campaign

RECORD = "records/A1-36.csv"


@pytest.fixture
def folder(tmp_path) -> Path:
    return write_small_campaign(tmp_path / "campaign")


def content(campaign: Campaign) -> tuple:
    """Everything that was read, without what depends on the folder, the bytes and the lines."""
    drops = tuple(dataclasses.replace(drop, line=0) for drop in campaign.drops)
    tables = [
        (table.channel, *(np.asarray(getattr(table, name)).tolist() for name in ("run", "reference", "reading")))
        for table in campaign.calibration.values()
    ]
    records = [[array.tolist() for array in vars(campaign.read_record(drop)).values()] for drop in campaign.drops]
    return campaign.rig, campaign.site, campaign.criteria, campaign.cords, drops, campaign.breaks, tables, records


def everywhere(change):
    """Applies a change of text to every CSV file."""

    def apply(folder: Path) -> None:
        for path in folder.rglob("*.csv"):
            path.write_bytes(change(path.read_bytes().decode()).encode())

    return apply


def reorder(text: str) -> str:
    return "".join(",".join(line.split(",")[::-1]) + "\n" for line in text.splitlines())


def quote(text: str) -> str:
    return "".join(", ".join(f'"{cell}" ' for cell in line.split(",")) + "\n" for line in text.splitlines())


def decimal_commas(mark: str):
    return lambda text: text.replace(",", mark).replace(".", ",").replace(",csv", ".csv")


SPELLINGS = {
    "byte order mark": everywhere(lambda text: "\ufeff" + text),
    "CRLF": everywhere(lambda text: text.replace("\n", "\r\n")),
    "CRLF in the settings": lambda folder: edit_bytes(folder, "campaign.toml", lambda b: b.replace(b"\n", b"\r\n")),
    "byte order mark in the settings": lambda folder: edit_bytes(
        folder, "campaign.toml", lambda b: b"\xef\xbb\xbf" + b
    ),
    "no line end at the end": everywhere(lambda text: text.rstrip("\n")),
    "quotes and spaces round cells": everywhere(quote),
    "spaces round cells": everywhere(lambda text: text.replace(",", " , ")),
    "blank lines": everywhere(lambda text: "\n" + text.replace("\n", "\n\n  \n")),
    "rows of empty cells": everywhere(lambda text: text + "," * (text.split("\n")[0].count(",")) + "\n"),
    "empty cells at the end of each row": everywhere(lambda text: text.replace("\n", ",,\n")),
    "semicolons and decimal commas": everywhere(decimal_commas(";")),
    "tabs and decimal commas": everywhere(decimal_commas("\t")),
    "semicolons and points": everywhere(lambda text: text.replace(",", ";")),
    "tabs and points": everywhere(lambda text: text.replace(",", "\t")),
    "columns in another order": everywhere(reorder),
    "heads in capitals": everywhere(lambda text: re.sub(r"^[a-z]|\bu\(", lambda m: m[0].upper(), text, count=1)),
}


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_other_spellings_give_the_same_campaign(spelling, folder, tmp_path):
    SPELLINGS[spelling](folder)
    assert content(read_campaign(folder)) == content(read_campaign(write_small_campaign(tmp_path / "plain")))


def encoded(encoding: str):
    return lambda data: data.decode().encode(encoding)


def with_bad_byte(data: bytes) -> bytes:
    return data.replace(b"A1-36,", b"A\xb5-36,", 1)


UNREADABLE = {
    "UTF-16": (encoded("utf-16"), ": is UTF-16; save it as UTF-8"),
    "UTF-16, big end first": (lambda b: b"\xfe\xff" + encoded("utf-16-be")(b), ": is UTF-16; save it as UTF-8"),
    "UTF-16 without a mark": (
        encoded("utf-16-le"),
        ", row 1: holds a NUL byte; it is no text file, or is damaged",
    ),
    "a NUL": (
        lambda b: b.replace(b"A1-68", b"A1\0-68", 1),
        ", row 3: holds a NUL byte; it is no text file, or is damaged",
    ),
    "another code page": (with_bad_byte, ", row 2: the byte 0xb5 is not UTF-8; save the file as UTF-8"),
    "another code page after a mark": (
        lambda b: b"\xef\xbb\xbf" + with_bad_byte(b),
        ", row 2: the byte 0xb5 is not UTF-8; save the file as UTF-8",
    ),
    "bare carriage returns": (
        lambda b: b.replace(b"\n", b"\r"),
        ", row 1: has a bare carriage return; end lines with LF or CRLF",
    ),
    "nothing": (
        lambda b: b"\n \n",
        ": is empty; write a header: drop, cord, mass [kg], jumps, temperature [degC], rest [s], use, "
        "lowest point [m], record",
    ),
    "a header alone": (lambda b: b.split(b"\n")[0], ": has no rows below its header"),
    "two separators in the header": (
        lambda b: b.replace(b"drop,cord", b"drop;cord", 1),
        ", row 1: commas and semicolons both separate cells; use one of them in the whole file",
    ),
    "another separator in a row": (
        lambda b: b.replace(b"A1-68,A1,68.00,0.05,6", b"A1-68;A1;68.00;0.05;6", 1),
        ", row 3: has 6 cells, but the header has 10; is this row separated by semicolons, the header by commas?",
    ),
    "an open quote": (
        lambda b: b.replace(b"A1-68,", b'"A1-68,', 1),
        ", row 3: a cell runs on over the end of the line; close its quote",
    ),
    "a line break in a cell": (
        lambda b: b.replace(b"A1-68,", b'"A1\n-68",', 1),
        ", row 3: a cell runs on over the end of the line; close its quote",
    ),
    "decimal commas and points": (
        lambda b: b.replace(b",", b";").replace(b";68.00;", b";68,00;", 1),
        ": has decimal commas ('68,00' in row 3) and points ('36.00' in row 2); use one of them",
    ),
}


@pytest.mark.parametrize("case", UNREADABLE)
def test_what_is_no_table_is_refused(case, folder):
    change, said = UNREADABLE[case]
    edit_bytes(folder, "drops.csv", change)
    assert problems(folder)[0] == f"drops.csv{said}"


def test_the_same_for_a_record(folder):
    """The fast reader must not let pass what the careful one refuses."""
    for change, said in (
        (encoded("utf-16"), ": is UTF-16; save it as UTF-8"),
        (
            lambda b: b.replace(b"0.010,", b"0.0\x0010,", 1),
            ", row 4: holds a NUL byte; it is no text file, or is damaged",
        ),
        (
            lambda b: b.replace(b"0.010,", b'"0.010,', 1),
            ", row 4: a cell runs on over the end of the line; close its quote",
        ),
        (lambda b: b[:300], ", row 14: has 2 cells, but the header has 3"),
        (lambda b: b"\n".join(b.split(b"\n")[:19]), ": has 18 rows; a drop needs at least 20"),
        (lambda b: b.replace(b"\n", b",1\n").replace(b",1\n", b"\n", 1), ", row 2: has 4 cells, but the header has 3"),
        (
            lambda b: b.replace(b",", b";").replace(b".", b",").replace(b"0,010;", b"0.010;", 1),
            ": has decimal commas ('0,000' in row 2) and points ('0.010' in row 4); use one of them",
        ),
    ):
        good = (folder / RECORD).read_bytes()
        edit_bytes(folder, RECORD, change)
        assert problems(folder)[0].removesuffix("; is there a decimal comma?") == f"{RECORD}{said}"
        (folder / RECORD).write_bytes(good)


def test_a_wrong_column_is_listed_in_part(folder):
    edit(folder, RECORD, ("force [mV/V]", "force [V/V]"))
    edit_bytes(folder, RECORD, lambda b: re.sub(rb"\n(\d\.\d+),[-.\d]+", rb"\n\1,OVER", b))
    said = problems(folder)
    assert said[0] == (
        f"{RECORD}, row 2, column 'force [V/V]': 'OVER' is not a number; write the value, or leave out the whole row"
    )
    assert said[20] == f"{RECORD}, column 'force [V/V]': 1180 more cells are refused"
    assert len(said) == 21


def test_times_that_stand_still_are_listed_in_part(folder):
    edit_bytes(folder, RECORD, lambda b: re.sub(rb"\n\d\.\d+,", rb"\n1,", b))
    said = problems(folder)
    assert said[0] == f"{RECORD}, row 3, column 'time [s]': 1 s does not come after 1 s in row 2"
    assert said[20:] == [f"{RECORD}, column 'time [s]': 1179 more times do not come after the one before"]


def test_fast_and_careful_reading_agree():
    """The same numbers with and without a row of empty cells, which only the careful reader takes."""
    rng = np.random.default_rng(5)
    numbers = np.column_stack([np.arange(500) / 1000, rng.normal(0, 1, 500), rng.normal(0, 1e-7, 500)])
    text = "time [s],force [mV/V],distance [V]\n" + "".join(f"{t!r},{f!r},{d!r}\n" for t, f, d in numbers.tolist())
    for content in (text, text + ",,\n"):
        folder = Folder(Path())
        parsed = parse_record(folder, "record.csv", content.encode())
        assert folder.problems == []
        assert parsed is not None
        read = np.column_stack(list(vars(parsed[1]).values()))
        np.testing.assert_allclose(read, numbers, rtol=4e-16, atol=0)


def test_any_bytes_are_read_or_refused(folder):
    """Bytes changed, lost or put in at random, in each file: an answer or problems, never another error."""
    rng = np.random.default_rng(7)
    alphabet = b'\x00\xff\xfe\r\n\t",;.-+eE0123456789[]=()ux \xc2\xb1'
    refused = accepted = 0
    for name in ("campaign.toml", "cords.csv", "drops.csv", "breaks.csv", "calibration/force.csv", RECORD):
        good = (folder / name).read_bytes()
        for _ in range(15):
            data = bytearray(good)
            for _ in range(rng.integers(1, 4)):
                start = int(rng.integers(len(data)))
                span = int(rng.integers(0, 6))
                data[start : start + span] = bytes(rng.choice(list(alphabet), int(rng.integers(0, 6))).tolist())
            (folder / name).write_bytes(data)
            try:
                read_campaign(folder)
            except CampaignError as error:
                refused += all(problem.isprintable() for problem in error.problems)
            else:
                accepted += 1
        (folder / name).write_bytes(good)
    assert refused + accepted == 6 * 15
    assert refused > 45
    read_campaign(folder)

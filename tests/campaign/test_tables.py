"""CSV as people and loggers write it: records, long lists of problems, any bytes. Spellings: tests/corruptions.py."""

import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from cordlab.campaign.files import Folder
from cordlab.campaign.loggers import parse_record
from tests.coverage import fuzz
from tests.small_campaign import edit, edit_bytes, problems, write_small_campaign

RECORD = "records/A1-36.csv"


@pytest.fixture
def folder(tmp_path) -> Path:
    return write_small_campaign(tmp_path / "campaign")


def test_the_same_for_a_record(folder):
    """The fast reader must not let pass what the careful one refuses."""
    mixed = ": has decimal commas ('0,000' in row 2) and points ('0.010' in row 4); use one of them"
    for change, said in (
        (lambda b: b.decode().encode("utf-16"), ": is UTF-16; save it as UTF-8"),
        (lambda b: b.replace(b"0.010", b"\x00", 1), ", row 4: holds a NUL byte; it is no text file, or is damaged"),
        (lambda b: b.replace(b"0.010", b'"', 1), ", row 4: a cell runs on over the end of the line; close its quote"),
        (lambda b: b[:300], ", row 14: has 2 cells, but the header has 3"),
        (lambda b: b.replace(b"\n", b",1\n").replace(b",1\n", b"\n", 1), ", row 2: has 4 cells, but the header has 3"),
        (lambda b: b.replace(b",", b";").replace(b".", b",").replace(b"0,010;", b"0.010;", 1), mixed),
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


def test_any_bytes_are_read_or_refused(tmp_path):
    """Bytes changed, lost or put in at random, in each file: an answer or problems, never another error.

    `python -m tests.coverage fuzz` does the same for as long as one likes, and analyses what is still sound.
    """
    whole = fuzz.campaign(tmp_path / "campaign")
    assert fuzz.outcome(whole) == "read"
    found = Counter[str]()
    for name in fuzz.files(whole):
        for _, changed in fuzz.cases(whole, name, 8):
            found[fuzz.outcome(whole)] += 1
            assert not name.startswith("records/") or fuzz.readers_agree(changed)
    assert found["refused"] > found["read"] > 0
    assert fuzz.outcome(whole) == "read"

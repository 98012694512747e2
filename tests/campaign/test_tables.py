"""CSV as people and loggers write it: records, long lists of problems, any bytes. Spellings: tests/corruptions.py."""

import re
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cordlab.campaign.campaign import read_campaign
from cordlab.campaign.files import Folder
from cordlab.campaign.tables import parse_record
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
    assert said[5:] == [f"{RECORD}: 1195 more problems like these"]


def test_times_that_stand_still_are_listed_in_part(folder):
    edit_bytes(folder, RECORD, lambda b: re.sub(rb"\n\d\.\d+,", rb"\n1,", b))
    said = problems(folder)
    assert said[0] == f"{RECORD}, row 3, column 'time [s]': 1 s does not come after 1 s in row 2"
    assert said[5:] == [f"{RECORD}: 1194 more problems like these"]


def test_a_line_above_the_header_is_one_problem(folder):
    edit_bytes(folder, RECORD, lambda b: b"Logger 7\n" + b)
    header = "time [s], force [unit]"
    assert problems(folder) == [
        f"{RECORD}, row 1: is no header, which is the first line: {header}; remove what stands above it"
    ]


def test_a_line_of_units_below_the_header_is_a_problem_a_column(folder):
    edit_bytes(folder, RECORD, lambda b: b.replace(b"\n", b"\ns,mV/V,V\n", 1))
    said = problems(folder)
    assert len(said) == 3
    assert all(f"{RECORD}, row 2, column" in one for one in said)


def test_rows_wider_than_a_header_that_lost_a_column_are_counted(folder):
    edit_bytes(folder, RECORD, lambda b: b.replace(b",distance [V]", b"", 1))
    said = problems(folder)
    assert said[:2] == [
        f"{RECORD}, row {row}: has 3 cells, but the header has 2; is there a decimal comma?" for row in (2, 3)
    ]
    assert said[5:] == [f"{RECORD}: 1195 more problems like these"]


REMARKS = {
    "remark": "gusts, dropped again",
    "date": "2026-05-04",
    "time": "14:20",
    "operator": "A. B.",
    "photo": "7.jpg",
}


def with_columns(folder, name, **cells):
    table = pd.read_csv(folder / name, dtype=str, keep_default_na=False)
    table.assign(**{head: [cell] + [""] * (len(table) - 1) for head, cell in cells.items()}).to_csv(
        folder / name, index=False
    )


@pytest.mark.parametrize("name", ["cords.csv", "drops.csv", "breaks.csv", "calibration/force.csv"])
def test_remarks_are_taken_in_every_table_and_kept(folder, name):
    before = read_campaign(folder)
    with_columns(folder, name, **REMARKS | {"wind [km/h]": "18", "rest [min]": "5"})
    campaign = read_campaign(folder)
    assert campaign.calibration["force"].reading.tolist() == before.calibration["force"].reading.tolist()
    if name.startswith("calibration"):
        return
    of = name.removesuffix(".csv")
    first, second, *_ = getattr(campaign, of)
    own = {"remark"} if of == "breaks" else set()
    assert {key: first.remarks[key] for key in REMARKS if key not in own} == {
        key: text for key, text in REMARKS.items() if key not in own
    }
    assert first.remarks["wind [m/s]"] == pytest.approx(5.0)
    assert second.remarks == {}
    if of == "drops":
        assert (first.rest, "rest [s]" in first.remarks) == (300.0, False)  # its own column
    else:
        assert first.remarks["rest [s]"] == pytest.approx(300.0)
    assert campaign.table(of)["operator"].iloc[0] == "A. B."
    assert campaign.sha256 != before.sha256


def test_a_remark_is_one_line_and_other_columns_are_refused_with_the_nearest_name(folder):
    with_columns(folder, "drops.csv", remarks="gusts", weather="dry", wind="3", photo="a\u202eb")
    assert problems(folder) == [
        "drops.csv, row 1, column 'wind': has no unit; write for example 'wind [m/s]'",
        "drops.csv, row 1, column 'remarks': is not a known column; the nearest known is 'remark'",
        "drops.csv, row 1, column 'weather': is not a known column; remove it",
        "drops.csv, row 2, column 'photo': holds a character that cannot be seen (U+202E); write one line of text",
    ]


def test_a_table_that_nobody_wrote_is_refused_unread(folder):
    """Thousands of sound drops cost minutes to analyse; a record may have a million rows."""
    text = (folder / "drops.csv").read_text(encoding="utf-8")
    row = text.splitlines()[1]
    more = "".join(f"X{k}{row[row.index(',') : row.rindex(',') + 1]}\n" for k in range(2000))
    (folder / "drops.csv").write_text(text + more, encoding="utf-8")
    (problem,) = problems(folder)
    assert problem.startswith("drops.csv: has 2007 rows; at most 2000 are read")


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

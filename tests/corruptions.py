"""Single corruptions of the demo and what becomes of each: refused, the same answer, or not rated with a reason.

`python -m tests.coverage corruptions` prints all of them with what was found. Changes of text are in corruptions.tsv,
changes of whole files here. They are made in a copy of the demo that keeps two of its records; those that are answered
in one without records and worn drops, of one model, at 90 %: an analysis of all of it takes a minute.
"""

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from cordlab.analysis import analyse
from cordlab.campaign.campaign import Campaign, CampaignError, read_campaign
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.campaign_drops import reduce_all
from tests.conftest import ROOT

DEMO = ROOT / "data-demo" / "first-batch"
KEPT = ("D001.csv", "D002.csv")
REFUSED, RECORD, SAME, NOT_RATED = "refused", "record refused", "same", "not rated"


def demo(folder: Path) -> Path:
    """A copy of the demo with the records of its first two drops; the others count with their lowest points alone."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("results", "records"))
    (folder / "records").mkdir()
    for name in KEPT:
        shutil.copy(DEMO / "records" / name, folder / "records")
    edit_bytes("drops.csv", lambda data: re.sub(rb"D(?!001|002)\d+\.csv", b"", data))(folder)
    return folder


def light(folder: Path) -> Path:
    """The demo for a quick answer: lowest points of new cords alone, one model, 90 %."""
    demo(folder)
    shutil.rmtree(folder / "records")
    kept = lambda line: b",wear," not in line  # noqa: E731
    edit_bytes("drops.csv", lambda data: re.sub(rb"D\d+\.csv", b"", data))(folder)
    edit_bytes("drops.csv", lambda data: b"\n".join(filter(kept, data.split(b"\n"))))(folder)
    text = {b'"auto"': b'"mooney-rivlin"', b"0.99": b"0.9", b"jumps = 500\n": b""}
    for old, new in text.items():
        edit_bytes("campaign.toml", lambda data, old=old, new=new: data.replace(old, new))(folder)
    return folder


@dataclass(frozen=True)
class Corruption:
    """One change of the demo's files.

    expected : "refused", said being all problems in order; "record refused" by the reduction, said being a pattern;
        "same", the campaign that is read being the same but for names of files and hashes; "not rated", said being a
        pattern of the reason
    """

    what: str
    change: Callable[[Path], None]
    expected: str
    said: tuple[str, ...] = ()


@dataclass(frozen=True)
class Found:
    how: str
    said: tuple[str, ...] = ()


def found(folder: Path, plain: Path, expected: str) -> Found:
    """What becomes of a corrupted campaign; `plain` is the same one without the corruption."""
    try:
        campaign = read_campaign(folder)
        if expected == NOT_RATED:
            rating = analyse(campaign).rating
            return Found("rated" if rating.rated else NOT_RATED, rating.reasons)
        if expected == RECORD:
            return Found(RECORD, refused_records(campaign))
    except CampaignError as error:
        return Found(REFUSED, error.problems)
    return Found(SAME if content(campaign) == content(read_campaign(plain)) else "another campaign", campaign.notes)


def as_expected(corruption: Corruption, result: Found) -> bool:
    if result.how != corruption.expected or result.how == REFUSED:
        return result == Found(corruption.expected, corruption.said)
    return all(any(re.search(pattern, said) for said in result.said) for pattern in corruption.said)


def refused_records(campaign: Campaign) -> tuple[str, ...]:
    """What is said of each record that is refused."""
    try:
        reduce_all(campaign, calibrate_campaign(campaign))
    except CampaignError as error:
        return error.problems
    return ()


def content(campaign: Campaign) -> str:
    """Everything that was read, to the last digit, without what depends on the folder and the bytes."""
    tables = [
        (table.channel, *(np.asarray(getattr(table, name)).tolist() for name in ("run", "reference", "reading")))
        for table in campaign.calibration.values()
    ]
    records = [
        [array.tolist() for array in vars(campaign.read_record(drop)).values()]
        for drop in campaign.drops
        if drop.record
    ]
    bare = replace(campaign, folder=Path(), digests={}, sha256="", notes=(), calibration={})
    return repr((bare, tables, records))


# -- Changes -----------------------------------------------------------------------------------------------------------


def edit_bytes(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        (folder / name).write_bytes(change((folder / name).read_bytes()))

    return edit


def replaced(name: str, old: str, new: str) -> Callable[[Path], None]:
    """The first place of a text, which must be there; without one the file is new."""

    def change(folder: Path) -> None:
        if not old:
            assert not (folder / name).exists()
            (folder / name).write_bytes(new.encode())
            return
        text = (folder / name).read_bytes().decode()
        assert old in text, f"{old!r} is not in {name}"
        (folder / name).write_bytes(text.replace(old, new, 1).encode())

    return change


def everywhere(change: Callable[[str], str]) -> Callable[[Path], None]:
    """A change of the text of every CSV file."""

    def apply(folder: Path) -> None:
        for path in sorted(folder.rglob("*.csv")):
            path.write_bytes(change(path.read_bytes().decode()).encode())

    return apply


def removed(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def rows(name: str, keep: Callable[[pd.DataFrame], pd.Series]) -> Callable[[Path], None]:
    """Only those rows of a table that are to be kept."""
    return table(name, lambda cells: cells[keep(cells)])


def table(name: str, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Callable[[Path], None]:
    """A table with its cells, all of them text, changed."""

    def apply(folder: Path) -> None:
        cells = pd.read_csv(folder / name, dtype=str, keep_default_na=False)
        change(cells).to_csv(folder / name, index=False)

    return apply


def record(change: Callable[[np.ndarray], np.ndarray]) -> Callable[[Path], None]:
    """The first record with its columns (time, force, distance; rows) changed."""

    def apply(data: bytes) -> bytes:
        head, *lines = data.decode().splitlines()
        changed = change(np.array([line.split(",") for line in lines], dtype=float).T)
        return "".join(f"{line}\n" for line in [head, *(f"{t:.3f},{f:.4f},{d:.3f}" for t, f, d in changed.T)]).encode()

    return edit_bytes("records/D001.csv", apply)


def clipped(channel: int) -> Callable[[np.ndarray], np.ndarray]:
    """A channel that goes no higher than 80 % of its greatest reading."""

    def change(columns: np.ndarray) -> np.ndarray:
        columns[channel] = np.minimum(columns[channel], 0.8 * columns[channel].max())
        return columns

    return change


def turned(channel: int) -> Callable[[np.ndarray], np.ndarray]:
    """A channel with its sign flipped about what it reads at rest."""

    def change(columns: np.ndarray) -> np.ndarray:
        columns[channel] = 2 * columns[channel, :200].mean() - columns[channel]
        return columns

    return change


def exchanged(folder: Path) -> None:
    one, other = (folder / "records" / name for name in KEPT)
    first, second = one.read_bytes(), other.read_bytes()
    one.write_bytes(second)
    other.write_bytes(first)


def reorder(text: str) -> str:
    return "".join(",".join(line.split(",")[::-1]) + "\n" for line in text.splitlines())


def quote(text: str) -> str:
    return "".join(", ".join(f'"{cell}" ' for cell in line.split(",")) + "\n" for line in text.splitlines())


def decimal_commas(mark: str) -> Callable[[str], str]:
    return lambda text: text.replace(",", mark).replace(".", ",").replace(",csv", ".csv")


def upside_down(data: bytes) -> bytes:
    head, *lines = data.splitlines(keepends=True)
    return head + b"".join(lines[::-1])


def one_mass(folder: Path) -> None:
    """68 kg on three cords, with their records: lowest points alone would give no curve."""
    kept = ("D005", "D014", "D023")
    rows("drops.csv", lambda drops: drops["drop"].isin(kept))(folder)
    table("drops.csv", lambda drops: drops.assign(record=drops["drop"] + ".csv"))(folder)
    (folder / "records").mkdir()
    for name in kept:
        shutil.copy(DEMO / "records" / f"{name}.csv", folder / "records")


def deeper(drops: pd.DataFrame) -> pd.DataFrame:
    """Check drops 1.5 m deeper."""
    lowest = drops["lowest point [m]"].astype(float) + 1.5 * (drops["use"] == "check")
    return drops.assign(**{"lowest point [m]": lowest.map("{:.3f}".format)})


SPELLINGS = {
    "byte order mark in every table": everywhere(lambda text: "\ufeff" + text),
    "CRLF in every table": everywhere(lambda text: text.replace("\n", "\r\n")),
    "CRLF in campaign.toml": edit_bytes("campaign.toml", lambda data: data.replace(b"\n", b"\r\n")),
    "byte order mark in campaign.toml": edit_bytes("campaign.toml", lambda data: b"\xef\xbb\xbf" + data),
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
    "heads in capitals": everywhere(lambda text: text[:1].upper() + text[1:]),
    "drops.csv upside down": edit_bytes("drops.csv", upside_down),
    "cords.csv upside down": edit_bytes("cords.csv", upside_down),
    "calibration/force.csv upside down": edit_bytes("calibration/force.csv", upside_down),
    "sections of campaign.toml in another order": edit_bytes(
        "campaign.toml", lambda data: b"\n\n".join([(parts := data.split(b"\n\n"))[0], *parts[:0:-1]]) + b"\n"
    ),
    "a file that is not read": lambda folder: (folder / "notes.txt").write_text("x") and None,
    "a record of no drop": lambda folder: (folder / "records" / "spare.csv").write_text("x") and None,
    "results of an earlier run": lambda folder: (folder / "results").mkdir(),
}
NUL = "holds a NUL byte; it is no text file, or is damaged"
CODE_PAGE = ", row 2: the byte 0xb5 is not UTF-8; save the file as UTF-8"
HEADS = "drop, cord, mass [kg], jumps, temperature [degC], use, lowest point [m], record"
UNREADABLE = {
    "UTF-16": (lambda b: b.decode().encode("utf-16"), ": is UTF-16; save it as UTF-8"),
    "UTF-16, big end first": (lambda b: b"\xfe\xff" + b.decode().encode("utf-16-be"), ": is UTF-16; save it as UTF-8"),
    "UTF-16 without a mark": (lambda b: b.decode().encode("utf-16-le"), f", row 1: {NUL}"),
    "a NUL": (lambda b: b.replace(b"D002", b"D\x0002", 1), f", row 3: {NUL}"),
    "another code page": (lambda b: b.replace(b"D001,", b"D\xb501,", 1), CODE_PAGE),
    "another code page after a mark": (lambda b: b"\xef\xbb\xbf" + b.replace(b"D001,", b"D\xb501,", 1), CODE_PAGE),
    "bare carriage returns": (
        lambda b: b.replace(b"\n", b"\r"),
        ", row 1: has a bare carriage return; end lines with LF or CRLF",
    ),
    "nothing in it": (lambda b: b"\n \n", f": is empty; write a header: {HEADS}"),
    "a header alone": (lambda b: b.split(b"\n")[0], ": has no rows below its header"),
    "decimal commas and points": (
        lambda b: b.replace(b",", b";").replace(b";44;", b";44,0;", 1),
        ": has decimal commas ('44,0' in row 3) and points ('0.1' in row 2); use one of them",
        "drops.csv, row 3, column 'mass [kg]': '44,0' is not a number; the decimal mark of this file is a point, and "
        "thousands are not parted",
    ),
}
RECORDS = {
    "force clipped": (record(clipped(1)), "force is clipped"),
    "distance clipped": (record(clipped(2)), "distance is clipped"),
    "stops before the lowest point": (record(lambda c: c[:, c[0] < 2.8]), "stops"),
    "a gap of 0.3 s at the lowest point": (
        record(lambda c: c[:, np.abs(c[0] - c[0, c[2].argmax()]) > 0.15]),
        "gap",
    ),
    "no quiet time before release": (record(lambda c: c[:, c[0] >= 0.95]), "quiet|rest"),
    "force three times as great": (record(lambda c: c * [[1], [3], [1]]), "outside the calibrated range"),
    "force's sign flipped": (record(turned(1)), "outside the calibrated range|sign"),
    "distance's sign flipped": (record(turned(2)), "outside the calibrated range|sign"),
    "clock 30 % slow": (record(lambda c: c * [[1.3], [1], [1]]), "as long as gravity allows"),
    "only the quiet time": (record(lambda c: c[:, c[0] < 0.8]), "fall|release"),
    "exchanged with that of D002": (exchanged, "m is noted"),
}
COLUMN = "drops.csv, row 2, column"
FILES = (
    *(
        Corruption(f"{name} is missing", removed(name), REFUSED, (said,))
        for name, said in {
            "campaign.toml": "campaign.toml: there is no such file; the campaign needs it",
            "cords.csv": "cords.csv: there is no such file; the campaign needs it",
            "drops.csv": "drops.csv: there is no such file; the campaign needs it",
            "calibration/force.csv": "calibration/force.csv: there is no such file; the campaign needs it",
            "calibration/distance.csv": "calibration/distance.csv: there is no such file; the campaign needs it",
            "breaks.csv": "campaign.toml, [criteria]: 'design_breaking_load' is missing, and there is no breaks.csv",
            "records/D001.csv": f"{COLUMN} 'record': there is no file records/D001.csv; the nearest known is "
            "'D002.csv'",
        }.items()
    ),
    Corruption("the same record for two drops, by another name",
               lambda folder: shutil.copy(folder / "records" / "D001.csv", folder / "records" / "D002.csv") and None,
               REFUSED, ("drops.csv, row 3, column 'record': 'D002.csv' is the record of row 2 too; each drop has its "
                         "own",)),
    Corruption("a record cut off after 18 rows",
               edit_bytes("records/D001.csv", lambda b: b"\n".join(b.split(b"\n")[:19])), REFUSED,
               ("records/D001.csv: has 18 rows; a drop needs at least 20",)),
    Corruption("a record of zero bytes", edit_bytes("records/D001.csv", lambda b: b""), REFUSED,
               ("records/D001.csv: is empty; write a header: time [s], force [unit], distance [unit]",)),
    Corruption("a record cut off within a row", edit_bytes("records/D001.csv", lambda b: b[: b.index(b"\n1.000,") + 9]),
               REFUSED, ("records/D001.csv, row 1002: has 2 cells, but the header has 3",)),
    *(
        Corruption(f"records/D001.csv: {what}", change, RECORD, (rf"^records/D001\.csv \(drop D001\): .*{said}",))
        for what, (change, said) in RECORDS.items()
    ),
    Corruption("one cord alone", rows("drops.csv", lambda drops: drops["cord"] == "C01"), NOT_RATED,
               ("only 1 cord was dropped: nothing says what another cord",)),
    Corruption("one mass alone", one_mass, NOT_RATED, ("only one mass was dropped",)),
    Corruption("check drops noted 1.5 m too deep",
               table("drops.csv", deeper),
               NOT_RATED, ("validation failed",)),
    Corruption("all cords but one left out by hand",
               lambda folder: (folder / "decisions.csv").write_text("kind,cord,reason\n" + "".join(
                   f"leave out,{cord},invented\n" for cord in ("C04", "C10", "C24", "C36", "C38"))) and None,
               NOT_RATED, ("only 1 cord was dropped: nothing says what another cord",)),
)  # fmt: skip


def _read() -> tuple[Corruption, ...]:
    lines = Path(__file__).with_name("corruptions.tsv").read_text(encoding="utf-8").splitlines()[1:]
    listed = []
    for line in lines:
        name, old, new, expected, *said = line.split("\t")
        change = replaced(name, *(text.replace("\\n", "\n") for text in (old, new)))
        listed.append(Corruption(f"{name}: {old or 'new file'} → {new or 'nothing'}", change, expected, tuple(said)))
    return tuple(listed)


CORRUPTIONS = (
    *_read(),
    *(
        Corruption(f"drops.csv: {name}", edit_bytes("drops.csv", change), REFUSED, (f"drops.csv{said[0]}", *said[1:]))
        for name, (change, *said) in UNREADABLE.items()
    ),
    *FILES,
    *(Corruption(name, change, SAME) for name, change in SPELLINGS.items()),
)

"""The jump log of cords in service, jumps.csv: one row a cord and day."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from cordlab.campaign.files import CampaignError, Folder
from cordlab.campaign.tables import Column, may_have, read_table, text, whole

LOG = "jumps.csv"


@dataclass(frozen=True)
class LogEntry:
    """One row of jumps.csv: jumps of a cord on a day, its riders [kg], and any damage seen ("" for none)."""

    cord: str
    day: date
    jumps: int
    lightest: float | None
    heaviest: float | None
    damage: str
    line: int


def _day(cell: str) -> date:
    try:
        return date.fromisoformat(cell)
    except ValueError:
        raise ValueError(f"'{cell[:40]}' is not a date; write year-month-day, such as 2024-05-31") from None


def _damage(cell: str) -> str:
    if cell.lower() in ("no", "none", "-", "ok", "0", "n"):
        raise ValueError(f"'{cell}' would be read as damage, which retires the cord; leave the cell blank for none")
    return text(cell)


COLUMNS = (
    Column("cord"),
    Column("date", read=_day),
    Column("jumps", read=whole),
    may_have("lightest rider", "kg", above=0.0),
    may_have("heaviest rider", "kg", above=0.0),
    Column("damage", read=_damage, may_be_blank=True),
)


def read_jump_log(folder: str | Path) -> tuple[LogEntry, ...]:
    """The rows of jumps.csv in a campaign folder, by date; none where there is no such file.
    Raises CampaignError with every problem as file, row, column."""
    files = Folder(Path(folder))
    if not files.has(LOG):
        return ()
    table, entries = read_table(files, LOG, COLUMNS), []
    if table is None:
        raise CampaignError(tuple(files.problems))
    for row, values in table.rows():
        cord, day, jumps, lightest, heaviest, damage = (values[column.name] for column in COLUMNS)
        entries.append(LogEntry(cord, day, jumps, lightest, heaviest, damage or "", table.lines[row]))
        if lightest is not None and heaviest is not None and heaviest < lightest:
            what = f"{heaviest:g} kg is less than the lightest, {lightest:g} kg"
            table.problem(row, "heaviest rider", what)
    files.stop()
    return tuple(sorted(entries, key=lambda entry: (entry.day, entry.line)))

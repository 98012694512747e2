"""decisions.csv: what was settled by hand, one choice a row with its reason: events marked, drops left out.

Rows are only ever added: a later row takes a choice back, and the file keeps both.
"""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cordlab.campaign.files import CampaignError, Folder, nearest, offer, replacing
from cordlab.campaign.tables import Column, Table, column_heads, one_of, read_table, text
from cordlab.units import Measured

if TYPE_CHECKING:
    from cordlab.campaign.campaign import Campaign

FILE = "decisions.csv"
BEFORE = "decisions.toml"  # held the choices up to cordlab 0.1
LEFT_OUT = "left out"  # the use of a drop that was left out by hand
MARK, LEAVE_OUT, TAKE_BACK = "mark", "leave out", "take back"
EVENTS = ("release", "slack_end", "lowest")
TIMES = {event: event.replace("_", " ") for event in EVENTS}  # event → its column
LONGEST = 500  # characters of a reason
BY_EYE = 0.01  # s, standard uncertainty of a mark that states none; our choice

COLUMNS = (
    Column("kind", read=one_of(MARK, LEAVE_OUT, TAKE_BACK)),
    Column("drop", required=False, may_be_blank=True),
    Column("cord", required=False, may_be_blank=True),
    *(Column(name, "s", required=False, may_be_blank=True, uncertain=True) for name in TIMES.values()),
    Column("reason", read=partial(text, longest=LONGEST, instead="write one line of text")),
    Column("by", required=False, may_be_blank=True),
)


@dataclass(frozen=True)
class Mark:
    """Events of one drop marked by hand, times in its record [s]; those that are None stay automatic.

    by : who decided, None where that is not known
    """

    drop: str
    reason: str
    release: Measured | None = None
    slack_end: Measured | None = None
    lowest: Measured | None = None
    by: str | None = None

    @property
    def events(self) -> dict[str, Measured]:
        """Event → its time, those that were marked, each with an uncertainty."""
        times = {event: getattr(self, event) for event in EVENTS}
        return {event: Measured(at.value, at.u or BY_EYE) for event, at in times.items() if at is not None}

    @property
    def subject(self) -> tuple[str, str, str]:
        """What the choice is about, as (kind, column, name): one choice of a subject is in force at a time."""
        return MARK, "drop", self.drop


@dataclass(frozen=True)
class LeftOut:
    """All drops of a cord, or a single drop, left out of curve and limits.

    by : who decided, None where that is not known
    """

    reason: str
    cord: str | None = None
    drop: str | None = None
    by: str | None = None

    @property
    def subject(self) -> tuple[str, str, str]:
        """What the choice is about, as (kind, column, name)."""
        return (LEAVE_OUT, "drop", str(self.drop)) if self.cord is None else (LEAVE_OUT, "cord", self.cord)


@dataclass(frozen=True)
class Decisions:
    """What is settled by hand for a campaign; false where that is nothing."""

    mark: tuple[Mark, ...] = ()
    left_out: tuple[LeftOut, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.mark or self.left_out)

    def __iter__(self) -> Iterator[Mark | LeftOut]:
        yield from self.mark
        yield from self.left_out

    def marked(self, drop: str) -> Mark | None:
        """The mark of this drop, None where it has none."""
        return next((mark for mark in self.mark if mark.drop == drop), None)

    def leaving_out(self, drop: str, cord: str) -> LeftOut | None:
        """The choice that leaves this drop out, by itself or with its cord."""
        names = ("drop", drop), ("cord", cord)
        return next((choice for choice in self.left_out if choice.subject[1:] in names), None)

    def to_dict(self) -> dict[str, list[dict[str, Any]]]:
        """For results.json; times in s."""
        return {"marks": [asdict(mark) for mark in self.mark], "left_out": [asdict(choice) for choice in self.left_out]}


NOTHING = Decisions()


def read_decisions(
    files: Folder, drops: Table | None, cords: Table | None, spans: Mapping[str, tuple[float, float]]
) -> Decisions:
    """decisions.csv of the folder, checked against the tables, without what is refused; empty where there is none.

    spans : drop → first and last time of its record [s], of the records that are sound
    """
    if files.has(BEFORE):
        files.problem(BEFORE, f"is not read any more; write its choices as rows of {FILE} and remove it: {_SPECIMEN}")
    table = _read_table(files)
    if table is None:
        return NOTHING
    in_force = _in_force(files, table)
    _check(files, table, in_force, drops, cords, spans)
    return _decisions(in_force)


_SPECIMEN = (
    "below the header 'kind,drop,cord,lowest [s],reason,by' "
    "a [[left_out]] is 'leave out,D003,,,wind caught it,A. B' "
    "and a [[mark]] is 'mark,D007,,3.42,the sensor lost its target,A. B'"
)


def _read_table(files: Folder) -> Table | None:
    return read_table(files, FILE, COLUMNS, may_be_empty=True) if files.has(FILE) else None


def _decisions(in_force: Mapping[int, Mark | LeftOut]) -> Decisions:
    choices = in_force.values()
    marks = tuple(choice for choice in choices if isinstance(choice, Mark))
    return Decisions(marks, tuple(choice for choice in choices if isinstance(choice, LeftOut)))


def _in_force(files: Folder, table: Table) -> dict[int, Mark | LeftOut]:
    """Row → its choice, of those that no later row takes back; rows that are refused are left out."""
    in_force: dict[int, Mark | LeftOut] = {}
    refused = {row for row, _ in table.refused}
    for number, row in table.rows():
        if number in refused or None in (row["kind"], row["reason"]) or not _is_whole(files, table, number, row):
            refused.add(number)
            continue
        key = "cord" if row["drop"] is None else "drop"
        about = [other for other, choice in in_force.items() if choice.subject[1:] == (key, row[key])]
        if row["kind"] == TAKE_BACK:
            for other in about:
                del in_force[other]
            if not about and not refused and not table.lost:
                near = nearest(row[key], [choice.subject[2] for choice in in_force.values()])
                what = f"nothing is settled of '{row[key]}' above{offer(near, '; remove this row')}"
                files.problem(table.where(number, key), what)
            continue
        choice = _choice(row)
        before = [other for other in about if in_force[other].subject == choice.subject]
        if before:
            what = f"'{row[key]}' is settled in row {table.lines[before[0]]} already; keep one, or take that back first"
            files.problem(table.where(number, key), what)
        else:
            in_force[number] = choice
    return in_force


def _is_whole(files: Folder, table: Table, number: int, row: Mapping[str, Any]) -> bool:
    """Whether a row says one thing; a problem for each that is too much or too little."""
    known, where = len(files.problems), partial(table.where, number)
    times = [(name, row[name]) for name in TIMES.values() if row[name] is not None]
    if (row["drop"] is None) == (row["cord"] is None):
        count = "neither; give one" if row["drop"] is None else "both; keep one"
        line = f"{FILE}, row {table.lines[number]}"
        files.problem(line, f"names {count}: a cord, all its drops with it, or a drop")
    elif row["kind"] == MARK and row["cord"] is not None:
        files.problem(where("cord"), "a mark is of one drop; name the drop instead")
    if row["kind"] == MARK and not times:
        files.problem(where("kind"), f"marks nothing; give one or more of {', '.join(TIMES.values())}")
    for name, _ in times if row["kind"] != MARK else ():
        files.problem(where(name), "only a mark has times; leave the cell blank")
    for (before, early), (after, late) in pairwise(times):
        if early >= late:
            files.problem(where(after), f"{late:g} s does not come after {before}, {early:g} s")
    return len(files.problems) == known


def _choice(row: Mapping[str, Any]) -> Mark | LeftOut:
    if row["kind"] == LEAVE_OUT:
        return LeftOut(row["reason"], row["cord"], row["drop"], row["by"])
    times = {
        event: Measured(row[name], row.get(f"u({name})") or 0.0)
        for event, name in TIMES.items()
        if row[name] is not None
    }
    mark = Mark(row["drop"], row["reason"], by=row["by"])
    return replace(mark, **times)  # type: ignore[arg-type]


def _check(
    files: Folder,
    table: Table,
    in_force: Mapping[int, Mark | LeftOut],
    drops: Table | None,
    cords: Table | None,
    spans: Mapping[str, tuple[float, float]],
) -> None:
    """The choices in force against each other and against drops.csv, cords.csv and the records."""
    by_drop = {row["drop"]: row for _, row in drops.rows()} if drops else {}
    known = {"drop": list(by_drop), "cord": [row["cord"] for _, row in cords.rows()] if cords else []}
    subjects = {choice.subject for choice in in_force.values()}
    for number, choice in in_force.items():
        _, key, name = choice.subject
        where = table.where(number, key)
        listed = drops if key == "drop" else cords
        if listed and listed.has_all(key) and name not in known[key]:
            near = nearest(name, filter(None, known[key]))
            files.problem(where, f"'{name}' is not in {key}s.csv{offer(near, '; look there')}")
        elif isinstance(choice, Mark):
            if name in by_drop and by_drop[name]["record"] is None:
                files.problem(where, f"'{name}' has no record to mark events in")
            start, end = spans.get(name, (-float("inf"), float("inf")))
            for event, at in choice.events.items():
                if not start < at.value < end:
                    outside = f"{at.value:g} s is outside the record, {start:.10g} to {end:.10g} s"
                    files.problem(table.where(number, TIMES[event]), outside)
        elif key == "drop" and name in by_drop and (LEAVE_OUT, "cord", by_drop[name]["cord"]) in subjects:
            files.problem(where, f"'{name}' is left out with its cord {by_drop[name]['cord']} already; keep one")
    fits = [row for row in by_drop.values() if row["use"] == "fit"]
    if fits and all(_decisions(in_force).leaving_out(row["drop"], row["cord"]) for row in fits):
        files.problem(FILE, "every fit drop is left out; a curve needs some")


def record_decision(folder: str | Path, decision: Mark | LeftOut) -> "Campaign":
    """Adds a choice to decisions.csv and gives the campaign with it; one about the same drop or cord is taken back.

    Raises CampaignError, with every problem, where the campaign would not be sound with it: then nothing is written.
    """
    return _add(folder, decision, taken_back="replaced by a later choice", new=(decision,))


def take_back(folder: str | Path, decision: Mark | LeftOut, *, reason: str) -> "Campaign":
    """Adds a row to decisions.csv that takes a choice back, with the reason, and gives the campaign without it.

    Raises CampaignError, and writes nothing, where there is no such choice or the reason is empty.
    """
    return _add(folder, decision, taken_back=reason, new=())


def _add(folder: str | Path, about: Mark | LeftOut, *, taken_back: str, new: tuple[Mark | LeftOut, ...]) -> "Campaign":
    """Takes back what is in force of the same kind and name, adds the new choices; written only where all is sound."""
    from cordlab.campaign.campaign import read_campaign  # which reads decisions itself

    files, later = Folder(Path(folder)), Folder(Path(folder))
    table = _read_table(files)
    in_force = list(_in_force(files, table).values()) if table else []
    rows = [row for _, row in table.rows()] if table else []
    kind, key, name = about.subject
    if about.subject in [choice.subject for choice in in_force]:
        rows.append({"kind": TAKE_BACK, key: name, "reason": taken_back})
        # of a drop that is both marked and left out, the other choice stays in force
        rows += [_row(choice) for choice in in_force if choice.subject[1:] == (key, name) and choice.subject[0] != kind]
    elif not new:
        files.problem(FILE, f"there is no choice about {key} {name} to take back")
    for written in (taken_back, *(choice.reason for choice in new)):
        try:
            text(written, longest=LONGEST)
        except ValueError as error:
            files.problem(f"{FILE}, 'reason'", str(error))
    if files.problems:
        raise CampaignError(tuple(files.problems))
    content = _written(rows + [_row(choice) for choice in new])
    campaign = read_campaign(folder, instead={FILE: content})
    _read_table(later)
    if later.digests != files.digests:
        raise CampaignError((f"{FILE}: has changed meanwhile, nothing was written; try again",))
    try:
        with replacing(Path(folder, FILE)) as part:
            part.write_bytes(content)
    except OSError as error:
        raise CampaignError((f"{FILE}: cannot be written ({error.strerror})",)) from error
    return campaign


def _row(choice: Mark | LeftOut) -> dict[str, Any]:
    """The row that says a choice."""
    kind, key, name = choice.subject
    row: dict[str, Any] = {"kind": kind, key: name, "reason": choice.reason, "by": choice.by}
    for event, at in choice.events.items() if isinstance(choice, Mark) else ():
        row |= {TIMES[event]: at.value, f"u({TIMES[event]})": at.u}
    return row


def _written(rows: list[dict[str, Any]]) -> bytes:
    """decisions.csv with these rows, times in s."""
    import pandas as pd  # over a second: only where something is written

    heads = column_heads(COLUMNS)
    frame = pd.DataFrame(rows, columns=list(heads))
    for name in TIMES.values():
        frame[f"u({name})"] = frame[f"u({name})"].fillna(BY_EYE).where(frame[name].notna())
    return frame.rename(columns=heads).to_csv(index=False, lineterminator="\n", float_format="%.10g").encode()

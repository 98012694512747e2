"""decisions.csv: what was settled by hand, one choice a row with its reason: events marked, drops left out, findings
that were looked into.

Rows are only ever added: a later row takes a choice back, and the file keeps both.
"""

import csv
import io
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import partial
from itertools import pairwise
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING

from cordlab.campaign.files import CampaignError, Folder, offer, replacing
from cordlab.campaign.tables import Column, Row, Table, may_have, one_of, read_table, text
from cordlab.units import Measured, nearest

if TYPE_CHECKING:
    from cordlab.campaign.campaign import Campaign

FILE = "decisions.csv"
BEFORE = "decisions.toml"  # held the choices up to cordlab 0.1
LEFT_OUT = "left out"  # the use of a drop that was left out by hand
MARK, LEAVE_OUT, SETTLE, TAKE_BACK = "mark", "leave out", "settle", "take back"
MEASUREMENT, CORD = "measurement", "cord"
CAUSES = {MEASUREMENT: "a fault of the measurement", CORD: "what the cord is"}  # for which something is left out
EVENTS = ("release", "slack_end", "lowest")
TIMES = {event: event.replace("_", " ") for event in EVENTS}  # event → its column
LONGEST = 500  # characters of a reason
BY_EYE = 0.01  # s, standard uncertainty of a mark that states none; our choice

COLUMNS = (
    Column("kind", read=one_of(MARK, LEAVE_OUT, SETTLE, TAKE_BACK)),
    *(may_have(name) for name in ("drop", "cord", "finding")),
    may_have("cause", read=one_of(*CAUSES)),
    *(may_have(name, "s", uncertain=True) for name in TIMES.values()),
    Column("reason", read=partial(text, longest=LONGEST, instead="write one line of text")),
    may_have("by"),
)


@dataclass(frozen=True)
class Choice:
    """A choice made by hand: events of a drop are marked; a drop, or all drops of a cord, are left out of the fit; or a
    finding is settled.

    cause : "measurement", a fault of it, or "cord", what the cord is: a cord stays in its batch, and only masses that
        are rated with and without it are the answer
    """

    reason: str
    drop: str | None = None  # the drop or the cord that it is about; a finding of all drops has neither
    cord: str | None = None
    times: Mapping[str, Measured] = field(default_factory=dict)  # marked event → time in the record [s]
    by: str | None = None  # who decided, None where that is not known
    finding: str | None = None  # its kind, where it is settled
    cause: str = CORD

    @property
    def kind(self) -> str:
        if self.finding is not None:
            return SETTLE
        return MARK if self.times else LEAVE_OUT

    @property
    def about(self) -> tuple[str, str | None]:
        """ "drop", "cord" or "finding", and its name."""
        if self.finding is not None:
            return "finding", self.finding if self.drop is None else f"{self.finding} of {self.drop}"
        return ("drop", self.drop) if self.cord is None else ("cord", self.cord)

    @property
    def events(self) -> dict[str, Measured]:
        """The times, each with an uncertainty."""
        return {event: Measured(at.value, at.u or BY_EYE) for event, at in self.times.items()}


class Decisions(tuple[Choice, ...]):
    """What is settled by hand for a campaign, marks first; false where that is nothing."""

    __slots__ = ()

    @property
    def left_out(self) -> tuple[Choice, ...]:
        return tuple(choice for choice in self if choice.kind == LEAVE_OUT)

    def settling(self, finding: str) -> tuple[Choice, ...]:
        """The choices that settle findings of this kind."""
        return tuple(choice for choice in self if choice.finding == finding)

    def marked(self, drop: str) -> Choice | None:
        """The marks of this drop, None where it has none."""
        return next((choice for choice in self if choice.kind == MARK and choice.drop == drop), None)

    def leaving_out(self, drop: str, cord: str) -> Choice | None:
        """The choice that leaves this drop out, by itself or with its cord."""
        return next((choice for choice in self.left_out if choice.about in (("drop", drop), ("cord", cord))), None)

    def to_dict(self) -> dict[str, list[dict[str, object]]]:
        """For results.json; times in s."""
        rows: dict[str, list[dict[str, object]]] = {MARK: [], LEAVE_OUT: [], SETTLE: []}
        for choice in self:
            times = dict.fromkeys(EVENTS) | {event: asdict(at) for event, at in choice.times.items()}
            of_kind = {
                MARK: times,
                LEAVE_OUT: {"cord": choice.cord, "cause": choice.cause},
                SETTLE: {"finding": choice.finding},
            }
            row = {"drop": choice.drop, "reason": choice.reason, "by": choice.by}
            rows[choice.kind].append(row | of_kind[choice.kind])
        return {"marks": rows[MARK], "left_out": rows[LEAVE_OUT], "settled": rows[SETTLE]}


NOTHING = Decisions()


def read_decisions(
    files: Folder, drops: Table | None, cords: Table | None, spans: Mapping[str, tuple[float, float]]
) -> Decisions:
    """decisions.csv of the folder, checked against the tables and the `spans` of sound records (drop → first and last
    time [s]), without what is refused; empty where there is none."""
    if files.has(BEFORE):
        specimen = (
            "below the header 'kind,drop,cord,lowest [s],reason,by' "
            "a [[left_out]] is 'leave out,D003,,,wind caught it,A. B' "
            "and a [[mark]] is 'mark,D007,,3.42,the sensor lost its target,A. B'"
        )
        files.problem(BEFORE, f"is not read any more; write its choices as rows of {FILE} and remove it: {specimen}")
    table = _read_table(files)
    if table is None:
        return NOTHING
    in_force = _in_force(table)
    decisions = Decisions(sorted(in_force.values(), key=lambda choice: choice.kind != MARK))
    by_drop = {row["drop"]: row for _, row in drops.rows()} if drops else {}
    for number, choice in in_force.items():
        key, name = ("drop", choice.drop) if choice.kind == SETTLE else choice.about
        listed, row = {"drop": drops, "cord": cords}[key], by_drop.get(name) if key == "drop" else None
        if name is None:
            continue
        if listed and listed.has_all(key) and name not in listed.values[key]:
            near = nearest(name, listed.values[key])
            table.problem(number, key, f"'{name}' is not in {key}s.csv{offer(near, '; look there')}")
        elif choice.kind == MARK:
            if row and row["record"] is None:
                table.problem(number, key, f"'{name}' has no record to mark events in")
            start, end = spans.get(name, (-inf, inf))
            for event, at in choice.times.items():
                if not start < at.value < end:
                    outside = f"{at.value:g} s is outside the record, {start:.10g} to {end:.10g} s"
                    table.problem(number, TIMES[event], outside)
        elif row and row["cord"] is not None and any(other.cord == row["cord"] for other in decisions):
            table.problem(number, key, f"'{name}' is left out with its cord {row['cord']} already; keep one")
    fits = [row for row in by_drop.values() if row["use"] == "fit"]
    if fits and all(decisions.leaving_out(row["drop"], row["cord"]) for row in fits):
        files.problem(FILE, "every fit drop is left out; a curve needs some")
    return decisions


def _read_table(files: Folder) -> Table | None:
    return read_table(files, FILE, COLUMNS, may_be_empty=True) if files.has(FILE) else None


def _in_force(table: Table) -> dict[int, Choice]:
    """Row → its choice, of those that no later row takes back; rows that are refused are left out."""
    in_force: dict[int, Choice] = {}
    refused = {row for row, _ in table.refused}
    for (number, row), entry in zip(table.rows(), table.entries(), strict=True):
        slips = [] if number in refused or None in (row["kind"], row["reason"]) else _slips(row)
        for key, what in slips:
            table.problem(number, key, what)
        if slips or number in refused or None in (row["kind"], row["reason"]):
            refused.add(number)
            continue
        times = {event: entry[event] for event in EVENTS if entry[event] is not None}
        cause = row["cause"] or CORD  # nothing said: the cord stays in the batch
        choice = Choice(row["reason"], row["drop"], row["cord"], times, row["by"], row["finding"], cause)
        key, name = choice.about
        same = [other for other in in_force if in_force[other].about == choice.about]
        before = [table.lines[other] for other in same if in_force[other].kind == choice.kind]
        if row["kind"] != TAKE_BACK and before:
            what = f"'{name}' is settled in row {before[0]} already; keep one, or take that back first"
            table.problem(number, key, what)
        elif row["kind"] != TAKE_BACK:
            in_force[number] = choice
        elif not same and not refused and not table.lost:
            near = nearest(str(name), [str(choice.about[1]) for choice in in_force.values()])
            table.problem(number, key, f"nothing is settled of '{name}' above{offer(near, '; remove this row')}")
        for other in same if row["kind"] == TAKE_BACK else ():
            del in_force[other]
    return in_force


def _slips(row: Row) -> list[tuple[str, str]]:
    """Where a row says too much or too little, as (column, what is wrong); "" for the row as a whole."""
    kind, drop, cord, finding = (row[name] for name in ("kind", "drop", "cord", "finding"))
    times = {name: row[name] for name in TIMES.values() if row[name] is not None}
    settles, marks, one = kind == SETTLE or finding is not None, kind == MARK, (drop is None) != (cord is None)
    count = "neither; give one" if drop is None else "both; keep one"
    only = f"only a row '{SETTLE}' names a finding; leave the cell blank"
    rules = [
        (settles and kind not in (SETTLE, TAKE_BACK), "finding", only),
        (
            kind == SETTLE and finding is None,
            "finding",
            "settles nothing; give the kind of the finding, as it stands in the answer",
        ),
        (
            settles and cord is not None,
            "cord",
            "a finding is settled as a whole or of a drop; name the drop, or leave both blank",
        ),
        (not settles and not one, "", f"names {count}: a cord, all its drops with it, or a drop"),
        (not settles and one and marks and cord is not None, "cord", "a mark is of one drop; name the drop instead"),
        (marks and not times, "kind", f"marks nothing; give one or more of {', '.join(TIMES.values())}"),
        (
            row["cause"] is not None and kind != LEAVE_OUT,
            "cause",
            f"only a row '{LEAVE_OUT}' has a cause; leave the cell blank",
        ),
        *((not marks, name, "only a mark has times; leave the cell blank") for name in times),
    ]
    for (before, early), (after, late) in pairwise(times.items()):
        rules.append((early >= late, after, f"{late:g} s does not come after {before}, {early:g} s"))
    return [(column, what) for wrong, column, what in rules if wrong]


def record_decision(folder: str | Path, choice: Choice) -> "Campaign":
    """Adds a choice to decisions.csv and gives the campaign with it; one about the same drop or cord is taken back.
    Raises CampaignError, with every problem, where the campaign would not be sound with it: then nothing is written."""
    return _add(folder, choice, taken_back="replaced by a later choice", new=(choice,))


def take_back(folder: str | Path, choice: Choice, *, reason: str) -> "Campaign":
    """Adds a row to decisions.csv that takes a choice back, with the reason, and gives the campaign without it.
    Raises CampaignError, and writes nothing, where there is no such choice or the reason is empty."""
    return _add(folder, choice, taken_back=reason, new=())


def _add(folder: str | Path, about: Choice, *, taken_back: str, new: tuple[Choice, ...]) -> "Campaign":
    """Takes back what is in force of the same kind and name, adds the new choices; written only where all is sound."""
    from cordlab.campaign.campaign import read_campaign  # which reads decisions itself

    files, later = Folder(Path(folder)), Folder(Path(folder))
    table = _read_table(files)
    same = [choice for choice in _in_force(table).values() if choice.about == about.about] if table else []
    rows = [row for _, row in table.rows()] if table else []
    if about.kind in [choice.kind for choice in same]:
        subject = {"drop": about.drop, "cord": about.cord, "finding": about.finding}
        rows.append({"kind": TAKE_BACK, **subject, "reason": taken_back})
        # of a drop that is both marked and left out, the other choice stays in force
        new = (*(choice for choice in same if choice.kind != about.kind), *new)
    elif not new:
        files.problem(FILE, f"there is no choice about {' '.join(map(str, about.about))} to take back")
    for reason in (taken_back, *(choice.reason for choice in new)):
        try:
            text(reason, longest=LONGEST)
        except ValueError as error:
            files.problem(f"{FILE}, 'reason'", str(error))
    files.stop()
    heads = {part.name: part.head for column in COLUMNS for part in column.with_u}
    heads |= {key: place.column.head for key, place in table.places.items()} if table else {}
    written = io.StringIO(newline="")
    writer = csv.writer(written, lineterminator="\n")
    writer.writerow(heads.values())
    for row in [*rows, *map(_row, new)]:
        for name, u_name in [(name, f"u({name})") for name in TIMES.values()]:
            if row.get(name) is not None and row.get(u_name) is None:
                row[u_name] = BY_EYE
        cells = (row.get(key) for key in heads)
        writer.writerow([f"{cell:.10g}" if isinstance(cell, float) else cell for cell in cells])
    content = written.getvalue().encode()
    campaign = read_campaign(folder, instead={FILE: content})
    later.read(FILE)
    if later.digests != files.digests:
        raise CampaignError((f"{FILE}: has changed meanwhile, nothing was written; try again",))
    try:
        with replacing(Path(folder, FILE)) as part:
            part.write_bytes(content)
    except OSError as error:
        raise CampaignError((f"{FILE}: cannot be written ({error.strerror})",)) from error
    return campaign


def _row(choice: Choice) -> Row:
    """The row that says a choice."""
    row = {name: getattr(choice, name) for name in ("kind", "drop", "cord", "finding", "reason", "by")}
    row["cause"] = choice.cause if choice.kind == LEAVE_OUT else None
    for event, at in choice.events.items():
        row |= {TIMES[event]: at.value, f"u({TIMES[event]})": at.u}
    return row

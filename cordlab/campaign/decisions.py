"""decisions.csv: what was settled by hand, one choice a row with its reason: events marked, drops left out, findings
that were looked into.

Rows are only ever added: a later row takes a choice back, and the file keeps both.
"""

from collections.abc import Iterator, Mapping
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

    drop, cord : the one that it is about; the other is None
    finding : its kind, where it is settled; of that drop alone where a drop is named
    times : "release", "slack_end", "lowest" → time in the record, those that are marked [s]; none where it is left out
    by : who decided, None where that is not known
    cause : of what is left out: "measurement", a fault of it, or "cord", what the cord is; a cord stays in its batch,
        and only masses that are rated with and without it are the answer
    """

    reason: str
    drop: str | None = None
    cord: str | None = None
    times: Mapping[str, Measured] = field(default_factory=dict)
    by: str | None = None
    finding: str | None = None
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


@dataclass(frozen=True)
class Decisions:
    """What is settled by hand for a campaign, marks first; false where that is nothing."""

    choices: tuple[Choice, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.choices)

    def __iter__(self) -> Iterator[Choice]:
        return iter(self.choices)

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
        results: dict[str, list[dict[str, object]]] = {"marks": [], "left_out": [], "settled": []}
        for choice in self:
            row: dict[str, object] = {"drop": choice.drop, "reason": choice.reason, "by": choice.by}
            if choice.kind == MARK:
                row |= dict.fromkeys(EVENTS) | {event: asdict(at) for event, at in choice.times.items()}
                results["marks"].append(row)
            elif choice.kind == SETTLE:
                results["settled"].append(row | {"finding": choice.finding})
            else:
                results["left_out"].append(row | {"cord": choice.cord, "cause": choice.cause})
        return results


NOTHING = Decisions()


def read_decisions(
    files: Folder, drops: Table | None, cords: Table | None, spans: Mapping[str, tuple[float, float]]
) -> Decisions:
    """decisions.csv of the folder, checked against the tables, without what is refused; empty where there is none.

    spans : drop → first and last time of its record [s], of the records that are sound
    """
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
    in_force = _in_force(files, table)
    decisions = Decisions(tuple(sorted(in_force.values(), key=lambda choice: choice.kind != MARK)))
    by_drop = {row["drop"]: row for _, row in drops.rows()} if drops else {}
    for number, choice in in_force.items():
        key, name = choice.about
        if choice.kind == SETTLE:
            key, name = "drop", choice.drop
            if name is None:
                continue
        listed = {"drop": drops, "cord": cords}[key]
        if listed and listed.has_all(key) and name not in listed.values[key]:
            near = nearest(str(name), listed.values[key])
            table.problem(number, key, f"'{name}' is not in {key}s.csv{offer(near, '; look there')}")
        elif choice.kind == MARK:
            if name in by_drop and by_drop[name]["record"] is None:
                table.problem(number, key, f"'{name}' has no record to mark events in")
            start, end = spans.get(str(name), (-inf, inf))
            for event, at in choice.times.items():
                if not start < at.value < end:
                    outside = f"{at.value:g} s is outside the record, {start:.10g} to {end:.10g} s"
                    table.problem(number, TIMES[event], outside)
        elif key == "drop" and name in by_drop:
            cord = by_drop[name]["cord"]
            if cord is not None and any(other.cord == cord for other in decisions):
                table.problem(number, key, f"'{name}' is left out with its cord {cord} already; keep one")
    fits = [row for row in by_drop.values() if row["use"] == "fit"]
    if fits and all(decisions.leaving_out(row["drop"], row["cord"]) for row in fits):
        files.problem(FILE, "every fit drop is left out; a curve needs some")
    return decisions


def _read_table(files: Folder) -> Table | None:
    return read_table(files, FILE, COLUMNS, may_be_empty=True) if files.has(FILE) else None


def _in_force(files: Folder, table: Table) -> dict[int, Choice]:
    """Row → its choice, of those that no later row takes back; rows that are refused are left out."""
    in_force: dict[int, Choice] = {}
    refused = {row for row, _ in table.refused}
    for (number, row), entry in zip(table.rows(), table.entries(), strict=True):
        if None in (row["kind"], row["reason"]):
            refused.add(number)
        for key, what in _slips(row) if number not in refused else ():
            files.problem(table.where(number, key) if key else f"{FILE}, row {table.lines[number]}", what)
            refused.add(number)
        if number in refused:
            continue
        times = {event: entry[event] for event in EVENTS if entry[event] is not None}
        cause = row["cause"] or CORD  # nothing said: the cord stays in the batch
        choice = Choice(row["reason"], row["drop"], row["cord"], times, row["by"], row["finding"], cause)
        key, name = choice.about
        same = [other for other in in_force if in_force[other].about == choice.about]
        if row["kind"] == TAKE_BACK:
            for other in same:
                del in_force[other]
            if not same and not refused and not table.lost:
                near = nearest(str(name), [str(choice.about[1]) for choice in in_force.values()])
                table.problem(number, key, f"nothing is settled of '{name}' above{offer(near, '; remove this row')}")
            continue
        before = [table.lines[other] for other in same if in_force[other].kind == choice.kind]
        if before:
            what = f"'{name}' is settled in row {before[0]} already; keep one, or take that back first"
            table.problem(number, key, what)
        else:
            in_force[number] = choice
    return in_force


def _slips(row: Row) -> Iterator[tuple[str, str]]:
    """Where a row says too much or too little, as (column, what is wrong); "" for the row as a whole."""
    times = [(name, row[name]) for name in TIMES.values() if row[name] is not None]
    if row["kind"] == SETTLE or row["finding"] is not None:
        if row["kind"] not in (SETTLE, TAKE_BACK):
            yield "finding", f"only a row '{SETTLE}' names a finding; leave the cell blank"
        elif row["finding"] is None:
            yield "finding", "settles nothing; give the kind of the finding, as it stands in the answer"
        if row["cord"] is not None:
            yield "cord", "a finding is settled as a whole or of a drop; name the drop, or leave both blank"
    elif (row["drop"] is None) == (row["cord"] is None):
        count = "neither; give one" if row["drop"] is None else "both; keep one"
        yield "", f"names {count}: a cord, all its drops with it, or a drop"
    elif row["kind"] == MARK and row["cord"] is not None:
        yield "cord", "a mark is of one drop; name the drop instead"
    if row["kind"] == MARK and not times:
        yield "kind", f"marks nothing; give one or more of {', '.join(TIMES.values())}"
    if row["cause"] is not None and row["kind"] != LEAVE_OUT:
        yield "cause", f"only a row '{LEAVE_OUT}' has a cause; leave the cell blank"
    for name, _ in times if row["kind"] != MARK else ():
        yield name, "only a mark has times; leave the cell blank"
    for (before, early), (after, late) in pairwise(times):
        if early >= late:
            yield after, f"{late:g} s does not come after {before}, {early:g} s"


def record_decision(folder: str | Path, choice: Choice) -> "Campaign":
    """Adds a choice to decisions.csv and gives the campaign with it; one about the same drop or cord is taken back.

    Raises CampaignError, with every problem, where the campaign would not be sound with it: then nothing is written.
    """
    return _add(folder, choice, taken_back="replaced by a later choice", new=(choice,))


def take_back(folder: str | Path, choice: Choice, *, reason: str) -> "Campaign":
    """Adds a row to decisions.csv that takes a choice back, with the reason, and gives the campaign without it.

    Raises CampaignError, and writes nothing, where there is no such choice or the reason is empty.
    """
    return _add(folder, choice, taken_back=reason, new=())


def _add(folder: str | Path, about: Choice, *, taken_back: str, new: tuple[Choice, ...]) -> "Campaign":
    """Takes back what is in force of the same kind and name, adds the new choices; written only where all is sound."""
    from cordlab.campaign.campaign import read_campaign  # which reads decisions itself

    files, later = Folder(Path(folder)), Folder(Path(folder))
    table = _read_table(files)
    same = [choice for choice in _in_force(files, table).values() if choice.about == about.about] if table else []
    rows = [row for _, row in table.rows()] if table else []
    key, name = about.about
    if about.kind in [choice.kind for choice in same]:
        subject = {"drop": about.drop, "cord": about.cord, "finding": about.finding}
        rows.append({"kind": TAKE_BACK, **subject, "reason": taken_back})
        # of a drop that is both marked and left out, the other choice stays in force
        rows += [_row(choice) for choice in same if choice.kind != about.kind]
    elif not new:
        files.problem(FILE, f"there is no choice about {key} {name} to take back")
    for reason in (taken_back, *(choice.reason for choice in new)):
        try:
            text(reason, longest=LONGEST)
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


def _row(choice: Choice) -> Row:
    """The row that says a choice."""
    row = {name: getattr(choice, name) for name in ("kind", "drop", "cord", "finding", "reason", "by")}
    row["cause"] = choice.cause if choice.kind == LEAVE_OUT else None
    times = {TIMES[event]: at.value for event, at in choice.events.items()}
    return row | times | {f"u({TIMES[event]})": at.u for event, at in choice.events.items()}


def _written(rows: list[Row]) -> bytes:
    """decisions.csv with these rows, times in s."""
    import pandas as pd  # over a second: only where something is written

    heads = {part.name: part.head for column in COLUMNS for part in column.with_u}
    frame = pd.DataFrame(rows, columns=list(heads))
    for name in TIMES.values():
        frame[f"u({name})"] = frame[f"u({name})"].fillna(BY_EYE).where(frame[name].notna())
    return frame.rename(columns=heads).to_csv(index=False, lineterminator="\n", float_format="%.10g").encode()

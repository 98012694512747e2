"""decisions.toml: what was settled by hand, each choice with its reason: events marked in a record, drops left out."""

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from reprlib import repr as brief
from typing import Any

from cordlab.campaign.files import CampaignError, Folder, nearest, offer
from cordlab.campaign.settings import Lines, read_toml
from cordlab.campaign.tables import Table, text
from cordlab.units import Measured, parse_measured

FILE = "decisions.toml"
LEFT_OUT = "left out"  # the use of a drop that was left out by hand
EVENTS = ("release", "slack_end", "lowest")
LONGEST = 500  # characters of a reason
BY_EYE = 0.01  # s, standard uncertainty of a mark that states none; our choice


@dataclass(frozen=True)
class Mark:
    """Events of one drop marked by hand, times in its record [s]; those that are None stay automatic.

    by : who decided, None where it is not said
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
        given = {name: getattr(self, name) for name in EVENTS}
        return {name: Measured(at.value, at.u or BY_EYE) for name, at in given.items() if at is not None}

    @property
    def subject(self) -> tuple[str, str, str]:
        """What the choice is about: there is one choice for each."""
        return "mark", "drop", self.drop


@dataclass(frozen=True)
class LeftOut:
    """All drops of a cord, or a single drop, left out of curve and limits; by: who decided, None where not said."""

    reason: str
    cord: str | None = None
    drop: str | None = None
    by: str | None = None

    @property
    def subject(self) -> tuple[str, str, str]:
        return ("left_out", "drop", str(self.drop)) if self.cord is None else ("left_out", "cord", self.cord)


@dataclass(frozen=True)
class Decisions:
    """What was settled by hand for a campaign; false where that is nothing."""

    mark: tuple[Mark, ...] = ()
    left_out: tuple[LeftOut, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.mark or self.left_out)

    def __iter__(self) -> Iterator[Mark | LeftOut]:
        yield from self.mark
        yield from self.left_out

    def marked(self, drop: str) -> Mark | None:
        return next((mark for mark in self.mark if mark.drop == drop), None)

    def leaving_out(self, drop: str, cord: str) -> LeftOut | None:
        """The choice that leaves this drop out, by itself or with its cord."""
        return next((each for each in self.left_out if each.subject[1:] in (("drop", drop), ("cord", cord))), None)

    def to_dict(self) -> dict[str, list[dict[str, Any]]]:
        """For results.json; times in s."""
        return {
            "marks": [
                {"drop": mark.drop, **{name: _time(getattr(mark, name)) for name in EVENTS}, **_why(mark)}
                for mark in self.mark
            ],
            "left_out": [{"cord": each.cord, "drop": each.drop, **_why(each)} for each in self.left_out],
        }


NOTHING = Decisions()


def _why(choice: Mark | LeftOut) -> dict[str, Any]:
    return {"reason": choice.reason, "by": choice.by}


def _time(at: Measured | None) -> dict[str, float] | None:
    return None if at is None else {"value": at.value, "u": at.u}


def _reason(given: Any) -> str:
    if not isinstance(given, str) or not given.strip():
        raise ValueError(f"{brief(given)} is no text; write in quotes why, for whoever reads it in a year")
    return text(given.strip(), LONGEST, "write one line of text")


def _name(given: Any) -> str:
    if not isinstance(given, str) or not given.strip():
        raise ValueError(f"{brief(given)} is no name; write it in quotes")
    return text(given.strip())


_KEYS: dict[str, dict[str, Any]] = {
    "mark": {"drop": _name, **dict.fromkeys(EVENTS, partial(parse_measured, unit="s")), "reason": _reason, "by": _name},
    "left_out": {"cord": _name, "drop": _name, "reason": _reason, "by": _name},
}


def read_decisions(
    files: Folder, drops: Table | None, cords: Table | None, spans: Mapping[str, tuple[float, float]]
) -> Decisions:
    """decisions.toml of the folder, checked against the tables, without what is refused; empty where there is none.

    spans : drop → first and last time of its record [s], of the records that are sound
    """
    read = read_toml(files, FILE) if files.has(FILE) else None
    if read is None:
        return Decisions()
    content, given = read
    lines = Lines(content)
    for name in [name for name in given if name not in _KEYS]:
        near = nearest(name, [f"[[{kind}]]" for kind in _KEYS])
        files.problem(_place(lines, name), f"is not known here{offer(near, '; remove it')}")
    tables = {(kind, k): table for kind in _KEYS for k, table in enumerate(_tables(files, given, kind))}
    read_so = {at: _choice(files, lines, *at, table) for at, table in tables.items()}
    choices = {at: choice for at, choice in read_so.items() if choice is not None}
    marks = tuple(choice for choice in choices.values() if isinstance(choice, Mark))
    decisions = Decisions(marks, tuple(choice for choice in choices.values() if isinstance(choice, LeftOut)))
    _check(files, lines, choices, decisions, drops, cords, spans)
    return decisions


def _tables(files: Folder, given: Mapping[str, Any], kind: str) -> list[dict[str, Any]]:
    tables = given.get(kind, [])
    if isinstance(tables, list) and all(isinstance(table, dict) for table in tables):
        return tables
    what = f"is not a list of tables; write [[{kind}]] on a line of its own, its keys below"
    files.problem(f"{FILE}, '{kind}'", what)
    return []


def _choice(files: Folder, lines: Lines, kind: str, k: int, table: Mapping[str, Any]) -> Mark | LeftOut | None:
    """One table as a choice; None, with the problems noted, where anything in it is refused."""
    keys, known, values = _KEYS[kind], len(files.problems), {}
    unknown = [name for name in table if name not in keys]
    slips = {nearest(name, [key for key in keys if key not in table]): name for name in unknown}
    for name in unknown:
        near = next((key for key, slip in slips.items() if slip == name), None)
        files.problem(_place(lines, kind, k, name), f"is not known here{offer(near, '; remove it')}")
    for name, read in keys.items():
        if name in table:
            try:
                values[name] = read(table[name])
            except ValueError as error:
                files.problem(_place(lines, kind, k, name), str(error))
    for name in ("drop", "reason") if kind == "mark" else ("reason",):
        if name not in table and name not in slips:  # one slip, one message
            files.problem(_place(lines, kind, k), f"'{name}' is missing; add it")
    if len(files.problems) > known:
        return None
    if kind == "mark":
        mark = Mark(**values)
        times = [(at.value, name) for name, at in mark.events.items()]
        if not times:
            files.problem(_place(lines, kind, k), f"marks nothing; give one or more of {', '.join(EVENTS)}")
        for (before, one), (after, other) in pairwise(times):
            if before >= after:
                files.problem(_place(lines, kind, k, other), f"{after:g} s does not come after {one}, {before:g} s")
        return mark
    if ("cord" in values) == ("drop" in values):
        found = "both; keep" if "cord" in values else "neither; give"
        files.problem(_place(lines, kind, k), f"names {found} one: a cord, all its drops with it, or a drop")
        return None
    return LeftOut(**values)


def _check(
    files: Folder,
    lines: Lines,
    choices: Mapping[tuple[str, int], Mark | LeftOut],
    decisions: Decisions,
    drops: Table | None,
    cords: Table | None,
    spans: Mapping[str, tuple[float, float]],
) -> None:
    """The choices against each other and against drops.csv, cords.csv and the records."""
    by_drop = {row["drop"]: row for _, row in drops.rows()} if drops else {}
    known = {"drop": list(by_drop), "cord": [row["cord"] for _, row in cords.rows()] if cords else []}
    first: dict[Any, int | None] = {}
    subjects = {choice.subject for choice in decisions}
    for (kind, k), choice in choices.items():
        _, key, name = choice.subject
        place, row = _place(lines, kind, k, key), lines.row(kind, k)
        if choice.subject in first:
            before = first[choice.subject]
            files.problem(place, f"'{name}' is settled {f'in row {before}' if before else 'above'} already; keep one")
        first.setdefault(choice.subject, row)
        table = drops if key == "drop" else cords
        if table and table.has_all(key) and name not in known[key]:
            near = nearest(name, [each for each in known[key] if each])
            files.problem(place, f"'{name}' is not in {key}s.csv{offer(near, '; look there')}")
        elif isinstance(choice, Mark):
            _check_times(files, lines, k, choice, by_drop, spans)
        elif key == "drop" and name in by_drop and ("left_out", "cord", by_drop[name]["cord"]) in subjects:
            files.problem(place, f"'{name}' is left out with its cord {by_drop[name]['cord']} already; keep one")
    fits = [row for row in by_drop.values() if row["use"] == "fit"]
    if fits and all(decisions.leaving_out(row["drop"], row["cord"]) for row in fits):
        files.problem(FILE, "every fit drop is left out; a curve needs some")


def _check_times(
    files: Folder, lines: Lines, k: int, mark: Mark, by_drop: Mapping[str, Any], spans: Mapping[str, Any]
) -> None:
    if mark.drop in by_drop and by_drop[mark.drop]["record"] is None:
        files.problem(_place(lines, "mark", k, "drop"), f"'{mark.drop}' has no record to mark events in")
    start, end = spans.get(mark.drop, (-float("inf"), float("inf")))
    for name, at in mark.events.items():
        if not start < at.value < end:
            files.problem(
                _place(lines, "mark", k, name), f"{at.value:g} s is outside the record, {start:.10g} to {end:.10g} s"
            )


def _place(lines: Lines, kind: str, *rest: Any) -> str:
    """ "decisions.toml, row 4, [[mark]] 'lowest'"."""
    row = lines.row(kind, *rest) or lines.row(kind, *rest[:1])
    head = f"[[{kind}]]" if kind in _KEYS else f"'{kind}'"
    name = f" '{rest[1]}'" if len(rest) > 1 else ""
    return ", ".join(part for part in (FILE, row and f"row {row}", head + name) if part)


def settled(content: str, new: Mark | LeftOut) -> str:
    """The text of decisions.toml with one more choice; one about the same drop or cord becomes a comment.

    Raises CampaignError where that one is written in a form that cannot be found.
    """
    kind = new.subject[0]
    given = {name: value for name in _KEYS[kind] if (value := getattr(new, name)) is not None}
    lines = [f"[[{kind}]]", *(f"{name} = {_written(value)}" for name, value in given.items())]
    kept = _commented(content, new, "replaced by a later choice")
    if kept and not kept.endswith("\n\n"):
        kept = kept.removesuffix("\n") + "\n\n"
    return kept + "\n".join(lines) + "\n"


def taken_back(content: str, old: Mark | LeftOut, reason: str) -> str:
    """The text of decisions.toml without a choice, which becomes a comment with the reason. Raises CampaignError."""
    try:
        return _commented(content, old, f"taken back: {_reason(reason)}")
    except ValueError as error:
        raise CampaignError((f"{FILE}: the reason {error}",)) from error


def _written(value: str | Measured) -> str:
    if isinstance(value, Measured):
        value = f"{value.value:.4f} ± {value.u:.4f} s" if value.u else f"{value.value:.4f} s"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _commented(content: str, about: Mark | LeftOut, why: str) -> str:
    """The text with the choice on the same subject made a comment; verified by reading both."""
    kind, key, name = about.subject
    given = tomllib.loads(content)
    wanted = {each: [t for t in given[each] if each != kind or t.get(key) != name] for each in given}
    if wanted == given:
        return content
    lines = content.split("\n")
    heads = [k for k, line in enumerate(lines) if re.match(r"\s*\[", line)] + [len(lines)]
    for start, end in pairwise(heads):
        try:
            block = tomllib.loads("\n".join(lines[start:end])).get(kind, [{}])[0]
        except (tomllib.TOMLDecodeError, KeyError, AttributeError):
            continue
        if block.get(key) == name:
            lines[start:end] = [f"# {why}", *(f"# {line}" if line.strip() else line for line in lines[start:end])]
            break
    changed = "\n".join(lines)
    if {each: tables for each, tables in wanted.items() if tables} != tomllib.loads(changed):
        raise CampaignError((f"{FILE}: the choice about {key} {name} cannot be found as lines; change it by hand",))
    return changed

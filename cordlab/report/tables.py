"""Tables and sentences of the report, read from results.json, each number rounded by its uncertainty."""

from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import Any

from cordlab.batch.findings import Finding, alike
from cordlab.quantities import QUANTITIES, bounds
from cordlab.report.results_folder import Results
from cordlab.report.rounding import NOTHING, Numbers

EVERY = 4  # kg between the rows of the tables by rider mass
SHOWN = (4, 6, 8, 12, 20)  # numbers of cords in the table of ranges to expect

Row = Mapping[str, Any]
"""A part of the results: what stands under a key of results.json, or a row of a table there."""
Table = tuple[list[str], list[list[str]]]
"""Heads and rows of a table of texts."""


def by_mass(results: Results, numbers: Numbers) -> Table:
    """Estimates and limits at every fourth kilogram and at both ends of what was tested."""
    known = [row for row in results["predictions"] if row["clearance"] is not None]
    quantities = [row for row in QUANTITIES.values() if not row.asked_only or (known and row.name in known[0])]
    shown = [(quantity, column) for quantity in quantities for column in quantity.columns]
    heads, u = ["rider mass [kg]"], {}
    for quantity, column in shown:
        heads.append(f"{quantity.word}{f' [{quantity.unit}]' if quantity.unit else ''}, {column}")
        # the greatest in a column: one number of places for all of it
        u[quantity.name] = max((row[f"u_{quantity.name}"] or 0.0 for row in known), default=0.0) or None
    rows = []
    for row in every_fourth(known):
        cells = [numbers.write(row["mass"], "kg")]
        for quantity, column in shown:
            limit = column == "limit"
            value, side = (row[f"{quantity.name}_limit"], quantity.danger) if limit else (row[quantity.name], "")
            cells.append(numbers.write(value, quantity.unit, u=u[quantity.name], side=side))
        rated = "yes" if row["rated"] else f"no: {_failed(row, results['campaign']['criteria'])}"
        rows.append([*cells, _risk(row["violation"]), rated])
    return [*heads, "violates [%]", "rated"], rows


def _returned(row: Row) -> str:
    """Energy returned, with its standard uncertainty where a bundle states it [%]."""
    share, u = row.get("energy_returned"), row.get("u_energy_returned")
    if share is None:
        return NOTHING
    return f"{100 * share:.1f}" if u is None else f"{100 * share:.1f}({1000 * u:.0f})"


def every_fourth(rows: Sequence[Row]) -> list[Row]:
    return [row for row in rows if row["mass"] % EVERY == 0 or row in (rows[0], rows[-1])]


def _risk(violation: Mapping[str, float]) -> str:
    """The greatest probability that the next drop violates a criterion, in per cent; draws say no more than a tenth."""
    if not violation:
        return NOTHING
    percent = 100 * max(violation.values())
    if percent < 0.1:
        return "< 0.1"
    return "> 99.9" if percent > 99.9 else f"{percent:.1f}"


def _failed(row: Row, criteria: Row) -> str:
    """The criteria that a mass does not meet, by name; the reason in full where it is another."""
    names = []
    for name, bound in bounds(criteria).items():
        limit = row.get(f"{name}_limit")
        if limit is None or QUANTITIES[name].worse(limit, bound):
            names.append(QUANTITIES[name].word)
    return ", ".join(names) or str(row["reason"])


def drops(results: Results, numbers: Numbers) -> Table:
    """Every drop as it was noted, with the remarks that there are; without any, two drops in a row."""
    remarks = list(dict.fromkeys(head for row in results["drops"] for head in row["remarks"]))
    heads, rows = ["drop", "cord", "use, jumps", "hung [kg]", "lowest point [m]", "u [m]", "back [%]"], []
    for row in results["drops"]:
        u = row["u_lowest_point"]
        lengths = [numbers.write(length, "m", u=u) for length in (row["lowest_point"], u)]
        noted = (row["remarks"].get(head) for head in remarks)
        texts = [cell if isinstance(cell, str) else numbers.write(cell) for cell in noted]
        names = [row["drop"], row["cord"], f"{row['use']} {row['jumps']}"]
        rows.append([*names, numbers.write(row["mass"], "kg"), *lengths, _returned(row), *texts])
    if not remarks:
        half = (len(rows) + 1) // 2
        rows = [left + right for left, right in zip_longest(rows[:half], rows[half:], fillvalue=[""] * len(heads))]
        heads *= 2
    return heads + remarks, rows


def named(numbers: Numbers, values: Row, *tables: Mapping[str, Sequence[str]]) -> list[tuple[str, str]]:
    """The values that there are, with word and unit from tables; a key without a word is shown all the same."""
    words = {key: value for table in tables for key, value in table.items()}
    shown = {key: words.get(key, (key.replace("_", " "), "")) for key in values if values[key] is not None}
    return [(word, _measured(values[key], unit, numbers)) for key, (word, unit) in shown.items()]


def _measured(value: Any, unit: str, numbers: Numbers) -> str:
    """ "43.00 m, u = 0.10 m" from a value of the settings, whatever it is."""
    if isinstance(value, Mapping):
        u = value["u"]
        sure = f"u = {numbers.say(u, unit, u=u)}" if u else "taken as exact"
        return f"{numbers.say(value['value'], unit, u=u)}, {sure}"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return " to ".join(numbers.say(end, unit) for end in value)
    return numbers.say(float(value), unit) if isinstance(value, int | float) else str(value)


def more_cords(plan: Row | None) -> list[tuple[str, float, float]]:
    """Rated range to expect of as many cords as were dropped, and of more: the number in words, and both ends."""
    rows = list(zip(plan["cords"], plan["lightest"], plan["heaviest"], strict=True)) if plan else []
    dropped = [(f"{n}, as dropped", *ends) for n, *ends in rows if plan and n == plan["so_far"]]
    return dropped + [(str(n), *ends) for n, *ends in rows if plan and n in SHOWN and n > plan["so_far"]]


def notes(drops: Sequence[Row]) -> list[tuple[str, str]]:
    """Each note on records once, with the names of the drops that it is about."""
    drops_by_note: dict[str, list[str]] = {}
    recorded = sum(drop.get("recorded_lowest_point") is not None for drop in drops)
    for drop in drops:
        for note in drop.get("notes", ()):
            drops_by_note.setdefault(note, []).append(drop["drop"])
    return [
        (note, f"all {recorded} drops with a record" if len(names) == recorded > 1 else ", ".join(names))
        for note, names in drops_by_note.items()
    ]


def findings(rows: Sequence[Row]) -> list[str]:
    """What is odd, a line each; the same of several drops once."""
    odd = []
    for row in rows:
        drops, settled = tuple(row["drops"]), row["settled"] or ""
        odd.append(Finding(row["kind"], row["what"], row["where"], row["try_"], drops, settled))
    return [str(finding) for finding in alike(odd)]


def sentence(text: str) -> str:
    """With a capital at its start; names and units within keep theirs."""
    return text[:1].upper() + text[1:]


def grew(results: Results) -> str:
    """What it means that cords were added after an answer of no; "" where there was none, or is no range now."""
    earlier = " and ".join(f"{count:g}" for count in results.get("earlier", ()))
    if not earlier or not results["rating"]["rated"]:
        return ""
    return (
        f"answered before from {earlier} cords, and not rated: where cords are added until there is a range, a false "
        "one comes up to twice as often (in a study with known truth 0.27 in place of 0.14, from 4 to 10 cords)"
    )


def cautions(results: Results) -> list[str]:
    """Cautions, without those on single drops and choices by hand, which are listed by themselves."""
    listed = [f": {note}" for drop in results["drops"] for note in drop.get("notes", ())]
    if by_hand := results.get("by_hand"):
        listed += [f"{row['choice']}; reason: {row['reason']}" for row in by_hand["told"]]
        listed.append(f"without the choices by hand {by_hand['range_without']}.")
    return [caution for caution in results["cautions"] if not caution.endswith(tuple(listed))]

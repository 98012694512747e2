"""Numbers, tables and sentences of the report, read from results.json: numbers rounded by their uncertainty, limits to
the safe side, a second unit by choice."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import zip_longest
from math import isfinite
from typing import Any

from cordlab.batch.findings import Finding, alike
from cordlab.quantities import QUANTITIES, bounds
from cordlab.report.results_folder import Results
from cordlab.units import convert, fixed, mass_range

NOTHING = "–"
SECOND = {"m": "ft", "kg": "lb", "N": "lbf", "kN": "lbf", "degC": "degF"}
EVERY = 4  # kg between the rows of the tables by rider mass
SHOWN = (4, 6, 8, 12, 20)  # numbers of cords in the table of ranges to expect

Row = Mapping[str, Any]
"""A part of the results: what stands under a key of results.json, or a row of a table there."""
Table = tuple[list[str], list[list[str]]]
"""Heads and rows of a table of texts."""


def places(u: float) -> int:
    """Decimal places that show two digits of u above 0, negative from 100 on; JCGM 100:2008 (GUM), 7.2.6."""
    if not (isfinite(u) and u > 0):
        raise ValueError(f"u = {u}: rounding by an uncertainty needs one above 0")
    return 1 - Decimal(f"{u:.1e}").adjusted()


@dataclass(frozen=True)
class Numbers:
    """Writes quantities in SI, with a second unit in brackets where `second` is asked for."""

    second: bool = False

    def units(self, head: str) -> str:
        """The head of a column: "mass [kg]", or "mass [kg (lb)]"."""
        known = "|".join(SECOND) if self.second else "$^"
        return re.sub(rf"\[({known})\]", lambda unit: f"[{unit[1]} ({SECOND[unit[1]]})]", head)

    def write(
        self, value: float | None, unit: str = "", *, u: float | None = None, side: str = "", with_unit: bool = False
    ) -> str:
        """The number; four digits where it has no uncertainty, a dash where there is none. Its unit where asked for."""
        if value is None or not isfinite(value):
            return NOTHING
        text = _one(value, u, side) + _sign(unit) * with_unit
        if self.second and unit in SECOND:
            other = SECOND[unit]
            step = convert(1.0, unit, other) - convert(0.0, unit, other)
            text += f" ({_one(convert(value, unit, other), u and u * step, side)}{_sign(other) * with_unit})"
        return text

    def say(self, value: float | None, unit: str, *, u: float | None = None, side: str = "") -> str:
        """The number with its unit: "4.26 m", or "4.26 m (13.9 ft)"."""
        return self.write(value, unit, u=u, side=side, with_unit=True)

    def riders(self, lightest: float | None, heaviest: float | None) -> str:
        """A range of masses in words: "44.5 to 80.3 kg", or "44.5 to 80.3 kg (98.2 to 177.0 lb)"."""
        text, pounds = (mass_range(lightest, heaviest, unit) for unit in ("kg", "lb"))
        return f"{text} ({pounds})" if self.second and pounds != text else text


def _one(value: float, u: float | None, side: str) -> str:
    if u:
        return fixed(value, places(u), side)
    digits = 3 - Decimal(f"{value:.3e}").adjusted() if value else 0
    text = fixed(value, max(digits, 0), side)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _sign(unit: str) -> str:
    return unit and f" {unit.replace('deg', '°')}"


def form(value: float | None, spec: str) -> str:
    """A number by a format such as ".3g", a dash where there is none."""
    return NOTHING if value is None else format(value, spec)


def dof(value: float | None) -> str:
    """Degrees of freedom, which results.json leaves out where they are infinite."""
    return "∞" if value is None else f"{value:.3g}"


_MEASURE = re.compile(r"(?<![\w.])(?:(-?\d+(?:\.\d+)?) to )?(-?\d+(?:\.\d+)?) (kg|m|N|kN|°C)(?![\w/·²³^])")
_FEWEST = {"lbf": 0}  # decimals of a second unit, 1 where it is not listed


def in_pounds_and_feet(text: str) -> str:
    """A text with second units behind its quantities, three digits; ranges of masses are rounded into, a mass down."""

    def both(match: re.Match[str]) -> str:
        unit = match[3].replace("°", "deg")
        other, sides = SECOND[unit], ("upper", "lower") if unit == "kg" else ("", "")
        shown = []
        for written, side in zip(match.group(1, 2), sides, strict=True):
            if written is not None:
                value = convert(float(written), unit, other)
                digits = 2 - Decimal(f"{value:.2e}").adjusted() if value else 0
                if side and not match[1]:
                    value += 0.005  # a weight of 150 lb is written 68.0389 kg, a little less
                shown.append(fixed(value, max(digits, _FEWEST.get(other, 1)), side))
        return f"{match[0]} ({' to '.join(shown)}{_sign(other)})"

    return _MEASURE.sub(both, text)


def by_mass(results: Results, numbers: Numbers) -> Table:
    """Estimates and limits at every fourth kilogram and at both ends of what was tested, and the criteria that a mass
    does not meet, or the reason in full where it is another."""
    known = [row for row in results["predictions"] if row["clearance"] is not None]
    quantities = [row for row in QUANTITIES.values() if not row.asked_only or (known and row.name in known[0])]
    shown = [(quantity, column) for quantity in quantities for column in quantity.columns]
    heads, asked = ["rider mass [kg]"], bounds(results["campaign"]["criteria"])
    for quantity, column in shown:
        heads.append(f"{quantity.word}{f' [{quantity.unit}]' if quantity.unit else ''}, {column}")
    # the greatest in a column: one number of places for all of it
    u = {row.name: max((known_at[f"u_{row.name}"] or 0.0 for known_at in known), default=0.0) for row, _ in shown}
    rows = []
    for row in every_fourth(known):
        cells = [numbers.write(row["mass"], "kg")]
        for quantity, column in shown:
            value, side = row[quantity.name], ""
            if column == "limit":
                value, side = row[f"{quantity.name}_limit"], quantity.danger
            cells.append(numbers.write(value, quantity.unit, u=u[quantity.name], side=side))
        failed = []
        for name, bound in asked.items():
            limit = row.get(f"{name}_limit")
            if limit is None or QUANTITIES[name].worse(limit, bound):
                failed.append(QUANTITIES[name].word)
        rated = "yes" if row["rated"] else f"no: {', '.join(failed) or row['reason']}"
        rows.append([*cells, _risk(row["violation"]), rated])
    return [*heads, "violates [%]", "rated"], rows


def every_fourth(rows: Sequence[Row]) -> list[Row]:
    return [row for row in rows if row["mass"] % EVERY == 0 or row in (rows[0], rows[-1])]


def _risk(violation: Mapping[str, float]) -> str:
    """The greatest probability that the next drop violates a criterion, in per cent; draws say no more than a tenth."""
    percent = 100 * max(violation.values(), default=float("nan"))
    if percent < 0.1:
        return "< 0.1"
    return "> 99.9" if percent > 99.9 else form(percent if violation else None, ".1f")


def drops(results: Results, numbers: Numbers) -> Table:
    """Every drop as it was noted, with the remarks that there are; without any, two drops in a row."""
    remarks = list(dict.fromkeys(head for row in results["drops"] for head in row["remarks"]))
    heads, rows = ["drop", "cord", "use, jumps", "hung [kg]", "lowest point [m]", "u [m]", "back [%]"], []
    for row in results["drops"]:
        u, share, u_share = row["u_lowest_point"], row.get("energy_returned"), row.get("u_energy_returned")
        cells = [row["drop"], row["cord"], f"{row['use']} {row['jumps']}", numbers.write(row["mass"], "kg")]
        cells += [numbers.write(length, "m", u=u) for length in (row["lowest_point"], u)]
        # a bundle may state the uncertainty of the energy returned
        digits = "" if share is None or u_share is None else f"({1000 * u_share:.0f})"
        cells.append(form(None if share is None else 100 * share, ".1f") + digits)
        noted = (row["remarks"].get(head) for head in remarks)
        rows.append(cells + [cell if isinstance(cell, str) else numbers.write(cell) for cell in noted])
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
    odd = [
        Finding(row["kind"], row["what"], row["where"], row["try_"], tuple(row["drops"]), row["settled"] or "")
        for row in rows
    ]
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

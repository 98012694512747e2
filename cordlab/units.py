"""Quantities as people write them: numbers are read here, as JCGM 100:2008, 7.2.2 says; pint converts units alone, for
it reads `62.00(5) m` as ±0.5 m."""

import math
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from difflib import get_close_matches
from functools import lru_cache
from html import escape
from itertools import chain
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

if TYPE_CHECKING:
    import pandas as pd


_Numbers = TypeVar("_Numbers", float, np.ndarray)
Progress = Callable[..., Iterable]  # wraps what a long step goes through, as tqdm does: progress(items, desc=…, unit=…)


def unwatched(items: Iterable, **labels: object) -> Iterable:
    """The progress that nobody sees."""
    return items


class UnitError(ValueError):
    """A quantity or unit that cannot be read, or is of the wrong kind; the message is for people."""


@dataclass(frozen=True)
class Measured:
    """A value and its standard uncertainty, both in the same SI unit; `u` is 0 for an exact value."""

    value: float
    u: float = 0.0

    def __float__(self) -> float:
        return self.value

    def draw(self, rng: np.random.Generator, size: int | tuple[int, ...]) -> np.ndarray:
        """Normal draws of the quantity, an array of shape `size`."""
        return rng.normal(self.value, self.u, size)


@dataclass(frozen=True)
class Rectangular(Measured):
    """A quantity that lies anywhere within √3 u of its value, no place likelier than another (JCGM 100, 4.3.7)."""

    law: str = field(default="rectangular", init=False, repr=False)

    def draw(self, rng: np.random.Generator, size: int | tuple[int, ...]) -> np.ndarray:
        """Uniform draws of the quantity, an array of shape `size`."""
        half_width = math.sqrt(3) * self.u
        return rng.uniform(self.value - half_width, self.value + half_width, size)


# Digits in threes, parted by a space, are as good as digits in a row: GUM 7.2.2 writes 100,021 47.
_WHOLE = r"(?:\d{1,3}(?:[ ]\d{3})+|\d+)"
_FRACTION = r"(?:\.(?:(?:\d{3}[ ])+\d{1,3}|\d+))"
_UNSIGNED = rf"(?:{_WHOLE}{_FRACTION}?|{_FRACTION})"
_MEASURED = re.compile(
    rf"""(?P<open>\()?  (?P<value>[+-]?{_UNSIGNED})
         (?: \((?P<digits>{_UNSIGNED})\) | [ ]?(?:±|\+/-)[ ]?(?P<u>{_UNSIGNED}) )?
         (?(open)\))  (?:[eE](?P<exponent>[+-]?\d{{1,3}}))?
         (?: [ ]?(?P<unit>[A-Za-z°µμΩ][^±,()%]*) )?
         (?: [ ]?[(,][ ]?(?P<meaning> k[ ]?=[ ]?(?P<k>{_UNSIGNED}) | rect(?:angular)? )[ ]?\)? )?""",
    re.VERBOSE | re.ASCII,
)


def parse_measured(text: object, unit: str) -> Measured:
    """The quantity that `text` writes, in `unit`, SI or "". In brackets stands its standard uncertainty (JCGM 100:2008,
    7.2.2), behind ± an expanded one (k=2) or a half-width (rect, 4.3.7). Raises UnitError."""
    specimen = "a plain number, such as 4.5"
    if unit:
        specimen = f'for example "62.00(5) {unit}", "62.00 ± 0.10 {unit} (k=2)" or "62.00 ± 0.05 {unit} (rect)"'
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise UnitError(f"{text!r} is not a quantity; write {specimen}")
    if not isinstance(text, str):
        if unit:
            raise UnitError(f'{text} has no unit; write "{text} {unit}"')
        return Measured(_finite(float(Decimal(text)), str(text)))  # float(10**400) would raise

    plain = " ".join(text.split()).replace("−", "-")  # any run of spaces, no-break and thin ones too; a true minus sign
    match, brief = _MEASURED.fullmatch(plain), short(plain, 60)
    if match is None or (match["u"] and match["exponent"] and not match["open"]):
        why = next(why for pattern, why in _UNREADABLE if re.search(pattern, plain))
        raise UnitError(f"'{short(text, 60)}' cannot be read: {why}; write {specimen}")
    if unit and not match["unit"]:
        raise UnitError(f"'{short(text, 60)}' has no unit; write {specimen}")
    number, plus_minus, meaning = (match[name] for name in ("value", "u", "meaning"))
    of = (match["unit"] or "").strip()
    step = convert(1.0, of, unit) - convert(0.0, of, unit)  # so that an uncertainty in degF is one in degC
    if meaning and not plus_minus:
        raise UnitError(f"'{brief}': '{meaning}' says what stands behind a ±; write {specimen}")
    if plus_minus and not meaning:
        if "." in number and "." not in plus_minus:  # else its digits would count in the last places shown
            plus_minus += ".0"
        end = f"{'e' + match['exponent'] if match['exponent'] else ''} {match['unit'] or ''}".rstrip()
        standard = f"write '{number}({plus_minus}){end}' for a standard uncertainty"
        others = f"'{brief} (k=2)' for an expanded one with its k, or '{brief} (rect)' for a half-width"
        raise UnitError(f"'{brief}' does not say what ± means; {standard}, {others}")
    exponent = exponent_of_u = int(match["exponent"] or 0)
    if match["digits"] and "." not in match["digits"]:  # they count in the last places shown
        exponent_of_u -= len(number.partition(".")[2].replace(" ", ""))
    value, u = (Decimal(digits.replace(" ", "")) for digits in (number, match["digits"] or plus_minus or "0"))
    in_unit = _finite(convert(float(value.scaleb(exponent)), of, unit), text)
    spread = _finite(float(u.scaleb(exponent_of_u)) * step, text)
    if meaning and not match["k"]:
        return Rectangular(in_unit, spread / math.sqrt(3))
    k = float((match["k"] or "1").replace(" ", ""))
    if not k > 0:
        raise UnitError(f"'{short(text, 60)}': k is not above 0")
    return Measured(in_unit, spread / k)


def _finite(value: float, text: str) -> float:
    if not math.isfinite(value):
        raise UnitError(f"'{short(text, 60)}' is not a finite number")
    return value


def short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


def nearest(name: str, known: Iterable[str], *, cutoff: float = 0.55) -> str | None:
    """The known name that `name` is most likely a slip for, or None."""
    by_lower = {word.lower(): word for word in known}
    near = get_close_matches(name.lower(), by_lower, n=1, cutoff=cutoff)
    return by_lower[near[0]] if near else None


_UNREADABLE = (
    ("%", "a percentage is not taken"),
    (r"(±|\+/-|\() ?-", "an uncertainty cannot be negative"),
    (r"\d,\d", "the decimal mark is a point here"),
    (r"[A-Za-z] ?(±|\+/-)", "the unit comes once, at the end"),
    (r"\d[eE]", "the power of ten must stand behind brackets round both numbers"),
    ("", "it is not a number with its unit"),
)


_HEAD = re.compile(r"(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?")
_U_OF = re.compile(rf"(?P<u>[uU]) ?\( ?(?P<name>[^()]*?) ?\)(?:,? ?\(?k ?= ?(?P<k>{_UNSIGNED})\)?)?", re.ASCII)


def parse_head(head: str) -> tuple[str, str | None, float]:
    """Name in lower case, unit and k of a column head: `U(Mass) k=2 [kg]` gives "u(mass)", "kg", 2: an expanded
    uncertainty is named as the standard one that it is when divided by k. The unit is None without brackets.
    Raises UnitError where the brackets do not close, or an expanded uncertainty `U(x)` has no k."""
    match = _HEAD.fullmatch(head.strip())
    if match is None:
        raise UnitError(f"'{short(head, 60)}' is not a column head; write the unit once, last, as in 'mass [kg]'")
    written, unit = " ".join(match["name"].split()), None if match["unit"] is None else match["unit"].strip()
    of = _U_OF.fullmatch(written)
    if of is None:
        return written.lower(), unit, 1.0
    name, k, in_unit = of["name"].lower(), float((of["k"] or "1").replace(" ", "")), f" [{unit}]" if unit else ""
    if of["u"] == "U" and (of["k"] is None or k <= 0):
        raise UnitError(
            f"is an expanded uncertainty without its k; write 'U({name}) k=2{in_unit}' with the k of the certificate, "
            f"or 'u({name}){in_unit}' for a standard uncertainty"
        )
    if of["u"] == "u" and of["k"]:
        raise UnitError(f"has a k, which a standard uncertainty has not; write 'U({name}) k={k:g}{in_unit}'")
    return f"u({name})", unit, k


def convert(values: _Numbers, unit: str, to: str) -> _Numbers:
    """`values` in `unit`, expressed in the unit `to`; scales with an offset (degF) too. Raises as `check_unit`."""
    check_unit(unit, to)
    if unit == to:
        return values
    return _registry().Quantity(values, _unit(unit)).to(_unit(to)).magnitude


@lru_cache(maxsize=512)
def check_unit(unit: str, to: str) -> None:
    """Raises UnitError where `unit` is not known, or is of another kind than `to`: a force where a mass is wanted."""
    if _unit(unit).dimensionality != _unit(to).dimensionality:
        wanted, units = _kind(to)
        such_as = ", such as " + " or ".join(units) if units else ""
        raise UnitError(f"'{unit}' is {_kind(unit)[0]}, but {wanted} is wanted{such_as}")


# Kinds of quantity that a campaign holds: its name, and units of it, an SI one first; "" is a plain number.
_KINDS = {
    "a plain number": [""],
    "a length": ["m", "ft"],
    "a mass": ["kg", "lb"],
    "a force": ["N", "kN", "lbf"],
    "a time": ["s", "ms"],
    "an area": ["m^2", "ft^2"],
    "a volume": ["m^3"],
    "a density": ["kg/m^3", "lb/ft^3"],
    "a compliance (length per force)": ["m/N", "mm/kN"],
    "a stiffness (force per length)": ["N/m"],
    "a viscosity of a cord (force times time)": ["N*s"],
    "a temperature": ["degC", "degF"],
    "a voltage": ["V", "mV"],
    "a current": ["mA"],
    "a speed": ["m/s"],
    "an acceleration": ["m/s^2"],
    "an energy": ["J"],
    "a power": ["W"],
    "a pressure": ["kPa"],
}
_COMMON = sorted({*chain(*_KINDS.values()), "mm", "cm", "in", "g", "t", "kgf", "mV/V"} - {""})


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint  # half a second: only when there is something to convert

    return pint.UnitRegistry()


# A unit is words joined by * / or a space, each with a small power: nothing else is worth handing to a parser.
_WORD = r"[A-Za-z°µμΩ_]{1,20}(?:(?:\^|\*\*)?-?\d|[²³])?"
_UNIT = re.compile(rf"(?:1|{_WORD})(?: ?[*·/ ] ?{_WORD}){{0,5}}|%|", re.ASCII)


@lru_cache(maxsize=512)
def _unit(unit: str) -> Any:
    """The unit as pint has it. Raises UnitError, with the nearest that people write."""
    import pint

    if _UNIT.fullmatch(unit):
        with suppress(pint.PintError, ValueError, TypeError, KeyError):  # pint 0.25 loses itself in "m^0"
            return _registry().parse_units(unit)
    near = nearest(unit, _COMMON, cutoff=0.5)
    hint = f"the nearest known is '{near}'" if near else "write for example m, kg, kN, s or degC"
    raise UnitError(f"'{short(unit, 60)}' is not a known unit; {hint}")


def _kind(unit: str) -> tuple[str, list[str]]:
    """The kind of quantity that a unit is of, and units to offer for it."""
    for name, units in _KINDS.items():
        if _unit(units[0]).dimensionality == _unit(unit).dimensionality:
            return name, [one for one in units if one]
    return "another kind of quantity", []


_SIDES = {"": ROUND_HALF_EVEN, "lower": ROUND_FLOOR, "upper": ROUND_CEILING}


def fixed(value: float, decimals: int, side: str = "") -> str:
    """`value` to so many places; a "lower" limit is rounded down and an "upper" one up, so that none promises more."""
    exact = Decimal(f"{value:.12g}")  # past that a float's digits are noise, and would lift 45.0 to 45.1
    rounded = exact.quantize(Decimal(1).scaleb(-decimals), rounding=_SIDES[side])
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


def rounded_ends(lightest: float, heaviest: float) -> tuple[str, str]:
    """The ends of a range, the light one rounded up and the heavy one down: to a tenth, or closer in a narrow range."""
    for decimals in (1, 2, 3, 6):
        light, heavy = fixed(lightest, decimals, "upper"), fixed(heaviest, decimals, "lower")
        if float(light) <= float(heavy):
            break
    return light, heavy


def mass_range(lightest: float | None, heaviest: float | None, unit: str = "kg") -> str:
    """A range of masses [kg] in words, "37.8 to 77.7 kg", with `rounded_ends`; "no mass" where there is none."""
    if lightest is None or heaviest is None or not math.isfinite(lightest):
        return "no mass"
    if unit != "kg":  # pint takes half a second to come: only where there is something to convert
        lightest, heaviest = (convert(float(end), "kg", unit) for end in (lightest, heaviest))
    light, heavy = rounded_ends(lightest, heaviest)
    return f"{light} to {heavy} {unit}"


def plain(value: Any) -> Any:
    """A value as JSON takes it: arrays and tuples as lists, and None for a number that is not finite."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, dict):
        return {str(name): plain(inner) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def notebook_html(summary: str, *tables: "pd.DataFrame") -> str:
    """How a notebook shows a result: its summary, the first line in bold, all escaped; its tables with four digits."""
    head, *lines = summary.splitlines()
    text = "<br>".join([f"<b>{escape(head)}</b>", *(escape(line) for line in lines)])
    return f"<p>{text}</p>" + "".join(table.to_html(float_format="{:.4g}".format) for table in tables)

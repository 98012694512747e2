"""Numbers as a report shows them: rounded by their uncertainty, limits to the safe side, a second unit by choice."""

import re
from dataclasses import dataclass
from decimal import Decimal
from math import isfinite

from cordlab.units import convert, fixed, mass_range

NOTHING = "–"
SECOND = {"m": "ft", "kg": "lb", "N": "lbf", "kN": "lbf", "degC": "degF"}


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

    def write(self, value: float | None, unit: str = "", *, u: float | None = None, side: str = "") -> str:
        """The number without its unit; four digits where it has no uncertainty, a dash where there is none."""
        return self._text(value, unit, u, side, signed=False)

    def say(self, value: float | None, unit: str, *, u: float | None = None, side: str = "") -> str:
        """The number with its unit: "4.26 m", or "4.26 m (13.9 ft)"."""
        return self._text(value, unit, u, side, signed=True)

    def riders(self, lightest: float | None, heaviest: float | None) -> str:
        """A range of masses in words: "44.5 to 80.3 kg", or "44.5 to 80.3 kg (98.2 to 177.0 lb)"."""
        text, pounds = (mass_range(lightest, heaviest, unit) for unit in ("kg", "lb"))
        return f"{text} ({pounds})" if self.second and pounds != text else text

    def _text(self, value: float | None, unit: str, u: float | None, side: str, *, signed: bool) -> str:
        if value is None or not isfinite(value):
            return NOTHING
        text = _one(value, u, side) + _sign(unit) * signed
        if self.second and unit in SECOND:
            other = SECOND[unit]
            step = convert(1.0, unit, other) - convert(0.0, unit, other)
            text += f" ({_one(convert(value, unit, other), u and u * step, side)}{_sign(other) * signed})"
        return text


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


def _one(value: float, u: float | None, side: str) -> str:
    if u:
        return fixed(value, places(u), side)
    digits = 3 - Decimal(f"{value:.3e}").adjusted() if value else 0
    text = fixed(value, max(digits, 0), side)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _sign(unit: str) -> str:
    return unit and f" {unit.replace('deg', '°')}"

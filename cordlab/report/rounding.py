"""Numbers as a report shows them: rounded by their uncertainty, limits to the safe side, a second unit by choice."""

from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from math import isfinite

from cordlab.units import convert

NOTHING = "–"
SECOND = {"m": "ft", "kg": "lb", "N": "lbf", "kN": "lbf", "degC": "degF"}
_SIDES = {"": ROUND_HALF_EVEN, "lower": ROUND_FLOOR, "upper": ROUND_CEILING}


def places(u: float) -> int:
    """Decimal places that show two digits of a standard uncertainty, no more; JCGM 100:2008 (GUM), 7.2.6.

    Negative where u is 100 or more. Raises ValueError for a u that is not above 0.
    """
    if not (isfinite(u) and u > 0):
        raise ValueError(f"u = {u}: rounding by an uncertainty needs one above 0")
    return 1 - Decimal(f"{u:.1e}").adjusted()


def fixed(value: float, decimals: int, side: str = "") -> str:
    """`value` to so many places; a "lower" limit is rounded down and an "upper" one up, so that none promises more."""
    exact = Decimal(f"{value:.12g}")  # past that a float's digits are noise, and would lift 45.0 to 45.1
    rounded = exact.quantize(Decimal(1).scaleb(-decimals), rounding=_SIDES[side])
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


@dataclass(frozen=True)
class Numbers:
    """Writes quantities in SI, with a second unit in brackets where `second` is asked for."""

    second: bool = False

    def unit(self, unit: str) -> str:
        """Head of a column: "kg", or "kg (lb)"."""
        return f"{unit} ({SECOND[unit]})" if self.second and unit in SECOND else unit

    def write(self, value: float | None, unit: str = "", *, u: float | None = None, side: str = "") -> str:
        """The number without its unit; four digits where it has no uncertainty, a dash where there is none."""
        return self._text(value, unit, u, side, signed=False)

    def say(self, value: float | None, unit: str, *, u: float | None = None, side: str = "") -> str:
        """The number with its unit: "4.26 m", or "4.26 m (13.9 ft)"."""
        return self._text(value, unit, u, side, signed=True)

    def _text(self, value: float | None, unit: str, u: float | None, side: str, *, signed: bool) -> str:
        if value is None or not isfinite(value):
            return NOTHING
        text = _one(value, u, side) + _sign(unit) * signed
        if self.second and unit in SECOND:
            other = SECOND[unit]
            step = convert(1.0, unit, other) - convert(0.0, unit, other)
            text += f" ({_one(convert(value, unit, other), u and u * step, side)}{_sign(other) * signed})"
        return text


def _one(value: float, u: float | None, side: str) -> str:
    if u:
        return fixed(value, places(u), side)
    digits = 3 - Decimal(f"{value:.3e}").adjusted() if value else 0
    text = fixed(value, max(digits, 0), side)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _sign(unit: str) -> str:
    return unit and f" {unit.replace('deg', '°')}"

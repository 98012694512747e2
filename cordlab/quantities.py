"""What the next drop is judged by: one row a quantity; a `Criterion` in it is all that a new criterion takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True)
class Criterion:
    """A bound on a quantity, from the local rules or the maker: a figure in the unit of its quantity, or a factor by
    which a strength in that unit is divided."""

    key: str  # under `[criteria]` in campaign.toml; in sentences too, so it reads like "least clearance"
    title: str  # its line in the report
    slider: tuple[float, float, float] = (0.0, 10.0, 0.1)  # least, most and step where a panel tries other figures
    required: bool = False
    strength: str = ""  # key of the strength that the figure divides; both are needed
    above: float = -inf  # what the figure itself must be, or it is refused as a slip
    at_least: float = -inf

    def bound(self, criteria: Mapping[str, Any]) -> float | None:
        """The bound from the figures of `[criteria]`, by key; None where it is not asked for."""
        figure = criteria.get(self.key)
        return figure if figure is None or not self.strength else criteria[self.strength] / figure


@dataclass(frozen=True)
class Quantity:
    """One quantity of the next drop."""

    name: str  # its key in results.json and in every dict of quantities
    word: str  # in sentences and column heads
    unit: str  # SI, "" for a plain number
    symbol: str  # for figures
    danger: str  # "upper" where a great value is dangerous, "lower" where a small one is; limits are one-sided there
    decimals: int = 2  # in tables without uncertainty
    load: bool = False  # peaks of stretch waves count, and effects of first order are relative
    drawn: bool = True  # by the forecast; else computed from one that is drawn
    asked_only: bool = False  # drawn where its criterion is asked for, and the records show what it takes
    end: str = ""  # of the rated range at which it can govern, "light" or "heavy", if it has a budget there
    columns: tuple[str, ...] = ()  # of "estimate" and "limit", those that the report's table by rider mass shows
    criterion: Criterion | None = None

    @property
    def head(self) -> str:
        """ "clearance [m]", for columns and axes."""
        return f"{self.word} [{self.unit or 1}]"

    @property
    def stiff(self) -> bool:
        """Whether a stiff cord is the dangerous one: it loads more, and a mass that turned higher returns higher."""
        return self.load or self.name == REBOUND

    @property
    def sign(self) -> int:
        """1 where a limit lies above its estimate, −1 where below."""
        return 1 if self.danger == "upper" else -1

    def tail(self, probability: float) -> float:
        """The quantile that is the one-sided limit with this probability."""
        return probability if self.danger == "upper" else 1 - probability

    def worse(self, values: np.ndarray, bound: np.ndarray | float) -> np.ndarray:
        """Whether values lie on the dangerous side of a bound; an undefined value lies on neither."""
        return values > bound if self.danger == "upper" else values < bound

    def meets(self, values: np.ndarray, bound: float) -> np.ndarray:
        """Whether values meet the bound of the criterion; an undefined value does not."""
        return values <= bound if self.danger == "upper" else values >= bound


REBOUND = "depth_at_rebound"
_BOTH, _ONE = ("estimate", "limit"), ("limit",)
_CLEARANCE = Criterion(
    "least_clearance", "Least clearance of the body above the surface", (0, 15, 0.5), True, at_least=0
)
_G = Criterion("greatest_g", "Greatest g, load at the lower end over weight, 1 at rest", (1.5, 5, 0.05), True, above=1)
_STRETCH = Criterion(
    "greatest_stretch_ratio", "Greatest stretch ratio, stretched over slack length", (1.5, 6, 0.05), above=1
)
_REBOUND = Criterion("least_depth_at_rebound", "Least depth at rebound, of the cord's end", (-5, 10, 0.1), above=-50)
_ANCHOR = Criterion(
    "least_anchor_factor", "Least anchor factor, over peak load", (1, 12, 0.5), False, "anchor_strength", at_least=1
)
_FACTOR = Criterion(
    "least_strength_factor", "Least strength factor, breaking load over greatest load", (1, 12, 0.5), True, at_least=1
)
_ROWS = (
    Quantity("lowest_point", "lowest point", "m", "y", "upper"),
    Quantity("clearance", "clearance", "m", "h", "lower", end="heavy", columns=_BOTH, criterion=_CLEARANCE),
    Quantity("g", "g", "", "g", "upper", load=True, end="light", columns=_BOTH, criterion=_G),
    Quantity("peak_load", "peak load", "N", "F", "upper", 0, load=True, end="heavy", columns=_ONE, criterion=_ANCHOR),
    Quantity(
        REBOUND, "depth at rebound", "m", "y", "lower", asked_only=True, end="light", columns=_BOTH, criterion=_REBOUND
    ),
    Quantity("stretch_ratio", "stretch ratio", "", "λ", "upper", columns=_ONE, criterion=_STRETCH),
    Quantity(
        "strength_factor", "strength factor", "", "S", "lower", load=True, drawn=False, columns=_ONE, criterion=_FACTOR
    ),
)
QUANTITIES: dict[str, Quantity] = {row.name: row for row in _ROWS}

DRAWN = tuple(name for name, quantity in QUANTITIES.items() if quantity.drawn)


def bounded() -> list[tuple[Quantity, Criterion]]:
    """The quantities that have a criterion, with it."""
    return [(row, row.criterion) for row in QUANTITIES.values() if row.criterion is not None]


def bounds(criteria: Mapping[str, Any]) -> dict[str, float]:
    """Quantity → its bound, of those that `[criteria]` asks for."""
    asked = {row.name: criterion.bound(criteria) for row, criterion in bounded()}
    return {name: bound for name, bound in asked.items() if bound is not None}


def entries() -> list[tuple[str, str, str, Criterion]]:
    """Key, title and unit of every figure that the criteria are stated by."""
    rows = []
    for row, criterion in bounded():
        rows.append((criterion.key, criterion.title, "" if criterion.strength else row.unit, criterion))
        if criterion.strength:
            title = criterion.strength.replace("_", " ").capitalize()
            rows.append((criterion.strength, title, row.unit, Criterion("", "", above=0)))
    return rows

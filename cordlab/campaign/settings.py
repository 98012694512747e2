"""campaign.toml: where the weights were dropped, where people will jump, the criteria and how they are decided."""

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, make_dataclass
from functools import partial
from itertools import pairwise
from math import inf
from reprlib import repr as brief
from typing import Annotated, Any

from pydantic import ConfigDict, PlainValidator, TypeAdapter, ValidationError, with_config

from cordlab.campaign.files import Folder, nearest, offer
from cordlab.campaign.tables import text
from cordlab.quantities import bounded
from cordlab.units import Measured, parse_measured

FILE = "campaign.toml"


def _measured(given: Any, *, unit: str = "", above: float = -inf, at_least: float = -inf) -> Measured:
    """ "48.00(3) m" in SI, within bounds."""
    measured = parse_measured(given, unit)
    if not measured.value > above:
        raise ValueError(f"{given} is not above {above:g}")
    if not measured.value >= at_least:
        raise ValueError(f"{given} is less than {at_least:g}")
    return measured


def _exact(given: Any, **bounds: Any) -> float:
    """A figure that a rule states, which has no uncertainty."""
    measured = _measured(given, **bounds)
    if measured.u:
        raise ValueError(f"{given} has an uncertainty; a rule's figure is exact")
    return measured.value


def _quantity(unit: str, **bounds: float) -> PlainValidator:
    return PlainValidator(partial(_measured, unit=unit, **bounds))


def _figure(unit: str = "", **bounds: float) -> PlainValidator:
    return PlainValidator(partial(_exact, unit=unit, **bounds))


def _share(given: Any, *, lowest: float = 0.0) -> float:
    value = parse_measured(given, "").value
    if not lowest < value < 1:
        hint = f"; for {value:g} % write {value / 100:g}" if 100 * lowest < value < 100 else ""
        raise ValueError(f"{given} is not between {lowest:g} and 1{hint}")
    return value


def _range(given: Any, *, unit: str) -> tuple[float, float]:
    """ "5 to 30 degC" in the unit asked for, exact."""
    match = re.fullmatch(r"\s*(\S+) +to +(\S+) +(\S+)\s*", given) if isinstance(given, str) else None
    if match is None:
        raise ValueError(f'{brief(given)} is not a range; write for example "5 to 30 {unit}"')
    low, high = (_exact(f"{end} {match[3]}", unit=unit) for end in match.group(1, 2))
    if low > high:
        raise ValueError(f"{given} falls; write the lower end first")
    return low, high


def _masses(given: Any) -> tuple[float, ...]:
    """Masses of a plan [kg], light to heavy."""
    if not isinstance(given, list) or not given:
        raise ValueError(f'{brief(given)} is not a list of masses; write for example ["36 kg", "52 kg"]')
    masses = sorted(_exact(each, unit="kg", above=0.0) for each in given)
    for light, heavy in pairwise(masses):
        if light == heavy:
            raise ValueError(f"{light:g} kg is there twice")
    return tuple(masses)


def _one_of(*choices: str) -> PlainValidator:
    def read(given: Any) -> str:
        if given not in choices:
            near = nearest(str(given), choices)
            raise ValueError(f"{brief(given)} is none of {', '.join(choices)}{offer(near)}")
        return given

    return PlainValidator(read)


def _text(given: Any) -> str:
    if not isinstance(given, str) or not given.strip():
        raise ValueError(f"{brief(given)} is not a text; write it in quotes")
    try:
        return text(given.strip())
    except ValueError as error:
        raise ValueError(f"the text {error}") from error


def _whole(lowest: int, highest: int) -> PlainValidator:
    def read(given: Any) -> int:
        if isinstance(given, bool) or not isinstance(given, int) or not lowest <= given <= highest:
            raise ValueError(f"{brief(given)} is not a whole number from {lowest} to {highest}")
        return given

    return PlainValidator(read)


Text = Annotated[str, PlainValidator(_text)]
Line = Annotated[str | None, PlainValidator(_text)]
Limit = Annotated[float, PlainValidator(lambda given: _share(given, lowest=0.5))]
_closed = with_config(ConfigDict(extra="forbid"))


@_closed
@dataclass(frozen=True)
class Rig:
    """Where the weights were dropped.

    tie_height : tie point above the surface  [m]
    release_depth : how far below the tie point the mass is let go, negative above it  [m]
    drag_area : Cd·A of the test mass  [m²]
    air_density : [kg/m³]
    compliance : sag of crane or boom per newton  [m/N]
    load_cell_at : "top" (tie point) or "bottom" (the cord's lower end)
    """

    tie_height: Annotated[Measured, _quantity("m", above=0)]
    release_depth: Annotated[Measured, _quantity("m")]
    drag_area: Annotated[Measured, _quantity("m^2", at_least=0)]
    air_density: Annotated[Measured, _quantity("kg/m^3", at_least=0)]
    compliance: Annotated[Measured, _quantity("m/N", at_least=0)]
    load_cell_at: Annotated[str, _one_of("top", "bottom")]


@_closed
@dataclass(frozen=True)
class Site:
    """Where people will jump.

    tie_height : tie point above the surface  [m]
    surface : its name, such as "water"
    release_depth : how far below the tie point the jump begins, negative above it  [m]
    reach_below_attachment : lowest point of the body below the cord's end  [m]
    gear_mass : hung with the rider: harness, connectors  [kg]
    drag_area : Cd·A of the body  [m²]
    air_density : [kg/m³]
    temperature : lowest and highest of the cord in use [degC], or None: where the drops were made, and nowhere else
    """

    tie_height: Annotated[Measured, _quantity("m", above=0)]
    surface: Text
    release_depth: Annotated[Measured, _quantity("m")]
    reach_below_attachment: Annotated[Measured, _quantity("m", at_least=0)]
    gear_mass: Annotated[Measured, _quantity("kg", at_least=0)]
    drag_area: Annotated[Measured, _quantity("m^2", at_least=0)]
    air_density: Annotated[Measured, _quantity("kg/m^3", at_least=0)]
    temperature: Annotated[tuple[float, float] | None, PlainValidator(partial(_range, unit="degC"))] = None


def _bounds() -> Iterator[tuple[str, Any] | tuple[str, Any, Any]]:
    """A field for each criterion in the table of quantities; those that are required first, as dataclasses want it."""
    for quantity, criterion in sorted(bounded(), key=lambda row: not row[1].required):
        check = _figure(quantity.unit, above=criterion.above, at_least=criterion.at_least)
        if criterion.required:
            yield criterion.key, Annotated[float, check]
        else:
            yield criterion.key, Annotated[float | None, check], None


_Bounds: Any = make_dataclass("_Bounds", _bounds(), frozen=True)


@_closed
@dataclass(frozen=True)
class Criteria(_Bounds):
    """What the local rules and the maker ask for; there are no defaults.

    least_clearance, greatest_g and the others of `quantities`: in the SI unit of their quantity, None where one that
        is optional is left out
    design_breaking_load : [N], or None where breaks.csv gives breaking loads
    greatest_jumps : the maker's or the rule's cap on the jump count, or None
    lot_sample_share : least share of the lot to be broken, or None
    lot_size : number of cords in the lot, or None
    """

    design_breaking_load: Annotated[Measured | None, _quantity("N", above=0)] = None
    greatest_jumps: Annotated[int | None, _whole(1, 10**6)] = None
    lot_sample_share: Annotated[float | None, PlainValidator(_share)] = None
    lot_size: Annotated[int | None, _whole(1, 10**6)] = None


@_closed
@dataclass(frozen=True)
class Decision:
    """How a criterion is held against the evidence.

    limit : "prediction" (the next drop) or "tolerance" (a share of all drops)
    probability : of the next drop, or the share of drops covered
    confidence : of a tolerance limit
    model : name of a force–elongation model, or "auto"
    seed : of the random draws
    jumps : retested count to which the rating is to hold, or None: for cords as they were dropped
    calibration_degree : 1 or 2, or None where lack of fit decides
    filter : "cfc60" or "off"
    """

    limit: Annotated[str, _one_of("prediction", "tolerance")]
    probability: Limit
    confidence: Limit = 0.95
    model: Text = "auto"
    seed: Annotated[int, _whole(0, 2**32 - 1)] = 0
    jumps: Annotated[int | None, _whole(1, 10**6)] = None
    calibration_degree: Annotated[int | None, _whole(1, 2)] = None
    filter: Annotated[str, _one_of("cfc60", "off")] = "cfc60"


@_closed
@dataclass(frozen=True)
class Plan:
    """The masses of a test day, and its own limits where they are not those of `[criteria]`.

    masses : hung below the cord's end, light to heavy  [kg]
    stack_height : of the weights below the cord's end  [m]
    least_clearance : of the lowest weight above the surface  [m], or None: that of `[criteria]`
    greatest_load : at the tie point of the rig  [N], or None
    """

    masses: Annotated[tuple[float, ...], PlainValidator(_masses)]
    stack_height: Annotated[float, _figure("m", at_least=0)] = 0.0
    least_clearance: Annotated[float | None, _figure("m", at_least=0)] = None
    greatest_load: Annotated[float | None, _figure("N", above=0)] = None


@_closed
@dataclass(frozen=True)
class CordSection:
    """What is known of the cord beside its drops: viscosity  [N·s]."""

    viscosity: Annotated[Measured | None, _quantity("N*s", at_least=0)] = None


@_closed
@dataclass(frozen=True)
class ReportSection:
    """What a report says beside its results (ISO/IEC 17025:2017, 7.8.2); a line left out stays blank to fill in."""

    laboratory: Line = None
    address: Line = None
    customer: Line = None
    place: Line = None
    received: Line = None
    tested: Line = None
    issued: Line = None
    sampling: Line = None
    external: Line = None
    deviations: Line = None
    author: Line = None
    reviewer: Line = None


@_closed
@dataclass(frozen=True)
class Settings:
    """The whole of campaign.toml."""

    title: Text
    batch: Text
    rig: Rig
    site: Site
    criteria: Criteria
    decision: Decision
    cord: CordSection = field(default_factory=CordSection)
    report: ReportSection = field(default_factory=ReportSection)
    plan: Plan | None = None


def read_toml(folder: Folder, name: str) -> tuple[str, dict[str, Any]] | None:
    """Text of a TOML file and what it holds; None, with the problem noted, where it cannot be read."""
    content = folder.read_text(name)
    if content is None:
        return None
    try:
        return content, tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        folder.problem(name, f"is not valid TOML: {error}")
    except (ValueError, RecursionError):  # a number of thousands of digits, thousands of brackets
        folder.problem(name, "holds a number or a nesting that is too long to read")
    return None


def read_settings(folder: Folder) -> Settings | None:
    """campaign.toml of the folder, checked; None, with the problems noted, where anything in it is refused."""
    read = read_toml(folder, FILE)
    if read is None:
        return None
    content, given = read
    known = len(folder.problems)
    settings = None
    try:
        settings = TypeAdapter(Settings).validate_python(given)
    except ValidationError as error:
        for loc, what in _messages(error, given):
            folder.problem(_place(Lines(content), given, loc), what)
    decision = given.get("decision")
    if isinstance(decision, dict) and decision.get("limit") == "tolerance" and "confidence" not in decision:
        folder.problem(f"{FILE}, [decision]", "'confidence' is missing; a tolerance limit needs one, such as 0.95")
    return settings if len(folder.problems) == known else None


def _messages(error: ValidationError, given: dict[str, Any]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Section and key, and what is wrong, for people, of everything that the shape of campaign.toml refuses."""
    found = [(tuple(map(str, one["loc"])), one) for one in error.errors(include_url=False, include_input=False)]
    missing = [loc for loc, one in found if one["type"] == "missing"]
    for loc, one in found:
        if one["type"] == "unexpected_keyword_argument":
            *section, name = loc
            present = given[section[0]] if section else given
            near = nearest(name, [known.name for known in fields(_SECTIONS[loc[:-1]]) if known.name not in present])
            missing = [wanted for wanted in missing if wanted != (*section, near)]  # one slip, one message
            yield loc, f"is not known here{offer(near, '; remove it')}"
        elif one["type"] == "value_error":
            yield loc, str(one["ctx"]["error"])
        elif one["type"] != "missing":
            yield loc, f"is a section; write [{loc[-1]}] on its own line, its keys below"
    for *section, name in missing:
        what = f"the section [{name}]" if (name,) in _SECTIONS else f"'{name}'"
        yield tuple(section), f"{what} is missing; add it"


_SECTIONS: dict[tuple[str, ...], type] = {
    (): Settings,
    ("rig",): Rig,
    ("site",): Site,
    ("criteria",): Criteria,
    ("decision",): Decision,
    ("cord",): CordSection,
    ("report",): ReportSection,
    ("plan",): Plan,
}


class Lines:
    """Where the tables and keys of a TOML file stand, as far as each is on a line of its own."""

    def __init__(self, content: str) -> None:
        self._rows: dict[tuple[Any, ...], int] = {}
        count: dict[str, int] = {}
        table: tuple[Any, ...] = ()
        for number, line in enumerate(content.splitlines(), start=1):
            if head := re.match(r"\s*\[\[?\s*([\w-]+)\s*\]", line):
                table = (head[1], count.get(head[1], 0))
                count[head[1]] = table[1] + 1
                self._rows[table] = self._rows[table[:1]] = number
            elif key := re.match(r"\s*([\w-]+)\s*=", line):
                self._rows[(*table, key[1])] = number

    def row(self, *loc: Any) -> int | None:
        """Of a key or table by its name; of the k-th table of that name: name, k; of a key in it: name, k, key."""
        return self._rows.get(loc)


def _place(lines: Lines, given: dict[str, Any], loc: tuple[str, ...]) -> str:
    """ "campaign.toml, row 7, [rig] 'tie_height'"; the row left out where a key is not on a line of its own."""
    row = lines.row(*loc) if len(loc) < 2 else lines.row(loc[0], 0, *loc[1:])
    names = [f"'{name}'" for name in loc]
    if len(loc) == 2 or (loc and isinstance(given.get(loc[0]), dict)):
        names[0] = f"[{loc[0]}]"
    return ", ".join(part for part in (FILE, row and f"row {row}", " ".join(names)) if part)

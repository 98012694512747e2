"""campaign.toml: where the weights were dropped, where people will jump, the criteria and how they are decided."""

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields, make_dataclass
from functools import partial
from itertools import pairwise
from math import inf
from reprlib import repr as brief
from typing import Any

from cordlab.campaign.files import Folder, nearest, offer
from cordlab.campaign.tables import text
from cordlab.quantities import bounded
from cordlab.units import Measured, parse_measured

FILE = "campaign.toml"


# Readers: each turns what TOML holds into a value, or raises ValueError with what is wrong.


def _measured(written: Any, *, unit: str = "", above: float = -inf, at_least: float = -inf) -> Measured:
    """ "48.00(3) m" in SI, within bounds."""
    measured = parse_measured(written, unit)
    if not measured.value > above:
        raise ValueError(f"{written} is not above {above:g}")
    if not measured.value >= at_least:
        raise ValueError(f"{written} is less than {at_least:g}")
    return measured


def _exact(written: Any, **bounds: Any) -> float:
    """A figure that a rule states, which has no uncertainty."""
    measured = _measured(written, **bounds)
    if measured.u:
        raise ValueError(f"{written} has an uncertainty; a rule's figure is exact")
    return measured.value


def _share(written: Any, *, lowest: float = 0.0) -> float:
    value = parse_measured(written, "").value
    if not lowest < value < 1:
        hint = f"; for {value:g} % write {value / 100:g}" if 100 * lowest < value < 100 else ""
        raise ValueError(f"{written} is not between {lowest:g} and 1{hint}")
    return value


def _range(written: Any, *, unit: str) -> tuple[float, float]:
    """ "5 to 30 degC" in the unit asked for, exact."""
    match = re.fullmatch(r"\s*(\S+) +to +(\S+) +(\S+)\s*", written) if isinstance(written, str) else None
    if match is None:
        raise ValueError(f'{brief(written)} is not a range; write for example "5 to 30 {unit}"')
    low, high = (_exact(f"{end} {match[3]}", unit=unit) for end in match.group(1, 2))
    if low > high:
        raise ValueError(f"{written} falls; write the lower end first")
    return low, high


def _masses(written: Any) -> tuple[float, ...]:
    """Masses of a plan [kg], light to heavy."""
    if not isinstance(written, list) or not written:
        raise ValueError(f'{brief(written)} is not a list of masses; write for example ["36 kg", "52 kg"]')
    masses = sorted(_exact(mass, unit="kg", above=0.0) for mass in written)
    for light, heavy in pairwise(masses):
        if light == heavy:
            raise ValueError(f"{light:g} kg is there twice")
    return tuple(masses)


def _choice(written: Any, *, choices: tuple[str, ...]) -> str:
    if written not in choices:
        raise ValueError(f"{brief(written)} is none of {', '.join(choices)}{offer(nearest(str(written), choices))}")
    return written


def _text(written: Any) -> str:
    if not isinstance(written, str) or not written.strip():
        raise ValueError(f"{brief(written)} is not a text; write it in quotes")
    try:
        return text(written.strip())
    except ValueError as error:
        raise ValueError(f"the text {error}") from error


def _whole(written: Any, *, lowest: int, highest: int) -> int:
    if isinstance(written, bool) or not isinstance(written, int) or not lowest <= written <= highest:
        raise ValueError(f"{brief(written)} is not a whole number from {lowest} to {highest}")
    return written


def _key(read: Callable[..., Any], default: Any = MISSING, **options: Any) -> Any:
    """A key of campaign.toml as a dataclass field: how it is read, and its value where it is left out."""
    return field(default=default, metadata={"read": partial(read, **options)})


def _quantity(unit: str, default: Any = MISSING, **bounds: float) -> Any:
    return _key(_measured, default, unit=unit, **bounds)


def _figure(unit: str, default: Any = MISSING, **bounds: float) -> Any:
    return _key(_exact, default, unit=unit, **bounds)


def _count(default: Any = None, lowest: int = 1, highest: int = 10**6) -> Any:
    return _key(_whole, default, lowest=lowest, highest=highest)


def _line() -> Any:
    return _key(_text, None)


def _section(kind: type, **default: Any) -> Any:
    return field(metadata={"section": kind}, **default)


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

    tie_height: Measured = _quantity("m", above=0)
    release_depth: Measured = _quantity("m")
    drag_area: Measured = _quantity("m^2", at_least=0)
    air_density: Measured = _quantity("kg/m^3", at_least=0)
    compliance: Measured = _quantity("m/N", at_least=0)
    load_cell_at: str = _key(_choice, choices=("top", "bottom"))


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

    tie_height: Measured = _quantity("m", above=0)
    surface: str = _key(_text)
    release_depth: Measured = _quantity("m")
    reach_below_attachment: Measured = _quantity("m", at_least=0)
    gear_mass: Measured = _quantity("kg", at_least=0)
    drag_area: Measured = _quantity("m^2", at_least=0)
    air_density: Measured = _quantity("kg/m^3", at_least=0)
    temperature: tuple[float, float] | None = _key(_range, None, unit="degC")


def _bounds() -> Iterator[tuple[str, Any, Field[Any]]]:
    """A key for each criterion in the table of quantities, those that are required first, as dataclasses want it."""
    for quantity, criterion in sorted(bounded(), key=lambda row: not row[1].required):
        default = MISSING if criterion.required else None
        yield criterion.key, Any, _figure(quantity.unit, default, above=criterion.above, at_least=criterion.at_least)


_Bounds: Any = make_dataclass("_Bounds", _bounds(), frozen=True)


@dataclass(frozen=True)
class Criteria(_Bounds):
    """What the local rules and the maker ask for; there are no defaults.

    least_clearance, greatest_g and the others of `quantities`: in the SI unit of their quantity, None where one that
        is optional is left out
    design_breaking_load : [N], or None where breaks.csv gives breaking loads; with both, the lower counts
    greatest_jumps : the maker's or the rule's cap on the jump count, or None
    lot_sample_share : least share of the lot to be broken, or None
    lot_size : number of cords in the lot, or None
    """

    design_breaking_load: Measured | None = _quantity("N", None, above=0)
    greatest_jumps: int | None = _count()
    lot_sample_share: float | None = _key(_share, None)
    lot_size: int | None = _count()


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

    limit: str = _key(_choice, choices=("prediction", "tolerance"))
    probability: float = _key(_share, lowest=0.5)
    confidence: float = _key(_share, 0.95, lowest=0.5)
    model: str = _key(_text, "auto")
    seed: int = _count(0, lowest=0, highest=2**32 - 1)
    jumps: int | None = _count()
    calibration_degree: int | None = _count(highest=2)
    filter: str = _key(_choice, "cfc60", choices=("cfc60", "off"))


@dataclass(frozen=True)
class Plan:
    """The masses of a test day, and its limits where they are not those of `[criteria]`.

    masses : hung below the cord's end, light to heavy  [kg]
    stack_height : of the weights below the cord's end  [m]
    least_clearance : of the lowest weight above the surface  [m], or None: that of `[criteria]`
    greatest_load : at the tie point of the rig  [N], or None
    """

    masses: tuple[float, ...] = _key(_masses)
    stack_height: float = _figure("m", 0.0, at_least=0)
    least_clearance: float | None = _figure("m", None, at_least=0)
    greatest_load: float | None = _figure("N", None, above=0)


@dataclass(frozen=True)
class CordSection:
    """What is known of the cord apart from its drops: viscosity  [N·s]."""

    viscosity: Measured | None = _quantity("N*s", None, at_least=0)


@dataclass(frozen=True)
class ReportSection:
    """What a report says apart from its results (ISO/IEC 17025:2017, 7.8.2); a line left out stays blank to fill in."""

    laboratory: str | None = _line()
    address: str | None = _line()
    customer: str | None = _line()
    place: str | None = _line()
    received: str | None = _line()
    tested: str | None = _line()
    issued: str | None = _line()
    sampling: str | None = _line()
    external: str | None = _line()
    deviations: str | None = _line()
    author: str | None = _line()
    reviewer: str | None = _line()


@dataclass(frozen=True)
class Settings:
    """The whole of campaign.toml."""

    title: str = _key(_text)
    batch: str = _key(_text)
    rig: Rig = _section(Rig)
    site: Site = _section(Site)
    criteria: Criteria = _section(Criteria)
    decision: Decision = _section(Decision)
    cord: CordSection = _section(CordSection, default_factory=CordSection)
    report: ReportSection = _section(ReportSection, default_factory=ReportSection)
    plan: Plan | None = _section(Plan, default=None)


KeyPath = tuple[str, ...]  # (section, key), (section,), or (key,) of one that is in no section


def read_settings(folder: Folder) -> Settings | None:
    """campaign.toml of the folder, checked; None, with the problems noted, where anything in it is refused."""
    content = folder.read_text(FILE)
    if content is None:
        return None
    try:
        written = tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        folder.problem(FILE, f"is not valid TOML: {error}")
        return None
    except (ValueError, RecursionError):  # a number of thousands of digits, thousands of brackets
        folder.problem(FILE, "holds a number or a nesting that is too long to read")
        return None
    settings, problems = _read(Settings, written)
    rows, known = _rows(content), len(folder.problems)
    for path, what in problems:
        folder.problem(_place(rows, written, path), what)
    decision = written.get("decision")
    if isinstance(decision, dict) and decision.get("limit") == "tolerance" and "confidence" not in decision:
        folder.problem(f"{FILE}, [decision]", "'confidence' is missing; a tolerance limit needs one, such as 0.95")
    return settings if len(folder.problems) == known else None


def _read(kind: type, table: Mapping[str, Any]) -> tuple[Any, list[tuple[KeyPath, str]]]:
    """One section as its class, None where anything in it is refused; and what is wrong, with its path."""
    problems: list[tuple[KeyPath, str]] = []
    values = {}
    keys = {key.name: key for key in fields(kind)}
    required = [name for name, key in keys.items() if key.default is MISSING and key.default_factory is MISSING]
    missing = [name for name in required if name not in table]
    for name in [name for name in keys if name in table]:
        section = keys[name].metadata.get("section")
        if section is None:
            try:
                values[name] = keys[name].metadata["read"](table[name])
            except ValueError as error:
                problems.append(((name,), str(error)))
        elif isinstance(table[name], dict):
            values[name], inner = _read(section, table[name])
            problems += [((name, *path), what) for path, what in inner]
        else:
            problems.append(((name,), f"is a section; write [{name}] on its own line, its keys below"))
    for name in [name for name in table if name not in keys]:
        near = nearest(name, [known for known in keys if known not in table])
        missing = [wanted for wanted in missing if wanted != near]  # one slip, one message
        problems.append(((name,), f"is not known here{offer(near, '; remove it')}"))
    for name in missing:
        what = f"the section [{name}]" if "section" in keys[name].metadata else f"'{name}'"
        problems.append(((), f"{what} is missing; add it"))
    return None if problems else kind(**values), problems


def _rows(content: str) -> dict[KeyPath, int]:
    """The row of each section and key, as far as it stands on a line alone."""
    rows: dict[KeyPath, int] = {}
    section: KeyPath = ()
    for number, line in enumerate(content.splitlines(), start=1):
        if head := re.match(r"\s*\[\[?\s*([\w-]+)\s*\]", line):
            section = (head[1],)
            rows.setdefault(section, number)
        elif key := re.match(r"\s*([\w-]+)\s*=", line):
            rows.setdefault((*section, key[1]), number)
    return rows


def _place(rows: Mapping[KeyPath, int], written: Mapping[str, Any], path: KeyPath) -> str:
    """ "campaign.toml, row 7, [rig] 'tie_height'"; the row left out where a key is not on a line alone."""
    names = [f"'{name}'" for name in path]
    if len(path) == 2 or (path and isinstance(written.get(path[0]), dict)):
        names[0] = f"[{path[0]}]"
    row = f"row {rows[path]}" if path in rows else ""
    return ", ".join(part for part in (FILE, row, " ".join(names)) if part)

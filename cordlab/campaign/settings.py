"""campaign.toml: where the weights were dropped, where people will jump, the criteria and how they are decided."""

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields, make_dataclass, replace
from functools import partial
from itertools import pairwise
from reprlib import repr as brief
from typing import Any

from cordlab.campaign.files import Folder, offer
from cordlab.campaign.tables import check_bounds, text
from cordlab.quantities import bounded, entries
from cordlab.units import Measured, nearest, parse_measured

FILE = "campaign.toml"
LAYOUT = 2
"""Version of the layout of campaigns, results and bundles that is written here; without one they are of the first."""
ASKED = {2: (("site", "centre_of_mass_fall"),)}
"""Layout → the keys that it asks for before anything is rated, and the one before it does not know."""

# Readers: each turns what TOML holds into a value, or raises ValueError with what is wrong.


def _measured(written: object, *, unit: str = "", **bounds: float) -> Measured:
    """ "48.00(3) m" in SI, within bounds."""
    measured = parse_measured(written, unit)
    check_bounds(written, measured.value, unit, **bounds)
    return measured


def _exact(written: object, *, unit: str = "", **bounds: float) -> float:
    """A figure that a rule states, which has no uncertainty."""
    measured = _measured(written, unit=unit, **bounds)
    if measured.u:
        raise ValueError(f"{written} has an uncertainty; a rule's figure is exact")
    return measured.value


def _common_error(written: object, *, unit: str) -> Measured:
    """An error that all readings share, of which only the size is known."""
    measured = _measured(written, unit=unit)
    if measured.value:
        raise ValueError(f"{written} is a known error: correct drops.csv by it, and write here what is left")
    return measured


def _share(written: object, *, lowest: float = 0.0) -> float:
    value = parse_measured(written, "").value
    if not lowest < value < 1:
        hint = f"; for {value:g} % write {value / 100:g}" if 100 * lowest < value < 100 else ""
        raise ValueError(f"{written} is not between {lowest:g} and 1{hint}")
    return value


def _range(written: object, *, unit: str) -> tuple[float, float]:
    """ "5 to 30 degC" in the unit asked for, exact."""
    match = re.fullmatch(r"\s*(\S+) +to +(\S+) +(\S+)\s*", written) if isinstance(written, str) else None
    if match is None:
        raise ValueError(f'{brief(written)} is not a range; write for example "5 to 30 {unit}"')
    low, high = (_exact(f"{end} {match[3]}", unit=unit) for end in match.group(1, 2))
    if low > high:
        raise ValueError(f"{written} falls; write the lower end first")
    return low, high


def _masses(written: object) -> tuple[float, ...]:
    """Masses of a plan [kg], light to heavy."""
    if not isinstance(written, list) or not written:
        raise ValueError(f'{brief(written)} is not a list of masses; write for example ["36 kg", "52 kg"]')
    masses = sorted(_exact(mass, unit="kg", above=0.0) for mass in written)
    for light in [light for light, heavy in pairwise(masses) if light == heavy]:
        raise ValueError(f"{light:g} kg is there twice")
    return tuple(masses)


def _choice(written: object, *, choices: tuple[str, ...]) -> str:
    if not isinstance(written, str) or written not in choices:
        raise ValueError(f"{brief(written)} is none of {', '.join(choices)}{offer(nearest(str(written), choices))}")
    return written


def _text(written: object) -> str:
    if not isinstance(written, str) or not written.strip():
        raise ValueError(f"{brief(written)} is not a text; write it in quotes")
    try:
        return text(written.strip())
    except ValueError as error:
        raise ValueError(f"the text {error}") from error


def _whole(written: object, *, lowest: int = 1, highest: int = 10**6) -> int:
    if isinstance(written, bool) or not isinstance(written, int) or not lowest <= written <= highest:
        raise ValueError(f"{brief(written)} is not a whole number from {lowest} to {highest}")
    return written


def _layout(written: object) -> int:
    """The version that a campaign's layout was written in."""
    if (layout := _whole(written)) > LAYOUT:
        raise ValueError(f"{layout} is of a later cordlab, this one reads layouts to {LAYOUT}: take that one")
    return layout


def _key(read: Callable[..., object], default: object = MISSING, **options: object) -> Any:
    """A key of campaign.toml as a dataclass field: how it is read, and its value where it is left out."""
    return field(default=default, metadata={"read": partial(read, **options)})


def _section(kind: type, default: object = MISSING) -> Any:
    return field(default=default, metadata={"section": kind})


# The keys of campaign.toml, a class a section. Quantities are kept in the unit of their key.


@dataclass(frozen=True)
class Rig:
    """Where the weights were dropped."""

    tie_height: Measured = _key(_measured, unit="m", above=0)  # tie point above the surface
    release_depth: Measured = _key(_measured, unit="m")  # of the mass below the tie point, negative above it
    drag_area: Measured = _key(_measured, unit="m^2", at_least=0)  # Cd·A of the test mass
    air_density: Measured = _key(_measured, unit="kg/m^3", at_least=0)
    compliance: Measured = _key(_measured, unit="m/N", at_least=0)  # sag of crane or boom per newton
    load_cell_at: str = _key(_choice, choices=("top", "bottom"))  # tie point, or the cord's lower end
    # what all lowest points noted in drops.csv have in common: of tape, camera or datum
    lowest_point_error: Measured | None = _key(_common_error, None, unit="m")


@dataclass(frozen=True)
class Site:
    """Where people will jump."""

    tie_height: Measured = _key(_measured, unit="m", above=0)  # tie point above the surface
    surface: str = _key(_text)  # its name, such as "water"
    release_depth: Measured = _key(_measured, unit="m")  # where the jump begins below the tie point, negative above it
    reach_below_attachment: Measured = _key(_measured, unit="m", at_least=0)  # of the body's lowest point
    gear_mass: Measured = _key(_measured, unit="kg", at_least=0)  # hung with the rider: harness, connectors
    drag_area: Measured = _key(_measured, unit="m^2", at_least=0)  # Cd·A of the body
    air_density: Measured = _key(_measured, unit="kg/m^3", at_least=0)
    # how much further the rider's centre of mass falls than the attachment, from release to hanging; None: not said
    centre_of_mass_fall: Measured | None = _key(_measured, None, unit="m", at_least=0)
    push_off: Measured | None = _key(_measured, None, unit="m/s", at_least=0)  # speed at the release; None: none
    # what a rider's mass may be off by: of the scale at the site; None: weighed without error
    rider_mass_error: Measured | None = _key(_common_error, None, unit="kg")
    # lowest and highest of the cord in use; None: where the drops were made, and nowhere else
    temperature: tuple[float, float] | None = _key(_range, None, unit="degC")


# A key for each figure of the criteria in the table of quantities, those that are required first, as dataclasses want.
_FIGURES = [
    (key, float, _key(_exact, MISSING if of.required else None, unit=unit, above=of.above, at_least=of.at_least))
    for key, _, unit, of in sorted(entries(), key=lambda row: not row[3].required)
]
_Bounds: Any = make_dataclass("_Bounds", _FIGURES, frozen=True)


@dataclass(frozen=True)
class Criteria(_Bounds):
    """What the local rules and the maker ask for, None where it is left out; there are no defaults.
    Beside these keys it has those of the table of quantities: least_clearance, greatest_g and others."""

    design_breaking_load: Measured | None = _key(_measured, None, unit="N", above=0)  # the lower of it and breaks.csv
    greatest_jumps: int | None = _key(_whole, None)  # the maker's or the rule's cap on the jump count
    lot_sample_share: float | None = _key(_share, None)  # least share of the lot to be broken
    lot_size: int | None = _key(_whole, None)  # number of cords in the lot


def release_in_words(depth: float) -> str:
    """ "2.00 m BELOW the tie point": a wrong sign shows."""
    if depth == 0:
        return "level with the tie point"
    return f"{abs(depth):.2f} m {'BELOW' if depth > 0 else 'ABOVE'} the tie point"


def hangs_on(site: Site, criteria: Criteria) -> str:
    """The few numbers that an answer hangs on, in words: to be read with it, for one of them may be mistyped."""
    values = [(key.replace("_", " "), unit, getattr(criteria, key)) for key, _, unit, _ in entries()]
    fall = site.centre_of_mass_fall
    turned = "" if fall is None else f"; their centre of mass falls {fall.value:.2f} m further than it"
    if fall is not None and not fall.value and not fall.u:
        turned = "; nobody turns over: a dummy hung like a weight"
    held = [f"{word} {value:g} {unit}".rstrip() for word, unit, value in values if value is not None]
    return (
        f"tie point {site.tie_height.value:.2f} m above the {site.surface}; the rider is let go "
        f"{release_in_words(site.release_depth.value)} and reaches {site.reach_below_attachment.value:.2f} m below the "
        f"cord's end{turned}; gear {site.gear_mass.value:.1f} kg; {', '.join(held)}"
    )


def lacks(campaign: Any, layout: int) -> tuple[str, ...]:
    """Keys that later layouts than this one ask for, and that a campaign (or its settings) does not have."""
    asked = [key for later, keys in ASKED.items() if later > layout for key in keys]
    return tuple(f"[{section}] {key}" for section, key in asked if getattr(getattr(campaign, section), key) is None)


def changed(campaign: Any, changes: Mapping[str, str]) -> Any:
    """A campaign with other values of [rig], [site], [criteria] or [decision], each as campaign.toml would have it:
    "site.drag_area" → "0.25(5) m^2". Raises CampaignError with every problem."""
    files, sections = Folder(campaign.folder), dict[str, dict[str, object]]()
    names = ("criteria", "site", "rig", "decision")
    known = {f"{name}.{key.name}": key for name in names for key in fields(getattr(campaign, name))}
    for path, new in changes.items():
        section, _, name = path.partition(".")
        try:
            read = known[path].metadata["read"]
            sections.setdefault(section, {})[name] = read(int(new) if new.strip().isdecimal() else new)
        except KeyError:
            files.problem(path, f"is not a key of {', '.join(names)}{offer(nearest(path, known))}")
        except ValueError as error:
            files.problem(path, str(error))
    files.stop()
    return replace(campaign, **{name: replace(getattr(campaign, name), **new) for name, new in sections.items()})


@dataclass(frozen=True)
class Decision:
    """How a criterion is held against the evidence."""

    limit: str = _key(_choice, choices=("prediction", "tolerance"))  # for the next drop, or for a share of all drops
    probability: float = _key(_share, lowest=0.5)  # of the next drop, or the share of drops covered
    confidence: float = _key(_share, 0.95, lowest=0.5)  # of a tolerance limit
    # the next drop breaks any of the criteria with 1 − probability at most, or each by itself
    criteria: str = _key(_choice, "together", choices=("together", "each"))
    model: str = _key(_text, "auto")  # name of a force–elongation model
    seed: int = _key(_whole, 0, lowest=0, highest=2**32 - 1)  # of the random draws
    cord: str | None = _key(_text, None)  # this cord by itself, from its own drops; None: another cord of the batch
    jumps: int | None = _key(_whole, None)  # retested count to hold to; None: for cords as they were dropped
    calibration_degree: int | None = _key(_whole, None, highest=2)  # None: lack of fit decides
    filter: str = _key(_choice, "cfc60", choices=("cfc60", "off"))


@dataclass(frozen=True)
class Plan:
    """The masses of a test day, and its limits where they are not those of `[criteria]`."""

    masses: tuple[float, ...] = _key(_masses)  # hung below the cord's end, light to heavy
    stack_height: float = _key(_exact, 0.0, unit="m", at_least=0)  # of the weights below the cord's end
    # of the lowest weight above the surface; None: that of `[criteria]`
    least_clearance: float | None = _key(_exact, None, unit="m", at_least=0)
    greatest_load: float | None = _key(_exact, None, unit="N", above=0)  # at the tie point of the rig


@dataclass(frozen=True)
class CordSection:
    """What is known of the cord apart from its drops."""

    viscosity: Measured | None = _key(_measured, None, unit="N*s", at_least=0)


# What a report says apart from its results (ISO/IEC 17025:2017, 7.8.2); a line left out stays blank to fill in.
_LINES = "laboratory address customer place received tested issued sampling external deviations author reviewer"
_KEYS = [(line, str, _key(_text, None)) for line in _LINES.split()]
ReportSection: Any = make_dataclass("ReportSection", _KEYS, frozen=True)


@dataclass(frozen=True)
class Settings:
    """The whole of campaign.toml."""

    title: str = _key(_text)
    batch: str = _key(_text)
    rig: Rig = _section(Rig)
    site: Site = _section(Site)
    criteria: Criteria = _section(Criteria)
    decision: Decision = _section(Decision)
    cord: CordSection = _section(CordSection, CordSection())
    report: Any = _section(ReportSection, ReportSection())
    plan: Plan | None = _section(Plan, None)
    layout: int = _key(_layout, 1)


def read_settings(folder: Folder) -> Settings | None:
    """campaign.toml of the folder, checked; None, with the problems noted, where anything in it is refused."""
    content, known = folder.read_text(FILE), len(folder.problems)
    if content is None:
        return None
    try:
        if content.count("\n") > 1000 or re.search(r".{4001}", content):  # a key of thousands of dots takes minutes
            raise ValueError("more lines, or longer ones, than any campaign needs")
        written = tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        folder.problem(FILE, f"is not valid TOML: {error}")
        return None
    except (ValueError, RecursionError):  # a number of thousands of digits, thousands of brackets
        bounds = "1000 lines of 4000 characters, or a number or a nesting that is too long to read"
        folder.problem(FILE, f"holds more than {bounds}")
        return None
    settings = _read(Settings, written, (), lambda path, what: folder.problem(_place(content, written, path), what))
    decision, criteria = written.get("decision"), written.get("criteria")
    if isinstance(decision, dict) and decision.get("limit") == "tolerance" and "confidence" not in decision:
        folder.problem(f"{FILE}, [decision]", "'confidence' is missing; a tolerance limit needs one, such as 0.95")
    for pair in [(criterion.key, criterion.strength) for _, criterion in bounded() if criterion.strength]:
        missing = [key for key in pair if isinstance(criteria, dict) and key not in criteria]
        if len(missing) == 1:
            folder.problem(f"{FILE}, [criteria]", f"'{missing[0]}' is missing; {' and '.join(pair)} go together")
    return settings if len(folder.problems) == known else None


def _read(
    kind: type, table: Mapping[str, object], path: tuple[str, ...], problem: Callable[[tuple[str, ...], str], None]
) -> Any:
    """One section, the whole file or one in it, as its class; None, with what is wrong noted by `problem` with the
    path of its key, where a key cannot stand."""
    keys, values = {key.name: key for key in fields(kind)}, {}
    needed = [name for name, key in keys.items() if key.default is MISSING]
    missing = [name for name in needed if name not in table]
    for name, written in table.items():
        here = (*path, name)
        if name not in keys:
            near = nearest(name, [key for key in keys if key not in table])
            missing = [wanted for wanted in missing if wanted != near]  # one slip, one message
            problem(here, f"is not known here{offer(near, '; remove it')}")
        elif "read" in keys[name].metadata:
            try:
                values[name] = keys[name].metadata["read"](written)
            except ValueError as error:
                problem(here, str(error))
        elif isinstance(written, dict):
            values[name] = _read(keys[name].metadata["section"], written, here, problem)
        else:
            problem(here, f"is a section; write [{name}] on its own line, its keys below")
    for name in missing:
        what = f"the section [{name}]" if "section" in keys[name].metadata else f"'{name}'"
        problem(path, f"{what} is missing; add it")
    return kind(**values) if values.keys() >= {*needed} else None


def _place(content: str, written: Mapping[str, object], path: tuple[str, ...]) -> str:
    """ "campaign.toml, row 7, [rig] 'tie_height'"; the row left out where a key is not on a line alone."""
    names, rows = [f"'{name}'" for name in path], dict[tuple[str, ...], int]()
    section: tuple[str, ...] = ()
    for number, line in enumerate(content.splitlines(), start=1):
        if head := re.match(r"\s*\[\[?\s*([\w-]+)\s*\]", line):
            section = (head[1],)
            rows.setdefault(section, number)
        elif key := re.match(r"\s*([\w-]+)\s*=", line):
            rows.setdefault((*section, key[1]), number)
    if len(path) == 2 or (path and isinstance(written.get(path[0]), dict)):
        names[0] = f"[{path[0]}]"
    row = f"row {rows[path]}" if path in rows else ""
    return ", ".join(part for part in (FILE, row, " ".join(names)) if part)

"""A campaign: the folder that a test engineer keeps, read whole and checked, or refused with every problem at once."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from hashlib import sha256
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from cordlab.campaign.decisions import CORD, LEAVE_OUT, LEFT_OUT, NOTHING, Decisions, read_decisions
from cordlab.campaign.files import SENSORS, CampaignError, Folder, listing, offer, optional_inputs
from cordlab.campaign.settings import Criteria, Decision, Plan, Rig, Settings, Site, read_settings
from cordlab.campaign.tables import ANY, Column, Row, Table, may_have, one_of, parse_record, read_table, text, whole
from cordlab.units import Measured, Progress, UnitError, check_unit, convert, nearest, notebook_html, unwatched

if TYPE_CHECKING:
    import pandas as pd

    from cordlab.campaign.tables import Record


@dataclass(frozen=True)
class CordEntry:
    """A cord of the batch: slack length, measured lying and unloaded [m], mass [kg], jumps before the campaign."""

    cord: str
    slack_length: Measured
    mass: Measured
    jumps: int
    remarks: Mapping[str, str | float]  # that were noted, by head in SI: "wind [m/s]"


@dataclass(frozen=True)
class DropEntry:
    """A drop as noted by hand."""

    drop: str
    cord: str
    mass: Measured  # everything hung below the cord's end [kg]
    jumps: int  # the cord's count before this drop
    temperature: float  # [degC], nan where it was not noted
    rest: float  # since that cord's previous drop [s], nan where it was not noted
    use: str  # "fit", "check" (held back from the fit) or "wear"; "left out" where it was left out by hand
    lowest_point: Measured | None  # below the tie point, measured without the record [m]
    record: str | None  # file name in records/
    noted_use: str  # in drops.csv, whatever was settled by hand
    remarks: Mapping[str, str | float]


@dataclass(frozen=True)
class CalibrationTable:
    """References against readings of one sensor, arrays of one length."""

    channel: str  # "force" or "distance"
    run: np.ndarray  # label of each run
    reference: np.ndarray  # [quantity_unit], N or m
    u_reference: np.ndarray
    reading: np.ndarray  # [reading_unit]
    quantity_unit: str
    reading_unit: str


@dataclass(frozen=True)
class BreakEntry:
    """A cord of the lot broken on a test machine: breaking load [N]; end loops None where that is not noted."""

    cord: str
    breaking_load: float
    remark: str
    end_loops: bool | None = None
    remarks: Mapping[str, str | float] = field(default_factory=dict)  # beside the table's own `remark`


@dataclass(frozen=True)
class MakersCurve:
    """Points of the force–elongation curve that the maker states, rising; nothing of it was measured here."""

    stretch_ratio: np.ndarray  # stretched over slack length [1]
    force: np.ndarray  # in the cord [N]


@dataclass(frozen=True)
class Campaign:
    """A campaign that was read and is sound; `read_campaign` makes one.

    Cords, drops and breaks stand in the order of their names (A2 before A10), whatever the order of their rows.

    Parameters
    ----------
    folder, title, batch, layout : Path, str, str, int
        Where its files are; its name and its batch's; the version of its layout.
    rig, site, criteria, decision, plan, viscosity, report : Rig, Site, Criteria, Decision, Plan, Measured, dict
        What campaign.toml has in these sections, the viscosity in [cord], in SI; see the data dictionary.
    cords, drops, breaks : tuple of CordEntry, DropEntry, BreakEntry
        The cords, their drops, and cords of the lot that were broken on a test machine.
    calibration : dict of CalibrationTable
        By channel ("force", "distance"), for the channels that the records have.
    digests, sha256, notes : dict, str, tuple
        SHA-256 of each input file by name, and of all of them; files of the folder that are not read.
    makers_curve : MakersCurve, optional
        The curve that is assumed before the first drop.
    by_hand : Decisions
        Of decisions.csv, already in force: drops that are left out have the use "left out".
    pounds_and_feet : bool
        Whether the masses of drops.csv are in pounds: answers are then shown in pounds and feet too.

    Examples
    --------
    >>> import cordlab
    >>> campaign = cordlab.read_campaign("data-demo/first-batch")
    >>> campaign.cord("C04").slack_length
    Measured(value=10.041, u=0.02)
    >>> print(campaign.table("breaks")[["breaking load [N]", "remark"]].head(2))
          breaking load [N]                   remark
    cord
    C15             14810.0      broke in the middle
    C22             13710.0  broke at the upper loop
    """

    folder: Path
    title: str
    batch: str
    rig: Rig
    site: Site
    criteria: Criteria
    decision: Decision
    viscosity: Measured | None
    report: dict[str, str]
    cords: tuple[CordEntry, ...]
    drops: tuple[DropEntry, ...]
    calibration: dict[str, CalibrationTable]
    breaks: tuple[BreakEntry, ...]
    digests: dict[str, str]
    sha256: str
    notes: tuple[str, ...]
    plan: Plan | None = None
    makers_curve: MakersCurve | None = None
    by_hand: Decisions = NOTHING
    pounds_and_feet: bool = False
    layout: int = 1

    def settled(self, by_hand: Decisions) -> "Campaign":
        """The campaign with these choices by hand in force, and no others."""
        drops = []
        for entry in self.drops:
            use = LEFT_OUT if by_hand.leaving_out(entry.drop, entry.cord) else entry.noted_use
            drops.append(replace(entry, use=use))
        return replace(self, drops=tuple(drops), by_hand=by_hand)

    def as_noted(self) -> "Campaign":
        """The campaign without what was settled by hand."""
        return self.settled(NOTHING)

    def with_every_cord(self) -> "Campaign":
        """The campaign with what was left out for what a cord is; itself where there is nothing of the kind."""
        kept = Decisions(one for one in self.by_hand if one.kind != LEAVE_OUT or one.cause != CORD)
        return self if kept == self.by_hand else self.settled(kept)

    def of_cord(self, name: str) -> "Campaign":
        """The campaign of this cord by itself: its own drops, what was settled of them, and the lot's breaks.
        Raises CampaignError for a cord without a fit drop."""
        drops = tuple(entry for entry in self.drops if entry.cord == name)
        if not any(entry.use == "fit" for entry in drops):
            near = offer(nearest(name, {entry.cord for entry in self.drops if entry.use == "fit"}))
            raise CampaignError((f"campaign.toml, [decision] 'cord': '{name}' has no fit drop{near}",))
        own = {None, *(entry.drop for entry in drops)}
        by_hand = Decisions(one for one in self.by_hand if one.drop in own and one.cord in (None, name))
        decision = replace(self.decision, cord=name)
        return replace(self, cords=(self.cord(name),), drops=drops, by_hand=by_hand, decision=decision)

    @property
    def uses(self) -> dict[str, int]:
        """How many drops there are of each use."""
        return {use: sum(drop.use == use for drop in self.drops) for use in ("fit", "check", "wear", LEFT_OUT)}

    @property
    def unread(self) -> tuple[str, ...]:
        """Drops with neither a lowest point nor a record."""
        return tuple(entry.drop for entry in self.drops if entry.lowest_point is None and entry.record is None)

    @property
    def lowest_break(self) -> Measured | None:
        """Of the break tests, taken as exact; None without any  [N]"""
        return Measured(min(entry.breaking_load for entry in self.breaks)) if self.breaks else None

    def summary(self) -> str:
        """Its title and what it holds, in two lines."""
        uses = ", ".join(f"{count} {use}" for use, count in self.uses.items() if count)
        drops = f"{len(self.drops)} drops ({uses or 'none yet'})"
        return f"{self.title}\nbatch {self.batch}: {len(self.cords)} cords, {drops}, {len(self.breaks)} break tests"

    def table(self, of: Literal["drops", "cords", "breaks"] = "drops") -> "pd.DataFrame":
        """The drops, the cords or the break tests: a row for each name, in SI, under the heads of their files."""
        import pandas as pd

        columns = {"drops": DROPS, "cords": CORDS, "breaks": BREAKS}[of]
        entries: tuple[DropEntry | CordEntry | BreakEntry, ...] = getattr(self, of)
        data: dict[str, list[object]] = {}
        for column in columns:
            name = "mass" if column.name == "cord mass" else column.name.replace(" ", "_")
            data[column.head] = values = [getattr(entry, name) for entry in entries]
            for part, name in zip(column.with_u, ("value", "u"), strict=True) if column.uncertain else ():
                data[part.head] = [getattr(value, name, nan) for value in values]
        remarks = dict.fromkeys(head for entry in entries for head in entry.remarks)
        data |= {head: [entry.remarks.get(head) for entry in entries] for head in remarks}
        return pd.DataFrame(data).set_index(columns[0].name)

    def _repr_html_(self) -> str:
        """The summary, and what was dropped for each use."""
        by_use = self.table().reset_index().groupby("use", sort=False)
        columns = {"drops": ("drop", "size"), "cords": ("cord", "nunique")}
        for column in ("mass [kg]", "jumps"):
            columns |= {f"least {column}": (column, "min"), f"greatest {column}": (column, "max")}
        return notebook_html(self.summary(), by_use.agg(**columns))

    def cord(self, name: str) -> CordEntry:
        """The cord of that name. Raises KeyError."""
        return {cord.cord: cord for cord in self.cords}[name]

    def read_record(self, entry: DropEntry) -> "Record":
        """The raw record of a drop, read anew each time, in the reading units of the calibration.
        Raises CampaignError where the file is not the one that was checked when the campaign was read."""
        name, folder = f"records/{entry.record}", Folder(self.folder)
        data = folder.read(name)
        folder.check_unchanged(self.digests)
        parsed = None if data is None or folder.problems else parse_record(folder, name, data)
        if parsed is None:
            raise CampaignError(tuple(folder.problems))
        header, record = parsed
        readings = {
            channel: convert(getattr(record, channel), header.places[channel].unit, table.reading_unit)
            for channel, table in self.calibration.items()
            if channel in header.places
        }
        return replace(record, **readings)


MAKER_CURVE, LOG = "maker_curve.csv", "jumps.csv"
FEWEST_POINTS = 4  # of a maker's curve: fewer do not show whether it bends
CORDS = (
    Column("cord"),
    Column("slack length", "m", above=0, uncertain=True),
    Column("cord mass", "kg", above=0, uncertain=True),
    Column("jumps", read=whole),
)
DROPS = (
    Column("drop"),
    Column("cord"),
    Column("mass", "kg", above=0, uncertain=True),
    Column("jumps", read=whole),
    may_have("temperature", "degC", at_least=-273.15),
    may_have("rest", "s", at_least=0),
    Column("use", read=one_of("fit", "check", "wear")),
    may_have("lowest point", "m", above=0, uncertain=True),
    may_have("record"),
)
BREAKS = (
    Column("cord"),
    Column("breaking load", "N", above=0),
    may_have("remark"),
    may_have("end loops", read=lambda cell: one_of("yes", "no")(cell) == "yes"),
)
CURVE = (Column("stretch ratio", "", at_least=1), Column("force", "N", at_least=0))


def read_campaign(
    folder: str | Path, *, instead: Mapping[str, bytes] | None = None, progress: Progress = unwatched
) -> Campaign:
    """Read a campaign from its folder; every file of it is checked, records included.

    Parameters
    ----------
    folder : str or Path
        The folder with campaign.toml, cords.csv, drops.csv and the other files of the data dictionary.
    instead : mapping of str to bytes, optional
        Name of a file → bytes to read in its place, to see whether the campaign would be sound with them.
    progress : Progress, optional
        Follows the drops whose records are read, as `tqdm.tqdm` does.

    Returns
    -------
    Campaign

    Raises
    ------
    CampaignError
        Where anything is wrong; its `problems` name file, row and column of everything at once.

    Examples
    --------
    >>> import cordlab
    >>> campaign = cordlab.read_campaign("data-demo/first-batch")
    >>> len(campaign.cords), campaign.uses["fit"]
    (6, 30)
    """
    files = Folder(Path(folder), instead)
    if not files.path.is_dir():
        raise CampaignError((f"{folder}: there is no such folder",))
    settings = read_settings(files)
    cords = read_table(files, "cords.csv", CORDS)
    drops = read_table(files, "drops.csv", DROPS, may_be_empty=settings is not None and settings.plan is not None)
    makers_curve = _read_makers_curve(files)
    breaks = read_table(files, "breaks.csv", BREAKS) if files.has("breaks.csv") else None
    headers, spans = _read_records(files, drops, progress)
    calibration = _read_calibration(files, headers)
    if cords:
        _check_cords(cords, settings)
    if drops:
        _check_drops(drops, cords, settings, headers)
    if breaks:
        breaks.check_names("cord")
    elif settings and settings.criteria.design_breaking_load is None and not files.has("breaks.csv"):
        files.problem("campaign.toml, [criteria]", "'design_breaking_load' is missing, and there is no breaks.csv")
    by_hand = read_decisions(files, drops, cords, spans)
    for name in optional_inputs(files):
        if name not in files.digests:
            files.read(name)  # by the steps that use them; part of the hash
    if files.problems or settings is None or cords is None or drops is None:
        raise CampaignError(tuple(files.problems))
    folders = ("calibration", "records", "pulls")
    there = {name for name in files.names("") if name not in (*folders, "results")}
    there |= {f"{inner}/{name}" for inner in folders for name in files.names(inner)}
    sections = ("title", "batch", "rig", "site", "criteria", "decision", "plan", "layout")
    campaign = Campaign(
        **{name: getattr(settings, name) for name in sections},
        folder=files.path,
        viscosity=settings.cord.viscosity,
        report={name: text for name, text in vars(settings.report).items() if text is not None},
        cords=tuple(CordEntry(*entry.values()) for entry in _by_name(cords, "cord")),
        drops=tuple(DropEntry(**entry, noted_use=entry["use"]) for entry in _by_name(drops, "drop")),
        calibration=calibration,
        breaks=tuple(BreakEntry(**entry | {"remark": entry["remark"] or ""}) for entry in _by_name(breaks, "cord")),
        digests=files.digests,
        sha256=sha256(listing(files.digests.items()).encode()).hexdigest(),
        notes=tuple(f"{name} is not read" for name in sorted(there - files.digests.keys())),
        makers_curve=makers_curve,
        pounds_and_feet=abs(convert(1.0, drops.places["mass"].unit, "lb") - 1) < 1e-9,
    )
    return campaign.settled(by_hand)


def _by_name(table: Table | None, key: str) -> list[Row]:
    """The entries, A2 before A10: their order in the file is free, and random draws run over them in one order.
    A temperature or rest that was not noted is nan."""

    def place(entry: Row) -> tuple[str, ...]:
        parts = re.split(r"([0-9]+)", entry[key])
        return *(part.zfill(20) if part.isdigit() else part for part in parts), entry[key]

    entries = sorted(table.entries(), key=place) if table else []
    for entry in entries:
        entry |= {name: nan for name in ("temperature", "rest") if name in entry and entry[name] is None}
    return entries


def _read_records(
    files: Folder, drops: Table | None, progress: Progress
) -> tuple[dict[int, Table], dict[str, tuple[float, float]]]:
    """Row of drops.csv → header of its record; drop → its first and last time [s]; of sound records."""
    headers: dict[int, Table] = {}
    spans: dict[str, tuple[float, float]] = {}
    first_row: dict[str, int] = {}  # of a record's bytes
    for number, row in progress(list(drops.rows()) if drops else [], desc="reading", unit="drop"):
        if drops is None or row["record"] is None:
            continue
        path = drops.file(number, "record", "records", otherwise="; leave the cell blank where there is none")
        data = files.read(path) if path else None
        if path is None or data is None:
            continue
        if (other := first_row.setdefault(files.digests[path], number)) != number:
            what = f"'{row['record']}' is the record of row {drops.lines[other]} too; each drop has its own"
            drops.problem(number, "record", what)
        elif parsed := parse_record(files, path, data):
            headers[number], record = parsed
            spans[row["drop"]] = float(record.time[0]), float(record.time[-1])
    return headers, spans


def _read_calibration(files: Folder, headers: dict[int, Table]) -> dict[str, CalibrationTable]:
    """The calibration of each channel, checked against the records that need it; without those that are refused."""
    tables = {}
    for channel, unit in SENSORS.items():
        name, known = f"calibration/{channel}.csv", len(files.problems)
        users = [header for header in headers.values() if channel in header.places]
        if not users and not files.has(name):
            continue
        columns = (Column("run"), Column("reference", unit, uncertain=True), Column("reading", ANY))
        table = read_table(files, name, columns)
        if table is None or "reading" not in table.places:
            continue
        reading_unit, values = table.places["reading"].unit, table.values
        if len({reading for reading in values["reading"] if reading is not None}) < 3:
            files.problem(name, "has fewer than 3 different readings, too few to show whether the sensor is straight")
        for header in users:
            try:
                check_unit(header.places[channel].unit, reading_unit)
            except UnitError as error:
                header.problem(None, channel, f"does not go with {name}: {error}")
        if len(files.problems) == known:
            u_reference = [value or 0.0 for value in values["u(reference)"]]
            rows = sorted(zip(values["run"], values["reference"], values["reading"], u_reference, strict=True))
            run, reference, reading, u = map(np.array, zip(*rows, strict=True))
            tables[channel] = CalibrationTable(channel, run, reference, u, reading, unit, reading_unit)
    return tables


def _read_makers_curve(files: Folder) -> MakersCurve | None:
    """maker_curve.csv of the folder; None where there is none, or it is refused, with the problems noted."""
    known = len(files.problems)
    table = read_table(files, MAKER_CURVE, CURVE) if files.has(MAKER_CURVE) else None
    if table is None or len(files.problems) > known:
        return None
    if len(table.lines) < FEWEST_POINTS:
        few = f"has {len(table.lines)} points; give at least {FEWEST_POINTS}, up to the greatest stretch"
        files.problem(MAKER_CURVE, few)
    for column in CURVE:
        table.check_rising(column.name, "a loading curve rises")
    return MakersCurve(*(np.array(table.values[column.name]) for column in CURVE))


def _check_cords(cords: Table, settings: Settings | None) -> None:
    cords.check_names("cord")
    for number, row in cords.rows():
        length = row["slack length"]
        for place in (settings.rig, settings.site) if settings and length else ():
            depth = place.release_depth
            if abs(depth.value) + depth.u >= length:
                what = f"the release depth of the {type(place).__name__.lower()}, {depth.value:g} m (u = {depth.u:g} m)"
                cords.problem(number, "slack length", f"{length:g} m is not longer than {what}")


def _check_drops(drops: Table, cords: Table | None, settings: Settings | None, headers: dict[int, Table]) -> None:
    drops.check_names("drop")
    if drops.lines and drops.has_all("use") and "fit" not in drops.values["use"]:
        drops.folder.problem(f"{drops.name}, column 'use'", "no drop is marked fit; a curve needs some")
    known = {row["cord"]: row for _, row in cords.rows() if row["cord"]} if cords else {}
    for number, row in drops.rows():
        cord, lowest, header = known.get(row["cord"]), row["lowest point"], headers.get(number)
        if row["cord"] and cord is None and cords and cords.has_all("cord"):
            near = offer(nearest(row["cord"], known), "; add it there")
            drops.problem(number, "cord", f"'{row['cord']}' is not in cords.csv{near}")
        if cord and None not in (row["jumps"], cord["jumps"]) and row["jumps"] < cord["jumps"]:
            before = f"the {cord['jumps']} that cords.csv counts before the campaign"
            drops.problem(number, "jumps", f"{row['jumps']} is less than {before}")
        what = ""
        if lowest is None:
            if header and "distance" not in header.places and (number, "lowest point") not in drops.refused:
                where = f"records/{row['record']}"
                what = f"is blank, and {where} has no distance; give the lowest point or a record with a distance"
        elif cord and cord["slack length"] and lowest < cord["slack length"]:
            length = f"the slack length, {cord['slack length']:g} m"
            what = f"{lowest:g} m is less than {length}; it is counted down from the tie point"
        elif settings and lowest >= settings.rig.tie_height.value:
            surface = f"the surface, {settings.rig.tie_height.value:g} m below the tie point of the rig"
            what = f"{lowest:g} m is not above {surface}"
        if what:
            drops.problem(number, "lowest point", what)


# Cords in service: one row a cord and day.


@dataclass(frozen=True)
class LogEntry:
    """One row of jumps.csv: jumps of a cord on a day, its riders [kg], and any damage seen ("" for none)."""

    cord: str
    day: date
    jumps: int
    lightest: float | None
    heaviest: float | None
    damage: str
    line: int


def _day(cell: str) -> date:
    try:
        return date.fromisoformat(cell)
    except ValueError:
        raise ValueError(f"'{cell[:40]}' is not a date; write year-month-day, such as 2024-05-31") from None


def _damage(cell: str) -> str:
    if cell.lower() in ("no", "none", "-", "ok", "0", "n"):
        raise ValueError(f"'{cell}' would be read as damage, which retires the cord; leave the cell blank for none")
    return text(cell)


JUMPS = (
    Column("cord"),
    Column("date", read=_day),
    Column("jumps", read=whole),
    may_have("lightest rider", "kg", above=0.0),
    may_have("heaviest rider", "kg", above=0.0),
    Column("damage", read=_damage, may_be_blank=True),
)


def read_jump_log(folder: str | Path) -> tuple[LogEntry, ...]:
    """The rows of jumps.csv in a campaign folder, by date; none where there is no such file.
    Raises CampaignError with every problem as file, row, column."""
    files = Folder(Path(folder))
    if not files.has(LOG):
        return ()
    table, entries = read_table(files, LOG, JUMPS), []
    if table is None:
        raise CampaignError(tuple(files.problems))
    for row, values in table.rows():
        cord, day, jumps, lightest, heaviest, damage = (values[column.name] for column in JUMPS)
        entries.append(LogEntry(cord, day, jumps, lightest, heaviest, damage or "", table.lines[row]))
        if None not in (lightest, heaviest) and heaviest < lightest:
            what = f"{heaviest:g} kg is less than the lightest, {lightest:g} kg"
            table.problem(row, "heaviest rider", what)
    files.stop()
    return tuple(sorted(entries, key=lambda entry: (entry.day, entry.line)))

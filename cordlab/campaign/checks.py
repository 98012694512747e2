"""Whether the tables of a campaign agree with one another and with campaign.toml; refused cells are left out."""

from cordlab.campaign.files import Folder, nearest, offer
from cordlab.campaign.settings import Settings
from cordlab.campaign.tables import Header, Table


def check_names(files: Folder, table: Table, key: str) -> None:
    first: dict[str, int] = {}
    for number, row in table.rows():
        if row[key] is not None and first.setdefault(row[key], number) != number:
            files.problem(table.where(number, key), f"'{row[key]}' is in row {table.lines[first[row[key]]]} too")


def _check_doubt(files: Folder, table: Table, *names: str) -> None:
    """A standard uncertainty as large as what it belongs to is mistyped: a mass or a length is above 0."""
    for number, row in table.rows():
        for name in names:
            value, u = row[name], row.get(f"u({name})")
            if value is not None and u is not None and u >= value:
                files.problem(table.where(number, f"u({name})"), f"is not less than the {name} itself")


def check_cords(files: Folder, cords: Table, settings: Settings | None) -> None:
    check_names(files, cords, "cord")
    _check_doubt(files, cords, "slack length", "cord mass")
    for number, row in cords.rows():
        for place in (settings.rig, settings.site) if settings and row["slack length"] else ():
            depth = place.release_depth
            if abs(depth.value) + depth.u >= row["slack length"]:
                said = f"the release depth of the {type(place).__name__.lower()}, {depth.value:g} m (u = {depth.u:g} m)"
                files.problem(
                    cords.where(number, "slack length"), f"{row['slack length']:g} m is not longer than {said}"
                )


def check_drops(
    files: Folder, drops: Table, cords: Table | None, settings: Settings | None, headers: dict[int, Header]
) -> None:
    check_names(files, drops, "drop")
    _check_doubt(files, drops, "mass", "lowest point")
    if drops.lines and drops.has_all("use") and "fit" not in drops.values["use"]:
        files.problem(f"{drops.header.name}, column 'use'", "no drop is marked fit; a curve needs some")
    known = {row["cord"]: row for _, row in cords.rows() if row["cord"]} if cords else {}
    for number, row in drops.rows():
        cord = known.get(row["cord"])
        if row["cord"] and cord is None and cords and cords.has_all("cord"):
            near = offer(nearest(row["cord"], known), "; add it there")
            files.problem(drops.where(number, "cord"), f"'{row['cord']}' is not in cords.csv{near}")
        if cord and None not in (row["jumps"], cord["jumps"]) and row["jumps"] < cord["jumps"]:
            before = f"the {cord['jumps']} that cords.csv counts before the campaign"
            files.problem(drops.where(number, "jumps"), f"{row['jumps']} is less than {before}")
        if row["lowest point"] is None:
            if (number, "lowest point") not in drops.refused:
                _check_motion(files, drops, number, row["record"], headers.get(number))
        elif cord and cord["slack length"] and row["lowest point"] < cord["slack length"]:
            said = f"{row['lowest point']:g} m is less than the slack length, {cord['slack length']:g} m"
            files.problem(drops.where(number, "lowest point"), f"{said}; it is counted down from the tie point")
        elif settings and row["lowest point"] >= settings.rig.tie_height.value:
            said = f"{row['lowest point']:g} m is not above the surface, {settings.rig.tie_height.value:g} m"
            files.problem(drops.where(number, "lowest point"), f"{said} below the tie point of the rig")


def _check_motion(files: Folder, drops: Table, number: int, record: str | None, header: Header | None) -> None:
    """A drop without a lowest point needs a record of its motion; a record that was refused has its own message."""
    if record is None and (number, "record") not in drops.refused:
        files.problem(drops.where(number, "lowest point"), "is blank, and there is no record; give one of the two")
    elif header and "distance" not in header.places:
        files.problem(
            drops.where(number, "lowest point"),
            f"is blank, and records/{record} has no distance; give the lowest point or a record with a distance",
        )

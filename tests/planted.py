"""Mistakes planted in invented campaigns, one at a time, and how each is found. Nothing here was measured.

Each fault changes the files as the mistake would have; `examine` says whether the campaign is then refused or what it
is warned of, without the fit and the limits, which come later and cost more.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from cordlab import Analysis, CampaignError, invent, read_campaign
from cordlab.batch.campaign_findings import campaign_findings

WORLDS = [(mechanics, sensors) for mechanics in ("uniform", "waves") for sensors in ("distance", "load alone")]
CAMPAIGN = {
    "cords": 3, "masses": (40.0, 60.0, 80.0), "checks": (60.0,), "retests": (100,), "worn_masses": (60.0, 80.0),
    "rate": 250.0, "duration": 6.0,
    # a release away from the tie point, so that a datum at the release and a sign of its depth can be told
    "rig": {"release_depth": "1.00(3) m"},
}  # fmt: skip
FEET, POUNDS, LBF = 1 / 0.3048, 1 / 0.45359237, 1 / 4.4482216152605  # NIST SP 811 (2008), B.8
FORM = r"CFC 60|no distance: motion|energy returned|sample periods"  # notes on how a record was read, no warnings


def write(folder: Path, *, mechanics: str = "uniform", sensors: str = "distance", seed: int = 3, **numbers) -> Path:
    """A clean invented campaign in `folder`; sensors "distance", "load alone" or "none"."""
    world = {"mechanics": mechanics, "records": sensors != "none", "distance": sensors == "distance"}
    invent(folder, seed=seed, truth=folder.parent / f"{folder.name}-truth.json", **(CAMPAIGN | world | numbers))
    return folder


@dataclass(frozen=True)
class Verdict:
    """A campaign is refused with these problems, or read with these warnings."""

    refused: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def messages(self) -> tuple[str, ...]:
        return self.refused or self.warnings

    @property
    def outcome(self) -> str:
        return "refused" if self.refused else "warning" if self.warnings else "not found"


def examine(folder: Path) -> Verdict:
    """Reads and reduces a campaign as an analysis does, up to the fit."""
    try:
        campaign = read_campaign(folder)
        drops = Analysis(campaign).drops
    except CampaignError as error:
        return Verdict(error.problems, ())
    notes = [f"drop {drop.name}: {note}" for drop in drops for note in drop.notes if not re.search(FORM, note)]
    return Verdict((), (*map(str, campaign_findings(campaign, drops)), *notes))


def changed(files: str, column: str, change: Callable[[list[str]], None]) -> Callable[[Path], None]:
    """`change` is given the cells of one column, named without its unit, of each of these CSV files."""

    def plant(folder: Path) -> None:
        for path in sorted(folder.glob(files)):
            heads, *rows = (line.split(",") for line in path.read_text(encoding="utf-8").splitlines())
            names = [head.split(" [")[0] for head in heads]
            columns = [list(cells) for cells in zip(*rows, strict=True)]
            change(columns[names.index(column)])
            lines = [heads, *zip(*columns, strict=True)]
            path.write_text("".join(",".join(line) + "\n" for line in lines), encoding="utf-8")

    return plant


def scaled(
    file: str, column: str, factor: float = 1.0, shift: float = 0.0, *, only: slice = slice(None)
) -> Callable[[Path], None]:
    """Multiplies and shifts the cells of a column."""

    def change(cells: list[str]) -> None:
        cells[only] = [cell and f"{float(cell) * factor + shift:.10g}" for cell in cells[only]]

    return changed(file, column, change)


def swapped(file: str, column: str, one: int, other: int) -> Callable[[Path], None]:
    """Two cells of a column change places."""

    def change(cells: list[str]) -> None:
        cells[one], cells[other] = cells[other], cells[one]

    return changed(file, column, change)


def flipped(file: str, column: str) -> Callable[[Path], None]:
    """Readings of a sensor turned round about what it reads at rest, the calibration as it was."""

    def change(cells: list[str]) -> None:
        readings = np.array(cells, float)
        cells[:] = [f"{2 * readings[:200].mean() - reading:.5f}" for reading in readings]

    return changed(file, column, change)


def replaced(old: str, new: str):
    """A line of campaign.toml."""

    def plant(folder: Path) -> None:
        text = (folder / "campaign.toml").read_text(encoding="utf-8")
        changed = re.sub(old, new, text, count=1)
        assert changed != text, old
        (folder / "campaign.toml").write_text(changed, encoding="utf-8")

    return plant


@dataclass(frozen=True)
class Fault:
    """A mistake: what it is, how it is planted, and a pattern of the message; where it cannot be found, why not.

    needs : "records" (with or without a distance), "distance", or "" for any campaign
    """

    name: str
    plant: Callable[[Path], None]
    message: str
    needs: str = ""

    def applies(self, sensors: str) -> bool:
        return not self.needs or sensors in {"records": ("distance", "load alone")}.get(self.needs, (self.needs,))


RECORDS, FORCE, DISTANCE = "records/*.csv", "calibration/force.csv", "calibration/distance.csv"
LOWEST = "shows the lowest point at|before the lowest point|show lowest points|speaks against"
ALONE = f"{LOWEST}|gravity allows"
UP_SIDE_DOWN = replaced(r'\[rig\]([^[]*)release_depth = "1', r'[rig]\1release_depth = "-1')
FAULTS = (
    Fault("force calibration 8 % too high", scaled(FORCE, "reference", 1.08), f"imply|{ALONE}", "records"),
    Fault("calibration of another cell, half as sensitive", scaled(FORCE, "reference", 2.0), f"imply|{ALONE}",
          "records"),
    Fault("calibration in lbf, read as N", scaled(FORCE, "reference", LBF), f"imply|{ALONE}", "records"),
    Fault("masses in lb, read as kg", scaled("drops.csv", "mass", POUNDS), f"read as kilograms|{ALONE}", "records"),
    Fault("one mass in lb, read as kg", scaled("drops.csv", "mass", POUNDS, only=slice(1, 2)),
          f"read as kilograms|{ALONE}|above the"),
    Fault("one mass 5 % too high", scaled("drops.csv", "mass", 1.05, only=slice(1, 2)), "other drops of about",
          "distance"),
    Fault("cord masses in lb, read as kg", scaled("cords.csv", "cord mass", POUNDS),
          "load is that of a cord of|gravity allows", "records"),
    Fault("slack lengths 8 % too long", scaled("cords.csv", "slack length", 1.08), "end of slack|gravity", "records"),
    Fault("slack lengths in ft, read as m", scaled("cords.csv", "slack length", FEET), "slack length"),
    Fault("load cell at the other end", replaced('"top"', '"bottom"'), "not as at the bottom", "records"),
    Fault("force sensor's sign flipped", flipped(RECORDS, "force"), "sign is flipped|outside the calib", "records"),
    Fault("distance sensor's sign flipped", flipped(RECORDS, "distance"), "counts down|outside the calib", "distance"),
    Fault("distance calibration in ft, read as m", scaled(DISTANCE, "reference", FEET), "gravity|end of slack",
          "distance"),
    Fault("distance calibration 3 % too long", scaled(DISTANCE, "reference", 1.03), LOWEST, "distance"),
    Fault("records of 40 and 60 kg swapped", swapped("drops.csv", "record", 0, 1), f"imply|{ALONE}", "records"),
    Fault("records of two cords at 80 kg swapped", swapped("drops.csv", "record", 2, 5), "as if they were", "distance"),
    Fault("clock 5 % slow, time too long", scaled(RECORDS, "time", 1.05), "gravity allows", "records"),
    Fault("clock 5 % fast, time too short", scaled(RECORDS, "time", 0.95), "gravity allows", "records"),
    Fault("lowest points from the release, 1 m lower", scaled("drops.csv", "lowest point", 1, -1), LOWEST, "records"),
    Fault("lowest points up from the surface at 48 m", scaled("drops.csv", "lowest point", -1.0, 48.0),
          "slack length|above the|lowest point"),
    Fault("lowest points in ft, read as m", scaled("drops.csv", "lowest point", FEET), "is not above the surface"),
    Fault("one lowest point 2 m too deep", scaled("drops.csv", "lowest point", 1, 2, only=slice(4, 5)),
          f"{LOWEST}|from what its cord"),
    Fault("release depth with the wrong sign", UP_SIDE_DOWN, f"at rest the distance reads|{ALONE}", "records"),
    Fault("jump counts of two drops of a cord swapped", swapped("drops.csv", "jumps", 0, 2), "light to heavy"),
    Fault("jump counts of a new and a worn drop swapped", swapped("drops.csv", "jumps", 0, 9), "before any wear"),
    Fault("temperatures in °F, read as °C", scaled("drops.csv", "temperature", 1.8, 32.0), "Fahrenheit"),
    Fault("site's tie height in ft, read as m", replaced('tie_height = "43', 'tie_height = "141'), "as deep as any"),
    Fault("reach in ft, read as m", replaced(r'"2\.2\(1\) m"', '"7.2(3) m"'), "outside the usual"),
    Fault("gear of 18 kg", replaced(r'"3\.0\(3\) kg"', '"18(1) kg"'), "outside the usual"),
    Fault("breaking loads in N, read as kN", scaled("breaks.csv", "breaking load", 1000), "the greatest load",
          "records"),
    Fault("breaking loads in tonnes, read as kN", scaled("breaks.csv", "breaking load", 1 / 9.80665),
          "the greatest load", "records"),
    Fault("clock 1 % slow", scaled(RECORDS, "time", 1.01), "longer than gravity allows", "distance"),
    Fault("slack lengths 2 % too long", scaled("cords.csv", "slack length", 1.02),
          "end of slack .* from the slack length", "distance"),
)  # fmt: skip

# What cannot be found, with the reason; docs for users say the same (shared/data-dictionary.md).
UNSEEN = (
    Fault("masses in lb, read as kg, without records", scaled("drops.csv", "mass", POUNDS),
          "every cord is 2.2 times as stiff, and lowest points alone do not say otherwise", "none"),
    Fault("lowest points 1 m off, without records", scaled("drops.csv", "lowest point", 1, -1),
          "a stiffer cord goes as deep; only a second measurement tells", "none"),
    Fault("cord masses 15 % off, without records", scaled("cords.csv", "cord mass", 1.15),
          "the cord's weight is seen in the load alone", "none"),
    Fault("one mass 5 % too high, without records", scaled("drops.csv", "mass", 1.05, only=slice(1, 2)),
          "a stiffer cord would do the same, and cords differ by as much", "none"),
    Fault("slack lengths 8 % too long, without records", scaled("cords.csv", "slack length", 1.08),
          "a shorter, softer cord goes as deep", "none"),
    Fault("breaking loads in N, read as kN, without records", scaled("breaks.csv", "breaking load", 1000),
          "no load was measured beside them", "none"),
    Fault("force calibration 2 % too high", scaled(FORCE, "reference", 1.02),
          "within what stretch waves do to the mass that is implied", "distance"),
    Fault("force calibration and every mass 8 % too high",
          lambda folder: [scaled(FORCE, "reference", 1.08)(folder), scaled("drops.csv", "mass", 1.08)(folder),
                          scaled("cords.csv", "cord mass", 1.08)(folder)][0],
          "two mistakes that cancel: load over mass is motion", "distance"),
    Fault("one mass 2 % too high", scaled("drops.csv", "mass", 1.02, only=slice(1, 2)),
          "within what stretch waves do to the mass that is implied", "distance"),
    Fault("records of two cords at 80 kg swapped, load alone", swapped("drops.csv", "record", 2, 5),
          "integrated motion is known to 3 %, cords of a batch are more alike", "load alone"),
    Fault("temperatures in °F in frost", scaled("drops.csv", "temperature", 0.1, 33.0),
          "35 °F reads as a warm day", ""),
    Fault("gear in lb, read as kg", replaced(r'"3\.0\(3\) kg"', '"6.6(7) kg"'), "gear of 6.6 kg may be true", ""),
    Fault("least clearance typed wrong", replaced('"4 m"', '"3 m"'),
          "it is the rule's figure; nothing measured says it", ""),
    Fault("cords of the same length and mass mixed up in every table", swapped("drops.csv", "cord", 0, 3),
          "two cords of a batch are alike within their spread", ""),
)  # fmt: skip

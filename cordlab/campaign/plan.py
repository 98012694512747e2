"""A test day before its first drop: the maker's curve is all that is said of the cord then, and it is assumed."""

from dataclasses import dataclass

import numpy as np

from cordlab.campaign.files import Folder
from cordlab.campaign.tables import Column, read_table

FILE = "maker_curve.csv"
COLUMNS = (Column("stretch ratio", "", at_least=1), Column("force", "N", at_least=0))
FEWEST = 4
"""Points of a maker's curve: fewer do not show whether it bends."""


@dataclass(frozen=True)
class MakersCurve:
    """Points of the force–elongation curve that the maker states; nothing of it was measured here.

    stretch_ratio : stretched over slack length, rising  [1]; force : in the cord, rising  [N]
    """

    stretch_ratio: np.ndarray
    force: np.ndarray


def read_makers_curve(files: Folder) -> MakersCurve | None:
    """maker_curve.csv of the folder; None where there is none, or it is refused, with the problems noted."""
    known = len(files.problems)
    table = read_table(files, FILE, COLUMNS) if files.has(FILE) else None
    if table is None or len(files.problems) > known:
        return None
    if len(table.lines) < FEWEST:
        files.problem(FILE, f"has {len(table.lines)} points; give at least {FEWEST}, up to the greatest stretch")
    for column in COLUMNS:
        values = np.array(table.values[column.name])
        for row in np.flatnonzero(np.diff(values) <= 0)[:1] + 1:  # the first says enough
            what = f"{values[row]:g} is not above the {values[row - 1]:g} before it; a loading curve rises"
            files.problem(table.where(row, column.name), what)
    if len(files.problems) > known:
        return None
    return MakersCurve(*(np.array(table.values[column.name]) for column in COLUMNS))

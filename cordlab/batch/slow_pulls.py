"""Slow pull tests beside the drops: the force they give at the same stretch, compared and never fitted with them.

The force of rubber depends on rate, and a crane drop stretches a cord far faster than a testing machine does (ASTM
D412: compare like with like): a slow curve is not the drop's curve, and in the fit it would pass for one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from pathlib import PureWindowsPath
from typing import Any

import numpy as np
from scipy.integrate import trapezoid

from cordlab.batch.fit import BatchFit
from cordlab.campaign.campaign import Campaign, CampaignError
from cordlab.campaign.files import Folder, offer
from cordlab.campaign.tables import Column, Table, check_names, read_table
from cordlab.units import nearest

LIST = "pulls.csv"
PULLS = (Column("pull"), Column("cord"), Column("speed", "m/s", required=False, may_be_blank=True, above=0))
CURVE = (
    Column("stretch", "m", required=False, at_least=0),
    Column("stretch ratio", "", required=False, at_least=1),
    Column("force", "N", at_least=0),
)
CAUTION = "Slow pulls are compared with the drops, never pooled: the force at one stretch depends on the speed."
_MM_PER_MIN = 60_000.0
_SHOWN = 25  # points of a ratio that results.json lists


@dataclass(frozen=True)
class Pull:
    """One slow pull, loading branch: stretch_ratio (n,) rising, force (n,) [N], speed [m/s], nan where not noted."""

    name: str
    cord: str
    speed: float
    stretch_ratio: np.ndarray
    force: np.ndarray


@dataclass(frozen=True)
class PullRatio:
    """Force of a slow pull over the drop curve, where both were measured.

    against : whose drop curve, "cord A1" or "the batch";  stretch_ratio, ratio : (n,)  [1]
    mean : of the ratio over the stretch, weighted by the drop curve's force: the ratio of the two areas  [1]
    """

    pull: Pull
    against: str
    stretch_ratio: np.ndarray
    ratio: np.ndarray
    mean: float

    def to_dict(self) -> dict[str, Any]:
        shown = np.unique(np.linspace(0, self.ratio.size - 1, _SHOWN).astype(int))
        return {
            "pull": self.pull.name,
            "cord": self.pull.cord,
            "speed": None if np.isnan(self.pull.speed) else self.pull.speed,
            "against": self.against,
            "range": [float(self.stretch_ratio[0]), float(self.stretch_ratio[-1])],
            "mean": self.mean,
            "stretch_ratio": self.stretch_ratio[shown].tolist(),
            "ratio": self.ratio[shown].tolist(),
        }


@dataclass(frozen=True)
class PullComparison:
    """All slow pulls beside the drop curves; left_out : why a pull could not be compared, one text a pull."""

    rows: tuple[PullRatio, ...]
    left_out: tuple[str, ...]

    @property
    def mean(self) -> float | None:
        """Mean over the pulls of slow force over drop force; None where none was compared."""
        return float(np.mean([row.mean for row in self.rows])) if self.rows else None

    @property
    def sd(self) -> float | None:
        """Standard deviation between the pulls; None with fewer than 2."""
        return float(np.std([row.mean for row in self.rows], ddof=1)) if len(self.rows) > 1 else None

    @property
    def notes(self) -> tuple[str, ...]:
        return (CAUTION, *self.left_out)

    def summary(self) -> str:
        lines = []
        if self.mean is not None:
            spread = "one pull, no spread" if self.sd is None else f"sd between {len(self.rows)} pulls {self.sd:.3f}"
            lines.append(f"slow pulls: {self.mean:.3f} of the drops' force at the same stretch ({spread})")
        for row in self.rows:
            speed = "" if np.isnan(row.pull.speed) else f" at {row.pull.speed * _MM_PER_MIN:.3g} mm/min"
            low, high = row.stretch_ratio[[0, -1]]
            lines.append(f"  {row.pull.name}{speed}: {row.mean:.3f} of {row.against}, λ {low:.2f} to {high:.2f}")
        return "\n".join([*lines, *self.notes])

    def to_dict(self) -> dict[str, Any]:
        """For results.json."""
        rows = [row.to_dict() for row in self.rows]
        return {"mean": self.mean, "sd": self.sd, "pulls": rows, "left_out": list(self.left_out)}


def read_pulls(campaign: Campaign) -> tuple[Pull, ...]:
    """The slow pulls of a campaign: pulls.csv and pulls/; none where there are neither.

    Raises CampaignError with every problem as file, row, column.
    """
    files = Folder(campaign.folder)
    known = [name.removesuffix(".csv") for name in files.names("pulls")]
    if not known and not files.has(LIST):
        return ()
    table, found = read_table(files, LIST, PULLS), []
    if table:
        check_names(files, table, "pull")
        found = [_read(files, campaign, table, number, known) for number, _ in table.rows()]
        if table.has_all("pull"):
            for name in sorted(set(known) - set(table.values["pull"])):
                files.problem(f"pulls/{name}.csv", f"is in no row of {LIST}, so its cord is not known; add it there")
    for name, digest in files.digests.items():
        if campaign.digests.get(name) != digest:
            files.problem(name, "has changed since the campaign was read; read the campaign again")
    if files.problems:
        raise CampaignError(tuple(files.problems))
    return tuple(pull for pull in found if pull is not None)


def _read(files: Folder, campaign: Campaign, table: Table, number: int, known: list[str]) -> Pull | None:
    row = {key: column[number] for key, column in table.values.items()}
    name, file, where = row["pull"], f"pulls/{row['pull']}.csv", table.where(number, "pull")
    if name is None or row["cord"] is None:
        return None
    if PureWindowsPath(name).name != name:
        files.problem(where, f"'{name}' is a path; write the name of a file in pulls/, without .csv")
        return None
    if not files.has(file):
        hint = offer(nearest(name, known), "; put its curve there")
        files.problem(where, f"there is no file {file}{hint}")
        return None
    before = len(files.problems)
    curve = read_table(files, file, CURVE)
    if curve is None or len(files.problems) > before:
        return None
    column = _column(files, curve)
    if column is None:
        return None
    values = np.array(curve.values[column])
    still = np.flatnonzero(np.diff(values) <= 0)
    if still.size:
        files.problem(curve.where(int(still[0]) + 1, column), "does not rise; give the loading branch alone, in order")
    if values.size < 3:
        files.problem(file, f"has {values.size} rows; a curve needs at least 3")
    if column == "stretch":
        lengths = {cord.cord: cord.slack_length.value for cord in campaign.cords}
        if row["cord"] not in lengths:
            hint = offer(nearest(row["cord"], lengths), f"; add it there, or give 'stretch ratio' in {file}")
            said = f"'{row['cord']}' is not in cords.csv, and {file} needs its slack length{hint}"
            files.problem(table.where(number, "cord"), said)
            return None
        values = 1 + values / lengths[row["cord"]]
    speed = nan if row["speed"] is None else row["speed"]
    return Pull(name, row["cord"], speed, values, np.array(curve.values["force"]))


def _column(files: Folder, curve: Table) -> str | None:
    given = [key for key in ("stretch", "stretch ratio") if key in curve.header.places]
    if len(given) == 1:
        return given[0]
    what = "has both 'stretch' and 'stretch ratio'" if given else "has neither 'stretch [m]' nor 'stretch ratio'"
    files.problem(f"{curve.header.name}, row {curve.header.line}", f"{what}; give one of them")
    return None


def compare_pulls(pulls: Sequence[Pull], fit: BatchFit | None) -> PullComparison:
    """Slow force over the drop curve of that cord, or of the batch where the cord was not dropped.

    fit : of recorded drops; None where there are none, and then nothing can be compared
    """
    rows, left_out = [], []
    for pull in pulls:
        if fit is None:
            left_out.append(f"slow pull {pull.name}: no drop has a record of load to compare it with")
            continue
        s, own = fit.samples, pull.cord in fit.chosen.scales
        measured = s.stretch_ratio[np.array([cord == pull.cord or not own for cord in s.cord])[s.drop]]
        low, high = max(pull.stretch_ratio[0], measured.min()), min(pull.stretch_ratio[-1], measured.max())
        if not low < high:
            said = f"{pull.stretch_ratio[0]:.2f} to {pull.stretch_ratio[-1]:.2f}"
            drops = f"{measured.min():.2f} to {measured.max():.2f}"
            left_out.append(f"slow pull {pull.name}: stretch ratios {said}, but the drops' are {drops}")
            continue
        inside = pull.stretch_ratio[(pull.stretch_ratio > low) & (pull.stretch_ratio < high)]
        x = np.concatenate([[low], inside, [high]])
        slow = np.interp(x, pull.stretch_ratio, pull.force)
        dropped = fit.chosen.scales.get(pull.cord, 1.0) * fit.chosen.curve.force(x)
        mean = float(trapezoid(slow, x) / trapezoid(dropped, x))
        rows.append(PullRatio(pull, f"cord {pull.cord}" if own else "the batch", x, slow / dropped, mean))
    return PullComparison(tuple(rows), tuple(left_out))

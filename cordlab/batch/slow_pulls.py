"""Slow pull tests compared with the drops: the force they give at the same stretch, never fitted with them.

The force of rubber depends on rate, and a crane drop stretches a cord far faster than a testing machine does (ASTM
D412: compare like with like): a slow curve is not the drop's curve, and in the fit it would pass for one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import nan
from pathlib import PureWindowsPath

import numpy as np
from scipy.integrate import trapezoid

from cordlab.batch.fit import BatchFit
from cordlab.campaign.campaign import Campaign, CampaignError
from cordlab.campaign.files import Folder, offer
from cordlab.campaign.tables import Column, Table, read_table
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

    def to_dict(self) -> dict[str, object]:
        shown = np.unique(np.linspace(0, self.ratio.size - 1, _SHOWN).astype(int))
        return {
            "pull": self.pull.name,
            "cord": self.pull.cord,
            "speed": None if np.isnan(self.pull.speed) else self.pull.speed,
            "against": self.against,
            "range": self.stretch_ratio[[0, -1]].tolist(),
            "mean": self.mean,
            "stretch_ratio": self.stretch_ratio[shown].tolist(),
            "ratio": self.ratio[shown].tolist(),
        }


@dataclass(frozen=True)
class PullComparison:
    """All slow pulls against the drop curves; left_out : why a pull could not be compared, one text a pull."""

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
            variation = "one pull, no spread" if self.sd is None else f"sd between {len(self.rows)} pulls {self.sd:.3f}"
            lines.append(f"slow pulls: {self.mean:.3f} of the drops' force at the same stretch ({variation})")
        for row in self.rows:
            speed = "" if np.isnan(row.pull.speed) else f" at {row.pull.speed * _MM_PER_MIN:.3g} mm/min"
            low, high = row.stretch_ratio[[0, -1]]
            lines.append(f"  {row.pull.name}{speed}: {row.mean:.3f} of {row.against}, λ {low:.2f} to {high:.2f}")
        return "\n".join([*lines, *self.notes])

    def to_dict(self) -> dict[str, object]:
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
    table, pulls = read_table(files, LIST, PULLS), []
    if table:
        table.check_names("pull")
        lengths = {cord.cord: cord.slack_length.value for cord in campaign.cords}
        for number, row in table.rows():
            if row["pull"] is not None and row["cord"] is not None:
                pulls.append(_read(files, table, number, known, lengths))
        if table.has_all("pull"):
            for name in sorted(set(known) - set(table.values["pull"])):
                files.problem(f"pulls/{name}.csv", f"is in no row of {LIST}, so its cord is not known; add it there")
    for name, digest in files.digests.items():
        if campaign.digests.get(name) != digest:
            files.problem(name, "has changed since the campaign was read; read the campaign again")
    if files.problems:
        raise CampaignError(tuple(files.problems))
    return tuple(pull for pull in pulls if pull is not None)


def _read(files: Folder, table: Table, number: int, known: Sequence[str], lengths: Mapping[str, float]) -> Pull | None:
    """The pull in this row of the list, with its curve; None where it is refused, with the problems noted."""
    name, cord, where = table.values["pull"][number], table.values["cord"][number], table.where(number, "pull")
    file, before = f"pulls/{name}.csv", len(files.problems)
    if PureWindowsPath(name).name != name:
        files.problem(where, f"'{name}' is a path; write the name of a file in pulls/, without .csv")
        return None
    if not files.has(file):
        files.problem(where, f"there is no file {file}{offer(nearest(name, known), '; put its curve there')}")
        return None
    curve = read_table(files, file, CURVE)
    if curve is None or len(files.problems) > before:
        return None
    keys = [key for key in ("stretch", "stretch ratio") if key in curve.header.places]
    if len(keys) != 1:
        what = "has both 'stretch' and 'stretch ratio'" if keys else "has neither 'stretch [m]' nor 'stretch ratio'"
        files.problem(f"{file}, row {curve.header.line}", f"{what}; give one of them")
        return None
    ratio, force = np.array(curve.values[keys[0]]), np.array(curve.values["force"])
    for row in np.flatnonzero(np.diff(ratio) <= 0)[:1] + 1:  # the first says enough
        files.problem(curve.where(row, keys[0]), "does not rise; give the loading branch alone, in order")
    if ratio.size < 3:
        files.problem(file, f"has {ratio.size} rows; a curve needs at least 3")
    if keys == ["stretch"]:
        if cord not in lengths:
            hint = offer(nearest(cord, lengths), f"; add it there, or give 'stretch ratio' in {file}")
            what = f"'{cord}' is not in cords.csv, and {file} needs its slack length{hint}"
            files.problem(table.where(number, "cord"), what)
            return None
        ratio = 1 + ratio / lengths[cord]
    speed = table.values["speed"][number]
    return Pull(name, cord, nan if speed is None else speed, ratio, force)


def compare_pulls(pulls: Sequence[Pull], fit: BatchFit | None) -> PullComparison:
    """Slow force over the drop curve of that cord, or of the batch where the cord was not dropped.

    fit : of recorded drops; None where there are none, and then nothing can be compared
    """
    rows, left_out = [], []
    for pull in pulls:
        if fit is None:
            left_out.append(f"slow pull {pull.name}: no drop has a record of load to compare it with")
            continue
        was_dropped, samples = pull.cord in fit.chosen.scales, fit.samples
        of_cord = np.array([cord == pull.cord or not was_dropped for cord in samples.cord])
        measured = samples.stretch_ratio[of_cord[samples.drop]]
        low, high = max(pull.stretch_ratio[0], measured.min()), min(pull.stretch_ratio[-1], measured.max())
        if not low < high:
            left_out.append(
                f"slow pull {pull.name}: stretch ratios {pull.stretch_ratio[0]:.2f} to {pull.stretch_ratio[-1]:.2f}, "
                f"but the drops' are {measured.min():.2f} to {measured.max():.2f}"
            )
            continue
        inside = pull.stretch_ratio[(pull.stretch_ratio > low) & (pull.stretch_ratio < high)]
        x = np.concatenate([[low], inside, [high]])
        slow = np.interp(x, pull.stretch_ratio, pull.force)
        dropped = fit.chosen.scales.get(pull.cord, 1.0) * fit.chosen.curve.force(x)
        against = f"cord {pull.cord}" if was_dropped else "the batch"
        rows.append(PullRatio(pull, against, x, slow / dropped, float(trapezoid(slow, x) / trapezoid(dropped, x))))
    return PullComparison(tuple(rows), tuple(left_out))

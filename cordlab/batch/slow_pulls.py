"""Slow pull tests compared with the drops: the force they give at the same stretch, never fitted with them.

The force of rubber depends on rate, and a crane drop stretches a cord far faster than a testing machine does (ASTM
D412: compare like with like): a slow curve is not the drop's curve, and in the fit it would pass for one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
from scipy.integrate import trapezoid

from cordlab.batch.fit import BatchFit
from cordlab.campaign.campaign import Campaign
from cordlab.campaign.files import Folder, offer
from cordlab.campaign.tables import Column, may_have, read_table
from cordlab.units import nearest, plain

LIST = "pulls.csv"
PULLS = (Column("pull"), Column("cord"), may_have("speed", "m/s", above=0))
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
    """One slow pull, loading branch."""

    name: str
    cord: str
    speed: float  # [m/s], nan where not noted
    stretch_ratio: np.ndarray  # (n,) rising
    force: np.ndarray  # (n,) [N]


@dataclass(frozen=True)
class PullRatio:
    """Force of a slow pull over the drop curve, where both were measured."""

    pull: Pull
    against: str  # whose drop curve, "cord A1" or "the batch"
    stretch_ratio: np.ndarray  # (n,)
    ratio: np.ndarray  # (n,)
    mean: float  # over the stretch, weighted by the drop curve's force: the ratio of the two areas

    def to_dict(self) -> dict[str, object]:
        shown = np.unique(np.linspace(0, self.ratio.size - 1, _SHOWN).astype(int))
        columns = {"pull": self.pull.name, "cord": self.pull.cord, "speed": self.pull.speed, "against": self.against}
        columns |= {"range": self.stretch_ratio[[0, -1]], "mean": self.mean}
        return plain(columns | {"stretch_ratio": self.stretch_ratio[shown], "ratio": self.ratio[shown]})


@dataclass(frozen=True)
class PullComparison:
    """All slow pulls against the drop curves."""

    rows: tuple[PullRatio, ...]
    left_out: tuple[str, ...]  # why a pull could not be compared, one text a pull

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
    Raises CampaignError with every problem as file, row, column."""
    files, pulls = Folder(campaign.folder), []
    listed = {f"pulls/{name}" for name in files.names("pulls")}
    if not listed and not files.has(LIST):
        return ()
    if table := read_table(files, LIST, PULLS):
        table.check_names("pull")
        lengths = {cord.cord: cord.slack_length.value for cord in campaign.cords}
        for number, row in table.rows():
            name, cord, speed, known = row["pull"], row["cord"], row["speed"], len(files.problems)
            if name is None or cord is None:
                continue
            file = table.file(number, "pull", "pulls", ending=".csv", otherwise="; put its curve there")
            curve = read_table(files, file, CURVE) if file else None
            if file is None or curve is None or len(files.problems) > known:
                continue
            keys = [key for key in ("stretch", "stretch ratio") if key in curve.places]
            if len(keys) != 1:
                what = "has both 'stretch' and" if keys else "has neither 'stretch [m]' nor"
                files.problem(f"{file}, row {curve.line}", f"{what} 'stretch ratio'; give one of them")
                continue
            curve.check_rising(keys[0], "give the loading branch alone, in order")
            ratio, force = np.array(curve.values[keys[0]]), np.array(curve.values["force"])
            if ratio.size < 3:
                files.problem(file, f"has {ratio.size} rows; a curve needs at least 3")
            if keys == ["stretch"] and cord not in lengths:
                hint = offer(nearest(cord, lengths), f"; add it there, or give 'stretch ratio' in {file}")
                what = f"'{cord}' is not in cords.csv, and {file} needs its slack length{hint}"
                table.problem(number, "cord", what)
                continue
            ratio = 1 + ratio / lengths[cord] if keys == ["stretch"] else ratio
            pulls.append(Pull(name, cord, nan if speed is None else speed, ratio, force))
        if table.has_all("pull"):
            for file in sorted(listed - {f"pulls/{name}.csv" for name in table.values["pull"]}):
                files.problem(file, f"is in no row of {LIST}, so its cord is not known; add it there")
    files.check_unchanged(campaign.digests)
    files.stop()
    return tuple(pulls)


def compare_pulls(pulls: Sequence[Pull], fit: BatchFit | None) -> PullComparison:
    """Slow force over the drop curve of that cord, or of the batch where it was not dropped; none without records."""
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

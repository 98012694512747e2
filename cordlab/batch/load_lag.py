"""How late the load comes after the distance: a slow load cell, or a filter in one of two channels.

A slow cell looks like a viscous cord and hides the peaks. Three witnesses tell it from one: motion and load set against
each other (`load_lag`), the masses that they imply, and when the stretch wave arrives.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from cordlab.batch.findings import Finding
from cordlab.batch.wave_removal import WaveFit
from cordlab.records.plausibility import STRETCHED
from cordlab.records.reduce import Drop

SMALL = 0.03  # a lag up to this is taken off; beyond it the peaks are hidden; our choice [s]
LEAST = 0.004  # a lag below this is not worth taking off; our choice [s]
UNSURE = {"top": 0.008, "bottom": 0.002}  # standard uncertainty by the end of the cell: a wave holds momentum [s]
IMPLIED = 0.03  # share by which implied masses may be off in the median, as a witness
FOLD = 1.3  # of the time that a wave takes, or that a stretched arm falls: so late an elastic fold may bring it
REMEDY = (
    "look for a filter or an averaging display between load cell and logger, set it to 100 Hz or more and the same in "
    "both channels, and drop again"
)


@dataclass(frozen=True)
class LoadLag:
    """Of the load against the distance [s], by all records, and its standard uncertainty; taken_off : whether the drops
    are without it.
    """

    value: float
    u: float
    taken_off: bool

    @classmethod
    def of(cls, drops: Sequence[Drop]) -> "LoadLag | None":
        """By the mean over the heavier half of the masses; None without a record that has a distance.

        A wave moves it from mass to mass, by the more the lighter they are.
        """
        heavy = heavier(drops)
        lags = pd.Series([drop.load_lag for drop in heavy], dtype=float)
        if lags.isna().all():
            return None
        of_mass = lags.groupby([drop.mass for drop in heavy]).median().dropna()
        scatter = of_mass.std() / np.sqrt(len(of_mass)) if len(of_mass) > 1 else 0.0
        value, u = float(of_mass.mean()), float(np.hypot(scatter, UNSURE[drops[0].load_cell_at]))
        return cls(value, u, max(LEAST, 2 * u) < abs(value) <= SMALL)

    @property
    def hides_loads(self) -> bool:
        """Whether it is too long to be taken off."""
        return abs(self.value) > max(SMALL, 2 * self.u)

    def __str__(self) -> str:
        return f"the load comes {1000 * self.value:+.0f} ms after the distance, u = {1000 * self.u:.0f} ms"

    @property
    def notes(self) -> tuple[str, ...]:
        return (f"{self}: taken off the loads, which are as sure as it is",) if self.taken_off else ()

    def carried(self, drops: Sequence[Drop]) -> tuple[Drop, ...]:
        """The drops, what is left open of the lag in the uncertainty of peaks and of the energy returned."""
        left = self.u if self.taken_off else float(np.hypot(self.value, self.u))
        carried = []
        for drop in drops:
            u_returned = drop.u_energy_returned
            if u_returned is not None:
                u_returned = float(np.hypot(u_returned, left * drop.energy_per_lag))
            u_peak = float(np.hypot(drop.u_peak_load, left * drop.peak_per_lag))
            carried.append(replace(drop, u_peak_load=u_peak, u_energy_returned=u_returned))
        return tuple(carried)


def heavier(drops: Sequence[Drop]) -> list[Drop]:
    """Those of the heavier half of the masses: of the momentum, the cord has the least there."""
    middle = np.median(sorted({drop.mass for drop in drops})) if drops else 0.0
    return [drop for drop in drops if drop.mass >= middle]


def lag_findings(lag: LoadLag | None, waves: WaveFit | None, drops: Sequence[Drop]) -> Iterator[Finding]:
    """Which of the three witnesses speak of a slow cell: two stop the rating, one is said; and a viscosity that they
    leave open."""
    names = tuple(drop.name for drop in drops)
    where = f"{len(drops)} drops"
    late = _late_wave(waves)
    seen = [str(lag)] if lag and lag.hides_loads else []
    if seen and waves is not None and waves.measured and not waves.seen:
        late = "the records hardly show the stretch wave"
    implied = [drop.implied_mass / drop.mass - 1 for drop in heavier(drops) if drop.implied_mass is not None]
    if implied and abs(off := float(np.median(implied))) > IMPLIED:
        seen.append(f"load and motion imply masses that are {off:+.1%} off those noted, in the median")
    seen += [late] if late else []
    if len(seen) > 1:
        yield Finding("slow load cell", f"{'; '.join(seen)}: g and loads are not seen", where, REMEDY, names)
    elif seen and (late or (lag and lag.hides_loads)):  # implied masses by themselves are told as 'loads'
        yield Finding("late load", seen[0], where, REMEDY, names)
    if waves is not None and waves.viscosity.hidden:
        yield Finding(
            "viscosity", str(waves.viscosity), where, "look at the load cell and its filter, or test softer", names
        )


def _late_wave(waves: WaveFit | None) -> str:
    """That the wave arrives later than simulated, by more than scatter and an elastic fold explain; else ""."""
    if waves is None or not waves.swells:
        return ""
    rows = waves.arrivals
    late, expected = np.array([(row["arrival"] - row["expected_arrival"], row["expected_arrival"]) for row in rows]).T
    scatter = late.std(ddof=1) / np.sqrt(late.size) if late.size > 1 else 0.0
    arm = np.mean([STRETCHED * drop.slack_length / drop.speed[drop.slack_end] for drop in waves.drops])
    explained = FOLD * max(expected.mean(), arm) + 2 * scatter
    if not late.mean() > explained:
        return ""
    return f"the stretch wave arrives {1000 * late.mean():.0f} ms late, {1000 * explained:.0f} ms are explained"

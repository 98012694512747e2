"""Invented campaigns for studies of what stops a rating, written as text.

A world is a curve, a batch of cords, and a rig; a pattern says which cord is dropped with which mass, at which count
and temperature. The motion shares no code with cordlab: every drop is integrated in time (`tests/invented.py`). Nothing
here was measured.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests import written
from tests.invented import invented_drop, mooney_rivlin
from tests.small_campaign import CAMPAIGN, changed

TOML = changed(
    CAMPAIGN,
    ("A small invented campaign", "An invented campaign of a study"),
    ("48.00(3) m", "60.00(3) m"),
    ("0.0(1) m", "0.00(3) m"),
    ("2.2(1) m", "2.0(1) m"),
    ("1.2(1) kg/m^3", "1.20(5) kg/m^3"),
    ('least_clearance = "4 m"', 'least_clearance = "3 m"'),
    ("greatest_g = 3.5", "greatest_g = 4.0"),
    ("least_strength_factor = 5", "least_strength_factor = 4"),
    ("greatest_stretch_ratio = 4.2", 'greatest_stretch_ratio = 4.6\ndesign_breaking_load = "16000(100) N"'),
    ("seed = 20", "seed = 1"),
)


def stiffening(ratio):
    """A cord that stiffens towards 6 times its length."""
    return 620.0 * (ratio - ratio**-2) / (1 - ((ratio - 1) / 5.0) ** 2)


def soft_start(ratio):
    """Steep first, then nearly straight: an Ogden-like cord."""
    return 750.0 * (ratio**0.45 - ratio**-1.3) + 240.0 * (ratio - 1)


CURVES = {"mooney-rivlin": mooney_rivlin, "stiffening": stiffening, "soft start": soft_start}


class Row(NamedTuple):
    """A drop of a plan: number of the cord, mass hung [kg], jumps, temperature [°C], use."""

    cord: int
    mass: float
    jumps: int
    temperature: float
    use: str = "fit"


Edit = Callable[[list[list[str]]], None]


def write_ladder(
    folder: Path,
    toml: str,
    plan: Sequence[Row],
    lowest: Sequence[float],
    *,
    cord: str,
    u: float,
    edit: Edit = lambda rows: None,
) -> Path:
    """A campaign of lowest points alone; `edit` changes the rows of drops.csv (heads first) before they are written.

    cord : of each cord, what stands between its name and its first count;  u : noted of the lowest points [m]
    """
    first = {row.cord: row.jumps for row in reversed(plan)}
    cords = (f"C{k + 1:02d},{cord},{first[k]}" for k in sorted(first))
    rows = [written.DROPS.split(",")]
    for number, (row, depth) in enumerate(zip(plan, lowest, strict=True), 1):
        drop = f"D{number:03d},C{row.cord + 1:02d},{row.mass:g},0.05,{row.jumps},{row.temperature:.1f},{row.use}"
        rows.append(f"{drop},{depth:.2f},{u:g},".split(","))
    edit(rows)
    return written.write(folder, toml, cords, map(",".join, rows[1:]), {})


@dataclass
class World:
    """How cords are and how they are tested, and once they are dropped by a plan, how low they came."""

    curve: Callable = mooney_rivlin
    cord_sd: float = 0.01
    drop_sd: float = 0.004
    reading_sd: float = 0.03  # of a lowest point [m]
    softer_per_kelvin: float = 0.002
    length: float = 10.0
    cord_mass: float = 14.0
    plan: Sequence[Row] = ()
    lowest: list[float] = field(default_factory=list)

    def drop(self, rng: np.random.Generator, plan: Sequence[Row]) -> None:
        """Cords drawn anew are dropped."""
        cords = np.exp(rng.normal(0, self.cord_sd, 1 + max(row.cord for row in plan)))
        setup = {"length": self.length, "cord_mass": self.cord_mass, "rate": 20.0}
        self.plan, self.lowest = plan, []
        for row in plan:
            scale = cords[row.cord] * np.exp(rng.normal(0, self.drop_sd))
            scale *= 1 + self.softer_per_kelvin * (row.temperature - 15.0) - 2e-4 * row.jumps
            truth = invented_drop(mass=row.mass, force=lambda ratio, scale=scale: scale * self.curve(ratio), **setup)
            self.lowest.append(truth.lowest_point + rng.normal(0, self.reading_sd))

    def write(self, folder: Path, edit: Edit = lambda rows: None) -> Path:
        cord = f"{self.length:.3f},0.02,{self.cord_mass:.2f},0.05"
        return write_ladder(folder, TOML, self.plan, self.lowest, cord=cord, u=0.05, edit=edit)


def crossed(
    cords: int,
    masses: Sequence[float],
    rng: np.random.Generator,
    *,
    warming: float = 0.0,
    check: Sequence[float] = (),
) -> list[Row]:
    """Every cord with every mass, light to heavy, then drops held back; the day warms by `warming` K as masses rise."""
    plan = []
    for cord in range(cords):
        for count, mass in enumerate((*masses, *check)):
            held_back = count >= len(masses)
            warmer = warming * (1.0 if held_back else count / max(len(masses) - 1, 1))
            plan.append(Row(cord, mass, count, 15.0 + warmer + rng.normal(0, 0.4), "check" if held_back else "fit"))
    return plan


FIVE = (36.0, 52.0, 68.0, 84.0, 100.0)
PATTERNS: dict[str, Callable[[np.random.Generator], list[Row]]] = {
    "6 cords, 5 masses, 2 held back": lambda rng: crossed(6, FIVE, rng, check=(52.0, 84.0)),
    "4 cords, 5 masses, warming 3 K": lambda rng: crossed(4, FIVE, rng, warming=3.0),
    "3 cords, 3 masses": lambda rng: crossed(3, (40.0, 70.0, 100.0), rng),
    "one cord, 5 masses": lambda rng: crossed(1, FIVE, rng),
}

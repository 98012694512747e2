"""Invented campaigns for studies of what stops a rating, written as text.

A world is a curve, a batch of cords, and a rig; a pattern says which cord is dropped with which mass, at which count
and temperature. The motion shares no code with cordlab: every drop is integrated in time (`tests/invented.py`). Nothing
here was measured.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

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


@dataclass
class Drop:
    """A row of drops.csv as it happened."""

    name: str
    cord: str
    mass: float
    jumps: int
    temperature: float
    use: str
    lowest: float
    scale: float = 1.0


@dataclass
class World:
    """How cords are and how they are tested; a pattern of drops is cord number, mass, count, temperature, use."""

    curve: Callable = mooney_rivlin
    cord_sd: float = 0.01
    drop_sd: float = 0.004
    reading_sd: float = 0.03  # of a lowest point [m]
    softer_per_kelvin: float = 0.002
    length: float = 10.0
    cord_mass: float = 14.0
    records: bool = False
    drops: list[Drop] = field(default_factory=list)

    def drop(self, rng: np.random.Generator, plan: Sequence[tuple[int, float, int, float, str]]) -> list[Drop]:
        """The drops of a plan, with cords drawn anew."""
        cords = np.exp(rng.normal(0, self.cord_sd, 1 + max(row[0] for row in plan)))
        self.drops = []
        for number, (cord, mass, jumps, temperature, use) in enumerate(plan):
            scale = cords[cord] * np.exp(rng.normal(0, self.drop_sd))
            scale *= 1 + self.softer_per_kelvin * (temperature - 15.0) - 2e-4 * jumps
            truth = self.motion(mass, scale)
            lowest = truth.lowest_point + rng.normal(0, self.reading_sd)
            row = (f"D{number + 1:03d}", f"C{cord + 1:02d}", mass, jumps, temperature, use)
            self.drops.append(Drop(*row, round(lowest, 2), float(scale)))
        return self.drops

    def motion(self, mass: float, scale: float, **options):
        """One drop as it happens."""
        setup = {"mass": mass, "length": self.length, "cord_mass": self.cord_mass, "rate": 500.0, "duration": 12.0}
        return invented_drop(**setup, force=lambda ratio: scale * self.curve(ratio), **options)

    def write(
        self, folder: Path, rng: np.random.Generator, edit: Callable[[list[list[str]]], None] | None = None
    ) -> Path:
        """The campaign's files; `edit` changes the rows of drops.csv (heads first) before they are written."""
        names = sorted({drop.cord for drop in self.drops})
        cords = (f"{name},{self.length:.3f},0.02,{self.cord_mass:.2f},0.05,0" for name in names)
        rows = [written.DROPS.split(",")]
        for drop in self.drops:
            record = f"{drop.name}.csv" if self.records else ""
            row = [drop.name, drop.cord, f"{drop.mass:g}", "0.05", str(drop.jumps), f"{drop.temperature:.1f}", drop.use]
            rows.append([*row, f"{drop.lowest:.2f}", "0.05", record])
        if edit is not None:
            edit(rows)
        records = self._recorded(rng) if self.records else {}
        return written.write(folder, TOML, cords, map(",".join, rows[1:]), records)

    def _recorded(self, rng: np.random.Generator) -> dict[str, str]:
        """Calibrations and records, by file."""
        files = {}
        calibrations = (("force", 12000.0, 2500.0, 1.5), ("distance", 60.0, 6.0, 0.005))
        for channel, greatest, slope, u in calibrations:
            lines = []
            for run in (1, 2):
                for reference in np.linspace(-0.05, 1, 11) * greatest:
                    shown = reference / slope + rng.normal(0, 2 * u / slope)
                    lines.append(f"{run},{reference:.3f},{u},{shown:.6f}")
            files[f"calibration/{channel}.csv"] = written.table(written.CALIBRATION[channel], lines)
        for drop in self.drops:
            truth = self.motion(drop.mass, drop.scale)
            force = truth.load / 2500.0 + rng.normal(0, 4.0 / 2500.0, truth.load.size)
            distance = truth.position / 6.0 + rng.normal(0, 0.01 / 6.0, truth.load.size)
            rows = (f"{t:.4f},{f:.6f},{d:.6f}" for t, f, d in zip(truth.time, force, distance, strict=True))
            files[f"records/{drop.name}.csv"] = written.table(written.RECORD, rows)
        return files


def crossed(
    cords: int,
    masses: Sequence[float],
    rng: np.random.Generator,
    *,
    warming: float = 0.0,
    first_count: int = 0,
    check: Sequence[float] = (),
) -> list[tuple[int, float, int, float, str]]:
    """Every cord with every mass, light to heavy, then drops held back; the day warms by `warming` K as masses rise."""
    plan = []
    for cord in range(cords):
        count = first_count
        for place, mass in enumerate(masses):
            temperature = 15.0 + warming * place / max(len(masses) - 1, 1) + rng.normal(0, 0.4)
            plan.append((cord, mass, count, temperature, "fit"))
            count += 1
        for mass in check:
            plan.append((cord, mass, count, 15.0 + warming + rng.normal(0, 0.4), "check"))
            count += 1
    return plan


FIVE = (36.0, 52.0, 68.0, 84.0, 100.0)
PATTERNS: dict[str, Callable[[np.random.Generator], list[tuple[int, float, int, float, str]]]] = {
    "6 cords, 5 masses, 2 held back": lambda rng: crossed(6, FIVE, rng, check=(52.0, 84.0)),
    "4 cords, 5 masses, warming 3 K": lambda rng: crossed(4, FIVE, rng, warming=3.0),
    "3 cords, 3 masses": lambda rng: crossed(3, (40.0, 70.0, 100.0), rng),
    "one cord, 5 masses": lambda rng: crossed(1, FIVE, rng),
}

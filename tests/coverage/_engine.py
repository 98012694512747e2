"""What studies of the engine alone have in common: drops on a known curve, true next drops, and tables as they grow."""

from collections.abc import Sequence
from types import SimpleNamespace

import numpy as np

from cordlab.batch.drop_table import Evidence
from cordlab.curves.models import Curve
from cordlab.limits.anchoring import DropStiffness, drop_stiffness
from cordlab.units import Measured
from tests.lowest_worlds import AIR, CORD_MASS, DRAG, GEAR, LENGTH, REACH, READING, RELEASE, TIE

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
RIG = SimpleNamespace(
    tie_height=Measured(60.0), release_depth=Measured(0.0), drag_area=Measured(0.10),
    air_density=Measured(1.20), compliance=Measured(0.0), load_cell_at="bottom",
)  # fmt: skip
SITE = SimpleNamespace(
    tie_height=Measured(*TIE), surface="water", release_depth=Measured(*RELEASE), gear_mass=Measured(*GEAR),
    reach_below_attachment=Measured(*REACH), drag_area=Measured(*DRAG), air_density=Measured(*AIR), temperature=None,
)  # fmt: skip


def ladder(cords: int) -> tuple[np.ndarray, np.ndarray]:
    """Number of the cord, and mass hung [kg], of every mass on every cord."""
    return np.repeat(np.arange(cords), MASSES.size), np.tile(MASSES, cords)


def evidence(cord: np.ndarray, mass: np.ndarray, lowest: np.ndarray, jumps: int = 0) -> Evidence:
    """Drops of lowest points alone."""
    full, none = np.ones(mass.size), np.full(mass.size, np.nan)
    return Evidence(
        [f"D{k}" for k in range(mass.size)], [f"C{k}" for k in cord], mass, 0 * full, lowest, READING * full,
        LENGTH * full, CORD_MASS * full, none, none, jumps * full, 15.0 * full, "bottom",
    )  # fmt: skip


def anchored(drops: Evidence) -> DropStiffness:
    """The drops on the curve of `tests/invented.py`."""
    return drop_stiffness(Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}), drops, rig=RIG)


def row(*cells: object) -> None:
    print("|", " | ".join(map(str, cells)), "|", flush=True)


def heads(*names: str) -> None:
    row(*names)
    row(*("---" for _ in names))


def share(held: Sequence[bool]) -> str:
    """With its binomial standard error."""
    p, n = float(np.mean(held)), len(held)
    return f"{p:.3f} ± {np.sqrt(p * (1 - p) / n):.3f}"


def mean(values: Sequence[float]) -> str:
    """With its standard error; a dash where there is none."""
    return f"{np.mean(values):.4f} ± {np.std(values) / np.sqrt(len(values)):.4f}" if len(values) else "–"

"""What studies have in common: drops on a known curve, true next drops, whole campaigns, and tables as they grow."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace

import numpy as np
from scipy.interpolate import RBFInterpolator
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from cordlab import Analysis, read_campaign
from cordlab.batch.drop_table import Evidence
from cordlab.campaign.settings import Site
from cordlab.curves.models import Curve
from cordlab.limits.anchoring import DropStiffness, drop_stiffness
from cordlab.units import Measured
from tests.invented import G
from tests.lowest_worlds import CORD_MASS, LAWS, LENGTH, READING, Cords, Row, next_drops, write

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
RIG = SimpleNamespace(
    tie_height=Measured(60.0), release_depth=Measured(0.0), drag_area=Measured(0.10),
    air_density=Measured(1.20), compliance=Measured(0.0), load_cell_at="bottom",
)  # fmt: skip
RIDERS = np.linspace(MASSES[0], MASSES[-1], 9) - LAWS["gear_mass"][0]


def site(laws: Mapping[str, tuple[float, float]] = LAWS) -> SimpleNamespace:
    """A campaign's `[site]`."""
    inputs = {name: Measured(*law) for name, law in laws.items()}
    return SimpleNamespace(**inputs, centre_of_mass_fall=Measured(0.0), surface="water", temperature=None)


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


def campaign(cords: Cords, n_cords: int, rng: np.random.Generator) -> DropStiffness:
    """Of one campaign of new cords."""
    (cord, mass), (level, change) = ladder(n_cords), cords.draw(rng, n_cords)
    log_scale = cords.log_scale((level[cord], change[cord]), 0, 15.0, rng)
    return anchored(evidence(cord, mass, cords.rig(mass, log_scale) + rng.normal(0, READING, mass.size)))


def true_next(cords: Cords, riders: np.ndarray, rng: np.random.Generator, n: int, laws=LAWS) -> dict[str, np.ndarray]:
    """Clearance, g and stretch ratio of next drops, the same cords and site at every rider mass.  (n_riders, n)"""
    log_scale = cords.log_scale(cords.draw(rng, n), 0, 15.0, rng)
    drops = next_drops(cords, riders, log_scale, rng, laws)
    hung, depth = drops["hung"], drops["lowest_point"]
    force = np.exp(log_scale) * cords.curve(depth / LENGTH)
    upward = (force - (hung + CORD_MASS / 2) * G) / (hung + CORD_MASS / 3)
    lower_load = force - CORD_MASS * (G / 2 + upward / 3)
    return {"clearance": drops["clearance"], "g": lower_load / (hung * G), "stretch_ratio": depth / LENGTH}


UNSURE = ("drag_area", "air_density", "release_depth", "gear_mass")


def at_site(where: Site, normals: np.ndarray) -> dict[str, float]:
    """What a drop at a campaign's site meets, for standard normal numbers in the order of `UNSURE`."""
    there = {}
    for name, normal in zip(UNSURE, normals, strict=True):
        law = getattr(where, name)
        there[name] = law.value + law.u * normal
        if name == "drag_area":  # never below 0
            below = ndtr(-law.value / law.u)
            there[name] = law.value + law.u * ndtri(below + (1 - below) * ndtr(normal))
    return there


def by_spline(follow: Callable[[np.ndarray], Sequence[float]], followed: int, draws: int = 20_000) -> np.ndarray:
    """True next drops, (n_quantities, draws): ln of each quantity by a thin plate spline through those `followed`.

    follow : quantities of one drop, from standard normal numbers for the cord's stiffness and for `UNSURE`
    """
    inputs = 1 + len(UNSURE)
    normals = ndtri(qmc.Sobol(inputs, seed=1).random(followed))
    logs = RBFInterpolator(normals, np.log([follow(z) for z in normals]))
    return np.exp(logs(np.random.default_rng(2).standard_normal((draws, inputs)))).T


def analysed(plan: Sequence[Row], cords: Cords, rng: np.random.Generator, *changes: tuple[str, str]) -> Analysis:
    """A whole campaign of `tests/lowest_worlds.py`."""
    with TemporaryDirectory() as scratch:
        return Analysis(read_campaign(write(Path(scratch, "campaign"), plan, cords, rng, *changes)))


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


RATED = ("rated", "violated at the heavy end, mean", "greatest")


def rated(chances: Sequence[float], campaigns: int) -> tuple[str, str, str]:
    """Cells under `RATED`, by the chances of those of the campaigns that are rated."""
    return share(np.arange(campaigns) < len(chances)), mean(chances), f"{max(chances):.3f}" if chances else "–"

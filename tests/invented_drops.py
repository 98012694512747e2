"""Invented loading curves with known truth, as the reduction leaves them: one value a bin of stretch ratio."""

from dataclasses import dataclass

import numpy as np

from cordlab.batch.bootstrap import Values
from cordlab.curves.models import Curve

REACH = (2.2, 2.6, 3.1, 3.5, 4.0)  # greatest stretch ratio of each drop, light mass to heavy
TRUE = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})


@dataclass(frozen=True)
class Loading:
    """What the fit reads of a Drop."""

    name: str
    cord: str
    stretch_ratio: np.ndarray
    force: np.ndarray
    mass: float = 68.0
    jumps: int = 0
    temperature: float = 15.0
    slack_length: float = 10.0
    u_lowest_point: float = 0.02


def invented_drops(
    rng: np.random.Generator,
    *,
    cords: int = 6,
    reach: tuple[float, ...] = REACH,
    curve: Curve = TRUE,
    cord_sd: float = 0.02,
    drop_sd: float = 0.004,
    noise: float = 3.0,
    correlation: float = 0.5,
    bins: float = 20.0,
) -> list[Loading]:
    """Every cord dropped once to each of `reach`; noise [N] correlated from bin to bin, `bins` per unit of stretch."""
    drops = []
    for c in range(cords):
        cord = np.exp(rng.normal(0, cord_sd))
        for k, greatest in enumerate(reach):
            x = np.arange(1 + 0.5 / bins, greatest, 1 / bins)
            e = rng.normal(0, noise, len(x))
            for i in range(1, len(x)):
                e[i] = correlation * e[i - 1] + np.sqrt(1 - correlation**2) * e[i]
            force = curve.force(x) * cord * np.exp(rng.normal(0, drop_sd)) + e
            drops.append(Loading(f"C{c + 1}-{k + 1}", f"C{c + 1}", x, force, mass=36.0 + 16 * k))
    return drops


def stacked(drops: list[Loading]) -> Values:
    """All values of the drops, of weight 1."""
    x, force = (np.concatenate([getattr(drop, name) for drop in drops]) for name in ("stretch_ratio", "force"))
    number = np.repeat(np.arange(len(drops)), [len(drop.force) for drop in drops])
    return Values(x, force, number, np.ones_like(x))

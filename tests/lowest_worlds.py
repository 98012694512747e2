"""Invented campaigns without records, for studies of what a campaign does not show: truth by tables, text by hand.

Lowest points come from `tests/invented.py`, integrated in time on a grid of masses and stiffnesses and read by splines;
the next drop at the site is drawn with every input at its own law. Nothing here shares code with cordlab.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

import numpy as np
from scipy.interpolate import RectBivariateSpline

from tests.invented import G, invented_drop, mooney_rivlin
from tests.small_campaign import changed
from tests.worlds import TOML, Row, write_ladder

LENGTH, CORD_MASS, READING = 10.0, 14.0, 0.03
OFF = 0.7  # of the drag, less and more, through which a parabola goes
LEAST_CLEARANCE, DRAG, AIR = 3.0, (0.5, 0.1), (1.20, 0.05)
LAWS = {  # of the site in `SITE`, value and standard uncertainty
    "tie_height": (43.0, 0.1),
    "reach_below_attachment": (2.0, 0.1),
    "gear_mass": (3.0, 0.3),
    "drag_area": DRAG,
    "air_density": AIR,
    "release_depth": (0.0, 0.2),
}
TOLD = (  # changes that spare an analysis the choice of a model and the worst of all viscosities
    ('model = "auto"', 'model = "mooney-rivlin"'),
    ("[site]", '[cord]\nviscosity = "20.0(5) N*s"\n[site]'),
)
SITE = changed(TOML, ('drag_area = "0.5(2) m^2"', 'drag_area = "0.5(1) m^2"'))


@dataclass(frozen=True)
class Cords:
    """How the cords of an invented batch are; ln stiffness of a drop is a sum.

    per_kelvin : from 15 °C;  per_jump : of the jumps before
    viscosity : of cords with stretch waves [N·s]; None: strained evenly
    """

    curve: Callable = mooney_rivlin
    cord_sd: float = 0.01
    drop_sd: float = 0.004
    per_kelvin: float = -0.0034
    per_jump: float = 0.0
    sd_per_jump: float = 0.0
    viscosity: float | None = None

    def draw(self, rng: np.random.Generator, size: int) -> tuple[np.ndarray, np.ndarray]:
        """Level and change a jump of so many cords."""
        return rng.normal(0, self.cord_sd, size), rng.normal(self.per_jump, self.sd_per_jump, size)

    def log_scale(self, cords: tuple[np.ndarray, np.ndarray], jumps, temperature, rng) -> np.ndarray:
        level, change = cords
        mean = level + change * jumps + self.per_kelvin * (np.asarray(temperature) - 15.0)
        return mean + rng.normal(0, self.drop_sd, np.shape(mean))

    @property
    def rig(self) -> "Table":
        return Table(self.curve, 0.06, self.viscosity)

    @property
    def site(self) -> "Table":
        return Table(self.curve, AIR[0] * DRAG[0] / 2, self.viscosity)


@cache
@dataclass(frozen=True)
class Table:
    """Lowest point [m] over mass and ln stiffness; over the drag ½ρCdA by a parabola, and its slope in the release.

    One table serves all batches of a curve; with a viscosity the cords have stretch waves.
    """

    curve: Callable
    drag: float
    viscosity: float | None

    @cached_property
    def depth(self) -> RectBivariateSpline:
        return self._spline(self.drag, 0.0)

    @cached_property
    def by_drag(self) -> tuple[RectBivariateSpline, RectBivariateSpline]:
        return self._spline((1 - OFF) * self.drag, 0.0), self._spline((1 + OFF) * self.drag, 0.0)

    @cached_property
    def by_release(self) -> RectBivariateSpline:
        return self._spline(self.drag, 0.2)

    def _spline(self, drag: float, release: float) -> RectBivariateSpline:
        even = np.linspace(30.0, 112.0, 7), np.linspace(-0.3, 0.3, 7)
        masses, logs = even if self.viscosity is None else (np.linspace(32.0, 104.0, 8), np.linspace(-0.15, 0.15, 5))
        mass, log_scale = (of.ravel() for of in np.meshgrid(masses, logs, indexing="ij"))
        depths = self.depths(mass, log_scale, drag, release)
        return RectBivariateSpline(masses, logs, np.reshape(depths, (masses.size, logs.size)))

    def depths(self, masses: np.ndarray, log_scales: np.ndarray, drag: float, release: float) -> Sequence[float]:
        """As they come, one by one."""
        if self.viscosity is not None:
            return with_waves(self.curve, masses, log_scales, drag, release, self.viscosity)
        setup = {"length": LENGTH, "cord_mass": CORD_MASS, "c": drag, "y0": release, "rate": 20.0}
        scales = np.exp(log_scales).tolist()
        drops = [
            invented_drop(mass=mass, force=lambda ratio, scale=scale: scale * self.curve(ratio), **setup)
            for mass, scale in zip(masses.tolist(), scales, strict=True)
        ]
        return [drop.lowest_point for drop in drops]

    def __call__(self, mass, log_scale, drag=None, release=0.0) -> np.ndarray:
        mass, log_scale = np.broadcast_arrays(np.asarray(mass, float), log_scale)
        depth = self.depth.ev(mass, log_scale)
        if drag is None:
            return depth
        less, more = (spline.ev(mass, log_scale) - depth for spline in self.by_drag)
        steps = (drag / self.drag - 1) / OFF
        a_release = (self.by_release.ev(mass, log_scale) - depth) / 0.2
        return depth + (more - less) / 2 * steps + (more + less) / 2 * steps**2 + a_release * release


def with_waves(curve, masses, log_scales, drag, release, viscosity, *, lumps=40, step=3e-4) -> np.ndarray:
    """Lowest points of masses (n,) on cords of ln stiffness (n,), with stretch waves: a chain of lumps each.  [m]"""
    piece, inertia = LENGTH / lumps, np.full((lumps, masses.size), CORD_MASS / lumps)
    inertia[-1] = masses + CORD_MASS / lumps / 2
    speed = np.zeros_like(inertia)
    depth = np.repeat(piece * np.arange(1.0, lumps + 1)[:, None], masses.size, 1)
    speed[-1] = _speed_at_the_end_of_slack(masses, drag, release) * masses / inertia[-1]
    ratios, scales, tie = np.linspace(1, 8, 4001), np.exp(log_scales), np.zeros((1, masses.size))
    shape, lowest, going = curve(ratios), depth[-1].copy(), np.ones(masses.size, bool)
    while going.any():
        stretch = np.diff(depth, axis=0, prepend=tie) / piece
        force = scales * np.interp(stretch, ratios, shape) + viscosity * np.diff(speed, axis=0, prepend=tie) / piece
        force = np.where(stretch > 1, np.maximum(force, 0.0), 0.0)
        net = -force
        net[:-1] += force[1:]
        net[-1] -= drag * speed[-1] * np.abs(speed[-1])
        speed += step * (net / inertia + G)
        depth += step * speed
        lowest = np.maximum(lowest, np.where(going, depth[-1], 0.0))
        going &= ~((speed[-1] < 0) & (depth[-1] > 1.3 * LENGTH))
    return lowest


def _speed_at_the_end_of_slack(masses: np.ndarray, drag: float, release: float) -> np.ndarray:
    """Of masses on a folded cord, by the energy that they have taken up, Runge and Kutta's rule.  [m/s]"""
    places, step = np.linspace(release, LENGTH, 401, retstep=True)

    def rate(place: float, energy: np.ndarray) -> np.ndarray:
        arm = CORD_MASS * (LENGTH - place) / (2 * LENGTH)
        return (masses + arm) * G - 2 * drag * energy / (masses + arm)

    energy = np.zeros(masses.size)
    for place in places[:-1]:
        first = rate(place, energy)
        second = rate(place + step / 2, energy + step / 2 * first)
        third = rate(place + step / 2, energy + step / 2 * second)
        energy = energy + step / 6 * (first + 2 * second + 2 * third + rate(place + step, energy + step * third))
    return np.sqrt(2 * energy / masses)


def drawn(law: tuple[float, float], rng: np.random.Generator, size: int) -> np.ndarray:
    """Normal, what lies below zero drawn again where the law's mean is above it."""
    values = rng.normal(*law, size)
    while law[0] > 0 and (values <= 0).any():
        values = np.where(values <= 0, rng.normal(*law, size), values)
    return values


def next_drops(
    cords: Cords, riders: np.ndarray | float, log_scale: np.ndarray, rng: np.random.Generator, laws=LAWS
) -> dict[str, np.ndarray]:
    """Mass hung, lowest point and clearance of riders (n_riders,) on cords of ln stiffness (n,), a site each."""
    there = {name: drawn(law, rng, log_scale.size) for name, law in laws.items()}
    hung = np.reshape(riders, (-1, 1)) + there["gear_mass"]
    drag = there["drag_area"] * there["air_density"] / 2
    depth = cords.site(hung, log_scale, drag, there["release_depth"])
    return {
        "hung": hung,
        "lowest_point": depth,
        "clearance": there["tie_height"] - there["reach_below_attachment"] - depth,
    }


def violated(cords: Cords, rider: float, *, jumps: int = 0, temperatures: Sequence[float] = (15.0,), seed=5) -> float:
    """The chance that the next drop of another cord breaks the least clearance, at the worse of these temperatures."""
    rng, n, chances = np.random.default_rng(seed), 40_000, []
    for temperature in temperatures:
        log_scale = cords.log_scale(cords.draw(rng, n), jumps, temperature, rng)
        clearance = next_drops(cords, rider, log_scale, rng)["clearance"]
        chances.append(float(np.mean(clearance < LEAST_CLEARANCE)))
    return max(chances)


def write(folder: Path, plan: Sequence[Row], cords: Cords, rng: np.random.Generator, *changes: tuple[str, str]) -> Path:
    """A campaign as a laboratory would write it down; `changes` to campaign.toml."""
    number, jumps, temperature = (np.array([row[k] for row in plan]) for k in (0, 2, 3))
    mass, (level, change) = np.array([row.mass for row in plan]), cords.draw(rng, int(number.max()) + 1)
    log_scale = cords.log_scale((level[number], change[number]), jumps, temperature, rng)
    lowest = cords.rig(mass, log_scale) + rng.normal(0, READING, len(plan))
    cord = f"{LENGTH},0.02,{CORD_MASS},0.05"
    return write_ladder(folder, changed(SITE, *changes), plan, lowest, cord=cord, u=READING)

"""Sound records of invented drops, by physics written here alone: nothing of cordlab's records or synthetic is in them.

The fall: a cord with one arm at rest and one falling with the mass, by its Lagrangian. Then either a chain of lumps (a
stretch wave runs along it) or a cord strained evenly. Rubber: a curve with a finite slope at rest, a friction element
for hysteresis (slips above a force), viscosity. Sensors: noise, mains hum, drift of the zero, a converter's steps; both
calibrated from zero on, where a slack cord and a mass at the tie point read. All of it is invented.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numba import njit
from scipy.integrate import solve_ivp

from cordlab.campaign.campaign import Campaign, DropEntry
from cordlab.records.calibration import Calibration
from cordlab.records.campaign_drops import reduce_entry
from cordlab.records.reduce import RecordError
from tests import written
from tests.small_campaign import CAMPAIGN, changed

G = 9.81
LUMPS = 40
STEP = 2e-4  # s of the integration
AFTER = 7.0  # s that are followed from the end of slack
RATES = (200.0, 500.0, 1000.0, 2000.0, 5000.0)
LIGHT = 3.0  # kg; the release of a lighter cord does not show in the load
CORD_MASSES = {"heavy": (4.0, 20.0), "light": (0.5, 2.0)}  # [kg]


@dataclass(frozen=True)
class TrueDrop:
    """A mass on a cord, and what really happened; SI.

    bend, hardening : of the rubber's curve; reach : stretch ratio that the curve is made for
    friction : share of the greatest force that the friction element holds; viscosity : [N·s]
    stiffness : scale of the curve [N]; 0 for one with which the drop ends about at its reach
    """

    mass: float
    length: float
    cord_mass: float
    air: float
    reach: float
    bend: float
    hardening: float
    friction: float
    viscosity: float
    waves: bool
    stiffness: float = 0.0

    def curve(self, strain: np.ndarray) -> np.ndarray:
        """Shape of the force over strain, without its scale."""
        return 1 - np.exp(-strain / self.bend) + 0.5 * strain + self.hardening * strain**3

    @property
    def scale(self) -> float:
        """Of the curve [N]: its work up to `reach` is what the mass loses in height, so the drop ends about there."""
        if self.stiffness:
            return self.stiffness
        strain = np.linspace(0, self.reach - 1, 400)
        return (self.mass + self.cord_mass / 2) * G * self.reach / np.trapezoid(self.curve(strain), strain)


def random_drop(rng: np.random.Generator, cord: TrueDrop | None = None, *, weight: str = "heavy") -> TrueDrop:
    """A drop on a new cord, or of another mass on the same cord."""
    mass = rng.uniform(40, 110)
    if cord is not None:  # a heavier mass on the same cord goes further
        reach = np.clip(cord.reach * (mass / cord.mass) ** 0.35, 2.0, 4.2)
        return replace(cord, mass=mass, reach=reach)
    length, cord_mass = rng.uniform(7, 18), rng.uniform(*CORD_MASSES[weight])
    return TrueDrop(
        mass=mass,
        length=length,
        cord_mass=cord_mass,
        air=0.6 * rng.uniform(0.05, 0.3),
        reach=rng.uniform(2.4, 3.6),
        bend=rng.uniform(0.25, 0.6),
        hardening=rng.uniform(0.0, 0.05),
        friction=rng.uniform(0.0, 0.05),
        viscosity=cord_mass * rng.uniform(0.3, 1.0),
        waves=bool(rng.random() < 0.67),
    )


@dataclass(frozen=True)
class Trace:
    """Time from the release [s], load at the tie point [N], depth of the mass below it [m]."""

    time: np.ndarray
    load: np.ndarray
    depth: np.ndarray

    @property
    def lowest(self) -> float:
        return float(self.depth.max())


def traces(drops: list[TrueDrop]) -> list[Trace]:
    """What happens in each drop from its release on."""
    return [trace(drop) for drop in drops]


def trace(drop: TrueDrop) -> Trace:
    """One drop, from its release on: the fall, then a chain of lumps or, without waves, a cord strained evenly."""
    before, first_load, first_depth, speed = _fall(drop)
    M, m, L = drop.mass, drop.cord_mass, drop.length
    hold = drop.friction * (M + m / 2) * G * 3
    rubber = (drop.scale, drop.bend, drop.hardening, hold, drop.viscosity)
    depth, load = _stretch(M, m, L, drop.air, rubber, speed, LUMPS if drop.waves else 1, round(AFTER / STEP))
    return Trace(
        np.append(before, before[-1] + STEP * np.arange(1, len(depth) + 1)),
        np.append(first_load, load),
        np.append(first_depth, depth),
    )


def _fall(drop: TrueDrop) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Time, load and depth while the cord hangs in a fold, and the speed at its end."""
    M, m, L = drop.mass, drop.cord_mass, drop.length

    def falling(_, state):
        y, v = state
        moving = M + m * (L - y) / (2 * L)
        return v, G + (m * v**2 / (4 * L) - drop.air * v * abs(v)) / moving  # d/dt(∂T/∂v) = ∂T/∂y + weight

    def slack_ends(_, state):
        return state[0] - L

    slack_ends.terminal = True
    run = solve_ivp(falling, (0, 20), [0.0, 0.0], events=slack_ends, rtol=1e-9, atol=1e-9, dense_output=True)
    time = np.arange(0, run.t[-1], STEP)
    y, v = run.sol(time)
    return time, m * G * (L + y) / (2 * L) + m * v**2 / (4 * L), y, float(run.y[1, -1])


@njit(cache=True)
def pull_elements(y, v, d, rubber, friction, force):
    """Pull of each piece of cord, `d` long, above the places y with speeds v, into `force`; its own `friction` follows.

    rubber : scale, bend and hardening of its law, most friction, viscosity;  the last of `force` may stay 0: no piece
    """
    scale, bend, hardening, hold, viscosity = rubber
    for i in range(y.size):
        above, above_speed = (y[i - 1], v[i - 1]) if i else (0.0, 0.0)
        strain, rate = (y[i] - above) / d - 1, (v[i] - above_speed) / d
        friction[i] = min(max(friction[i] + hold / 0.2 * rate * STEP, -hold), hold)
        force[i] = 0.0
        if strain > 0:
            elastic = scale * (1 - np.exp(-strain / bend) + 0.5 * strain + hardening * strain**3)
            force[i] = max(elastic + friction[i] + viscosity * rate, 0.0)
        else:
            friction[i] = 0.0


@njit(cache=True)
def _stretch(M, m, L, air, rubber, speed, lumps, steps):
    """Depth of the mass and load at the tie point, step by step from the end of slack."""
    d = L / lumps
    inertia, v = np.full(lumps, m / lumps), np.zeros(lumps)
    if lumps == 1:  # evenly strained: a third of the cord moves with the mass, half of it hangs on it
        inertia[0] = M + m / 3
        v[0] = speed * np.sqrt(M / (M + m / 3))
        weight = np.full(1, (M + m / 2) * G)
    else:  # a wave: only the mass moves as the slack ends
        inertia[-1] = M + m / lumps / 2
        v[-1] = speed * M / inertia[-1]
        weight = inertia * G
    y = d * np.arange(1, lumps + 1)
    friction, force, depth, load = np.zeros(lumps), np.zeros(lumps + 1), np.empty(steps), np.empty(steps)
    for k in range(steps):
        pull_elements(y, v, d, rubber, friction, force)
        depth[k], slack = y[-1], y[0] <= d
        for i in range(lumps):
            net = weight[i] - force[i] + (force[i + 1] if i < lumps - 1 else -air * v[i] * abs(v[i]))
            if i == 0:
                load[k] = force[0] + weight[0] / 2
                if lumps == 1 and slack:
                    load[k] = m * G * (L + y[0]) / (2 * L)
                elif lumps == 1:  # weight less drag and less what the momentum of mass and cord, (M + m/2) v, takes up
                    load[k] = (M + m) * G - air * v[0] * abs(v[0]) - (M + m / 2) * net / inertia[0]
            v[i] += STEP * net / inertia[i]
        y += STEP * v
    return depth, load


# -- what sensors and a logger make of it ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Logger:
    """Sensors, logger and clock of one campaign; noise, hum and steps in N and m.

    clock : the logger's second over a true one; gain : of the cell, over the calibrated one
    """

    rate: float
    mains: float
    noise: float
    hum: float
    step: float
    drift: float
    zero: float
    distance_noise: float
    distance_hum: float
    distance_step: float
    quiet: float
    clock: float = 1.0
    gain: float = 1.0


def random_logger(rng: np.random.Generator) -> Logger:
    return Logger(
        rate=float(rng.choice(RATES)),
        mains=float(rng.choice([50.0, 60.0])),
        noise=rng.uniform(0.2, 2.5),
        hum=rng.uniform(0.0, 4.0),
        step=10_000 / 2 ** rng.integers(13, 22),
        drift=rng.uniform(-1, 1),
        zero=rng.uniform(-1.0, 1.0),
        distance_noise=rng.uniform(0.002, 0.02),
        distance_hum=rng.uniform(0.0, 0.005),
        distance_step=float(rng.choice([0.001, 0.002, 0.005, 0.01])),
        quiet=rng.uniform(0.8, 3.0),
    )


def recorded(trace: Trace, logger: Logger, rng: np.random.Generator) -> np.ndarray:
    """(n, 3) time [s], load [N] and distance [m] as the logger writes them."""
    time = np.arange(0, logger.quiet + min(trace.time[-1], 9.0), 1 / logger.rate)
    since = time - logger.quiet - rng.uniform(0, 1 / logger.rate)
    load = np.interp(since, trace.time, trace.load, left=trace.load[0])
    depth = np.interp(since, trace.time, trace.depth, left=trace.depth[0])
    hum = np.sin(2 * np.pi * logger.mains * time + rng.uniform(0, 6))
    load = load * logger.gain + logger.zero + logger.drift * time + logger.hum * hum
    load = load + rng.normal(0, logger.noise, time.size)
    depth = depth + logger.distance_hum * hum + rng.normal(0, logger.distance_noise, time.size)
    load, depth = (np.round(of / step) * step for of, step in ((load, logger.step), (depth, logger.distance_step)))
    return np.column_stack([time * logger.clock, load, depth])


TOML = changed(
    CAMPAIGN,
    ("A small invented campaign", "Sound records, invented"),
    ("48.00(3) m", "90.00(3) m"),
    ("0.0(1) m", "0.00(2) m"),
    ("0.10(3) m^2", "{drag_area:.3f}(50) m^2"),
    ("43.0(1) m", "90.0(1) m"),
    ("greatest_stretch_ratio = 4.2", 'greatest_stretch_ratio = 5\ndesign_breaking_load = "15 kN"'),
)
U_REFERENCE = {"force": 0.5, "distance": 0.003}  # N, m
SENSITIVITY = {"force": 2500.0, "distance": 10.0}  # N per mV/V, m per V


def write_campaign(
    folder: Path,
    drops: list[TrueDrop],
    true: list[Trace],
    logger: Logger,
    rng: np.random.Generator,
    *,
    first: dict[str, float] | None = None,
    last: dict[str, float] | None = None,
) -> Path:
    """A campaign of these drops, each on its own cord; the sensors are calibrated from 0 to well above what they read.

    first, last : channel → lowest and highest reference instead  [N, m]
    """
    files: dict[str, str] = {}
    for channel, end in greatest_of(true).items():
        up = np.linspace((first or {}).get(channel, 0.0), (last or {}).get(channel, end), 8)
        files[f"calibration/{channel}.csv"] = calibration(channel, (up, up[::-1], up), 2e-4 * end, rng)
    cords = (f"C{k},{drop.length:.3f},0.01,{drop.cord_mass:.2f},0.02,5" for k, drop in enumerate(drops))
    rows = []
    for k, (drop, trace) in enumerate(zip(drops, true, strict=True)):
        lowest = trace.lowest + rng.normal(0, 0.05)
        rows.append(f"D{k},C{k},{drop.mass:.2f},0.05,5,18.5,fit,{lowest:.2f},0.05,D{k}.csv")
        files[f"records/D{k}.csv"] = as_read(recorded(trace, logger, rng))
    return written.write(folder, TOML.format(drag_area=drops[0].air / 0.6), cords, rows, files)


def greatest_of(true: Sequence[Trace]) -> dict[str, float]:
    """Channel → well above what it reads.  [N, m]"""
    return {"force": 1.25 * max(trace.load.max() for trace in true), "distance": 1.15 * max(t.lowest for t in true)}


def calibration(channel: str, runs: Sequence[np.ndarray], scatter: float, rng: np.random.Generator) -> str:
    """A calibration file, references by run."""
    rows = [
        f"{run},{place:.4f},{U_REFERENCE[channel]},"
        f"{(place + rng.normal(0, scatter * (place > 0))) / SENSITIVITY[channel]:.6f}"
        for run, places in enumerate(runs, 1)
        for place in places
    ]
    return written.table(written.CALIBRATION[channel], rows)


def as_read(columns: np.ndarray, channels: int = 2) -> str:
    """A record file of time, load and distance, or of fewer channels."""
    read = columns / [1.0, *SENSITIVITY.values()]
    rows = (",".join(f"{value:.6f}" for value in line) for line in read[:, : 1 + channels].tolist())
    return written.table(",".join(written.RECORD.split(",")[: 1 + channels]), rows)


# -- what becomes of them ----------------------------------------------------------------------------------------------

FORM = r"no distance: motion from the load|energy returned|not filtered|^CFC 60 at"  # notes that suspect nothing


def sound_drops(rng: np.random.Generator, number: int, *, weight: str = "heavy") -> list[TrueDrop]:
    """Drops of three masses on each of some cords; `weight`: of the cords, or "mixed": one in five light."""
    drops: list[TrueDrop] = []
    for _ in range(-(-number // 3)):
        kind = ("light" if rng.random() < 0.2 else "heavy") if weight == "mixed" else weight
        first = random_drop(rng, weight=kind)
        drops += [first, random_drop(rng, first), random_drop(rng, first)]
    return drops


def outcome(
    campaign: Campaign, entry: DropEntry, calibrations: dict[str, Calibration], *, load_alone: bool = False
) -> tuple[str, tuple[str, ...]]:
    """ "refused", "noted" or "taken", and what was said of a record."""
    try:
        drop = reduce_entry(campaign, entry, calibrations, load_alone=load_alone)
    except RecordError as error:
        return "refused", (str(error),)
    notes = tuple(note for note in drop.notes if not re.search(FORM, note))
    return "noted" if notes else "taken", notes

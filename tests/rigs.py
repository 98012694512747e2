"""Campaigns with records of several cords, masses, rigs and loggers, sound or with something wrong about a sensor.

Motion and sensors are those of `tests/sound_records.py`, which shares no code with cordlab. Nothing here was measured.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from tests import written
from tests.elastic_fold import ElasticDrop, fold_trace
from tests.small_campaign import changed
from tests.sound_records import (
    TOML,
    Logger,
    Trace,
    TrueDrop,
    as_read,
    calibration,
    greatest_of,
    random_drop,
    random_logger,
    recorded,
    traces,
)

Plan = Sequence[tuple[int, float, int, float, str]]  # cord number, mass, jumps, temperature, use
ROOM = 5.0  # m between the deepest drop and the surface of the site


@dataclass(frozen=True)
class Circumstance:
    """What is wrong with a sensor, or with what was written down; nothing, as it stands here.

    depth : the depth that the distance sensor is made to see; gain : of the cell over the calibrated one
    lag, poles : of a low-pass between cell and logger: how late it is [s], of so many equal poles
    distance, noted : whether there is a distance sensor, and lowest points read on their own
    mass : added to the masses noted [kg]; toml : changes of campaign.toml
    tape, tape_off : lowest points noted over true ones, and added to them [m]
    """

    depth: Callable[[np.ndarray], np.ndarray] | None = None
    gain: float = 1.0
    lag: float = 0.0
    poles: int = 1
    distance: bool = True
    noted: bool = False
    mass: float = 0.0
    tape: float = 1.0
    tape_off: float = 0.0
    toml: tuple[tuple[str, str], ...] = ()


SOUND = Circumstance()


def slowed(trace: Trace, lag: float, poles: int) -> Trace:
    """The load through a low-pass of equal poles that are late by `lag` together: it relaxes, step by step."""
    load = trace.load
    for _ in range(poles if lag else 0):
        share = -np.expm1(-poles * (trace.time[1] - trace.time[0]) / lag)
        load = lfilter([share], [1, share - 1], load, zi=[(1 - share) * load[0]])[0]
    return replace(trace, load=load)


@dataclass
class RecordedWorld:
    """A batch of cords, how they are dropped and recorded, and what happened; `truth` is filled by `happen`.

    cord : the mean cord, with the heaviest mass on it; drops : one for each row of the plan
    """

    cord: TrueDrop | ElasticDrop
    plan: Plan
    drops: Sequence[TrueDrop | ElasticDrop]
    logger: Logger
    cord_sd: float
    drop_sd: float
    truth: list[Trace] = field(default_factory=list)


def on_cord(cord: TrueDrop, mass: float, scale: float = 1.0, air: float | None = None) -> TrueDrop:
    """Another mass on a cord, its stiffness times `scale`; the friction is a force of the cord."""
    half = cord.cord_mass / 2
    return replace(
        cord,
        mass=mass,
        stiffness=cord.stiffness * scale,
        friction=cord.friction * scale * (cord.mass + half) / (mass + half),
        air=cord.air if air is None else air,
    )


def recorded_world(rng: np.random.Generator, plan: Plan, *, waves: bool | None = None) -> RecordedWorld:
    """A world as they come, dropped by a plan; nothing has happened yet."""
    heaviest = max(row[1] for row in plan)
    cord = replace(random_drop(rng), mass=heaviest, reach=rng.uniform(3.0, 3.9), length=rng.uniform(8.0, 12.0))
    cord = replace(cord, cord_mass=rng.uniform(6.0, 18.0))
    cord = replace(cord, stiffness=cord.scale)
    if waves is not None:
        cord = replace(cord, waves=waves)
    cord_sd, drop_sd, per_kelvin = rng.uniform(0.005, 0.025), rng.uniform(0.002, 0.006), rng.uniform(-0.003, 0.003)
    levels = np.exp(rng.normal(0, cord_sd, 1 + max(row[0] for row in plan)))
    drops = []
    for number, mass, jumps, temperature, _ in plan:
        scale = levels[number] * np.exp(rng.normal(0, drop_sd))
        scale *= 1 + per_kelvin * (temperature - 15.0) - 2e-4 * jumps
        drops.append(on_cord(cord, mass, float(scale)))
    logger = replace(random_logger(rng), rate=float(rng.choice([200.0, 500.0, 1000.0])))
    return RecordedWorld(cord, plan, drops, logger, cord_sd, drop_sd)


def happen(worlds: Sequence[RecordedWorld]) -> None:
    """Lets all drops of some worlds happen, in one go."""
    happened = iter(traces([drop for world in worlds for drop in world.drops]))
    for world in worlds:
        world.truth = [next(happened) for _ in world.drops]


def elastic_world(
    cord: ElasticDrop,
    plan: Plan,
    rng: np.random.Generator,
    *,
    cell: str = "top",
    cord_sd: float = 0.02,
    drop_sd: float = 0.004,
    logger: Logger | None = None,
) -> tuple[RecordedWorld, Circumstance]:
    """A batch of elastic cords, let go from a fold and recorded at one end, and what its campaign.toml says of it."""
    levels = np.exp(rng.normal(0, cord_sd, 1 + max(row[0] for row in plan)))
    drops = [replace(cord, mass=row[1]).scaled(levels[row[0]] * np.exp(rng.normal(0, drop_sd))) for row in plan]
    truth = [fold_trace(drop).seen_at(cell) for drop in drops]
    world = RecordedWorld(cord, plan, drops, logger or random_logger(rng), cord_sd, drop_sd, truth)
    release = 'release_depth = "0.00(2) m"', f'release_depth = "{cord.release:.2f}(2) m"'
    return world, Circumstance(toml=(release, ('load_cell_at = "top"', f'load_cell_at = "{cell}"')))


def write(
    folder: Path,
    world: RecordedWorld,
    rng: np.random.Generator,
    circumstance: Circumstance = SOUND,
    edit: Callable[[list[list[str]]], None] | None = None,
) -> Path:
    """The campaign's files as they were written down; `edit` changes the rows of drops.csv (heads first) before."""
    rows = [written.DROPS.split(",")]
    files: dict[str, str] = {}
    logger, channels = replace(world.logger, gain=circumstance.gain), 2 if circumstance.distance else 1
    for number, (plan, trace) in enumerate(zip(world.plan, world.truth, strict=True)):
        name = f"D{number + 1:03d}"
        lowest = circumstance.tape * trace.lowest + circumstance.tape_off + rng.normal(0, 0.03)
        noted = [f"{lowest:.2f}", "0.05"] if circumstance.noted else ["", ""]
        cord, mass, jumps, temperature, use = plan
        row = [name, f"C{cord + 1:02d}", f"{mass + circumstance.mass:g}", "0.05", str(jumps), f"{temperature:.1f}", use]
        rows.append([*row, *noted, f"{name}.csv"])
        seen = trace if circumstance.depth is None else replace(trace, depth=circumstance.depth(trace.depth))
        seen = slowed(seen, circumstance.lag, circumstance.poles)
        files[f"records/{name}.csv"] = as_read(recorded(seen, logger, rng), channels)
    for channel, end in list(greatest_of(world.truth).items())[:channels]:
        up = np.linspace(-1.0 if channel == "distance" else 0.0, end, 8)
        files[f"calibration/{channel}.csv"] = calibration(channel, (up, up, up), 2e-4 * end, rng)
    cords = []
    for number in sorted({row[0] for row in world.plan}):
        length, mass = world.cord.length + rng.normal(0, 0.01), world.cord.cord_mass + rng.normal(0, 0.02)
        cords.append(f"C{number + 1:02d},{length:.3f},0.01,{mass:.2f},0.02,0")
    if edit is not None:
        edit(rows)
    return written.write(folder, toml(world, circumstance.toml), cords, map(",".join, rows[1:]), files)


def toml(world: RecordedWorld, changes: Sequence[tuple[str, str]] = ()) -> str:
    """campaign.toml: a site with so much room that clearance ends the range below the heaviest mass."""
    return changed(
        TOML.format(drag_area=world.cord.air / 0.6),
        ('tie_height = "90.0(1) m"', f'tie_height = "{site_height(world):.2f}(10) m"'),
        ("0.0(2) m", "0.00(3) m"),
        *changes,
    )


def site_height(world: RecordedWorld) -> float:
    """Tie point above the surface of the site [m]."""
    return round(max(trace.lowest for trace in world.truth) + ROOM, 2)

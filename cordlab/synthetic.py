"""Invented campaigns with known truth, for demonstrations, tests and coverage studies. Nothing here was ever measured.

`invent` draws cords, drops, sensors and break tests from the numbers of a `Scenario`, computes what happens with the
mechanics of `drop`, and writes the campaign folder as an engineer and a logger would have. What really happened goes
into a truth file outside that folder.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pandas as pd

from cordlab.mechanics.predict import Prediction
from cordlab.progress import Progress, unwatched
from cordlab.sensors import LASER, LOAD_CELL, Sensor, write_calibration, write_record
from cordlab.units import Measured
from cordlab.world import Cords, Drops, Scenario, true_cords, true_drops, true_range

NOTE = "Invented: computed by cordlab from drawn numbers. Nothing here was measured, and no real cord is described."


def invent(
    folder: str | Path,
    *,
    seed: int,
    truth: str | Path | None = None,
    progress: Progress = unwatched,
    **numbers: Any,
) -> Path:
    """Write an invented campaign into `folder` and what really happened into `truth`; returns the truth file's path.

    folder : new or empty
    truth  : a file outside `folder` that does not exist yet; default truth.json beside the folder
    numbers : any fields of a `Scenario`
    progress : told of the records, see `progress.Progress`

    The same seed and numbers write the same files. Raises FileExistsError, and ValueError for numbers that do not hang
    together: then nothing is written.
    """
    world = Scenario(**numbers)
    folder = Path(folder).absolute()
    truth = folder.parent / "truth.json" if truth is None else Path(truth).absolute()
    _refuse_to_overwrite(folder, truth)

    # one stream of random numbers a subject, so that an option for the records leaves the cords alone
    subjects = ("cords", "drops", "papers", "breaks", "sensors")
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(len(subjects))]
    rng = dict(zip(subjects, streams, strict=True))
    cords = true_cords(world, rng["cords"])
    drops = true_drops(world, cords, rng["drops"])
    happened = world.predict(**drops.setup)
    if not np.isfinite(happened.lowest_point).all():
        raise ValueError("some of the invented drops have no lowest point; choose lighter masses or another curve")
    broken = _breaks(world, cords, rng["breaks"])
    strength = min(load for _, load, _ in broken) if broken else world.breaking_load.value

    tables = {
        "campaign.toml": _campaign_toml(world),
        "cords.csv": _cords_csv(world, cords, rng["papers"]),
        "drops.csv": _drops_csv(world, cords, drops, happened, rng["papers"]),
    }
    if broken:
        tables["breaks.csv"] = _breaks_csv(broken)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=f".{folder.name}-", dir=folder.parent) as scratch:
        part = Path(scratch, "campaign")
        part.mkdir()
        for name, text in tables.items():
            (part / name).write_text(text, encoding="utf-8", newline="\n")
        sensors = _write_records(part, world, drops, happened, rng["sensors"], progress) if world.records else {}
        what_happened = {
            "note": NOTE,
            "seed": seed,
            "scenario": _plain(world),
            "sensors": {name: {"slope": sensor.slope, "zero": sensor.zero} for name, sensor in sensors.items()},
            "strength": strength,
            "range": _true_ranges(world, strength) if world.draws else {},
            "cords": pd.DataFrame(vars(cords)).to_dict("records"),
            "drops": _true_rows(world, cords, drops, happened),
        }
        truth.parent.mkdir(parents=True, exist_ok=True)
        text = json.dumps(_rounded(what_happened), indent=1, ensure_ascii=False) + "\n"
        truth.write_text(text, encoding="utf-8", newline="\n")
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
    return truth


def _refuse_to_overwrite(folder: Path, truth: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FileExistsError(f"{folder} is not an empty folder; choose another name")
    if truth.exists():
        raise FileExistsError(f"{truth} exists; choose another name for the truth file")
    if folder.resolve() in truth.resolve().parents:
        raise ValueError(f"{truth} is inside the campaign; the truth stays outside of it")


def _campaign_toml(world: Scenario) -> str:
    lines = [f"# {NOTE}", f"title = {json.dumps(world.title)}", f"batch = {json.dumps(world.batch)}"]
    for table in ("rig", "site", "criteria", "decision"):
        lines += ["", f"[{table}]", *(f"{key} = {json.dumps(value)}" for key, value in getattr(world, table).items())]
    return "\n".join([*lines, ""])


def _csv(columns: Mapping[str, Iterable]) -> str:
    return "".join(",".join(map(str, row)) + "\n" for row in [columns, *zip(*columns.values(), strict=True)])


def _written(values: np.ndarray, decimals: int) -> list[str]:
    return [f"{value:.{decimals}f}" for value in values]


def _cords_csv(world: Scenario, cords: Cords, rng: np.random.Generator) -> str:
    """cords.csv, each cord measured with its error."""
    n = len(cords.cord)
    return _csv(
        {
            "cord": cords.cord,
            "slack length [m]": _written(rng.normal(cords.slack_length, world.u_slack_length), 3),
            "u(slack length) [m]": [world.u_slack_length] * n,
            "cord mass [kg]": _written(rng.normal(cords.cord_mass, world.u_cord_mass), 2),
            "u(cord mass) [kg]": [world.u_cord_mass] * n,
            "jumps": [world.conditioning] * n,
        }
    )


def _drops_csv(world: Scenario, cords: Cords, drops: Drops, happened: Prediction, rng: np.random.Generator) -> str:
    """drops.csv: nominal masses, and lowest points read with their error."""
    n = len(drops)
    return _csv(
        {
            "drop": drops.name,
            "cord": [cords.cord[k] for k in drops.cord],
            "mass [kg]": [f"{mass:g}" for mass in drops.nominal_mass],
            "u(mass) [kg]": [world.u_mass] * n,
            "jumps": drops.jumps,
            "temperature [degC]": _written(drops.temperature, 1),
            "use": drops.use,
            "lowest point [m]": _written(rng.normal(happened.lowest_point, world.u_lowest_point), 3),
            "u(lowest point) [m]": [world.u_lowest_point] * n,
            "record": [_record_name(world, drops, k) for k in range(n)],
        }
    )


def _record_name(world: Scenario, drops: Drops, k: int) -> str:
    """File name of the record of drop `k`; worn cords are dropped for their lowest points alone."""
    return f"{drops.name[k]}.csv" if world.records and drops.use[k] != "wear" else ""


def _breaks(world: Scenario, cords: Cords, rng: np.random.Generator) -> list[tuple[str, float, str]]:
    """Cord, breaking load [N] and remark of each cord broken; they are none of those dropped."""
    rest = [name for name in (f"C{k:02d}" for k in range(1, world.lot + 1)) if name not in cords.cord]
    chosen = sorted(rng.choice(rest, world.broken, replace=False))
    loads = world.breaking_load.draw(rng, world.broken)
    if np.any(loads <= 0):
        raise ValueError(f"a breaking load of {loads.min():.0f} N was drawn; choose a smaller spread")
    places = rng.choice(["at the upper loop", "at the lower loop", "in the middle"], world.broken)
    return [(str(cord), float(load), f"broke {where}") for cord, load, where in zip(chosen, loads, places, strict=True)]


def _breaks_csv(broken: list[tuple[str, float, str]]) -> str:
    cords, loads, remarks = zip(*broken, strict=True)
    kilonewtons = _written(np.array(loads) / 1000, 2)
    loops = ["yes"] * len(broken)
    return _csv({"cord": cords, "breaking load [kN]": kilonewtons, "end loops": loops, "remark": remarks})


def _write_records(
    folder: Path,
    world: Scenario,
    drops: Drops,
    happened: Prediction,
    rng: np.random.Generator,
    progress: Progress,
) -> dict[str, Sensor]:
    """Write calibration/ and records/; returns the true sensors."""
    greatest = {"force": np.max(happened.tie_load), "distance": np.max(happened.lowest_point)}
    sensors = {}
    for folder_name in ("calibration", "records"):
        (folder / folder_name).mkdir()
    for standard in (LOAD_CELL, LASER) if world.distance else (LOAD_CELL,):
        sensor = standard.made(rng)
        sensor = replace(sensor, noise=sensor.noise * world.noise)
        pairs = sensor.calibration_pairs(float(greatest[sensor.channel]), rng)
        write_calibration(folder / "calibration" / f"{sensor.channel}.csv", sensor, pairs)
        sensors[sensor.channel] = sensor
    recorded = [(k, name) for k in range(len(drops)) if (name := _record_name(world, drops, k))]
    for k, name in progress(recorded, desc="records", unit="record"):
        trace = world.trace(**drops.one(k))
        seen = {
            "force": trace.tie_load if world.rig["load_cell_at"] == "top" else trace.lower_load,
            "distance": trace.position,
        }
        readings = [(sensor, sensor.read(seen[channel], rng)) for channel, sensor in sensors.items()]
        write_record(folder / "records" / name, trace.time - trace.time[0], readings)
    return sensors


def _true_ranges(world: Scenario, strength: float) -> dict[str, Any]:
    """The nominal range, the range at the probability of the decision, and that of worn cords at each retest count."""
    probability = world.decision["probability"]
    return {
        "nominal": true_range(world, strength=strength),
        "limit": true_range(world, strength=strength, probability=probability),
        "worn": [true_range(world, strength=strength, probability=probability, jumps=jumps) for jumps in world.retests],
    }


def _true_rows(world: Scenario, cords: Cords, drops: Drops, happened: Prediction) -> list[dict[str, Any]]:
    """One row a drop: its set-up, and what happened."""
    results = {key: getattr(happened, key) for key in ("lowest_point", "stretch_ratio", "tension", "tie_load", "g")}
    if world.mechanics == "even":
        results["energy_returned"] = _energy_returned(world, happened.stretch_ratio)
    return [
        {
            "drop": drops.name[k],
            "cord": cords.cord[drops.cord[k]],
            "use": drops.use[k],
            "jumps": int(drops.jumps[k]),
            **drops.one(k),
            **{key: float(value[k]) for key, value in results.items()},
        }
        for k in range(len(drops))
    ]


def _energy_returned(world: Scenario, greatest: np.ndarray) -> np.ndarray:
    """Share of the loading energy that the way back returns from stretch ratio `greatest`; even mechanics."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    share = (nodes[:, None] + 1) / 2
    force = np.asarray(world.curve.force(1 + (greatest - 1) * share))
    return 1 - world.unloading * (weights @ (force * (1 - share))) / (weights @ force)


def _plain(world: Scenario) -> dict[str, Any]:
    """The scenario as JSON takes it."""
    curve = {"model": world.curve.model.name, "parameters": {k: float(v) for k, v in world.curve.parameters.items()}}
    plain = {name: asdict(value) if isinstance(value, Measured) else value for name, value in vars(world).items()}
    del plain["curve"]  # it comes last
    return plain | {"curve": curve}


def _rounded(value: Any) -> Any:
    """Every number to ten digits: the last ones of a solver differ from one machine to the next."""
    if isinstance(value, dict):
        return {key: _rounded(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(one) for one in value]
    return float(f"{value:.10g}") if isinstance(value, float) else value

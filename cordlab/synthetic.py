"""An invented campaign with known truth, for demonstrations, tests and coverage studies. Nothing here was measured."""

import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from functools import partial
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from cordlab.campaign.files import replacing
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import Prediction, predict_drop
from cordlab.mechanics.trace import Trace, trace_drop
from cordlab.units import Measured, Progress, parse_measured, unwatched

NOTE = "Invented: computed by cordlab from drawn numbers. Nothing here was measured, and no real cord is described."
STANDARD = tomllib.loads((files("cordlab") / "synthetic.toml").read_text(encoding="utf-8"))
"""The tables of campaign.toml where nothing else is asked for, and the makes of the sensors."""
TABLES = ("rig", "site", "criteria", "decision")
UNITS = {"slack_length": "m", "cord_mass": "kg", "breaking_load": "N", "temperature": "degC"}  # of those with a spread
GREATEST_G = {"uniform": 2.8, "waves": 3.2}  # invented, so that g governs the light end with either mechanics
SETUP = ("mass", "slack_length", "cord_mass", "release_depth", "scale", "drag_area", "air_density", "compliance")
HAPPENED = ("lowest_point", "stretch_ratio", "tension", "tie_load", "g")


class Scenario(SimpleNamespace):
    """The numbers of an invented campaign, in SI, as attributes: those given, else those of synthetic.toml."""

    def __init__(self, **numbers: Any) -> None:
        standard = STANDARD["scenario"] | {"checks": None, "curve": Curve(**STANDARD["scenario"]["curve"])}
        standard |= {name: parse_measured(standard[name], unit) for name, unit in UNITS.items()}
        standard |= {name: tuple(standard[name]) for name in ("masses", "retests", "worn_masses")}
        if unknown := numbers.keys() - standard.keys() - {*TABLES}:
            raise TypeError(f"a scenario has no {', '.join(sorted(unknown))}; synthetic.toml says what it has")
        vars(self).update(standard | numbers)
        if self.mechanics not in GREATEST_G:
            raise ValueError(f"mechanics '{self.mechanics}' is not known; choose one of {', '.join(GREATEST_G)}")
        tables = {name: STANDARD[name] for name in TABLES}
        tables["criteria"] = {"greatest_g": GREATEST_G[self.mechanics], **tables["criteria"], "lot_size": self.lot}
        tables["decision"] = tables["decision"] | ({"jumps": max(self.retests)} if self.retests else {})
        vars(self).update({name: table | numbers.get(name, {}) for name, table in tables.items()})
        if self.checks and not {*self.checks} < {*self.masses}:
            raise ValueError(f"checks {self.checks} are not some of the masses {self.masses}")
        if self.cords < 1 or not self.masses or self.cords + self.broken > self.lot:
            raise ValueError(f"{self.cords} cords dropped and {self.broken} broken do not make a lot of {self.lot}")

    def quantity(self, table: str, key: str) -> Measured:
        """A quantity of `rig`, `site` or `criteria`, in SI, as the standard tables have it."""
        unit = str((STANDARD["rig"] | STANDARD["site"] | STANDARD["criteria"])[key]).split()[-1]
        return parse_measured(getattr(self, table)[key], unit)

    def predict(self, *, scale: np.ndarray | float, **setup: Any) -> Prediction:
        """What happens in drops on cords of this stiffness scale; `setup` is that of `predict_drop`."""
        viscosity = self.viscosity if self.mechanics == "waves" else 0.0
        return predict_drop(self.curve.scaled(scale), mechanics=self.mechanics, viscosity=viscosity, **setup)

    def trace(self, *, scale: float, **setup: Any) -> Trace:
        """The motion of one drop, from `quiet` before the release to the end of its record."""
        loss = {"viscosity": self.viscosity} if self.mechanics == "waves" else {"unloading": self.unloading}
        times = {"quiet": self.quiet, "duration": self.duration - self.quiet, "rate": self.rate}
        return trace_drop(self.curve.scaled(scale), mechanics=self.mechanics, **setup, **loss, **times)

    def to_dict(self) -> dict[str, Any]:
        """The numbers as JSON takes them, the curve last."""
        numbers = {name: asdict(value) if isinstance(value, Measured) else value for name, value in vars(self).items()}
        del numbers["curve"]
        parameters = {name: float(value) for name, value in self.curve.parameters.items()}
        return numbers | {"curve": {"model": self.curve.model.name, "parameters": parameters}}


def true_cords(scenario: Scenario, rng: np.random.Generator) -> pd.DataFrame:
    """Draw the cords that are dropped, numbered within their lot; `loss` is the stiffness lost by 500 jumps."""
    numbers = np.sort(rng.choice(scenario.lot, scenario.cords, replace=False)) + 1
    return pd.DataFrame(
        {
            "cord": [f"C{number:02d}" for number in numbers],
            "slack_length": scenario.slack_length.draw(rng, scenario.cords),
            "cord_mass": scenario.cord_mass.draw(rng, scenario.cords),
            "scale": np.exp(rng.normal(0.0, scenario.cord_sd, scenario.cords)),
            "loss": rng.normal(scenario.wear, scenario.wear_sd, scenario.cords),
        }
    )


def true_drops(scenario: Scenario, cords: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Draw the drops, cord after cord from light to heavy, then the worn cords at each retest count: what drops.csv
    says of them, and `SETUP`."""
    masses, worn_masses = sorted(scenario.masses), sorted(scenario.worn_masses)
    plan = []
    for count, weights in [(scenario.conditioning, masses), *((count, worn_masses) for count in scenario.retests)]:
        for cord in range(scenario.cords):
            plan += [(cord, weight, count + k) for k, weight in enumerate(weights)]
    which_cord, nominal, jumps = (np.array(column) for column in zip(*plan, strict=True))
    use = np.where(np.isin(nominal, masses[1::2] if scenario.checks is None else scenario.checks), "check", "fit")
    use[scenario.cords * len(masses) :] = "wear"
    # a mass is weighed once, so its error is common to all drops with it; the rig is the same throughout
    weighed, which_mass = np.unique(nominal, return_inverse=True)
    mass, rig = rng.normal(weighed, scenario.u_mass)[which_mass], {}
    for key in ("drag_area", "air_density", "compliance"):
        draws = scenario.quantity("rig", key).draw(rng, 100)
        rig[key] = float(draws[draws >= 0][0])  # none of them can be below 0
    depth = float(scenario.quantity("rig", "release_depth").draw(rng, 1)[0])
    of_cord = cords.iloc[which_cord].reset_index(drop=True)
    worn = 1 - of_cord["loss"] * jumps / 500
    drops = pd.DataFrame({"drop": [f"D{k:03d}" for k in range(1, nominal.size + 1)], "cord": of_cord["cord"]})
    recorded = scenario.records & (use != "wear")  # worn cords are dropped for their lowest points alone
    return drops.assign(
        use=use,
        jumps=jumps,
        record=np.where(recorded, drops["drop"] + ".csv", ""),
        nominal_mass=nominal,
        temperature=scenario.temperature.draw(rng, nominal.size),
        mass=mass,
        slack_length=of_cord["slack_length"],
        cord_mass=of_cord["cord_mass"],
        release_depth=rng.normal(depth, scenario.release_sd, nominal.size),
        scale=of_cord["scale"] * worn * np.exp(rng.normal(0.0, scenario.drop_sd, nominal.size)),
        **rig,
    )


@dataclass(frozen=True)
class Sensor:
    """One channel of an invented logger: a straight line with white noise and, in calibration, a little hysteresis."""

    channel: str
    unit: str
    reading_unit: str
    slope: float  # reading per unit of the quantity
    zero: float  # reading at 0
    noise: float  # standard deviation of one sample [reading]
    hysteresis: float  # greatest excess of the way down over the way up, as a share of the calibrated span
    lowest: float  # first reference
    step: float  # spacing of the references
    limit: float  # the greatest quantity that it can read
    u_reference: float  # standard uncertainty of the references
    decimals: int  # of a reading in a record

    def drawn(self, rng: np.random.Generator, noise: float) -> "Sensor":
        """One instrument of this make: slope and zero within 0.2 % of the maker's, noise by a factor."""
        slope, zero = (maker * (1 + 0.002 * rng.normal()) for maker in (self.slope, self.zero))
        return replace(self, slope=slope, zero=zero, noise=self.noise * noise)

    def read(self, quantity: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Readings with noise, shape of `quantity` [SI]; raises ValueError beyond what the sensor can read."""
        if np.max(quantity) > self.limit:
            reached = f"{np.max(quantity):.0f} {self.unit}, and the sensor ends at {self.limit:g} {self.unit}"
            raise ValueError(f"the invented {self.channel} reaches {reached}: choose lighter masses or a stiffer curve")
        return self.zero + self.slope * quantity + rng.normal(0.0, self.noise, np.shape(quantity))

    def calibration_pairs(self, highest: float, rng: np.random.Generator) -> np.ndarray:
        """(n, 4) rows of run, reference, u(reference), reading: two runs up and two down, to beyond `highest`."""
        steps = math.ceil((1.05 * highest - self.lowest) / self.step)
        up = self.lowest + self.step * np.arange(steps + 1)
        lag = self.hysteresis * 4 * (up - up[0]) * (up[-1] - up) / (up[-1] - up[0])
        runs = []
        for run, excess, order in ((1, 0.0, 1), (2, lag, -1), (3, 0.0, 1), (4, lag, -1)):
            applied = up + excess + rng.normal(0.0, self.u_reference, up.size)
            # a reading at rest is the mean of about a hundred samples
            reading = self.zero + self.slope * applied + rng.normal(0.0, self.noise / 10, up.size)
            columns = np.broadcast_arrays(run, up[::order], self.u_reference, reading[::order])
            runs.append(np.column_stack(columns))
        return np.concatenate(runs)


LOAD_CELL, LASER = (Sensor(**make) for make in STANDARD["sensor"])


def invent(
    folder: str | Path,
    *,
    seed: int,
    truth: str | Path | None = None,
    progress: Progress = unwatched,
    **numbers: Any,
) -> Path:
    """Write an invented campaign, and what really happened in it.

    The same seed and numbers write the same files.

    Parameters
    ----------
    folder : str or Path
        Where the campaign is written; new or empty.
    seed : int
        Of the random numbers.
    truth : str or Path, optional
        The truth file, outside `folder`, that does not exist yet; default: truth.json in the folder above.
    progress : callable, optional
        Wraps the list of records while they are written, as tqdm does: ``progress(items, desc=..., unit=...)``.
    **numbers
        Any of those in cordlab/synthetic.toml, in SI, in place of them: ``mechanics`` ("uniform" or "waves"),
        ``cords``, ``masses`` [kg], ``records``, ``rig``, ``site``, ``criteria``, ``decision`` and others.

    Returns
    -------
    Path
        The truth file: JSON in SI with the scenario, the true sensors, cords and drops. An analysis does not read it.

    Raises
    ------
    FileExistsError
        Where something would be written over.
    ValueError
        For numbers that do not fit together; then nothing is written.

    Examples
    --------
    Two cords without records: nine dead weights on each, and two weights at each of four retests.

    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> import cordlab
    >>> with TemporaryDirectory() as scratch:
    ...     folder = Path(scratch, "campaign")
    ...     truth = cordlab.invent(folder, seed=1, cords=2, records=False)
    ...     campaign = cordlab.read_campaign(folder)
    >>> truth.name, len(campaign.cords), len(campaign.drops)
    ('truth.json', 2, 34)
    """
    scenario, folder = Scenario(**numbers), Path(folder).absolute()
    truth = folder.parent / "truth.json" if truth is None else Path(truth).absolute()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FileExistsError(f"{folder} is not an empty folder; choose another name")
    if truth.exists():
        raise FileExistsError(f"{truth} exists; choose another name for the truth file")
    if folder.resolve() in truth.resolve().parents:
        raise ValueError(f"{truth} is inside the campaign; the truth stays outside of it")

    # one stream of random numbers a subject, so that an option for the records leaves the cords alone
    of_cords, of_drops, papers, of_breaks, sensors = map(np.random.default_rng, np.random.SeedSequence(seed).spawn(5))
    cords = true_cords(scenario, of_cords)
    drops = true_drops(scenario, cords, of_drops)
    happened = scenario.predict(**{key: drops[key].to_numpy() for key in SETUP})
    drops = drops.assign(**{key: getattr(happened, key) for key in HAPPENED})
    if not np.isfinite(drops["lowest_point"]).all():
        raise ValueError("some of the invented drops have no lowest point; choose lighter masses or another curve")
    breaks = _breaks(scenario, cords["cord"], of_breaks)
    tables = _tables(scenario, cords, drops, breaks, papers)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with replacing(folder) as part:
        part.mkdir()
        lines = [f"# {NOTE}", f"title = {json.dumps(scenario.title)}", f"batch = {json.dumps(scenario.batch)}"]
        for name in TABLES:
            values = getattr(scenario, name).items()
            lines += ["", f"[{name}]", *(f"{key} = {json.dumps(value)}" for key, value in values)]
        (part / "campaign.toml").write_text("\n".join([*lines, ""]), encoding="utf-8", newline="\n")
        for name, table in tables.items():
            table.to_csv(part / name, index=False, lineterminator="\n")
        logger = _write_records(part, scenario, drops, sensors, progress) if scenario.records else {}
        what_happened = {
            "note": NOTE,
            "seed": seed,
            "scenario": scenario.to_dict(),
            "sensors": {name: {"slope": sensor.slope, "zero": sensor.zero} for name, sensor in logger.items()},
            "strength": float(breaks["load"].min()) if len(breaks) else scenario.breaking_load.value,
            "cords": cords.to_dict("records"),
            "drops": _true_rows(scenario, drops),
        }
        truth.parent.mkdir(parents=True, exist_ok=True)
        truth.write_text(as_text(what_happened), encoding="utf-8", newline="\n")
    return truth


def _tables(
    scenario: Scenario, cords: pd.DataFrame, drops: pd.DataFrame, breaks: pd.DataFrame, rng: np.random.Generator
) -> dict[str, pd.DataFrame]:
    """cords.csv and drops.csv, measured with their errors and with nominal masses; breaks.csv where there are any."""
    cord_columns = {
        "cord": cords["cord"],
        "slack length [m]": [f"{length:.3f}" for length in rng.normal(cords["slack_length"], scenario.u_slack_length)],
        "u(slack length) [m]": scenario.u_slack_length,
        "cord mass [kg]": [f"{mass:.2f}" for mass in rng.normal(cords["cord_mass"], scenario.u_cord_mass)],
        "u(cord mass) [kg]": scenario.u_cord_mass,
        "jumps": scenario.conditioning,
    }
    drop_columns = {
        "drop": drops["drop"],
        "cord": drops["cord"],
        "mass [kg]": [f"{mass:g}" for mass in drops["nominal_mass"]],
        "u(mass) [kg]": scenario.u_mass,
        "jumps": drops["jumps"],
        "temperature [degC]": [f"{temperature:.1f}" for temperature in drops["temperature"]],
        "use": drops["use"],
        "lowest point [m]": [f"{low:.3f}" for low in rng.normal(drops["lowest_point"], scenario.u_lowest_point)],
        "u(lowest point) [m]": scenario.u_lowest_point,
        "record": drops["record"],
    }
    tables = {"cords.csv": pd.DataFrame(cord_columns), "drops.csv": pd.DataFrame(drop_columns)}
    if len(breaks):
        loads = [f"{load:.2f}" for load in breaks["load"] / 1000]
        tables["breaks.csv"] = breaks.assign(load=loads).rename(columns={"load": "breaking load [kN]"})
    return tables


def _breaks(scenario: Scenario, dropped: pd.Series, rng: np.random.Generator) -> pd.DataFrame:
    """The cords that are broken, none of those dropped, with the true breaking load [N]."""
    rest = [name for name in (f"C{k:02d}" for k in range(1, scenario.lot + 1)) if name not in set(dropped)]
    broken = sorted(rng.choice(rest, scenario.broken, replace=False))
    loads = scenario.breaking_load.draw(rng, scenario.broken)
    if np.any(loads <= 0):
        raise ValueError(f"a breaking load of {loads.min():.0f} N was drawn; choose a smaller spread")
    places = rng.choice(["at the upper loop", "at the lower loop", "in the middle"], scenario.broken)
    remarks = [f"broke {place}" for place in places]
    return pd.DataFrame({"cord": broken, "load": loads, "end loops": "yes", "remark": remarks})


def _write_records(
    folder: Path, scenario: Scenario, drops: pd.DataFrame, rng: np.random.Generator, progress: Progress
) -> dict[str, Sensor]:
    """Write calibration/ and records/; returns the true sensors."""
    greatest, sensors = {"force": drops["tie_load"].max(), "distance": drops["lowest_point"].max()}, {}
    save = partial(np.savetxt, delimiter=",", comments="", encoding="utf-8")
    (folder / "calibration").mkdir()
    (folder / "records").mkdir()
    for make in (LOAD_CELL, LASER) if scenario.distance else (LOAD_CELL,):
        sensors[make.channel] = sensor = make.drawn(rng, scenario.noise)
        pairs, unit = sensor.calibration_pairs(float(greatest[make.channel]), rng), make.unit
        heads = f"run,reference [{unit}],u(reference) [{unit}],reading [{make.reading_unit}]"
        save(folder / "calibration" / f"{make.channel}.csv", pairs, ["%d", "%g", "%g", "%.5f"], header=heads)
    load = "tie_load" if scenario.rig["load_cell_at"] == "top" else "lower_load"
    quantity = {"force": load, "distance": "position"}
    heads = ",".join(["time [s]", *(f"{name} [{sensor.reading_unit}]" for name, sensor in sensors.items())])
    recorded = drops[drops["record"] != ""].to_dict("records")
    for drop in progress(recorded, desc="records", unit="record"):
        trace = scenario.trace(**{key: drop[key] for key in SETUP})
        readings = [sensor.read(getattr(trace, quantity[channel]), rng) for channel, sensor in sensors.items()]
        decimals = max(3, math.ceil(-math.log10(trace.time[1] - trace.time[0]) - 1e-9))
        formats = [f"%.{decimals}f", *(f"%.{sensor.decimals}f" for sensor in sensors.values())]
        columns = np.column_stack([trace.time - trace.time[0], *readings])
        save(folder / "records" / drop["record"], columns, formats, header=heads)
    return sensors


def _true_rows(scenario: Scenario, drops: pd.DataFrame) -> list[dict[str, Any]]:
    """One row a drop: its set-up and what happened; with uniform strain, the share of energy that returns, too."""
    shown = drops[["drop", "cord", "use", "jumps", *SETUP, *HAPPENED]]
    if scenario.mechanics == "uniform":
        nodes, weights = np.polynomial.legendre.leggauss(40)
        share = (nodes[:, None] + 1) / 2
        force = np.asarray(scenario.curve.force(1 + (drops["stretch_ratio"].to_numpy() - 1) * share))
        lost = scenario.unloading * (weights @ (force * (1 - share))) / (weights @ force)
        shown = shown.assign(energy_returned=1 - lost)
    return shown.to_dict("records")


def as_text(truth: Mapping[str, Any]) -> str:
    """JSON with every number to ten digits: the last ones of a solver differ from one machine to the next."""
    rounded = json.loads(json.dumps(truth), parse_float=lambda number: float(f"{float(number):.10g}"))
    return json.dumps(rounded, indent=1, ensure_ascii=False) + "\n"

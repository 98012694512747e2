"""What somebody who knew every distribution of an invented world would rate: no measurement comes into it.

    python -m tests.true_range data-demo/truth.json

writes these ranges, as `range`, into a truth file that `cordlab invent` has made.
"""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from cordlab.curves.models import Curve
from cordlab.mechanics.predict import Prediction
from cordlab.synthetic import STANDARD, Scenario, as_text
from cordlab.units import Measured

DRAWS = 16384  # they put the ends of the range within about 0.05 kg
INPUTS = (
    11  # unknowns of a future drop: seven of the site, then stiffness, slack length, cord mass and wear of the cord
)
FOLLOWED = 96


def true_ranges(scenario: Scenario, strength: float) -> dict[str, Any]:
    """The nominal range, the range at the probability of the decision, and that of worn cords at each retest count."""
    at = {"strength": strength, "probability": scenario.decision["probability"]}
    return {
        "nominal": true_range(scenario, strength=strength),
        "limit": true_range(scenario, **at),
        "worn": [true_range(scenario, **at, jumps=jumps) for jumps in scenario.retests],
    }


def true_range(
    scenario: Scenario, *, strength: float, probability: float | None = None, jumps: int = 0
) -> dict[str, Any]:
    """What somebody who knew every distribution would rate at the site, for another cord of the lot.

    strength    : breaking load that the strength factor starts from  [N]
    probability : that the next drop meets a criterion, each by itself; None for the nominal cord and site
    jumps       : count of the cord

    Gives the lightest and heaviest rider [kg], what governs each end, and the limits at rider masses across the tested
    range. Quantiles are taken over `DRAWS` points of a Sobol sequence, the same at every mass.
    """
    lightest, heaviest = min(scenario.masses), max(scenario.masses)
    gear = scenario.quantity("site", "gear_mass").value
    riders = np.linspace(lightest, heaviest, 9) - gear
    z = np.zeros((INPUTS, 1)) if probability is None else normals(DRAWS)
    future, there = future_drops(scenario, jumps, z)
    share = 0.5 if probability is None else probability
    drop = predict_many(scenario, z, future | {"mass": riders[:, None] + there["gear_mass"]})
    clearance = there["tie_height"] - drop["lowest_point"] - there["reach_below_attachment"]
    limits = {
        "mass": riders,
        "lowest_point": np.quantile(drop["lowest_point"], share, axis=-1),
        "clearance": np.quantile(clearance, 1 - share, axis=-1),
        "g": np.quantile(drop["g"], share, axis=-1),
        "peak_load": np.quantile(drop["tie_load"], share, axis=-1),
        "strength_factor": strength / np.quantile(drop["tie_load"], share, axis=-1),
        "stretch_ratio": np.quantile(drop["stretch_ratio"], share, axis=-1),
    }
    listed = {key: values.tolist() for key, values in limits.items()}
    return {"probability": probability, "jumps": jumps, **_within_criteria(scenario, riders, limits), "limits": listed}


def normals(draws: int) -> np.ndarray:
    """(INPUTS, draws) standard normal numbers that fill space evenly."""
    return ndtri(qmc.Sobol(INPUTS, seed=1).random(draws).T)


def predict_many(scenario: Scenario, z: np.ndarray, drops: dict[str, Any]) -> dict[str, np.ndarray]:
    """What happens to many drops (masses, draws) that are functions of the normal numbers `z` (INPUTS, draws).

    A drop with waves costs a thousand times a uniform one. So waves are followed for the first `FOLLOWED` draws, and
    the ratio of waves to uniform strain, which varies by half a percent, is carried to the others as log-linear in `z`.
    """
    keys = ("lowest_point", "stretch_ratio", "tie_load", "g")
    uniform = _results(Scenario(**vars(scenario) | {"mechanics": "uniform"}).predict(**drops), keys)
    if scenario.mechanics == "uniform":
        return uniform
    first = min(FOLLOWED, z.shape[1])
    shape = uniform["g"].shape
    waves = _results(
        scenario.predict(**{key: np.broadcast_to(value, shape)[..., :first] for key, value in drops.items()}), keys
    )
    columns = np.column_stack([np.ones(z.shape[1]), z.T])

    def carried(key: str) -> np.ndarray:
        ratio = np.log(waves[key] / uniform[key][..., :first])
        return (columns @ np.linalg.lstsq(columns[:first], ratio.T, rcond=None)[0]).T

    return {key: uniform[key] * np.exp(carried(key)) for key in keys}


def _results(prediction: Prediction, keys: tuple[str, ...]) -> dict[str, np.ndarray]:
    return {key: getattr(prediction, key) for key in keys}


def future_drops(scenario: Scenario, jumps: int, z: np.ndarray) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """The next drops of other cords at the site, all but the mass, and the site's quantities at each of them."""
    there = {}
    for key, normal in zip((key for key in STANDARD["site"] if key != "surface"), z, strict=False):
        quantity = scenario.quantity("site", key)
        there[key] = quantity.value + quantity.u * normal
        if key in ("drag_area", "air_density", "centre_of_mass_fall") and quantity.u:  # cut off at 0
            below = ndtr(-quantity.value / quantity.u)
            there[key] = quantity.value + quantity.u * ndtri(below + (1 - below) * ndtr(normal))
    stiffness, length, cord_mass, wear = z[-4:]
    worn = 1 - (scenario.wear + scenario.wear_sd * wear) * jumps / 500
    future = {
        "scale": worn * np.exp(np.hypot(scenario.cord_sd, scenario.drop_sd) * stiffness),
        "slack_length": scenario.slack_length.value + scenario.slack_length.u * length,
        "cord_mass": scenario.cord_mass.value + scenario.cord_mass.u * cord_mass,
        **{
            key: there[key] for key in ("release_depth", "drag_area", "air_density", "centre_of_mass_fall", "gear_mass")
        },
    }
    return future, there


def _within_criteria(scenario: Scenario, riders: np.ndarray, limits: dict[str, np.ndarray]) -> dict[str, Any]:
    """The range of riders that meets every criterion, to 0.01 kg, from limits at a few masses; None where none does."""
    allowed = {
        "clearance": (scenario.quantity("criteria", "least_clearance").value, 1),
        "g": (scenario.criteria["greatest_g"], -1),
        "strength_factor": (scenario.criteria["least_strength_factor"], 1),
        "stretch_ratio": (scenario.criteria.get("greatest_stretch_ratio") or np.inf, -1),
    }
    none = {"lightest": None, "heaviest": None, "governed_by": {"light": None, "heavy": None}}
    if np.ptp(riders) == 0:
        return none
    fine = np.linspace(riders[0], riders[-1], 1 + round(100 * float(np.ptp(riders))))
    margin = {
        key: sign * (PchipInterpolator(riders, limits[key])(fine) - limit) for key, (limit, sign) in allowed.items()
    }
    met = np.flatnonzero(np.min(list(margin.values()), axis=0) >= 0)
    if not met.size:
        return none
    light, heavy = met[0], met[-1]

    def governs(beyond: int) -> str:
        return next((key for key in margin if margin[key][beyond] < 0), "")

    return {
        "lightest": round(float(fine[light]), 2),
        "heaviest": round(float(fine[heavy]), 2),
        "governed_by": {
            "light": governs(light - 1) if light else "lightest tested mass",
            "heavy": governs(heavy + 1) if heavy + 1 < fine.size else "heaviest tested mass",
        },
    }


def scenario_of(truth: dict[str, Any]) -> Scenario:
    """The scenario that a truth file tells of."""
    numbers = dict(truth["scenario"])
    for name, value in numbers.items():
        if isinstance(value, dict) and set(value) == {"value", "u"}:
            numbers[name] = Measured(**value)
        if isinstance(value, list):
            numbers[name] = tuple(value)
    curve = numbers.pop("curve")
    return Scenario(**numbers, curve=Curve(curve["model"], curve["parameters"]))


def main(path: Path) -> None:
    truth = json.loads(path.read_text(encoding="utf-8"))
    ranges = {"range": true_ranges(scenario_of(truth), truth["strength"])}
    ends = {key: truth.pop(key) for key in ("cords", "drops")}  # the ranges come before the long tables
    path.write_text(as_text(truth | ranges | ends), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]))

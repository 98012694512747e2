"""An invented world: its cords, its drops, and the mass range that somebody who knew all of it would rate.

For invented campaigns only (`scenario`): nothing here was ever measured.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from scipy.special import ndtr, ndtri

from cordlab.curves.models import Curve
from cordlab.mechanics.predict import Prediction, predict_drop
from cordlab.mechanics.trace import Trace, trace_drop
from cordlab.units import Measured, parse_measured

RIG = {
    "tie_height": "48.00(3) m",
    "release_depth": "0.00(3) m",
    "drag_area": "0.10(3) m^2",
    "air_density": "1.20(2) kg/m^3",
    "compliance": "0.0 m/N",
    "load_cell_at": "top",
}
SITE = {
    "tie_height": "43.0(1) m",
    "surface": "water",
    "release_depth": "0.0(2) m",
    "reach_below_attachment": "2.2(1) m",
    "gear_mass": "3.0(3) kg",
    "drag_area": "0.5(2) m^2",
    "air_density": "1.2(1) kg/m^3",
}
GREATEST_G = {"even": 2.8, "waves": 3.2}  # invented, so that g governs the light end in either world
CRITERIA = {
    "least_clearance": "4 m",
    "least_strength_factor": 5,
    "greatest_stretch_ratio": 4.2,
    "lot_sample_share": 0.1,
}
DECISION = {"limit": "prediction", "probability": 0.99, "confidence": 0.95, "model": "auto", "seed": 20}
INPUTS = 10  # unknowns of a future drop: six of the site, then stiffness, slack length, cord mass and wear of the cord
FOLLOWED = 96


@dataclass(frozen=True)
class Scenario:
    """The numbers of an invented campaign; SI. Any of them may be given to `invent` by name.

    curve : loading branch of a cord of stiffness scale 1; scales are log-normal with sd `cord_sd`, and each drop's
        differs again by `drop_sd`
    mechanics : "even" or "waves": what moves the mass in this invented world; `viscosity` [N·s] counts in "waves"
    unloading : b in F × [1 − b (1 − (λ−1)/(λmax−1))], the force on the way back; counts in "even"
    cords, lot, broken : how many are dropped, are in the lot, are broken
    slack_length, cord_mass : mean over the lot, and standard deviation between cords  [m], [kg]
    u_slack_length, u_cord_mass, u_mass, u_lowest_point : how well each is measured
    masses, checks : dead weights dropped on every cord, and those of them that are held back as checks (None: every
        second one)  [kg]
    release_sd : scatter of the release depth from drop to drop  [m]
    conditioning : jumps on each cord before the campaign
    retests, worn_masses : jump counts at which the cords are dropped again, with these masses, for lowest points
    wear, wear_sd : stiffness lost by 500 jumps, mean and standard deviation over cords  [share]
    breaking_load : mean and standard deviation over the lot  [N]
    rig, site, criteria, decision : as campaign.toml writes them; a partial table changes the standard one
    records, distance : whether records are kept, and whether they have the laser's column
    rate, quiet, duration : samples a second [1/s], time before release [s], length of a record [s]
    noise : factor on the noise of the sensors
    draws : future drops behind the true range; 0 leaves it out of the truth
    """

    title: str = "Invented campaign: a test crane on an invented quay, nothing here was measured"
    batch: str = "invented lot 1"
    curve: Curve = field(default_factory=lambda: Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}))
    mechanics: Literal["even", "waves"] = "even"
    viscosity: float = 5.0
    unloading: float = 0.35
    cords: int = 6
    lot: int = 40
    broken: int = 4
    slack_length: Measured = field(default=Measured(10.0, 0.04))
    cord_mass: Measured = field(default=Measured(14.0, 0.15))
    u_slack_length: float = 0.02
    u_cord_mass: float = 0.05
    cord_sd: float = 0.02
    drop_sd: float = 0.004
    masses: tuple[float, ...] = (36.0, 44.0, 52.0, 60.0, 68.0, 76.0, 84.0, 92.0, 100.0)
    checks: tuple[float, ...] | None = None
    u_mass: float = 0.1
    u_lowest_point: float = 0.05
    release_sd: float = 0.02
    conditioning: int = 5
    retests: tuple[int, ...] = (100, 200, 350, 500)
    worn_masses: tuple[float, ...] = (68.0, 100.0)
    wear: float = 0.05
    wear_sd: float = 0.01
    breaking_load: Measured = field(default=Measured(15000.0, 600.0))
    temperature: Measured = field(default=Measured(19.0, 1.0))
    rig: Mapping[str, Any] = field(default_factory=dict)
    site: Mapping[str, Any] = field(default_factory=dict)
    criteria: Mapping[str, Any] = field(default_factory=dict)
    decision: Mapping[str, Any] = field(default_factory=dict)
    records: bool = True
    distance: bool = True
    rate: float = 1000.0
    quiet: float = 1.0
    duration: float = 8.5
    noise: float = 1.0
    draws: int = 4096

    def __post_init__(self) -> None:
        if self.mechanics not in GREATEST_G:
            raise ValueError(f"mechanics '{self.mechanics}' is not known; choose one of {', '.join(GREATEST_G)}")
        criteria = {"greatest_g": GREATEST_G[self.mechanics], **CRITERIA, "lot_size": self.lot}
        decision = DECISION | ({"jumps": max(self.retests)} if self.retests else {})
        for name, standard in (("rig", RIG), ("site", SITE), ("criteria", criteria), ("decision", decision)):
            object.__setattr__(self, name, {**standard, **getattr(self, name)})
        if self.checks and not {*self.checks} < {*self.masses}:
            raise ValueError(f"checks {self.checks} are not some of the masses {self.masses}")
        if self.cords < 1 or not self.masses or self.cords + self.broken > self.lot:
            raise ValueError(f"{self.cords} cords dropped and {self.broken} broken do not make a lot of {self.lot}")

    def quantity(self, table: str, key: str) -> Measured:
        """A quantity of `rig`, `site` or `criteria`, in SI, as the standard tables have it."""
        unit = str((RIG | SITE | CRITERIA)[key]).split()[-1]
        return parse_measured(getattr(self, table)[key], unit)

    def predict(self, *, scale: Any, **drops: Any) -> Prediction:
        """What happens in this invented world to drops given as to `predict_drop`, on cords of this stiffness scale."""
        waves = {"viscosity": self.viscosity} if self.mechanics == "waves" else {}
        return predict_drop(self.curve.scaled(scale), mechanics=self.mechanics, **drops, **waves)

    def trace(self, *, scale: float, **drop: float) -> Trace:
        """The motion of one drop, given as to `predict`, from `quiet` before the release to the end of its record."""
        waves = self.mechanics == "waves"
        lost = {"viscosity": self.viscosity} if waves else {"unloading": self.unloading}
        clock = {"quiet": self.quiet, "duration": self.duration - self.quiet, "rate": self.rate}
        return trace_drop(self.curve.scaled(scale), mechanics=self.mechanics, **drop, **lost, **clock)


@dataclass(frozen=True)
class Cords:
    """The true cords of one campaign: their names, and arrays (cords,); `loss` is the stiffness lost by 500 jumps."""

    cord: list[str]
    slack_length: np.ndarray
    cord_mass: np.ndarray
    scale: np.ndarray
    loss: np.ndarray


@dataclass(frozen=True)
class Drops:
    """The true drops of one campaign in the order they were made, arrays (drops,); `cord` indexes the cords."""

    name: list[str]
    cord: np.ndarray
    use: list[str]
    nominal_mass: np.ndarray
    jumps: np.ndarray
    temperature: np.ndarray
    setup: dict[str, np.ndarray]

    def __len__(self) -> int:
        return len(self.name)

    def one(self, k: int) -> dict[str, float]:
        """Set-up of drop `k`, as `Scenario.predict` takes it."""
        return {key: float(np.broadcast_to(value, len(self))[k]) for key, value in self.setup.items()}


def true_cords(world: Scenario, rng: np.random.Generator) -> Cords:
    """Draw the cords that are dropped, numbered within their lot."""
    numbers = np.sort(rng.choice(world.lot, world.cords, replace=False)) + 1
    return Cords(
        cord=[f"C{number:02d}" for number in numbers],
        slack_length=world.slack_length.draw(rng, world.cords),
        cord_mass=world.cord_mass.draw(rng, world.cords),
        scale=np.exp(rng.normal(0.0, world.cord_sd, world.cords)),
        loss=rng.normal(world.wear, world.wear_sd, world.cords),
    )


def true_drops(world: Scenario, cords: Cords, rng: np.random.Generator) -> Drops:
    """Draw the drops: cord after cord from light to heavy, then the worn cords at each retest count."""
    masses = sorted(world.masses)
    checks = masses[1::2] if world.checks is None else world.checks
    plan = [
        (cord, mass, world.conditioning + k, "check" if mass in checks else "fit")
        for cord in range(world.cords)
        for k, mass in enumerate(masses)
    ]
    plan += [
        (cord, mass, count + k, "wear")
        for count in world.retests
        for cord in range(world.cords)
        for k, mass in enumerate(sorted(world.worn_masses))
    ]
    cord, nominal, jumps, use = (np.array(column) for column in zip(*plan, strict=True))
    # a mass is weighed once, so its error is common to all drops with it; the rig is the same throughout
    weights, which = np.unique(nominal, return_inverse=True)
    mass = rng.normal(weights, world.u_mass)[which]
    rig = {key: _not_negative(world.quantity("rig", key), rng) for key in ("drag_area", "air_density", "compliance")}
    depth = float(world.quantity("rig", "release_depth").draw(rng, 1)[0])
    worn = 1 - cords.loss[cord] * jumps / 500
    return Drops(
        name=[f"D{k:03d}" for k in range(1, cord.size + 1)],
        cord=cord,
        use=list(use),
        nominal_mass=nominal,
        jumps=jumps,
        temperature=world.temperature.draw(rng, cord.size),
        setup={
            "mass": mass,
            "slack_length": cords.slack_length[cord],
            "cord_mass": cords.cord_mass[cord],
            "release_depth": rng.normal(depth, world.release_sd, cord.size),
            "scale": cords.scale[cord] * worn * np.exp(rng.normal(0.0, world.drop_sd, cord.size)),
            **rig,
        },
    )


def _not_negative(quantity: Measured, rng: np.random.Generator) -> np.ndarray:
    """One draw of a quantity that cannot be below 0."""
    draws = quantity.draw(rng, 100)
    return draws[draws >= 0][0]


def true_range(world: Scenario, *, strength: float, probability: float | None = None, jumps: int = 0) -> dict[str, Any]:
    """What somebody who knew every distribution would rate at the site, for another cord of the lot.

    strength    : breaking load that the strength factor starts from  [N]
    probability : that the next drop meets a criterion, each by itself; None for the nominal cord and site
    jumps       : count of the cord

    Gives the lightest and heaviest rider [kg], what governs each end, and the limits at rider masses across the tested
    range. Quantiles are taken over `world.draws` points of a Sobol sequence, the same at every mass; 4096 put the
    ends of the range within about 0.1 kg.
    """
    lightest, heaviest = min(world.masses), max(world.masses)
    gear = world.quantity("site", "gear_mass").value
    riders = np.linspace(lightest, heaviest, 9) - gear
    z = np.zeros((INPUTS, 1)) if probability is None else _normals(world.draws)
    future, there = _future_drops(world, jumps, z)
    share = 0.5 if probability is None else probability
    drop = _predict_many(world, z, future | {"mass": riders[:, None] + there["gear_mass"]})
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
    return {"probability": probability, "jumps": jumps, **_within_criteria(world, riders, limits), "limits": listed}


def _normals(draws: int) -> np.ndarray:
    """(INPUTS, draws) standard normal numbers that fill space evenly."""
    from scipy.stats import qmc

    return ndtri(qmc.Sobol(INPUTS, seed=1).random(draws).T)


def _predict_many(world: Scenario, z: np.ndarray, drops: dict[str, Any]) -> dict[str, np.ndarray]:
    """What happens to many drops (masses, draws) that are functions of the normal numbers `z` (INPUTS, draws).

    A drop with waves costs a thousand times an even one. So waves are followed for the first `FOLLOWED` draws, and the
    ratio of waves to even, which varies by half a percent, is carried to the others as log-linear in `z`.
    """
    keys = ("lowest_point", "stretch_ratio", "tie_load", "g")
    even = _results(replace(world, mechanics="even").predict(**drops), keys)
    if world.mechanics == "even":
        return even
    first = min(FOLLOWED, z.shape[1])
    shape = even["g"].shape
    waves = _results(
        world.predict(**{key: np.broadcast_to(value, shape)[..., :first] for key, value in drops.items()}), keys
    )
    columns = np.column_stack([np.ones(z.shape[1]), z.T])

    def carried(key: str) -> np.ndarray:
        ratio = np.log(waves[key] / even[key][..., :first])
        return (columns @ np.linalg.lstsq(columns[:first], ratio.T, rcond=None)[0]).T

    return {key: even[key] * np.exp(carried(key)) for key in keys}


def _results(prediction: Prediction, keys: tuple[str, ...]) -> dict[str, np.ndarray]:
    return {key: getattr(prediction, key) for key in keys}


def _future_drops(world: Scenario, jumps: int, z: np.ndarray) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """The next drops of other cords at the site, all but the mass, and the site's quantities at each of them."""
    there = {}
    for key, normal in zip((key for key in SITE if key != "surface"), z, strict=False):
        quantity = world.quantity("site", key)
        there[key] = quantity.value + quantity.u * normal
        if key in ("drag_area", "air_density") and quantity.u:  # cut off at 0
            below = ndtr(-quantity.value / quantity.u)
            there[key] = quantity.value + quantity.u * ndtri(below + (1 - below) * ndtr(normal))
    worn = 1 - (world.wear + world.wear_sd * z[9]) * jumps / 500
    future = {
        "scale": worn * np.exp(np.hypot(world.cord_sd, world.drop_sd) * z[6]),
        "slack_length": world.slack_length.value + world.slack_length.u * z[7],
        "cord_mass": world.cord_mass.value + world.cord_mass.u * z[8],
        **{key: there[key] for key in ("release_depth", "drag_area", "air_density")},
    }
    return future, there


def _within_criteria(world: Scenario, riders: np.ndarray, limits: dict[str, np.ndarray]) -> dict[str, Any]:
    """The range of riders that meets every criterion, to 0.01 kg, from limits at a few masses; None where none does."""
    from scipy.interpolate import PchipInterpolator

    allowed = {
        "clearance": (world.quantity("criteria", "least_clearance").value, 1),
        "g": (world.criteria["greatest_g"], -1),
        "strength_factor": (world.criteria["least_strength_factor"], 1),
        "stretch_ratio": (world.criteria.get("greatest_stretch_ratio") or np.inf, -1),
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

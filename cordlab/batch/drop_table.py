"""From measured lowest points and peaks to two numbers a drop: ln of a stiffness scale, and ln of a peak's excess.

The scale of a drop takes the curve exactly to its lowest point, on a cord of the batch's mean slack length and mass:
whatever makes cords differ is in the scatter of ln s once, and goes back into the next drop the same way. What waves do
to a lowest point bends over the masses: `WaveEffect.stiffness` is taken off here and added again in a prediction.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from math import isfinite, nan
from typing import TYPE_CHECKING, Any

import numpy as np

from cordlab.campaign.settings import Rig, Site
from cordlab.curves.models import Curve
from cordlab.mechanics.fall import GRAVITY
from cordlab.mechanics.predict import predict_drop, scale_for_lowest_point
from cordlab.statistics.groups import EvidenceError
from cordlab.units import Measured

if TYPE_CHECKING:
    from cordlab.campaign.campaign import Campaign
    from cordlab.records.reduce import Drop

Place = Rig | Site
Keywords = dict[str, Any]  # of `predict_drop`, numbers

ONE_RETEST = 20  # counts no farther apart are one retest: each of its drops adds a jump (our choice)

DROP_INPUTS = (
    "drag_area",
    "air_density",
    "release_depth",
    "compliance",
    "centre_of_mass_fall",
    "push_off",
)  # of a rig or site, for `predict_drop`


def uncertain_inputs(place: Place) -> dict[str, Measured]:
    """`DROP_INPUTS` of a campaign's `[rig]` or `[site]`; what it does not have, or leaves out, is 0."""
    return {name: getattr(place, name, None) or Measured(0.0) for name in DROP_INPUTS}


def drop_inputs(place: Place) -> Keywords:
    """The estimates of `uncertain_inputs`, and the gear, which does not turn over with a rider."""
    inputs = {name: measured.value for name, measured in uncertain_inputs(place).items()}
    return inputs | {"gear_mass": place.gear_mass.value if hasattr(place, "gear_mass") else 0.0}


@dataclass(frozen=True)
class Evidence:
    """Drops that count; a row a drop, arrays (n_drops,)."""

    drop: tuple[str, ...]
    cord: tuple[str, ...]
    mass: np.ndarray  # hung below the cord's end [kg]
    u_mass: np.ndarray  # common to drops with that mass
    lowest_point: np.ndarray  # measured, below the tie point [m]
    u_lowest_point: np.ndarray
    slack_length: np.ndarray  # of that cord [m]
    cord_mass: np.ndarray  # [kg]
    peak_load: np.ndarray  # where the load cell sits [N], nan without a record
    u_peak_load: np.ndarray  # common to all, of the calibration
    jumps: np.ndarray  # of the cord before the drop
    temperature: np.ndarray  # [degC], nan where not recorded
    load_cell_at: str = "top"  # or "bottom"
    u_common: np.ndarray = field(default_factory=lambda: np.array(0.0))  # of u_lowest_point, by one distance sensor [m]
    u_slack_length: np.ndarray = field(
        default_factory=lambda: np.array(0.0)
    )  # of that cord [m]; 0 where it is not said
    g: np.ndarray = field(default_factory=lambda: np.array(nan))  # greatest, by cell or distance, nan without them
    energy_returned: np.ndarray = field(default_factory=lambda: np.array(nan))  # share, nan where no record shows it
    u_energy_returned: np.ndarray = field(default_factory=lambda: np.array(0.0))  # common to all, of the sensors

    def __post_init__(self) -> None:
        for name in COLUMNS:
            column = getattr(self, name)
            if np.ndim(column) and len(column) != len(self):
                raise EvidenceError(f"{len(self)} drops, but {len(column)} values of {name}")
            words = name in ("drop", "cord")
            in_type = tuple(column) if words else np.broadcast_to(np.asarray(column, float), len(self))
            object.__setattr__(self, name, in_type)
        for name in ("mass", "u_mass", "lowest_point", "slack_length", "cord_mass"):
            bad = ~np.isfinite(getattr(self, name))
            if bad.any():
                raise EvidenceError(f"drop {self.drop[int(np.argmax(bad))]}: {name} is not a finite number")
        for k in np.flatnonzero(self.lowest_point <= self.slack_length)[:1]:
            raise EvidenceError(
                f"drop {self.drop[k]}: lowest point {self.lowest_point[k]:g} m is not below the slack length "
                f"{self.slack_length[k]:g} m: the cord was never stretched"
            )

    def __len__(self) -> int:
        return len(self.drop)

    @property
    def stretch_ratio(self) -> np.ndarray:
        return self.lowest_point / self.slack_length

    @property
    def has_peak(self) -> np.ndarray:
        """Which drops have a record of the load."""
        return np.isfinite(self.peak_load)

    @property
    def cell_end(self) -> str:
        """The end of the cord at which the load cell sits: "tie" or "lower"."""
        return "tie" if self.load_cell_at == "top" else "lower"

    @property
    def u_calibration(self) -> float:
        """Relative standard uncertainty that all peaks have in common."""
        u = self.u_peak_load / self.peak_load
        return float(np.median(u[np.isfinite(u)])) if np.isfinite(u).any() else 0.0

    def setup(self, place: Place) -> Keywords:
        """Each drop as it hung, at the estimates of a rig or site: keywords of `predict_drop` and `DropSetup`."""
        cord = {"slack_length": self.slack_length, "cord_mass": self.cord_mass}
        return {"mass": self.mass, **cord, **drop_inputs(place)}

    def take(self, keep: np.ndarray) -> "Evidence":
        """Some of the drops, by number or as a mask."""
        index = np.flatnonzero(keep) if keep.dtype == bool else keep
        columns: dict[str, Any] = {name: [getattr(self, name)[i] for i in index] for name in COLUMNS}
        return replace(self, **columns)

    def joined(self, other: "Evidence") -> "Evidence":
        """These drops and the other ones, of one rig."""
        columns: dict[str, Any] = {name: [*getattr(self, name), *getattr(other, name)] for name in COLUMNS}
        return replace(self, **columns)

    @classmethod
    def of_campaign(
        cls, campaign: "Campaign", reduced: Sequence["Drop"] = (), *, use: Sequence[str] = ("fit",)
    ) -> "Evidence":
        """The drops of a campaign with one of these uses, those with neither a lowest point nor a record left out.
        The lowest point is the one measured on its own, or the record's; peaks are those of the `reduced` records."""
        records, rows = {drop.name: drop for drop in reduced}, []
        for entry in campaign.drops:
            record, measured, common = records.get(entry.drop), entry.lowest_point, 0.0
            if measured is None and record is not None:
                measured, common = Measured(record.lowest_point, record.u_lowest_point), record.u_lowest_point
            if entry.use not in use or measured is None:
                continue
            cord, peak = campaign.cord(entry.cord), (record.peak_load, record.u_peak_load) if record else (nan, nan)
            rows.append(
                {
                    "drop": entry.drop,
                    "cord": entry.cord,
                    "mass": entry.mass.value,
                    "u_mass": entry.mass.u,
                    "lowest_point": measured.value,
                    "u_lowest_point": measured.u,
                    "slack_length": cord.slack_length.value,
                    "cord_mass": cord.mass.value,
                    "peak_load": peak[0],
                    "u_peak_load": peak[1],
                    "jumps": entry.jumps,
                    "temperature": entry.temperature,
                    "u_common": common,
                    "u_slack_length": cord.slack_length.u,
                    "g": record.greatest_g if record else nan,
                    "energy_returned": record.energy_returned if record and record.energy_returned is not None else nan,
                    "u_energy_returned": (record and record.u_energy_returned) or 0.0,
                }
            )
        columns: dict[str, Any] = {name: [row[name] for row in rows] for name in COLUMNS}
        return cls(**columns, load_cell_at=campaign.rig.load_cell_at)


COLUMNS = tuple(column.name for column in fields(Evidence) if column.name != "load_cell_at")  # with one value a drop


def retests(jumps: np.ndarray) -> np.ndarray:
    """The retest that each drop belongs to, by its lowest count: those up to `ONE_RETEST` apart are one.  (n,)"""
    counts = np.unique(jumps)
    starts = counts[np.insert(np.diff(counts) > ONE_RETEST, 0, True)]
    return starts[np.searchsorted(starts, jumps, side="right") - 1]


@dataclass(frozen=True)
class Shapes:
    """Curves that the records allow: k of one model, parameters arrays (k,), each as good a guess at the shape."""

    curve: Curve
    count: int

    @classmethod
    def of(cls, curve: Curve) -> "Shapes":
        sizes = {np.size(value) for value in curve.parameters.values()} - {1}
        if len(sizes) > 1:
            raise ValueError(f"parameters of one curve have {sorted(sizes)} draws: one number for all")
        return cls(curve, sizes.pop() if sizes else 1)

    def possible(self, stretch_ratio: np.ndarray) -> "Shapes":
        """Without the shapes that these stretch ratios refute: locked up before one, or storing no energy there."""
        ratios = np.unique(stretch_ratio)[:, None]
        with np.errstate(all="ignore"):
            energy = self.take(np.arange(self.count)).energy(ratios)
        return self.only(np.flatnonzero(np.all(np.isfinite(energy) & (energy > 0), axis=0)))

    def turn(self, stretch_ratio: np.ndarray, y: np.ndarray, weight: np.ndarray) -> np.ndarray:
        """Whether each shape, of stiffness e^y (count, n), pulls more than the weight where a drop turned.  (count,)"""
        pull = np.exp(y) * self.take(np.arange(self.count)).force(stretch_ratio[:, None]).T
        return (pull > weight).all(axis=1)

    def only(self, index: np.ndarray) -> "Shapes":
        return replace(self, curve=self.take(index), count=index.size)

    def take(self, index: np.ndarray, scale: np.ndarray | float = 1.0) -> Curve:
        """The curves numbered `index` (n,), each with its scale (n,)."""
        parameters = {
            name: np.broadcast_to(np.ravel(np.asarray(value, float)), self.count)[index]
            for name, value in self.curve.parameters.items()
        }
        return replace(self.curve, parameters=parameters, scale=np.asarray(self.curve.scale, float) * scale)


def log_scales(curve: Shapes, evidence: Evidence, batch: Keywords, **inputs: float) -> np.ndarray:
    """ln s of each drop for each shape, as if strained uniformly.  (shapes, n_drops)"""
    shape, setup = _setups(curve.count, evidence, {**batch, **inputs})
    lowest_point = np.tile(evidence.lowest_point, curve.count)
    return np.log(scale_for_lowest_point(curve.take(shape), lowest_point, **setup)).reshape(curve.count, -1)


def log_excess(
    curve: Shapes, evidence: Evidence, y: np.ndarray, batch: Keywords, *, of: str = "peak_load", **inputs: float
) -> np.ndarray:
    """ln(measured over predicted peak) at the load cell's end, or of "g", of drops with one.  (shapes, n_drops)"""
    shape, setup = _setups(curve.count, evidence, {**batch, **inputs})
    predicted = predict_drop(curve.take(shape, np.exp(y).ravel()), **setup)
    load = predicted.tie_load if evidence.cell_end == "tie" else predicted.tension
    return np.log(getattr(evidence, of)) - np.log(np.reshape(predicted.g if of == "g" else load, y.shape))


def _setups(k: int, evidence: Evidence, inputs: Keywords) -> tuple[np.ndarray, Keywords]:
    """Each drop for each of k shapes: the number of its shape, and what `predict_drop` takes.  (k · n_drops,)"""
    n, setup = len(evidence), {"mass": evidence.mass, **inputs}
    flat = {name: np.tile(np.broadcast_to(np.asarray(value, float), n), k) for name, value in setup.items()}
    return np.repeat(np.arange(k), n), flat


def mean_cord(evidence: Evidence) -> Keywords:
    """Slack length and cord mass of the batch, cords alike, and gravity: keywords of `predict_drop`."""
    cords = dict(zip(evidence.cord, zip(evidence.slack_length, evidence.cord_mass, strict=True), strict=True))
    length, mass = np.mean(list(cords.values()), axis=0)
    return {"slack_length": float(length), "cord_mass": float(mass), "gravity": GRAVITY}


def drop_rows(campaign: "Campaign", drops: Sequence["Drop"]) -> list[dict[str, Any]]:
    """Each drop in `results.json`: as noted, and as its record was reduced."""
    reduced, rows = {drop.name: drop for drop in drops}, []
    of_record = ("lowest_point", "u_lowest_point", "peak_load", "energy_returned", "u_energy_returned", "notes")
    for entry in campaign.drops:
        row: dict[str, Any] = {name: getattr(entry, name) for name in ("drop", "cord", "use", "jumps")}
        row |= {"mass": entry.mass.value} | dict.fromkeys(of_record) | {"notes": []}
        row["remarks"] = dict(entry.remarks) | ({"rest [s]": entry.rest} if isfinite(entry.rest) else {})
        if drop := reduced.get(entry.drop):
            row |= {name: getattr(drop, name) for name in of_record} | {"recorded_lowest_point": drop.lowest_point}
        if lowest := entry.lowest_point:
            row |= {"lowest_point": lowest.value, "u_lowest_point": lowest.u}
        rows.append(row)
    return rows

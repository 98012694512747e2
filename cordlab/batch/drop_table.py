"""From measured lowest points and peaks to two numbers a drop: the log of a stiffness scale, and the log of a peak's
excess.

The shape of the curve comes from the records; how low a drop goes is anchored on the lowest points that were measured.
For each drop, s is the scale of the curve with which it reaches exactly the measured lowest point, all cords taken with
the batch's mean slack length and cord mass: whatever makes cords differ (stiffness, length, mass, and the errors of
measuring them) is then in the scatter of ln s once, as it is in the scatter of the lowest points themselves, and goes
back into the next drop the same way. Where the cord carries stretch waves it stops higher than a uniform one, and by
how much bends over the masses: that part (`WaveEffect.stiffness`) is taken off ln s here and added again where a drop
is predicted, so that what is drawn out between tested masses is only what waves do not explain.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop, scale_for_lowest_point
from cordlab.mechanics.setup import GRAVITY
from cordlab.statistics.groups import EvidenceError
from cordlab.units import Measured


@dataclass(frozen=True)
class Evidence:
    """Drops that count; arrays with one row a drop, (n_drops,).

    mass : hung below the cord's end  [kg], standard uncertainty u_mass common to drops with that mass
    lowest_point : measured, below the tie point  [m], standard uncertainty u_lowest_point
    u_common : the part of it that drops read from their records share, by the sensor's calibration  [m]; 0 where a
        lowest point was measured on its own
    slack_length, cord_mass : of that cord  [m], [kg]
    peak_load : measured where the load cell sits  [N], nan without a record; u_peak_load common to all (calibration)
    jumps : of the cord before the drop;  temperature  [degC], nan where not recorded
    load_cell_at : "top" or "bottom"
    """

    drop: tuple[str, ...]
    cord: tuple[str, ...]
    mass: np.ndarray
    u_mass: np.ndarray
    lowest_point: np.ndarray
    u_lowest_point: np.ndarray
    slack_length: np.ndarray
    cord_mass: np.ndarray
    peak_load: np.ndarray
    u_peak_load: np.ndarray
    jumps: np.ndarray
    temperature: np.ndarray
    load_cell_at: str = "top"
    u_common: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        n = len(self.drop)
        if not len(self.u_common):
            object.__setattr__(self, "u_common", np.zeros(n))
        for name, value in self._columns().items():
            if name not in ("drop", "cord"):
                object.__setattr__(self, name, np.asarray(value, float))
            if len(value) != n:
                raise EvidenceError(f"{n} drops, but {len(value)} values of {name}")
        for name in ("mass", "u_mass", "lowest_point", "slack_length", "cord_mass"):
            bad = ~np.isfinite(getattr(self, name))
            if bad.any():
                raise EvidenceError(f"drop {self.drop[int(np.argmax(bad))]}: {name} is not a finite number")
        short = self.lowest_point <= self.slack_length
        if short.any():
            k = int(np.argmax(short))
            raise EvidenceError(
                f"drop {self.drop[k]}: lowest point {self.lowest_point[k]:g} m is not below the slack length "
                f"{self.slack_length[k]:g} m: the cord was never stretched"
            )

    def __len__(self) -> int:
        return len(self.drop)

    @property
    def stretch_ratio(self) -> np.ndarray:
        return self.lowest_point / self.slack_length

    def _columns(self) -> dict[str, Any]:
        """What has one row a drop."""
        return {each.name: getattr(self, each.name) for each in fields(self) if each.name != "load_cell_at"}

    def take(self, keep: np.ndarray) -> "Evidence":
        index = np.flatnonzero(keep) if keep.dtype == bool else keep

        def cut(value: Any) -> Any:
            return value[index] if isinstance(value, np.ndarray) else tuple(value[i] for i in index)

        return replace(self, **{name: cut(value) for name, value in self._columns().items()})

    def joined(self, other: "Evidence") -> "Evidence":
        """These drops and the other ones, of one rig."""
        both: dict[str, Any] = {name: [*value, *getattr(other, name)] for name, value in self._columns().items()}
        return replace(self, **both | {name: tuple(both[name]) for name in ("drop", "cord")})

    @classmethod
    def of_campaign(cls, campaign: Any, reduced: Sequence[Any] = (), *, use: Sequence[str] = ("fit",)) -> "Evidence":
        """The drops of a `Campaign` with one of these uses, with peaks of the `reduced` records (`Drop`).

        The lowest point is the one measured on its own, or the record's where there is none; a drop with neither does
        not count.
        """
        records = {drop.name: drop for drop in reduced}
        rows = []
        for entry in campaign.drops:
            record = records.get(entry.drop)
            if entry.use not in use or (entry.lowest_point is None and record is None):
                continue
            cord = campaign.cord(entry.cord)
            lowest, peak, common = entry.lowest_point, (np.nan, np.nan), 0.0
            if record is not None:
                if lowest is None:
                    lowest, common = Measured(record.lowest_point, record.u_lowest_point), record.u_lowest_point
                peak = (record.peak_load, record.u_peak_load)
            rows.append((
                entry.drop, entry.cord, entry.mass.value, entry.mass.u, lowest.value, lowest.u,
                cord.slack_length.value, cord.mass.value, *peak, entry.jumps, entry.temperature, common,
            ))  # fmt: skip
        names = [each.name for each in fields(cls) if each.name != "load_cell_at"]
        columns: dict[str, Any] = dict(zip(names, zip(*rows, strict=True) if rows else [()] * len(names), strict=True))
        return cls(**columns, load_cell_at=campaign.rig.load_cell_at)


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
        every = self.take(np.arange(self.count))
        with np.errstate(all="ignore"):
            energy = np.broadcast_to(every.energy(ratios), (ratios.size, self.count))
        keep = np.flatnonzero(np.all(np.isfinite(energy) & (energy > 0), axis=0))
        return self.only(keep)

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


@dataclass(frozen=True)
class SetUp:
    """Rig or site inputs of a drop that `predict_drop` takes, by its own keywords."""

    drag_area: Measured
    air_density: Measured
    release_depth: Measured
    compliance: Measured

    NAMES = ("drag_area", "air_density", "release_depth", "compliance")

    @classmethod
    def of(cls, where: Any) -> "SetUp":
        """From a campaign's `[rig]` or `[site]`; a site has no compliance of its own."""
        return cls(
            where.drag_area, where.air_density, where.release_depth, getattr(where, "compliance", None) or Measured(0.0)
        )

    def values(self) -> dict[str, Any]:
        return {name: getattr(self, name).value for name in self.NAMES}


def log_scales(curve: Shapes, evidence: Evidence, batch: Mapping[str, Any], **inputs: Any) -> np.ndarray:
    """ln s of each drop for each shape, as if strained uniformly.  (shapes, n_drops)"""
    shape, flat = _each(curve.count, evidence, batch, inputs)
    lowest_point = np.tile(evidence.lowest_point, curve.count)
    return np.log(scale_for_lowest_point(curve.take(shape), lowest_point, **flat)).reshape(curve.count, -1)


def _each(k: int, evidence: Evidence, batch: Mapping[str, Any], inputs: Mapping[str, Any]) -> tuple[Any, Any]:
    """Each drop for each of k shapes: the number of its shape, and what `predict_drop` takes.  (k · n_drops,)"""
    n, keywords = len(evidence), {**batch, "mass": evidence.mass, **inputs}
    flat = {name: np.tile(np.broadcast_to(np.asarray(value, float), n), k) for name, value in keywords.items()}
    return np.repeat(np.arange(k), n), flat


def log_excess(curve: Shapes, evidence: Evidence, y: np.ndarray, batch: Mapping[str, Any], **inputs: Any) -> np.ndarray:
    """ln(measured over predicted peak) at the load cell's end, of drops with a record.  (shapes, n_drops)"""
    shape, flat = _each(curve.count, evidence, batch, inputs)
    predicted = predict_drop(curve.take(shape, np.exp(y).ravel()), **flat)
    end = "tie" if evidence.load_cell_at == "top" else "lower"
    load = np.reshape(predicted.tie_load if end == "tie" else predicted.tension, y.shape)
    return np.log(evidence.peak_load) - np.log(load)


def mean_cord(evidence: Evidence) -> dict[str, float]:
    """Slack length and cord mass of the batch, cords alike, and gravity: keywords of `predict_drop`."""
    cords = dict(zip(evidence.cord, zip(evidence.slack_length, evidence.cord_mass, strict=True), strict=True))
    length, mass = np.mean(list(cords.values()), axis=0)
    return {"slack_length": float(length), "cord_mass": float(mass), "gravity": GRAVITY}

"""Prediction of a drop: lowest point, loads and g, for one cord or a million draws; and the stiffness behind a drop."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cordlab.curves.models import Curve
from cordlab.mechanics import uniform, waves
from cordlab.mechanics.setup import Array, DropSetup, Outcome, spread_out, take
from cordlab.mechanics.trace import Trace, trace_drop, unloading_for
from cordlab.units import plain

__all__ = [
    "Outcome", "Prediction", "Trace", "predict_drop", "scale_for_lowest_point", "trace_drop", "unloading_for",
]  # fmt: skip

# draws at once: the arrays of one chunk stay in the processor's cache, and memory stays flat
UNIFORM_CHUNK, WAVES_CHUNK = 4096, 1000


@dataclass(frozen=True)
class Prediction:
    """Where a drop ends and what it loads; arrays of the shape that the arguments broadcast to, or numbers.

    stretch : of cord and rig at the lowest point, beyond the slack length  [m]
    lowest_point : of the cord's lower end, below the undisturbed tie point  [m]
    stretch_ratio : stretched over slack length of the cord at the lowest point
    tension : greatest load at the cord's lower end  [N]
    tie_load : greatest load at the tie point  [N]
    g : `tension` over the weight of the mass; 1 hanging at rest
    outcome : `Outcome` codes; where no lowest point was found everything else is +inf
    mechanics : "uniform" or "waves"
    time, tension_time, tie_load_time : of the lowest point and of the two loads, from the release; waves only  [s]
    """

    stretch: Array
    lowest_point: Array
    stretch_ratio: Array
    tension: Array
    tie_load: Array
    g: Array
    outcome: Array
    mechanics: str
    time: Array | None = None
    tension_time: Array | None = None
    tie_load_time: Array | None = None

    @property
    def _quantities(self) -> dict[str, Array]:
        names = ("stretch", "lowest_point", "stretch_ratio", "tension", "tie_load", "g", "time", "tension_time",
                 "tie_load_time")  # fmt: skip
        return {name: np.asarray(value) for name in names if (value := getattr(self, name)) is not None}

    def summary(self) -> str:
        """For people: one drop in a line, many by their median and the range of 98 % of them."""
        shown = (
            ("lowest point", "lowest_point", ".2f", " m"),
            ("greatest g", "g", ".2f", ""),
            ("load at the lower end", "tension", ".0f", " N"),
            ("at the tie point", "tie_load", ".0f", " N"),
        )
        said = []
        for title, name, form, unit in shown:
            values = np.asarray(getattr(self, name)).ravel()
            low, middle, high = np.quantile(values, [0.01, 0.5, 0.99], method="nearest")
            rest = f" ({low:{form}} to {high:{form}})" if values.size > 1 else ""
            said.append(f"{title} {middle:{form}}{unit}{rest}")
        ends = ", ".join(f"{n} {what}" for what, n in self.counts().items() if what != "ok" or np.size(self.g) > 1)
        return f"{self.mechanics}: " + "; ".join([*said, *([ends] if ends else [])])

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers or nested lists in SI; None where there is no lowest point."""
        return {"mechanics": self.mechanics, **plain(self._quantities), "outcome": self.counts()}

    def counts(self) -> dict[str, int]:
        """How many draws came to which outcome, those that occur, by name."""
        codes, numbers = np.unique(self.outcome, return_counts=True)
        return {Outcome(code).name.lower().replace("_", " "): int(n) for code, n in zip(codes, numbers, strict=True)}


@np.errstate(all="ignore")  # a wild draw may overflow on its way to its outcome
def predict_drop(
    curve: Curve,
    *,
    mass: Array | float,
    slack_length: Array | float,
    cord_mass: Array | float = DropSetup.cord_mass,
    drag_area: Array | float = DropSetup.drag_area,
    air_density: Array | float = DropSetup.air_density,
    release_depth: Array | float = DropSetup.release_depth,
    compliance: Array | float = DropSetup.compliance,
    gravity: Array | float = DropSetup.gravity,
    mechanics: str = "uniform",
    viscosity: Array | float = 0.0,
    tested_to: Array | float = np.inf,
    surface: Array | float = np.inf,
) -> Prediction:
    """Lowest point, loads and g of a drop from rest; every argument, and the curve, may hold draws (last axis).

    mass [kg] is all that hangs below the cord's end; slack_length [m]; cord_mass [kg]; drag_area (Cd·A) [m²];
    air_density [kg/m³]; release_depth [m] below the tie point, negative above it; compliance [m/N], the sag of the tie
    point; viscosity [N·s] only with mechanics="waves". tested_to is the greatest stretch ratio that was tested, surface
    [m] below the tie point: draws that go beyond get an outcome in place of numbers, whichever they pass first.

    Raises ValueError, naming the argument, for values that are not finite or out of range.
    """
    given = mass, slack_length, cord_mass, drag_area, air_density, release_depth, compliance, gravity
    setup = DropSetup(*given)
    tested_to, surface = np.asarray(tested_to, dtype=float), np.asarray(surface, dtype=float)
    _check_ends(setup, tested_to, surface)
    shape = np.broadcast_shapes(_shape(setup, curve), *map(np.shape, (viscosity, tested_to, surface)))
    if mechanics == "uniform":
        return _ended(_uniform(setup, curve, shape), setup, tested_to, surface)
    if mechanics == "waves":
        return _ended(_waves(setup, curve, shape, np.asarray(viscosity, dtype=float)), setup, tested_to, surface)
    raise ValueError(f"mechanics: {mechanics!r} is not one of 'uniform', 'waves'")


def _check_ends(setup: DropSetup, tested_to: Array, surface: Array) -> None:
    if not np.all(tested_to >= 1):
        raise ValueError(f"tested_to: {np.min(tested_to):g} is not a stretch ratio from 1 upwards")
    if not np.all(surface > setup.slack_length):
        raise ValueError(f"surface: {np.min(surface):g} m is not below the cord's end at its slack length")


def _ended(found: Prediction, setup: DropSetup, tested_to: Array, surface: Array) -> Prediction:
    """The prediction without the numbers of draws that pass the tested stretch or the surface."""
    stopped = np.asarray(found.outcome) <= Outcome.NOT_RISING
    untested = stopped & (found.stretch_ratio > tested_to)
    wet = stopped & (found.lowest_point >= surface) & ~(untested & (surface > tested_to * setup.slack_length))
    if not (untested.any() or wet.any()):
        return found
    outcome = np.where(wet, Outcome.SURFACE_REACHED, np.where(untested, Outcome.OUTSIDE_TESTED, found.outcome))
    rest: dict[str, Any] = {name: np.where(wet | untested, np.inf, x)[()] for name, x in found._quantities.items()}
    return replace(found, outcome=outcome.astype(np.int8)[()], **rest)


def _uniform(setup: DropSetup, curve: Curve, shape: tuple[int, ...]) -> Prediction:
    found = [np.empty(shape, dtype) for dtype in (float, float, float, np.int8)]
    for part, some, its_curve in _chunks(shape, setup, curve, UNIFORM_CHUNK):
        for whole, value in zip(found, uniform.stop(some, its_curve), strict=True):
            whole.reshape(-1)[part] = value
    stretch, lower, tie, outcome = found
    ratio, sag = 1 + stretch / setup.slack_length, 0.0
    if np.any(setup.compliance):
        sag = setup.compliance * curve.force(np.where(np.isfinite(ratio), ratio, 1.0))
    return _prediction(setup, stretch + sag, ratio, lower, tie, outcome, mechanics="uniform")


def _waves(setup: DropSetup, curve: Curve, shape: tuple[int, ...], viscosity: Array) -> Prediction:
    waves.check_waves(setup, viscosity)
    viscosity = spread_out(viscosity, shape)
    found = [np.empty(shape, dtype) for dtype in (*[float] * 7, np.int8)]
    for part, some, its_curve in _chunks(shape, setup, curve, WAVES_CHUNK):
        its_swing = waves.swing(some, its_curve, take(viscosity, part), part.stop - part.start)
        for whole, value in zip(found, its_swing, strict=True):
            whole.reshape(-1)[part] = value
    stretch, ratio, lower, tie, *at, outcome = found
    times = dict(zip(("time", "tension_time", "tie_load_time"), (each[()] for each in at), strict=True))
    return _prediction(setup, stretch, ratio, lower, tie, outcome, mechanics="waves", **times)


def _prediction(
    setup: DropSetup, stretch: Array, ratio: Array, lower: Array, tie: Array, outcome: Array, **rest: Any
) -> Prediction:
    """Results of one mechanics; arrays without dimensions become numbers."""
    return Prediction(
        stretch=stretch[()],
        lowest_point=(setup.slack_length + stretch)[()],
        stretch_ratio=ratio[()],
        tension=lower[()],
        tie_load=tie[()],
        g=(lower / setup.weight)[()],
        outcome=outcome[()],
        **rest,
    )


def _shape(setup: DropSetup, curve: Curve) -> tuple[int, ...]:
    """The common shape of set-up and curve."""
    values = (*vars(setup).values(), *curve.parameters.values(), curve.scale)
    return np.broadcast_shapes(*map(np.shape, values))


def _chunks(
    shape: tuple[int, ...], setup: DropSetup, curve: Curve, at_once: int
) -> Iterator[tuple[slice, DropSetup, Curve]]:
    """Set-up and curve for one chunk of draws after another, flat."""
    whole, every = setup.broadcast(shape), uniform.broadcast_draws(curve, shape)
    size = int(np.prod(shape))
    for begin in range(0, size, at_once):
        part = slice(begin, min(begin + at_once, size))
        yield part, whole.take(part), uniform.take_draws(every, part)


def scale_for_lowest_point(
    curve: Curve,
    lowest_point: Array | float,
    *,
    mass: Array | float,
    slack_length: Array | float,
    cord_mass: Array | float = DropSetup.cord_mass,
    drag_area: Array | float = DropSetup.drag_area,
    air_density: Array | float = DropSetup.air_density,
    release_depth: Array | float = DropSetup.release_depth,
    compliance: Array | float = DropSetup.compliance,
    gravity: Array | float = DropSetup.gravity,
) -> Array:
    """The stiffness scale, times that of `curve`, with which the uniform cord comes to just `lowest_point` [m].

    The drop's energy equation is linear in the scale once the lowest point is known. Arguments as in `predict_drop`.

    Raises ValueError where a lowest point is not below the slack length, or where the curve has locked up before it.
    """
    given = mass, slack_length, cord_mass, drag_area, air_density, release_depth, compliance, gravity
    setup = DropSetup(*given)
    lowest = np.asarray(lowest_point, dtype=float)
    if not np.all(lowest > setup.slack_length):
        longest = np.max(setup.slack_length)
        raise ValueError(f"lowest_point: {np.min(lowest):g} m is not below the slack length {longest:g} m")
    if not np.all(setup.released_slack):
        raise ValueError("release_depth: further than the slack length from the tie point")
    shape = np.broadcast_shapes(_shape(setup, curve), lowest.shape)
    lowest, scale = np.broadcast_to(lowest, shape), np.empty(shape)
    for part, some, its_curve in _chunks(shape, setup, curve, UNIFORM_CHUNK):
        scale.reshape(-1)[part] = uniform.scale_for_stretch(some, its_curve, lowest.flat[part] - some.slack_length)
    locked = ~(scale > 0)
    if locked.any():
        draws = f"{locked.sum()} of {scale.size} draws"
        raise ValueError(f"curve: locked up or without load before the lowest point in {draws}")
    return scale[()]

"""Prediction of a drop: lowest point, loads and g, for one cord or a million draws; and the stiffness behind a drop."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cordlab.curves.models import Curve
from cordlab.mechanics import uniform, waves
from cordlab.mechanics.fall import Array, DropSetup, Outcome, spread_out, take
from cordlab.mechanics.trace import Trace, trace_drop, unloading_for
from cordlab.units import plain

__all__ = [
    "Outcome", "Prediction", "Trace", "predict_drop", "scale_for_lowest_point", "trace_drop", "unloading_for",
]  # fmt: skip

# draws at once: the arrays of one chunk stay in the processor's cache, and memory stays flat
UNIFORM_CHUNK, WAVES_CHUNK = 2048, 2000
_QUANTITIES = (
    "stretch", "lowest_point", "stretch_ratio", "tension", "tie_load", "g", "time", "tension_time", "tie_load_time",
)  # fmt: skip


@dataclass(frozen=True)
class Prediction:
    """Where a drop ends and what it loads: numbers, or arrays of the shape that the arguments broadcast to.

    Where no lowest point was found everything but `outcome` is +inf.

    Attributes
    ----------
    stretch : of cord and rig at the lowest point, beyond the slack length  [m]
    lowest_point : of the cord's lower end, below the undisturbed tie point  [m]
    stretch_ratio : stretched over slack length of the cord at the lowest point
    tension : greatest load at the cord's lower end  [N]
    tie_load : greatest load at the tie point  [N]
    g : `tension` over the weight of the mass; 1 hanging at rest
    outcome : `Outcome` codes
    mechanics : "uniform" or "waves"
    apart : by how much of them the loads of two resolutions differ, inf where loads are never resolved; waves only
    time, tension_time, tie_load_time : of the lowest point and of the two loads, from the release; waves only  [s]

    Examples
    --------
    >>> import cordlab
    >>> cord = {"slack_length": 10.0, "cord_mass": 14.0}
    >>> drop = cordlab.predict_drop(cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}), mass=[60, 90], **cord)
    >>> drop.counts()
    {'ok': 2}
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
    apart: Array | None = None

    @property
    def _quantities(self) -> dict[str, Array]:
        return {name: np.asarray(value) for name in _QUANTITIES if (value := getattr(self, name)) is not None}

    def summary(self) -> str:
        """For people: one drop in a line, many by their median and the range of 98 % of them."""
        parts = []
        for title, values, form, unit in (
            ("lowest point", self.lowest_point, ".2f", " m"),
            ("greatest g", self.g, ".2f", ""),
            ("load at the lower end", self.tension, ".0f", " N"),
            ("at the tie point", self.tie_load, ".0f", " N"),
        ):
            low, middle, high = np.quantile(values, [0.01, 0.5, 0.99], method="nearest")
            span = f" ({low:{form}} to {high:{form}})" if np.size(values) > 1 else ""
            parts.append(f"{title} {middle:{form}}{unit}{span}")
        counts = [f"{n} {outcome}" for outcome, n in self.counts().items() if outcome != "ok" or np.size(self.g) > 1]
        if counts:
            parts.append(", ".join(counts))
        if self.apart is not None and (most := np.max(self.apart)) > waves.AGREE:
            how = f"only to {most:.1%}" if np.isfinite(most) else "by no grid: too little viscosity smooths the waves"
            parts.append(f"g and loads are resolved {how}")
        return f"{self.mechanics}: " + "; ".join(parts)

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
    centre_of_mass_fall: Array | float = DropSetup.centre_of_mass_fall,
    gear_mass: Array | float = DropSetup.gear_mass,
    push_off: Array | float = DropSetup.push_off,
    mechanics: str = "uniform",
    viscosity: Array | float = 0.0,
    tested_to: Array | float = np.inf,
    surface: Array | float = np.inf,
) -> Prediction:
    """Lowest point, loads and g of a drop; every argument, and the curve, may hold draws (last axis).

    Parameters
    ----------
    curve : Curve
    mass : hung below the cord's end  [kg]
    slack_length : of the cord, lying unloaded  [m]
    cord_mass : [kg]
    drag_area : drag coefficient times area of the mass  [m²]
    air_density : [kg/m³]
    release_depth : below the tie point; negative is above it  [m]
    compliance : sag of the tie point  [m/N]
    gravity : [m/s²]
    centre_of_mass_fall : how much further a rider's centre of mass falls than the attachment, from release to hanging
        [m]; 0 for a dead weight. Its energy counts in full when the slack ends, for `mass` less `gear_mass`
    gear_mass : of `mass`, what does not turn over with the rider  [kg]
    push_off : speed at the release, of which the direction does not matter: M v²/2 when the slack ends  [m/s]
    mechanics : "uniform" (the cord strained uniformly) or "waves" (stretch waves run along it)
    viscosity : of the cord, with mechanics="waves" only  [N·s]
    tested_to : greatest stretch ratio that was tested
    surface : below the tie point  [m]
        A draw beyond either of the two gets an outcome in place of numbers, that of the one it passes first.

    Returns
    -------
    Prediction

    Raises
    ------
    ValueError
        Naming the argument, for values that are not finite or out of range.

    Examples
    --------
    >>> import cordlab
    >>> curve = cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    >>> drop = cordlab.predict_drop(curve, mass=68.0, slack_length=10.0, cord_mass=14.0, drag_area=0.1)
    >>> print(drop.summary())
    uniform: lowest point 30.58 m; greatest g 2.48; load at the lower end 1652 N; at the tie point 1890 N
    """
    setup = DropSetup(
        mass, slack_length, cord_mass, drag_area, air_density, release_depth, compliance, gravity,
        centre_of_mass_fall, gear_mass, push_off,
    )  # fmt: skip
    tested_to, surface = np.asarray(tested_to, dtype=float), np.asarray(surface, dtype=float)
    if not np.all(tested_to >= 1):
        raise ValueError(f"tested_to: {np.min(tested_to):g} is not a stretch ratio from 1 upwards")
    if not np.all(surface > setup.slack_length):
        raise ValueError(f"surface: {np.min(surface):g} m is not below the cord's end at its slack length")
    shape = np.broadcast_shapes(_shape(setup, curve), *map(np.shape, (viscosity, tested_to, surface)))
    if mechanics == "uniform":
        prediction = _uniform(setup, curve, shape)
    elif mechanics == "waves":
        prediction = _waves(setup, curve, shape, np.asarray(viscosity, dtype=float))
    else:
        raise ValueError(f"mechanics: {mechanics!r} is not one of 'uniform', 'waves'")
    return _ended(prediction, setup, tested_to, surface)


def _ended(drop: Prediction, setup: DropSetup, tested_to: Array, surface: Array) -> Prediction:
    """The prediction without the numbers of draws that pass the tested stretch or the surface."""
    stopped = np.asarray(drop.outcome) <= Outcome.NOT_RISING
    untested = stopped & (drop.stretch_ratio > tested_to)
    wet = stopped & (drop.lowest_point >= surface) & ~(untested & (surface > tested_to * setup.slack_length))
    if not (untested.any() or wet.any()):
        return drop
    outcome = np.select([wet, untested], [Outcome.SURFACE_REACHED, Outcome.OUTSIDE_TESTED], drop.outcome)
    ended: dict[str, Any] = {name: np.where(wet | untested, np.inf, x)[()] for name, x in drop._quantities.items()}
    return replace(drop, outcome=outcome.astype(np.int8)[()], **ended)


def _uniform(setup: DropSetup, curve: Curve, shape: tuple[int, ...]) -> Prediction:
    stretch, lower, tie, outcome = (np.empty(shape, kind) for kind in (float, float, float, np.int8))
    for part, draws, of_draws in _chunks(shape, setup, curve, UNIFORM_CHUNK):
        for whole, value in zip((stretch, lower, tie, outcome), uniform.stop(draws, of_draws), strict=True):
            whole.reshape(-1)[part] = value
    ratio = 1 + stretch / setup.slack_length
    if np.any(setup.compliance):
        stretch = stretch + setup.compliance * curve.force(np.where(np.isfinite(ratio), ratio, 1.0))
    return _prediction(setup, stretch, ratio, lower, tie, outcome, mechanics="uniform")


def _waves(setup: DropSetup, curve: Curve, shape: tuple[int, ...], viscosity: Array) -> Prediction:
    waves.check_waves(setup, viscosity)
    viscosity = spread_out(viscosity, shape)
    results = [np.empty(shape, kind) for kind in (*[float] * 7, np.int8, float)]
    for part, draws, of_draws in _chunks(shape, setup, curve, WAVES_CHUNK):
        swing = waves.swing(draws, of_draws, take(viscosity, part), part.stop - part.start)
        for whole, value in zip(results, swing, strict=True):
            whole.reshape(-1)[part] = value
    stretch, ratio, lower, tie, *times, outcome, apart = results
    names = ("time", "tension_time", "tie_load_time", "apart")
    at = {name: value[()] for name, value in zip(names, (*times, apart), strict=True)}
    return _prediction(setup, stretch, ratio, lower, tie, outcome, mechanics="waves", **at)


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
    return np.broadcast_shapes(*map(np.shape, (*vars(setup).values(), *curve.parameters.values(), curve.scale)))


def _chunks(
    shape: tuple[int, ...], setup: DropSetup, curve: Curve, at_once: int
) -> Iterator[tuple[slice, DropSetup, Curve]]:
    """Set-up and curve for one chunk of draws after another, flat."""
    setup, curve, size = setup.broadcast(shape), uniform.broadcast_draws(curve, shape), int(np.prod(shape))
    for begin in range(0, size, at_once):
        part = slice(begin, min(begin + at_once, size))
        yield part, setup.take(part), uniform.take_draws(curve, part)


def scale_for_lowest_point(
    curve: Curve,
    lowest_point: Array | float,
    **setup: Array | float,
) -> Array:
    """The stiffness scale, times that of `curve`, with which the uniform cord comes to just this lowest point.

    The drop's energy equation is linear in the scale once the lowest point is known.

    Parameters
    ----------
    curve : Curve
    lowest_point : of the cord's lower end, below the undisturbed tie point  [m]
    **setup
        `mass`, `slack_length` and what else of the drop `predict_drop` takes.

    Returns
    -------
    float or ndarray
        Of the shape that the arguments broadcast to.

    Raises
    ------
    ValueError
        Where a lowest point is not below the slack length, or where the curve has locked up before it.

    Examples
    --------
    >>> import cordlab
    >>> curve = cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    >>> scale = cordlab.scale_for_lowest_point(curve, 30.0, mass=68.0, slack_length=10.0, cord_mass=14.0)
    >>> print(f"{scale:.3f}")
    1.042
    """
    drop = DropSetup(**setup)
    lowest = np.asarray(lowest_point, dtype=float)
    if not np.all(lowest > drop.slack_length):
        longest = np.max(drop.slack_length)
        raise ValueError(f"lowest_point: {np.min(lowest):g} m is not below the slack length {longest:g} m")
    if not np.all(drop.released_slack):
        raise ValueError("release_depth: further than the slack length from the tie point")
    shape = np.broadcast_shapes(_shape(drop, curve), lowest.shape)
    lowest, scale = np.broadcast_to(lowest, shape), np.empty(shape)
    for part, draws, of_draws in _chunks(shape, drop, curve, UNIFORM_CHUNK):
        scale.reshape(-1)[part] = uniform.scale_for_stretch(draws, of_draws, lowest.flat[part] - draws.slack_length)
    locked = ~(scale > 0)
    if locked.any():
        count = f"{locked.sum()} of {scale.size} draws"
        raise ValueError(f"curve: locked up or without load before the lowest point in {count}")
    return scale[()]

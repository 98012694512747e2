"""What stretch waves do to lowest points and loads as against the evenly strained cord, and the viscosity behind them.

Loads are compared where both cords come equally low, because that is where the drops anchor the even one (`anchor`):
the even cord is given the stiffness with which it reaches the lowest point of the cord with waves.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from scipy.interpolate import PchipInterpolator

from cordlab.batch.anchor import Evidence, EvidenceError, SetUp, Shapes, WaveEffect, log_excess, log_scales
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop, scale_for_lowest_point
from cordlab.mechanics.setup import GRAVITY, DropSetup
from cordlab.mechanics.waves import ELEMENTS, Swing, swing
from cordlab.units import Measured

UNKNOWN = (0.0, 20.0)  # viscosities that are allowed for where neither the campaign nor a record says [N·s]
TIMES = ("time", "lower_load_time", "tie_load_time")
SEARCHED = np.array([0.0, 1.0, 2.0, 4.0, 7.0, 12.0, 20.0, 40.0])  # that records are compared with [N·s]


@dataclass(frozen=True)
class Viscosity:
    """Of the batch's cords [N·s]; `how` we know it: "given", "measured" from peaks, or "unknown" (the worst counts)."""

    value: float
    u: float
    how: str

    @classmethod
    def given(cls, viscosity: Measured) -> "Viscosity":
        return cls(viscosity.value, viscosity.u, "given")

    @classmethod
    def unknown(cls) -> "Viscosity":
        return cls(UNKNOWN[0], 0.0, "unknown")

    def __str__(self) -> str:
        if self.how == "unknown":
            return f"not known: the worst of {UNKNOWN[0]:g} to {UNKNOWN[1]:g} N·s counts"
        source = "given in [cord]" if self.how == "given" else "measured from the peaks in the records"
        return f"{self.value:.1f} ± {self.u:.1f} N·s, {source}"


class Excess(NamedTuple):
    """Of an even cord that comes as low as the one with waves: ln of its stiffness over that of the curve, ln of the
    peaks with waves over its own at both ends; and the swing.
    """

    stiffness: np.ndarray
    lower: np.ndarray
    tie: np.ndarray
    swing: Swing

    def at(self, k: int) -> "Excess":
        """Number k along the first axis."""
        return Excess(self.stiffness[k], self.lower[k], self.tie[k], Swing(*(value[k] for value in self.swing)))


def wave_excess(
    curve: Curve, *, mass: Any, viscosity: Any, batch: Mapping[str, Any], inputs: Mapping[str, Any],
    elements: int = ELEMENTS,
) -> Excess:  # fmt: skip
    """Excess of stiffness and peaks for arrays that broadcast, the curve's parameters being numbers.

    batch, inputs : keywords of `predict_drop`, of the cord and of the rig or site. Where the cord with waves has no
        lowest point the excess is nan.
    """
    given = {**batch, **inputs, "mass": mass}
    shape = np.broadcast_shapes(*map(np.shape, (viscosity, curve.scale, *given.values())))
    flat: dict[str, Any] = {name: np.broadcast_to(value, shape).ravel() for name, value in given.items()}
    each = replace(curve, scale=np.broadcast_to(curve.scale, shape).ravel())
    eta = np.broadcast_to(viscosity, shape).ravel()
    found = swing(DropSetup(**flat), each, eta, eta.size, elements=elements)
    held = np.isfinite(found.stretch)
    lowest = flat["slack_length"] + np.where(held, found.stretch, 1.0)  # where it is not held, any: it is not used
    scale = scale_for_lowest_point(each, lowest, **flat)
    even = predict_drop(each.scaled(scale), **flat)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratios = scale, found.lower_load / even.tension, found.tie_load / even.tie_load
        stiffness, lower, tie = (np.where(held, np.log(ratio), np.nan).reshape(shape) for ratio in ratios)
    return Excess(stiffness, lower, tie, Swing(*(value.reshape(shape) for value in found)))


def wave_effects(
    curve: Curve,
    *,
    set_ups: Sequence[SetUp],
    batch: Mapping[str, Any],
    masses: Any,
    viscosity: Viscosity,
    stiffness_sd: float,
) -> tuple[WaveEffect, ...]:
    """Waves against even strain at hung `masses` [kg], with what viscosity, stiffness and the grid leave open.

    set_ups : rig, site; batch : slack_length, cord_mass, gravity; stiffness_sd : of ln stiffness between drops.
    Each doubt moves a peak by one standard uncertainty; half the elements, twice as long, stand for the grid, whose
    whole difference counts (a jump is resolved to first order only). Where the viscosity is not known the greatest
    peak over `UNKNOWN` is taken, at each end by itself, and the lowest points' stiffness from the middle of `UNKNOWN`,
    every viscosity in it as likely. Of the stiffness only the viscosity's doubt counts: the cord's own is in the
    scatter of the drops, and the grid moves it by less than 0.001. Raises EvidenceError where a mass finds no lowest
    point.
    """
    masses = np.unique(np.asarray(masses, float))
    named = {name: [where.values()[name] for where in set_ups] for name in SetUp.NAMES}
    inputs = {name: np.reshape(values, (-1, 1, 1)) for name, values in named.items()}
    eta = np.linspace(*UNKNOWN, 5) if viscosity.how == "unknown" else np.array([viscosity.value])
    less, more = max(viscosity.value - viscosity.u, 0.0), viscosity.value + viscosity.u
    columns = np.array([*eta, less, more, viscosity.value, viscosity.value])
    scale = np.exp(stiffness_sd * np.array([*np.zeros(eta.size + 2), 1.0, -1.0]))
    everywhere: dict[str, Any] = {"mass": masses[:, None], "batch": batch, "inputs": inputs}
    fine = wave_excess(curve.scaled(scale), viscosity=columns, **everywhere)
    coarse = wave_excess(curve, viscosity=viscosity.value, elements=ELEMENTS // 2, **everywhere)
    return tuple(_effect(masses, viscosity, fine.at(k), coarse.at(k), eta.size) for k in range(len(set_ups)))


def _effect(masses: np.ndarray, viscosity: Viscosity, fine: Excess, coarse: Excess, n: int) -> WaveEffect:
    """At one place: `fine` (n_mass, n + 4) with n viscosities, one less and one more, then a stiff and a soft cord;
    `coarse` (n_mass, 1).
    """
    centre, known = fine.stiffness[:, n // 2], viscosity.how != "unknown"
    moved = fine.stiffness[:, [n, n + 1] if known else [0, n - 1]]
    moved = np.where(np.isfinite(moved), moved, centre[:, None])
    found = {
        "stiffness": centre,
        "sd_stiffness": (moved[:, 1] - moved[:, 0]) / (2.0 if known else np.sqrt(12.0)),
        "times": np.array([getattr(fine.swing, name)[:, n // 2] for name in TIMES]),
    }
    for end in ("lower", "tie"):
        value = getattr(fine, end)
        worst = value[:, :n].max(axis=1)
        if not np.isfinite(worst).all():
            raise EvidenceError(
                f"with stretch waves the cord finds no lowest point at {masses[~np.isfinite(worst)][0]:g} kg: "
                "the curve locks up before it"
            )
        doubts = [
            _half_range(value[:, n : n + 2], worst) if viscosity.u else 0.0,
            _half_range(value[:, -2:], worst),
            np.nan_to_num(np.abs(getattr(coarse, end)[:, 0] - value[:, 0])),
        ]
        found[end], found[f"sd_{end}"] = worst, np.sqrt(sum(doubt**2 for doubt in doubts))
    return WaveEffect(masses, **found)


def _half_range(pair: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """Half the difference of two columns, or one's distance from the centre where the other was not found."""
    away = np.abs(pair - centre[:, None])
    both = np.isfinite(pair).all(axis=1)
    return np.where(both, np.abs(pair[:, 1] - pair[:, 0]) / 2, np.nanmax(np.nan_to_num(away), axis=1))


def measured_viscosity(
    curve: Curve, evidence: Evidence, *, rig: SetUp, batch: Mapping[str, Any], elements: int = ELEMENTS
) -> Viscosity:
    """The viscosity with which waves explain the peaks in the records, by least squares over the masses.

    A peak's excess over the even cord's at the measured lowest point falls with the viscosity. Errors of the wave's
    course are common to the drops of a mass, so the masses count, not the drops; the calibration of the load and the
    rig are common to all. When the jump arrives at the load cell is a check (`WaveFit.to_dict`) and not weighed in: it
    comes only 2 to 3 ms earlier for each N·s, while a record shows it to some 5 ms and the grid of the chain to 4 ms,
    so it would add 1 to 2 N·s of doubt of its own to the 0.5 N·s of the peaks. Raises EvidenceError without a record.
    """
    kept = evidence.take(np.isfinite(evidence.peak_load))
    if not len(kept):
        raise EvidenceError("no record of the load: the viscosity cannot be measured")
    inputs = rig.values()
    seen = _seen(curve, kept, batch, inputs)
    masses = np.unique(kept.mass)
    table = wave_excess(curve, mass=masses, viscosity=SEARCHED[:, None], batch=batch, inputs=inputs, elements=elements)
    expected = getattr(table, "tie" if evidence.load_cell_at == "top" else "lower")
    fine = np.linspace(SEARCHED[0], SEARCHED[-1], 2001)
    course = PchipInterpolator(SEARCHED, expected)(fine)
    each = (kept.mass[:, None] == masses).astype(float)
    number = each.sum(axis=0)
    mean = seen @ each / number
    best = int(np.argmin(((mean - course) ** 2).sum(axis=1)))
    slope, left = np.gradient(course, fine, axis=0)[best], mean - course[best]
    within = (seen - each @ mean) @ (seen - each @ mean) / max(len(kept) - masses.size, 1)
    scatter = np.maximum(left**2 * masses.size / max(masses.size - 1, 1), within / number)
    heavier = _seen(curve, replace(kept, mass=kept.mass + kept.u_mass), batch, inputs) - seen
    variance = slope**2 @ (scatter + (heavier @ each / number) ** 2)
    variance += (_calibration(kept) * slope.sum()) ** 2
    for name in SetUp.NAMES:
        moved = inputs | {name: inputs[name] + getattr(rig, name).u}
        variance += (slope @ ((_seen(curve, kept, batch, moved) - seen) @ each / number)) ** 2
    return Viscosity(float(fine[best]), float(np.sqrt(variance) / (slope @ slope)), "measured")


def _seen(curve: Curve, evidence: Evidence, batch: Mapping[str, Any], inputs: Mapping[str, Any]) -> np.ndarray:
    """ln of each measured peak over the even cord's at the measured lowest point."""
    shapes = Shapes.of(curve)
    y = log_scales(shapes, evidence, batch, **inputs)
    return log_excess(shapes, evidence, y, batch, None, **inputs)[0]


def _calibration(evidence: Evidence) -> float:
    """Relative standard uncertainty that all peaks have in common."""
    u = evidence.u_peak_load / evidence.peak_load
    return float(np.median(u[np.isfinite(u)])) if np.isfinite(u).any() else 0.0


def mean_cord(evidence: Evidence) -> dict[str, float]:
    """Slack length and cord mass of the batch, cords alike, and gravity: keywords of `predict_drop`."""
    cords = dict(zip(evidence.cord, zip(evidence.slack_length, evidence.cord_mass, strict=True), strict=True))
    length, mass = np.mean(list(cords.values()), axis=0)
    return {"slack_length": float(length), "cord_mass": float(mass), "gravity": GRAVITY}


@dataclass(frozen=True)
class WaveLoads:
    """Waves against even strain over the dropped masses, on the rig and at the site.

    rows : the same cord at the site by both mechanics, a row a dropped hung mass: lowest points [m], g, loads at both
        ends [N], and when the lowest point and the peaks come [s]
    """

    rig: WaveEffect
    site: WaveEffect
    rows: tuple[dict[str, float], ...]

    def loads_only(self) -> "WaveLoads":
        return replace(self, rig=self.rig.loads_only(), site=self.site.loads_only())


def wave_loads(
    curve: Curve,
    evidence: Evidence,
    *,
    rig: SetUp,
    site: SetUp,
    viscosity: Viscosity,
    masses: Any = (),
) -> WaveLoads:
    """What `learn` and `forecast` need to know of waves, from the lightest to the heaviest of the drops of `evidence`
    and of other `masses` dropped [kg].

    Computed at these masses and at 17 between them, since another reflection of the wave takes the lead every few
    kilograms. Raises EvidenceError where one of them has no lowest point.
    """
    batch, tested = mean_cord(evidence), np.union1d(evidence.mass, masses)
    grid = np.union1d(np.linspace(tested[0], tested[-1], 17), tested)
    y = log_scales(Shapes.of(curve), evidence, batch, **rig.values())[0]
    same = evidence.mass[:, None] == evidence.mass
    spread = float(np.std(y - same @ y / same.sum(axis=1)))
    on_rig, at_site = wave_effects(
        curve, set_ups=(rig, site), batch=batch, masses=grid, viscosity=viscosity, stiffness_sd=spread
    )
    return WaveLoads(on_rig, at_site, _both_mechanics(curve, at_site, tested, batch | site.values()))


def _both_mechanics(
    curve: Curve, effect: WaveEffect, masses: np.ndarray, inputs: dict[str, Any]
) -> tuple[dict[str, float], ...]:
    scales = np.exp([np.zeros(masses.size), effect.at(masses, "stiffness")[0]])
    found = predict_drop(curve.scaled(scales), mass=masses, **inputs)
    lower, tie = (np.exp([np.zeros(masses.size), effect.at(masses, end)[0]]) for end in ("lower", "tie"))
    g, load = found.g * lower, found.tension * lower
    pairs = {"lowest_point": found.lowest_point, "g": g, "lower_load": load, "tie_load": found.tie_load * tie}
    columns = {"mass_hung": masses}
    for name, (even, waves) in pairs.items():
        columns |= {f"{name}_even": even, f"{name}_waves": waves}
    columns |= dict(zip(("time_lowest", "time_lower_load", "time_tie_load"), effect.times_at(masses), strict=True))
    return tuple({name: float(value[k]) for name, value in columns.items()} for k in range(masses.size))

"""What stretch waves do to lowest points and loads, as against the uniform cord, on the rig and at the site."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from cordlab.batch.drop_table import (
    Evidence,
    Keywords,
    Place,
    Shapes,
    drop_inputs,
    log_scales,
    mean_cord,
    uncertain_inputs,
)
from cordlab.batch.viscosity import UNKNOWN, Excess, Viscosity, wave_excess
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop
from cordlab.mechanics.waves import ELEMENTS, UNRESOLVED
from cordlab.statistics.groups import EvidenceError

FURTHEST = 3.0  # steps from the estimate over which a peak follows its slope; our choice
TIMES = ("time", "lower_load_time", "tie_load_time")


@dataclass(frozen=True)
class WaveEffect:
    """A cord with stretch waves against a uniformly strained one, as logs on a grid of hung masses [kg].

    stiffness : ln of the scale with which the uniform cord comes as low as the one with waves; sd_stiffness is by how
        much it moves as the viscosity rises by one standard uncertainty, and has a sign: all masses move together
    lower, tie : ln of peak load with waves over that uniform cord's, at the lower end and at the tie point; sd_lower,
        sd_tie : how well they are known
    times : of the lowest point and of the greatest loads at the lower end and at the tie point, from the release;
        another reflection takes the lead where one jumps.  (3, n_mass)  [s]
    worst : whether loads are the greatest over `UNKNOWN`: measured peaks do not lower them
    slopes : "lower" and "tie" → change of ln of that peak as ln stiffness, and as the drag area, rise by a step,
        (2, n_mass): both move the wave, as they move the uniform cord's load.  steps : (2,) [1, m²]
    """

    mass: np.ndarray
    stiffness: np.ndarray
    lower: np.ndarray
    tie: np.ndarray
    sd_stiffness: np.ndarray
    sd_lower: np.ndarray
    sd_tie: np.ndarray
    times: np.ndarray
    worst: bool = False
    slopes: dict[str, np.ndarray] = field(default_factory=dict)
    steps: tuple[float, float] = (1.0, 1.0)

    def moved(
        self, mass: ArrayLike, end: str, stiffer: np.ndarray | float, more_drag: np.ndarray | float = 0.0
    ) -> np.ndarray | float:
        """What ln stiffness and drag area [m²] off their estimates change of ln of a peak; a wave turns back beyond
        `FURTHEST` steps, and no more is said of it."""
        off = (
            np.clip(by / step, -FURTHEST, FURTHEST) for by, step in zip((stiffer, more_drag), self.steps, strict=True)
        )
        slopes = self.slopes.get(end, ())
        return sum((self.between(mass, slope) * by for slope, by in zip(slopes, off, strict=False)), 0.0)

    def at(self, mass: ArrayLike, what: str) -> tuple[np.ndarray, np.ndarray]:
        """ln and its standard uncertainty: "stiffness", "lower" or "tie".  Raises EvidenceError outside the grid."""
        return self.between(mass, getattr(self, what)), self.between(mass, getattr(self, f"sd_{what}"))

    def loads_only(self) -> "WaveEffect":
        """Without the part on lowest points, for a curve fitted to lowest points: it holds that part."""
        return replace(self, stiffness=0 * self.stiffness, sd_stiffness=0 * self.sd_stiffness)

    def between(self, mass: ArrayLike, values: np.ndarray) -> np.ndarray:
        """Of values on the grid, as `times` has them."""
        x = np.asarray(mass, float)
        slack = 1e-9 * self.mass[-1]
        if np.any(x < self.mass[0] - slack) or np.any(x > self.mass[-1] + slack):
            raise EvidenceError(f"stretch waves were computed for {self.mass[0]:g} to {self.mass[-1]:g} kg only")
        return np.interp(x, self.mass, values)


def wave_effects(
    curve: Curve,
    *,
    places: Sequence[Place],
    batch: Keywords,
    masses: ArrayLike,
    viscosity: Viscosity,
    stiffness_sd: float,
    limited: tuple[float, float] = (-np.inf, np.inf),
) -> tuple[WaveEffect, ...]:
    """Waves against uniform strain at hung `masses` [kg], with what viscosity, stiffness and the grid leave open.

    places : rig, site; batch : slack_length, cord_mass, gravity; stiffness_sd : of ln stiffness between drops;
    limited : masses between which limits are asked for.
    Each input moves a peak by one standard uncertainty; half the elements, twice as long, stand for the grid, whose
    whole difference counts (a jump is resolved to first order only), or `Swing.apart` where loads are not surely
    resolved. Where the viscosity is not known the greatest peak over `UNKNOWN` is taken, at each end by itself, and the
    lowest points' stiffness from the middle of `UNKNOWN`, every viscosity in it as likely. Where it is known, what
    stiffness and drag do is in `WaveEffect.slopes` instead, with its sign. Of the stiffness only the
    viscosity's uncertainty counts: the cord's is in the scatter of the drops, and the grid moves it by less than 0.001.
    Raises EvidenceError where a mass has no lowest point, or a limited one loads that differ by more than `UNRESOLVED`.
    """
    masses = np.unique(np.asarray(masses, float))
    columns_of = [drop_inputs(place) for place in places]
    inputs = {name: np.reshape([values[name] for values in columns_of], (-1, 1, 1)) for name in columns_of[0]}
    eta = np.linspace(*UNKNOWN, 5) if viscosity.how == "unknown" else np.array([viscosity.value])
    less, more = max(viscosity.value - viscosity.u, 0.0), viscosity.value + viscosity.u
    columns = np.array([*eta, less, more, *[viscosity.value] * 4])
    scale = np.exp(stiffness_sd * np.array([*np.zeros(eta.size + 2), 1.0, -1.0, 0.0, 0.0]))
    u_drag = np.reshape([uncertain_inputs(place)["drag_area"].u for place in places], (-1, 1, 1))
    drag = np.maximum(inputs["drag_area"] + u_drag * [*np.zeros(eta.size + 4), 1.0, -1.0], 0.0)
    everywhere: Keywords = {"mass": masses[:, None], "batch": batch}
    fine = wave_excess(curve.scaled(scale), viscosity=columns, inputs=inputs | {"drag_area": drag}, **everywhere)
    coarse = wave_excess(curve, viscosity=viscosity.value, inputs=inputs, elements=ELEMENTS // 2, **everywhere)
    within = (masses >= limited[0]) & (masses <= limited[1])
    effects = (_effect(masses, viscosity, fine.at(k), coarse.at(k), eta.size, within) for k in range(len(places)))
    steps = (np.ptp(drag[:, 0, -2:], axis=1) / 2).tolist()
    return tuple(
        replace(effect, steps=(stiffness_sd or 1.0, step or 1.0)) for effect, step in zip(effects, steps, strict=True)
    )


def _effect(
    masses: np.ndarray, viscosity: Viscosity, fine: Excess, coarse: Excess, n: int, within: np.ndarray
) -> WaveEffect:
    """At one place: `fine` (n_mass, n + 6) with n viscosities, one less and one more, then a stiff and a soft cord,
    and more and less drag; `coarse` (n_mass, 1).
    """
    centre, known = fine.stiffness[:, n // 2], viscosity.how != "unknown"
    moved = fine.stiffness[:, [n, n + 1] if known else [0, n - 1]]
    moved = np.where(np.isfinite(moved), moved, centre[:, None])
    columns = {
        "stiffness": centre,
        "sd_stiffness": (moved[:, 1] - moved[:, 0]) / (2.0 if known else np.sqrt(12.0)),
        "times": np.array([getattr(fine.swing, name)[:, n // 2] for name in TIMES]),
    }
    slopes: dict[str, np.ndarray] = {}
    for end in ("lower", "tie"):
        value = getattr(fine, end)
        worst = value[:, :n].max(axis=1)
        if not np.isfinite(worst).all():
            raise EvidenceError(
                f"with stretch waves the cord finds no lowest point at {masses[~np.isfinite(worst)][0]:g} kg: "
                "the curve locks up before it"
            )
        apart = fine.swing.apart[np.arange(len(masses)), value[:, :n].argmax(axis=1)]
        worst_of = np.where(within, apart, 0.0)
        if (worst_of > UNRESOLVED).any():
            how = f"only to {worst_of.max():.0%}" if np.isfinite(worst_of).all() else "by no grid"
            raise EvidenceError(
                f"with stretch waves g and loads are resolved {how} at {masses[np.argmax(worst_of)]:g} kg hung: little "
                "viscosity smooths the waves, or the load is the greatest in the first instant; measure the viscosity"
            )
        parts = [
            _half_range(value[:, n : n + 2], worst) if viscosity.u else 0.0,
            np.where(known & np.isfinite(value[:, -4:]).all(axis=1), 0.0, _half_range(value[:, -4:-2], worst)),
            np.where(apart > 0, apart, np.nan_to_num(np.abs(getattr(coarse, end)[:, 0] - value[:, 0]))),
        ]
        columns[end], columns[f"sd_{end}"] = worst, np.sqrt(sum(part**2 for part in parts))
        if known:
            slopes[end] = np.nan_to_num(value[:, [-4, -2]] - value[:, [-3, -1]]).T / 2
    return WaveEffect(masses, **columns, worst=not known, slopes=slopes)


def _half_range(pair: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """Half the difference of two columns, or one's distance from the centre where the other has none."""
    away = np.abs(pair - centre[:, None])
    both = np.isfinite(pair).all(axis=1)
    return np.where(both, np.abs(pair[:, 1] - pair[:, 0]) / 2, np.nanmax(np.nan_to_num(away), axis=1))


def stiffened(waves: WaveEffect | None, mass: ArrayLike) -> np.ndarray | float:
    """ln of the stiffness that waves seem to add at hung `mass` [kg]; 0 without waves."""
    return 0.0 if waves is None else waves.at(mass, "stiffness")[0]


@dataclass(frozen=True)
class WaveLoads:
    """Waves against uniform strain over the dropped masses, on the rig and at the site.

    rows : the same cord at the site by both mechanics, a row a dropped hung mass: lowest points [m], g, loads at both
        ends [N], and when the lowest point and the peaks come [s]
    """

    rig: WaveEffect
    site: WaveEffect
    rows: tuple[dict[str, float], ...]

    def loads_only(self) -> "WaveLoads":
        return replace(self, rig=self.rig.loads_only(), site=self.site.loads_only())


def wave_loads(
    curve: Curve, evidence: Evidence, *, rig: Place, site: Place, viscosity: Viscosity, masses: ArrayLike = ()
) -> WaveLoads:
    """Waves for `drop_stiffness` and `forecast_drop`, from the lightest to the heaviest of the drops of `evidence` and
    of other `masses` dropped [kg].

    Computed at these masses and at 17 between them, since another reflection of the wave takes the lead every few
    kilograms. Raises EvidenceError where one of them has no lowest point.
    """
    batch, tested = mean_cord(evidence), np.union1d(evidence.mass, masses)
    grid = np.union1d(np.linspace(tested[0], tested[-1], 17), tested)
    y = log_scales(Shapes.of(curve), evidence, batch, **drop_inputs(rig))[0]
    same = evidence.mass[:, None] == evidence.mass
    spread = float(np.std(y - same @ y / same.sum(axis=1)))
    ends = float(evidence.mass.min()), float(evidence.mass.max())
    on_rig, at_site = wave_effects(
        curve, places=(rig, site), batch=batch, masses=grid, viscosity=viscosity, stiffness_sd=spread, limited=ends
    )
    columns = both_mechanics(curve, at_site, tested, batch | drop_inputs(site))
    rows = [dict(zip(columns, map(float, row), strict=True)) for row in zip(*columns.values(), strict=True)]
    return WaveLoads(on_rig, at_site, tuple(rows))


def both_mechanics(curve: Curve, effect: WaveEffect, masses: np.ndarray, inputs: Keywords) -> dict[str, np.ndarray]:
    """The same cord uniformly strained and with waves at hung `masses` (n,); `curve` is the uniform cord's.

    Lowest points [m], g, loads at both ends [N] and times [s] by name, as in `WaveLoads.rows`.
    """
    none = np.zeros(masses.size)
    drop = predict_drop(curve.scaled(np.exp([none, effect.at(masses, "stiffness")[0]])), mass=masses, **inputs)
    lower, tie = (np.exp([none, effect.at(masses, end)[0]]) for end in ("lower", "tie"))
    pairs = {"lowest_point": drop.lowest_point, "g": drop.g * lower, "lower_load": drop.tension * lower}
    columns = {"mass_hung": masses}
    for name, (uniform, waves) in (pairs | {"tie_load": drop.tie_load * tie}).items():
        columns |= {f"{name}_uniform": uniform, f"{name}_waves": waves}
    names = ("time_lowest", "time_lower_load", "time_tie_load")
    return columns | {name: effect.between(masses, times) for name, times in zip(names, effect.times, strict=True)}

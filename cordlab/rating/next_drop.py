"""What the drops so far leave possible of the next one, for the ladder.

Bayesian, because one drop says nothing of scatter and two masses little of shape. Assumed before any drop:

- the shape is a Mooney–Rivlin curve with any ratio c2/(c1 + c2) between 0 and 1, each as likely: from the neo-Hookean
  curve to one that hardly stiffens at all. One that stiffens more stops the mass higher, which is the safe side;
- scatter of ln stiffness from drop to drop between 0.3 and 4 %, from cord to cord between 0.5 and 8 %, each logarithm
  as likely;
- nothing of the level of stiffness: the first drop gives it. Before it, only a maker's curve can, within 15 %. Nor of
  how cords wear: the level at each retest is given by the drops of that retest alone;
- as in the limits (`GroupLines`), all drops share a slope of ln stiffness on temperature, 0 ± 0.35 %/K, and a bend over
  the masses, 0 ± 10 % at twice their mean: stretch waves and rubbers of another shape were seen to bend by 5 to 17 %.
  The next drop is as cold or as warm as any so far, whichever is worse.

Every drop weighs these by the likelihood of its lowest point; the limit is the posterior predictive quantile of the
next one's. So with many drops the data decide, and with one the assumptions.
"""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import product
from math import inf
from typing import Any

import numpy as np

from cordlab.batch.drop_table import Evidence, Shapes, drop_inputs, log_excess, log_scales, mean_cord, retests
from cordlab.campaign.campaign import MakersCurve
from cordlab.campaign.settings import Rig
from cordlab.curves.fit import fit_curve
from cordlab.curves.models import Curve
from cordlab.limits.tested import UNKNOWN_SLOPE, known_temperatures
from cordlab.mechanics.fall import GRAVITY
from cordlab.mechanics.predict import predict_drop
from cordlab.statistics.groups import GroupLines
from cordlab.statistics.propagation import quantile

# The assumptions; all are our choice.
RATIOS = np.linspace(0.0, 1.0, 21)
DROP_SCATTER = np.geomspace(0.003, 0.04, 7)
CORD_SCATTER = np.geomspace(0.005, 0.08, 7)
UNKNOWN_BEND = 0.1  # of ln stiffness at twice the mean mass: of the shape that no Mooney–Rivlin curve has
MAKERS_MODELS = ("mooney-rivlin", "yeoh", "polynomial", "linear")
MAKERS_CURVE_SCATTER = 0.15  # of ln stiffness: how far a maker's curve may be off
UNSEEN_PEAK_FACTOR = 1.2  # peak load over the uniformly strained cord's where no record shows it: stretch waves

ASSUMED = (
    "assumed: a Mooney–Rivlin shape of any ratio c2/(c1 + c2) from 0 to 1; scatter of ln stiffness 0.3–4 % from drop "
    f"to drop and 0.5–8 % from cord to cord, a slope of 0 ± {100 * UNKNOWN_SLOPE:g} %/K on temperature and a bend over "
    f"the masses of 0 ± {100 * UNKNOWN_BEND:g} % at twice their mean, before the drops are seen"
)
UNSEEN_PEAK = (
    f"no record of the load: peaks taken as {UNSEEN_PEAK_FACTOR:g} times the uniformly strained cord's, assumed"
)


@dataclass(frozen=True)
class NextDrop:
    """Draws of what the drops so far leave possible for a cord: shape and level of its next drop's curve.  (n_draws,)

    curve : at the mean mass of the drops, at each end of their temperatures, (n_ends, n_draws) where they differ
    inputs : keywords of `predict_drop`
    bend, lines : coefficient of the bend over the masses, (n_draws,), and where the masses lie; None: no drop
    peak_factor : peak load over that of the uniformly strained cord
    dropped, by_itself : heaviest mass dropped so far in this state of wear, by any cord and by this one [kg]
    ends_at : stretch ratio up to which the curve is known
    """

    curve: Curve
    inputs: dict[str, Any]
    peak_factor: float
    dropped: float = 0.0
    by_itself: float = 0.0
    ends_at: float = inf
    bend: np.ndarray | float = 0.0
    lines: GroupLines | None = None

    def drop(self, mass: float) -> tuple[np.ndarray, np.ndarray]:
        """Draws of lowest point [m] and peak load [N] at a mass.  (n_ends, n_draws)"""
        bent = 0.0 if self.lines is None else self.bend * self.lines.parabola(mass)
        drop = predict_drop(self.curve.scaled(np.exp(bent)), mass=mass, **self.inputs)
        return np.atleast_2d(drop.lowest_point), np.atleast_2d(drop.tie_load) * self.peak_factor

    def limits(self, mass: float, probability: float) -> tuple[float, ...]:
        """Estimate and limit of the lowest point [m], limit of the load [N], and whether the curve ends before."""
        lowest, load = map(np.sort, self.drop(mass))
        asked = (lowest, 0.5), (lowest, probability), (load, probability)
        estimate, limit, load_limit = (float(quantile(ranked, share, "upper").max()) for ranked, share in asked)
        return estimate, limit, load_limit, float(limit > self.ends_at * self.inputs["slack_length"])


def before_any_drop(
    curve: Curve | MakersCurve | None,
    rig: Rig,
    *,
    slack_length: float | None,
    cord_mass: float | None,
    draws: int,
    seed: int,
) -> tuple[NextDrop, list[str]]:
    """What the maker's curve lets expect of the first drop, and in words how little that is."""
    if curve is None or slack_length is None or cord_mass is None:
        raise ValueError(
            "no drop so far: a first mass needs the maker's curve (maker_curve.csv), the slack length and the cord "
            "mass, all assumed"
        )
    end, text = inf, ""
    if isinstance(curve, MakersCurve):  # a rising curve near its points, of the models the nearest
        end, fits = float(curve.stretch_ratio[-1]), []
        for name in MAKERS_MODELS:
            with suppress(ValueError):  # too few points for this one
                fits.append(fit_curve(curve.stretch_ratio, curve.force, model=name))
        rising = [fit for fit in fits if fit.curve.rises_to(end) == end]
        if not rising:
            raise ValueError("maker_curve.csv: no curve that rises goes near its points; look for a slip in it")
        best = min(rising, key=lambda fit: fit.residual_sd)
        near = f"{best.model.name} goes through its points within {best.residual_sd:.2g} N"
        curve, text = best.curve, f"; {near}, to a stretch ratio of {end:.3g}"
    off = np.random.default_rng(seed).normal(0.0, MAKERS_CURVE_SCATTER, draws)
    curve = replace(curve, scale=np.asarray(curve.scale) * np.exp(off))
    inputs = {"slack_length": slack_length, "cord_mass": cord_mass, "gravity": GRAVITY}
    reasons = [
        f"no drop yet: the maker's curve is assumed, standard deviation {100 * MAKERS_CURVE_SCATTER:g} %{text}",
        "caution: nothing of this cord was measured; begin with the lightest mass, and ask again after each drop",
        UNSEEN_PEAK,
    ]
    return NextDrop(curve, inputs | drop_inputs(rig), UNSEEN_PEAK_FACTOR, ends_at=end), reasons


def after_drops(drops: Evidence, cords: Mapping[str, int], rig: Rig, *, draws: int, seed: int) -> list[NextDrop | None]:
    """Posterior draws of shape and level, on a grid of the assumptions; Gaussian at each grid point.

    At each retest a cord has its own difference from the level there. One that was not dropped at its present count is
    any cord of that retest; None where no cord was dropped there.
    """
    inputs, batch, rng = drop_inputs(rig), mean_cord(drops), np.random.default_rng(seed)
    state = retests(np.append(drops.jumps, list(cords.values())))
    state, states_next = state[: len(drops)], state[len(drops) :]
    temperature, levels = known_temperatures(drops), np.unique(state)
    member, member_next = np.searchsorted(levels, state), np.searchsorted(levels, states_next)
    lines = GroupLines(drops.mass, drops.mass, member, tuple(levels), "flat", curved=True, cause=temperature)
    design = lines.design(drops.mass, member, temperature)
    # the next drop at the mean mass and temperature; what other ones do to it comes after
    design_next = lines.design(*np.broadcast_arrays(drops.mass.mean(), member_next, temperature.mean()))
    before = np.zeros(design.shape[1])  # of what was known before the drops, its inverse variance: nothing of levels
    before[-2:] = 1 / UNKNOWN_SLOPE**2, (lines.parabola(2 * drops.mass.mean()) / UNKNOWN_BEND) ** 2
    names = np.array(drops.cord)
    same_cord = ((names[:, None] == names) & (state[:, None] == state)).astype(float)
    is_next = ((names == np.array(list(cords))[:, None]) & (state == states_next[:, None])).astype(float)
    shapes = Shapes.of(Curve("mooney-rivlin", {"c1": 1.0 - RATIOS, "c2": RATIOS}))
    log_scale = log_scales(shapes, drops, batch, **inputs)
    step = 1e-3 * drops.lowest_point
    lower = replace(drops, lowest_point=drops.lowest_point + step)
    slope = (log_scales(shapes, lower, batch, **inputs) - log_scale) / step
    reading = (slope * drops.u_lowest_point) ** 2
    ratio, points = np.repeat(np.arange(RATIOS.size), DROP_SCATTER.size * CORD_SCATTER.size), []
    for y, of_reading in zip(log_scale, reading, strict=True):
        for sd_drop, sd_cord in product(DROP_SCATTER, CORD_SCATTER):
            inverse = np.linalg.inv(np.diag(sd_drop**2 + of_reading) + sd_cord**2 * same_cord)
            gain, alone = sd_cord**2 * is_next @ inverse, sd_cord**2 + sd_drop**2
            sd = np.sqrt(alone - sd_cord**2 * np.einsum("ij,ij->i", gain, is_next))
            law = _unknowns(y, inverse, design, before)
            points.append((*law, design_next - gain @ design, gain @ y, sd))
    likelihoods, centres, spreads, counts, offsets, sds = map(np.array, zip(*points, strict=True))
    likelihoods += np.log(np.abs(slope)).sum(axis=1)[ratio]  # what was measured is the lowest point, not ln s
    weights = np.exp(likelihoods - likelihoods.max())
    pick = rng.choice(weights.size, draws, p=weights / weights.sum())
    normal = rng.standard_normal((draws, before.size))
    unknowns = centres[pick] + np.einsum("dij,dj->di", spreads[pick], normal)
    drawn = np.einsum("dki,di->kd", counts[pick], unknowns) + offsets[pick].T
    drawn += sds[pick].T * rng.standard_normal(draws)
    warmth = np.unique([temperature.min(), temperature.max()]) - temperature.mean()
    warmer, bend = np.outer(warmth, unknowns[:, -2]), unknowns[:, -1]
    shape, peaks = ratio[pick], _peak_factor(drops, inputs)
    nexts: list[NextDrop | None] = []
    for k, log_level in enumerate(drawn):
        here = state == states_next[k]
        heaviest = [float(drops.mass[which].max(initial=0.0)) for which in (here, is_next[k] > 0)]
        by_itself = heaviest[1] if list(cords)[k] else heaviest[0]
        curve = shapes.take(shape, np.exp(log_level + warmer))
        known = NextDrop(curve, batch | inputs, peaks, heaviest[0], by_itself, bend=bend, lines=lines)
        nexts.append(known if here.any() else None)
    return nexts


def _unknowns(
    log_scale: np.ndarray, inverse: np.ndarray, design: np.ndarray, before: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """By generalised least squares of the drops' ln s: how likely they are, in logs, and the normal law of the unknowns
    (levels, slope, bend), its centre and the Cholesky factor of its covariance. `inverse` of the drops' covariance;
    `before` the drops are seen, the inverse variance of each unknown."""
    precision = design.T @ inverse @ design + np.diag(before)
    centre = np.linalg.solve(precision, design.T @ inverse @ log_scale)
    residual = log_scale - design @ centre
    logs = np.linalg.slogdet(precision)[1] - np.linalg.slogdet(inverse)[1]
    off = residual @ inverse @ residual + before @ centre**2
    return -0.5 * (off + logs), centre, np.linalg.cholesky(np.linalg.inv(precision))


def _peak_factor(drops: Evidence, inputs: dict[str, Any]) -> float:
    """Greatest measured peak over the uniformly strained cord's, at least 1; the assumed one without any record."""
    recorded = drops.take(np.isfinite(drops.peak_load))
    if not len(recorded):
        return UNSEEN_PEAK_FACTOR
    cord = {"slack_length": recorded.slack_length, "cord_mass": recorded.cord_mass, "gravity": GRAVITY}
    shape = Shapes.of(Curve("mooney-rivlin", {"c1": 0.8, "c2": 0.2}))
    log_scale = log_scales(shape, recorded, cord, **inputs)
    return max(1.0, float(np.exp(log_excess(shape, recorded, log_scale, cord, **inputs).max())))

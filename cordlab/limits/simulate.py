"""The next drop by Monte Carlo (JCGM 101): draws common to all masses, in batches until the limits are steady."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import ceil
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from cordlab.batch.drop_table import DROP_INPUTS, Keywords, uncertain_inputs
from cordlab.limits.anchoring import VISCOSITY, DropStiffness
from cordlab.limits.forecast import Forecast, spread_of
from cordlab.limits.wave_effects import WaveEffect, stiffened
from cordlab.mechanics.predict import predict_drop
from cordlab.quantities import DRAWN, QUANTITIES
from cordlab.statistics.groups import EvidenceError, NextValue, Pivots
from cordlab.statistics.limits import prediction_assurance
from cordlab.statistics.propagation import adaptive, quantile
from cordlab.units import Measured, Rectangular

if TYPE_CHECKING:
    from cordlab.campaign.settings import Site

BATCH_SIZE = 10_000  # JCGM 101 7.9.4 b
MOST_DRAWS = 200_000
STEADY = 0.08
"""Draws are enough when twice the standard error of every limit is within this many standard deviations of its quantity
(JCGM 101 7.9.2 with one significant digit asks for 0.05 to 0.5 of it)."""

SIGNED = ("release_depth", "tie_height", "reach")  # inputs of a site that a normal law may take below zero
LENGTH = "slack length of the next cord"

Numbers = np.ndarray | float


def draw_input(quantity: Measured, rng: np.random.Generator, size: int, *, positive: bool) -> np.ndarray:
    """Draws of an input: normal, or for what cannot be negative a gamma law of the same mean and sd.

    A rectangular input keeps its law; what of it would be negative and cannot be counts with the other sign.
    """
    if quantity.u == 0:
        return np.full(size, quantity.value)
    if not positive:
        return quantity.draw(rng, size)
    if isinstance(quantity, Rectangular):
        return np.abs(quantity.draw(rng, size))
    if quantity.value <= 0:  # a zero with an uncertainty, as of a compliance that may as well be nothing
        return np.abs(rng.normal(0.0, quantity.u, size))
    shape = (quantity.value / quantity.u) ** 2
    return rng.gamma(shape, quantity.value / shape, size)


def site_inputs(site: "Site") -> dict[str, Measured]:
    """What a drop at the site meets: the inputs of `predict_drop`, tie height, reach below the attachment and gear."""
    there = {"tie_height": site.tie_height, "reach": site.reach_below_attachment, "gear": site.gear_mass}
    return uncertain_inputs(site) | there


@dataclass(frozen=True)
class Run:
    """One forecast in the making: levels of ln s and of the peaks' excess at each mass, for each shape of the curve.

    shift, excess_shift : what each shared input does to mean ln s and mean excess, (n_mass, n_shared)
    """

    stiffness: DropStiffness
    site: "Site"
    masses: np.ndarray
    hung: np.ndarray
    cord: str | None
    waves: WaveEffect | None
    levels: tuple[NextValue, ...]
    excess_levels: tuple[NextValue, ...] | None
    shift: np.ndarray
    excess_shift: np.ndarray | None

    @classmethod
    def behind(cls, forecast: Forecast) -> "Run":
        """The run that a forecast was drawn by."""
        return cls.of(
            forecast.stiffness, site=forecast.site, masses=forecast.masses, cord=forecast.cord, waves=forecast.waves
        )

    @classmethod
    def of(
        cls, stiffness: DropStiffness, *, site: "Site", masses: ArrayLike, cord: str | None, waves: WaveEffect | None
    ) -> "Run":
        if (waves is None) != (stiffness.waves is None):
            raise EvidenceError("the effect of stretch waves is needed for the rig and for the site, or for neither")
        masses = np.atleast_1d(np.asarray(masses, float))
        hung = masses + site.gear_mass.value
        low, high = stiffness.tested
        slack = 1e-6 * high
        if hung.min() < low - slack or hung.max() > high + slack:
            raise EvidenceError(
                f"masses hung of {hung.min():g} to {hung.max():g} kg (rider and gear), but {low:g} to {high:g} kg were "
                f"tested: nothing is said outside"
            )
        lines = [stiffness.lines(j) for j in range(len(stiffness.shapes))]
        levels = tuple(line.another_group(hung) if cord is None else line.this_group(cord, hung) for line in lines)
        shift = _shift(lines[0].mean_weights(hung, cord), [shared.effect for shared in stiffness.shared])
        for i, shared in enumerate(stiffness.shared):
            if waves is not None and shared.name == VISCOSITY:
                shift[:, i] += waves.at(hung, "stiffness")[1]
        excess_levels, excess_shift = None, None
        if stiffness.excess is not None:
            # the excess of a peak over the curve's is the batch's: also for this cord
            excess_lines = stiffness.excess_lines()
            alone = cord is not None and excess_lines[0].n_groups == 1
            excess_levels = tuple(
                line.this_group(cord, hung) if alone else line.another_group(hung) for line in excess_lines
            )
            effects_on_peaks = [shared.peak_effect for shared in stiffness.shared]
            excess_shift = _shift(excess_lines[0].mean_weights(hung), effects_on_peaks)
        return cls(stiffness, site, masses, hung, cord, waves, levels, excess_levels, shift, excess_shift)

    @property
    def length(self) -> tuple[float, float, float]:
        """Slack length of the cord to come: mean, scale of its t law, degrees of freedom.  [m]"""
        drops = self.stiffness.drops
        lengths = dict(zip(drops.cord, drops.slack_length.tolist(), strict=True))
        if self.cord is not None:
            return lengths[self.cord], float(drops.u_slack_length[drops.cord.index(self.cord)]), np.inf
        values = np.array(list(lengths.values()))
        n = values.size
        return float(values.mean()), float(values.std(ddof=1) * np.sqrt(1 + 1 / n)), n - 1

    @property
    def typical(self) -> dict[str, float]:
        """The estimates of `site_inputs`, and the mean slack length as "length" [m]."""
        return {name: measured.value for name, measured in site_inputs(self.site).items()} | {"length": self.length[0]}

    def drop(
        self,
        at: int | np.ndarray,
        family: int,
        shape: np.ndarray,
        y: np.ndarray,
        there: Mapping[str, Numbers],
        measured: Numbers = 0.0,
        standard: Numbers = 0.0,
    ) -> dict[str, np.ndarray]:
        """Every quantity of `DRAWN`: uniform cords that come as low as those with waves.  (..., n)

        at : number of the mass, or (n_mass, 1);  family, shape : which shapes, and which of them, (n,)
        y : ln s beyond what waves explain, (..., n);  there : what the drop meets, as in `typical`
        measured : ln of the measured peak over the curve's, beyond what waves explain. Without waves it only raises a
            load: it was seen at one end, and the other end may have more.
        standard : how far the waves' loads are off, in standard uncertainties
        """
        # from two cords the t law draws any stiffness at all: beyond e±50 times the batch's none matters any more
        scale = np.exp(np.clip(y + stiffened(self.waves, self.hung[at]), -50.0, 50.0))
        curves = self.stiffness.shapes[family].take(shape, scale)
        inputs: Keywords = self.stiffness.batch | {name: there[name] for name in DROP_INPUTS}
        uniform = predict_drop(curves, mass=self.masses[at] + there["gear"], **inputs)
        lower = tie = np.maximum(measured, 0.0)
        if self.waves is not None:
            ratios = [self.waves.at(self.hung[at], end) for end in ("lower", "tie")]
            lower, tie = (ratio + standard * sd + measured for ratio, sd in ratios)
        with np.errstate(over="ignore"):  # from two cords: a load beyond all numbers is infinite, and kept
            lower_factor, tie_factor = np.exp(lower), np.exp(tie)
        return {
            "lowest_point": uniform.lowest_point,
            "clearance": there["tie_height"] - uniform.lowest_point - there["reach"],
            "g": uniform.g * lower_factor,
            "peak_load": uniform.tie_load * tie_factor,
            "stretch_ratio": uniform.lowest_point / there["length"],
        }

    def estimates(self, family: int = 0) -> dict[str, np.ndarray]:
        """Every quantity with every input at its estimate, at each mass and by each shape of a family.

        (n_mass, count)
        """
        shape = np.arange(self.stiffness.shapes[family].count)
        measured = 0.0 if self.excess_levels is None else self.excess_levels[family].mean.T
        return self.drop(self._every_mass, family, shape, self.levels[family].mean.T, self.typical, measured)

    @cached_property
    def effects(self) -> tuple[dict[str, np.ndarray], dict[str, dict[str, np.ndarray]]]:
        """First-order effects on each quantity of `DRAWN`, on ln of it for loads and g; arrays (n_mass,).

        Returns its slope in ln s, and input → quantity → its change as that input of the site rises by a standard
        uncertainty.
        """
        inputs = site_inputs(self.site) | {"length": Measured(*self.length[:2])}
        uncertain = [name for name, measured in inputs.items() if measured.u > 0]
        step, n = 0.01, 3 + len(uncertain)  # as it is, stiffer, softer, then one input moved at a time
        there = {name: np.full(n, measured.value) for name, measured in inputs.items()}
        for i, name in enumerate(uncertain, 3):
            there[name][i] += inputs[name].u
        y = self.levels[0].mean[0][:, None] + step * np.array([0.0, 1.0, -1.0, *np.zeros(len(uncertain))])
        values = self.drop(self._every_mass, 0, np.zeros(n, int), y, there)
        values = {name: np.log(x) if QUANTITIES[name].load else x for name, x in values.items()}
        slope = {quantity: (x[:, 1] - x[:, 2]) / (2 * step) for quantity, x in values.items()}
        moved = {}
        for i, name in enumerate(uncertain, 3):
            label = LENGTH if name == "length" else f"site {name.replace('_', ' ')}"
            moved[label] = {quantity: x[:, i] - x[:, 0] for quantity, x in values.items()}
        return slope, moved

    @property
    def _every_mass(self) -> np.ndarray:
        return np.arange(self.masses.size)[:, None]

    def split(self, n: int) -> list[tuple[int, slice]]:
        """Which draws go to which family of shapes: in proportion to its number of shapes."""
        counts = np.array([shape.count for shape in self.stiffness.shapes], float)
        if counts.size > 1:
            counts[0] = 0.0 if counts[0] == 1 else counts[0]  # the central curve itself is not one of the drawn shapes
        ends = np.rint(np.cumsum(counts) / counts.sum() * n).astype(int)
        starts = np.concatenate([[0], ends[:-1]])
        return [(j, slice(a, b)) for j, (a, b) in enumerate(zip(starts, ends, strict=True)) if b > a]

    def batch(self, rng: np.random.Generator, n: int, content: float | None) -> np.ndarray:
        """One batch of draws (n_quantities, n_mass, n); twice the rows with values that hold the share `content`."""
        there = {
            name: draw_input(measured, rng, n, positive=name not in SIGNED)
            for name, measured in site_inputs(self.site).items()
        }
        shared = np.empty((len(self.stiffness.shared), n))
        for i, one in enumerate(self.stiffness.shared):
            shared[i] = draw_input(one.measured, rng, n, positive=one.positive) - one.measured.value
        pivots = Pivots.draw(rng, n, self.levels[0])
        peaks = Pivots.draw(rng, n, self.excess_levels[0]) if self.excess_levels else None
        mean, scale, dof = self.length
        away = np.zeros(n)
        if scale > 0:
            away = rng.standard_normal(n) if np.isinf(dof) else rng.standard_t(dof, n)
        there["length"] = mean + scale * away
        standard = rng.standard_normal(n)
        out = np.empty((len(DRAWN) * (1 if content is None else 2), self.masses.size, n))
        for j, part in self.split(n):
            draws = _Draws(
                family=j,
                shape=rng.integers(0, self.stiffness.shapes[j].count, part.stop - part.start),
                there={name: values[part] for name, values in there.items()},
                pivots=Pivots(*(values[part] for values in pivots)),
                peaks=None if peaks is None else Pivots(*(values[part] for values in peaks)),
                shared=shared[:, part],
                standard=standard[part],
            )
            for k in range(self.masses.size):
                out[: len(DRAWN), k, part] = self._next_drop(draws, k)
                if content is not None:
                    out[len(DRAWN) :, k, part] = self._content(draws, k, content)
        return out

    def _next_drop(self, draws: "_Draws", k: int) -> list[np.ndarray]:
        """Each quantity of the next drop at mass number k."""
        level = self.levels[draws.family].at(k, draws.shape)
        y = draws.pivots.next_value(level) + self.shift[k] @ draws.shared
        measured = np.zeros(y.size)
        if self.excess_levels is not None and self.excess_shift is not None and draws.peaks is not None:
            measured = draws.peaks.next_value(self.excess_levels[draws.family].at(k, draws.shape))
            measured = measured + self.excess_shift[k] @ draws.shared
        drop = self.drop(k, draws.family, draws.shape, y, draws.there, measured, draws.standard)
        return [drop[name] for name in DRAWN]

    def _content(self, draws: "_Draws", k: int, share: float) -> list[np.ndarray]:
        """Value of each quantity that the share of next drops stays within, with mean and scatter drawn.

        What varies from drop to drop besides ln s (site inputs, the peaks' scatter) is carried as the scatter of ln s
        that would move the quantity as much: first order in the small ones, exact in ln s.
        """
        mean, sd = draws.pivots.mean_and_sd(self.levels[draws.family].at(k, draws.shape))
        mean = mean + self.shift[k] @ draws.shared
        excess, excess_sd = np.zeros(mean.size), np.zeros(mean.size)
        if self.excess_levels is not None and self.excess_shift is not None and draws.peaks is not None:
            excess, excess_sd = draws.peaks.mean_and_sd(self.excess_levels[draws.family].at(k, draws.shape))
            excess = excess + self.excess_shift[k] @ draws.shared
        there, values, z = self.typical, [], float(ndtri(share))
        slope, moved = self.effects
        for name in DRAWN:
            load = QUANTITIES[name].load
            soft = -1.0 if load else 1.0  # a stiff cord is dangerous for loads, a soft one for all else
            others = sum(change[name][k] ** 2 for change in moved.values()) + (excess_sd**2 if load else 0.0)
            y = mean - soft * z * np.sqrt(sd**2 + others / slope[name][k] ** 2)
            drop = self.drop(k, draws.family, draws.shape, y, there, excess, draws.standard)
            values.append(drop[name])
        return values

    def simulate(self, *, limit: str, probability: float, confidence: float, seed: int, draws: int | None) -> Forecast:
        if limit not in ("prediction", "tolerance"):
            raise ValueError(f"limit is 'prediction' or 'tolerance', not {limit!r}")
        content = probability if limit == "tolerance" else None
        share = probability if content is None else confidence
        rows = slice(0, len(DRAWN)) if content is None else slice(len(DRAWN), None)
        sides = [(QUANTITIES[name].tail(share), QUANTITIES[name].danger) for name in DRAWN]

        def limits_of(batch: np.ndarray) -> np.ndarray:
            return np.ravel([quantile(x, *side) for x, side in zip(batch[rows], sides, strict=True)])

        def fine_enough(batch: np.ndarray) -> np.ndarray:
            low, high = np.quantile(batch[rows], [0.16, 0.84], axis=-1, method="lower")
            return STEADY * np.ravel(high - low) / 2

        batches, steady = adaptive(
            lambda rng, n: np.sort(self.batch(rng, n, content), axis=-1),
            limits_of,
            tolerance=fine_enough,
            seed=seed,
            size=draws or max(ceil(100 / (1 - share)), BATCH_SIZE),
            most=draws or MOST_DRAWS,
        )
        values = np.sort(np.concatenate(batches, axis=-1), axis=-1, kind="stable")  # runs in order are merged
        notes = list(self.stiffness.notes)
        if not steady and draws is None:
            notes.append(
                f"limits were not steady to {STEADY:g} of a standard uncertainty after {values.shape[-1]} draws: few "
                "cords leave a long tail, and another seed moves the limits by more than that"
            )
        n_cords = len(set(self.stiffness.drops.cord))
        if content is None and self.cord is None:
            notes.append(_on_average(n_cords, probability))
        drawn = dict(zip(DRAWN, values, strict=False))
        return Forecast(
            masses=self.masses,
            hung=self.hung,
            site=self.site,
            limit_kind=limit,
            probability=probability,
            confidence=confidence,
            cord=self.cord,
            estimates={name: values[:, 0] for name, values in self.estimates().items()},
            draws=drawn,
            content=None if content is None else dict(zip(DRAWN, values[rows], strict=True)),
            u={name: spread_of(x) for name, x in drawn.items()},
            dof=self.levels[0].effective_dof[0],
            n_cords=n_cords,
            stiffness=self.stiffness,
            level=self.levels[0],
            waves=self.waves,
            seed=seed,
            notes=tuple(notes),
        )


class _Draws(NamedTuple):
    """Draws that share a family of shapes, ready to be carried to any mass; arrays (n,), `shared` (n_shared, n)."""

    family: int
    shape: np.ndarray
    there: dict[str, np.ndarray]
    pivots: Pivots
    peaks: Pivots | None
    shared: np.ndarray
    standard: np.ndarray


def forecast_drop(
    stiffness: DropStiffness,
    *,
    site: "Site",
    masses: ArrayLike,
    limit: str = "prediction",
    probability: float = 0.99,
    confidence: float = 0.95,
    cord: str | None = None,
    waves: WaveEffect | None = None,
    seed: int = 0,
    draws: int | None = None,
) -> Forecast:
    """Draws of the next drop at `site` (a campaign's `[site]`) for rider masses (n_mass,) [kg].

    cord : a tested cord by name, or None for another cord of the batch. waves : at the site, where the drops' stiffness
        had them for the rig. draws : a fixed number; by default as many as JCGM 101 7.9 asks for. Raises EvidenceError
        where the drops cannot carry it (one cord, no repeated drops).
    """
    return Run.of(stiffness, site=site, masses=masses, cord=cord, waves=waves).simulate(
        limit=limit, probability=probability, confidence=confidence, seed=seed, draws=draws
    )


def _shift(weights: np.ndarray, effects: list[np.ndarray]) -> np.ndarray:
    """What inputs do to a mean, from what they do to each drop and what the drops count.  (n_mass, n_inputs)"""
    return np.array([weights @ effect for effect in effects]).reshape(len(effects), len(weights)).T


def _on_average(n_cords: int, probability: float) -> str:
    often = 100 * prediction_assurance(n_cords, probability)
    return (
        f"A {100 * probability:g} % prediction limit holds that share of next drops on average over campaigns; in a "
        f"single one it may be less: with {n_cords} cords even an exact limit holds as many in about {often:.0f} % "
        'of campaigns. Assurance for this one takes a tolerance limit ([decision] limit = "tolerance").'
    )

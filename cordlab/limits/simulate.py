"""The next drop by Monte Carlo (JCGM 101): draws common to all masses, in batches until the limits are steady."""

from dataclasses import dataclass, fields, replace
from math import ceil
from typing import Any

import numpy as np
from scipy.special import ndtri

from cordlab.batch.drop_table import EvidenceError, SetUp
from cordlab.limits.anchoring import VISCOSITY, DropStiffness
from cordlab.limits.forecast import Forecast, spread_of
from cordlab.limits.wave_effects import WaveEffect, stiffened
from cordlab.mechanics.predict import Prediction, predict_drop
from cordlab.quantities import DRAWN, QUANTITIES
from cordlab.statistics.groups import NextValue, Pivots
from cordlab.statistics.limits import prediction_assurance
from cordlab.statistics.propagation import adaptive, quantile
from cordlab.units import Measured

BATCH_SIZE = 10_000  # JCGM 101 7.9.4 b
MOST_DRAWS = 200_000
STEADY = 0.08
"""Draws are enough when twice the standard error of every limit is within this many standard deviations of its quantity
(JCGM 101 7.9.2 with one significant digit asks for 0.05 to 0.5 of it)."""


def draw_input(quantity: Measured, rng: np.random.Generator, size: int, *, positive: bool) -> np.ndarray:
    """Draws of an input: normal, or for what cannot be negative a gamma law of the same mean and sd."""
    if quantity.u == 0:
        return np.full(size, quantity.value)
    if not positive:
        return quantity.draw(rng, size)
    if quantity.value <= 0:  # a zero with an uncertainty, as of a compliance that may as well be nothing
        return np.abs(rng.normal(0.0, quantity.u, size))
    shape = (quantity.value / quantity.u) ** 2
    return rng.gamma(shape, quantity.value / shape, size)


@dataclass(frozen=True)
class Site:
    """Draws (n_draws,) of what a drop at the site meets, gear included; or its estimates, as numbers."""

    inputs: dict[str, Any]
    tie_height: Any
    reach: Any
    gear: Any

    @classmethod
    def estimates(cls, site: Any) -> "Site":
        return cls(
            SetUp.of(site).values(), site.tie_height.value, site.reach_below_attachment.value, site.gear_mass.value
        )

    @classmethod
    def draw(cls, site: Any, rng: np.random.Generator, n: int) -> "Site":
        set_up = SetUp.of(site)
        return cls(
            {name: draw_input(getattr(set_up, name), rng, n, positive=name != "release_depth") for name in SetUp.NAMES},
            draw_input(site.tie_height, rng, n, positive=False),
            draw_input(site.reach_below_attachment, rng, n, positive=False),
            draw_input(site.gear_mass, rng, n, positive=True),
        )


@dataclass(frozen=True)
class Run:
    """One forecast in the making: levels of ln s and of the peaks' excess at each mass, for each shape of the curve."""

    stiffness: DropStiffness
    site: Any
    masses: np.ndarray
    hung: np.ndarray
    cord: str | None
    waves: WaveEffect | None
    levels: tuple[NextValue, ...]
    excess_levels: tuple[NextValue, ...] | None
    shift: np.ndarray  # what each shared input does to mean ln s, (n_mass, n_shared)
    excess_shift: np.ndarray | None

    @classmethod
    def behind(cls, forecast: Forecast) -> "Run":
        """The run that a forecast was drawn by."""
        return cls.of(
            forecast.stiffness, site=forecast.site, masses=forecast.masses, cord=forecast.cord, waves=forecast.waves
        )

    @classmethod
    def of(
        cls, stiffness: DropStiffness, *, site: Any, masses: Any, cord: str | None, waves: WaveEffect | None
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
        shift = lines[0].mean_weights(hung, cord) @ stiffness.slope.T
        if waves is not None and VISCOSITY in stiffness.shared:
            shift[:, list(stiffness.shared).index(VISCOSITY)] += waves.at(hung, "stiffness")[1]
        excess_levels, excess_shift = None, None
        if stiffness.excess_slope is not None:
            # the excess of a peak over the curve's is the batch's: also for this cord
            excess_lines = stiffness.excess_lines()
            excess_levels = tuple(line.another_group(hung) for line in excess_lines)
            excess_shift = excess_lines[0].mean_weights(hung) @ stiffness.excess_slope.T
        return cls(stiffness, site, masses, hung, cord, waves, levels, excess_levels, shift, excess_shift)

    @property
    def length(self) -> tuple[float, float, float]:
        """Slack length of the cord to come: mean, scale of its t law, degrees of freedom.  [m]"""
        evidence = self.stiffness.drops
        names = dict(zip(evidence.cord, evidence.slack_length, strict=True))
        if self.cord is not None:
            return names[self.cord], 0.0, np.inf
        lengths = np.array(list(names.values()))
        n = lengths.size
        return float(lengths.mean()), float(lengths.std(ddof=1) * np.sqrt(1 + 1 / n)), n - 1

    def quantities(self, predicted: Prediction, site: Site, length: Any, excess: tuple[Any, Any]) -> dict[str, Any]:
        """Quantities of `DRAWN` from the uniform cord's prediction and ln(peak over uniform peak) at both ends."""
        lowest = predicted.lowest_point
        return {
            "lowest_point": lowest,
            "clearance": site.tie_height - lowest - site.reach,
            "g": predicted.g * np.exp(excess[0]),
            "peak_load": predicted.tie_load * np.exp(excess[1]),
            "stretch_ratio": lowest / length,
        }

    def excess_at(self, k: int, measured: Any, standard: Any = 0.0) -> tuple[Any, Any]:
        """ln(peak/uniform peak) at the lower end and the tie point: the waves' and what was measured beyond them.

        Without waves the measured excess only raises a load: it was seen at one end, and the other end may have more.
        """
        if self.waves is None:
            raised = np.maximum(measured, 0.0)
            return raised, raised
        lower, tie = (self.waves.at(self.hung[k], end) for end in ("lower", "tie"))
        return lower[0] + standard * lower[1] + measured, tie[0] + standard * tie[1] + measured

    def predict(self, j: int, index: np.ndarray, y: np.ndarray, k: int, site: Site) -> Prediction:
        """Drops of uniform cords that come as low as those with waves, ln s = y (n,) beyond what waves explain."""
        # from two cords the t law draws any stiffness at all: beyond e±50 times the batch's none matters any more
        scale = np.exp(np.clip(y + stiffened(self.waves, self.hung[k]), -50.0, 50.0))
        return predict_drop(
            self.stiffness.shapes[j].take(index, scale),
            mass=self.masses[k] + site.gear,
            **self.stiffness.batch,
            **site.inputs,
        )

    def estimates(self) -> dict[str, np.ndarray]:
        """Every quantity with every input at its estimate.  quantity → (n_mass,)"""
        site, rows = Site.estimates(self.site), []
        for k in range(self.masses.size):
            measured = 0.0 if self.excess_levels is None else self.excess_levels[0].mean[0, k]
            predicted = self.predict(0, np.zeros(1, int), self.levels[0].mean[:1, k], k, site)
            rows.append(self.quantities(predicted, site, self.length[0], self.excess_at(k, measured)))
        return {name: np.array([float(np.ravel(row[name])[0]) for row in rows]) for name in DRAWN}

    def split(self, n: int) -> list[tuple[int, slice]]:
        """Which draws go to which family of shapes: in proportion to its number of shapes."""
        counts = np.array([shape.count for shape in self.stiffness.shapes], float)
        if counts.size > 1:
            counts[0] = 0.0 if counts[0] == 1 else counts[0]  # the central curve itself is not one of the drawn shapes
        ends = np.rint(np.cumsum(counts) / counts.sum() * n).astype(int)
        starts = np.concatenate([[0], ends[:-1]])
        return [(j, slice(a, b)) for j, (a, b) in enumerate(zip(starts, ends, strict=True)) if b > a]

    def shared_draws(self, rng: np.random.Generator, n: int) -> np.ndarray:
        """Errors of the inputs that all drops share.  (n_shared, n_draws)"""
        rows = []
        for name, quantity in self.stiffness.shared.items():
            positive = name.endswith(("drag_area", "air_density", "compliance")) or name.startswith("mass ")
            rows.append(draw_input(quantity, rng, n, positive=positive) - quantity.value)
        return np.array(rows).reshape(len(rows), n)

    def batch(self, rng: np.random.Generator, n: int, content: float | None) -> np.ndarray:
        """One batch of draws (n_quantities, n_mass, n); twice the rows with values that hold the share `content`."""
        site, shared = Site.draw(self.site, rng, n), self.shared_draws(rng, n)
        pivots = Pivots.draw(rng, n, self.levels[0])
        peaks = Pivots.draw(rng, n, self.excess_levels[0]) if self.excess_levels else None
        mean, scale, dof = self.length
        length = mean + scale * (rng.standard_t(dof, n) if scale > 0 else np.zeros(n))
        standard = rng.standard_normal(n)
        out = np.empty((len(DRAWN) * (1 if content is None else 2), self.masses.size, n))
        for j, part in self.split(n):
            index = rng.integers(0, self.stiffness.shapes[j].count, part.stop - part.start)
            draw = _Part(
                self, j, index, _cut(site, part), _cut(pivots, part), None if peaks is None else _cut(peaks, part),
                shared[:, part], length[part], standard[part],
            )  # fmt: skip
            for k in range(self.masses.size):
                out[: len(DRAWN), k, part] = draw.next_drop(k)
                if content is not None:
                    out[len(DRAWN) :, k, part] = draw.content(k, content)
        return out

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
            lambda rng, n: self.batch(rng, n, content), limits_of, tolerance=fine_enough, seed=seed,
            size=draws or max(ceil(100 / (1 - share)), BATCH_SIZE), most=draws or MOST_DRAWS,
        )  # fmt: skip
        every = np.concatenate(batches, axis=-1)
        notes = list(self.stiffness.notes)
        if not steady and draws is None:
            notes.append(
                f"limits were not steady to {STEADY:g} of a standard uncertainty after {every.shape[-1]} draws: few "
                "cords leave a long tail, and another seed moves the limits by more than that"
            )
        n_cords = len(set(self.stiffness.drops.cord))
        if content is None and self.cord is None:
            notes.append(_on_average(n_cords, probability))
        named = {name: every[i] for i, name in enumerate(DRAWN)}
        held = None if content is None else {name: every[len(DRAWN) + i] for i, name in enumerate(DRAWN)}
        return Forecast(
            masses=self.masses,
            hung=self.hung,
            site=self.site,
            limit_kind=limit,
            probability=probability,
            confidence=confidence,
            cord=self.cord,
            estimates=self.estimates(),
            draws=named,
            content=held,
            u={name: spread_of(x) for name, x in named.items()},
            dof=self.levels[0].effective_dof[0],
            n_cords=n_cords,
            stiffness=self.stiffness,
            level=self.levels[0],
            waves=self.waves,
            seed=seed,
            notes=tuple(notes),
        )


def forecast_drop(
    stiffness: DropStiffness,
    *,
    site: Any,
    masses: Any,
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


def _on_average(n_cords: int, probability: float) -> str:
    often = 100 * prediction_assurance(n_cords, probability)
    return (
        f"A {100 * probability:g} % prediction limit holds that share of next drops on average over campaigns; in a "
        f"single one it may be less: with {n_cords} cords even an exact limit holds as many in about {often:.0f} % "
        'of campaigns. Assurance for this one takes a tolerance limit ([decision] limit = "tolerance").'
    )


def _cut(draws: Any, part: slice) -> Any:
    """The same dataclass with only some of its draws."""

    def cut(value: Any) -> Any:
        if isinstance(value, dict):
            return {name: cut(x) for name, x in value.items()}
        return value[part]

    return replace(draws, **{name: cut(getattr(draws, name)) for name in draws.__dataclass_fields__})


@dataclass(frozen=True)
class _Part:
    """Draws that share a family of shapes, ready to be carried to any mass."""

    run: Run
    j: int
    index: np.ndarray
    site: Site
    pivots: Pivots
    peaks: Pivots | None
    shared: np.ndarray
    length: Any
    standard: np.ndarray

    def _levels(self, k: int) -> tuple[NextValue, np.ndarray, NextValue | None, np.ndarray | float]:
        """ln s and excess at mass number k: their levels for each draw's shape, and what the shared errors add."""
        run = self.run
        level, shift = run.levels[self.j].at(k, self.index), run.shift[k] @ self.shared
        if run.excess_levels is None or run.excess_shift is None:
            return level, shift, None, 0.0
        return level, shift, run.excess_levels[self.j].at(k, self.index), run.excess_shift[k] @ self.shared

    def next_drop(self, k: int) -> list[np.ndarray]:
        run = self.run
        level, shift, excess_level, excess_shift = self._levels(k)
        y = self.pivots.next_value(level) + shift
        measured = np.zeros(y.size)
        if excess_level is not None and self.peaks is not None:
            measured = self.peaks.next_value(excess_level) + excess_shift
        predicted = run.predict(self.j, self.index, y, k, self.site)
        found = run.quantities(predicted, self.site, self.length, run.excess_at(k, measured, self.standard))
        return [found[name] for name in DRAWN]

    def content(self, k: int, share: float) -> list[np.ndarray]:
        """Value of each quantity that the share of next drops stays within, the doubt about mean and scatter drawn.

        What varies from drop to drop besides ln s (site inputs, the peaks' scatter) is carried as the scatter of ln s
        that would move the quantity as much: first order in the small ones, exact in ln s.
        """
        run, z = self.run, float(ndtri(share))
        level, shift, excess_level, excess_shift = self._levels(k)
        mean, sd = self.pivots.mean_and_sd(level)
        mean = mean + shift
        excess, excess_sd = np.zeros(mean.size), np.zeros(mean.size)
        if excess_level is not None and self.peaks is not None:
            excess, excess_sd = self.peaks.mean_and_sd(excess_level)
            excess = excess + excess_shift
        estimate, found = Site.estimates(run.site), []
        slope, moved = effects(run, k)
        for name in DRAWN:
            load = QUANTITIES[name].load
            soft = -1.0 if load else 1.0  # a stiff cord is dangerous for loads, a soft one for all else
            beside = sum(by[name] ** 2 for by in moved.values()) + (excess_sd**2 if load else 0.0)
            y = mean - soft * z * np.sqrt(sd**2 + beside / slope[name] ** 2)
            predicted = run.predict(self.j, self.index, y, k, estimate)
            value = run.quantities(predicted, estimate, run.length[0], run.excess_at(k, excess, self.standard))[name]
            found.append(np.asarray(value))
        return found


def effects(run: Run, k: int) -> tuple[dict[str, float], dict[str, dict[str, float]]]:
    """First-order effects at mass number k on each quantity of `DRAWN`, on ln of it for loads and g.

    Returns its slope in ln s, and input → quantity → its change as that input of the site rises by a standard
    uncertainty.
    """
    u = {name: getattr(SetUp.of(run.site), name).u for name in SetUp.NAMES}
    u |= {"tie_height": run.site.tie_height.u, "reach": run.site.reach_below_attachment.u, "gear": run.site.gear_mass.u}
    u["length"] = run.length[1]
    names = [name for name, size in u.items() if size > 0]
    step, n = 0.01, 3 + len(names)  # as it is, stiffer, softer, then one input moved at a time

    def column(name: str, value: float) -> np.ndarray:
        moved = np.full(n, value)
        if name in names:
            moved[3 + names.index(name)] += u[name]
        return moved

    base = Site.estimates(run.site)
    inputs: dict[str, Any] = {name: column(name, value) for name, value in base.inputs.items()}
    site = Site(inputs, *(column(f.name, getattr(base, f.name)) for f in fields(Site) if f.name != "inputs"))
    y = run.levels[0].mean[0, k] + step * np.array([0.0, 1.0, -1.0, *np.zeros(len(names))])
    predicted = run.predict(0, np.zeros(n, int), y, k, site)
    found = run.quantities(predicted, site, column("length", run.length[0]), (0.0, 0.0))
    found = {name: np.log(x) if QUANTITIES[name].load else x for name, x in found.items()}
    slope = {q: float(x[1] - x[2]) / (2 * step) for q, x in found.items()}
    return slope, {name: {q: float(x[3 + i] - x[0]) for q, x in found.items()} for i, name in enumerate(names)}

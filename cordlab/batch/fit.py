"""The curve of a batch: one shape, one stiffness scale a cord, the model chosen among candidates that are all reported.

A drop comes as one value a bin of stretch ratio, so a slow drop counts no more than a fast one. Each drop has its own
scale in the fit, and a cord's is the geometric mean of its drops'. Neighbouring bins are alike: with lag-1 correlation
ρ of the residuals of a flexible curve, n bins are worth n (1 − ρ)/(1 + ρ), less one for each scale.

Effective variance (Orear, Am. J. Phys. 50 (1982) 912) weighs by 1/(σ² + (F' u)²), u being of the stretch ratio: for all
models by the flexible curve, so that their AICc can be compared. A slack length's error is in the cord's scale.

Drops without a record say by how low they came what the curve is beyond the records: their energy equations
(`lowest_points.Energies`) are fitted along.
"""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from cordlab.batch.bootstrap import ExtraEquations, Refits, Values, groups_left_out, refit, resample
from cordlab.curves.fit import CurveFit, as_fit
from cordlab.curves.least_squares import Solution, aicc, solve
from cordlab.curves.models import Model, Spline, differences, models
from cordlab.curves.models import model as named_model
from cordlab.statistics.groups import GroupLines
from cordlab.units import Progress, notebook_html, unwatched

if TYPE_CHECKING:
    import lmfit

    from cordlab.batch.lowest_points import Energies
    from cordlab.records.reduce import Drop

_NOT_RULED_OUT = 10.0  # a model further from the least AICc has essentially no support; Burnham & Anderson 2002, 2.6
_AS_GOOD = 1.1  # as the best in the held-back drops: our choice, stated in the report


class FitError(ValueError):
    """No model describes the drops; the message says why for each."""


@dataclass(frozen=True)
class Candidate:
    """One of the models that were compared."""

    model: str
    fit: CurveFit | None  # None where the model could not be fitted
    aicc: float  # +inf where there are too few independent values
    check_rms: float  # of force less prediction in the held-back drops; nan where nothing could be held back [N]
    sensible_to: float  # stretch ratio to which the force rises, searched to twice the tested stretch
    note: str  # why it is not to be chosen, or what to know about it; "" if nothing
    usable: bool

    @property
    def fitted(self) -> CurveFit:
        """The fit; FitError with the reason where there is none."""
        if self.fit is None:
            raise FitError(f"{self.model}: {self.note}")
        return self.fit


@dataclass(frozen=True)
class Samples:
    """The loading curves of some drops, stacked: arrays of one value a bin, and one name a drop."""

    stretch_ratio: np.ndarray
    force: np.ndarray
    drop: np.ndarray  # number of the drop of each value
    names: tuple[str, ...]
    cord: tuple[str, ...]  # of each drop
    weight: np.ndarray  # effective-variance weight, 1 on average
    noise: float  # variance of a value of weight 1 about a flexible curve [N²]
    correlation: float  # lag-1, of neighbouring bins
    energies: "Energies | None" = None  # of all drops, where some have no record

    @property
    def reach(self) -> float:
        """Greatest stretch ratio that was measured, by a record or a lowest point."""
        recorded = float(self.stretch_ratio.max())
        return recorded if self.energies is None else max(recorded, float(self.energies.reach.max()))

    @property
    def independent(self) -> float:
        """How many independent values the bins are worth, at least one a drop."""
        return max(len(self.force) * (1 - self.correlation) / (1 + self.correlation), float(len(self.names)))

    @property
    def unrecorded(self) -> dict[str, Hashable]:
        """Cord of each drop of `energies` that has no record."""
        pairs = zip(self.energies.drop, self.energies.cord, strict=True) if self.energies else ()
        return {drop: cord for drop, cord in pairs if drop not in self.names}

    def energy_residuals(self, model: Model) -> Callable[[np.ndarray], np.ndarray] | None:
        """The energy equations for `solve`, each weighing what its drop is worth among correlated values."""
        energies = self.energies
        if energies is None:
            return None
        size = np.sqrt(self.noise * len(self.force) / self.independent)
        return lambda values: size * energies.off(model, values)

    def refit(self, fit: CurveFit, scales: np.ndarray, times: pd.DataFrame, progress: Progress = unwatched) -> Refits:
        """A fit again, each drop on one level by its scale, (drops,), and counted so many times: a row a draw, a column
        a drop; once where it has none."""
        extra, residuals = None, self.energy_residuals(fit.model)
        if self.energies is not None and residuals is not None:  # linear about the fit
            at, counts = np.array(fit.model.values(fit.parameters)), times.reindex(columns=self.energies.drop)
            residual = residuals(at[:, None])[:, 0]
            extra = ExtraEquations(residual, differences(residuals, at), counts.fillna(1.0).to_numpy())
        values = Values(self.stretch_ratio, self.force / scales[self.drop], self.drop, self.weight)
        recorded, params = times[list(self.names)].to_numpy(), fit.result.params
        return refit(fit.model, values, times=recorded, params=params, extra=extra, progress=progress)

    def scales(self, fit: CurveFit) -> np.ndarray:
        """Scale of each drop: least squares of its forces on the curve.  (drops,)"""
        shape, w = fit.curve.force(self.stretch_ratio), self.weight
        return np.bincount(self.drop, w * shape * self.force) / np.bincount(self.drop, w * shape * shape)


@dataclass(frozen=True)
class BatchFit:
    """The curve of a batch and what it was chosen from."""

    chosen: CurveFit
    candidates: tuple[Candidate, ...]
    equals: tuple[str, ...]  # models that do equally well, fewest parameters and the chosen one first; see `fit_batch`
    drop_scales: dict[str, float]  # drop → stiffness relative to the batch
    held_back: str  # "check drops", "each drop in turn" or "nothing": what check_rms is of
    samples: Samples = field(repr=False)

    def candidate(self, name: str) -> Candidate:
        return next(candidate for candidate in self.candidates if candidate.model == name)

    def bootstrap(self, n: int, *, seed: int, model: str | None = None, progress: Progress = unwatched) -> Refits:
        """Refits of the shape to n resamples of cords and of drops within them; the level stays that of the batch.

        Draws from n cords scatter √((n−1)/n) as much as the shape does from batch to batch.
        """
        fit = self.chosen if model is None else self.candidate(model).fitted
        s, rng = self.samples, np.random.default_rng(seed)
        times = pd.DataFrame(resample(s.cord, n, rng), columns=s.names)
        if s.unrecorded:  # drawn by themselves, so that no draw is without a record
            times[list(s.unrecorded)] = resample(list(s.unrecorded.values()), n, rng)
        return s.refit(fit, np.array([self.drop_scales[name] for name in s.names]), times, progress)

    def refits(self, n: int, *, seed: int, progress: Progress = unwatched) -> tuple[Refits, ...]:
        """Draws of the curve for limits: n bootstrap refits of every model in `equals`."""
        return tuple(self.bootstrap(n, seed=seed, model=name, progress=progress) for name in self.equals)

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know of a curve that not all drops were recorded for."""
        s = self.samples
        if s.energies is None:
            return ()
        return (
            f"{len(s.unrecorded)} of {len(s.energies.drop)} drops have no record of the load: the curve is fitted to "
            f"the records up to stretch ratio {s.stretch_ratio.max():.2f}, and to the lowest points of all drops up to "
            f"{s.reach:.2f}; no load was measured beyond the records",
        )

    def table(self) -> "pd.DataFrame":
        """One row a model, least AICc first: how well it does, how far its force rises, and what was made of it."""
        choice = dict.fromkeys(self.equals, "as good") | {self.chosen.model.name: "chosen"}
        heads = ("AICc [1]", "rms in held-back drops [N]", "rises to stretch ratio [1]", "choice", "note")
        rows = {
            model.model: (model.aicc, model.check_rms, model.sensible_to, choice.get(model.model, ""), model.note)
            for model in sorted(self.candidates, key=lambda model: model.aicc)
        }
        return pd.DataFrame.from_dict(rows, orient="index", columns=heads).rename_axis("model")

    def summary(self) -> str:
        models = self.table().to_string(float_format="{:.4g}".format)
        return f"{self.chosen.summary()}\nModels; held back: {self.held_back}\n{models}"

    def _repr_html_(self) -> str:
        models = notebook_html(f"Models; held back: {self.held_back}", self.table())
        return self.chosen._repr_html_() + models

    def to_dict(self) -> dict:
        """For results.json."""
        table = [{"model": c.model, "aicc": c.aicc, "check_rms": c.check_rms, "note": c.note} for c in self.candidates]
        return self.chosen.to_dict() | {"equals": list(self.equals), "held_back": self.held_back, "candidates": table}


def fit_batch(
    drops: Sequence["Drop"],
    *,
    model: str = "auto",
    candidates: Sequence[str] | None = None,
    check: Sequence["Drop"] = (),
    energies: "Energies | None" = None,
    params: "lmfit.Parameters | None" = None,
    progress: Progress = unwatched,
) -> BatchFit:
    """Fit the loading curves of `drops`, and choose the model by AICc and by how it predicts held-back drops.

    Models whose rms in the held-back drops is within 10 % of the best, and whose AICc is within 10 of the least, do
    equally well; the one with the fewest parameters is chosen, and the others' spread is part of the uncertainty.

    model      : "auto", or the name of the model to use; then the others are still fitted, to compare
    candidates : models to compare, all by default; a spline is never chosen: it knows nothing beyond the data
    check      : drops held back from the fit; without them each drop is left out in turn
    energies   : energy equations of these drops and of others that have no record
    params     : of the model that is named: start values, bounds, and which are fixed
    Raises FitError where no model rises over the tested range, or the one asked for doesn't; ValueError for `params`.
    """
    if not drops:
        raise FitError("no drop to fit: the campaign has no `fit` drop with a record")
    if params is not None and model == "auto":
        raise ValueError("params are those of one model: name it, as in model='gent'")
    samples = replace(_stack(drops), energies=energies)
    names = list(dict.fromkeys([*(candidates or models()), *([] if model == "auto" else [model])]))
    table = tuple(
        _candidate(name, samples, check, params if name == model else None)
        for name in progress(names, desc="curves", unit="model")
    )
    chosen, equals = _choose(table, model)
    held_back = "each drop in turn" if len(drops) > 1 else "nothing"
    return BatchFit(
        chosen=chosen.fitted,
        candidates=table,
        equals=equals,
        drop_scales=dict(zip(samples.names, samples.scales(chosen.fitted).tolist(), strict=True)),
        held_back="check drops" if check else held_back,
        samples=samples,
    )


def _stack(drops: Sequence["Drop"]) -> Samples:
    """All bins of all drops, with weights and correlation from a flexible curve."""
    x = np.concatenate([drop.stretch_ratio for drop in drops])
    y = np.concatenate([drop.force for drop in drops])
    number = np.repeat(np.arange(len(drops)), [len(drop.stretch_ratio) for drop in drops])
    names = tuple(drop.name for drop in drops)
    if len(set(names)) < len(names):
        raise FitError("two drops have one name: name each drop differently")
    u = np.array([drop.u_lowest_point / drop.slack_length for drop in drops])
    u = np.nan_to_num(u)[number]  # a drop whose lowest point has no uncertainty is weighed by its force alone
    knots = np.unique(np.round(np.append(1.0, np.quantile(x, np.linspace(0, 1, 12)[1:])), 6))
    flexible = solve(Spline(knots.tolist()), x, y, weights=np.ones_like(x), groups=number)
    slope = flexible.model.slope(x, flexible.model.by_name(flexible.values))
    dof = max(len(x) - len(knots) - len(drops), 1)
    noise = flexible.rss / dof
    weight = 1 / (noise + (slope * u) ** 2)
    same = np.diff(number) == 0
    e = flexible.residuals * np.sqrt(weight)
    lag_1, mean_bins = (e[1:] * e[:-1])[same].sum() / max(e @ e, 1e-300), len(x) / len(drops)
    # the correlation within a short series comes out low by (1 + 4ρ)/n; Kendall, Biometrika 41 (1954) 403
    correlation = np.clip((lag_1 + 1 / mean_bins) / (1 - 4 / max(mean_bins, 8)), 0.0, 0.99)
    cords, average = tuple(drop.cord for drop in drops), weight.mean()
    return Samples(x, y, number, names, cords, weight / average, float(e @ e) / dof / average, float(correlation))


def _candidate(
    name: str, samples: Samples, check: Sequence["Drop"], params: "lmfit.Parameters | None" = None
) -> Candidate:
    reach = samples.reach
    family = named_model(name)
    if params is not None:
        family = family.matching(params)
        family.values(params.valuesdict())  # raises where they are not the model's
    else:
        family = family.placed(np.append(samples.stretch_ratio, reach))
        params = samples.energies.start(family) if samples.energies else None
    try:
        solution = solve(
            family,
            samples.stretch_ratio,
            samples.force,
            weights=samples.weight,
            groups=samples.drop,
            shares=1 / np.array([samples.cord.count(cord) for cord in samples.cord]),  # cords alike in the level
            params=params,
            extra=samples.energy_residuals(family),
        )
        fit = _as_batch(solution, samples)
        of_check = [drop.force - fit.scales.get(drop.cord, 1.0) * fit.curve.force(drop.stretch_ratio) for drop in check]
        off = np.concatenate(of_check) if check else _left_out(fit, samples)
        rms = float(np.sqrt(np.mean(off**2)))
    except (ValueError, np.linalg.LinAlgError) as trouble:
        return Candidate(name, None, np.inf, np.nan, np.nan, f"could not be fitted: {trouble}", False)
    sensible, note = float(fit.curve.rises_to(2 * reach)), fit.no_band
    if sensible < reach:
        note = f"the force stops rising at stretch ratio {sensible:.2f}, within the tested range; try another model"
    elif np.isfinite(fit.curve.lock_up) and not note:
        note = f"locks up at stretch ratio {float(fit.curve.lock_up):.2f}"
    return Candidate(name, fit, fit.aicc, rms, sensible, note, sensible >= reach and solution.result.success)


def _as_batch(solution: Solution, samples: Samples) -> CurveFit:
    """The cords' scales from the drops', and the numbers that count independent values."""
    log_scales = GroupLines.of(np.log(solution.scales), group=samples.cord)
    cord_scales = np.exp(log_scales.group_values(0.0)[0]).tolist()
    count, independent, parameters = len(samples.force), samples.independent, int(solution.varied.sum())
    remaining = independent - (len(samples.names) - 1)
    criterion, dof = aicc(solution.rss * remaining / count, remaining, parameters + 1), remaining - parameters
    if samples.energies is not None:  # −2 ln of their likelihood, their scatter being known
        dof += samples.energies.dof
        criterion += float(solution.extra @ solution.extra) * independent / count / samples.noise
    return as_fit(
        solution,
        dof=dof,
        aicc=criterion,
        scales=dict(zip(log_scales.names, cord_scales, strict=True)),
        log_scales=log_scales,
        by_drop=True,
        reach=samples.reach,
        inflate=count / independent,
    )


def _left_out(fit: CurveFit, samples: Samples) -> np.ndarray:
    """Force less what the other drops predict: shape refitted, scale from its cord's other drops, else the batch's."""
    out, scales = groups_left_out(len(samples.names)), samples.scales(fit)
    if len(out) < 2:
        return np.full(1, np.nan)
    refits = samples.refit(fit, scales, pd.DataFrame(1.0 - out, columns=samples.names))
    logs, cords = np.log(scales), pd.Series(np.log(scales)).groupby(list(samples.cord))
    of_others = (cords.transform("sum") - logs) / (cords.transform("size") - 1).clip(lower=1)
    left_out = out.argmax(axis=0)[samples.drop]  # the refit that does not know a value
    parameters = {name: draws[left_out] for name, draws in refits.parameters.items()}
    predicted = np.exp(of_others.to_numpy())[samples.drop] * fit.model.force(samples.stretch_ratio, parameters)
    return samples.force - predicted


def _choose(table: Sequence[Candidate], model: str) -> tuple[Candidate, tuple[str, ...]]:
    """The candidate to use, and the names of those that do equally well, that one first."""
    if model != "auto":
        asked = next(candidate for candidate in table if candidate.model == model)
        if not asked.usable:
            raise FitError(f"{model}: {asked.note}")
        return asked, (model,)
    usable = [candidate for candidate in table if candidate.usable and candidate.model != "spline"]
    sure = [candidate for candidate in usable if not candidate.fitted.no_band] or usable
    if not sure:
        reasons = "; ".join(f"{candidate.model}: {candidate.note}" for candidate in table)
        raise FitError(f"no model describes these drops: {reasons}")
    bound = _AS_GOOD * np.nanmin([candidate.check_rms for candidate in sure] + [np.inf])
    near = [candidate for candidate in sure if not candidate.check_rms > bound]
    least = min(candidate.aicc for candidate in near)
    equals = [candidate for candidate in near if candidate.aicc <= least + _NOT_RULED_OUT]
    equals.sort(key=lambda candidate: (len(candidate.fitted.parameters), candidate.aicc))
    return equals[0], tuple(candidate.model for candidate in equals)

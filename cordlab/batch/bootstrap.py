"""Thousands of refits at once: the same drops with other weights, as a bootstrap over cords and drops asks.

A refit needs of each drop only a few sums, made once: for a model linear in its parameters the products of its columns
(exact); for any other, the products of the interpolating polynomials of some Chebyshev nodes, which hold the sum of
squares for every smooth curve (checked against the curve itself). A draw is a weighted sum of the drops' sums, and all
draws take their Levenberg–Marquardt steps together. The sum of squares treats the samples alike: correlation within a
drop is what resampling whole drops takes care of.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.polynomial import chebyshev

from cordlab.curves.least_squares import amid, inner_bounds
from cordlab.curves.models import Curve, Model
from cordlab.statistics.groups import EvidenceError
from cordlab.units import Progress, unwatched

if TYPE_CHECKING:
    import lmfit

GROUPS = 100  # of drops that are left out in turn, where there are more drops than that
_CHUNK = 1024  # draws whose sums fit the cache
_NODES = (20, 40, 80)
_MOST_STEPS = 200
_AT_REST = 1e-9  # gain of a step, as a share of the sum of squares


def groups_left_out(count: int) -> np.ndarray:
    """What is left out in turn, each drop by itself or, of more than `GROUPS`, several.  (groups, count) of bool"""
    groups = min(count, GROUPS)
    return np.arange(count) % groups == np.arange(groups)[:, None]


class Values(NamedTuple):
    """Values of drops, stacked, (n,): with the number of the drop of each, and its weight relative to 1/variance."""

    stretch_ratio: np.ndarray
    force: np.ndarray
    drop: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True)
class ExtraEquations:
    """Other equations for the parameters, taken as linear about the start."""

    residual: np.ndarray  # (m,) at the start, of the variance of a value of weight 1
    jacobian: np.ndarray  # (m, parameters)
    times: np.ndarray  # (draws, m) how often each counts

    def sums(self, part: slice) -> list[np.ndarray]:
        """Of each draw: Jᵀ J (draws, parameters, parameters), −Jᵀ r (draws, parameters), rᵀ r (draws,)."""
        j, r, times = self.jacobian, self.residual, self.times[part]
        return [np.tensordot(times, j[:, :, None] * j[:, None], 1), -times @ (j * r[:, None]), times @ r**2]


@dataclass(frozen=True)
class Refits:
    """Refitted parameters, one column a draw."""

    model: Model
    parameters: Mapping[str, np.ndarray]  # (draws,) each
    converged: np.ndarray  # (draws,) False where the steps had not come to rest
    rss: np.ndarray  # (draws,) weighted residual sum of squares [N²]

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know where some had not come to rest."""
        left_out = 1 - float(np.mean(self.converged))
        if not left_out:
            return ()
        return (
            f"{self.model.name}: {left_out:.1%} of the refits to resampled drops did not come to rest and are left "
            "out, so how well the shape of this curve is known is itself less sure; prefer a model with fewer "
            "parameters",
        )

    @property
    def curve(self) -> Curve:
        """As many draws as one curve, without those that had not come to rest: others stand in for them, in turn."""
        at_rest = np.flatnonzero(self.converged)
        if not at_rest.size:
            raise EvidenceError(f"{self.model.name}: no refit to resampled drops came to rest; try another model")
        draws = np.arange(self.converged.size)
        kept = np.where(self.converged, draws, at_rest[draws % at_rest.size])
        return Curve(self.model, {name: values[kept] for name, values in self.parameters.items()})


def resample(cords: Sequence, n: int, rng: np.random.Generator) -> np.ndarray:
    """How often each drop counts when cords, then drops of each cord drawn, are drawn with replacement: (n, drops)."""
    _, place, counts = np.unique(np.asarray(cords), return_inverse=True, return_counts=True)
    order = np.argsort(place, kind="stable")
    first = np.cumsum(counts) - counts
    times = np.zeros((n, len(place)))
    for picked in rng.integers(len(counts), size=(len(counts), n)):
        size = counts[picked]
        for k in range(counts.max()):
            drawn = order[first[picked] + (rng.random(n) * size).astype(int)]
            times[np.arange(n), drawn] += k < size
    return times


def refit(
    model: Model,
    values: Values,
    *,
    times: np.ndarray,
    params: "lmfit.Parameters",
    extra: ExtraEquations | None = None,
    progress: Progress = unwatched,
) -> Refits:
    """Refit `model` once for each row of `times`, (draws, drops), with each drop counted that often.

    params : of the fit to all drops, where every draw starts; their bounds hold, and what is fixed stays
    A model that locks up is made to lock up beyond the greatest stretch ratio of all drops: other drops went there.
    """
    ordered = [params[p.name] for p in model.parameters]
    lower, upper = np.array([(p.min, p.max) if p.vary else (p.value, p.value) for p in ordered]).T
    begin = np.clip([p.value for p in ordered], lower, upper)
    parts = _parts(model, values.stretch_ratio, model.by_name(begin))
    middle = amid(values.stretch_ratio)
    bounds = inner_bounds(model, params, middle)
    if bounds is not None:
        parts, (lower, upper) = _by_inner(parts, model, middle), bounds
        if extra:
            extra = replace(extra, jacobian=model.inner_jacobian(extra.jacobian.T, begin, middle).T)
        begin = model.inner(begin, middle)
    sums = _sums(parts.basis, values, times.shape[1])
    chunks, done = [slice(k, k + _CHUNK) for k in range(0, len(times), _CHUNK)], []
    for chunk in progress(chunks, desc=f"{model.name} refits", unit="thousand"):
        of_draws = [np.tensordot(times[chunk], of_drops, 1) for of_drops in sums]
        done.append(_descend(parts, of_draws, extra.sums(chunk) if extra else [], begin, lower, upper))
    parameters, converged, rss = (np.concatenate(column, axis=-1) for column in zip(*done, strict=True))
    if bounds is not None:
        parameters = model.outer(parameters, middle)
    return Refits(model, model.by_name(parameters), converged, rss)


class _Parts(NamedTuple):
    """How a curve enters the sums: F at the data = basis @ `force`, for every value of the parameters."""

    basis: np.ndarray  # (n, parts)
    force: Callable[[np.ndarray], np.ndarray]  # (parts, draws)
    jacobian: Callable[[np.ndarray], np.ndarray]  # (parameters, parts, draws)


def _parts(model: Model, x: np.ndarray, start: Mapping[str, float]) -> _Parts:
    """The parameters themselves where the model is linear in them; else the forces at as few nodes as hold the curve to
    1e-6 of its greatest force."""
    if model.linear:
        unit, columns = np.eye(len(model.parameters))[:, :, None], model.jacobian(x, start).T
        return _Parts(columns, lambda v: v, lambda v: np.broadcast_to(unit, (*unit.shape[:2], v.shape[1])))
    at_data, middle, half = model.force(x, start), (x.max() + x.min()) / 2, np.ptp(x) / 2
    for count in _NODES:
        points = chebyshev.chebpts2(count)
        nodes, to_coefficients = middle + half * points, np.linalg.inv(chebyshev.chebvander(points, count - 1))
        basis = chebyshev.chebvander((x - middle) / half, count - 1) @ to_coefficients
        if np.abs(basis @ model.force(nodes, start) - at_data).max() <= 1e-6 * np.abs(at_data).max():
            break
    else:
        raise ValueError(
            f"{model.name}: the curve bends too sharply for {_NODES[-1]} nodes between {x.min():.3g} and "
            f"{x.max():.3g}; it locks up too near the data: try another model"
        )
    at = nodes[:, None]
    return _Parts(basis, lambda v: model.force(at, model.by_name(v)), lambda v: model.jacobian(at, model.by_name(v)))


def _by_inner(parts: _Parts, model: Model, stretch_ratio: float) -> _Parts:
    """The same curves, by the model's inner coordinates."""

    def jacobian(inner):
        values = model.outer(inner, stretch_ratio)
        return model.inner_jacobian(parts.jacobian(values), values, stretch_ratio)

    return _Parts(parts.basis, lambda inner: parts.force(model.outer(inner, stretch_ratio)), jacobian)


def _sums(basis: np.ndarray, values: Values, count: int) -> list[np.ndarray]:
    """Of each drop: basisᵀ W basis (D, parts, parts), basisᵀ W y (D, parts), yᵀ W y (D,)."""
    sums = []
    for drop in range(count):
        rows = values.drop == drop
        y, weighted = values.force[rows], basis[rows] * values.weight[rows, None]
        sums.append((basis[rows].T @ weighted, weighted.T @ y, values.weight[rows] @ y**2))
    return [np.array(of_drops) for of_drops in zip(*sums, strict=True)]


def _descend(
    parts: _Parts, sums: Sequence[np.ndarray], others: Sequence[np.ndarray], begin, lower, upper
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levenberg–Marquardt of all draws together: parameters (parameters, draws), converged, sum of squares."""
    draws = len(sums[0])
    values = np.repeat(begin[None], draws, axis=0)
    converged, rss = np.zeros(draws, dtype=bool), np.full(draws, np.nan)
    state = _at(parts, sums, others, begin, values)
    left, damping, index = np.arange(draws), np.zeros(draws), np.arange(begin.size)
    for _ in range(_MOST_STEPS):
        v, pull = state.values, state.gradient
        free = ~(((v <= lower) & (pull < 0)) | ((v >= upper) & (pull > 0)))
        gradient, size = np.where(free, pull, 0.0), np.sqrt(np.einsum("bii->bi", state.matrix))
        size = np.where(free & (size > 0), size, 1.0)
        scaled = state.matrix / size[:, :, None] / size[:, None, :] * free[:, :, None] * free[:, None, :]
        scaled[:, index, index] = 1 + 1e-14 + damping[:, None]
        step = np.linalg.solve(scaled, (gradient / size)[:, :, None])[:, :, 0] / size
        gain = (gradient * step).sum(axis=1)  # that the linear model promises
        trial = _at(parts, sums, others, begin, np.clip(state.values + step, lower, upper))
        at_rest = gain <= _AT_REST * state.rss  # the step is taken all the same, so what is left is far smaller
        better = (trial.rss <= state.rss) | (at_rest & np.isfinite(trial.rss))
        for current, new in zip(state, trial, strict=True):
            current[better] = new[better]
        damping = np.where(better, damping / 10, np.maximum(10 * damping, 1e-4))
        values[left], rss[left], converged[left] = state.values, state.rss, at_rest
        if at_rest.all():
            break
        if at_rest.mean() > 0.5:  # one that is done may step on; to part with it costs a copy of the others
            left, damping = left[~at_rest], damping[~at_rest]
            state = _State(*(column[~at_rest] for column in state))
            sums, others = ([column[~at_rest] for column in columns] for columns in (sums, others))
    return values.T, converged, rss


class _State(NamedTuple):
    """Draws at some parameters, and there the Gauss–Newton matrix, the gradient and the sum of squares."""

    values: np.ndarray  # (draws, parameters)
    matrix: np.ndarray  # (draws, parameters, parameters)
    gradient: np.ndarray  # (draws, parameters)
    rss: np.ndarray  # (draws,)


def _at(parts: _Parts, sums: Sequence[np.ndarray], others: Sequence[np.ndarray], begin, values: np.ndarray) -> _State:
    """sums : `_sums` of each draw;  others : `ExtraEquations.sums`, none without"""
    gram, moment, square = sums
    force = parts.force(values.T)
    usable = np.isfinite(force).all(axis=0)  # a draw that locks up within the data is no candidate
    both = np.concatenate([parts.jacobian(values.T), force[None]])
    if not usable.all():
        both = np.where(usable, both, 0.0)
    both = np.ascontiguousarray(both.transpose(2, 0, 1))  # (draws, parameters and the force, parts)
    products = (both @ gram) @ both.transpose(0, 2, 1)
    pulls = (both @ moment[:, :, None])[:, :, 0]
    matrix, gradient = products[:, :-1, :-1], pulls[:, :-1] - products[:, :-1, -1]
    rss = square - 2 * pulls[:, -1] + products[:, -1, -1]
    if others:
        also, pull, apart = others
        moved = values - begin
        shortened = (also @ moved[:, :, None])[:, :, 0]
        matrix, gradient = matrix + also, gradient + pull - shortened
        rss = rss + apart - ((2 * pull - shortened) * moved).sum(axis=1)
    return _State(values.copy(), matrix, gradient, np.where(usable, rss, np.inf))

"""How the parameters of a curve are found: least squares by lmfit, the stiffness scales of cords or drops eliminated.

Each cord (or drop) may have a stiffness scale. The scales are eliminated (variable projection, Golub & Pereyra,
SIAM J. Numer. Anal. 10 (1973) 413, from memory): at any parameters they are those of least squares in each group,
brought to geometric mean 1. lmfit gets what is left, the projected residuals, and their full Jacobian.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from cordlab.curves.models import Model, Parameter, differences

if TYPE_CHECKING:
    import lmfit

_LEAST_SCALE = 1e-9  # of a group, where a curve that is tried pulls the wrong way
_SAME = 1e-6  # singular value, of columns of length 1, below which parameters are one and the same to the data
_NO_ROOM = 1e-7  # of the fitted curve: a parameter that changes it by less on its way to a bound is at the bound
_TOLERANCES = {"ftol": 1e-14, "xtol": 1e-10, "gtol": 1e-14}  # shares of the sum of squares, a step, and the gradient
_MOST_EVALUATIONS = 500
_AT_REST = 1e-9  # gain in `_FEW` evaluations, as a share of the sum of squares: only rounding is left
_WANDERS = 1e-3  # a fit that gains less, and is not at rest, is reported and not waited for
_FEW = 50

Function = Callable[[np.ndarray], np.ndarray]  # of the parameters


class OtherModel(Model):
    """Any other f(x, ...), as an lmfit.Model: for fits only. It has no energy, and x < 1 is not special."""

    def __init__(self, function: "lmfit.Model") -> None:
        self.name, self._function = function.name, function
        hints = function.make_params().values()
        self.parameters = tuple(Parameter(hint.name, "1", hint.min, hint.max) for hint in hints)

    def to_lmfit(self):
        return self._function

    def start(self, stretch_ratio, force):
        return self._function.make_params().valuesdict()

    def force(self, x, parameters):
        p, name = self.values(parameters), self._function.independent_vars[0]
        if np.ndim(p[0]) == 0:
            return self._function.eval(**{name: np.asarray(x, dtype=float)}, **self.by_name(map(float, p)))
        # the function need not take draws: one call for each
        return np.stack([self.force(np.asarray(x)[..., 0], self.by_name(draw)) for draw in np.transpose(p)], axis=-1)

    def jacobian(self, x, parameters):
        x, values = np.asarray(x, dtype=float), np.array(self.values(parameters))
        rows = differences(lambda draws: self.force(x.reshape(-1, 1), self.by_name(draws)), values)
        return rows.T.reshape(-1, *x.shape)


def aicc(rss: float, n: float, parameters: int) -> float:
    """Akaike's criterion with the small-sample correction, constants dropped: n log(rss/n) + 2K + 2K(K+1)/(n−K−1), K
    counts the residual variance (Burnham & Anderson 2002, section 2.4); +inf where n is not above K + 1."""
    if n <= parameters + 1:
        return np.inf
    deviance = n * np.log(rss / n) if rss > 0 else -np.inf
    return deviance + 2 * parameters + 2 * parameters * (parameters + 1) / (n - parameters - 1)


@dataclass(frozen=True)
class Solution:
    """What least squares leave: lmfit's result, the scales (geometric mean 1), and what is left of the values.

    values    : of the parameters, in the model's order; the best that were tried
    residuals : force less curve, scaled by group, unweighted  [N];  rss : weighted sum of their squares
    growth    : how the parameters move when the whole curve grows, d(parameters)/d(log scale)
    extra     : residuals of the other equations for the parameters, if there are any; not in `rss`
    """

    model: Model
    result: "lmfit.minimizer.MinimizerResult"
    values: np.ndarray
    scales: np.ndarray
    residuals: np.ndarray
    rss: float
    growth: np.ndarray
    extra: np.ndarray = field(default_factory=lambda: np.empty(0))

    @property
    def varied(self) -> np.ndarray:
        """Which parameters were not fixed."""
        return np.array([self.result.params[p.name].vary for p in self.model.parameters])

    @property
    def unknowns(self) -> int:
        """Parameters that were not fixed, and scales but one."""
        return int(self.varied.sum()) + len(self.scales) - 1

    @property
    def held(self) -> dict[str, str]:
        """Parameters that did not end inside their bounds, by name; see `CurveFit`."""
        held = {name: "fixed" for name, p in self.result.params.items() if not p.vary}
        if not self.result.success:
            return held
        x, size = self.values[self.varied], np.linalg.norm(self.result.jac, axis=0)
        room = _NO_ROOM * np.abs(x * size).max()
        for name, value, effect in zip(self.result.var_names, x, size, strict=True):
            p = self.result.params[name]
            if (value - p.min) * effect <= room:
                held[name] = "at its lower bound"
            elif (p.max - value) * effect <= room:
                held[name] = "at its upper bound"
        return held

    def covariance(self) -> tuple[np.ndarray | None, str]:
        """Of the parameters, for values of variance 1 and 0 where one was fixed; or None, and why there is none."""
        if not self.result.success:
            return None, "the fit did not come to rest; try a simpler model or give params=..."
        jacobian, names, by_name = self.result.jac, self.result.var_names, self.model.by_name(self.values)
        size = np.linalg.norm(jacobian, axis=0)
        if not size.all():
            idle = ", ".join(names[k] for k in np.flatnonzero(size == 0))
            return None, f"the data do not depend on {idle}; try a simpler model"
        at_bound = [f"{name} = {by_name[name]:.4g}" for name, how in self.held.items() if how != "fixed"]
        if at_bound:
            return None, f"{', '.join(at_bound)} at its bound: there is no standard error there; try a simpler model"
        _, singular, rows = np.linalg.svd(jacobian / size, full_matrices=False)
        if len(singular) < len(size) or singular[-1] < _SAME:
            mixed = [name for name, share in zip(names, rows[-1], strict=False) if abs(share) > 0.1]
            return None, f"the data cannot tell {', '.join(mixed) or 'the parameters'} apart; try a simpler model"
        root = np.zeros((len(self.varied), len(size)))
        root[self.varied] = (rows / singular[:, None]).T / size[:, None]
        return root @ root.T, ""


def minimise(
    model: Model, residuals: Function, params: "lmfit.Parameters", *, jacobian: Function | None = None
) -> tuple["lmfit.minimizer.MinimizerResult", np.ndarray]:
    """Least squares by lmfit: its result, and the best values (parameters,) that were tried.

    residuals : (parameters, draws) → (equations, draws)
    jacobian  : (parameters,) → (equations, parameters); by differences where there is none
    Raises ValueError where `params` are not the model's, have no start value, or an expression.
    """
    import lmfit

    start = np.array(model.values(params.valuesdict()))
    for p in params.values():
        if p.expr is not None:
            raise ValueError(f"parameter {p.name}: an expression is not taken; give a value, bounds or vary=False")
        if not np.isfinite(p.value):
            raise ValueError(f"parameter {p.name} has no start value; give one, as in make_params({p.name}=1)")
    varied = [params[p.name].vary for p in model.parameters]
    if not any(varied):
        raise ValueError("every parameter is fixed: nothing is left to fit")
    slopes = jacobian or by_differences(residuals, start)
    best, least, course = start, np.inf, []

    def in_order(p):
        return np.array([p[parameter.name].value for parameter in model.parameters])

    def residual(p):
        nonlocal best, least
        values = in_order(p)
        trial = residuals(values[:, None])[:, 0]
        if (rss := float(trial @ trial)) <= least:
            best, least = values, rss
        course.append(least)
        return trial

    def derivatives(p):
        return slopes(in_order(p))[:, varied]

    def wanders(*_):
        gain = course[-1 - _FEW] - least if len(course) > _FEW else np.inf
        return _AT_REST * least < gain < _WANDERS * least

    # a curve that is tried may be infinite: lmfit passes that on, and scipy refuses the step
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        fitter = lmfit.Minimizer(residual, params, nan_policy="propagate", max_nfev=_MOST_EVALUATIONS, iter_cb=wanders)
        try:
            result = fitter.minimize("least_squares", Dfun=derivatives, x_scale="jac", **_TOLERANCES)
        except lmfit.minimizer.AbortFitException:  # stopped by the evaluation that lmfit adds at its end
            result = fitter.result
    for name, value in model.by_name(best.tolist()).items():  # a fit that was stopped leaves the last that it tried
        result.params[name].value = value
    return result, best


def by_differences(residuals: Function, start: np.ndarray) -> Function:
    """Jacobian by differences, with steps that suit parameters of the sizes of `start`."""
    typical = np.where(start == 0, 100.0, start)  # what starts at 0 is a force [N]
    return lambda values: differences(residuals, values, typical)


def solve(
    model: Model,
    x: np.ndarray,
    y: np.ndarray,
    *,
    weights: np.ndarray,
    groups: np.ndarray | None = None,
    shares: np.ndarray | None = None,
    params: "lmfit.Parameters | None" = None,
    extra: Function | None = None,
) -> Solution:
    """Least squares of y = scale[group] · F(x), the geometric mean of the scales, weighted by `shares`, being 1.

    extra : other equations for the parameters, (parameters, draws) → residuals (equations, draws), of the variance of
        a value of weight 1

    With `extra` the scales leave out what the other equations say of the level, which matters to them only where
    groups differ in size; without, this is the joint least squares of parameters and scales.
    """
    from scipy.sparse import csr_array

    groups = np.zeros(len(x), dtype=int) if groups is None else groups
    count = int(groups.max()) + 1
    shares = np.ones(count) if shares is None else shares
    root, w = np.sqrt(weights)[:, None], weights[:, None]
    members = csr_array((np.ones(len(x)), (groups, np.arange(len(x)))), shape=(count, len(x)))
    params = model.to_lmfit().make_params(**model.start(x, y)) if params is None else params
    start = np.array(model.values(params.valuesdict()))

    def scaled(values):
        force = model.force(x[:, None], model.by_name(values))
        if count == 1:
            return np.zeros((1, values.shape[1])), force
        with np.errstate(over="ignore", invalid="ignore"):
            least_squares = (members @ (w * force * y[:, None])) / (members @ (w * force**2))
        logs = np.log(np.maximum(least_squares, _LEAST_SCALE))
        logs = logs - shares @ logs / shares.sum()
        return logs, np.exp(logs)[groups] * force

    def residuals(values):
        weighted = root * (scaled(values)[1] - y[:, None])
        return weighted if extra is None else np.vstack([weighted, extra(values)])

    def jacobian(values):
        """By the chain rule, through the logarithm of each group's scale."""
        columns, (logs, force) = model.jacobian(x, model.by_name(values)).T, scaled(values[:, None])
        if count > 1:
            columns = np.exp(logs)[groups] * columns
            pull, square = members @ (w * force * y[:, None]), members @ (w * force**2)
            change = members @ (w * y[:, None] * columns) / pull - 2 * (members @ (w * force * columns)) / square
            change = np.where(pull > 0, change, 0.0)  # elsewhere the scale is the least there is
            columns = columns + force * (change - shares @ change / shares.sum())[groups]
        return root * columns if extra is None else np.vstack([root * columns, by_differences(extra, start)(values)])

    derivatives = by_differences(residuals, start) if isinstance(model, OtherModel) else jacobian
    result, values = in_inner_coordinates(model, x, residuals, params, derivatives)
    logs, force = scaled(values[:, None])
    at_end, others = np.split(residuals(values[:, None])[:, 0], [len(x)])
    by_name, growth = model.by_name(values), np.zeros(len(values))
    varied = np.array([params[name].vary for name in by_name])
    growth[varied] = along(root * model.jacobian(x, by_name)[varied].T, root[:, 0] * model.force(x, by_name))
    return Solution(
        model=model,
        result=result,
        values=values,
        scales=np.exp(logs[:, 0]),
        residuals=y - force[:, 0],
        rss=float(at_end @ at_end),
        growth=growth,
        extra=others,
    )


def amid(stretch_ratio: np.ndarray) -> float:
    """The stretch ratio that inner coordinates are taken at: half way to the greatest."""
    return 1 + max(float(np.max(stretch_ratio)) - 1, 0.01) / 2


def inner_bounds(model: Model, params: "lmfit.Parameters", stretch_ratio: float) -> np.ndarray | None:
    """Least and greatest inner coordinates, (2, parameters); None where the model has none of its own, or where other
    bounds than the model's hold the parameters."""
    limits = np.array([(p.lower, p.upper) for p in model.parameters]).T
    free = all(params[p.name].vary for p in model.parameters)
    here = np.array([(params[p.name].min, params[p.name].max) for p in model.parameters]).T
    bounds = np.sort([model.inner(limit, stretch_ratio) for limit in limits], axis=0)
    return bounds if free and np.array_equal(limits, here) and not np.array_equal(limits, bounds) else None


def in_inner_coordinates(
    model: Model, x: np.ndarray, residuals: Function, params: "lmfit.Parameters", jacobian: Function
) -> tuple["lmfit.minimizer.MinimizerResult", np.ndarray]:
    """`minimise` in the model's inner coordinates, unless other bounds than the model's hold the parameters."""
    middle, inner, best = amid(x), params.copy(), params.copy()
    bounds = inner_bounds(model, params, middle)
    if bounds is None:
        return minimise(model, residuals, params, jacobian=jacobian)
    start = model.inner(np.array(model.values(params.valuesdict())), middle)
    for p, value, low, high in zip(model.parameters, start, *bounds, strict=True):
        inner[p.name].set(value=value, min=low, max=high)

    def by_inner(values):
        at = model.outer(values, middle)
        return model.inner_jacobian(jacobian(at).T, at, middle).T

    result, values = minimise(model, lambda values: residuals(model.outer(values, middle)), inner, jacobian=by_inner)
    values = model.outer(values, middle)
    for name, value in model.by_name(values.tolist()).items():
        best[name].set(value=value)
    # lmfit's standard errors are those of the inner coordinates
    result.params, result.covar, result.errorbars = best, None, False
    if result.success:
        result.jac = jacobian(values)
    return result, values


def along(jacobian: np.ndarray, change: np.ndarray) -> np.ndarray:
    """The step of the parameters that changes what was fitted by `change`, by least squares."""
    size = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-300)
    return np.linalg.lstsq(jacobian / size, change)[0] / size

"""One fitted curve: lmfit finds the parameters, and the bands say how well they are known.

Each cord (or drop) may have a stiffness scale. The scales are eliminated (variable projection, Golub & Pereyra,
SIAM J. Numer. Anal. 10 (1973) 413, from memory): at any parameters they are those of least squares in each group,
brought to geometric mean 1. lmfit gets what is left, the projected residuals, and their full Jacobian.

A band that the data do not give is refused with the reason (`NoBand`).
"""

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from cordlab.curves.models import Curve, Model, OtherModel, differences
from cordlab.curves.models import model as named_model
from cordlab.statistics.groups import EvidenceError, GroupLines, NextValue
from cordlab.statistics.propagation import t_margin, welch_satterthwaite
from cordlab.units import notebook_html

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


class NoBand(ValueError):
    """The data do not give this uncertainty; the message says why and what to try."""


def aicc(rss: float, n: float, parameters: int) -> float:
    """Akaike's criterion with the small-sample correction, constants dropped; `parameters` count the residual variance.

    n log(rss/n) + 2K + 2K(K+1)/(n−K−1), Burnham & Anderson 2002, section 2.4; +inf where n is not above K + 1.
    """
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
        result = fitter.minimize("least_squares", Dfun=derivatives, x_scale="jac", **_TOLERANCES)
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
    bounds than the model's hold the parameters.
    """
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


@dataclass(frozen=True)
class Band:
    """A two-sided band about a curve; arrays of one shape  [1, N, N, N].

    kind : "confidence" (the mean curve), "another cord", "this cord" or "prediction" (one new value)
    dof  : effective degrees of freedom (JCGM 100:2008 G.4.1), to show how much the band rests on: its width takes each
        part of the variance with its own
    """

    kind: str
    level: float
    stretch_ratio: np.ndarray
    force: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    dof: np.ndarray
    label: str  # for a legend

    def table(self) -> pd.DataFrame:
        """One row a stretch ratio: force and both limits."""
        columns = {"stretch ratio [1]": self.stretch_ratio, "force [N]": self.force}
        columns |= {"lower [N]": self.lower, "upper [N]": self.upper}
        return pd.DataFrame({name: np.ravel(values) for name, values in columns.items()})


@dataclass(frozen=True)
class CurveFit:
    """A fitted curve, from `fit_curve` or the fit of a batch.

    Attributes
    ----------
    curve, parameters : Curve, dict
        The mean curve of the batch (scale 1), and its parameters.
    result : lmfit.minimizer.MinimizerResult
        For lmfit's report. Its standard errors count every value as independent, and Ogden's models have none there:
        take those here.
    residuals, residual_sd, dof
        Force less curve, scaled by cord or drop; the standard deviation of a value of weight 1 [N]; its degrees of
        freedom.
    aicc : float
        Akaike's criterion, counting scales and residual variance; Burnham & Anderson 2002, section 2.4.
    scales : dict
        Cord to its stiffness relative to the batch, geometric mean 1; empty where no cords were named.
    held : dict
        Parameter to "fixed", "at its lower bound" or "at its upper bound"; those inside their bounds are not in it.
    no_band : str
        Why there is no covariance; "" where there is one.

    Examples
    --------
    >>> import cordlab, numpy as np
    >>> x = np.tile(np.linspace(1.1, 3.0, 20), 3)
    >>> cords = np.repeat(["A", "B", "C"], 20)
    >>> force = cordlab.Curve("linear", {"stiffness": 900.0}).force(x) * np.repeat([0.99, 1.0, 1.01], 20)
    >>> fit = cordlab.fit_curve(x, force, model="linear", cords=cords)
    >>> band = fit.prediction_band(2.0, 0.95)
    >>> print(f"another cord at twice its length: {band.lower:.0f} to {band.upper:.0f} N")
    another cord at twice its length: 855 to 945 N
    """

    curve: Curve
    result: "lmfit.minimizer.MinimizerResult" = field(repr=False, compare=False)
    residuals: np.ndarray
    residual_sd: float
    dof: float
    aicc: float
    scales: Mapping[Hashable, float]
    held: Mapping[str, str]
    no_band: str
    log_scales: GroupLines | None = field(repr=False)  # with the cords as groups
    by_drop: bool  # whether `log_scales` has one value a drop, or one a cord
    shape_covariance: np.ndarray | None = field(repr=False)
    growth: np.ndarray = field(repr=False)  # how the parameters move when the whole curve grows, by the log of a scale
    reach: float  # greatest stretch ratio that was fitted; nan where x is no stretch ratio

    @property
    def model(self) -> Model:
        return self.curve.model

    @property
    def parameters(self) -> dict[str, float]:
        return {name: float(value) for name, value in self.curve.parameters.items()}

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of the parameters in the model's order, 0 for fixed ones; NoBand where the data give none.

        Where there are cords, the batch's level is known no better than the mean of its cords, and that is in it.
        """
        return self._shape() + self._level()[0] * np.outer(self.growth, self.growth)

    @property
    def standard_errors(self) -> dict[str, float]:
        """Standard error of each parameter, 0 for fixed ones; NoBand where the data do not give them."""
        return self.model.by_name(np.sqrt(np.diag(self.covariance)).tolist())

    def confidence_band(self, stretch_ratio, level: float = 0.95) -> Band:
        """Band for the mean curve: of the batch where there are at least 2 cords, else of what was fitted."""
        force, variance = self._mean(stretch_ratio)
        relative, dof = self._level()
        of = f"mean of the batch, {len(self.scales)} cords" if relative else "the curve fitted"
        return _band("confidence", level, stretch_ratio, force, [(variance, self.dof), (force**2 * relative, dof)], of)

    def prediction_band(self, stretch_ratio, level: float = 0.95, this_cord=None, weight: float = 1.0) -> Band:
        """Band for one new value: of `this_cord`, else of another cord; without cords, of the same source.

        weight : of the new value; its variance is residual_sd² / weight  [1]
        Raises NoBand where there are too few cords or drops, or no covariance.
        """
        force, variance = self._mean(stretch_ratio)
        scale, of_scale, kind, of = 1.0, [], "prediction", "a new value"
        if self.log_scales is not None and this_cord is None:
            of_scale = _scale_variance(self.log_scales.another_group)
            kind, of = "another cord", f"another cord, from {len(self.scales)}"
        elif self.log_scales is not None:
            if this_cord not in self.scales:
                raise ValueError(f"cord {this_cord!r} is not in the fit; it has {', '.join(map(str, self.scales))}")
            scale, kind, of = self.scales[this_cord], "this cord", f"cord {this_cord}"
            if self.by_drop:  # without drops, values scatter about the cord's curve by the residuals alone
                of_scale = _scale_variance(self.log_scales.this_group, this_cord)
        force = scale * force
        parts = [(variance * scale**2 + self.residual_sd**2 / weight, self.dof)]
        parts += [(force**2 * part, dof) for part, dof in of_scale]
        return _band(kind, level, stretch_ratio, force, parts, of)

    def table(self) -> pd.DataFrame:
        """One row a parameter, with its unit: value, standard error (nan where there is none), and how it is held."""
        errors = {} if self.no_band else self.standard_errors
        rows = [(value, errors.get(name, np.nan), self.held.get(name, "")) for name, value in self.parameters.items()]
        heads = [p.head for p in self.model.parameters]
        return pd.DataFrame(rows, pd.Index(heads, name="parameter"), ["value", "standard error", "held"])

    def summary(self) -> str:
        head, *remarks = self._remarks()
        return "\n".join([head, self.table().to_string(float_format="{:.5g}".format), *remarks])

    def _repr_html_(self) -> str:
        return notebook_html("\n".join(self._remarks()), self.table())

    def _remarks(self) -> list[str]:
        lines = [f"{self.model.name}: residual sd {self.residual_sd:.4g} N, {self.dof:.4g} dof, AICc {self.aicc:.2f}"]
        if self.scales:
            lines.append("scales: " + ", ".join(f"{cord} {scale:.4f}" for cord, scale in self.scales.items()))
        if self.no_band:
            lines.append(f"no band: {self.no_band}")
        if self.reach > 1 and (rises := self.curve.rises_to(self.reach)) < self.reach:
            lines.append(f"the force stops rising at stretch ratio {rises:.2f}, within the data: try another model")
        return lines

    def to_dict(self) -> dict:
        """For results.json; standard errors are None where the data do not give them."""
        return {
            "model": self.model.name,
            "parameters": self.parameters,
            "standard_errors": dict.fromkeys(self.parameters) if self.no_band else self.standard_errors,
            "scales": {str(cord): scale for cord, scale in self.scales.items()},
            "residual_sd": self.residual_sd,
            "dof": self.dof,
            "aicc": self.aicc,
            "no_band": self.no_band,
        }

    def _shape(self) -> np.ndarray:
        if self.shape_covariance is None:
            raise NoBand(f"{self.model.name}: {self.no_band}")
        return self.shape_covariance

    def _level(self) -> tuple[float, float]:
        """Relative variance of the batch's level, from the differences between cords, and its degrees of freedom."""
        if self.log_scales is None or len(self.scales) < 2:
            return 0.0, np.inf
        return float(np.var(self.log_scales.group_values(0.0), ddof=1)) / len(self.scales), len(self.scales) - 1

    def _mean(self, stretch_ratio) -> tuple[np.ndarray, np.ndarray]:
        """Force of the mean curve and the variance of its shape; NoBand where it may have locked up by then."""
        x, at, shape = (
            np.asarray(stretch_ratio, dtype=float),
            np.array(self.model.values(self.parameters)),
            self._shape(),
        )
        lock_up = float(self.curve.lock_up)
        if np.isfinite(lock_up):
            slope = differences(lambda values: self.model.lock_up(self.model.by_name(values))[None], at)[0]
            error = float(np.sqrt(slope @ shape @ slope))
            if x.max() >= lock_up - 2 * error:
                raise NoBand(
                    f"{self.model.name} locks up at stretch ratio {lock_up:.3f}, u = {error:.1g}: there is no band "
                    f"from {lock_up - 2 * error:.3f} on; ask for less stretch"
                )
        jacobian = self.model.jacobian(x, self.parameters)
        return self.curve.force(x), np.einsum("i...,ij,j...->...", jacobian, shape, jacobian)


def _scale_variance(next_value: Callable[..., NextValue], *group: Hashable) -> list[tuple[float, float]]:
    """Variance of the next drop's scale in its parts, each with its degrees of freedom; NoBand where there is none."""
    try:
        value = next_value(*group)
    except EvidenceError as reason:
        raise NoBand(str(reason)) from reason
    return list(zip(value.variances[:, 0].tolist(), value.dof, strict=True))


def _band(kind: str, level: float, x, force: np.ndarray, parts: Sequence[tuple], of: str) -> Band:
    """A band from parts of a variance [N²], each with its degrees of freedom."""
    u = np.sqrt(np.stack(np.broadcast_arrays(*(variance for variance, _ in parts))))
    dof = [part_dof for _, part_dof in parts]
    half, effective = t_margin(u, dof, level, sides=2), welch_satterthwaite(u, dof)[1]
    label = f"{100 * level:g} % {'confidence' if kind == 'confidence' else 'prediction'}: {of}"
    return Band(kind, level, np.asarray(x, dtype=float), force, force - half, force + half, effective, label)


def fit_curve(
    stretch_ratio,
    force,
    *,
    model: "Model | str | lmfit.Model",
    cords: Sequence[Hashable] | None = None,
    weights=None,
    params: "lmfit.Parameters | None" = None,
) -> CurveFit:
    """Fit one curve, with one stiffness scale for each of `cords`, by least squares (lmfit).

    Parameters
    ----------
    stretch_ratio, force : array_like, (n,)
        Stretched length over slack length [1], and force [N].
    model : str, Model or lmfit.Model
        A name of `models()`, a model that you wrote, or any other f(x, ...) as an lmfit.Model.
    cords : sequence, (n,), optional
        Name of the cord of each value. The scales have geometric mean 1.
    weights : array_like, (n,), optional
        Relative to 1/variance: the sum of weight times squared residual is least.
    params : lmfit.Parameters, optional
        Start values and bounds, and which parameters are fixed. Without them, those of the model, from the data.

    Returns
    -------
    CurveFit

    Raises
    ------
    ValueError
        On bad shapes or values, or `params` that are not those of the model.

    Notes
    -----
    Each value counts as independent. Samples of a drop are not: for drops use `analyse`, which counts cords and drops.

    Examples
    --------
    >>> import cordlab, numpy as np
    >>> x = np.linspace(1.1, 3.0, 20)
    >>> force = cordlab.Curve("gent", {"mu": 600.0, "j": 30.0}).force(x) + np.tile([2.0, -2.0], 10)
    >>> fit = cordlab.fit_curve(x, force, model="gent")
    >>> print(f"j = {fit.parameters['j']:.1f}, standard error {fit.standard_errors['j']:.1f}")
    j = 30.0, standard error 0.1

    Fix one parameter, or bound it; the table says which one did not move freely:

    >>> params = cordlab.model("gent").to_lmfit().guess(force, x=x)
    >>> params["j"].set(value=25, vary=False)
    >>> fit = cordlab.fit_curve(x, force, model="gent", params=params)
    >>> fit.table()["held"].to_dict()
    {'mu [N]': '', 'j [1]': 'fixed'}
    >>> params["j"].set(vary=True, max=28)
    >>> cordlab.fit_curve(x, force, model="gent", params=params).held
    {'j': 'at its upper bound'}

    References
    ----------
    Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413; Burnham & Anderson, Model Selection (2002), section 2.4.
    """
    x, y, w = _checked(stretch_ratio, force, weights)
    names, groups = None, None
    if cords is not None:
        if len(cords) != len(x):
            raise ValueError(f"{len(cords)} names of cords for {len(x)} values")
        groups, names = pd.factorize(np.asarray(cords))
    solution = solve(_family(model, x, params), x, y, weights=w, groups=groups, params=params)
    scales = {} if names is None else dict(zip(names.tolist(), solution.scales.tolist(), strict=True))
    return as_fit(
        solution,
        dof=len(x) - solution.unknowns,
        aicc=aicc(solution.rss, len(x), solution.unknowns + 1) - float(np.log(w).sum()),
        scales=scales,
        log_scales=GroupLines.of(np.log(solution.scales), group=list(scales)) if scales else None,
        reach=np.nan if isinstance(solution.model, OtherModel) else float(x.max()),
    )


def _family(model: "Model | str | lmfit.Model", x: np.ndarray, params: "lmfit.Parameters | None") -> Model:
    """The model with the parameters of `params`, or as it is for data at these stretch ratios."""
    if isinstance(model, str):
        model = named_model(model)
    if not isinstance(model, Model):
        return OtherModel(model)
    return model.placed(x) if params is None else model.matching(params)


def _checked(stretch_ratio, force, weights) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = np.asarray(stretch_ratio, dtype=float), np.asarray(force, dtype=float)
    w = np.ones_like(y) if weights is None else np.asarray(weights, dtype=float)
    if x.ndim != 1 or not x.shape == y.shape == w.shape:
        raise ValueError(f"stretch ratio, force and weights need one shape (n,); got {x.shape}, {y.shape}, {w.shape}")
    for what, values in (("stretch ratio", x), ("force", y), ("weights", w)):
        if not np.isfinite(values).all():
            raise ValueError(f"{what}, value {np.flatnonzero(~np.isfinite(values))[0]}: not a finite number")
    if (w <= 0).any():
        raise ValueError(f"weights, value {np.flatnonzero(w <= 0)[0]}: {w.min():g} is not above 0")
    return x, y, w


def as_fit(
    solution: Solution,
    *,
    dof: float,
    aicc: float,
    scales: Mapping,
    log_scales: GroupLines | None,
    reach: float,
    by_drop: bool = False,
    inflate: float = 1.0,
) -> CurveFit:
    """A solution as a CurveFit with this many degrees of freedom; `inflate` its covariance for correlated residuals."""
    count = len(solution.residuals)
    covariance, no_band = solution.covariance()
    if dof < 1 and not no_band:
        covariance, no_band = None, f"{count} values for {count - dof:g} unknowns; measure more"
    # correlated residuals still have the variance that their number says: rss over n − K, not over the smaller dof
    variance = solution.rss / max(count - solution.unknowns, 1)
    return CurveFit(
        curve=Curve(solution.model, solution.model.by_name(solution.values.tolist())),
        result=solution.result,
        residuals=solution.residuals,
        residual_sd=float(np.sqrt(variance)),
        dof=dof,
        aicc=aicc,
        scales=scales,
        held=solution.held,
        no_band=no_band,
        log_scales=log_scales,
        by_drop=by_drop,
        shape_covariance=None if covariance is None else inflate * variance * covariance,
        growth=solution.growth,
        reach=reach,
    )

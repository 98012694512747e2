"""One fitted curve: its parameters, and the bands that say how well they are known, or why there is none (`NoBand`)."""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from cordlab.curves.least_squares import OtherModel, Solution, aicc, solve
from cordlab.curves.models import Curve, Model, differences
from cordlab.curves.models import model as named_model
from cordlab.statistics.groups import EvidenceError, GroupLines
from cordlab.statistics.propagation import t_margin, welch_satterthwaite
from cordlab.units import notebook_html

if TYPE_CHECKING:
    import lmfit


class NoBand(ValueError):
    """The data do not give this uncertainty; the message says why and what to try."""


@dataclass(frozen=True)
class Band:
    """A two-sided band about a curve; arrays of one shape  [1, N, N, N]."""

    kind: str  # "confidence" (the mean curve), "another cord", "this cord" or "prediction" (one new value)
    level: float
    stretch_ratio: np.ndarray
    force: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    dof: np.ndarray  # effective (JCGM 100:2008 G.4.1), to show: the width takes each part of the variance with its own
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
        For lmfit's report, which counts every value as independent: take standard errors here.
    residuals, residual_sd, dof
        Force less curve, scaled by cord or drop; sd of a value of weight 1 [N]; its degrees of freedom.
    aicc : float
        Akaike's criterion, counting scales and residual variance; Burnham & Anderson 2002, section 2.4.
    scales : dict
        Cord to its stiffness relative to the batch, geometric mean 1; empty where no cords were named.
    held, no_band : dict, str
        Parameter to "fixed", "at its lower bound" or "at its upper bound"; why there is no covariance, or "".

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
        """Covariance of the parameters in order, 0 for fixed ones; that of the batch's level is in it.
        NoBand where the data give none."""
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
        """Band for one new value of this weight: of `this_cord`, of another cord, or where there are no cords of any.
        NoBand where there are too few cords or drops, or no covariance."""
        force, variance = self._mean(stretch_ratio)
        scale, value, kind, of = 1.0, None, "prediction", "a new value"
        try:
            if self.log_scales is not None and this_cord is None:
                value = self.log_scales.another_group()
                kind, of = "another cord", f"another cord, from {len(self.scales)}"
            elif self.log_scales is not None:
                if this_cord not in self.scales:
                    raise ValueError(f"cord {this_cord!r} is not in the fit; it has {', '.join(map(str, self.scales))}")
                scale, kind, of = self.scales[this_cord], "this cord", f"cord {this_cord}"
                if self.by_drop:  # without drops, values scatter about the cord's curve by the residuals alone
                    value = self.log_scales.this_group(this_cord)
        except EvidenceError as reason:
            raise NoBand(str(reason)) from reason
        force = scale * force
        parts = [(variance * scale**2 + self.residual_sd**2 / weight, self.dof)]
        if value is not None:
            of_scale = zip(value.variances[:, 0].tolist(), value.dof, strict=True)
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
        x, at = np.asarray(stretch_ratio, dtype=float), np.array(self.model.values(self.parameters))
        shape, lock_up = self._shape(), float(self.curve.lock_up)
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

    Each value counts as independent. Samples of a drop are not: for drops use `analyse`, which counts cords and drops.

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

    Raises
    ------
    ValueError
        On bad shapes or values, or `params` that are not those of the model.

    Examples
    --------
    >>> import cordlab, numpy as np
    >>> x = np.linspace(1.1, 3.0, 20)
    >>> force = cordlab.Curve("gent", {"mu": 600.0, "j": 30.0}).force(x) + np.tile([2.0, -2.0], 10)
    >>> fit = cordlab.fit_curve(x, force, model="gent")
    >>> print(f"j = {fit.parameters['j']:.1f}, standard error {fit.standard_errors['j']:.1f}")
    j = 30.0, standard error 0.1
    >>> params = cordlab.model("gent").to_lmfit().guess(force, x=x)
    >>> params["j"].set(value=25, vary=False)  # fix it, or give it bounds
    >>> cordlab.fit_curve(x, force, model="gent", params=params).held
    {'j': 'fixed'}
    """
    x, y = np.asarray(stretch_ratio, dtype=float), np.asarray(force, dtype=float)
    w = np.ones_like(y) if weights is None else np.asarray(weights, dtype=float)
    if x.ndim != 1 or not x.shape == y.shape == w.shape:
        raise ValueError(f"stretch ratio, force and weights need one shape (n,); got {x.shape}, {y.shape}, {w.shape}")
    for what, values in (("stretch ratio", x), ("force", y), ("weights", w)):
        if not np.isfinite(values).all():
            raise ValueError(f"{what}, value {np.flatnonzero(~np.isfinite(values))[0]}: not a finite number")
    if (w <= 0).any():
        raise ValueError(f"weights, value {np.flatnonzero(w <= 0)[0]}: {w.min():g} is not above 0")
    names, groups = None, None
    if cords is not None:
        if len(cords) != len(x):
            raise ValueError(f"{len(cords)} names of cords for {len(x)} values")
        groups, names = pd.factorize(np.asarray(cords))
    family = named_model(model) if isinstance(model, str) else model
    if not isinstance(family, Model):
        family = OtherModel(family)
    else:
        family = family.placed(x) if params is None else family.matching(params)
    solution = solve(family, x, y, weights=w, groups=groups, params=params)
    scales = {} if names is None else dict(zip(names.tolist(), solution.scales.tolist(), strict=True))
    return as_fit(
        solution,
        dof=len(x) - solution.unknowns,
        aicc=aicc(solution.rss, len(x), solution.unknowns + 1) - float(np.log(w).sum()),
        scales=scales,
        log_scales=GroupLines.of(np.log(solution.scales), group=list(scales)) if scales else None,
        reach=np.nan if isinstance(solution.model, OtherModel) else float(x.max()),
    )


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

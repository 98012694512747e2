"""One fitted curve: its parameters with their covariance where there is one, and its bands, kept apart.

A band that the data do not give is refused with the reason (`NoBand`): a parameter at its bound, parameters that cannot
be told apart, a fit that did not converge, too few values, cords or drops.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from cordlab.curves.models import Curve, FunctionModel, Model
from cordlab.curves.models import model as named
from cordlab.curves.squares import Solved, aicc, differences, solve


class NoBand(ValueError):
    """The data do not give this uncertainty; the message says why and what to try."""


@dataclass(frozen=True)
class Band:
    """A two-sided band about a curve.

    kind           : "confidence" (the mean curve), "another cord" or "this cord" (one new value)
    level          : probability  [1]
    stretch_ratio, force, lower, upper : arrays of one shape  [1, N, N, N]
    dof            : effective degrees of freedom of the variance at each point (Welch–Satterthwaite, JCGM 100:2008
        G.4.1), to tell how much a band rests on; its width takes each source of variance with its own
    label          : the name for a legend
    """

    kind: str
    level: float
    stretch_ratio: np.ndarray
    force: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    dof: np.ndarray
    label: str


@dataclass(frozen=True)
class Spread:
    """Relative spread of stiffness, from the logarithms of the scales.

    cord_sd : sd of the cords' scales (it holds the drops' share too), n_cords of them  [1]
    drop_sd : sd of drops within a cord, drop_dof degrees of freedom; nan where each cord has one drop  [1]
    drops   : cord → number of drops
    """

    cord_sd: float
    n_cords: int
    drop_sd: float = np.nan
    drop_dof: int = 0
    drops: Mapping[Hashable, int] = field(default_factory=dict)

    @classmethod
    def of(
        cls, cords: np.ndarray, within: float = 0.0, dof: int = 0, drops: Mapping[Hashable, int] | None = None
    ) -> "Spread":
        """From ln of the cords' scales, the drops' sum of squares about their cords and its degrees of freedom."""
        return cls(
            cord_sd=float(np.std(cords, ddof=1)) if len(cords) > 1 else np.nan,
            n_cords=len(cords),
            drop_sd=float(np.sqrt(within / dof)) if dof > 0 else np.nan,
            drop_dof=max(dof, 0),
            drops=drops or {},
        )

    def next_drop(self, cord: Hashable) -> tuple[float, float]:
        """Variance and degrees of freedom of the next drop of a tested cord, its own scale's uncertainty included."""
        if self.drop_dof:
            return self.drop_sd**2 * (1 + 1 / self.drops[cord]), self.drop_dof
        if self.n_cords < 2:
            raise NoBand("one drop of one cord says nothing about the next drop: drop it again, or test more cords")
        return 2 * self.cord_sd**2, self.n_cords - 1  # one drop a cord: drops scatter no more than the scales do

    def another_cord(self) -> list[tuple[float, float]]:
        """Variances and degrees of freedom of the next drop of another cord, the mean's uncertainty included."""
        if self.n_cords < 2:
            raise NoBand("only 1 cord: a band for another cord needs at least 2; ask for this_cord=..., or test more")
        parts: list[tuple[float, float]] = [(self.cord_sd**2 * (1 + 1 / self.n_cords), self.n_cords - 1)]
        if self.drop_dof:
            share = float(np.mean([1 / count for count in self.drops.values()]))
            parts.append((self.drop_sd**2 * (1 - share), self.drop_dof))
        return parts


@dataclass(frozen=True)
class CurveFit:
    """A fitted curve.

    curve       : the mean curve of the batch (scale 1)
    residuals   : force less curve, each with its own scale  [N]
    residual_sd : sd of a value of weight 1  [N]
    dof         : degrees of freedom of `residual_sd`
    aicc        : with K counting scales and residual variance; Burnham & Anderson 2002, section 2.4
    scales      : cord → stiffness relative to the batch, geometric mean 1; empty where no cords were named
    no_band     : why there is no covariance; "" where there is one
    spread      : of the scales; None where no cords were named
    growth      : how the parameters move when the whole curve grows, d(parameters)/d(log scale)
    reach       : greatest stretch ratio that was fitted; nan where x is no stretch ratio
    """

    curve: Curve
    residuals: np.ndarray
    residual_sd: float
    dof: float
    aicc: float
    scales: Mapping[Hashable, float]
    no_band: str
    spread: Spread | None
    shape_covariance: np.ndarray | None = field(repr=False)
    growth: np.ndarray = field(repr=False)
    reach: float

    @property
    def model(self) -> Model:
        return self.curve.model

    @property
    def parameters(self) -> dict[str, float]:
        return {name: float(value) for name, value in self.curve.parameters.items()}

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of the parameters in the model's order; NoBand where the data do not give one.

        Where there are cords, the batch's level is known no better than the mean of its cords, and that is in it.
        """
        shape, (level, _) = self._shape(), self._level()
        if level == 0:
            return shape
        return shape + level * np.outer(self.growth, self.growth)

    @property
    def standard_errors(self) -> dict[str, float]:
        """Standard error of each parameter; NoBand where the data do not give them."""
        return self.model.by_name(np.sqrt(np.diag(self.covariance)).tolist())

    def confidence_band(self, stretch_ratio, level: float = 0.95) -> Band:
        """Band for the mean curve: of the batch where there are at least 2 cords, else of what was fitted."""
        force, variance = self._mean(stretch_ratio)
        relative, dof = self._level()
        of = f"mean of the batch, {self.spread.n_cords} cords" if self.spread and relative else "the curve fitted"
        return _band("confidence", level, stretch_ratio, force, [(variance, self.dof), (force**2 * relative, dof)], of)

    def prediction_band(self, stretch_ratio, level: float = 0.95, this_cord=None, weight: float = 1.0) -> Band:
        """Band for one new value: of `this_cord`, else of another cord; without cords, of the same source.

        weight : of the new value; its variance is residual_sd² / weight  [1]
        Raises NoBand where there are too few cords or drops, or no covariance.
        """
        force, variance = self._mean(stretch_ratio)
        new = self.residual_sd**2 / weight
        if self.spread is None:
            return _band("prediction", level, stretch_ratio, force, [(variance + new, self.dof)], "a new value")
        if this_cord is None:
            parts = [(force**2 * relative, dof) for relative, dof in self.spread.another_cord()]
            of = f"another cord, from {self.spread.n_cords}"
            return _band("another cord", level, stretch_ratio, force, [(variance + new, self.dof), *parts], of)
        if this_cord not in self.scales:
            raise ValueError(f"cord {this_cord!r} is not in the fit; it has {', '.join(map(str, self.scales))}")
        scale = self.scales[this_cord]
        parts = [(variance * scale**2 + new, self.dof)]
        # without drops to tell apart, values scatter about the cord's curve by the residuals alone
        if self.spread.drops:
            relative, dof = self.spread.next_drop(this_cord)
            parts.append(((scale * force) ** 2 * relative, dof))
        return _band("this cord", level, stretch_ratio, scale * force, parts, f"cord {this_cord}")

    def summary(self) -> str:
        lines = [f"{self.model.name}: residual sd {self.residual_sd:.4g} N, {self.dof:.4g} dof, AICc {self.aicc:.2f}"]
        errors = {} if self.no_band else self.standard_errors
        for p in self.model.parameters:
            error = f" ± {errors[p.name]:.2g}" if errors else ""
            unit = "" if p.unit == "1" else f" {p.unit}"
            lines.append(f"  {p.name} = {self.parameters[p.name]:.5g}{error}{unit}")
        if self.scales:
            lines.append("  scales: " + ", ".join(f"{cord} {scale:.4f}" for cord, scale in self.scales.items()))
        if self.no_band:
            lines.append(f"  no band: {self.no_band}")
        if self.reach > 1 and (rises := self.curve.rises_to(self.reach)) < self.reach:
            lines.append(f"  the force stops rising at stretch ratio {rises:.2f}, within the data: try another model")
        return "\n".join(lines)

    def to_dict(self) -> dict:
        """For results.json; standard errors are None where the data do not give them."""
        errors = {p.name: None for p in self.model.parameters} if self.no_band else self.standard_errors
        return {
            "model": self.model.name,
            "parameters": self.parameters,
            "standard_errors": errors,
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
        """Relative variance of the batch's level, from the spread between cords."""
        if self.spread is None or self.spread.n_cords < 2:
            return 0.0, np.inf
        return self.spread.cord_sd**2 / self.spread.n_cords, self.spread.n_cords - 1

    def _mean(self, stretch_ratio) -> tuple[np.ndarray, np.ndarray]:
        """Force of the mean curve and the variance of its shape."""
        x = np.asarray(stretch_ratio, dtype=float)
        self._stop_at_lock_up(float(x.max()))
        jacobian = self.model.jacobian(x, self.parameters)
        variance = np.einsum("i...,ij,j...->...", jacobian, self._shape(), jacobian)
        return self.curve.force(x), variance

    def _stop_at_lock_up(self, most: float) -> None:
        """NoBand where the curve, as well as it is known (two standard errors), may have locked up by then."""
        lock_up = float(self.curve.lock_up)
        if np.isinf(lock_up):
            return
        at = np.array(self.model.values(self.parameters))
        slope = differences(lambda values: self.model.lock_up(self.model.by_name(values))[None], at)[0]
        error = float(np.sqrt(slope @ self._shape() @ slope))
        if most >= lock_up - 2 * error:
            raise NoBand(
                f"{self.model.name} locks up at stretch ratio {lock_up:.3f} ± {error:.1g}: there is no band from "
                f"{lock_up - 2 * error:.3f} on; ask for less stretch"
            )


def _band(kind: str, level: float, x, force: np.ndarray, parts: Sequence[tuple], of: str) -> Band:
    """A band from parts of a variance, each with its degrees of freedom ν: half its width is √Σ t_ν² part.

    Such a band holds at least as often as it says, whatever the true parts (Banerjee, Sankhyā 22 (1960) 357, from
    memory). One t with the effective degrees of freedom does not: from 2 cords that scatter more than their drops it
    would hold 90 times in 100 instead of 95.
    """
    from scipy.special import stdtrit

    variance = sum(part for part, _ in parts)
    with np.errstate(divide="ignore", invalid="ignore"):  # no spread at all, as at the slack end: any dof will do
        dof = np.nan_to_num(variance**2 / sum(part**2 / dof for part, dof in parts), nan=np.inf)
    half = np.sqrt(sum(stdtrit(min(own, 1e9), (1 + level) / 2) ** 2 * part for part, own in parts))
    label = f"{100 * level:g} % {'confidence' if kind == 'confidence' else 'prediction'}: {of}"
    return Band(kind, level, np.asarray(x, dtype=float), force, force - half, force + half, dof, label)


def fit_curve(
    stretch_ratio,
    force,
    *,
    model: Model | str,
    cords: Sequence[Hashable] | None = None,
    weights=None,
    start: Mapping[str, float] | None = None,
) -> CurveFit:
    """Fit one curve, with one stiffness scale for each of `cords`, by least squares.

    stretch_ratio, force : (n,)  [1, N]
    cords                : (n,) name of the cord of each value; scales have geometric mean 1
    weights              : (n,) relative to 1/variance: Σ weight·residual² is least
    start                : parameter → start value; else from the data
    Each value counts as independent: for samples of drops use `fit_batch`. Raises ValueError on bad shapes or values.
    """
    x, y, w = _checked(stretch_ratio, force, weights)
    family = (named(model) if isinstance(model, str) else model).placed(x)
    names, groups = (None, None) if cords is None else _grouped(cords, len(x))
    solved = solve(family, x, y, weights=w, groups=groups, start=start)
    scales = dict(zip(names, solved.scales.tolist(), strict=True)) if names else {}
    criterion = aicc(solved.rss, len(x), solved.unknowns + 1) - float(np.log(w).sum())
    spread = Spread.of(np.log(solved.scales)) if names else None
    reach = np.nan if isinstance(family, FunctionModel) else float(x.max())
    dof = len(x) - solved.unknowns
    return as_fit(solved, dof=dof, aicc=criterion, scales=scales, spread=spread, reach=reach)


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


def _grouped(labels: Sequence[Hashable], n: int) -> tuple[list[Hashable], np.ndarray]:
    if len(labels) != n:
        raise ValueError(f"{len(labels)} names of cords for {n} values")
    place = {name: k for k, name in enumerate(dict.fromkeys(labels))}
    return list(place), np.array([place[label] for label in labels])


def as_fit(
    solved: Solved,
    *,
    dof: float,
    aicc: float,
    scales: Mapping,
    spread: Spread | None,
    reach: float,
    inflate: float = 1.0,
) -> CurveFit:
    """A solution as a CurveFit with this many degrees of freedom; `inflate` its covariance for correlated residuals."""
    count, trouble, covariance = len(solved.residuals), solved.trouble, None
    if dof < 1 and not trouble:
        trouble = f"{count} values for {count - dof:g} unknowns; measure more"
    # correlated residuals still have the variance that their number says: rss over n − K, not over the smaller dof
    variance = solved.rss / max(count - solved.unknowns, 1)
    if solved.root is not None and not trouble:
        covariance = inflate * variance * solved.root @ solved.root.T
    return CurveFit(
        curve=Curve(solved.model, solved.model.by_name(solved.values.tolist())),
        residuals=solved.residuals,
        residual_sd=float(np.sqrt(variance)),
        dof=dof,
        aicc=aicc,
        scales=scales,
        no_band=trouble,
        spread=spread,
        shape_covariance=covariance,
        growth=solved.growth,
        reach=reach,
    )

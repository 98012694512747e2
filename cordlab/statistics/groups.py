"""Straight lines over groups: each group's own line, the mean line, and limits for this group and for another.

Random intercepts and slopes in two stages: least squares within each group, then the groups' lines are the sample.
A curvature common to all groups can be taken along; it is also the test whether lines will do.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cordlab.statistics.limits import Limit, Side, prediction_about


@dataclass(frozen=True)
class Lines:
    """A line y = intercept + slope·x (+ curvature·x²) for each of k groups.

    intercepts, slopes : (k,) at x = 0 ; residual_sd : scatter about the lines, pooled, on `dof` degrees of freedom
    slope, se_slope, intercept, se_intercept : of the mean line; the standard errors are between groups, on k − 1
    sd_slope, sd_intercept : between groups, what is left when the scatter is taken off; `zeroed` names those that
        came out negative and stand at zero. Equal to REML for balanced groups.
    curvature, se_curvature : common to the groups; 0 and 0 for straight lines
    """

    groups: tuple[Any, ...]
    intercepts: np.ndarray
    slopes: np.ndarray
    residual_sd: float
    dof: int
    sd_intercept: float
    sd_slope: float
    covariance: float
    zeroed: tuple[str, ...]
    curvature: float
    se_curvature: float
    _origin: float
    _inverses: np.ndarray  # (k, 2, 2) inverse normal matrices about the origin
    _squares: np.ndarray  # (k, 2) line through (x − origin)² in each group

    @property
    def slope(self) -> float:
        return float(self.slopes.mean())

    @property
    def intercept(self) -> float:
        return float(self.intercepts.mean())

    @property
    def se_slope(self) -> float:
        return float(np.std(self.slopes, ddof=1) / len(self.groups) ** 0.5)

    @property
    def se_intercept(self) -> float:
        return float(np.std(self.intercepts, ddof=1) / len(self.groups) ** 0.5)

    def values(self, x: float) -> np.ndarray:
        """(k,) each group's line at x."""
        return self.intercepts + self.slopes * x + self.curvature * x**2

    def this_group(self, group: Any, x: float, *, probability: float, side: Side) -> Limit:
        """Prediction limit of the next value of a group that has a line, at x. Raises ValueError without scatter."""
        i = self.groups.index(group)
        self._need_scatter()
        leverage, beyond = self._leverages(x)
        variance = 1 + leverage[i] + self._share_of_curvature(beyond[i])
        parts = [(self.residual_sd**2 * float(variance), self.dof)]
        return prediction_about(float(self.values(x)[i]), parts, n=len(self.groups), probability=probability, side=side)

    def another_group(self, x: float, *, probability: float, side: Side) -> Limit:
        """Prediction limit of one value of a group not seen yet, at x.

        The k lines read at x are a sample of groups, each with the error of its own line; with their mean square s²
        and mean leverage h, the variance is s²(1 + 1/k) + residual²(1 − h + curvature's share), each with its own t.
        Where that second part is negative (x far out) it is left out: the limit is then too wide rather than too
        narrow. Raises ValueError for fewer than 2 groups.
        """
        k = len(self.groups)
        if k < 2:
            raise ValueError(f"only {k} group: a limit for another needs at least 2")
        values = self.values(x)
        leverage, beyond = self._leverages(x)
        between = float(np.var(values, ddof=1)) * (1 + 1 / k)
        share = 1 - float(leverage.mean()) + self._share_of_curvature(float(beyond.mean()))
        parts = [(between, k - 1.0)]
        if share > 1e-9:
            self._need_scatter()
            parts.append((self.residual_sd**2 * share, self.dof))
        return prediction_about(float(values.mean()), parts, n=k, probability=probability, side=side)

    def _need_scatter(self) -> None:
        if self.dof < 1:
            raise ValueError(
                "as many parameters as values: the scatter about the lines is not known; repeat some drops"
            )

    def _leverages(self, x: float) -> tuple[np.ndarray, np.ndarray]:
        """(k,) leverage of each line at x, and (k,) how far x² there is off its own line."""
        at = np.array([1.0, x - self._origin])
        return np.einsum("i,kij,j->k", at, self._inverses, at), (x - self._origin) ** 2 - self._squares @ at

    def _share_of_curvature(self, beyond: float) -> float:
        return (self.se_curvature * beyond / self.residual_sd) ** 2 if self.se_curvature else 0.0


def fit_lines(
    groups: Sequence[Any] | np.ndarray,
    x: Sequence[float] | np.ndarray,
    y: Sequence[float] | np.ndarray,
    *,
    curved: bool = False,
) -> Lines:
    """A line for each group by least squares; with `curved`, one x² term common to all.

    groups, x, y : (n,). Raises ValueError for a group with fewer than 2 different x, for values that are no numbers,
    and with `curved` where no group has 3 different x or no degree of freedom is left.
    """
    groups, x, y = np.asarray(groups), np.asarray(x, float), np.asarray(y, float)
    if not groups.shape == x.shape == y.shape or x.ndim != 1 or not x.size:
        shapes = f"{groups.shape}, {x.shape}, {y.shape}"
        raise ValueError(f"groups, x and y of shapes {shapes}: one row of equal length each")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("x or y is not a number somewhere: leave that drop out by name")
    names = tuple(dict.fromkeys(groups.tolist()))  # in the order of first appearance
    origin = float(x.mean())
    offset = x - origin
    about, inverses, squares = np.empty((len(names), 2)), np.empty((len(names), 2, 2)), np.empty((len(names), 2))
    line_left, square_left = np.empty_like(y), np.empty_like(y)
    for i, name in enumerate(names):
        of = groups == name
        if np.unique(x[of]).size < 2:
            raise ValueError(f"group {name} has values at one x only: no line")
        design = np.column_stack([np.ones(of.sum()), offset[of]])
        inverses[i] = np.linalg.inv(design.T @ design)
        to_line = inverses[i] @ design.T
        about[i], squares[i] = to_line @ (y[of] - y[0]), to_line @ offset[of] ** 2
        line_left[of], square_left[of] = y[of] - y[0] - design @ about[i], offset[of] ** 2 - design @ squares[i]
    dof, residual, curvature, information = x.size - 2 * len(names), float(line_left @ line_left), 0.0, np.inf
    if curved:
        dof, information = dof - 1, float(square_left @ square_left)
        if dof < 1 or information < 1e-12 * float(offset @ offset) ** 2 / x.size:
            raise ValueError("curvature takes 3 different x in a group and a degree of freedom to spare")
        curvature = float(square_left @ line_left) / information
        about = about - curvature * squares
        left = line_left - curvature * square_left
        residual = float(left @ left)
    variance = residual / dof if dof else np.nan
    # back from the origin: a + b·u + c·u², u = x − origin
    slopes = about[:, 1] - 2 * curvature * origin
    intercepts = y[0] + about[:, 0] - about[:, 1] * origin + curvature * origin**2
    between, zeroed = _between(intercepts, slopes, inverses, origin, variance)
    return Lines(
        groups=names,
        intercepts=intercepts,
        slopes=slopes,
        residual_sd=float(variance**0.5),
        dof=dof,
        sd_intercept=between[0, 0] ** 0.5,
        sd_slope=between[1, 1] ** 0.5,
        covariance=between[0, 1],
        zeroed=zeroed,
        curvature=curvature,
        se_curvature=(variance / information) ** 0.5 if curved else 0.0,
        _origin=origin,
        _inverses=inverses,
        _squares=squares,
    )


def _between(
    intercepts: np.ndarray, slopes: np.ndarray, inverses: np.ndarray, origin: float, variance: float
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Covariance of the groups' true intercepts and slopes: that of the fitted ones less the mean error of a line."""
    if len(slopes) < 2 or np.isnan(variance):
        return np.full((2, 2), np.nan), ()
    to_zero = np.array([[1.0, -origin], [0.0, 1.0]])
    between = np.cov(intercepts, slopes) - variance * to_zero @ inverses.mean(axis=0) @ to_zero.T
    zeroed = tuple(name for i, name in enumerate(("intercept", "slope")) if between[i, i] <= 0)
    if zeroed:
        keep = np.diag(between) > 0
        between = np.where(np.outer(keep, keep), between, 0.0)
    return between, zeroed

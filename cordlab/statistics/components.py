"""Variance components of values in groups by REML, and the value furthest from what its groups make it.

No physics. Two models, each by its textbook: groups that are drawn from a population, and levels that are taken off.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from cordlab.statistics.groups import GroupLines, GroupNames


@dataclass(frozen=True)
class VarianceComponents:
    """Between-group variance and repeatability of normal values in groups: y = mean + (group) + (within group).

    Parameters
    ----------
    mean, se_mean : float
        The mean over groups and its standard error  [unit of y].
    between, within : float
        Variances between groups and within them (the repeatability)  [unit² of y].
    ms_between, ms_within : float
        Mean squares of the analysis of variance  [unit² of y].
    dof_between, dof_within : int
        Their degrees of freedom.
    sizes : tuple of int, shape (k,)
        Number of values of each group.
    zeroed : bool
        The estimate of `between` was negative and stands at zero.
    criterion : float
        Minus twice the restricted log likelihood at the estimate.

    Examples
    --------
    >>> import cordlab
    >>> parts = cordlab.components([1.0, 1.2, 2.0, 2.2, 1.4, 1.6], ["A", "A", "B", "B", "C", "C"])
    >>> round(parts.sd_between, 3), round(parts.sd_within, 3)
    (0.493, 0.141)
    """

    mean: float
    se_mean: float
    between: float
    within: float
    ms_between: float
    ms_within: float
    dof_between: int
    dof_within: int
    sizes: tuple[int, ...]
    zeroed: bool
    criterion: float

    @property
    def sd_between(self) -> float:
        return self.between**0.5

    @property
    def sd_within(self) -> float:
        return self.within**0.5

    @property
    def ratio(self) -> float:
        """Between over within; inf without any variance within."""
        return self.between / self.within if self.within else np.inf

    def summary(self) -> str:
        between = f"{self.sd_between:.3g} ({self.dof_between} degrees of freedom)"
        if self.zeroed:
            between = "0: its estimate was negative, so the groups differ no more than values of one group do"
        return (
            f"mean {self.mean:.6g} (standard error {self.se_mean:.2g}), {len(self.sizes)} groups, {sum(self.sizes)} "
            f"values; sd between {between}; sd within {self.sd_within:.3g} ({self.dof_within} degrees of freedom)"
        )

    def to_dict(self) -> dict[str, object]:
        return asdict(self) | {"sizes": list(self.sizes), "sd_between": self.sd_between, "sd_within": self.sd_within}


def components(values: ArrayLike, groups: GroupNames) -> VarianceComponents:
    """Variance between groups and within them by restricted maximum likelihood (REML), balanced or not.

    Balanced groups have a closed form, that of the analysis of variance; else the likelihood is profiled to the one
    ratio between/within. A negative estimate between groups becomes zero, and `zeroed` says so.

    Parameters
    ----------
    values : array_like, shape (n,)
        Normal values, such as one a drop  [any unit].
    groups : sequence, shape (n,)
        Name of the group (the cord) of each value.

    Returns
    -------
    VarianceComponents

    Raises
    ------
    ValueError
        For a value that is not finite, and where between and within cannot be told apart: one group, or one value a
        group.

    Examples
    --------
    >>> import cordlab
    >>> cordlab.components([1.0, 1.2, 2.0, 2.2, 1.4, 1.6], ["A", "A", "B", "B", "C", "C"]).mean
    1.5666666666666667

    References
    ----------
    Searle, S. R., Casella, G. and McCulloch, C. E. (1992), Variance Components, section 3.8.
    """
    y, labels = np.asarray(values, float), np.asarray(groups)
    if y.ndim != 1 or not np.isfinite(y).all():
        raise ValueError(f"value {np.argmin(np.isfinite(y)) + 1} is not a number: leave it out by name")
    if labels.shape != y.shape:
        raise ValueError(f"{len(y)} values but {labels.size} group names: one name a value")
    levels = GroupLines.of(y - y[0], group=labels)  # the differences keep the digits that a large common part would eat
    n, k, sizes = y.size, levels.n_groups, levels.sizes
    if k < 2:
        raise ValueError(f"only {k} group: variance between groups needs at least 2")
    if n == k:
        raise ValueError("one value a group: between and within cannot be told apart; repeat some, or use the plain sd")
    means, ms_within = levels.group_values(0.0)[0], float(levels.within)
    ms_between, variance = float(sizes @ (means - levels.values.mean()) ** 2) / (k - 1), float(np.var(means, ddof=1))
    if ms_within <= 1e-28 * variance or ms_within == 0:  # no variance within a group: the means are all there is
        fit, between = _Reml(-np.inf, 0.0, float(means.mean()), 0.0, (variance / k) ** 0.5), variance
    else:
        ratio = _reml_ratio(means, sizes, ms_between, ms_within)
        fit = _reml(ratio, means, sizes, ms_within)
        between = fit.within * ratio
    return VarianceComponents(
        mean=float(y[0]) + fit.centre,
        se_mean=fit.se_centre,
        between=between,
        within=fit.within,
        ms_between=ms_between,
        ms_within=ms_within,
        dof_between=k - 1,
        dof_within=n - k,
        sizes=tuple(sizes.tolist()),
        zeroed=between == 0 and fit.within > 0,
        criterion=fit.criterion + (n - 1) * float(1 + np.log(2 * np.pi / (n - 1))),
    )


class _Reml(NamedTuple):
    """Minus twice the restricted log likelihood without its constant, its derivative, and what the ratio gives."""

    criterion: float
    score: float
    centre: float
    within: float
    se_centre: float


def _reml(ratio: float, means: np.ndarray, sizes: np.ndarray, ms_within: float) -> _Reml:
    """REML of group means (k,) with a mean square within them, at between/within = ratio."""
    dof, weights = float(sizes.sum() - 1), sizes / (1 + sizes * ratio)
    total = float(weights.sum())
    centre = float(weights @ means) / total
    squares = (means - centre) ** 2
    residual = float(ms_within * (sizes.sum() - sizes.size) + weights @ squares)
    criterion = dof * np.log(residual) + np.log1p(sizes * ratio).sum() + np.log(total)
    score = total - weights @ weights / total - dof * (weights**2 @ squares) / residual
    return _Reml(float(criterion), float(score), centre, residual / dof, (residual / dof / total) ** 0.5)


def _reml_ratio(means: np.ndarray, sizes: np.ndarray, ms_between: float, ms_within: float) -> float:
    """Between over within, 0 where its estimate is negative: where the restricted likelihood is greatest."""
    if np.ptp(sizes) == 0:
        return max((ms_between / ms_within - 1) / float(sizes[0]), 0.0)
    grid = np.append(0.0, (np.var(means, ddof=1) / ms_within + 1 / sizes.mean()) * np.logspace(-8, 3, 67))
    fits = [_reml(ratio, means, sizes, ms_within) for ratio in grid]
    best = int(np.argmin([fit.criterion for fit in fits]))
    if best == 0 and fits[0].score >= 0:
        return 0.0
    ends = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    # the root of the derivative keeps the digits that a minimum loses
    return float(optimize.brentq(lambda r: _reml(r, means, sizes, ms_within).score, *ends, xtol=1e-300, rtol=1e-14))


# --- values unlike the others -----------------------------------------------------------------------------------


class Levels(NamedTuple):
    """Values less the levels and slopes that they share, by least squares.

    residuals : (n,) or (n, columns) ; span : (n, k), an orthonormal basis of levels and slopes ; dof : left
    """

    residuals: np.ndarray
    span: np.ndarray
    dof: int

    @property
    def free(self) -> np.ndarray:
        """The share of each value that is free of the levels (1 less its leverage).  (n,)"""
        return 1 - (self.span**2).sum(axis=1)


def without_levels(values: np.ndarray, *groupings: ArrayLike, slopes: Sequence[np.ndarray] = ()) -> Levels:
    """What is left of `values`, (n,) or (n, columns), when each group of each grouping (n,) has a level of its own and
    all values together have a slope on each of `slopes` (n,).
    """
    members = [np.asarray(grouping)[:, None] == np.unique(grouping) for grouping in groupings]
    columns = [slope[:, None] / max(float(np.abs(slope).max()), 1e-300) for slope in slopes]
    span, singular, _ = np.linalg.svd(np.hstack([*members, *columns]).astype(float), full_matrices=False)
    span = span[:, singular > 1e-9 * singular[0]]
    return Levels(values - span @ (span.T @ values), span, len(span) - span.shape[1])


@dataclass(frozen=True)
class Furthest:
    """The value furthest from what the others make it.

    number : of the value;  off : its distance from what the others say;  t : that in standard deviations
    chance : that repeatability alone puts any of the values so far off
    """

    number: int
    off: float
    t: float
    chance: float


def furthest(levels: Levels, *, least_sd: float = 1e-6) -> Furthest | None:
    """The value (n,) furthest from what its levels and slopes make it, by the externally studentized residual.

    least_sd : standard deviation of a value that is taken where the others scatter less

    Cook & Weisberg 1982, section 2.2.2, with Bonferroni's bound on the chance; with one level for all values it is
    Grubbs' test (Technometrics 11 (1969) 1). None below 3 degrees of freedom.
    """
    if levels.dof < 3:
        return None
    shown = np.flatnonzero(levels.free > 1e-6)  # not what has a level for itself
    residuals, free, squares = levels.residuals[shown], levels.free[shown], levels.residuals @ levels.residuals
    variance_of_others = (squares + least_sd**2 - residuals**2 / free) / (levels.dof - 1)
    t = np.abs(residuals) / np.sqrt(np.maximum(variance_of_others, least_sd**2) * free)
    worst = int(np.argmax(t))
    chance = 2 * special.stdtr(levels.dof - 1, -t[worst]) * t.size
    return Furthest(int(shown[worst]), float(residuals[worst] / free[worst]), float(t[worst]), float(chance))


def furthest_pair(levels: Levels, *, least_sd: float = 1e-6) -> tuple[Furthest, Furthest] | None:
    """The two values furthest from what the others make them: as `furthest`, for two that hide one another.

    Leaving a pair out takes e'(I − H)⁻¹e off the sum of squares, e and H its residuals and part of the hat matrix
    (Cook & Weisberg 1982, section 3.6); the chance of that F ratio is bounded over all pairs. None below 4 degrees of
    freedom.
    """
    if levels.dof < 4:
        return None
    first, second = np.transpose(list(combinations(range(len(levels.residuals)), 2)))
    shared = -(levels.span[first] * levels.span[second]).sum(axis=1)
    left, right = levels.residuals[first], levels.residuals[second]
    determinant = levels.free[first] * levels.free[second] - shared**2
    apart = determinant > 1e-6
    first, second, shared, left, right, determinant = (
        column[apart] for column in (first, second, shared, left, right, determinant)
    )
    if not first.size:
        return None
    # how far each of the two is from what the rest says of it: (I − H)⁻¹e
    off_first = (levels.free[second] * left - shared * right) / determinant
    off_second = (levels.free[first] * right - shared * left) / determinant
    taken = left * off_first + right * off_second
    squares = levels.residuals @ levels.residuals
    variance_of_others = np.maximum((squares + least_sd**2 - taken) / (levels.dof - 2), least_sd**2)
    ratio = taken / 2 / variance_of_others
    worst = int(np.argmax(ratio))
    chance = float(special.fdtrc(2, levels.dof - 2, ratio[worst])) * ratio.size
    t = float(np.sqrt(ratio[worst]))
    one = Furthest(int(first[worst]), float(off_first[worst]), t, chance)
    return one, Furthest(int(second[worst]), float(off_second[worst]), t, chance)

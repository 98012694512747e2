"""Variance components of values in groups by REML, and the values furthest from what their groups make them."""

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
    ms_between, ms_within, dof_between, dof_within : float, int
        Mean squares of the analysis of variance  [unit² of y], and their degrees of freedom.
    sizes : tuple of int
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

    Searle, Casella & McCulloch (1992), Variance Components, section 3.8. A negative estimate between groups becomes
    zero, and `zeroed` says so.

    Parameters
    ----------
    values : array_like, shape (n,)
        Normal values, such as one a drop  [any unit].
    groups : sequence, shape (n,)
        Name of the group (the cord) of each value.

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
    ms_between = float(sizes @ (means - levels.values.mean()) ** 2) / (k - 1)
    between, within, centre, se_mean, criterion = _reml(means, sizes, ms_between, ms_within)
    return VarianceComponents(
        mean=float(y[0]) + centre,
        se_mean=se_mean,
        between=between,
        within=within,
        ms_between=ms_between,
        ms_within=ms_within,
        dof_between=k - 1,
        dof_within=n - k,
        sizes=tuple(sizes.tolist()),
        zeroed=between == 0 and within > 0,
        criterion=criterion + (n - 1) * float(1 + np.log(2 * np.pi / (n - 1))),
    )


def _reml(
    means: np.ndarray, sizes: np.ndarray, ms_between: float, ms_within: float
) -> tuple[float, float, float, float, float]:
    """Of group means (k,) with a mean square within them: variance between and within groups (0 between where its
    estimate is negative), mean, its standard error, and minus twice the restricted log likelihood less its constant."""
    variance, dof = float(np.var(means, ddof=1)), float(sizes.sum() - 1)
    if ms_within <= 1e-28 * variance or ms_within == 0:  # no variance within a group: the means are all there is
        return variance, 0.0, float(means.mean()), (variance / means.size) ** 0.5, -np.inf

    def at(ratio: float) -> tuple[float, float, float, float, float]:
        """Between over within: the criterion, its derivative, the mean, variance within, standard error of the mean."""
        weights = sizes / (1 + sizes * ratio)
        total = float(weights.sum())
        centre = float(weights @ means) / total
        squares = (means - centre) ** 2
        residual = float(ms_within * (sizes.sum() - sizes.size) + weights @ squares)
        criterion = dof * np.log(residual) + np.log1p(sizes * ratio).sum() + np.log(total)
        score = total - weights @ weights / total - dof * (weights**2 @ squares) / residual
        return float(criterion), float(score), centre, residual / dof, (residual / dof / total) ** 0.5

    ratio = max((ms_between / ms_within - 1) / float(sizes[0]), 0.0)
    if np.ptp(sizes) > 0:  # where the likelihood is greatest
        grid = np.append(0.0, (variance / ms_within + 1 / sizes.mean()) * np.logspace(-8, 3, 67))
        best, ratio = int(np.argmin([at(ratio)[0] for ratio in grid])), 0.0
        if best > 0 or at(0.0)[1] < 0:  # the root of the derivative keeps the digits that a minimum loses
            ends = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
            ratio = float(optimize.brentq(lambda ratio: at(ratio)[1], *ends, xtol=1e-300, rtol=1e-14))
    criterion, _, centre, within, se_mean = at(ratio)
    return within * ratio, within, centre, se_mean, criterion


class Levels(NamedTuple):
    """Values less the levels and slopes that they share, by least squares."""

    residuals: np.ndarray  # (n,) or (n, columns)
    span: np.ndarray  # (n, k), an orthonormal basis of levels and slopes
    dof: int  # left


def without_levels(values: np.ndarray, *groupings: ArrayLike, slopes: Sequence[np.ndarray] = ()) -> Levels:
    """What is left of `values`, (n,) or (n, columns), less a level for each group of each grouping (n,) and a slope on
    each of `slopes` (n,), common to all values."""
    members = [np.asarray(grouping)[:, None] == np.unique(grouping) for grouping in groupings]
    columns = [slope[:, None] / max(float(np.abs(slope).max()), 1e-300) for slope in slopes]
    span, singular, _ = np.linalg.svd(np.hstack([*members, *columns]).astype(float), full_matrices=False)
    span = span[:, singular > 1e-9 * singular[0]]
    return Levels(values - span @ (span.T @ values), span, len(span) - span.shape[1])


class Furthest(NamedTuple):
    """A value far from what the others make it."""

    number: int  # of the value
    off: float  # its distance from what the others say
    t: float  # that in standard deviations
    chance: float  # that repeatability alone puts any of the values so far off


def furthest(levels: Levels, *, least_sd: float = 1e-6) -> Furthest | None:
    """The value (n,) furthest from what the others make it; None below 3 degrees of freedom.

    Its externally studentized residual (Cook & Weisberg 1982, section 2.2.2); with one level for all it is Grubbs' test
    (Technometrics 11 (1969) 1). least_sd : taken where the others scatter less.
    """
    return next(iter(_furthest(levels, 1, least_sd)), None)


def furthest_pair(levels: Levels, *, least_sd: float = 1e-6) -> tuple[Furthest, ...] | None:
    """The two values furthest from what the others make them, which may hide one another; None below 4 degrees."""
    return _furthest(levels, 2, least_sd) or None


def _furthest(levels: Levels, count: int, least_sd: float) -> tuple[Furthest, ...]:
    """The so many values without which the sum of squares is least, by an F test with Bonferroni's bound over all sets.

    Leaving them out takes e'(I − H)⁻¹e off it, e and H their residuals and hat matrix (Cook & Weisberg, section 3.6).
    """
    if levels.dof < count + 2:
        return ()
    sets = np.array(list(combinations(range(len(levels.residuals)), count)))
    free = (np.eye(len(levels.residuals)) - levels.span @ levels.span.T)[sets[:, :, None], sets[:, None, :]]
    known = np.linalg.det(free) > 1e-6  # not what has a level for itself
    if not known.any():
        return ()
    sets, residuals = sets[known], levels.residuals[sets[known]]
    off = np.linalg.solve(free[known], residuals[..., None])[..., 0]  # from what the others say
    taken, dof = (residuals * off).sum(axis=1), levels.dof - count
    variance = (levels.residuals @ levels.residuals + least_sd**2 - taken) / dof  # of the others
    ratio = taken / count / np.maximum(variance, least_sd**2)
    worst = int(np.argmax(ratio))
    chance = float(special.fdtrc(count, dof, ratio[worst])) * ratio.size
    t = float(np.sqrt(ratio[worst]))
    return tuple(
        Furthest(number, distance, t, chance)
        for number, distance in zip(sets[worst].tolist(), off[worst].tolist(), strict=True)
    )

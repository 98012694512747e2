"""Values in groups (drops of cords): levels or lines within each group, and the next value of this or another group.

Groups count alike. Group i gives m_i(x) = Σ_d w_id(x) y_d; s_m² is the variance of the m_i over n groups, s_w² that of
values about their group's line, w̄ the mean of the w_i, and c = (Σ |w_i|²/n − |w̄|²) n/(n − 1). Without bias

    var(next − mean) = s_m² (1 + 1/n) + s_w² (1 + |w̄|² − c (1 + 1/n)):

the unweighted means of Thomas & Hultquist (1978, Ann. Statist. 6, 582) carried from levels to lines, a
random-coefficient regression in two stages. A limit takes each of the two parts with its own Student t (`t_margin`).
"""

from collections.abc import Hashable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtri, fdtrc, ndtri, stdtr

from cordlab.statistics.propagation import OneSide, t_margin, welch_satterthwaite

Structure = Literal["own lines", "one slope", "flat", "across groups"]
GroupNames = Sequence[Hashable] | np.ndarray

FEWEST_FOR_OWN_LINE = 3  # with fewer values a line leaves no repeatability to see: the groups then share one slope
NEGLIGIBLE = 1e-9  # a coefficient that is 0 but for rounding


class EvidenceError(ValueError):
    """The values cannot carry the limit asked for; the message says which and why."""


@dataclass(frozen=True)
class NextValue:
    """The next value at given x; pairs are [from differences between groups, from the repeatability within groups]."""

    mean: np.ndarray  # estimate of the mean, (..., n_x), leading axes as in the values
    mean_squares: np.ndarray  # s_m² and s_w², (2, ..., n_x)
    dof: tuple[int, int]  # their degrees of freedom, 0 where a part does not apply
    of_mean: np.ndarray  # their coefficients in the variance of the estimated mean about the true one, (2, n_x)
    of_next: np.ndarray  # their coefficients in the variance of the next value about the true mean, (2, n_x)

    @property
    def variances(self) -> np.ndarray:
        """Variance of the next value about the estimated mean, in its two parts.  (2, ..., n_x)"""
        return self._weighted(self.of_mean + self.of_next)

    @property
    def u(self) -> np.ndarray:
        """Standard deviation of the next value about the estimated mean.  (..., n_x)"""
        return np.sqrt(self.variances.sum(0))

    @property
    def effective_dof(self) -> np.ndarray:
        """Effective degrees of freedom of `u`, for information (JCGM 100 G.4.1): no limit is made from them."""
        return welch_satterthwaite(np.sqrt(self.variances), self.dof)[1]

    def margin(self, probability: float, *, sides: int = 1) -> np.ndarray:
        """Distance of a prediction limit from the mean: √Σ t²·variance over the two parts.  (..., n_x)"""
        return t_margin(np.sqrt(self.variances), self.dof, probability, sides=sides)

    def limit(self, probability: float, side: OneSide) -> np.ndarray:
        """One-sided prediction limit.  (..., n_x)"""
        return self.mean + (1 if side == "upper" else -1) * self.margin(probability)

    def where(self, chosen: np.ndarray, other: "NextValue") -> "NextValue":
        """This one at the x that are chosen (n_x,), the other one elsewhere."""
        names = ("mean", "mean_squares", "of_mean", "of_next")
        return replace(self, **{name: np.where(chosen, getattr(self, name), getattr(other, name)) for name in names})

    def _weighted(self, coefficients: np.ndarray) -> np.ndarray:
        # far outside the x of the values s_w² may count less than nothing: left out, the limit is never narrower
        between, within = coefficients
        return np.array([self.mean_squares[0] * between, self.mean_squares[1] * np.maximum(within, 0.0)])


class Pivots(NamedTuple):
    """Standard draws (n_draws,) behind the next value, common to all x so that limits are smooth in x.
    JCGM 101 6.4.9 with two sources: mean + z √(s_m² (ν₁/χ²₁)(1 + 1/n) + s_w² (ν₂/χ²₂)(…))."""

    normal_next: np.ndarray
    normal_mean: np.ndarray
    ratios: tuple[np.ndarray, ...]  # ν/χ²(ν) between groups and within: the true variance over the mean square

    @classmethod
    def of(cls, shares: Sequence[np.ndarray], dof: tuple[int, int]) -> "Pivots":
        """By the inverse of their laws, from four rows of numbers between 0 and 1."""
        ratios = (nu / chdtri(nu, x) if nu > 0 else np.ones_like(x) for nu, x in zip(dof, shares[2:], strict=True))
        return cls(ndtri(shares[0]), ndtri(shares[1]), tuple(ratios))

    def next_value(self, value: NextValue, sets: np.ndarray) -> np.ndarray:
        """Draws (n_x, n_draws) of the next value, of the sets of values numbered `sets`, one a draw."""
        return value.mean.T[:, sets] + self.normal_next * self._sd(value.variances, sets)

    def mean_and_sd(self, value: NextValue, sets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Draws of the true mean and of the next value's sd about it, as above: what a tolerance limit needs."""
        mean = value.mean.T[:, sets] + self.normal_mean * self._sd(value._weighted(value.of_mean), sets)
        return mean, self._sd(value._weighted(value.of_next), sets)

    def _sd(self, variances: np.ndarray, sets: np.ndarray) -> np.ndarray:
        between, within = (part.T[:, sets] * ratio for part, ratio in zip(variances, self.ratios, strict=True))
        return np.sqrt(between + within)


class LackOfFit(NamedTuple):
    """Means at each x against what groups scatter from x to x: F ratio, its degrees of freedom, how far the means lie
    off the lines (n_x,), and their standard deviation about them beyond what scatter puts in (0: it explains all)."""

    ratio: float
    dof: int
    dof_scatter: int
    off: np.ndarray
    sd: float

    @property
    def chance(self) -> float:
        """Of so great a ratio, were the lines right."""
        return float(fdtrc(self.dof, self.dof_scatter, self.ratio))


@dataclass(frozen=True)
class GroupLines:
    """Values with a level or a line in x for each of k groups, by least squares; `of` makes them."""

    values: np.ndarray  # (..., n); leading axes are sets of values for the same x and groups
    x: np.ndarray  # (n,)
    member: np.ndarray  # (n,) number of the group of each value
    names: tuple[Hashable, ...]  # (k,) of the groups, in the order of first appearance
    # each group its own slope, one common to all, one level a group, or each group at one x with a line through them
    structure: Structure
    curved: bool = False  # one x² term common to all groups
    unknowns_before: int = 0  # that the values have cost before, as those of a curve: off the degrees of freedom
    cause: np.ndarray = field(default_factory=lambda: np.empty(0))  # (n,) with one slope for all groups; (0,): none
    cause_at: float = 0.0  # what it is where values are asked for

    @classmethod
    def of(
        cls,
        values: ArrayLike,
        *,
        group: GroupNames,
        x: ArrayLike | None = None,
        structure: Structure | None = None,
        curved: bool = False,
        unknowns_before: int = 0,
        cause: ArrayLike | None = None,
    ) -> "GroupLines":
        """Levels or lines from values (..., n), group and x of each (n,); ValueError where they cannot be drawn.

        Without `structure`, own lines only where each group has 3 values or more and spans all x. cause : another one,
        such as a temperature (n,), with a slope common to the groups.
        """
        y, (member, names) = np.asarray(values, float), pd.factorize(np.asarray(group))
        at = np.zeros(member.size) if x is None else np.asarray(x, float)
        if y.shape[-1:] != at.shape or at.ndim != 1 or member.shape != at.shape or not at.size:
            raise ValueError(f"one value, x and group each: got {y.shape[-1:]}, {at.shape} and {member.shape} of them")
        if not (np.all(np.isfinite(y)) and np.all(np.isfinite(at))):
            raise ValueError("a value or its x is not a finite number: leave that drop out by name")
        structure = structure or _structure(at, member)
        second = np.empty(0) if cause is None else np.asarray(cause, float)
        middle = float(second.mean()) if second.size else 0.0
        lines = cls(y, at, member, tuple(names.tolist()), structure, curved, unknowns_before, second, middle)
        for k, name in enumerate(lines.names):
            if structure == "own lines" and np.ptp(at[member == k]) == 0:
                raise ValueError(f"group {name} has values at one x only: no line")
        if not curved and not second.size:
            return lines
        design = lines.design(at, member, second)
        design /= np.linalg.norm(design, axis=0).clip(1e-300)
        if lines.dof_within < 1 or np.linalg.matrix_rank(design, tol=1e-6) < design.shape[1]:
            what = "a second cause that does not run with x" if second.size else "3 different x in a group"
            raise ValueError(f"the values do not show it: that takes {what} and a degree of freedom to spare")
        return lines

    @classmethod
    def bent(cls, values: ArrayLike, **how: Any) -> "GroupLines":
        """`of` with a bend common to the groups where the values show it, and without where they do not."""
        with suppress(ValueError):
            return cls.of(values, curved=True, **how)
        return cls.of(values, **how)

    # --- what the groups have

    @property
    def n_groups(self) -> int:
        return len(self.names)

    @property
    def sizes(self) -> np.ndarray:
        """Number of values of each group.  (k,)"""
        return np.bincount(self.member)

    @property
    def _centres(self) -> np.ndarray:
        """Mean x of each group.  (k,)"""
        return np.bincount(self.member, self.x) / self.sizes

    @property
    def dof_within(self) -> int:
        """Degrees of freedom of the repeatability; below 1 where the values do not show it."""
        return self.x.size - self.design(self.x[:1], self.member[:1], self.cause[:1]).shape[1] - self.unknowns_before

    @cached_property
    def within(self) -> np.ndarray:
        """Mean square of values about their group's line, s_w²; nan where the values do not show it.  (...)"""
        if self.dof_within < 1:
            return np.full(self.values.shape[:-1], np.nan)
        fitted = self.values @ self._solution.T @ self.design(self.x, self.member, self.cause).T
        return ((self.values - fitted) ** 2).sum(-1) / self.dof_within

    def lack_of_fit(self) -> LackOfFit | None:
        """F test of the means at each x against the scatter of groups from x to x, of the first set of values; None
        where they show neither. Draper & Smith (1998), Applied Regression Analysis, 2.1, from memory."""
        values = np.reshape(self.values, (-1, self.x.size))[0]
        lines, at_x = self.design(self.x, self.member, self.cause), self.x[:, None] == np.unique(self.x)
        known, rests, ranks = np.column_stack([values, at_x]), [], []
        for columns in (lines, np.hstack([lines, at_x])):
            solution, _, rank, _ = np.linalg.lstsq(columns, known, rcond=1e-9)
            rests.append(known - columns @ solution)
            ranks.append(int(rank))
        dof, dof_scatter = ranks[1] - ranks[0], self.x.size - ranks[1]
        if dof < 1 or dof_scatter < 1:
            return None
        (lines_off, *of_means), (scatter, *_) = ((rest**2).sum(axis=0).tolist() for rest in rests)
        beyond, square = (lines_off - scatter) / dof, max(scatter / dof_scatter, 1e-300)
        sd = np.sqrt(max(beyond - square, 0.0) * dof / sum(of_means))  # by the expected mean squares
        return LackOfFit(beyond / square, dof, dof_scatter, rests[0][:, 0] @ at_x / at_x.sum(0), float(sd))

    def weights(self, x: ArrayLike) -> np.ndarray:
        """What each value counts in each group's value at x: m_i(x) = Σ_d w_id(x) y_d.  (n_x, k, n)"""
        at, groups = np.atleast_1d(np.asarray(x, float)), np.arange(self.n_groups)
        cause = np.full(at.size * groups.size if self.cause.size else 0, self.cause_at)
        rows = self.design(np.repeat(at, groups.size), np.tile(groups, at.size), cause)
        return (rows @ self._solution).reshape(at.size, groups.size, -1)

    def mean_weights(self, x: ArrayLike, group: Hashable | None = None) -> np.ndarray:
        """What each value, and so its error, counts in the groups' mean at x, or in one group's value.  (n_x, n)"""
        if group is None:
            return np.einsum("mk,mkn->mn", self._shares(x), self.weights(x))
        if group not in self.names:
            with_drops = ", ".join(map(str, self.names))
            raise EvidenceError(f"cord {group!r} has no drop here; cords with drops: {with_drops}")
        return self.weights(x)[:, self.names.index(group)]

    def group_values(self, x: ArrayLike) -> np.ndarray:
        """Value of each group's line at x.  (..., n_x, k)"""
        return np.einsum("mkd,...d->...mk", self.weights(x), self.values)

    # --- the next value

    def another_group(self, x: ArrayLike = 0.0) -> NextValue:
        """The next value of a group not seen yet, at x: a number or (n_x,).
        Raises EvidenceError with too few groups, or where the limit needs a repeatability that is not shown."""
        n, across = self.n_groups, self.structure == "across groups"
        if n < 2:
            raise EvidenceError(
                "only 1 cord: a limit for another cord needs at least 2; ask for this cord, or test more cords"
            )
        if across and n < 3:
            raise EvidenceError(
                "2 cords, each at one mass of its own, show no scatter about a line: drop each cord at two masses"
            )
        weights, values, shares, dof = self.weights(x), self.group_values(x), self._shares(x), n - 1 - across
        of_mean = (weights.mean(1) ** 2).sum(1)
        in_between = ((weights**2).sum((1, 2)) / n - of_mean) * n / (n - 1)  # c of the module's text
        square = ((values - values @ self._shares(self._centres).T) ** 2).sum(-1) / dof
        return self._next(
            np.einsum("mk,...mk->...m", shares, values),
            square,
            dof=dof,
            of_mean=np.array([(shares**2).sum(1), of_mean - in_between / n]),
            of_next=np.array([np.ones(len(weights)), 1 - in_between]),
        )

    def this_group(self, group: Hashable, x: ArrayLike = 0.0) -> NextValue:
        """The next value of a group that has values, at x: a number or (n_x,). Raises EvidenceError for a group without
        values, without repeated values, or with one x where others are asked."""
        weights = self.mean_weights(x, group)
        if self.dof_within < 1:
            raise EvidenceError("no cord was dropped often enough to show scatter from drop to drop: repeat some drops")
        if self.structure == "across groups":
            raise EvidenceError(
                f"cord {group!r} was dropped at one mass only, as all cords were: nothing says how it does at another"
            )
        mean, none = np.einsum("md,...d->...m", weights, self.values), np.zeros(len(weights))
        of_mean, of_next = np.array([none, (weights**2).sum(1)]), np.array([none, none + 1])
        return self._next(mean, np.zeros_like(mean), dof=0, of_mean=of_mean, of_next=of_next)

    def _next(
        self, mean: np.ndarray, between: np.ndarray, *, dof: int, of_mean: np.ndarray, of_next: np.ndarray
    ) -> NextValue:
        within = np.broadcast_to(np.asarray(self.within)[..., None], mean.shape)
        if self.dof_within < 1:
            if np.any((of_mean + of_next)[1] > NEGLIGIBLE):
                raise EvidenceError(
                    "as many parameters as values: the scatter about the lines is not known; repeat some drops"
                )
            within = np.zeros(mean.shape)
        return NextValue(mean, np.array([between, within]), (dof, max(self.dof_within, 0)), of_mean, of_next)

    # --- the lines themselves

    @property
    def slopes(self) -> np.ndarray:
        """Slope of each group's line at x = 0.  (..., k)"""
        return self.values @ self._coefficients[:, 1].T

    @property
    def intercepts(self) -> np.ndarray:
        """Value of each group's line at x = 0.  (..., k)"""
        return self.values @ self._coefficients[:, 0].T

    @property
    def slope(self) -> float:
        """Slope of the mean line."""
        return float(self.slopes.mean())

    @property
    def se_slope(self) -> float:
        """Standard error of `slope`, from the differences between groups, on k − 1 degrees of freedom."""
        return float(np.std(self.slopes, ddof=1) / self.n_groups**0.5)

    @property
    def p_slope(self) -> float:
        """Two-sided p of a mean slope of 0, by Student's t between groups."""
        return float(2 * stdtr(self.n_groups - 1, -abs(self.slope / self.se_slope))) if self.se_slope else 0.0

    @property
    def curvature(self) -> float:
        """Coefficient of x², common to the groups; 0 for straight lines."""
        return float(self.values @ self._curvature_weights)

    @property
    def se_curvature(self) -> float:
        return float(np.sqrt(self.within) * np.linalg.norm(self._curvature_weights))

    @property
    def between(self) -> tuple[np.ndarray, tuple[str, ...]]:
        """Covariance (2, 2) of the groups' true intercepts and slopes, and which came out negative and stand at zero.
        That of the fitted ones less what the repeatability puts in; equal to REML for balanced groups."""
        n, coefficients = self.n_groups, self._coefficients
        if n < 2 or self.dof_within < 1:
            return np.full((2, 2), np.nan), ()
        mean = coefficients.mean(0)
        error = (np.einsum("kid,kjd->ij", coefficients, coefficients) / n - mean @ mean.T) * n / (n - 1)
        covariance = np.cov(self.intercepts, self.slopes) - self.within * error
        positive = np.diag(covariance) > 0
        zeroed = tuple(name for name, above in zip(("intercept", "slope"), positive, strict=True) if not above)
        return np.where(np.outer(positive, positive), covariance, 0.0), zeroed

    @property
    def _scale(self) -> float:
        """A step in x, by which columns of the design are of one size."""
        return float(np.abs(self.x - self.x.mean()).max()) or 1.0

    def parabola(self, x: ArrayLike) -> np.ndarray:
        """What a bend is in values at x, times its coefficient: 0 at the mean x.  (...)"""
        return ((np.asarray(x, float) - self.x.mean()) / self._scale) ** 2

    def design(self, x: np.ndarray, member: np.ndarray, cause: np.ndarray) -> np.ndarray:
        """A row a value: level of its group, slope, second cause and curvature, as there are.  (n, unknowns)"""
        level = (member[:, None] == np.arange(self.n_groups)).astype(float)
        step = ((x - self.x.mean()) / self._scale)[:, None]
        slopes = {"own lines": [level * step], "one slope": [step]}.get(self.structure, [])
        second = [(cause - self.cause.mean())[:, None]] if cause.size else []
        return np.hstack([level, *slopes, *second, *([self.parabola(x)[:, None]] if self.curved else [])])

    @cached_property
    def _solution(self) -> np.ndarray:
        """What each value counts in each unknown, by least squares.  (unknowns, n)"""
        design = self.design(self.x, self.member, self.cause)
        return np.linalg.solve(design.T @ design, design.T)

    @property
    def _curvature_weights(self) -> np.ndarray:
        """What each value counts in the curvature, nothing in that of straight lines.  (n,)"""
        return self.curved * self._solution[-1] / self._scale**2

    @property
    def _coefficients(self) -> np.ndarray:
        """What each value counts in a group's intercept and slope at x = 0.  (k, 2, n)"""
        step = self._scale  # central differences are exact: a line has no higher power than x²
        at_zero, above, below = self.weights([0.0, step, -step])
        return np.stack([at_zero, (above - below) / (2 * step)], axis=1)

    def _shares(self, x: ArrayLike) -> np.ndarray:
        """What each group's value counts in the mean at x: alike, or as in a line through them.  (n_x, k)"""
        at, centres = np.atleast_1d(np.asarray(x, float)), self._centres
        about = centres - centres.mean() if self.structure == "across groups" else np.zeros(self.n_groups)
        return 1 / self.n_groups + np.outer(at - centres.mean(), about / max(about @ about, 1e-300))


def _structure(x: np.ndarray, member: np.ndarray) -> Structure:
    low, high = x.min(), x.max()
    if low == high:
        return "flat"
    by_group = [x[member == k] for k in range(member.max() + 1)]
    # a group whose x span the whole range has leverage at most 1 in it: its own line is then interpolation
    if all(at.size >= FEWEST_FOR_OWN_LINE and at.min() == low and at.max() == high for at in by_group):
        return "own lines"
    return "one slope" if any(at.min() < at.max() for at in by_group) else "across groups"

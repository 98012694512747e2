"""Values in groups (drops of cords): levels or lines within each group, and the next value of this or another group.

No physics: a value (the log of a stiffness scale, a clearance), its x (a mass, a jump count) and its group. The unit of
replication is the group, then the value. The groups are averaged without weights, so unbalanced ones are covered too.

Group i gives m_i(x) at x, a linear function of the values: m_i(x) = Σ_d w_id(x) y_d. Let s_m² be the variance of the
m_i over n groups, s_w² the variance of values about their group's line and w̄ the mean of the w_i. Then
E s_m² = σ_g²(x) + c σ_w² with c = (Σ |w_i|²/n − |w̄|²) n/(n − 1), and without bias

    var(next − mean) = s_m² (1 + 1/n) + s_w² (1 + |w̄|² − c (1 + 1/n)),

the unweighted-means analysis of Thomas & Hultquist (1978, Ann. Statist. 6, 582), carried from levels to lines: a
random-coefficient regression in two stages. A limit takes each of the two parts with its own Student t (`t_margin`).
"""

from collections.abc import Hashable, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from cordlab.statistics.propagation import OneSide, t_margin, welch_satterthwaite

Structure = Literal["own lines", "one slope", "flat", "across groups"]

FEWEST_FOR_OWN_LINE = 3
"""With fewer values in a group, its line leaves no repeatability to see, so the groups then share one slope."""

NEGLIGIBLE = 1e-9  # a coefficient that is 0 but for rounding


class EvidenceError(ValueError):
    """The values cannot carry the limit asked for; the message says which and why."""


@dataclass(frozen=True)
class NextValue:
    """The next value at given x; arrays (..., n_x), leading axes as in the values.

    Each pair is [from differences between groups, from the repeatability within groups].

    mean         : estimate of the mean, (..., n_x)
    mean_squares : s_m² and s_w², (2, ..., n_x)
    dof          : their degrees of freedom, 0 where a part does not apply
    of_mean      : their coefficients in the variance of the estimated mean about the true one, (2, n_x)
    of_next      : their coefficients in the variance of the next value about the true mean, (2, n_x)

    A coefficient of s_w² may be negative, far outside the x of the values: s_m² then holds more of the repeatability
    than the next value has. That part is left out, and the limit is wider than it need be, never narrower.
    """

    mean: np.ndarray
    mean_squares: np.ndarray
    dof: tuple[int, int]
    of_mean: np.ndarray
    of_next: np.ndarray

    @property
    def variances(self) -> np.ndarray:
        """Variance of the next value about the estimated mean, in its two parts.  (2, ..., n_x)"""
        return self._weighted(self.of_mean + self.of_next)

    @property
    def variances_of_mean(self) -> np.ndarray:
        """Variance of the estimated mean about the true one, in its two parts.  (2, ..., n_x)"""
        return self._weighted(self.of_mean)

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

    def at(self, k: int, sets: np.ndarray) -> "NextValue":
        """The next value at x number k, from the sets of values numbered `sets` (along the leading axis)."""
        one = slice(k, k + 1)
        return replace(
            self,
            mean=self.mean[sets, one],
            mean_squares=self.mean_squares[:, sets, one],
            of_mean=self.of_mean[:, one],
            of_next=self.of_next[:, one],
        )

    def _weighted(self, coefficients: np.ndarray) -> np.ndarray:
        between, within = coefficients
        return np.array([self.mean_squares[0] * between, self.mean_squares[1] * np.maximum(within, 0.0)])


@dataclass(frozen=True)
class Pivots:
    """Standard draws behind the next value, common to all x so that limits are smooth in x; each (n_draws,).

    The t law of JCGM 101 6.4.9 with two sources: mean + z √(s_m² (ν₁/χ²₁)(1 + 1/n) + s_w² (ν₂/χ²₂)(…)).

    normal_next, normal_mean    : standard normal, for the next value and for the mean
    ratio_between, ratio_within : ν/χ²(ν), the true variance over the mean square
    """

    normal_next: np.ndarray
    normal_mean: np.ndarray
    ratio_between: np.ndarray
    ratio_within: np.ndarray

    @classmethod
    def draw(cls, rng: np.random.Generator, n: int, value: NextValue) -> "Pivots":
        """n draws for a next value with these degrees of freedom."""

        def ratio(dof: int) -> np.ndarray:
            return dof / rng.chisquare(dof, n) if dof > 0 else np.ones(n)

        return cls(rng.standard_normal(n), rng.standard_normal(n), ratio(value.dof[0]), ratio(value.dof[1]))

    def next_value(self, value: NextValue) -> np.ndarray:
        """Draws (n_draws,) of the next value; `value` at one x, from one set of values or from one set a draw."""
        return value.mean[..., 0] + self.normal_next * self._sd(value.variances)

    def mean_and_sd(self, value: NextValue) -> tuple[np.ndarray, np.ndarray]:
        """Draws of the true mean and of the next value's sd about it, (n_draws,): what a tolerance limit needs."""
        mean = value.mean[..., 0] + self.normal_mean * self._sd(value.variances_of_mean)
        return mean, self._sd(value._weighted(value.of_next))

    def _sd(self, variances: np.ndarray) -> np.ndarray:
        between, within = variances[..., 0]
        return np.sqrt(between * self.ratio_between + within * self.ratio_within)


@dataclass(frozen=True)
class GroupLines:
    """Values with a level or a line in x for each of k groups, by least squares.

    values    : (..., n) ; leading axes are sets of values for the same x and groups
    x         : (n,)
    member    : (n,) number of the group of each value
    names     : (k,) names of the groups, in the order of first appearance
    structure : "own lines" (each group its own slope), "one slope" (common to the groups), "flat" (one level a group),
        or "across groups" (each group at one x only: the line runs through the groups)
    curved    : one x² term common to all groups, beside own lines
    unknowns_before : unknowns that the values have cost before, as those of a curve; taken off the degrees of freedom
    """

    values: np.ndarray
    x: np.ndarray
    member: np.ndarray
    names: tuple[Any, ...]
    structure: Structure
    curved: bool = False
    unknowns_before: int = 0

    @classmethod
    def of(
        cls,
        values: Any,
        *,
        group: Sequence[Hashable] | np.ndarray,
        x: Any = None,
        structure: Structure | None = None,
        curved: bool = False,
        unknowns_before: int = 0,
    ) -> "GroupLines":
        """Levels or lines from values (..., n), the group of each (n,), and its x (n,); without x, levels.

        structure : None takes own lines where each group has 3 values or more and spans all x (its line is then read
            within its values only), else one slope, else what the x allow. "own lines" takes them in any case.
        Raises ValueError for shapes that do not match, values that are not finite, a group with one x only where it
        is to have its own line, and a curvature that the values cannot show.
        """
        y, labels = np.asarray(values, float), np.asarray(group).tolist()
        place = {name: k for k, name in enumerate(dict.fromkeys(labels))}
        member = np.array([place[label] for label in labels], int)
        at = np.zeros(member.size) if x is None else np.asarray(x, float)
        if y.shape[-1:] != at.shape or at.ndim != 1 or member.shape != at.shape or not at.size:
            raise ValueError(f"one value, x and group each: got {y.shape[-1:]}, {at.shape} and {member.shape} of them")
        if not (np.all(np.isfinite(y)) and np.all(np.isfinite(at))):
            raise ValueError("a value or its x is not a finite number: leave that drop out by name")
        if structure is None:
            structure = "flat" if x is None else _structure(at, member)
        lines = cls(y, at, member, tuple(place), structure, curved, unknowns_before)
        if structure == "own lines":
            lines._need_lines()
        return lines

    # --- what the groups have

    @property
    def n_groups(self) -> int:
        return len(self.names)

    @property
    def sizes(self) -> np.ndarray:
        """Number of values of each group.  (k,)"""
        return np.bincount(self.member)

    @property
    def dof_within(self) -> int:
        """Degrees of freedom of the repeatability; below 1 where the values do not show it."""
        k = self.n_groups
        used = {"own lines": 2 * k, "one slope": k + 1, "flat": k, "across groups": k}[self.structure]
        return self.x.size - used - self.curved - self.unknowns_before

    @cached_property
    def within(self) -> np.ndarray:
        """Mean square of values about their group's line, s_w²; nan where the values do not show it.  (...)"""
        if self.dof_within < 1:
            return np.full(self.values.shape[:-1], np.nan)
        residuals = self._off_lines(self.values)
        if self.curved:
            curvature = self.values @ self._curvature_weights
            residuals = residuals - curvature[..., None] * self._off_lines(self._squares)
        return (residuals**2).sum(-1) / self.dof_within

    @property
    def repeatability(self) -> np.ndarray:
        """Standard deviation of values about their group's line.  (...)"""
        return np.sqrt(self.within)

    def weights(self, x: Any, groups: Any = slice(None)) -> np.ndarray:
        """What each value counts in a group's value at x: m_i(x) = Σ_d w_id(x) y_d.  (n_x, k, n)

        groups : numbers of those that are asked for
        """
        at = np.atleast_1d(np.asarray(x, float))
        level, slope, centre = (part[groups] for part in self._lines)
        lines = level + (at[:, None] - centre)[..., None] * slope
        if not self.curved:
            return lines
        bend = (at[:, None] - self.x.mean()) ** 2 - lines @ self._squares
        return lines + bend[..., None] * self._curvature_weights

    def mean_weights(self, x: Any, group: Hashable | None = None) -> np.ndarray:
        """What each value counts in the mean of the groups at x, or in one group's value, and so does its error.

        (n_x, n)
        """
        if group is not None:
            return self.weights(x, [self._number(group)])[:, 0]
        if self.structure != "across groups":
            return self.weights(x).mean(1)
        return replace(self, values=np.eye(self.x.size))._across_groups(np.atleast_1d(np.asarray(x, float))).mean.T

    def group_values(self, x: Any) -> np.ndarray:
        """Value of each group's line at x.  (..., n_x, k)"""
        return np.einsum("mkd,...d->...mk", self.weights(x), self.values)

    # --- the next value

    def another_group(self, x: Any = 0.0) -> NextValue:
        """The next value of a group not seen yet, at x: a number or (n_x,).

        Raises EvidenceError with fewer than 2 groups (3 where each has one x only), or where the lines leave no
        repeatability to see and the limit needs it.
        """
        n, at = self.n_groups, np.atleast_1d(np.asarray(x, float))
        if n < 2:
            raise EvidenceError(
                "only 1 cord: a limit for another cord needs at least 2; ask for this cord, or test more cords"
            )
        if self.structure == "across groups":
            return self._across_groups(at)
        weights, group_values, ones = self.weights(at), self.group_values(at), np.ones(at.size)
        of_mean = (weights.mean(1) ** 2).sum(1)
        in_between = ((weights**2).sum((1, 2)) / n - of_mean) * n / (n - 1)  # c of the module's text
        return self._next(
            group_values.mean(-1),
            group_values.var(-1, ddof=1),
            dof=n - 1,
            of_mean=np.array([ones / n, of_mean - in_between / n]),
            of_next=np.array([ones, 1 - in_between]),
        )

    def this_group(self, group: Hashable, x: Any = 0.0) -> NextValue:
        """The next value of a group that has values, at x: a number or (n_x,).

        Raises EvidenceError for a group without values, without repeated values, or with one x where others are asked.
        """
        self._number(group)
        if self.dof_within < 1:
            raise EvidenceError("no cord was dropped often enough to show scatter from drop to drop: repeat some drops")
        if self.structure == "across groups":
            raise EvidenceError(
                f"cord {group!r} was dropped at one mass only, as all cords were: nothing says how it does at another"
            )
        weights = self.mean_weights(x, group)
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
        squares = np.array([np.broadcast_to(between, mean.shape), within])
        return NextValue(mean, squares, (dof, max(self.dof_within, 0)), of_mean, of_next)

    def _across_groups(self, at: np.ndarray) -> NextValue:
        """By a line through the groups' means, each group at its own x."""
        n = self.n_groups
        if n < 3:
            raise EvidenceError(
                "2 cords, each at one mass of its own, show no scatter about a line: drop each cord at two masses"
            )
        level, _, centre = self._lines
        y, about = self.values @ level.T, centre - centre.mean()
        slope = (y @ about / (about @ about))[..., None]
        mean = y.mean(-1)[..., None] + slope * (at - centre.mean())
        residuals = y - y.mean(-1)[..., None] - slope * about
        ones = np.ones(at.size)
        leverage = 1 / n + (at - centre.mean()) ** 2 / (about @ about)
        return self._next(
            mean,
            ((residuals**2).sum(-1) / (n - 2))[..., None],
            dof=n - 2,
            of_mean=np.array([leverage, 0 * ones]),
            of_next=np.array([ones, (1 - (level**2).sum() / n) * ones]),
        )

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
    def curvature(self) -> float:
        """Coefficient of x², common to the groups; 0 for straight lines."""
        return float(self.values @ self._curvature_weights) if self.curved else 0.0

    @property
    def se_curvature(self) -> float:
        return float(self.repeatability * np.linalg.norm(self._curvature_weights)) if self.curved else 0.0

    @property
    def between(self) -> tuple[np.ndarray, tuple[str, ...]]:
        """Covariance (2, 2) of the groups' true intercepts and slopes, and the names of those that stand at zero.

        That of the fitted ones less what the repeatability puts in; equal to REML for balanced groups. A variance that
        comes out negative is set to zero and named.
        """
        n, coefficients = self.n_groups, self._coefficients
        if n < 2 or self.dof_within < 1:
            return np.full((2, 2), np.nan), ()
        mean = coefficients.mean(0)
        error = (np.einsum("kid,kjd->ij", coefficients, coefficients) / n - mean @ mean.T) * n / (n - 1)
        covariance = np.cov(self.intercepts, self.slopes) - self.within * error
        zeroed = tuple(name for i, name in enumerate(("intercept", "slope")) if covariance[i, i] <= 0)
        positive = np.diag(covariance) > 0
        return np.where(np.outer(positive, positive), covariance, 0.0), zeroed

    @cached_property
    def _lines(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What values weigh in each group's mean and slope, (k, n) both, and its mean x (k,)."""
        is_member = self.member == np.arange(self.n_groups)[:, None]
        level = is_member / is_member.sum(1, keepdims=True)
        centre = level @ self.x
        about = np.where(is_member, self.x - centre[:, None], 0.0)
        if self.structure in ("flat", "across groups"):
            slope = np.zeros_like(level)
        elif self.structure == "own lines":
            slope = about / (about**2).sum(1, keepdims=True)
        else:
            slope = np.broadcast_to(about.sum(0) / (about**2).sum(), level.shape)
        return level, slope, centre

    @cached_property
    def _squares(self) -> np.ndarray:
        """x² about the mean x.  (n,)"""
        return (self.x - self.x.mean()) ** 2

    @cached_property
    def _curvature_weights(self) -> np.ndarray:
        """What each value counts in the curvature.  (n,)"""
        bend = self._off_lines(self._squares)
        return bend / (bend @ bend)

    @cached_property
    def _coefficients(self) -> np.ndarray:
        """What each value counts in a group's intercept and slope at x = 0.  (k, 2, n)"""
        step = np.abs(self.x).max() or 1.0  # central differences are exact: a line has no higher power than x²
        at_zero, above, below = self.weights([0.0, step, -step])
        return np.stack([at_zero, (above - below) / (2 * step)], axis=1)

    def _off_lines(self, values: np.ndarray) -> np.ndarray:
        """Values (..., n) less those of their group's straight line."""
        level, slope, centre = self._lines
        means, slopes = values @ level.T, values @ slope.T
        return values - means[..., self.member] - slopes[..., self.member] * (self.x - centre[self.member])

    def _number(self, group: Hashable) -> int:
        if group not in self.names:
            with_drops = ", ".join(map(str, self.names))
            raise EvidenceError(f"cord {group!r} has no drop here; cords with drops: {with_drops}")
        return self.names.index(group)

    def _need_lines(self) -> None:
        for k, name in enumerate(self.names):
            if np.ptp(self.x[self.member == k]) == 0:
                raise ValueError(f"group {name} has values at one x only: no line")
        if self.curved:
            bend = self._off_lines(self._squares)
            if self.dof_within < 1 or bend @ bend < 1e-12 * self._squares.sum() ** 2 / self.x.size:
                raise ValueError("curvature takes 3 different x in a group and a degree of freedom to spare")


def _structure(x: np.ndarray, member: np.ndarray) -> Structure:
    low, high = x.min(), x.max()
    if low == high:
        return "flat"
    by_group = [x[member == k] for k in range(member.max() + 1)]
    # a group whose x span the whole range has leverage at most 1 in it: its own line is then interpolation
    if all(at.size >= FEWEST_FOR_OWN_LINE and at.min() == low and at.max() == high for at in by_group):
        return "own lines"
    return "one slope" if any(at.min() < at.max() for at in by_group) else "across groups"


# --- variance components ----------------------------------------------------------------------------------------


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
        head = f"mean {self.mean:.6g} (standard error {self.se_mean:.2g})"
        size = f"{len(self.sizes)} groups, {sum(self.sizes)} values"
        between = f"sd between {self.sd_between:.3g} ({self.dof_between} degrees of freedom)"
        if self.zeroed:
            between = (
                "sd between 0: its estimate was negative, so the groups differ no more than values of one group do"
            )
        return f"{head}, {size}; {between}; sd within {self.sd_within:.3g} ({self.dof_within} degrees of freedom)"

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"sizes": list(self.sizes), "sd_between": self.sd_between, "sd_within": self.sd_within}


def components(values: ArrayLike, groups: Sequence[Hashable] | np.ndarray) -> VarianceComponents:
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
        ratio, fit = 0.0, _Reml(-np.inf, 0.0, float(means.mean()), 0.0, (variance / k) ** 0.5)
        between = variance
    else:
        ratio = _reml_ratio(means, sizes, ms_between, ms_within)
        fit = _reml(ratio, means, sizes, ms_within * (n - k))
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
        zeroed=ratio == 0 and fit.within > 0,
        criterion=fit.criterion + (n - 1) * float(1 + np.log(2 * np.pi / (n - 1))),
    )


class _Reml(NamedTuple):
    """Minus twice the restricted log likelihood without its constant, its derivative, and what the ratio gives."""

    criterion: float
    score: float
    centre: float
    within: float
    se_centre: float


def _reml(ratio: float, means: np.ndarray, sizes: np.ndarray, ss_within: float) -> _Reml:
    """REML of group means (k,) with a sum of squares within them, at between/within = ratio."""
    dof, weights = float(sizes.sum() - 1), sizes / (1 + sizes * ratio)
    total = float(weights.sum())
    centre = float(weights @ means) / total
    squares = (means - centre) ** 2
    residual = float(ss_within + weights @ squares)
    criterion = dof * np.log(residual) + np.log1p(sizes * ratio).sum() + np.log(total)
    score = total - weights @ weights / total - dof * (weights**2 @ squares) / residual
    return _Reml(float(criterion), float(score), centre, residual / dof, (residual / dof / total) ** 0.5)


def _reml_ratio(means: np.ndarray, sizes: np.ndarray, ms_between: float, ms_within: float) -> float:
    """Between over within, 0 where its estimate is negative: where the restricted likelihood is greatest."""
    if np.ptp(sizes) == 0:
        return max((ms_between / ms_within - 1) / float(sizes[0]), 0.0)

    def at(ratio: float) -> _Reml:
        return _reml(ratio, means, sizes, ms_within * float(sizes.sum() - sizes.size))

    grid = np.append(0.0, (np.var(means, ddof=1) / ms_within + 1 / sizes.mean()) * np.logspace(-8, 3, 67))
    best = int(np.argmin([at(ratio).criterion for ratio in grid]))
    if best == 0 and at(0.0).score >= 0:
        return 0.0
    ends = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    # the root of the derivative keeps the digits that a minimum loses
    return float(optimize.brentq(lambda ratio: at(ratio).score, *ends, xtol=1e-300, rtol=1e-14))


# --- values unlike the others -----------------------------------------------------------------------------------


def without_levels(values: np.ndarray, *groupings: ArrayLike) -> tuple[np.ndarray, np.ndarray, int]:
    """What is left of `values`, (n,) or (n, columns), when each group of each grouping (n,) has a level of its own.

    By least squares; then the share of each value that is free of the levels (1 less its leverage), and the degrees of
    freedom left.
    """
    members = [np.asarray(grouping)[:, None] == np.unique(grouping) for grouping in groupings]
    span, singular, _ = np.linalg.svd(np.hstack(members).astype(float), full_matrices=False)
    span = span[:, singular > 1e-9 * singular[0]]
    return values - span @ (span.T @ values), 1 - (span**2).sum(axis=1), len(span) - span.shape[1]


@dataclass(frozen=True)
class Furthest:
    """The value furthest from what the others make it.

    number : of the value ; off : its distance from what the others say ; t : that in standard deviations ;
    chance : that repeatability alone puts any of the values so far off
    """

    number: int
    off: float
    t: float
    chance: float


def furthest(values: np.ndarray, *groupings: ArrayLike) -> Furthest | None:
    """The value (n,) furthest from what its groups make it, by the externally studentized residual.

    Cook & Weisberg 1982, section 2.2.2, with Bonferroni's bound on the chance; with one level for all values it is
    Grubbs' test (Technometrics 11 (1969) 1). None below 3 degrees of freedom.
    """
    residuals, free, dof = without_levels(values, *groupings)
    if dof < 3:
        return None
    shown = np.flatnonzero(free > 1e-6)  # not what has a level for itself
    residuals, free = residuals[shown], free[shown]
    variance_of_others = np.maximum((residuals @ residuals + 1e-12 - residuals**2 / free) / (dof - 1), 1e-12)
    t = np.abs(residuals) / np.sqrt(variance_of_others * free)
    worst = int(np.argmax(t))
    chance = 2 * special.stdtr(dof - 1, -t[worst]) * t.size
    return Furthest(int(shown[worst]), float(residuals[worst] / free[worst]), float(t[worst]), float(chance))

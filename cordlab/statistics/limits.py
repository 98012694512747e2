"""Statistics of groups: variance between and within, and the three limits (confidence, prediction, tolerance).

No physics: values are normal about a mean, alone or in groups (drops in cords). A caller whose values are better
normal as logarithms gives the logarithms. Each limit says what it promises; they are never mixed.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from scipy import optimize, special

from cordlab.statistics.groups import GroupLines

Side = Literal["upper", "lower", "both"]


@dataclass(frozen=True)
class VarianceComponents:
    """Normal values in groups, y = mean + (group) + (within group), estimated by REML.

    mean, se_mean : the mean over groups and its standard error  [unit of y]
    between, within : variances  [unit²]
    ms_between, ms_within : mean squares of the analysis of variance  [unit²]
    ratio : between over within
    zeroed : the estimate of `between` was negative and stands at zero
    criterion : minus twice the restricted log likelihood at the estimate
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
        return self.between / self.within if self.within else np.inf

    def summary(self) -> str:
        said = f"mean {self.mean:.6g} (standard error {self.se_mean:.2g})"
        said += f", {len(self.sizes)} groups, {sum(self.sizes)} values"
        between = f"sd between {self.sd_between:.3g} ({self.dof_between} degrees of freedom)"
        if self.zeroed:
            between = "sd between 0: its estimate was negative, so the groups differ by no more than their own scatter"
        return f"{said}; {between}; sd within {self.sd_within:.3g} ({self.dof_within} degrees of freedom)"

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"sizes": list(self.sizes), "sd_between": self.sd_between, "sd_within": self.sd_within}


@dataclass(frozen=True)
class Limit:
    """One limit and what it promises. A side that has no limit is infinite.

    kind : "confidence" (of the mean), "prediction" (of the next value) or "tolerance" (of a share of all values)
    probability : that it holds for the mean or the next value; for tolerance, the share
    confidence : tolerance only, else nan
    factor : the limit is mean ± factor · sd (with groups, · the standard deviation of the next value about the mean)
    """

    kind: str
    side: Side
    lower: float
    upper: float
    probability: float
    confidence: float
    n: int
    dof: float
    factor: float

    def __float__(self) -> float:
        if self.side == "both":
            raise TypeError("a two-sided limit is two numbers: use .lower and .upper")
        return self.upper if self.side == "upper" else self.lower

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> np.ndarray:
        return np.array([self.lower, self.upper] if self.side == "both" else float(self), dtype=dtype)

    def summary(self) -> str:
        number = f"{self.lower:.6g} to {self.upper:.6g}" if self.side == "both" else f"{float(self):.6g}"
        promise = {
            "confidence": f"holds the mean with probability {self.probability:g}",
            "prediction": f"holds the next value with probability {self.probability:g}",
            "tolerance": f"holds {self.probability:g} of all values, with confidence {self.confidence:g}",
        }[self.kind]
        return f"{self.kind} limit ({self.side}) {number}: {promise}; n = {self.n}, {self.dof:.3g} degrees of freedom"

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers; what does not apply is None."""
        return {key: None if isinstance(v, float) and not np.isfinite(v) else v for key, v in asdict(self).items()}


# --- variance components ----------------------------------------------------------------------------------------


def components(values: Sequence[float] | np.ndarray, groups: Sequence[Any] | np.ndarray) -> VarianceComponents:
    """Variance between and within groups by restricted maximum likelihood (REML), balanced or not.

    values : (n,) ; groups : (n,) names of the groups. One-way random model; Searle, Casella and McCulloch (1992),
    Variance Components, section 3.8: the likelihood is profiled to the one ratio between/within.
    Raises ValueError where between and within cannot be told apart: one group, or one value a group.
    """
    y, member, sizes = _grouped(values, groups)
    n, k = len(y), len(sizes)
    if k < 2:
        raise ValueError(f"only {k} group: variance between groups needs at least 2")
    if n == k:
        raise ValueError("one value a group: between and within cannot be told apart; repeat some, or use the plain sd")
    origin = y[0]  # the differences keep the digits that a large common part would eat
    y = y - origin
    means = np.bincount(member, y) / sizes
    ss_within = float(np.sum((y - means[member]) ** 2))
    ss_between = float(np.sum(sizes * (means - y.mean()) ** 2))
    ratio = _reml_ratio(means, sizes, ss_within)
    if np.isinf(ratio):  # nothing scatters within a group: the means are all there is
        centre, within, between = means.mean(), 0.0, float(np.var(means, ddof=1))
        se_mean, criterion = (between / k) ** 0.5, -np.inf
    else:
        weights = sizes / (1 + sizes * ratio)
        centre = weights @ means / weights.sum()
        within = (ss_within + weights @ (means - centre) ** 2) / (n - 1)
        between, se_mean = within * ratio, (within / weights.sum()) ** 0.5
        criterion = _criterion(ratio, means, sizes, ss_within) + (n - 1) * (1 + np.log(2 * np.pi / (n - 1)))
    return VarianceComponents(
        mean=float(origin + centre),
        se_mean=float(se_mean),
        between=float(between),
        within=float(within),
        ms_between=ss_between / (k - 1),
        ms_within=ss_within / (n - k),
        dof_between=k - 1,
        dof_within=n - k,
        sizes=tuple(int(size) for size in sizes),
        zeroed=ratio == 0 and ss_within > 0,
        criterion=float(criterion),
    )


def _grouped(values: Any, groups: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values, index of each value's group, and the size of each group."""
    y = _checked(values)
    names, member = np.unique(np.asarray(groups), return_inverse=True)
    if np.shape(groups) != y.shape:
        raise ValueError(f"{len(y)} values but {np.size(groups)} group names: one name a value")
    return y, member, np.bincount(member, minlength=len(names))


def _checked(values: Any) -> np.ndarray:
    y = np.asarray(values, float)
    if y.ndim != 1 or not y.size:
        raise ValueError(f"values of shape {y.shape}: one row of at least one value is needed")
    if not np.isfinite(y).all():
        raise ValueError(f"value {int(np.flatnonzero(~np.isfinite(y))[0]) + 1} is not a number: leave it out by name")
    return y


def _criterion(ratio: float, means: np.ndarray, sizes: np.ndarray, ss_within: float) -> float:
    """Minus twice the restricted log likelihood at between/within = ratio, without its constant."""
    weights = sizes / (1 + sizes * ratio)
    residual = ss_within + weights @ (means - weights @ means / weights.sum()) ** 2
    return (sizes.sum() - 1) * np.log(residual) + np.log1p(sizes * ratio).sum() + np.log(weights.sum())


def _score(ratio: float, means: np.ndarray, sizes: np.ndarray, ss_within: float) -> float:
    """Derivative of `_criterion`; its root keeps the digits that a minimum loses."""
    weights = sizes / (1 + sizes * ratio)
    squares = (means - weights @ means / weights.sum()) ** 2
    pull = (sizes.sum() - 1) * (weights**2 @ squares) / (ss_within + weights @ squares)
    return weights.sum() - weights @ weights / weights.sum() - pull


def _reml_ratio(means: np.ndarray, sizes: np.ndarray, ss_within: float) -> float:
    """Between over within, at least 0; inf if nothing scatters within the groups, 0 if nothing scatters at all."""
    spread = float(np.var(means, ddof=1))
    if ss_within <= 1e-28 * spread * sizes.sum() or ss_within == 0:
        return np.inf if spread else 0.0
    scale = spread * (sizes.sum() - len(sizes)) / ss_within + 1 / sizes.mean()
    grid = np.concatenate([[0.0], scale * np.logspace(-8, 3, 67)])
    best = int(np.argmin([_criterion(ratio, means, sizes, ss_within) for ratio in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    if best == 0 and _score(0.0, means, sizes, ss_within) >= 0:
        return 0.0
    return float(optimize.brentq(_score, low, high, args=(means, sizes, ss_within), xtol=1e-300, rtol=1e-14))


# --- factors ----------------------------------------------------------------------------------------------------


def _check_share(**shares: float) -> None:
    for name, share in shares.items():
        if not 0 < share < 1:
            raise ValueError(f"{name} {share:g} is not between 0 and 1")


def prediction_factor(n: float, probability: float, sides: int = 1) -> float:
    """k such that mean ± k·sd holds the next value with `probability`: t·√(1 + 1/n), on n − 1 degrees of freedom."""
    _check_share(probability=probability)
    return float(_t(probability, _dof(n), sides) * np.sqrt(1 + 1 / n))


def prediction_assurance(n: int, probability: float) -> float:
    """Share of samples of n in which a one-sided prediction limit holds at least `probability` of all values.

    Over samples it holds that many on average; in the other ones it holds fewer. By the noncentral t law.
    """
    factor = prediction_factor(n, probability)
    return float(special.nctdtr(n - 1, special.ndtri(probability) * n**0.5, factor * n**0.5))


def tolerance_factor(n: float, share: float, confidence: float, sides: int = 1, *, dof: float | None = None) -> float:
    """k such that mean ± k·sd holds at least `share` of all values with `confidence`; exact for normal values.

    One-sided by the noncentral t law, two-sided by quadrature over the mean (ISO 16269-6:2014, Annexes C, D and F).
    dof : degrees of freedom of the sd, n − 1 unless it is pooled over m such samples, then m(n − 1).
    Raises ValueError for shares outside 0 to 1, sides other than 1 or 2, and less than one degree of freedom.
    """
    _check_share(share=share, confidence=confidence)
    dof = _dof(n, dof)
    if np.isinf(n):  # mean and sd known: the last row of the tables
        return float(special.ndtri(share if sides == 1 else (1 + share) / 2))
    if sides == 1:
        return _one_sided(n, share, confidence, dof)
    if sides == 2:
        return _two_sided(n, share, confidence, dof)
    raise ValueError(f"sides = {sides!r}: 1 or 2")


def _dof(n: float, dof: float | None = None) -> float:
    if n < 1:
        raise ValueError(f"n = {n}: at least one value is needed")
    dof = n - 1 if dof is None else dof
    if dof < 1:
        raise ValueError(f"n = {n}: a limit needs the scatter of at least 2 values")
    return dof


def _t(probability: float, dof: float, sides: int) -> float:
    if sides not in (1, 2):
        raise ValueError(f"sides = {sides!r}: 1 or 2")
    return float(special.stdtrit(dof, probability if sides == 1 else (1 + probability) / 2))


@lru_cache(maxsize=4096)
def _one_sided(n: float, share: float, confidence: float, dof: float) -> float:
    from scipy.stats import nct

    return float(nct.ppf(confidence, dof, special.ndtri(share) * np.sqrt(n)) / np.sqrt(n))


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(160)
_MEAN = 4.2 * (_NODES + 1)  # the standardised mean; beyond 8.4 its density is under 1e-15 of the whole
_MEAN_WEIGHTS = 2 * 4.2 * _WEIGHTS * np.exp(-(_MEAN**2) / 2) / np.sqrt(2 * np.pi)


@lru_cache(maxsize=4096)
def _two_sided(n: float, share: float, confidence: float, dof: float) -> float:
    """Solves ∫ P(sd ≥ r(z)/k) φ(z) dz = confidence, r(z) the half-width that holds `share` about a mean off by z/√n."""
    off = _MEAN / np.sqrt(n)
    half = np.sqrt(special.chndtrix(share, 1.0, off**2))
    for _ in range(3):  # Newton: the inverse above is good to eight digits only
        miss = special.ndtr(off + half) - special.ndtr(off - half) - share
        half = half - miss * np.sqrt(2 * np.pi) / (np.exp(-((off + half) ** 2) / 2) + np.exp(-((off - half) ** 2) / 2))

    def excess(log_k: float) -> float:
        tail = special.gammaincc(dof / 2, dof * half**2 / (2 * np.exp(2 * log_k)))
        return float(_MEAN_WEIGHTS @ tail) - confidence

    # with the mean known without error the factor is smaller; from there upwards until it holds
    low = np.log(half[0] * np.sqrt(dof / (2 * special.gammaincinv(dof / 2, 1 - confidence)))) - 1e-6
    high = low + 0.5
    while excess(high) < 0:
        high += 0.5
    return float(np.exp(optimize.brentq(excess, low, high, xtol=1e-13)))


# --- limits -----------------------------------------------------------------------------------------------------


def confidence_limit(values: Sequence[float] | np.ndarray, *, confidence: float, side: Side) -> Limit:
    """Where the mean lies: mean ± t·sd/√n. Not a limit for the next value. values : (n,), n ≥ 2."""
    y = _checked(values)
    _check_share(confidence=confidence)
    factor = _t(confidence, _dof(len(y)), _sides(side)) / len(y) ** 0.5
    return _limit("confidence", y, side, factor, confidence)


def tolerance_limit(values: Sequence[float] | np.ndarray, *, share: float, confidence: float, side: Side) -> Limit:
    """Holds `share` of all values with `confidence`: mean ± `tolerance_factor`·sd. values : (n,) independent, n ≥ 2."""
    y = _checked(values)
    factor = tolerance_factor(len(y), share, confidence, _sides(side))
    return _limit("tolerance", y, side, factor, share, confidence)


def prediction_limit(
    values: Sequence[float] | np.ndarray,
    *,
    probability: float,
    side: Side,
    groups: Sequence[Any] | np.ndarray | None = None,
) -> Limit:
    """Holds the next value with `probability`; with `groups`, one value of a group not seen yet (another cord).

    values : (n,) ; groups : (n,) names. Without groups: mean ± t·sd·√(1 + 1/n). With groups: the mean of the k group
    means and s² = s_m²(1 + 1/k) + s_w²(1 − mean(1/n_i)), s_m² the mean square of the group means, s_w² within groups,
    each part with its own t (`t_margin`); unbiased for s² whether balanced or not, and t on k − 1 for one value
    a group. Raises ValueError for fewer than 2 values or groups.
    """
    _check_share(probability=probability)
    if groups is None:
        y = _checked(values)
        return _limit("prediction", y, side, prediction_factor(len(y), probability, _sides(side)), probability)
    y, _, sizes = _grouped(values, groups)
    if len(sizes) < 2:
        raise ValueError(f"only {len(sizes)} group: a limit for another needs at least 2")
    another = GroupLines.of(y - y[0], group=groups).another_group()  # differences keep the digits
    half, u = (float(part[0]) for part in (another.margin(probability, sides=_sides(side)), another.u))
    factor = half / u if u else _t(probability, another.dof[0], _sides(side))
    ends = _ends(y[0] + another.mean[0], half, side)
    dof = float(another.effective_dof[0]) if u else another.dof[0]
    return Limit("prediction", side, *ends, probability, np.nan, len(sizes), dof, factor)


def _sides(side: str) -> int:
    if side not in ("upper", "lower", "both"):
        raise ValueError(f"side {side!r}: 'upper', 'lower' or 'both'")
    return 2 if side == "both" else 1


def _limit(
    kind: str, y: np.ndarray, side: Side, factor: float, probability: float, confidence: float = np.nan
) -> Limit:
    ends = _ends(y[0] + (y - y[0]).mean(), factor * y.std(ddof=1), side)
    return Limit(kind, side, *ends, probability, confidence, len(y), len(y) - 1, factor)


def _ends(mean: float, half: float, side: Side) -> tuple[float, float]:
    return float(mean - half) if side != "upper" else -np.inf, float(mean + half) if side != "lower" else np.inf

"""The three limits (confidence, prediction, tolerance) from normal values, alone or in groups (drops in cords).

Each limit says what it promises; they are never mixed. Values that are better normal as logarithms come as logarithms.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from cordlab.statistics.groups import GroupLines, GroupNames
from cordlab.statistics.propagation import t_margin

Side = Literal["upper", "lower", "both"]


@dataclass(frozen=True)
class Limit:
    """One limit and what it promises. A side that has no limit is infinite."""

    kind: str  # "confidence" (of the mean), "prediction" (of the next value) or "tolerance" (of a share of all values)
    side: Side
    lower: float
    upper: float
    probability: float  # that it holds for the mean or the next value; for tolerance, the share
    confidence: float  # tolerance only, else nan
    n: int
    dof: float
    factor: float  # mean ± factor · sd; with groups, · the standard deviation of the next value about the mean

    def __float__(self) -> float:
        if self.side == "both":
            raise TypeError("a two-sided limit is two numbers: use .lower and .upper")
        return self.upper if self.side == "upper" else self.lower

    def __array__(self, dtype: np.dtype | None = None, copy: bool | None = None) -> np.ndarray:
        return np.array([self.lower, self.upper] if self.side == "both" else float(self), dtype=dtype)

    def summary(self) -> str:
        number = f"{self.lower:.6g} to {self.upper:.6g}" if self.side == "both" else f"{float(self):.6g}"
        promise = {
            "confidence": f"holds the mean with probability {self.probability:g}",
            "prediction": f"holds the next value with probability {self.probability:g}",
            "tolerance": f"holds {self.probability:g} of all values, with confidence {self.confidence:g}",
        }[self.kind]
        return f"{self.kind} limit ({self.side}) {number}: {promise}; n = {self.n}, {self.dof:.3g} degrees of freedom"


def confidence_limit(values: ArrayLike, *, confidence: float, side: Side) -> Limit:
    """Where the mean lies: mean ± t·sd/√n. Not a limit for the next value. values : (n,), n ≥ 2."""
    y = _checked(values, confidence=confidence)
    factor = t_margin([1.0], [len(y) - 1], confidence, sides=_sides(side)) / len(y) ** 0.5
    return _limit("confidence", y, side, factor, confidence)


def tolerance_limit(values: ArrayLike, *, share: float, confidence: float, side: Side) -> Limit:
    """Limit that holds a share of all values, with confidence: mean ± `tolerance_factor` · sd; ISO 16269-6:2014.

    Parameters
    ----------
    values : array_like, shape (n,)
        Independent normal values, n ≥ 2  [any unit].
    share, confidence : float
        Share of all values to hold, and how often over many samples it is held; between 0 and 1.
    side : {"upper", "lower", "both"}
        On which side values are dangerous.

    Returns
    -------
    Limit
        `.lower` and `.upper`; a one-sided limit also works as a number  [unit of values].

    Raises
    ------
    ValueError
        For fewer than 2 values, a value that is not finite, or a share or side that does not exist.

    Examples
    --------
    >>> import cordlab  # breaking loads [kN]
    >>> limit = cordlab.tolerance_limit([14.2, 13.8, 14.9, 14.4, 13.9], share=0.99, confidence=0.95, side="lower")
    >>> round(float(limit), 2)
    11.72
    """
    y = _checked(values, share=share, confidence=confidence)
    return _limit("tolerance", y, side, tolerance_factor(len(y), share, confidence, _sides(side)), share, confidence)


def prediction_limit(values: ArrayLike, *, probability: float, side: Side, groups: GroupNames | None = None) -> Limit:
    """Limit that holds the next value; with groups, the next value of a group not seen yet (another cord).

    Without groups: mean ± t·sd·√(1 + 1/n). With groups: about the mean of the k group means, √Σ t²·variance of two
    parts: s_m²(1 + 1/k), s_m² the variance of the group means, and s_w²(1 − mean of 1/nᵢ), s_w² that within groups
    (unweighted means, Thomas & Hultquist, Annals of Statistics 6 (1978) 582). It holds at least as often as it says
    (Banerjee, Sankhyā 22 (1960) 357, from memory).

    Parameters
    ----------
    values, side
        As in `tolerance_limit`.
    probability : float
        That the next value keeps the limit, between 0 and 1.
    groups : sequence, shape (n,), optional
        Name of the group (the cord) of each value.

    Raises
    ------
    ValueError
        For fewer than 2 values or groups, a value that is not finite, or a probability or side that does not exist.

    Examples
    --------
    >>> import cordlab  # lowest points of three cords, dropped twice each [m]
    >>> lowest = [31.2, 31.3, 30.8, 30.9, 31.5, 31.3]
    >>> limit = cordlab.prediction_limit(lowest, probability=0.95, side="upper", groups=["A", "A", "B", "B", "C", "C"])
    >>> round(float(limit), 2)
    32.14
    """
    y, sides = _checked(values, probability=probability), _sides(side)
    if groups is None:
        return _limit("prediction", y, side, prediction_factor(len(y), probability, sides), probability)
    k = len(set(np.asarray(groups).tolist()))
    if k < 2:
        raise ValueError(f"only {k} group: a limit for another needs at least 2")
    another = GroupLines.of(y - y[0], group=groups).another_group()  # differences keep the digits
    margin, u, dof = float(another.margin(probability, sides=sides)[0]), float(another.u[0]), another.dof[0]
    factor = margin / u if u else t_margin([1.0], [dof], probability, sides=sides)
    effective = float(another.effective_dof[0]) if u else dof
    return Limit(
        "prediction", side, *_ends(y[0] + another.mean[0], margin, side), probability, np.nan, k, effective, factor
    )


def _checked(values: ArrayLike, **shares: float) -> np.ndarray:
    """The values, at least 2 that are finite; shares between 0 and 1."""
    y = np.asarray(values, float)
    if y.ndim != 1 or not y.size:
        raise ValueError(f"values of shape {y.shape}: one row of at least one value is needed")
    if not np.isfinite(y).all():
        raise ValueError(f"value {np.argmin(np.isfinite(y)) + 1} is not a number: leave it out by name")
    _dof(y.size)
    _check_shares(**shares)
    return y


def _check_shares(**shares: float) -> None:
    for name, share in shares.items():
        if not 0 < share < 1:
            raise ValueError(f"{name} {share:g} is not between 0 and 1")


def _sides(side: str) -> int:
    if side not in ("upper", "lower", "both"):
        raise ValueError(f"side {side!r}: 'upper', 'lower' or 'both'")
    return 2 if side == "both" else 1


def _limit(
    kind: str, y: np.ndarray, side: Side, factor: float, probability: float, confidence: float = np.nan
) -> Limit:
    ends = _ends(y[0] + (y - y[0]).mean(), factor * y.std(ddof=1), side)
    return Limit(kind, side, *ends, probability, confidence, len(y), len(y) - 1, float(factor))


def _ends(mean: float, half: float, side: Side) -> tuple[float, float]:
    lower = -np.inf if side == "upper" else float(mean - half)
    upper = np.inf if side == "lower" else float(mean + half)
    return lower, upper


def prediction_factor(n: float, probability: float, sides: int = 1) -> float:
    """k such that mean ± k·sd holds the next value with `probability`: t·√(1 + 1/n), on n − 1 degrees of freedom."""
    _check_shares(probability=probability)
    return float(t_margin([1.0], [_dof(n)], probability, sides=sides) * np.sqrt(1 + 1 / n))


def met_again(distance: ArrayLike, *, dof: float, factor: float) -> np.ndarray:
    """Chance that a bound is met again, by the limit of another sample from where this one came from.

    distance : from the mean to the bound, factor : to a limit, in standard deviations of the next value. All that is
    not known of mean and sd is drawn, by χ² laws on `dof`; mean and sd of the other sample scatter as much.
    """
    dof = min(dof, 1e4)
    ratio = np.sqrt(special.chdtri(dof, (np.arange(40) + 0.5) / 40) / dof)
    room = np.asarray(distance)[..., None, None] * ratio[:, None] - factor * ratio
    return special.ndtr(room * np.sqrt((dof + 2) / 2)).mean((-2, -1))


def tolerance_factor(n: float, share: float, confidence: float, sides: int = 1, *, dof: float | None = None) -> float:
    """Factor k [1] such that mean ± k·sd holds a share of all normal values with confidence; ISO 16269-6:2014.

    Parameters
    ----------
    n : float
        Number of values behind the mean, at least 2; inf where mean and sd are known.
    share, confidence, sides : float, float, {1, 2}
        As in `tolerance_limit`; one-sided by the noncentral t law, two-sided by quadrature over the mean.
    dof : float, optional
        Degrees of freedom of the sd: n − 1 unless it is pooled over m such samples, then m(n − 1).

    Raises
    ------
    ValueError
        For shares outside 0 to 1, sides other than 1 or 2, and less than one degree of freedom.

    Examples
    --------
    >>> import cordlab
    >>> round(cordlab.tolerance_factor(10, 0.95, 0.95), 3), round(cordlab.tolerance_factor(10, 0.95, 0.95, sides=2), 3)
    (2.911, 3.393)
    """
    _check_shares(share=share, confidence=confidence)
    dof = _dof(n, dof)
    if sides not in (1, 2):
        raise ValueError(f"sides = {sides!r}: 1 or 2")
    if np.isinf(n):  # mean and sd known: the last row of the tables
        return float(special.ndtri(share if sides == 1 else (1 + share) / 2))
    return _factor(n, share, confidence, sides, dof)


def _dof(n: float, dof: float | None = None) -> float:
    dof = n - 1 if dof is None else dof
    if n < 1 or dof < 1:
        raise ValueError(f"n = {n}: a limit needs the scatter of at least 2 values")
    return dof


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(160)
_MEAN = 4.2 * (_NODES + 1)  # the standardised mean; beyond 8.4 its density is under 1e-15 of the whole
_MEAN_WEIGHTS = 2 * 4.2 * _WEIGHTS * np.exp(-(_MEAN**2) / 2) / np.sqrt(2 * np.pi)


@lru_cache(maxsize=4096)
def _factor(n: float, share: float, confidence: float, sides: int, dof: float) -> float:
    """Two-sided: solves ∫ P(sd ≥ r(z)/k) φ(z) dz = confidence, r(z) the half-width that holds `share` about a mean off
    by z/√n."""
    if sides == 1:
        from scipy.stats import nct  # its import takes longer than all others here

        return float(nct.ppf(confidence, dof, special.ndtri(share) * np.sqrt(n)) / np.sqrt(n))
    off = _MEAN / np.sqrt(n)
    half = np.sqrt(special.chndtrix(share, 1.0, off**2))

    def excess(log_k: float) -> float:
        tail = special.gammaincc(dof / 2, dof * half**2 / (2 * np.exp(2 * log_k)))
        return float(_MEAN_WEIGHTS @ tail) - confidence

    return float(np.exp(optimize.brentq(excess, -10.0, 30.0, xtol=1e-13)))

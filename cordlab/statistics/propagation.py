"""Propagation of uncertainty: parts with their degrees of freedom (JCGM 100), Monte Carlo (JCGM 101), decisions (106).

First-order propagation itself is done with ufloats (`uncertainties`).
"""

from collections.abc import Sequence
from math import floor, inf, log10, sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

OneSide = Literal["lower", "upper"]
Draws = np.ndarray


def welch_satterthwaite(u: ArrayLike, dof: Sequence[float]) -> tuple[Any, Any]:
    """Combined standard uncertainty and its effective degrees of freedom (JCGM 100, G.2b), from parts u (n_parts, ...).
    dof : (n_parts,) of each, inf if exact; ValueError where a part has none."""
    parts, nu = _parts(u, dof)
    total = (parts**2).sum(0)
    below = (parts**4 / np.where(nu > 0, nu, inf)).sum(0)
    effective = np.divide(total**2, below, out=np.full(np.shape(total), inf), where=below > 0)
    return np.sqrt(total), effective[()]


def t_margin(u: ArrayLike, dof: Sequence[float], probability: float, *, sides: int = 1) -> Any:
    """√Σ (t_ν u)² over the parts of a standard uncertainty: the distance of a limit from its estimate.

    Such a limit holds at least as often as it says, whatever the true parts (Banerjee, Sankhyā 22 (1960) 357, from
    memory). One t with the effective degrees of freedom does not: from 2 cords of 3 drops 96 times in 100 and not 99.
    """
    parts, nu = _parts(u, dof)
    share = probability if sides == 1 else (1 + probability) / 2
    t = stdtrit(np.where(nu > 0, nu, inf), share)
    return np.sqrt(((t * parts) ** 2).sum(0))


def _parts(u: ArrayLike, dof: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    parts = np.asarray(u, float)
    nu = np.reshape(np.asarray(dof, float), (-1, *[1] * (parts.ndim - 1)))
    if np.any((parts != 0) & (nu <= 0)):
        raise ValueError("an uncertainty with no degrees of freedom cannot be combined: it has no evidence behind it")
    return parts, nu


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """δ of JCGM 101 7.9.2: half a unit of the last of `digits` significant digits of u."""
    if not u > 0:
        raise ValueError(f"a numerical tolerance needs an uncertainty above 0, not {u}")
    exponent = floor(log10(u)) - (digits - 1)
    if round(u / 10.0**exponent) >= 10**digits:  # 0.0996 is 0.10 to two digits
        exponent += 1
    return 0.5 * 10.0**exponent


def scrambles(dimensions: int, *, size: int, count: int, seed: int, first: int = 0) -> Draws:
    """Numbers between 0 and 1, (dimensions, count · size): independent scrambles of `size` Sobol points, in a row.

    Each fills the space evenly, so its quantiles are far surer than those of random points, and how they differ from
    scramble to scramble says how sure (Owen, J. Complexity 14 (1998) 466, from memory).
    size : a power of two;  first : number of the first scramble, to go on where other ones ended
    """
    from scipy.stats import qmc  # half a second, and lmfit takes it too

    streams = (np.random.default_rng([seed, first + k]) for k in range(count))
    points = np.concatenate([qmc.Sobol(dimensions, rng=stream).random(size) for stream in streams])
    return np.ascontiguousarray(points.T) + 2.0**-31  # the middle of a cell: never 0, never 1


def quantile(draws: Draws, probability: float, side: str) -> np.ndarray:
    """An order statistic of draws (..., n), the next one outwards on the side of danger, "upper" or "lower".
    Never an interpolation with an infinite draw; nan where any draw is."""
    method: Literal["higher", "lower"] = "higher" if side == "upper" else "lower"
    return np.quantile(draws, probability, axis=-1, method=method)


def quantile_error(draws: Draws, probability: float) -> np.ndarray:
    """Standard error of a quantile of independent draws, half the distance of the order statistics at n·p ± √(n·p(1 −
    p)); nan or inf where draws that far out are infinite."""
    step = sqrt(probability * (1 - probability) / draws.shape[-1])
    low, high = np.quantile(draws, np.clip([probability - step, probability + step], 0, 1), axis=-1, method="nearest")
    with np.errstate(invalid="ignore"):
        return (high - low) / 2


def evenness(hits: np.ndarray, count: int) -> float:
    """Standard error of the share of hits (..., n) in `count` scrambles, one after the other, over that of independent
    draws: from how the shares differ from scramble to scramble, in the mean over (...)."""
    shares = hits.reshape(*hits.shape[:-1], count, -1).mean(axis=-1)
    independent = shares.mean(axis=-1) * (1 - shares.mean(axis=-1)) * count / hits.shape[-1]
    return float(np.sqrt(shares.var(axis=-1, ddof=1).mean() / max(independent.mean(), 1e-300)))


DECISIONS = ("guarded acceptance", "simple acceptance only", "simple rejection", "guarded rejection")


def decide(limit_meets: bool, estimate_meets: bool, violation: float, *, risk: float) -> str:
    """Name of the decision on a criterion that is violated with this probability (JCGM 106, 8.2 and 8.3).
    Simple acceptance would go by the estimate alone and share the risk; cordlab rates by guarded acceptance only."""
    if limit_meets:
        return DECISIONS[0]
    if violation >= 1 - risk:
        return DECISIONS[3]
    return DECISIONS[1] if estimate_meets else DECISIONS[2]

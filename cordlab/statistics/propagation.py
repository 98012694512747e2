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

    dof : (n_parts,) of each, inf if exact; ValueError where a part has none.
    """
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


def quantile(ranked: Draws, probability: float, side: str) -> np.ndarray:
    """An order statistic of draws (..., n) in rising order: the next on the side of danger; nan where a draw is."""
    if side not in ("upper", "lower"):
        raise ValueError(f"side is 'upper' or 'lower', not {side!r}")
    place = probability * (ranked.shape[-1] - 1)
    at = ceil(place) if side == "upper" else floor(place)
    return np.where(np.isnan(ranked[..., -1]), np.nan, ranked[..., at])


def quantile_error(ranked: Draws, probability: float) -> np.ndarray:
    """Standard error of a quantile: half the distance between the order statistics at n·p ± √(n·p(1 − p))."""
    step = sqrt(probability * (1 - probability) / ranked.shape[-1])
    ends = np.clip([probability - step, probability + step], 0, 1)
    low, high = np.moveaxis(ranked[..., np.rint(ends * (ranked.shape[-1] - 1)).astype(int)], -1, 0)
    with np.errstate(invalid="ignore"):
        return (high - low) / 2 * sqrt(variance) / independent


def share_beyond(draws: Draws, bounds: np.ndarray, side: str) -> np.ndarray:
    """Share of draws (n,) that lie beyond each bound; one that is nan lies on neither side of it."""
    ranked = np.sort(draws)
    below, known = np.searchsorted(ranked, bounds), np.searchsorted(ranked, np.nan)
    beyond = known - np.searchsorted(ranked, bounds, side="right") if side == "upper" else below
    return beyond / ranked.size


def adaptive(
    batch: Callable[[np.random.Generator, int], Draws],
    statistic: Callable[[Draws], np.ndarray],
    *,
    tolerance: Callable[[Draws], float | np.ndarray],
    seed: int,
    size: int,
    most: int,
) -> tuple[list[Draws], bool]:
    """Batches of draws until twice the standard error of a statistic over batches is in `tolerance` (JCGM 101 7.9.4).

    Draws lie on the last axis; returns the batches, and whether the rule was met before `most` draws.
    """
    rng = np.random.default_rng(seed)
    batches: list[Draws] = []
    statistics: list[np.ndarray] = []
    asked_at, limit = 0, np.asarray(np.inf)
    while True:
        batches.append(batch(rng, size))
        statistics.append(np.atleast_1d(statistic(batches[-1])))
        n, stack = len(batches), np.stack(statistics)
        stack = np.where(np.isinf(stack).all(axis=0), 0.0, stack)  # infinite in every batch is steady
        if n >= 2 and np.isfinite(stack).all():
            error = stack.std(0, ddof=1) / sqrt(n)
            # the tolerance is asked for only where it can matter: time grows with the draws
            if n >= 2 * asked_at or np.all(2 * error <= NEARLY * limit):
                asked_at, limit = n, np.asarray(tolerance(np.concatenate(batches, -1)))
            if np.all(2 * error <= limit):
                return batches, True
        if (n + 1) * size > most:
            return batches, False


DECISIONS = ("guarded acceptance", "simple acceptance only", "simple rejection", "guarded rejection")


def decide(limit_meets: bool, estimate_meets: bool, violation: float, *, risk: float) -> str:
    """Name of the decision on a criterion that is violated with this probability (JCGM 106, 8.2 and 8.3).

    Simple acceptance would go by the estimate alone and share the risk; cordlab rates by guarded acceptance only.
    """
    if limit_meets:
        return DECISIONS[0]
    if violation >= 1 - risk:
        return DECISIONS[3]
    return DECISIONS[1] if estimate_meets else DECISIONS[2]

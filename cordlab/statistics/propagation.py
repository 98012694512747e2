"""Propagation of uncertainty: first-order (JCGM 100), adaptive Monte Carlo (JCGM 101), conformity (JCGM 106)."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf, isfinite, log10, sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri, stdtrit

OneSide = Literal["lower", "upper"]

LAWS = ("normal", "rectangular", "arcsine", "t")
NEARLY = 1.05  # from half of some 10,000 draws on, a spread of theirs does not change by more


@dataclass(frozen=True)
class Input:
    """An input quantity: its estimate, standard uncertainty [its own unit], the degrees of freedom of that, and its
    law.

    "t" is the scaled and shifted t law of JCGM 101 6.4.9.2, whose scale (not its standard deviation) is `u`.
    """

    value: float
    u: float
    dof: float = inf
    law: str = "normal"

    def __post_init__(self) -> None:
        if self.law not in LAWS:
            raise ValueError(f"law {self.law!r} is not one of {', '.join(LAWS)}")
        if not (isfinite(self.value) and isfinite(self.u) and self.u >= 0):
            raise ValueError(
                f"an input needs a finite value and an uncertainty of 0 or more, not {self.value} and {self.u}"
            )

    def draw(self, rng: np.random.Generator, size: int) -> np.ndarray:
        if self.law == "normal" or (self.law == "t" and self.dof == inf):
            return rng.normal(self.value, self.u, size)
        if self.law == "t":
            return self.value + self.u * rng.standard_t(self.dof, size)
        if self.law == "rectangular":
            return self.value + self.u * sqrt(3.0) * rng.uniform(-1.0, 1.0, size)
        return self.value + self.u * sqrt(2.0) * np.sin(rng.uniform(-np.pi, np.pi, size))


def welch_satterthwaite(u: ArrayLike, dof: Sequence[float]) -> tuple[Any, Any]:
    """Combined standard uncertainty and its effective degrees of freedom (JCGM 100, G.2b).

    u : (n_parts, ...) parts of the standard uncertainty ; dof : (n_parts,) degrees of freedom of each, inf if exact.
    Both results are numbers, or arrays (...) where the parts are.
    Raises ValueError where a part has no degrees of freedom.
    """
    parts, nu = _parts(u, dof)
    total, exact = (parts**2).sum(0), ~np.isfinite(nu) | (nu <= 0)
    below = (np.where(exact, 0.0, parts**4) / np.where(exact, 1.0, nu)).sum(0)
    effective = np.divide(total**2, below, out=np.full(np.shape(total), inf), where=below > 0)
    return np.sqrt(total), effective[()]


def t_margin(u: ArrayLike, dof: Sequence[float], probability: float, *, sides: int = 1) -> Any:
    """√Σ (t_ν u)² over the parts of a standard uncertainty: the distance of a limit from its estimate.

    u, dof : as in `welch_satterthwaite`. Such a limit holds at least as often as it says, whatever the true parts
    (Banerjee, Sankhyā 22 (1960) 357, from memory). One t with the effective degrees of freedom does not: from 2 cords
    of 3 drops it would hold 96 times in 100 instead of 99. Raises ValueError where a part has no degrees of freedom.
    """
    parts, nu = _parts(u, dof)
    share = probability if sides == 1 else (1 + probability) / 2
    with np.errstate(invalid="ignore"):
        t = np.where(np.isfinite(nu) & (nu > 0), stdtrit(np.where(nu > 0, nu, 1.0), share), ndtri(share))
    return np.sqrt(((t * parts) ** 2).sum(0))


def _parts(u: ArrayLike, dof: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    parts = np.asarray(u, float)
    nu = np.reshape(np.asarray(dof, float), (-1, *[1] * (parts.ndim - 1)))
    if np.any((parts != 0) & (nu <= 0)):
        raise ValueError("an uncertainty with no degrees of freedom cannot be combined: it has no evidence behind it")
    return parts, nu


def t_factor(share: float, dof: float) -> float:
    """Student's t for a one-sided share, the degrees of freedom as they are (JCGM 100 G.4.1 also allows truncating)."""
    return float(stdtrit(dof, share) if isfinite(dof) else ndtri(share))


@dataclass(frozen=True)
class Linear:
    """A first-order result (JCGM 100, 5.1.2 and G.4.1), with effective degrees of freedom."""

    estimate: float
    u: float
    dof: float

    def interval(self, probability: float) -> tuple[float, float]:
        half = t_factor(0.5 + probability / 2, self.dof) * self.u
        return self.estimate - half, self.estimate + half


def linear(function: Callable[..., float], inputs: Mapping[str, Input]) -> Linear:
    """First-order propagation through `function(**inputs)`, differences of a standard uncertainty either way."""
    at = {name: x.value for name, x in inputs.items()}
    shares = [
        abs(function(**{**at, name: x.value + x.u}) - function(**{**at, name: x.value - x.u})) / 2
        for name, x in inputs.items()
    ]
    return Linear(float(function(**at)), *welch_satterthwaite(shares, [x.dof for x in inputs.values()]))


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """δ of JCGM 101 7.9.2: half a unit of the last of `digits` significant digits of u."""
    if not u > 0:
        raise ValueError(f"a numerical tolerance needs an uncertainty above 0, not {u}")
    exponent = floor(log10(u)) - (digits - 1)
    if round(u / 10.0**exponent) >= 10**digits:  # 0.0996 is 0.10 to two digits
        exponent += 1
    return 0.5 * 10.0**exponent


@dataclass(frozen=True)
class MonteCarlo:
    """Draws of the output, sorted: JCGM 101 7.6, 7.7.  `stable` says whether the adaptive stop was reached."""

    draws: np.ndarray
    stable: bool

    @property
    def estimate(self) -> float:
        return float(self.draws.mean())

    @property
    def u(self) -> float:
        return float(self.draws.std(ddof=1))

    def interval(self, probability: float) -> tuple[float, float]:
        """Probabilistically symmetric coverage interval (7.7.2)."""
        low, high = (1 - probability) / 2, (1 + probability) / 2
        return float(quantile(self.draws, low, "lower")), float(quantile(self.draws, high, "upper"))

    def shortest_interval(self, probability: float) -> tuple[float, float]:
        """Shortest coverage interval (7.7.4)."""
        held = floor(probability * self.draws.size + 0.5)
        width = self.draws[held:] - self.draws[:-held]
        first = int(np.argmin(width))
        return float(self.draws[first]), float(self.draws[first + held])


def quantile(draws: np.ndarray, probability: float, side: str, axis: int = -1) -> np.ndarray:
    """An order statistic, never an interpolation with an infinite draw: the next one outwards on the side of danger."""
    if side not in ("upper", "lower"):
        raise ValueError(f"side is 'upper' or 'lower', not {side!r}")
    return np.asarray(np.quantile(draws, probability, axis=axis, method="higher" if side == "upper" else "lower"))


def adaptive(
    batch: Callable[[np.random.Generator, int], np.ndarray],
    statistic: Callable[[np.ndarray], np.ndarray],
    *,
    tolerance: Callable[[np.ndarray], float | np.ndarray],
    seed: int,
    size: int,
    most: int,
) -> tuple[list[np.ndarray], bool]:
    """Batches of draws until every `statistic` is steady: twice the standard error of its mean over batches ≤
    tolerance.

    JCGM 101 7.9.4. `batch(rng, size)` gives draws with the draws on the last axis, `statistic` one or more numbers of a
    batch, `tolerance` what they may be off, from all draws. Returns the batches and whether the rule was met before
    `most` draws. A statistic that is infinite in every batch is steady.
    """
    rng = np.random.default_rng(seed)
    batches: list[np.ndarray] = []
    found: list[np.ndarray] = []
    looked, limit = 0, np.asarray(np.inf)
    while True:
        batches.append(batch(rng, size))
        found.append(np.atleast_1d(statistic(batches[-1])))
        h = len(batches)
        if h >= 2:
            stack = np.stack(found)
            always = np.all(np.isinf(stack), axis=0)
            finite = np.where(always, 0.0, stack)
            if np.all(np.isfinite(finite)):
                error = finite.std(0, ddof=1) / sqrt(h)
                # the tolerance is asked for only where it can matter: time grows with the draws
                if h >= 2 * looked or np.all(2 * error <= NEARLY * limit):
                    looked, limit = h, np.asarray(tolerance(np.concatenate(batches, -1)))
                if np.all(2 * error <= limit):
                    return batches, True
        if (h + 1) * size > most:
            return batches, False


def monte_carlo(
    function: Callable[..., np.ndarray],
    inputs: Mapping[str, Input],
    *,
    probability: float = 0.95,
    digits: int = 2,
    seed: int = 0,
) -> MonteCarlo:
    """Monte Carlo through `function(**draws)` until estimate, u and ends are steady to `digits` of u (JCGM 101 7.9)."""

    def batch(rng: np.random.Generator, size: int) -> np.ndarray:
        return np.asarray(function(**{name: x.draw(rng, size) for name, x in inputs.items()}), float)

    def statistic(y: np.ndarray) -> np.ndarray:
        return np.array([y.mean(), y.std(ddof=1), *np.quantile(y, [(1 - probability) / 2, (1 + probability) / 2])])

    batches, stable = adaptive(
        batch, statistic, tolerance=lambda y: numerical_tolerance(float(y.std()), digits), seed=seed,
        size=max(ceil(100 / (1 - probability)), 10_000), most=5_000_000,
    )  # fmt: skip
    return MonteCarlo(np.sort(np.concatenate(batches)), stable)


def agree(first_order: tuple[float, float], drawn: tuple[float, float], *, u: float, digits: int = 1) -> bool:
    """Whether both ends agree within the numerical tolerance of u to `digits` digits (JCGM 101 8.1)."""
    delta = numerical_tolerance(u, digits)
    return all(abs(a - b) <= delta for a, b in zip(first_order, drawn, strict=True))


def conformance_probability(estimate: float, u: float, *, lower: float = -inf, upper: float = inf) -> float:
    """Probability that a normal quantity lies within its limits (JCGM 106, 7.2 to 7.4)."""
    return float(ndtr((upper - estimate) / u) - ndtr((lower - estimate) / u))


DECISIONS = ("guarded acceptance", "simple acceptance only", "simple rejection", "guarded rejection")


def decide(limit_meets: bool, estimate_meets: bool, violation: float, *, risk: float) -> str:
    """Name of the decision on a criterion (JCGM 106, 8.2 and 8.3).

    Guarded acceptance: the limit meets it. Guarded rejection: it is violated with probability 1 − `risk` or more.
    Between them simple acceptance would go by the estimate alone and share the risk; cordlab rates by guarded
    acceptance only.
    """
    if limit_meets:
        return DECISIONS[0]
    if violation >= 1 - risk:
        return DECISIONS[3]
    return DECISIONS[1] if estimate_meets else DECISIONS[2]

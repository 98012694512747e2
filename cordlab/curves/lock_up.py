"""Models with an end: Gent and Arruda–Boyce lock up; a spline is known only as far as its knots reach."""

from collections.abc import Callable, Sequence
from math import factorial

import numpy as np

from cordlab.curves.models import LinearModel, Model, Parameter, invariant, register


class Gent(Model):
    """F = μ(λ−λ⁻²) J/(J−I₁+3); locks up at I₁ − 3 = J. Gent, Rubber Chem. Technol. 69 (1996) 59."""

    name = "gent"
    parameters = (Parameter("mu", "N", 0.0), Parameter("j", "1", 0.05, 1e4))

    def lock_up(self, parameters):
        mu, j = self.values(parameters)
        return _stretch_at(j + 3 + 0 * mu)

    def _shapes(self, greatest):
        _, most = invariant(np.asarray(max(greatest, 1.01)))
        for over in (1.01, 1.03, 1.1, 1.3, 1.6, 2.5, 5.0, 15.0, 50.0):
            yield {"j": min(max(over * float(most), 0.05), 1e4)}

    def _force(self, stretch, mu, j):
        d, i = invariant(stretch)
        return _hard_edge(i >= j, i, lambda i: mu * j * d / (j - i))

    def _energy(self, stretch, mu, j):
        _, i = invariant(stretch)
        return _hard_edge(i >= j, i, lambda i: -0.5 * mu * j * np.log1p(-i / j))

    def _slope(self, stretch, mu, j):
        d, i = invariant(stretch)
        d2 = 1 + 2 / (stretch * stretch * stretch)
        return _hard_edge(i >= j, i, lambda i: mu * j * (d2 * (j - i) + 2 * d * d) / (j - i) ** 2)

    def _jacobian(self, stretch, mu, j):
        d, i = invariant(stretch)
        return [
            _hard_edge(i >= j, i, lambda i: j * d / (j - i)),
            _hard_edge(i >= j, i, lambda i: -mu * d * i / (j - i) ** 2),
        ]


class ArrudaBoyce(Model):
    """Eight-chain model, F = (μ/3)(λ−λ⁻²) β/x with β = 𝓛⁻¹(x), x² = I₁/(3N); Arruda & Boyce, JMPS 41 (1993) 389.

    μ = n k T; `lambda_lock` = √N is the stretch at which a chain is straight, so the cord locks up at I₁ = 3N.
    The inverse Langevin function is the exact one: Kröger's approximation (J. Non-Newton. Fluid Mech. 223 (2015) 77),
    within 0.3 %, and two Halley steps, which leave rounding. Energy is closed in β: w = μN [βx + ln(β/sinh β)], less
    its value at λ = 1, so it agrees with the force to rounding.
    """

    name = "arruda-boyce"
    parameters = (Parameter("mu", "N", 0.0), Parameter("lambda_lock", "1", 1.01, 50.0))

    def lock_up(self, parameters):
        mu, lock = self.values(parameters)
        return _stretch_at(3 * lock * lock + 0 * mu)

    def _shapes(self, greatest):
        least = np.sqrt((greatest**2 + 2 / greatest) / 3)
        for over in (1.005, 1.02, 1.06, 1.15, 1.4, 2.0, 4.0):
            yield {"lambda_lock": min(max(over * least, 1.01), 50.0)}

    def _force(self, stretch, mu, lock):
        d, x = _chain(stretch, lock)
        return _hard_edge(x >= 1, x, lambda x: mu / 3 * d * inverse_langevin(x) / x)

    def _energy(self, stretch, mu, lock):
        _, x = _chain(stretch, lock)
        at_rest = _entropy(1 / np.maximum(lock, 1.0 + 1e-9))
        return _hard_edge(x >= 1, x, lambda x: mu * lock * lock * (_entropy(x) - at_rest))

    def _slope(self, stretch, mu, lock):
        d, x = _chain(stretch, lock)
        d2 = 1 + 2 / (stretch * stretch * stretch)

        def slope(x):
            beta, rate = _beta_and_rate(x)
            return mu / 3 * (d2 * beta / x + d * d * (rate - beta / x) / (3 * (lock * x) ** 2))

        return _hard_edge(x >= 1, x, slope)

    def _jacobian(self, stretch, mu, lock):
        d, x = _chain(stretch, lock)

        def by_lock(x):
            beta, rate = _beta_and_rate(x)
            return -mu * d / (3 * lock) * (rate - beta / x)

        return [
            _hard_edge(x >= 1, x, lambda x: d * inverse_langevin(x) / (3 * x) + 0 * mu),
            _hard_edge(x >= 1, x, by_lock),
        ]


class Spline(LinearModel):
    """A rising curve through knots, with no physics: its slope runs straight from knot to knot, and none is below 0.

    The parameters are the slopes at the knots [N], named after them (`slope_1_5`); the first knot is λ = 1. Force is
    quadratic between knots and smooth across them, shape-preserving because every slope is at least 0. Beyond the last
    knot it goes straight on for 15 % of the stretch, which a softer cord may need; there it ends, as at a lock-up.
    """

    name = "spline"

    def __init__(self, knots: Sequence[float] = (1.0, 1.5, 2.0, 3.0, 4.0)) -> None:
        self.knots = np.array(knots, dtype=float)
        if self.knots[0] != 1 or (np.diff(self.knots) <= 0).any():
            raise ValueError(f"the knots of a spline rise from 1; got {list(knots)}")
        self.end = float(self.knots[-1] + 0.15 * (self.knots[-1] - 1))
        self.parameters = tuple(Parameter(f"slope_{knot:.6g}".replace(".", "_"), "N", 0.0) for knot in self.knots)

    def placed(self, stretch_ratio):
        reach = np.max(stretch_ratio) - 1
        return Spline([float(f"{knot:.6g}") for knot in 1 + reach * np.array([0, 0.06, 0.15, 0.3, 0.5, 0.75, 1])])

    def matching(self, parameters):
        return Spline([float(name.removeprefix("slope_").replace("_", ".")) for name in parameters])

    def lock_up(self, parameters):
        return np.full_like(super().lock_up(parameters), self.end)

    def _sum(self, stretch, p, columns):
        return np.where(stretch >= self.end, np.inf, super()._sum(stretch, p, columns))

    def columns(self, stretch):
        return self._integrals(stretch, 1)

    def energy_columns(self, stretch):
        return self._integrals(stretch, 2)

    def slope_columns(self, stretch):
        return self._integrals(stretch, 0)

    def _integrals(self, stretch: np.ndarray, order: int) -> list[np.ndarray]:
        """Each knot's share of the slope, integrated `order` times from λ = 1."""
        # the slope is a constant and a ramp (λ − knot)₊ from every knot on, as steep as the slope's rate changes there
        rates = np.diff(np.eye(len(self.knots)), axis=0) / np.diff(self.knots)[:, None]
        changes = np.diff(rates, axis=0, prepend=0.0, append=0.0)
        scale = float(factorial(order + 1))
        ramps = [np.maximum(stretch - knot, 0.0) ** (order + 1) / scale for knot in self.knots]
        columns = [sum(changes[j, k] * ramps[j] for j in np.flatnonzero(changes[:, k])) for k in range(len(self.knots))]
        columns[0] = columns[0] + (stretch - 1) ** order / factorial(order)
        return columns


def _hard_edge(locked: np.ndarray, reach: np.ndarray, formula: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """`formula(reach)` below lock-up and +inf at and above it, never the branch beyond."""
    if not np.any(locked):
        return formula(reach)
    return np.where(locked, np.inf, formula(np.where(locked, 0.5, reach)))


def _stretch_at(invariant: np.ndarray) -> np.ndarray:
    """The stretch ratio above 1 where λ² + 2/λ equals `invariant` (≥ 3), by the cubic's trigonometric root."""
    third = np.maximum(invariant, 3.0) / 3
    return 2 * np.sqrt(third) * np.cos(np.arccos(-np.minimum(third**-1.5, 1.0)) / 3)


def _chain(stretch: np.ndarray, lock: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(λ − λ⁻², x): x is the chain's stretch over its greatest, √(I₁/3)/√N."""
    d, i = invariant(stretch)
    return d, np.sqrt(i / 3 + 1) / lock


def inverse_langevin(x: np.ndarray) -> np.ndarray:
    """β with coth β − 1/β = x, for 0 < x < 1, to rounding."""
    square = x * x
    beta = x * (3 - square * (6 + square - 2 * square * square) / 5) / (1 - square)
    for _ in range(2):
        coth, csch2, inverse = _langevin_parts(beta)
        rate = inverse * inverse - csch2
        step = (coth - inverse - x) / rate
        curve = (coth * csch2 - inverse * inverse * inverse) / rate  # half of 𝓛''/𝓛'
        beta = beta - step / (1 - step * curve)
    return beta


def _langevin_parts(beta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """coth β, 1/sinh² β, 1/β; the Langevin function's slope is the last squared less the second."""
    gap = -np.expm1(-2 * beta)
    return (2 - gap) / gap, 4 * np.exp(-2 * beta) / (gap * gap), 1 / beta


def _beta_and_rate(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    beta = inverse_langevin(x)
    _, csch2, inverse = _langevin_parts(beta)
    return beta, 1 / (inverse * inverse - csch2)


def _entropy(x: np.ndarray) -> np.ndarray:
    """βx + ln(β/sinh β): the integral of the inverse Langevin function from 0 to x."""
    beta = inverse_langevin(x)
    return beta * (x - 1) + np.log(2 * beta / -np.expm1(-2 * beta))


for _entry in (Gent(), ArrudaBoyce(), Spline()):
    register(_entry)

"""Models with an end: Gent and Arruda–Boyce lock up; a spline is known only as far as its knots reach."""

from collections.abc import Callable, Sequence

import numpy as np
from scipy.interpolate import BSpline

from cordlab.curves.models import LinearModel, Model, Parameter, invariant, invariant_slope, register


class LocksUp(Model):
    """F = μ (λ−λ⁻²) φ, φ rising with `reach`, a function of I₁ − 3; +inf where that comes to the second parameter."""

    tries: Sequence[float]  # to start with: the second parameter over the reach of the data
    reach: Callable[[np.ndarray], np.ndarray]
    factor: Callable[[np.ndarray, np.ndarray], np.ndarray]  # φ, by reach and the second parameter
    slopes: Callable[..., tuple[np.ndarray, np.ndarray]]  # of φ by I₁ and by the second parameter; takes φ, too
    stored: Callable[[np.ndarray, np.ndarray], np.ndarray]  # the energy over μ

    def _shapes(self, greatest):
        lock = self.parameters[1]
        reach = self.reach(invariant(np.asarray(max(greatest, 1.01)))[1])
        for times in self.tries:
            yield {lock.name: float(np.clip(times * reach, lock.lower, lock.upper))}

    def _value(self, derivative, stretch, mu, lock):
        d, reach, locked = self._parts(stretch, lock)
        if derivative < 0:
            return np.where(locked, np.inf, mu * self.stored(reach, lock))
        factor = self.factor(reach, lock)
        value = mu * d * factor
        if derivative > 0:
            value = mu * (invariant_slope(stretch) * factor + 2 * d * d * self.slopes(reach, lock, factor)[0])
        return np.where(locked, np.inf, value)

    def _jacobian(self, stretch, mu, lock):
        d, reach, locked = self._parts(stretch, lock)
        factor = self.factor(reach, lock)
        rows = d * factor, mu * d * self.slopes(reach, lock, factor)[1]
        return [np.where(locked, np.inf, row) for row in rows]

    def _parts(self, stretch, lock):
        """λ − λ⁻², the reach where it is below the lock-up, and where it is not."""
        d, i = invariant(stretch)
        reach = self.reach(i)
        locked = reach >= lock
        return d, np.where(locked, lock / 2, reach), locked


class Gent(LocksUp):
    """F = μ(λ−λ⁻²) J/(J−I₁+3); locks up at I₁ − 3 = J. Gent, Rubber Chem. Technol. 69 (1996) 59."""

    name = "gent"
    parameters = (Parameter("mu", "N", 0.0), Parameter("j", "1", 0.05, 1e4))
    tries = (1.01, 1.03, 1.1, 1.3, 1.6, 2.5, 5.0, 15.0, 50.0)

    def _lock_up(self, *p):
        return stretch_at(p[1] + 3)

    def reach(self, i):
        return i

    def factor(self, i, j):
        return j / (j - i)

    def slopes(self, i, j, factor):
        by_invariant = factor * factor / j
        return by_invariant, -by_invariant * i / j

    def stored(self, i, j):
        return -0.5 * j * np.log1p(-i / j)


class ArrudaBoyce(LocksUp):
    """Eight-chain model, F = (μ/3)(λ−λ⁻²) β/x with β = 𝓛⁻¹(x), x² = I₁/(3N); Arruda & Boyce, JMPS 41 (1993) 389.
    `lambda_lock` = √N is the stretch of a straight chain; w = μN [βx + ln(β/sinh β)], less its value at λ = 1."""

    name = "arruda-boyce"
    parameters = (Parameter("mu", "N", 0.0), Parameter("lambda_lock", "1", 1.01, 50.0))
    tries = (1.005, 1.02, 1.06, 1.15, 1.4, 2.0, 4.0)

    def _lock_up(self, *p):
        return stretch_at(3 * p[1] * p[1])

    def reach(self, i):
        return np.sqrt(i / 3 + 1)

    def factor(self, reach, lock):
        x = reach / lock
        return inverse_langevin(x) / (3 * x)

    def slopes(self, reach, lock, factor):
        x = reach / lock
        _, csch2, inverse = _langevin_parts(3 * x * factor)
        change = (1 / (inverse * inverse - csch2) - 3 * factor) / 3  # x dφ/dx
        return change / (6 * reach * reach), -change / lock

    def stored(self, reach, lock):
        return lock * lock * (_entropy(reach / lock) - _entropy(1 / np.maximum(lock, 1.0 + 1e-9)))


def inverse_langevin(x: np.ndarray) -> np.ndarray:
    """β with coth β − 1/β = x, for 0 < x < 1, to rounding.
    Kröger's approximation, within 0.3 % (J. Non-Newton. Fluid Mech. 223 (2015) 77), and two Halley steps."""
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


def _entropy(x: np.ndarray) -> np.ndarray:
    """βx + ln(β/sinh β): the integral of the inverse Langevin function from 0 to x."""
    beta = inverse_langevin(x)
    return beta * (x - 1) + np.log(2 * beta / -np.expm1(-2 * beta))


def stretch_at(invariant: np.ndarray) -> np.ndarray:
    """The stretch ratio above 1 where λ² + 2/λ equals `invariant` (≥ 3), by the cubic's trigonometric root."""
    third = np.maximum(invariant, 3.0) / 3
    return 2 * np.sqrt(third) * np.cos(np.arccos(-np.minimum(third**-1.5, 1.0)) / 3)


class Spline(LinearModel):
    """A rising curve through knots, with no physics: the parameters are its slopes there, and none is below 0 [N].

    Slopes run straight from knot to knot, and on for 15 % of the stretch, which a softer cord may need; there it ends.
    """

    name = "spline"

    def __init__(self, knots: Sequence[float] = (1.0, 1.5, 2.0, 3.0, 4.0)) -> None:
        self.knots = np.array(knots, dtype=float)
        if self.knots[0] != 1 or (np.diff(self.knots) <= 0).any():
            raise ValueError(f"the knots of a spline rise from 1; got {list(knots)}")
        self.end = float(self.knots[-1] + 0.15 * (self.knots[-1] - 1))
        self.parameters = tuple(Parameter(f"slope_{knot:.6g}".replace(".", "_"), "N", 0.0) for knot in self.knots)
        one_each = np.eye(len(self.knots))
        shares = BSpline(np.r_[1.0, self.knots, self.end, self.end], np.vstack([one_each, one_each[-1]]), 1)
        self._shares = {1 - times: shares.antiderivative(times) for times in range(3)}

    def placed(self, stretch_ratio):
        reach = np.max(stretch_ratio) - 1
        return Spline([float(f"{knot:.6g}") for knot in 1 + reach * np.array([0, 0.06, 0.15, 0.3, 0.5, 0.75, 1])])

    def matching(self, parameters):
        return Spline([float(name.removeprefix("slope_").replace("_", ".")) for name in parameters])

    def _lock_up(self, *p):
        return self.end

    def _value(self, derivative, stretch, *p):
        return np.where(stretch >= self.end, np.inf, super()._value(derivative, stretch, *p))

    def columns(self, stretch, derivative=0):
        """Each knot's share of the slope, integrated from λ = 1 to the force or the energy."""
        return np.moveaxis(self._shares[derivative](stretch), -1, 0)


register(Gent(), ArrudaBoyce(), Spline())

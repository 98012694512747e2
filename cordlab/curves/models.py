"""Force–elongation models of rubber: each a closed form in the stretch ratio λ, with its energy, slope and Jacobian.

λ is stretched length over slack length, I₁ = λ² + 2/λ the first invariant in uniaxial tension. Energy is per metre of
slack cord, w(λ) = ∫₁^λ F dλ' [J/m = N]. Some lock up at a stretch they cannot pass; a spline ends with its knots.
"""

import operator
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, product
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pandas as pd
from scipy.interpolate import BSpline
from scipy.optimize import lsq_linear

from cordlab.units import notebook_html

if TYPE_CHECKING:
    import lmfit

Parameters = Mapping[str, float | np.ndarray]
_Value = TypeVar("_Value")


@dataclass(frozen=True)
class Parameter:
    """A parameter of a model: name, unit ("1" where it has none) and the bounds that keep the model sensible."""

    name: str
    unit: str = "N"
    lower: float = -np.inf
    upper: float = np.inf

    @property
    def head(self) -> str:
        """As the head of a table."""
        return f"{self.name} [{self.unit}]"


class Model:
    """A force–elongation model: force, energy and slope in closed form. `models()` lists those there are.

    λ < 1 is slack: force and energy are 0. At and above lock-up both are +inf, a hard edge. Draws of the parameters
    lie along the last axis, and the stretch ratio broadcasts against them: λ of shape (n, 1) with parameters of shape
    (draws,) gives (n, draws). A parameter that is missing or unknown raises ValueError.

    Attributes
    ----------
    name : str
    parameters : tuple of Parameter
        Each with its name, unit and bounds.

    Examples
    --------
    >>> import cordlab
    >>> yeoh = cordlab.model("yeoh")
    >>> print(f"{yeoh.force(3.0, {'c1': 350.0, 'c2': -9.0, 'c3': 0.3}):.0f} N")
    1560 N
    """

    name: str
    parameters: tuple[Parameter, ...]
    linear = False  # linear in its parameters

    def force(self, stretch_ratio, parameters: Parameters) -> np.ndarray:
        """Force F(λ) [N]."""
        return self._value(0, self._taut(stretch_ratio), *self.values(parameters))

    def energy(self, stretch_ratio, parameters: Parameters) -> np.ndarray:
        """Energy per metre of slack cord w(λ) = ∫₁^λ F dλ' [N]."""
        return self._value(-1, self._taut(stretch_ratio), *self.values(parameters))

    def slope(self, stretch_ratio, parameters: Parameters) -> np.ndarray:
        """dF/dλ [N]; 0 where the cord is slack, the slope from above at λ = 1."""
        slope = self._value(1, self._taut(stretch_ratio), *self.values(parameters))
        return np.where(np.asarray(stretch_ratio) < 1, 0.0, slope)

    def jacobian(self, stretch_ratio, parameters: Parameters) -> np.ndarray:
        """dF/d(parameter), one row a parameter in the order of `parameters`: shape (parameters, ...)."""
        stretch, values = self._taut(stretch_ratio), self.values(parameters)
        shape = np.broadcast_shapes(stretch.shape, *(value.shape for value in values))
        return np.stack([np.broadcast_to(row, shape) for row in self._jacobian(stretch, *values)])

    def lock_up(self, parameters: Parameters) -> np.ndarray:
        """Stretch ratio at which the force becomes infinite; inf where the model has none."""
        values = self.values(parameters)
        return np.full(np.broadcast_shapes(*(value.shape for value in values)), self._lock_up(*values))

    def start(self, stretch_ratio: np.ndarray, force: np.ndarray) -> dict[str, float]:
        """Start values inside the bounds: the best of `_shapes`, the linear part of each by bounded least squares."""
        greatest, bounds = float(np.max(stretch_ratio)), np.array([[p.lower, p.upper] for p in self.parameters]).T
        few = slice(None, None, max(1, len(force) // 500))  # a start needs no more
        stretch_ratio, force = np.asarray(stretch_ratio)[few], np.asarray(force)[few]
        best, least = None, np.inf
        for fixed in self._shapes(greatest):
            trial = np.array([fixed.get(p.name, 1.0) for p in self.parameters])
            free = np.array([p.name not in fixed for p in self.parameters])
            columns = self.jacobian(stretch_ratio, self.by_name(trial))[free].T
            size = np.maximum(np.linalg.norm(columns, axis=0), 1e-300)
            solved = lsq_linear(columns / size, force, bounds=bounds[:, free] * size, method="bvls")
            if solved.cost < least:
                rounding = np.abs(solved.x) < 1e-9 * np.abs(solved.x).max(initial=0.0)
                trial[free] = np.where(rounding, 0.0, solved.x) / size
                best, least = trial, solved.cost
        if best is None:
            raise ValueError(f"{self.name}: no start value from {len(force)} points; give params=...")
        return self.by_name(best.tolist())

    def placed(self, stretch_ratio: np.ndarray) -> "Model":
        """The model for data at these stretch ratios: itself, except where its parameters depend on the range."""
        return self

    def matching(self, parameters: Iterable[str]) -> "Model":
        """The model of this family that has parameters of these names."""
        return self

    def inner(self, values: np.ndarray, stretch_ratio: float) -> np.ndarray:
        """Coordinates of `values`, (parameters,) or (parameters, draws), in which fits nearly as good lie on lines."""
        return values

    def outer(self, inner: np.ndarray, stretch_ratio: float) -> np.ndarray:
        """The reverse of `inner`."""
        return inner

    def inner_jacobian(self, jacobian: np.ndarray, values: np.ndarray, stretch_ratio: float) -> np.ndarray:
        """Derivatives by the `inner` coordinates from those by the parameters, (parameters, n) or with draws last."""
        return jacobian

    def values(self, parameters: Parameters) -> list[np.ndarray]:
        """Parameter values in the model's order."""
        names = [p.name for p in self.parameters]
        if parameters.keys() != set(names):
            raise ValueError(f"{self.name} takes the parameters {', '.join(names)}; got {', '.join(parameters)}")
        return [np.asarray(parameters[name], dtype=float) for name in names]

    def by_name(self, values: Iterable[_Value]) -> dict[str, _Value]:
        """The reverse of `values`: name → value, or row of draws."""
        return {p.name: value for p, value in zip(self.parameters, values, strict=True)}

    def to_lmfit(self) -> "lmfit.Model":
        """This model as an lmfit.Model f(x, ...): bounds as hints, start values by `guess(force, x=stretch_ratio)`."""
        import lmfit

        def force(x, **parameters):
            return self.force(x, parameters)

        # lmfit reads the names of parameters from these two, where a signature does not list them
        vars(force).update(argnames=["x", *(p.name for p in self.parameters)], kwargs=[])
        function = lmfit.Model(force, name=self.name)
        for p in self.parameters:
            function.set_param_hint(p.name, min=p.lower, max=p.upper)
        function.guess = lambda data, x, **changes: function.make_params(**self.start(x, data) | changes)
        return function

    def table(self) -> pd.DataFrame:
        """One row a parameter, with its unit: its bounds."""
        bounds, heads = [(p.lower, p.upper) for p in self.parameters], [p.head for p in self.parameters]
        return pd.DataFrame(bounds, pd.Index(heads, name="parameter"), ["lower bound", "upper bound"])

    def _repr_html_(self) -> str:
        return notebook_html(self.name, self.table())

    def _taut(self, stretch_ratio) -> np.ndarray:
        return np.maximum(np.asarray(stretch_ratio, dtype=float), 1.0)  # every model gives 0 at λ = 1

    def _shapes(self, greatest: float) -> Iterable[dict[str, float]]:
        """Values to try for the parameters that the force is not linear in; `greatest` stretch ratio of the data."""
        yield {}

    def _lock_up(self, *p: np.ndarray) -> float | np.ndarray:
        return np.inf

    # of λ ≥ 1 and the parameters in order: the energy (derivative −1), the force (0) or the slope (1); and the force's
    # derivative by each parameter
    _value: Callable[..., np.ndarray]
    _jacobian: Callable[..., Sequence[np.ndarray]]


class LinearModel(Model):
    """A sum of parameters times columns, functions of λ ≥ 1: of the force, its energy (−1) and its slope (1)."""

    linear = True
    columns: Callable[..., Sequence[np.ndarray]]  # of the stretch and, where it is not the force, the derivative

    def _value(self, derivative, stretch, *p):
        return sum(value * column for value, column in zip(p, self.columns(stretch, derivative), strict=True))

    def _jacobian(self, stretch, *p):
        return self.columns(stretch)


class Polynomial(LinearModel):
    """F = Σ pₙ (λ−1)ⁿ without a constant; degree 1 is the linear cord, K(λ−1)."""

    def __init__(self, degree: int = 3, *, name: str = "polynomial", names: Sequence[str] | None = None) -> None:
        self.name, self.degree = name, degree
        names = names or [f"p{n}" for n in range(1, degree + 1)]
        self.parameters = tuple(Parameter(n, lower=0.0 if degree == 1 else -np.inf) for n in names)

    def matching(self, parameters):
        count = len(list(parameters))
        return self if count == self.degree else Polynomial(count, name=self.name)

    def columns(self, stretch, derivative=0):
        # many times as fast as x**n
        powers = list(accumulate([stretch - 1] * (self.degree - derivative), operator.mul))
        if derivative < 0:
            return [power / n for n, power in enumerate(powers[1:], start=2)]
        if derivative > 0:
            return [n * power for n, power in enumerate([np.ones_like(stretch), *powers], start=1)]
        return powers


class MooneyRivlin(LinearModel):
    """F = 2(λ−λ⁻²)(c1 + c2/λ)."""

    name = "mooney-rivlin"
    parameters = (Parameter("c1"), Parameter("c2"))

    def columns(self, stretch, derivative=0):
        r = 1 / stretch
        if derivative < 0:
            return [stretch * stretch + 2 * r - 3, 2 * stretch + r * r - 3]
        if derivative > 0:
            r3 = r * r * r
            return [2 + 4 * r3, 6 * r3 * r]
        c1 = 2 * (stretch - r * r)
        return [c1, c1 * r]


class Yeoh(LinearModel):
    """F = 2(λ−λ⁻²)(c1 + 2c2(I₁−3) + 3c3(I₁−3)²)."""

    name = "yeoh"
    parameters = (Parameter("c1"), Parameter("c2"), Parameter("c3"))

    def columns(self, stretch, derivative=0):
        d, i = invariant(stretch)
        if derivative < 0:
            return [i, i * i, i * i * i]
        if derivative > 0:
            d2, dd = invariant_slope(stretch), 2 * d * d
            return [2 * d2, 4 * (d2 * i + dd), 6 * i * (d2 * i + 2 * dd)]
        c2 = 4 * d * i
        return [2 * d, c2, 1.5 * c2 * i]


def invariant(stretch: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(λ − λ⁻², I₁ − 3); half of dI₁/dλ is the first."""
    r = 1 / stretch
    return stretch - r * r, stretch * stretch + 2 * r - 3


def invariant_slope(stretch: np.ndarray) -> np.ndarray:
    """Half of d²I₁/dλ², the slope of λ − λ⁻²."""
    return 1 + 2 / (stretch * stretch * stretch)


class Ogden(Model):
    """F = Σ μᵢ(λ^(αᵢ−1) − λ^(−αᵢ/2−1)); Ogden, Proc. R. Soc. A 326 (1972) 565.
    Bounds keep every μα positive (a curve that rises); signs and starts keep the terms from changing places."""

    _TRIES = (  # start values of each α, which has their sign
        ((0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 9.0),),
        ((0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 8.0), (-0.5, -1.0, -2.0, -4.0, -7.0, -10.0)),
        ((0.6, 1.3, 2.0, 3.0), (4.2, 5.0, 7.0, 10.0), (-0.5, -2.0, -4.0)),
    )

    def __init__(self, terms: int) -> None:
        self.name, self._tries = f"ogden-{terms}", self._TRIES[terms - 1]
        parameters = []
        for i, alphas in enumerate(self._tries, start=1):
            sign = np.sign(alphas[0])
            parameters.append(Parameter(f"mu{i}", "N", *sorted((0.0, sign * np.inf))))
            parameters.append(Parameter(f"alpha{i}", "1", *sorted((sign * 0.1, sign * 20.0))))
        self.parameters = tuple(parameters)

    def inner(self, values, stretch_ratio):
        """With the force of each term at one stretch in place of μ: data tell it better than μ or α by itself."""
        inner = np.array(values, dtype=float)
        inner[::2] *= self.jacobian(stretch_ratio, self.by_name(inner))[::2]
        return inner

    def outer(self, inner, stretch_ratio):
        values = np.array(inner, dtype=float)
        values[::2] /= self.jacobian(stretch_ratio, self.by_name(values))[::2]
        return values

    def inner_jacobian(self, jacobian, values, stretch_ratio):
        rows, of_force = np.array(jacobian), self.jacobian(stretch_ratio, self.by_name(values))[:, None]
        rows[::2] /= of_force[::2]
        rows[1::2] -= rows[::2] * of_force[1::2]
        return rows

    def _shapes(self, greatest):
        for alphas in product(*self._tries):
            yield {f"alpha{i}": alpha for i, alpha in enumerate(alphas, start=1)}

    def _value(self, derivative, stretch, *p):
        if derivative < 0:  # λ^α − 1 + 2(λ^(−α/2) − 1) by m = λ^(α/2) − 1, free of cancellation; 0 for a term of α = 0
            log, pairs = np.log(stretch), zip(p[::2], p[1::2], strict=True)
            parts = ((mu / np.where(alpha == 0, 1.0, alpha), np.expm1(alpha / 2 * log)) for mu, alpha in pairs)
            return sum(share * m * m * (3 + m) / (1 + m) for share, m in parts)
        terms = _terms(stretch, p)
        if derivative == 0:
            return sum(mu * (square - inverse) for mu, _, square, inverse in terms) / stretch
        slope = sum(mu * ((alpha - 1) * square + (alpha / 2 + 1) * inverse) for mu, alpha, square, inverse in terms)
        return slope / (stretch * stretch)

    def _jacobian(self, stretch, *p):
        log, rows = np.log(stretch), []
        for mu, _, square, inverse in _terms(stretch, p):
            rows += [(square - inverse) / stretch, mu * log * (square + inverse / 2) / stretch]
        return rows


def _terms(stretch: np.ndarray, p: Sequence[np.ndarray]) -> Iterator[tuple[np.ndarray, ...]]:
    """Of each term of Ogden's: μ, α, λ^α and λ^(−α/2), the powers from one exponential."""
    log = np.log(stretch)
    for mu, alpha in zip(p[::2], p[1::2], strict=True):
        root = np.exp(alpha / 2 * log)
        yield mu, alpha, root * root, 1 / root


def differences(
    function: Callable[[np.ndarray], np.ndarray], values: np.ndarray, typical: np.ndarray | None = None
) -> np.ndarray:
    """Jacobian (equations, parameters) of a function (parameters, draws) → (equations, draws), by central differences.
    `typical` sizes of the parameters, where some of `values` may come near 0."""
    step, size = 1e-5 * np.maximum(np.abs(values), 1e-3 * np.abs(values if typical is None else typical)), len(values)
    step = np.where(step == 0, 1e-8, step)
    both = function(values[:, None] + np.hstack([np.diag(step), -np.diag(step)]))
    return (both[:, :size] - both[:, size:]) / (2 * step)


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
    They run straight from knot to knot, and on for 15 % of the stretch, which a softer cord may need; there it ends."""

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


_LINEAR, _RUBBERS = Polynomial(1, name="linear", names=["stiffness"]), (MooneyRivlin(), Yeoh())
_LISTED = (_LINEAR, Polynomial(3), *_RUBBERS, Ogden(1), Ogden(2), Ogden(3), Gent(), ArrudaBoyce(), Spline())
_REGISTRY: dict[str, Model] = {listed.name: listed for listed in _LISTED}


def models() -> tuple[str, ...]:
    """Names of the force–elongation models.

    Examples
    --------
    >>> import cordlab
    >>> cordlab.models()[:4]
    ('linear', 'polynomial', 'mooney-rivlin', 'yeoh')
    """
    return tuple(_REGISTRY)


def model(name: str) -> Model:
    """The force–elongation model of this name.

    Raises
    ------
    ValueError
        For an unknown name; the message lists those there are.

    Examples
    --------
    >>> import cordlab
    >>> for parameter in cordlab.model("gent").parameters:
    ...     print(parameter.name, parameter.unit, parameter.lower, parameter.upper)
    mu N 0.0 inf
    j 1 0.05 10000.0
    """
    if name not in _REGISTRY:
        raise ValueError(f"no force–elongation model is called {name!r}; there are: {', '.join(_REGISTRY)}")
    return _REGISTRY[name]


@dataclass(frozen=True)
class Curve:
    """A force–elongation curve of a cord, ready to use.

    Parameters
    ----------
    model : Model or str
        A model, or its name: then a spline's knots and a polynomial's degree come from the names of the parameters.
    parameters : dict
        Name to a number, or to an array of draws. Draws lie along the last axis.
    scale : float or ndarray, default 1
        Stiffness of this cord relative to the batch [1].

    Raises
    ------
    ValueError
        For a model that does not exist, and for a parameter that is missing or unknown.

    Examples
    --------
    >>> import cordlab
    >>> curve = cordlab.Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    >>> print(f"{curve.force(2.0):.0f} N at twice its length; 10 m of cord then hold {10 * curve.energy(2.0):.0f} J")
    1102 N at twice its length; 10 m of cord then hold 6475 J
    """

    model: Model
    parameters: Mapping[str, float | np.ndarray]
    scale: float | np.ndarray = 1.0

    def __init__(self, model: Model | str, parameters: Mapping, scale: float | np.ndarray = 1.0) -> None:
        family = _named(model).matching(parameters) if isinstance(model, str) else model
        family.values(parameters)  # raises where a parameter is missing or unknown
        for field, value in {"model": family, "parameters": dict(parameters), "scale": scale}.items():
            object.__setattr__(self, field, value)

    def force(self, stretch_ratio) -> np.ndarray:
        """Force [N] at this stretch ratio; 0 where slack, +inf at and above lock-up."""
        return self.scale * self.model.force(stretch_ratio, self.parameters)

    def energy(self, stretch_ratio) -> np.ndarray:
        """Energy per metre of slack cord [N]: a cord of slack length L stores L times this."""
        return self.scale * self.model.energy(stretch_ratio, self.parameters)

    def slope(self, stretch_ratio) -> np.ndarray:
        """dF/dλ [N]; over the slack length, the tangent stiffness [N/m]."""
        return self.scale * self.model.slope(stretch_ratio, self.parameters)

    @property
    def lock_up(self) -> np.ndarray:
        """Stretch ratio from which the force is infinite; inf where there is none."""
        return self.model.lock_up(self.parameters)

    def rises_to(self, most: float) -> np.ndarray:
        """Stretch ratio to which the force rises and is finite, searched from 1 to `most`; one a draw."""
        grid = np.linspace(1.0, most, 1201)[:, None]
        slope = self.model.slope(grid, {name: np.atleast_1d(value) for name, value in self.parameters.items()})
        good = (slope > 0) & (grid < self.lock_up)
        last = np.maximum(np.argmin(good, axis=0) - 1, 0)
        return np.where(good.all(axis=0), most, grid[last, 0]).reshape(np.shape(self.lock_up))[()]

    def scaled(self, scale: float | np.ndarray) -> "Curve":
        """The curve of a cord that is `scale` times as stiff as this one."""
        return Curve(self.model, self.parameters, self.scale * scale)


_named = model  # the field of that name hides the function inside Curve

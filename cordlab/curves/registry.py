"""The registry of force–elongation models, and a curve: a model with its parameters, ready to use.

A new model is one class (in `rubber`, or in `lockup` where it has an end) and one line in `_REGISTRY`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cordlab.curves.lock_up import ArrudaBoyce, Gent, Spline
from cordlab.curves.models import LinearModel, Model, MooneyRivlin, Ogden, Parameter, Polynomial, Yeoh

__all__ = ["Curve", "LinearModel", "Model", "Parameter", "model", "models"]

_REGISTRY: dict[str, Model] = {
    each.name: each
    for each in (
        Polynomial(1, name="linear", names=["stiffness"]),
        Polynomial(3),
        MooneyRivlin(),
        Yeoh(),
        Ogden(1),
        Ogden(2),
        Ogden(3),
        Gent(),
        ArrudaBoyce(),
        Spline(),
    )
}


def models() -> tuple[str, ...]:
    """Names of the models, in registry order."""
    return tuple(_REGISTRY)


def model(name: str) -> Model:
    """The model of this name; ValueError lists the names there are."""
    if name not in _REGISTRY:
        raise ValueError(f"no force–elongation model is called {name!r}; there are: {', '.join(_REGISTRY)}")
    return _REGISTRY[name]


@dataclass(frozen=True)
class Curve:
    """A force–elongation curve of a cord.

    model      : a Model, or its name (then a spline's knots and a polynomial's degree come from the parameters' names)
    parameters : name → number or array of draws, draws along the last axis
    scale      : stiffness of this cord relative to the batch  [1], number or array of draws
    """

    model: Model
    parameters: Mapping[str, float | np.ndarray]
    scale: float | np.ndarray = 1.0

    def __init__(self, model: Model | str, parameters: Mapping, scale: float | np.ndarray = 1.0) -> None:
        family = _named(model).matching(parameters) if isinstance(model, str) else model
        family.values(parameters)  # raises where a parameter is missing or unknown
        object.__setattr__(self, "model", family)
        object.__setattr__(self, "parameters", dict(parameters))
        object.__setattr__(self, "scale", scale)

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

    def rising(self, low: float, high: float) -> np.ndarray:
        """Whether the force rises all the way from `low` to `high` and locks up beyond: bool, one a draw."""
        grid = np.linspace(max(low, 1.0), high, 129)[:, None]
        slope = self.model.slope(grid, {name: np.atleast_1d(value) for name, value in self.parameters.items()})
        return (slope > 0).all(axis=0).reshape(np.shape(self.lock_up)) & (high < self.lock_up)

    def rises_to(self, most: float) -> float:
        """Stretch ratio to which the force of a single curve rises and is finite, searched from 1 to `most`."""
        grid = np.linspace(1.0, most, 1201)
        good = (self.slope(grid) > 0) & (grid < float(self.lock_up))
        return float(most if good.all() else grid[max(int(np.argmin(good)) - 1, 0)])

    def scaled(self, scale: float | np.ndarray) -> "Curve":
        """The curve of a cord that is `scale` times as stiff as this one."""
        return Curve(self.model, self.parameters, self.scale * scale)


_named = model  # the field of that name hides the function inside Curve

"""Uncertainty budget of a limit: what each input adds to the variance of the next drop, and what halving it would gain.

First-order sums (JCGM 100, 5.1.2) by `uncertainties`, each input one variable; the limit by the one rule √Σ t²u² over
the inputs, beside the Monte Carlo that the rating uses.
"""

from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from cordlab.limits.forecast import Forecast
from cordlab.limits.simulate import RETURNED, NextDrop
from cordlab.quantities import QUANTITIES
from cordlab.statistics.groups import NextValue
from cordlab.statistics.propagation import numerical_tolerance, t_margin, welch_satterthwaite
from cordlab.units import plain

CORDS, DROPS = "cord to cord (length and mass too)", "drop to drop"
PEAK_CORDS, PEAK_DROPS, PEAK_MASSES = "peaks, cord to cord", "peaks, drop to drop", "peaks, mass to mass"
RETURN_CORDS, RETURN_DROPS = f"{RETURNED}, cord to cord", f"{RETURNED}, drop to drop"
SHAPE, MODEL, LENGTH = "shape of the curve", "choice of model", "slack length of the next cord"
BETWEEN, WITHIN = (CORDS, PEAK_CORDS, RETURN_CORDS, LENGTH), (DROPS, PEAK_DROPS, RETURN_DROPS)
"""Inputs that are known from how cords differ, and from how drops of one cord do."""

Part = tuple[str, float, float]
"""An input of the first-order sum: its name, its standard uncertainty and the degrees of freedom behind it."""


@dataclass(frozen=True)
class Share:
    """One input: u, what it adds to the standard uncertainty of the quantity [its unit], and what halving it gains."""

    input: str
    u: float
    share: float  # of the variance
    dof: float  # degrees of freedom of u
    gain: float  # by how much the limit moves to the safe side
    gain_mass: float | None  # by how much the rated range grows, None where the limit is flat in mass [kg]

    def to_dict(self) -> dict[str, object]:
        return plain(vars(self))


@dataclass(frozen=True)
class Budget:
    """The budget of one quantity at one rider mass; shares are sorted, the greatest first."""

    quantity: str
    mass: float
    estimate: float
    u: float  # combined
    dof: float
    linear_limit: float  # the prediction limit by first-order sums
    drawn_limit: float  # and by Monte Carlo
    shares: tuple[Share, ...]

    @property
    def agrees(self) -> bool:
        """Whether the two limits agree to one significant digit of u (JCGM 101 8.1)."""
        return abs(self.linear_limit - self.drawn_limit) <= numerical_tolerance(self.u, 1)

    @property
    def word(self) -> str:
        both = f"{self.linear_limit:.4g} by first-order sums, {self.drawn_limit:.4g} by Monte Carlo"
        if self.agrees:
            return f"the limits agree: {both}"
        return (
            f"the limits disagree ({both}): the drops are skewed or long-tailed here, and the Monte Carlo limit holds"
        )

    def summary(self) -> str:
        row = QUANTITIES[self.quantity]
        unit = f" {row.unit}".rstrip()
        lines = [f"{row.word} at {self.mass:g} kg: {self.estimate:.4g}{unit}, u = {self.u:.2g}{unit}"]
        for s in self.shares:
            in_mass = "" if s.gain_mass is None else f", {s.gain_mass:+.2g} kg"
            lines.append(f"  {s.input:32s} {100 * s.share:5.1f} %   halved: {s.gain:+.2g}{unit}{in_mass}")
        return "\n".join([*lines, f"  {self.word}"])

    def to_dict(self) -> dict[str, object]:
        """The totals; `shares` have their own `to_dict`."""
        totals = {name: value for name, value in vars(self).items() if name != "shares"}
        return plain(totals | {"agrees": self.agrees, "word": self.word})


def budget(forecast: Forecast, *, mass: float, quantity: str = "clearance") -> Budget:
    """Budget of `quantity` for the next drop at the forecast's mass nearest to the rider mass `mass` [kg]."""
    if quantity not in forecast.quantities:
        raise ValueError(f"{quantity!r} is not one of {', '.join(forecast.quantities)}")
    k = int(np.argmin(np.abs(forecast.masses - mass)))
    estimate = float(forecast.estimate(quantity)[k])
    names, us, dofs = zip(*first_order(forecast, quantity)[k], strict=True)
    sizes = np.array(us) * (estimate if QUANTITIES[quantity].load else 1.0)
    u, dof = welch_satterthwaite(sizes, dofs)
    margin = t_margin(sizes, dofs, forecast.probability)
    steepness = 0.0
    if forecast.masses.size > 1:
        steepness = abs(float(np.gradient(forecast.limit(quantity), forecast.masses)[k]))
    shares = []
    for i, name in enumerate(names):
        halved = np.where(np.arange(sizes.size) == i, sizes / 2, sizes)
        gain = float(margin - t_margin(halved, dofs, forecast.probability))
        in_mass = gain / steepness if steepness > 0 and isfinite(steepness) else None
        shares.append(Share(name, float(sizes[i]), float(sizes[i] ** 2 / u**2), dofs[i], gain, in_mass))
    return Budget(
        quantity=quantity,
        mass=float(forecast.masses[k]),
        estimate=estimate,
        u=float(u),
        dof=float(dof),
        linear_limit=float(estimate + QUANTITIES[quantity].sign * margin),
        drawn_limit=float(forecast.prediction_limit(quantity, forecast.probability)[k]),
        shares=tuple(sorted(shares, key=lambda share: -share.share)),
    )


def first_order(drop: NextDrop, quantity: str) -> list[list[Part]]:
    """What each input adds to u(quantity) at each mass, to the relative u for loads and g."""
    slope, moved = drop.effects
    values = [drop.by_shapes(family)[quantity] for family in range(len(drop.stiffness.shapes))]
    if QUANTITIES[quantity].load:
        values = [np.log(of_shapes) for of_shapes in values]
    # over the shapes that the records allow, and between models that fit as well
    drawn = [x for x in values[1:] if x.shape[1] > 1] or [x for x in values if x.shape[1] > 1]
    inside = np.sqrt(np.mean([x.var(axis=1, ddof=1) for x in drawn], axis=0)) if drawn else np.zeros(drop.masses.size)
    across = np.std([x.mean(axis=1) for x in values[1:]] or [values[0][:, 0]], axis=0)
    parts = []
    for k in range(drop.masses.size):
        changes = {name: float(change[quantity][k]) for name, change in moved.items()}
        parts.append(_at_mass(drop, k, quantity, slope[quantity][k], changes | {SHAPE: inside[k], MODEL: across[k]}))
    return parts


def _at_mass(drop: NextDrop, k: int, quantity: str, slope: float, changes: dict[str, float]) -> list[Part]:
    """Each input is one variable, so one that moves ln s and the peaks' excess is not counted twice."""
    from uncertainties import UFloat, ufloat

    dofs: dict[str, float] = {}

    def error(name: str, u: float, dof: float = inf):
        dofs[name] = dof
        return ufloat(0.0, u, name) if u > 0 else 0.0

    def errors(value: NextValue, of_cords: str, of_drops: str):
        between, within = np.sqrt(value.variances[:, 0, k])
        return error(of_cords, between, value.dof[0]) + error(of_drops, within, value.dof[1])

    level, excess, load = drop.level_of(quantity), drop.excess, QUANTITIES[quantity].load
    total = slope * errors(level.families[0], CORDS, DROPS)
    # without waves an excess below 0 lowers nothing
    raised = excess is not None and load and (drop.waves is not None or float(excess.families[0].mean[0, k]) > 0)
    of_peaks = 0.0 if excess is None else errors(excess.families[0], PEAK_CORDS, PEAK_DROPS)
    if excess is not None and (drop.waves is None or drop.waves.worst):
        of_peaks += error(PEAK_MASSES, float(drop.u_between_masses[k]))
    total += of_peaks if raised else 0.0
    for i, shared in enumerate(drop.stiffness.shared):
        on_excess = excess.shift[k, i] if raised and excess is not None else 0.0
        total += (slope * level.shift[k, i] + on_excess) * error(shared.name, shared.measured.u)
    if load and drop.waves is not None:
        total += error("stretch waves", float(drop.u_of_waves("lower" if quantity == "g" else "tie")[k]))
    if drop.returned is not None:
        share = errors(drop.returned, RETURN_CORDS, RETURN_DROPS) + error(f"{RETURNED}, sensors", drop.u_returned)
        total += changes.pop(RETURNED) / 0.01 * share
    for name, change in changes.items():
        label = {"length": LENGTH, SHAPE: SHAPE, MODEL: MODEL}.get(name, f"site {name.replace('_', ' ')}")
        total += error(label, abs(change), drop.length[2] if name == "length" else inf)
    squares = dict.fromkeys(dofs, 0.0)
    components = total.error_components() if isinstance(total, UFloat) else {}
    for variable, u in components.items():
        squares[variable.tag] += u**2  # each test mass is a variable, and a line of the budget holds them all
    return [(name, square**0.5, dofs[name]) for name, square in squares.items() if square > 0]

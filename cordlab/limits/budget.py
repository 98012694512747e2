"""Uncertainty budget of a limit: what each input adds to the variance of the next drop, and what halving it would gain.

First-order sums (JCGM 100, 5.1.2), the limit by the one rule √Σ t²u² over the inputs, beside the Monte Carlo that the
rating uses.
"""

from dataclasses import dataclass
from math import inf, isfinite
from typing import Any

import numpy as np

from cordlab.limits.forecast import Forecast
from cordlab.limits.simulate import Run, Site, effects
from cordlab.quantities import DRAWN, QUANTITIES
from cordlab.statistics.propagation import numerical_tolerance, t_margin, welch_satterthwaite

CORDS, DROPS = "cord to cord (length and mass too)", "drop to drop"
PEAK_CORDS, PEAK_DROPS = "peaks, cord to cord", "peaks, drop to drop"
LENGTH, SHAPE, MODEL = "slack length of the next cord", "shape of the curve", "choice of model"
BETWEEN, WITHIN = (CORDS, PEAK_CORDS, LENGTH), (DROPS, PEAK_DROPS)
"""Inputs that are known from how cords differ, and from how drops of one cord do."""


@dataclass(frozen=True)
class Share:
    """One input: u, what it adds to the standard uncertainty of the quantity [its unit], and what halving it would
    gain.

    share : of the variance; dof : degrees of freedom of u; gain : by how much the limit moves to the safe side;
    gain_mass : by how many kilograms the rated range grows where this quantity ends it, None where the limit is flat in
        mass.
    """

    input: str
    u: float
    share: float
    dof: float
    gain: float
    gain_mass: float | None

    def to_dict(self) -> dict[str, Any]:
        dof = self.dof if isfinite(self.dof) else None
        plain = {name: getattr(self, name) for name in ("input", "share", "u", "gain", "gain_mass")}
        return plain | {"dof": dof}


@dataclass(frozen=True)
class Budget:
    """The budget of one quantity at one rider mass; shares are sorted, the greatest first.

    u, dof : combined; linear_limit, drawn_limit : the prediction limit by first-order sums and by Monte Carlo.
    """

    quantity: str
    mass: float
    estimate: float
    u: float
    dof: float
    linear_limit: float
    drawn_limit: float
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
        head = f"{row.word} at {self.mass:g} kg: {self.estimate:.4g}{unit}, u = {self.u:.2g}{unit}"
        lines = [head]
        for s in self.shares:
            in_mass = "" if s.gain_mass is None else f", {s.gain_mass:+.2g} kg"
            lines.append(f"  {s.input:32s} {100 * s.share:5.1f} %   halved: {s.gain:+.2g}{unit}{in_mass}")
        return "\n".join([*lines, f"  {self.word}"])

    def to_dict(self) -> dict[str, Any]:
        names = ("quantity", "mass", "estimate", "u", "linear_limit", "drawn_limit", "agrees", "word")
        plain = {name: getattr(self, name) for name in names}
        return plain | {"dof": self.dof if isfinite(self.dof) else None}


def budget(forecast: Forecast, *, mass: float, quantity: str = "clearance") -> Budget:
    """Budget of `quantity` for the next drop at the forecast's mass nearest to the rider mass `mass` [kg]."""
    if quantity not in DRAWN:
        raise ValueError(f"{quantity!r} is not one of {', '.join(DRAWN)}")
    run = Run.behind(forecast)
    k = int(np.argmin(np.abs(forecast.masses - mass)))
    estimate = float(forecast.estimate(quantity)[k])
    per = estimate if QUANTITIES[quantity].load else 1.0
    found = [(name, u * per, dof) for name, u, dof in components_of(run, k, quantity) if u * per > 0]
    names, sizes, dofs = [row[0] for row in found], [row[1] for row in found], [row[2] for row in found]
    u, dof = welch_satterthwaite(sizes, dofs)
    margin = t_margin(sizes, dofs, forecast.probability)
    drawn = forecast.prediction_limit(quantity, forecast.probability)[k]
    steepness = 0.0
    if forecast.masses.size > 1:
        steepness = abs(float(np.gradient(forecast.limit(quantity), forecast.masses)[k]))
    shares = []
    for i, (name, size) in enumerate(zip(names, sizes, strict=True)):
        halved = [s / 2 if j == i else s for j, s in enumerate(sizes)]
        gain = margin - t_margin(halved, dofs, forecast.probability)
        in_mass = gain / steepness if steepness > 0 and isfinite(steepness) else None
        shares.append(Share(name, size, size**2 / u**2, dofs[i], gain, in_mass))
    return Budget(
        quantity=quantity,
        mass=float(forecast.masses[k]),
        estimate=estimate,
        u=u,
        dof=dof,
        linear_limit=estimate + QUANTITIES[quantity].sign * margin,
        drawn_limit=float(drawn),
        shares=tuple(sorted(shares, key=lambda share: -share.share)),
    )


def components_of(run: Run, k: int, quantity: str) -> list[tuple[str, float, float]]:
    """Name, u(quantity) and degrees of freedom of each input; u relative for loads and g."""
    stiffness, level = run.stiffness, run.levels[0]
    slope, moved = effects(run, k)
    between, within = np.sqrt(level.variances[:, 0, k])
    per_scale = abs(slope[quantity])
    items: list[tuple[str, float, float]] = [
        (CORDS, per_scale * between, level.dof[0]),
        (DROPS, per_scale * within, level.dof[1]),
    ]
    loaded = QUANTITIES[quantity].load
    raised = run.waves is not None
    if loaded and run.excess_levels is not None:
        peaks = run.excess_levels[0]
        raised = raised or float(peaks.mean[0, k]) > 0  # without waves an excess below 0 lowers nothing
        for name, variance, dof in zip((PEAK_CORDS, PEAK_DROPS), peaks.variances[:, 0, k], peaks.dof, strict=True):
            items.append((name, variance**0.5 if raised else 0.0, dof))
    masses = 0.0
    for i, (name, shared) in enumerate(stiffness.shared.items()):
        effect = slope[quantity] * run.shift[k, i]
        if loaded and raised and run.excess_shift is not None:
            effect += run.excess_shift[k, i]
        if name.startswith("mass "):
            masses += (effect * shared.u) ** 2
        else:
            items.append((name.replace("_", " "), abs(effect) * shared.u, inf))
    items.append(("test masses", masses**0.5, inf))
    if loaded and run.waves is not None:
        items.append(("stretch waves", float(run.waves.at(run.hung[k], "lower" if quantity == "g" else "tie")[1]), inf))
    items += [
        (f"site {name.replace('_', ' ')}", abs(by[quantity]), inf) for name, by in moved.items() if name != "length"
    ]
    if "length" in moved:
        items.append((LENGTH, abs(moved["length"][quantity]), run.length[2]))
    return items + _shape_items(run, k, quantity)


def _shape_items(run: Run, k: int, quantity: str) -> list[tuple[str, float, float]]:
    """Spread of the estimate over the shapes that the records allow, and between models that fit equally well."""
    site = Site.estimates(run.site)
    values = []
    for j, shape in enumerate(run.stiffness.shapes):
        index = np.arange(shape.count)
        predicted = run.predict(j, index, run.levels[j].mean[:, k], k, site)
        measured = 0.0 if run.excess_levels is None else run.excess_levels[j].mean[:, k]
        value = run.quantities(predicted, site, run.length[0], run.excess_at(k, measured))[quantity]
        values.append(np.broadcast_to(np.log(value) if QUANTITIES[quantity].load else value, shape.count))
    drawn = [x for x in values[1:] if x.size > 1] or [x for x in values if x.size > 1]
    inside = np.sqrt(np.mean([x.var(ddof=1) for x in drawn])) if drawn else 0.0
    centres = [float(np.mean(x)) for x in values[1:]] or [float(values[0][0])]
    across = float(np.std(centres)) if len(centres) > 1 else 0.0
    return [(SHAPE, float(inside), inf), (MODEL, across, inf)]

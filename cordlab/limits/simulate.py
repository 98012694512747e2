"""How the next drop comes about: what is known of it at each mass, and how draws of what is not become draws of it."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri, stdtrit

from cordlab.batch.drop_table import DROP_INPUTS, Evidence, Keywords, uncertain_inputs
from cordlab.limits.anchoring import VISCOSITY, DropStiffness
from cordlab.limits.tested import TEMPERATURE, UNKNOWN_SLOPE, known_temperatures, range_of_use
from cordlab.limits.wave_effects import WaveEffect, stiffened
from cordlab.mechanics.fall import DropSetup, depth_at_rebound
from cordlab.mechanics.predict import predict_drop
from cordlab.quantities import DRAWN, QUANTITIES, REBOUND
from cordlab.statistics.groups import EvidenceError, GroupLines, NextValue, Pivots
from cordlab.units import Measured, Rectangular

if TYPE_CHECKING:
    from cordlab.campaign.settings import Site

# inputs of a site that a normal law may take below zero
SIGNED = ("release_depth", "tie_height", "reach", "rider_mass")
FIXED = ("tie_height",)  # inputs that are the same in every drop at the site: not known, and no scatter
LENGTH = "slack length of the next cord"
RETURNED = "energy returned"

Numbers = np.ndarray | float


def draw_input(quantity: Measured, share: np.ndarray, *, positive: bool = False) -> np.ndarray:
    """Draws of an input by the inverse of its law, from numbers between 0 and 1: normal, as for an estimate and its u
    (JCGM 101 6.4.7), cut at 0 where it cannot be negative.

    A rectangular input keeps its law; what of it would be negative and cannot be counts with the other sign.
    """
    value, u = quantity.value, quantity.u
    if u == 0:
        return np.full(share.size, value)
    if isinstance(quantity, Rectangular):
        drawn = value + np.sqrt(3) * u * (2 * share - 1)
    elif positive and value > 0:
        below = ndtr(-value / u)
        return value + u * ndtri(below + (1 - below) * share)
    else:  # a zero with an uncertainty, as of a compliance that may as well be nothing, counts with either sign
        drawn = value + u * ndtri(share)
    return np.abs(drawn) if positive else drawn


def site_inputs(site: "Site") -> dict[str, Measured]:
    """What a drop at the site meets: the inputs of `predict_drop`, tie height, reach below the attachment and gear;
    and what a rider adds to a dead weight where it is not exactly nothing."""
    inputs = uncertain_inputs(site)
    there = {"tie_height": site.tie_height, "reach": site.reach_below_attachment, "gear": site.gear_mass}
    rider = {"rider_mass": getattr(site, "rider_mass_error", None) or Measured(0.0)}
    rider |= {name: inputs.pop(name) for name in ("centre_of_mass_fall", "push_off")}
    return inputs | there | {name: measured for name, measured in rider.items() if measured.value or measured.u}


class Level(NamedTuple):
    """ln s at each mass: the next value by each family of shapes; what shared inputs do to it, (n_mass, n_shared)."""

    families: tuple[NextValue, ...]
    shift: np.ndarray


@dataclass(frozen=True)
class Run:
    """What a forecast is drawn by: levels of ln s and of the peaks' excess at each mass, for each shape of the curve.

    level, load_level : at the temperature of use that is worst for lengths, and for loads
    excess_shift : what each shared input does to the mean excess, (n_mass, n_shared)
    recorded : drops whose records may show the energy returned; None where it is not asked for
    """

    stiffness: DropStiffness
    site: "Site"
    masses: np.ndarray
    hung: np.ndarray
    cord: str | None
    waves: WaveEffect | None
    level: Level
    load_level: Level
    excess_levels: tuple[NextValue, ...] | None
    excess_shift: np.ndarray
    recorded: Evidence | None

    @classmethod
    def of(
        cls,
        stiffness: DropStiffness,
        *,
        site: "Site",
        masses: ArrayLike,
        cord: str | None,
        waves: WaveEffect | None,
        recorded: Evidence | None = None,
    ) -> "Run":
        if (waves is None) != (stiffness.waves is None):
            raise EvidenceError("the effect of stretch waves is needed for the rig and for the site, or for neither")
        masses = np.atleast_1d(np.asarray(masses, float))
        hung = masses + site.gear_mass.value
        low, high = stiffness.tested
        slack = 1e-6 * high
        if hung.min() < low - slack or hung.max() > high + slack:
            raise EvidenceError(
                f"masses hung of {hung.min():g} to {hung.max():g} kg (rider and gear), but {low:g} to {high:g} kg were "
                f"tested: nothing is said outside"
            )
        level, load_level = _levels(stiffness, site, hung, cord, waves)
        excess_levels, excess_shift = None, np.zeros_like(level.shift)
        if stiffness.excess is not None:
            # the excess of a peak over the curve's is the batch's: also for this cord
            excess_lines = stiffness.excess_lines()
            alone = cord is not None and excess_lines[0].n_groups == 1
            excess_levels = tuple(
                line.this_group(cord, hung) if alone else line.another_group(hung) for line in excess_lines
            )
            effects_on_peaks = [shared.peak_effect for shared in stiffness.shared]
            excess_shift = _shift(excess_lines[0].mean_weights(hung), effects_on_peaks)
        levels = level, load_level, excess_levels, excess_shift
        return cls(stiffness, site, masses, hung, cord, waves, *levels, recorded)

    @cached_property
    def returned(self) -> NextValue | None:
        """Share of energy that the next drop gives back at each mass, of the batch as peaks are; None where records do
        not show it down to the lightest mass. Beyond the heaviest that shows it, it is taken as there."""
        if self.recorded is None:
            return None
        shown = self.recorded.take(np.isfinite(self.recorded.energy_returned))
        if not len(shown) or shown.mass.min() > self.hung.min() * (1 + 1e-6):
            return None
        lines = GroupLines.of(shown.energy_returned[None], x=shown.mass, group=shown.cord)
        at, alone = np.minimum(self.hung, shown.mass.max()), self.cord is not None and lines.n_groups == 1
        with suppress(EvidenceError):
            return lines.this_group(self.cord, at) if alone else lines.another_group(at)
        return None

    @property
    def u_returned(self) -> float:
        """Standard uncertainty that all these shares have in common, of the sensors."""
        return 0.0 if self.recorded is None else float(np.max(self.recorded.u_energy_returned, initial=0.0))

    @property
    def quantities(self) -> list[str]:
        """What is drawn."""
        return [name for name in DRAWN if not QUANTITIES[name].asked_only or self.returned is not None]

    @property
    def n_cords(self) -> int:
        """How many cords the drops are of."""
        return len(set(self.stiffness.drops.cord))

    @property
    def length(self) -> tuple[float, float, float]:
        """Slack length of the cord to come: mean, scale of its t law, degrees of freedom.  [m]"""
        drops = self.stiffness.drops
        lengths = dict(zip(drops.cord, drops.slack_length.tolist(), strict=True))
        if self.cord is not None:
            return lengths[self.cord], float(drops.u_slack_length[drops.cord.index(self.cord)]), np.inf
        values = np.array(list(lengths.values()))
        n = values.size
        return float(values.mean()), float(values.std(ddof=1) * np.sqrt(1 + 1 / n)), n - 1

    @property
    def typical(self) -> dict[str, Numbers]:
        """The estimates of `site_inputs`, the mean slack length as "length" [m], and the share of energy returned."""
        typical: dict[str, Numbers] = {name: measured.value for name, measured in site_inputs(self.site).items()}
        typical |= {} if self.returned is None else {RETURNED: self.returned.mean.T}
        return typical | {"length": self.length[0]}

    def drop(
        self,
        at: int | np.ndarray,
        family: int,
        shape: np.ndarray,
        y: np.ndarray,
        there: Mapping[str, Numbers],
        measured: Numbers = 0.0,
        standard: Numbers = 0.0,
    ) -> dict[str, np.ndarray]:
        """Every quantity that is drawn: uniform cords that come as low as those with waves.  (..., n)

        at : number of the mass, or (n_mass, 1);  family, shape : which shapes, and which of them, (n,)
        y : ln s beyond what waves explain, (..., n);  there : what the drop meets, as in `typical`
        measured : ln of the measured peak over the curve's, beyond what waves explain. Without waves it only raises a
            load: it was seen at one end, and the other end may have more.
        standard : how far the waves' loads are off, in standard uncertainties
        """
        # from two cords the t law draws any stiffness at all: beyond e±50 times the batch's none matters any more
        scale = np.exp(np.clip(y + stiffened(self.waves, self.hung[at]), -50.0, 50.0))
        curves = self.stiffness.shapes[family].take(shape, scale)
        inputs: Keywords = self.stiffness.batch | {name: there[name] for name in DROP_INPUTS if name in there}
        inputs |= {"gear_mass": there["gear"], "mass": self.masses[at] + there["gear"] + there.get("rider_mass", 0.0)}
        uniform = predict_drop(curves, **inputs)
        lower = tie = np.maximum(measured + standard * self.u_between_masses[at], 0.0)
        if self.waves is not None:
            measured = lower if self.waves.worst else measured
            lower, tie = (
                self.waves.at(self.hung[at], end)[0] + standard * self.u_of_waves(end, at) + measured
                for end in ("lower", "tie")
            )
        with np.errstate(over="ignore"):  # from two cords: a load beyond all numbers is infinite, and kept
            g, peak_load = uniform.g * np.exp(lower), uniform.tie_load * np.exp(tie)
        quantities = {
            "lowest_point": uniform.lowest_point,
            "clearance": there["tie_height"] - uniform.lowest_point - there["reach"],
            "g": g,
            "peak_load": peak_load,
            "stretch_ratio": uniform.lowest_point / there["length"],
        }
        if self.returned is not None:
            quantities[REBOUND] = depth_at_rebound(DropSetup(**inputs), uniform.lowest_point, there[RETURNED])
        return quantities

    def u_of_waves(self, end: str, at: int | np.ndarray) -> np.ndarray:
        """Standard uncertainty of ln of what waves make of the load at the "lower" or "tie" end, measured or not."""
        assert self.waves is not None
        model = self.stiffness.u_of_waves(end, self.site.release_depth.value)
        if end == self.stiffness.drops.cell_end and not self.waves.worst:
            model = np.hypot(model, self.u_between_masses[at])
        return np.hypot(self.waves.at(self.hung[at], end)[1], model)

    @cached_property
    def u_between_masses(self) -> np.ndarray:
        """As of the drops, at each mass; in the measured load itself where waves are not known.  (n_mass,)"""
        return self.stiffness.u_between_masses(self.hung)

    def by_shapes(self, family: int = 0) -> dict[str, np.ndarray]:
        """Every quantity with every input at its estimate, at each mass and by each shape of a family.

        (n_mass, count)
        """
        shape = np.arange(self.stiffness.shapes[family].count)
        measured = 0.0 if self.excess_levels is None else self.excess_levels[family].mean.T

        def at(level: Level) -> dict[str, np.ndarray]:
            return self.drop(self._every_mass, family, shape, level.families[family].mean.T, self.typical, measured)

        return self.at_worst(at)

    def level_of(self, quantity: str) -> Level:
        """The level at the temperature that is worst for a quantity."""
        return self.load_level if QUANTITIES[quantity].stiff else self.level

    def at_worst(self, drop: Callable[[Level], dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
        """What `drop` says of each quantity at its own level; asked once where there is one."""
        drops = drop(self.level)
        if self.load_level is self.level:
            return drops
        stiff = drop(self.load_level)
        return {name: (stiff if QUANTITIES[name].stiff else drops)[name] for name in drops}

    @cached_property
    def effects(self) -> tuple[dict[str, np.ndarray], dict[str, dict[str, np.ndarray]]]:
        """First-order effects on each quantity that is drawn, on ln of it for loads and g; arrays (n_mass,).

        Returns its slope in ln s, and input → quantity → its change as that input of the site rises by a standard
        uncertainty; as the share of energy returned falls by 0.01 with `RETURNED`.
        """
        inputs = site_inputs(self.site) | {"length": Measured(*self.length[:2])}
        uncertain = [name for name, measured in inputs.items() if measured.u > 0]
        uncertain += [] if self.returned is None else [RETURNED]
        step, n = 0.01, 3 + len(uncertain)  # as it is, stiffer, softer, then one input moved at a time
        there = {name: np.tile(value, n) for name, value in self.typical.items()}
        for i, name in enumerate(uncertain, 3):
            there[name][..., i] += inputs[name].u if name in inputs else -0.01
        y = self.level.families[0].mean[0][:, None] + step * np.array([0.0, 1.0, -1.0, *np.zeros(len(uncertain))])
        values = self.drop(self._every_mass, 0, np.zeros(n, int), y, there)
        values = {name: np.log(x) if QUANTITIES[name].load else x for name, x in values.items()}
        slope = {quantity: (x[:, 1] - x[:, 2]) / (2 * step) for quantity, x in values.items()}
        moved = {}
        for i, name in enumerate(uncertain, 3):
            moved[_label(name)] = {quantity: x[:, i] - x[:, 0] for quantity, x in values.items()}
        return slope, moved

    @property
    def _every_mass(self) -> np.ndarray:
        return np.arange(self.masses.size)[:, None]

    @property
    def curves(self) -> np.ndarray:
        """Family and number of every shape that may be drawn, each as likely.  (n, 2)"""
        counts = [shape.count for shape in self.stiffness.shapes]
        if len(counts) > 1 and counts[0] == 1:
            counts[0] = 0  # the central curve itself is not one of the drawn shapes
        return np.array([(family, shape) for family, count in enumerate(counts) for shape in range(count)])

    @property
    def dimensions(self) -> int:
        """How many rows of numbers between 0 and 1 `draw` takes."""
        return 11 + len(self.stiffness.shared) + len(site_inputs(self.site)) + 5 * (self.returned is not None)

    def draw(self, shares: np.ndarray, content: float | None) -> np.ndarray:
        """Draws (n_quantities, n_mass, n) from numbers between 0 and 1, (dimensions, n); twice the rows with values
        that hold the share `content`. What matters most comes first: the first rows fill the space most evenly.
        """
        out = np.empty((len(self.quantities) * (1 if content is None else 2), self.masses.size, shares.shape[-1]))
        family, shape = self.curves[(shares[-1] * len(self.curves)).astype(int)].T
        for one in np.unique(family):
            mine = np.flatnonzero(family == one)
            out[:, :, mine] = list(self._draw_of(int(one), shape[mine], shares[:, mine], content))
        return out

    def _draw_of(
        self, family: int, shape: np.ndarray, shares: np.ndarray, content: float | None
    ) -> Iterator[np.ndarray]:
        """The same, a quantity at a time, of draws with shapes of one family."""
        rows, (mean, scale, dof) = iter(shares), self.length
        pivots = Pivots.of([next(rows) for _ in range(4)], self.level.families[0].dof)
        of_peaks = [next(rows) for _ in range(4)]
        there = {"length": mean + scale * stdtrit(dof, next(rows))}
        standard = ndtri(next(rows))
        for name, measured in site_inputs(self.site).items():
            there[name] = draw_input(measured, next(rows), positive=name not in SIGNED)
        shared = np.zeros((len(self.stiffness.shared), shape.size))
        for i, one in enumerate(self.stiffness.shared):
            shared[i] = draw_input(one.measured, next(rows), positive=one.positive) - one.measured.value
        excess, excess_sd, peaks = np.zeros(1), np.zeros(1), None
        if self.excess_levels is not None:
            peaks, peak_level = Pivots.of(of_peaks, self.excess_levels[0].dof), self.excess_levels[family]
            excess = peaks.next_value(peak_level, shape) + self.excess_shift @ shared
        none = np.zeros(shape.size, int)
        if self.returned is not None:
            returns = Pivots.of([next(rows) for _ in range(4)], self.returned.dof)
            of_sensors = self.u_returned * ndtri(next(rows))
            there[RETURNED] = returns.next_value(self.returned, none) + of_sensors

        def next_drop(level: Level) -> dict[str, np.ndarray]:
            y = pivots.next_value(level.families[family], shape) + level.shift @ shared
            return self.drop(self._every_mass, family, shape, y, there, excess, standard)

        drop = self.at_worst(next_drop)
        yield from (drop[name] for name in self.quantities)
        if content is None:
            return
        # What varies from drop to drop besides ln s (site inputs, the peaks' scatter) is carried as the scatter of ln s
        # that would move the quantity as much: first order in the small ones, exact in ln s. What is fixed is drawn.
        if peaks is not None:
            excess, excess_sd = peaks.mean_and_sd(peak_level, shape)
            excess = excess + self.excess_shift @ shared
        slope, moved = self.effects
        typical, fixed = self.typical | {name: there[name] for name in FIXED}, [_label(name) for name in FIXED]
        for name in self.quantities:
            level, load = self.level_of(name), QUANTITIES[name].load
            mean_y, sd = pivots.mean_and_sd(level.families[family], shape)
            mean_y = mean_y + level.shift @ shared
            soft = -1.0 if load else 1.0  # a stiff cord is dangerous for loads, a soft one for all else
            varying = [change[name][:, None] for label, change in moved.items() if label not in (*fixed, RETURNED)]
            others = sum(change**2 for change in varying) + (excess_sd**2 if load else 0.0)
            if name == REBOUND and self.returned is not None:  # the share of energy carries what varies, not ln s
                share, share_sd = returns.mean_and_sd(self.returned, none)
                others = (others + (slope[name][:, None] * sd) ** 2) / (moved[RETURNED][name][:, None] / 0.01) ** 2
                y, share = mean_y, share + of_sensors + ndtri(content) * np.sqrt(share_sd**2 + others)
                yield self.drop(self._every_mass, family, shape, y, typical | {RETURNED: share})[name]
                continue
            y = mean_y - soft * ndtri(content) * np.sqrt(sd**2 + others / slope[name][:, None] ** 2)
            yield self.drop(self._every_mass, family, shape, y, typical, excess, standard)[name]


def _label(name: str) -> str:
    """What an input of the site is called in a budget."""
    return {"length": LENGTH, RETURNED: RETURNED}.get(name, f"site {name.replace('_', ' ')}")


def _levels(
    stiffness: DropStiffness, site: "Site", hung: np.ndarray, cord: str | None, waves: WaveEffect | None
) -> tuple[Level, Level]:
    """ln s at each mass, at the end of the temperatures of use that is worst for lengths, and for loads."""

    def at(temperature: float) -> Level:
        lines = [replace(line, cause_at=temperature) for line in by_shape]
        families = tuple(line.another_group(hung) if cord is None else line.this_group(cord, hung) for line in lines)
        shift = _shift(lines[0].mean_weights(hung, cord), [shared.effect for shared in stiffness.shared])
        for i, shared in enumerate(stiffness.shared):
            if waves is not None and shared.name == VISCOSITY:
                shift[:, i] += waves.at(hung, "stiffness")[1]
            elif shared.name == TEMPERATURE:
                shift[:, i] += temperature - middle
        return Level(families, shift)

    by_shape = [stiffness.lines(j) for j in range(len(stiffness.shapes))]
    middle = float(known_temperatures(stiffness.drops).mean())
    cold, *warm = map(at, dict.fromkeys(range_of_use(site, stiffness.drops) or (middle,)))
    if not warm:
        return cold, cold
    unknown = [i for i, shared in enumerate(stiffness.shared) if shared.name == TEMPERATURE]
    ends = []  # how soft and how stiff the next drop may be at each end: that tells which is worse
    for level in (cold, *warm):
        value, slope = level.families[0], UNKNOWN_SLOPE * level.shift[:, unknown].sum(axis=1)
        ends.append(value.mean[0] + ndtri(0.99) * np.hypot(value.u[0], slope) * np.array([[-1.0], [1.0]]))
    softest, stiffest = ends[0][0] <= ends[1][0], ends[0][1] >= ends[1][1]
    return _either(softest, cold, warm[0]), _either(stiffest, cold, warm[0])


def _either(chosen: np.ndarray, one: Level, other: Level) -> Level:
    """One level at the masses that are chosen (n_mass,), the other elsewhere."""
    families = tuple(a.where(chosen, b) for a, b in zip(one.families, other.families, strict=True))
    return Level(families, np.where(chosen[:, None], one.shift, other.shift))


def _shift(weights: np.ndarray, effects: list[np.ndarray]) -> np.ndarray:
    """What inputs do to a mean, from what they do to each drop and what the drops count.  (n_mass, n_inputs)"""
    return np.array([weights @ effect for effect in effects]).reshape(len(effects), len(weights)).T

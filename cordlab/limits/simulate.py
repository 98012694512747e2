"""How the next drop comes about: what is known of it at each mass, and how draws of what is not become draws of it."""

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri, stdtrit

from cordlab.batch.drop_table import DROP_INPUTS, Evidence, Keywords, uncertain_inputs
from cordlab.campaign.settings import Site
from cordlab.limits.anchoring import VISCOSITY, DropStiffness
from cordlab.limits.tested import TEMPERATURE, UNKNOWN_SLOPE, known_temperatures, range_of_use
from cordlab.limits.wave_effects import WaveEffect, stiffened
from cordlab.mechanics.fall import DropSetup, depth_at_rebound
from cordlab.mechanics.predict import predict_drop
from cordlab.quantities import DRAWN, QUANTITIES, REBOUND
from cordlab.statistics.groups import EvidenceError, GroupLines, NextValue, Pivots
from cordlab.units import Measured, Rectangular

# inputs of a site that a normal law may take below zero
SIGNED = ("release_depth", "tie_height", "reach", "rider_mass")
FIXED = ("tie_height",)  # inputs that are the same in every drop at the site: not known, and no scatter
RETURNED = "energy returned"

Numbers = np.ndarray | float


def draw_input(quantity: Measured, points: np.ndarray, *, positive: bool = False) -> np.ndarray:
    """Draws of an input by the inverse of its law, from points between 0 and 1: normal, as for an estimate and its u
    (JCGM 101 6.4.7), cut at 0 where it cannot be negative.

    A rectangular input keeps its law; what of it would be negative and cannot be counts with the other sign.
    """
    value, u = quantity.value, quantity.u
    if u == 0:
        return np.full(points.size, value)
    if isinstance(quantity, Rectangular):
        drawn = value + np.sqrt(3) * u * (2 * points - 1)
    elif positive and value > 0:
        below = ndtr(-value / u)
        return value + u * ndtri(below + (1 - below) * points)
    else:  # a zero with an uncertainty, as of a compliance that may as well be nothing, counts with either sign
        drawn = value + u * ndtri(points)
    return np.abs(drawn) if positive else drawn


class Level(NamedTuple):
    """A quantity of drops at each mass."""

    families: tuple[NextValue, ...]  # its next value by each family of shapes
    shift: np.ndarray  # what shared inputs do to it, (n_mass, n_shared)

    @classmethod
    def of(
        cls, lines: Sequence[GroupLines], cord: Hashable | None, hung: np.ndarray, effects: Sequence[np.ndarray]
    ) -> "Level":
        """Of a tested cord by name, or of another one; from lines by each family, and what inputs do to each drop."""
        families = tuple(_next_value(line, cord, hung) for line in lines)
        weights = lines[0].mean_weights(hung, cord)
        return cls(families, np.array([weights @ effect for effect in effects]).reshape(len(effects), len(weights)).T)

    def where(self, chosen: np.ndarray, other: "Level") -> "Level":
        """This level at the masses that are chosen (n_mass,), the other one elsewhere."""
        families = tuple(a.where(chosen, b) for a, b in zip(self.families, other.families, strict=True))
        return Level(families, np.where(chosen[:, None], self.shift, other.shift))


def _next_value(lines: GroupLines, cord: Hashable | None, at: np.ndarray) -> NextValue:
    return lines.another_group(at) if cord is None else lines.this_group(cord, at)


@dataclass(frozen=True)
class NextDrop:
    """What is known of the next drop at a site, and how it is drawn."""

    stiffness: DropStiffness
    site: Site
    masses: np.ndarray  # the rider's (n_mass,) [kg]
    cord: str | None  # a tested one by name, or None for another cord of the batch
    waves: WaveEffect | None  # at the site
    recorded: Evidence | None  # drops whose records may show the energy returned; None where it is not asked for

    def __post_init__(self) -> None:
        if (self.waves is None) != (self.stiffness.waves is None):
            raise EvidenceError("the effect of stretch waves is needed for the rig and for the site, or for neither")
        (low, high), hung = self.stiffness.tested, self.hung
        slack = 1e-6 * high
        if hung.min() < low - slack or hung.max() > high + slack:
            raise EvidenceError(
                f"masses hung of {hung.min():g} to {hung.max():g} kg (rider and gear), but {low:g} to {high:g} kg were "
                f"tested: nothing is said outside"
            )

    @property
    def hung(self) -> np.ndarray:
        """Rider and gear.  (n_mass,) [kg]"""
        return self.masses + self.site.gear_mass.value

    @cached_property
    def inputs(self) -> dict[str, Measured]:
        """What a drop at the site meets: the inputs of `predict_drop`, tie height, reach below the attachment and gear;
        and what a rider adds to a dead weight where it is not exactly nothing."""
        inputs, site = uncertain_inputs(self.site), self.site
        there = {"tie_height": site.tie_height, "reach": site.reach_below_attachment, "gear": site.gear_mass}
        rider = {"rider_mass": getattr(site, "rider_mass_error", None) or Measured(0.0)}
        rider |= {name: inputs.pop(name) for name in ("centre_of_mass_fall", "push_off")}
        return inputs | there | {name: measured for name, measured in rider.items() if measured.value or measured.u}

    @cached_property
    def levels(self) -> tuple[Level, Level]:
        """ln s at the end of the temperatures of use that is worst for lengths, and at the one worst for loads."""
        stiffness, hung = self.stiffness, self.hung
        by_shape = [stiffness.lines(j) for j in range(len(stiffness.shapes))]
        middle = float(known_temperatures(stiffness.drops).mean())
        unknown = [i for i, shared in enumerate(stiffness.shared) if shared.name == TEMPERATURE]
        ends, reaches = [], []
        for temperature in dict.fromkeys(range_of_use(self.site, stiffness.drops) or (middle,)):
            lines = [replace(line, cause_at=temperature) for line in by_shape]
            level = Level.of(lines, self.cord, hung, [shared.effect for shared in stiffness.shared])
            for i, shared in enumerate(stiffness.shared):
                if self.waves is not None and shared.name == VISCOSITY:
                    level.shift[:, i] += self.waves.at(hung, "stiffness")[1]
            level.shift[:, unknown] += temperature - middle
            ends.append(level)
            # how soft and how stiff the next drop may be there: that tells which end is worse
            value, slope = level.families[0], UNKNOWN_SLOPE * level.shift[:, unknown].sum(axis=1)
            reaches.append(value.mean[0] + ndtri(0.99) * np.hypot(value.u[0], slope) * np.array([[-1.0], [1.0]]))
        if len(ends) == 1:
            return ends[0], ends[0]
        (cold, warm), (of_cold, of_warm) = ends, reaches
        return cold.where(of_cold[0] <= of_warm[0], warm), cold.where(of_cold[1] >= of_warm[1], warm)

    @property
    def level(self) -> Level:
        """ln s at each mass, at the temperature of use that is worst for lengths."""
        return self.levels[0]

    def level_of(self, quantity: str) -> Level:
        """ln s at the temperature that is worst for a quantity."""
        return self.levels[QUANTITIES[quantity].stiff]

    @cached_property
    def excess(self) -> Level | None:
        """The peaks' excess over the curve's, which is the batch's for a tested cord too; None where no peak shows
        it."""
        lines, effects = self.stiffness.excess_lines(), [shared.peak_effect for shared in self.stiffness.shared]
        return Level.of(lines, self._cord_of(lines[0]), self.hung, effects) if lines else None

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
        with suppress(EvidenceError):
            return _next_value(lines, self._cord_of(lines), np.minimum(self.hung, shown.mass.max()))
        return None

    def _cord_of(self, lines: GroupLines) -> str | None:
        """The tested cord, where no other one shows what these lines do."""
        return self.cord if lines.n_groups == 1 else None

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
        """The estimates of `inputs`, the mean slack length as "length" [m], and the share of energy returned."""
        typical: dict[str, Numbers] = {name: measured.value for name, measured in self.inputs.items()}
        typical |= {} if self.returned is None else {RETURNED: self.returned.mean.T}
        return typical | {"length": self.length[0]}

    def drop(
        self,
        family: int,
        shape: np.ndarray,
        y: np.ndarray,
        there: Mapping[str, Numbers],
        measured: Numbers = 0.0,
        standard: Numbers = 0.0,
    ) -> dict[str, np.ndarray]:
        """Every quantity that is drawn, at each mass: uniform cords that come as low as those with waves.  (n_mass, n)

        family, shape : which shapes, and which of them, (n,)
        y : ln s beyond what waves explain, (n_mass, n);  there : what the drop meets, as in `typical`
        measured : ln of the measured peak over the curve's, beyond what waves explain. Without waves it only raises a
            load: it was seen at one end, and the other end may have more.
        standard : how far the waves' loads are off, and peaks between the tested masses, in standard uncertainties
        """
        hung = self.hung[:, None]
        # from two cords the t law draws any stiffness at all: beyond e±50 times the batch's none matters any more
        scale = np.exp(np.clip(y + stiffened(self.waves, hung), -50.0, 50.0))
        curves = self.stiffness.shapes[family].take(shape, scale)
        inputs: Keywords = self.stiffness.batch | {name: there[name] for name in DROP_INPUTS if name in there}
        mass = self.masses[:, None] + there["gear"] + there.get("rider_mass", 0.0)
        inputs |= {"gear_mass": there["gear"], "mass": mass}
        uniform = predict_drop(curves, **inputs)
        lower = tie = np.maximum(measured + standard * self.u_between_masses[:, None], 0.0)
        if self.waves is not None:
            measured = lower if self.waves.worst else measured
            more_drag = there["drag_area"] - self.site.drag_area.value
            lower, tie = (
                self.waves.at(hung, end)[0]
                + self.waves.moved(hung, end, y, more_drag)
                + standard * self.u_of_waves(end)[:, None]
                + measured
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

    def u_of_waves(self, end: str) -> np.ndarray:
        """Standard uncertainty of ln of what waves make of the load at the "lower" or "tie" end, measured or not.
        (n_mass,)"""
        assert self.waves is not None
        model = self.stiffness.u_of_waves(end, self.site.release_depth.value)
        if end == self.stiffness.drops.cell_end and not self.waves.worst:
            model = np.hypot(model, self.u_between_masses)
        return np.hypot(self.waves.at(self.hung, end)[1], model)

    def at_worst(self, drop: Callable[[Level], dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
        """What `drop` says of each quantity at its own level; asked once where there is one."""
        soft, stiff = self.levels
        drops = drop(soft)
        stiff_drops = drops if stiff is soft else drop(stiff)
        return {name: (stiff_drops if QUANTITIES[name].stiff else drops)[name] for name in drops}

    @cached_property
    def u_between_masses(self) -> np.ndarray:
        """As of the drops, at each mass; in the measured load itself where waves are not known.  (n_mass,)"""
        return self.stiffness.u_between_masses(self.hung)

    def by_shapes(self, family: int = 0) -> dict[str, np.ndarray]:
        """Every quantity with every input at its estimate, by each shape of a family.  (n_mass, count)"""
        shape = np.arange(self.stiffness.shapes[family].count)
        measured = 0.0 if self.excess is None else self.excess.families[family].mean.T
        return self.at_worst(
            lambda level: self.drop(family, shape, level.families[family].mean.T, self.typical, measured)
        )

    @cached_property
    def effects(self) -> tuple[dict[str, np.ndarray], dict[str, dict[str, np.ndarray]]]:
        """First-order effects on each quantity that is drawn, on ln of it for loads and g; arrays (n_mass,).

        Returns its slope in ln s, and input → quantity → its change as that input of the site rises by a standard
        uncertainty; as the share of energy returned falls by 0.01 with `RETURNED`.
        """
        inputs = self.inputs | {"length": Measured(*self.length[:2])}
        uncertain = [name for name, measured in inputs.items() if measured.u > 0]
        uncertain += [] if self.returned is None else [RETURNED]
        step, n = 0.01, 3 + len(uncertain)  # as it is, stiffer, softer, then one input moved at a time
        there = {name: np.tile(value, n) for name, value in self.typical.items()}
        for i, name in enumerate(uncertain, 3):
            there[name][..., i] += inputs[name].u if name in inputs else -0.01
        y = self.level.families[0].mean[0][:, None] + step * np.array([0.0, 1.0, -1.0, *np.zeros(len(uncertain))])
        values = self.drop(0, np.zeros(n, int), y, there)
        values = {name: np.log(x) if QUANTITIES[name].load else x for name, x in values.items()}
        slope = {quantity: (x[:, 1] - x[:, 2]) / (2 * step) for quantity, x in values.items()}
        moved = {
            name: {quantity: x[:, i] - x[:, 0] for quantity, x in values.items()} for i, name in enumerate(uncertain, 3)
        }
        return slope, moved

    @property
    def dimensions(self) -> int:
        """How many rows of points between 0 and 1 `draw` takes."""
        return 11 + len(self.stiffness.shared) + len(self.inputs) + 5 * (self.returned is not None)

    def draw(self, points: np.ndarray, content: float | None) -> np.ndarray:
        """Draws (n_quantities, n_mass, n) from points between 0 and 1, (dimensions, n); twice the rows with values
        that hold the share `content`. What matters most comes first: the first rows fill the space most evenly.
        """
        out = np.empty((len(self.quantities) * (1 if content is None else 2), self.masses.size, points.shape[-1]))
        counts = [shapes.count for shapes in self.stiffness.shapes]
        if len(counts) > 1 and counts[0] == 1:
            counts[0] = 0  # the central curve itself is not one of the drawn shapes
        curves = np.array([(family, shape) for family, count in enumerate(counts) for shape in range(count)])
        family, shape = curves[(points[-1] * len(curves)).astype(int)].T  # each as likely
        for number in np.unique(family):
            mine = np.flatnonzero(family == number)
            out[:, :, mine] = list(self._draw_of(int(number), shape[mine], points[:, mine], content))
        return out

    def _draw_of(
        self, family: int, shape: np.ndarray, points: np.ndarray, content: float | None
    ) -> Iterator[np.ndarray]:
        """The same, a quantity at a time, of draws with shapes of one family."""
        rows, (mean, scale, dof) = iter(points), self.length
        pivots = Pivots.of([next(rows) for _ in range(4)], self.level.families[0].dof)
        of_peaks = [next(rows) for _ in range(4)]
        there = {"length": mean + scale * stdtrit(dof, next(rows))}
        standard = ndtri(next(rows))
        for name, measured in self.inputs.items():
            there[name] = draw_input(measured, next(rows), positive=name not in SIGNED)
        shared = np.zeros((len(self.stiffness.shared), shape.size))
        for i, one in enumerate(self.stiffness.shared):
            shared[i] = draw_input(one.measured, next(rows), positive=one.positive) - one.measured.value
        excess, excess_sd = np.zeros(1), np.zeros(1)
        if self.excess is not None:
            peaks, of_family = Pivots.of(of_peaks, self.excess.families[0].dof), self.excess.families[family]
            excess = peaks.next_value(of_family, shape) + self.excess.shift @ shared
        none = np.zeros(shape.size, int)
        if self.returned is not None:
            returns = Pivots.of([next(rows) for _ in range(4)], self.returned.dof)
            of_sensors = self.u_returned * ndtri(next(rows))
            there[RETURNED] = returns.next_value(self.returned, none) + of_sensors

        def next_drop(level: Level) -> dict[str, np.ndarray]:
            y = pivots.next_value(level.families[family], shape) + level.shift @ shared
            return self.drop(family, shape, y, there, excess, standard)

        drop = self.at_worst(next_drop)
        yield from (drop[name] for name in self.quantities)
        if content is None:
            return
        # What varies from drop to drop besides ln s (site inputs, the peaks' scatter) is carried as the scatter of ln s
        # that would move the quantity as much: first order in the small ones, exact in ln s. What is fixed is drawn.
        if self.excess is not None:
            excess, excess_sd = peaks.mean_and_sd(of_family, shape)
            excess = excess + self.excess.shift @ shared
        slope, moved = self.effects
        typical = self.typical | {name: there[name] for name in FIXED}
        for name in self.quantities:
            level, load = self.level_of(name), QUANTITIES[name].load
            mean_y, sd = pivots.mean_and_sd(level.families[family], shape)
            mean_y = mean_y + level.shift @ shared
            varying = [change[name][:, None] for key, change in moved.items() if key not in (*FIXED, RETURNED)]
            others = sum(change**2 for change in varying) + (excess_sd**2 if load else 0.0)
            if name == REBOUND and self.returned is not None:  # the share of energy carries what varies, not ln s
                share, share_sd = returns.mean_and_sd(self.returned, none)
                others = (others + (slope[name][:, None] * sd) ** 2) / (moved[RETURNED][name][:, None] / 0.01) ** 2
                share = share + of_sensors + ndtri(content) * np.sqrt(share_sd**2 + others)
                yield self.drop(family, shape, mean_y, typical | {RETURNED: share})[name]
                continue
            soft = -1.0 if load else 1.0  # a stiff cord is dangerous for loads, a soft one for all else
            y = mean_y - soft * ndtri(content) * np.sqrt(sd**2 + others / slope[name][:, None] ** 2)
            yield self.drop(family, shape, y, typical, excess, standard)[name]

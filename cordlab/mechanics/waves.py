"""The cord resolved along its length: a chain of lumps in the cord's own coordinate, all draws at once.

A stretch wave needs a few tenths of a second to run along a jump cord, so the cord is not strained uniformly and the
loads at its two ends differ. The cord is cut into equal elements between lumps; an element of slack length d and
stretch ratio λ carries T = F(λ) + η dλ/dt while it is stretched, and never a compression.

Time goes on by leapfrog (Verlet 1967, Physical Review 159, 98): forces are taken half a step from speeds, with a step
just short of the time in which a wave crosses an element where the curve is steepest. Viscosity acts by the mean of the
speeds before and after a step (Crank and Nicolson 1947), so that it may be as large as one likes. F is read from a
table of the curve, cubic between its nodes, so that every curve takes the same time.

The less a cord's viscosity smooths its waves, and the longer it is, the more elements it gets (`FINER`, `LONG`). Where
it smooths them well and the first instant does not load the cord most (`SMOOTH`, `INSTANT`), loads are within 0.3 %,
and every lowest point within 10 mm, of chains with many more elements. Everywhere else a drop goes again with twice the
elements, until its loads agree to `AGREE`; `Swing.apart` says by how much they still differ. Without viscosity nothing
smooths a wave, and `apart` is infinite. `python -m tests.coverage chain` holds this against another solver.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.polynomial import chebyshev

from cordlab.curves.models import Curve, Model, Spline
from cordlab.mechanics.fall import Array, DropSetup, Outcome, fall_time, slack_energy
from cordlab.mechanics.uniform import FURTHEST_RATIO, LOCK_UP_SHARE, take_draws

ELEMENTS = 24
# viscosity over that of the cord's impedance, η/(Z L), below which a cord gets so many times `ELEMENTS`
FINER = ((0.008, 2), (0.003, 4), (0.0003, 8))
LONG = 12.0  # [m]: a longer cord gets at least twice `ELEMENTS` below this of η/(Z L) for each metre, for lowest points
SMOOTH_A_METRE = 0.00075
SMOOTH = 0.008  # η/(Z L) over the greatest slope met as a multiple of that in Z, above which loads are surely resolved
INSTANT = 0.75  # of the greatest load is Z v: from here on the first instant may load the cord most
AGREE, UNRESOLVED = 0.003, 0.03  # loads of two resolutions that agree; that do not, and carry no limit
COURANT = 0.95  # step over the time in which a wave crosses an element where the curve is steepest
TABLE_ERROR = 1e-6  # of a curve's table, over the greatest force in it
CELLS, MOST_CELLS = 16, 2048  # of a table, at first for each unit of stretch ratio; as many as `TABLE_ERROR` asks for
MOST_PIECES = 256  # that a spline is cut into between its knots
SMOOTHING = 0.005  # time constant of the low-pass through which peak loads are read [s]
CROSSINGS = 3  # a drop is followed for so many crossings of a wave after its lowest point: the loads peak within them
LEAST_CROSSING = 0.01  # a cord through which a wave runs more quickly than this gets more inertia, a few grams [s]
RUNG = 1.25  # of the ladder of stretch that tables go to
UNENDING = 2**62
BLOCKS_A_TASK = 16  # that a thread follows in one go
LONGEST = 1000.0  # time after which a cord that still creeps down is given up [s]


def check_waves(setup: DropSetup, viscosity: Array) -> None:
    """Raises ValueError for what a chain cannot carry: a cord without mass, a viscosity below 0."""
    if not np.all(setup.cord_mass > 0):
        raise ValueError("cord_mass: a cord without mass carries no waves; give its mass, or use mechanics='uniform'")
    if not (np.isfinite(viscosity).all() and np.all(viscosity >= 0)):
        raise ValueError(f"viscosity: {np.min(viscosity):g} is not a number from 0 upwards")


def crossing(setup: DropSetup, curve: Curve, limit: Array | float = np.inf) -> Array:
    """Time in which a wave crosses the slack cord, √(m L / stiffness) [s]."""
    ratio = np.minimum(2.0, limit)
    stiffness = np.maximum(curve.slope(np.ones(1)), curve.force(ratio) / np.maximum(ratio - 1, 1e-3))
    return np.sqrt(setup.cord_mass * setup.slack_length / np.maximum(stiffness, 1e-9))


class Swing(NamedTuple):
    """One fall to the lowest point and a little beyond; arrays of one length. Times are from the release [s]."""

    stretch: Array  # of cord and rig at the lowest point, beyond the slack length [m]
    ratio: Array  # stretched over slack length of the whole cord there
    lower_load: Array  # the greatest at the cord's lower end [N]
    tie_load: Array  # and at the tie point
    time: Array
    lower_load_time: Array
    tie_load_time: Array
    outcome: Array  # `Outcome` codes; where there is no lowest point everything else is +inf
    apart: Array  # by how much of them the loads of two resolutions differ; 0 where surely resolved, inf where never


def swing(setup: DropSetup, curve: Curve, viscosity: Array, n: int, *, elements: int = ELEMENTS) -> Swing:
    """Lowest point and peak loads of n draws; set-up, curve parameters and viscosity [N·s] of shape () or (n,).

    elements : of a cord whose viscosity smooths its waves; the others get more (`FINER`). Only `ELEMENTS` are doubled
        where that does not resolve the loads
    A jump in speed at the end of a viscous cord has no finite load in its first instant. Loads are therefore read
    through a low-pass of `SMOOTHING`, as those of a record are through its filter.
    """
    slack = np.broadcast_to(setup.released_slack, n)  # a draw that is not is followed as if let go at the tie point
    chains = Chains(
        replace(setup, release_depth=np.where(slack, setup.release_depth, 0.0)), curve, viscosity, n, elements
    )
    chains.run(np.arange(n))
    if elements == ELEMENTS:
        chains.resolve()
    outcome = np.where(slack, chains.outcome, np.int8(Outcome.RELEASED_STRETCHED))
    chains.results[:, outcome > Outcome.NOT_RISING] = np.inf
    return Swing._make([*chains.results, outcome, np.where(slack, chains.apart, 0.0)])


class ChainMotion(NamedTuple):
    """A chain in motion, a row a step of time; loads are means over the steps, one fewer. SI, from the release."""

    time: Array
    position: Array
    speed: Array
    tie_point: Array
    tie_load: Array
    lower_load: Array


def motions(setup: DropSetup, curve: Curve, viscosity: Array, until: Array) -> list[ChainMotion]:
    """n chains from the end of slack to the times `until` (n,) [s]; set-up and curve of shape () or (n,).

    Raises ValueError where a cord locks up, and for a curve that no table holds.
    """
    chains = Chains(setup, curve, viscosity, until.size, ELEMENTS, until)
    chains.run(np.arange(until.size))
    if (chains.outcome == Outcome.UNRESOLVED).any():
        raise ValueError("the curve bends too sharply: its motion cannot be followed")
    if (chains.outcome > Outcome.NOT_RISING).any():
        raise ValueError("the cord locks up before the mass turns: it has no lowest point")
    return [chains.motions[draw] for draw in range(until.size)]


class Tables(NamedTuple):
    """Tables of one size, one for each of some draws or one for all of them."""

    draws: Array
    nodes: Array  # force and its rise over a cell, (n or 1, cells + 1, 2)


class Chains:
    """n cords with their masses from the end of slack on: what each is, how finely it is resolved, what came of it."""

    def __init__(
        self, setup: DropSetup, curve: Curve, viscosity: Array, n: int, elements: int, until: Array | None = None
    ) -> None:
        self.until = until
        self.setup, self.curve = setup.broadcast((n,)), curve
        self.viscosity, self.scale = np.broadcast_to(viscosity, n), np.broadcast_to(curve.scale, n)
        length, cord_mass = setup.slack_length, setup.cord_mass
        self.length, self.cord_mass, self.mass = (np.broadcast_to(x, n) for x in (length, cord_mass, setup.mass))
        self.speed = np.broadcast_to(np.sqrt(2 * slack_energy(setup) / setup.mass), n)
        self.start = np.broadcast_to(fall_time(setup, length), n)
        self.limit = np.broadcast_to(np.minimum(LOCK_UP_SHARE * np.asarray(curve.lock_up), FURTHEST_RATIO), n)
        self.crossing = np.broadcast_to(crossing(setup, curve, self.limit), n)
        self.inertia = self.cord_mass * np.maximum(LEAST_CROSSING / self.crossing, 1.0) ** 2
        self.impedance = self.inertia / np.maximum(self.crossing, LEAST_CROSSING)  # Z = √(stiffness m/L)
        self.smoothness = self.viscosity / (self.impedance * self.length)
        self.steepness, self.apart = np.ones(n), np.zeros(n)
        coarse = (self.length > LONG) & (self.smoothness < SMOOTH_A_METRE * self.length)
        self.elements = np.where(coarse, 2 * elements, elements)
        for least, times in FINER:
            self.most = times * elements
            self.elements[self.smoothness < least] = self.most
        self.kinked, self.piece = isinstance(curve.model, Spline), _piece(curve.model)
        self.reach, self.cells = np.empty(n), np.empty(n, dtype=int)
        # a table goes to a rung of a ladder at first, so that draws share its nodes, and none depends on the others:
        # somewhat beyond the uniform cord without drag
        rungs = RUNG ** np.arange(-10, 15)[:, None]
        energy = curve.energy(1 + rungs / RUNG) - setup.hung_weight * rungs / RUNG
        stops = ~(slack_energy(setup) / self.length > energy)
        self._reach_to(np.arange(n), 1 + np.where(stops.any(axis=0), rungs[stops.argmax(axis=0), 0], np.inf))
        self.results = np.full((7, n), np.inf)
        self.outcome = np.full(n, Outcome.UNRESOLVED, dtype=np.int8)
        self.motions: dict[int, ChainMotion] = {}

    def _reach_to(self, draws: Array, reach: Array) -> None:
        """Lets the tables of draws go to a stretch ratio, or to the limit; those of a spline to the next piece."""
        self.reach[draws] = np.fmin(reach, self.limit[draws])
        self.cells[draws] = CELLS * np.ceil(self.reach[draws]) * (2 if self.kinked else 1)
        if self.piece:
            self.cells[draws] = np.ceil((self.reach[draws] - 1) / self.piece * (1 - 1e-12))
            self.reach[draws] = 1 + self.piece * self.cells[draws]

    def run(self, draws: Array) -> None:
        """Each of these draws to its end; what wants a finer table or a longer one goes again with that."""
        while draws.size:
            elements = self.elements[draws]
            draws = np.concatenate([self._run(draws[elements == number], number) for number in np.unique(elements)])

    def _run(self, draws: Array, elements: int) -> Array:
        """Draws of so many elements, once; returns those that go again."""
        from cordlab.mechanics import chain  # numba takes a second to import

        tables = self._tables(draws)
        draws = np.concatenate([draws[:0], *(table.draws for table in tables)])
        if not draws.size:
            return draws
        inputs, step = self._inputs(draws, elements, tables)
        counts = np.zeros(draws.size, dtype=int)
        if self.until is not None:
            counts = np.maximum(np.ceil((self.until - self.start)[draws] / step).astype(int) + 1, 1)
            inputs[chain.AFTER], inputs[chain.UNTIL] = np.inf, counts
        results, traces = _follow(
            inputs, np.concatenate([table.nodes.ravel() for table in tables]), elements, int(counts.max())
        )
        self._read(draws, results, step, tables)
        for draw, trace, count, of_step in zip(draws, traces, counts, step, strict=False):
            length = self.length[draw] / elements
            place, move, tie_place, tie, lower = trace[:count].T
            self.motions[draw] = ChainMotion(  # with the end of slack before the steps
                self.start[draw] + of_step * np.arange(count + 1),
                self.length[draw] + length * np.append(0.0, place),
                np.append(self.speed[draw], move * length / of_step),
                np.append(0.0, tie_place * length),
                tie,
                lower,
            )
        longer = draws[(results[-1] == chain.BEYOND) & (self.reach[draws] < self.limit[draws])]
        self._reach_to(longer, 1 + RUNG * (self.reach[longer] - 1))
        return longer

    def _tables(self, draws: Array) -> list[Tables]:
        """The tables of these draws, one for all of a size where they differ in scale only; where none is close enough
        the draw is left out.
        """
        tables, make = [], _spline_table if self.kinked else _smooth_table
        while draws.size:
            sizes = np.stack([self.reach[draws], self.cells[draws]], axis=1)
            again = []
            for size in np.unique(sizes, axis=0):
                mine = draws[(sizes == size).all(axis=1)]
                curve = take_draws(Curve(self.curve.model, self.curve.parameters), mine)
                nodes, error = make(curve, size[0], int(size[1]))
                # with a node at every knot, cubics are the spline itself
                close = bool(self.piece) | (error <= TABLE_ERROR * np.abs(nodes[:, :, 0]).max(axis=1))
                of_mine = np.broadcast_to(close, mine.size)
                tables.append(Tables(mine[of_mine], nodes[close]))
                again.append(mine[~of_mine])
            draws = np.concatenate(again)
            self.cells[draws] *= 2
            draws = draws[self.cells[draws] <= MOST_CELLS]
        return tables

    def _inputs(self, draws: Array, elements: int, tables: list[Tables]) -> tuple[Array, Array]:
        """The rows of `chain.follow` for these draws, and their steps of time [s]."""
        from cordlab.mechanics import chain

        cells, first, starts, rises = self.cells[draws], 0, [], []
        for table in tables:
            size = table.draws.size
            starts.append(np.broadcast_to(first + np.arange(len(table.nodes)) * table.nodes.shape[1], size))
            rises.append(np.broadcast_to(np.abs(table.nodes[:, :, 1]).max(axis=1), size))
            first += table.nodes[:, :, 0].size
        setup, reach, viscosity = self.setup.take(draws), self.reach[draws], self.viscosity[draws]
        scale = self.scale[draws]
        length, lump = self.length[draws] / elements, self.cord_mass[draws] / elements
        inertia, mass = self.inertia[draws] / elements, self.mass[draws]
        steepest = scale * np.concatenate(rises) * cells / (reach - 1)
        step = COURANT * np.sqrt(inertia * length / np.maximum(steepest, 1e-9))
        kick, end = step**2 / length, mass + inertia / 2
        tie = setup.compliance * inertia / 2 + step**2 / 4  # a stiff spring's part is implicit: any rig is stable
        inputs = np.empty((chain.INPUTS, draws.size))
        for row, value in (
            (chain.SCALE, scale),
            (chain.TABLE, np.concatenate(starts)),
            (chain.PER_CELL, cells / (reach - 1)),
            (chain.CELLS, cells * (1 - 1e-12)),
            (chain.REACH, np.minimum(reach, self.limit[draws]) - 1),
            # the half lump at the end takes its speed from the mass: momentum kept, and second order in the lumps' size
            (chain.SPEED, self.speed[draws] * mass / end * step / length),
            (chain.KICK, kick / inertia),
            (chain.FALL, setup.gravity * kick),
            (chain.MASS_KICK, kick / end),
            (chain.DRAG, setup.drag * length / end / 2),
            (chain.TIE_KICK, setup.compliance * kick / tie),
            (chain.TIE_SPRING, step**2 / tie),
            (chain.VISCOSITY, viscosity / step),
            (chain.LUMP_WEIGHT, lump / 2 * setup.gravity),
            (chain.LUMP_INERTIA, inertia / 2 * length / step**2),
            (chain.SHARE, -np.expm1(-step / SMOOTHING)),
            (chain.AFTER, CROSSINGS * self.crossing[draws] / step),
            (chain.UNTIL, LONGEST / step),
        ):
            inputs[row] = value
        return inputs, step

    def _read(self, draws: Array, results: Array, step: Array, tables: list[Tables]) -> None:
        """What became of these draws, from the results of `chain.follow` and their tables."""
        from cordlab.mechanics import chain

        lowest, tie_point, when, lower, tie, lower_when, tie_when, greatest, ended = results
        length, start = self.length[draws] / self.elements[draws], self.start[draws]
        stretch = lowest * length
        ratio = 1 + (lowest - tie_point) / self.elements[draws]
        delay = SMOOTHING + step / 2  # a load is the mean of a step
        times = start + when * step, start + lower_when * step - delay, start + tie_when * step - delay
        self.results[:, draws] = stretch, ratio, lower, tie, *times
        beyond = ended == chain.BEYOND
        lost = (ended != chain.STOPPED) | (~np.isfinite(when) & (self.until is None))
        locks_up = np.isfinite(np.broadcast_to(self.curve.lock_up, self.limit.shape)[draws])
        rises = []  # least and greatest that was met, over a cell
        ends = np.cumsum([table.draws.size for table in tables])
        for table, reached in zip(tables, np.split(greatest, ends[:-1]), strict=True):
            node = np.arange(table.nodes.shape[1]) * ((self.reach - 1) / self.cells)[table.draws, None]
            met = np.where(node <= reached[:, None], table.nodes[:, :, 1], 0.0)
            rises.append([met.min(axis=1, initial=0.0), met.max(axis=1)])
        least, most = np.concatenate(rises, axis=1)
        steepest = most * self.cells[draws] / (self.reach[draws] - 1) * self.scale[draws]
        self.steepness[draws] = (
            steepest * self.inertia[draws] / (self.impedance[draws] ** 2 * length * self.elements[draws])
        )
        self.outcome[draws] = np.select(
            [beyond & locks_up, beyond, lost, least < 0],
            [Outcome.LOCK_UP, Outcome.NO_LOWEST_POINT, Outcome.UNRESOLVED, Outcome.NOT_RISING],
            Outcome.OK,
        )

    def resolve(self) -> None:
        """Doubles the elements of drops that are not surely resolved, until the loads agree or there are the most.

        A viscous cord takes up the speed of the mass by diffusion at first, within less than an element: what the first
        instant may load most goes with half of the most at once, as few elements do not show it at all.
        """
        held = self.outcome <= Outcome.NOT_RISING
        instant = self.impedance * self.speed > INSTANT * self.results[2]
        sure = (self.smoothness > SMOOTH * np.maximum(self.steepness, 1.0)) & ~instant
        self.apart[held & (self.elements == self.most)] = np.inf
        draws = np.flatnonzero(held & ~sure & (self.elements < self.most))
        again = draws[instant[draws] & (self.elements[draws] < self.most // 2)]
        self.elements[again] = self.most // 2
        self.run(again)
        while draws.size:
            before = self.results[2:4, draws]
            self.elements[draws] *= 2
            self.run(draws)
            draws, before = draws[kept := self.outcome[draws] <= Outcome.NOT_RISING], before[:, kept]
            # what the first instant loads converges with the root of the elements' number: more is left
            more = np.where(instant[draws], 1 / (np.sqrt(2) - 1), 1.0)
            self.apart[draws] = more * np.abs(before / self.results[2:4, draws] - 1).max(axis=0)
            draws = draws[(self.apart[draws] > AGREE) & (self.elements[draws] < self.most)]


def _piece(model: Model) -> float:
    """A stretch of which all between the knots of a spline are multiples, nearly; 0 for another curve, or if none is.

    A knot that lies beside a node by a small share of a piece matters less, the more pieces there are.
    """
    if not isinstance(model, Spline):
        return 0.0
    share, reach = (model.knots - 1) / (model.knots[-1] - 1), model.knots[-1] - 1
    least = int(np.ceil(reach / ((1 - LOCK_UP_SHARE) * model.end)))  # the piece beyond the limit ends before the curve
    for pieces in range(least + 1, MOST_PIECES):
        if np.abs(share * pieces - np.round(share * pieces)).max() < 2e-7 * pieces**2:
            return float(reach / pieces)
    return 0.0


def _smooth_table(curve: Curve, reach: float, cells: int) -> tuple[Array, Array]:
    """Force and its rise over a cell at even nodes up to a stretch ratio, (draws, nodes, 2), for curves of scale 1, and
    how far cubics are off. By polynomials through a few points, since a force may take long to compute.
    """
    points, to_table, to_last = _polynomials(cells)
    force = np.ascontiguousarray(np.atleast_2d(curve.force(1 + (reach - 1) * points[:, None]).T))
    table = (force @ to_table).reshape(len(force), cells + 1, 2)
    # coefficients fall slowly near a lock-up, and what is left over grows on the way to the slope
    return table, np.maximum(_error(table, 16), 64 * np.abs(force @ to_last).max(axis=1))


@lru_cache(maxsize=16)
def _polynomials(cells: int) -> tuple[Array, Array, Array]:
    """Chebyshev points from 0 to 1; from values there to value and rise at the nodes of so many cells, side by side;
    and to the last coefficients, which tell what is left over."""
    points = chebyshev.chebpts2(12 + cells // 8)
    coefficients = np.linalg.inv(chebyshev.chebvander(points, points.size - 1))
    nodes = np.linspace(-1.0, 1.0, cells + 1)
    values = chebyshev.chebvander(nodes, points.size - 1) @ coefficients
    values[0] = np.eye(1, points.size)  # a slack cord has no force, to the last digit
    rises = chebyshev.chebvander(nodes, points.size - 2) @ chebyshev.chebder(coefficients) * (2 / cells)
    return (points + 1) / 2, np.stack([values, rises], axis=1).reshape(-1, points.size).T, coefficients[-2:].T


def _spline_table(curve: Curve, reach: float, cells: int) -> tuple[Array, Array]:
    """The same for a spline, which is linear in its parameters."""
    model, ratio = curve.model, np.linspace(1.0, reach, cells + 1)[:, None]
    weights = np.stack(np.broadcast_arrays(*map(np.atleast_1d, model.values(curve.parameters))), axis=1)
    units = model.by_name(np.eye(weights.shape[1]))
    columns = [model.force(ratio, units), model.slope(ratio, units) * ((reach - 1) / cells)]
    table = np.tensordot(weights, np.stack(columns), (1, 2)).transpose(0, 2, 1)
    return table, _error(table, 4)


def _error(table: Array, times: float) -> Array:
    """Of cubics over two cells at the node between, which are so many times as far off as those over one cell."""
    force, rise = table[:, :, 0], table[:, :, 1]
    most = len(force[0]) - 1
    middle = (force[:, : most - 1 : 2] + force[:, 2::2]) / 2 + (rise[:, : most - 1 : 2] - rise[:, 2::2]) / 4
    return np.abs(middle - force[:, 1:most:2]).max(axis=1, initial=0.0) / times


def threads() -> int:
    """Threads for many draws: as many as OMP_NUM_THREADS says, which fleets and tests set to 1, else one a core."""
    asked = os.environ.get("OMP_NUM_THREADS", "")
    return int(asked) if asked.isdecimal() and int(asked) else os.cpu_count() or 1


def _follow(inputs: Array, tables: Array, elements: int, traced: int) -> tuple[Array, Array]:
    """What became of n draws, as `chain.follow` has it (RESULTS, n), and `traced` steps of each (n, traced, TRACED)."""
    from cordlab.mechanics import chain

    n = inputs.shape[1]
    # draws that take about as many steps go side by side; the last block is filled up with one of them
    alike = np.argsort(inputs[chain.MASS_KICK] / inputs[chain.KICK], kind="stable")
    lanes = np.append(alike, np.full(-n % chain.LANES, alike[-1])).reshape(-1, chain.LANES)
    blocks = len(lanes)
    draws, nodes = np.ascontiguousarray(inputs[:, lanes].transpose(1, 0, 2)), np.ravel(tables)
    ends = np.empty((blocks, chain.RESULTS, chain.LANES))
    # a draw that goes beyond its table leaves steps out
    traces = np.zeros((blocks if traced else 0, traced, chain.TRACED, chain.LANES))
    steps = traced + 1 if traced else UNENDING

    def part(first: int) -> None:
        cord = np.empty((chain.FIELDS, elements + 2, chain.LANES))
        last = min(first + BLOCKS_A_TASK, blocks)
        chain.follow(first, last, elements, steps, draws, nodes, ends, traces, cord)

    firsts = range(0, blocks, BLOCKS_A_TASK)
    if len(firsts) > 1 and threads() > 1:
        with ThreadPoolExecutor(threads()) as pool:
            list(pool.map(part, firsts))
    else:
        for first in firsts:
            part(first)
    back = np.argsort(alike)
    results = ends.transpose(1, 0, 2).reshape(chain.RESULTS, -1)[:, back]
    by_draw = traces.transpose(0, 3, 1, 2).reshape(len(traces) * chain.LANES, traced, chain.TRACED)
    return results, by_draw[back] if traced else by_draw

"""The steps in time of the chain of `waves`, compiled by numba and kept in its cache.

Draws go side by side: a `Row` holds a number of each of `LANES` draws, and an operation on rows is a vector instruction
or two, without a loop. All of it stands in this file, since numba makes its cache anew when this file changes, and
only then. No liberties are taken with rounding: the same draw gives the same digits in any company and on any number of
threads.

Places are displacements from the straight slack cord, in lengths of an element; moves are places gained in a step.
Places stand half a step before the moves, so each step takes the mean forces between two moves.
"""

import operator
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit
from numba.core import types
from numba.core.imputils import lower_builtin
from numba.core.typing.templates import ConcreteTemplate, infer_global, signature
from numba.extending import intrinsic, models, register_model

LANES = 8
VECTOR, WHOLE, INDEX = ir.VectorType(ir.DoubleType(), LANES), ir.IntType(32), ir.IntType(64)
# of a draw: what it is
(SCALE, TABLE, PER_CELL, CELLS, SPEED, KICK, FALL, MASS_KICK, DRAG, TIE_KICK, TIE_SPRING, VISCOSITY, LUMP_WEIGHT,
 LUMP_INERTIA, SHARE, AFTER, UNTIL, REACH) = range(18)  # fmt: skip
INPUTS = 18
RESULTS = 9  # what became of it, in the order in which `follow` writes it
FIELDS = 7  # place and move of a lump; tension and damping of the element below it, and what its neighbours share
TRACED = 5  # place and move of the mass, place of the tie point, loads at the tie point and at the lower end
STOPPED, BEYOND, STILL_OPEN = 1.0, 2.0, 3.0  # at its lowest point and on; stretched beyond `REACH`; neither
CAUGHT = -1e-9  # stretch a step ago, below which an element that is taut now has been slack
SLACK = -1e-12  # stretch below which an element is slack: one at rest is pulled taut by its neighbour
STILL = 1e-9  # move with which a mass that creeps down has stopped [elements a step]
ATTEMPTS = 4  # to find the elements that would be pushed, which carry nothing


class RowType(types.Type):
    """Numba's type of a row."""


ROW = RowType("Row")


@register_model(RowType)
class _Row(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: types.Type) -> None:
        super().__init__(manager, kind, VECTOR)


def _operator(name: str, instruction: str) -> None:
    """An operator between two rows."""

    class Template(ConcreteTemplate):
        cases = [signature(ROW, ROW, ROW)]  # noqa: RUF012

    infer_global(getattr(operator, name))(Template)
    lower_builtin(getattr(operator, name), ROW, ROW)(lambda _, builder, __, rows: getattr(builder, instruction)(*rows))


for _name, _llvm in (("add", "fadd"), ("iadd", "fadd"), ("sub", "fsub"), ("mul", "fmul"), ("truediv", "fdiv")):
    _operator(_name, _llvm)


def _instruction(function: Callable) -> Callable:
    """A function for compiled code, which writes LLVM's code for itself."""
    return intrinsic(function)


def _pointer(context: Any, builder: Any, kind: types.Type, array: Any, index: Any, width: int) -> Any:
    """To the `width` numbers of a contiguous array from its number `index` on."""
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), ir.VectorType(ir.DoubleType(), width).as_pointer())


@_instruction
def fill(typing, number):
    """A row of one number."""

    def generate(context, builder, kinds, arguments):
        first = builder.insert_element(ir.Constant(VECTOR, ir.Undefined), arguments[0], WHOLE(0))
        return builder.shuffle_vector(first, first, ir.Constant(ir.VectorType(WHOLE, LANES), [0] * LANES))

    return ROW(types.float64), generate


@_instruction
def load(typing, array, row):
    """Row number `row` of a contiguous array."""

    def generate(context, builder, kinds, arguments):
        index = builder.mul(arguments[1], INDEX(LANES))
        return builder.load(_pointer(context, builder, kinds.args[0], arguments[0], index, LANES), align=8)

    return ROW(array, types.int64), generate


@_instruction
def store(typing, array, row, values):
    """Writes row number `row` of a contiguous array."""

    def generate(context, builder, kinds, arguments):
        index = builder.mul(arguments[1], INDEX(LANES))
        builder.store(arguments[2], _pointer(context, builder, kinds.args[0], arguments[0], index, LANES), align=8)
        return context.get_dummy_value()

    return types.void(array, types.int64, ROW), generate


@_instruction
def where_less(typing, low, high, then, otherwise):
    """`then` where low < high, else `otherwise`, also where one of them is no number."""

    def generate(context, builder, kinds, rows):
        return builder.select(builder.fcmp_ordered("<", *rows[:2]), *rows[2:])

    return ROW(ROW, ROW, ROW, ROW), generate


@_instruction
def any_less(typing, low, high):
    """Whether low < high in any lane."""

    def generate(context, builder, kinds, rows):
        bits = builder.bitcast(builder.fcmp_ordered("<", *rows), ir.IntType(LANES))
        return builder.icmp_unsigned("!=", bits, ir.IntType(LANES)(0))

    return types.boolean(ROW, ROW), generate


def _unary(name: str) -> Callable:
    """An instruction for each number of a row."""

    @_instruction
    def function(typing, row):
        def generate(context, builder, kinds, rows):
            kind = ir.FunctionType(VECTOR, [VECTOR])
            return builder.call(builder.module.declare_intrinsic(f"llvm.{name}.v{LANES}f64", (), kind), rows)

        return ROW(ROW), generate

    return function


floor, absolute = _unary("floor"), _unary("fabs")


@_instruction
def nodes(typing, table, node):
    """Value and rise at nodes of a table, and at the nodes that follow them, as four rows."""

    def generate(context, builder, kinds, arguments):
        def chosen(one, other, *order):
            return builder.shuffle_vector(one, other, ir.Constant(ir.VectorType(WHOLE, len(order)), order))

        numbers = builder.fptosi(arguments[1], ir.VectorType(WHOLE, LANES))
        fours = []
        for lane in range(LANES):
            index = builder.mul(builder.sext(builder.extract_element(numbers, WHOLE(lane)), INDEX), INDEX(2))
            fours.append(builder.load(_pointer(context, builder, kinds.args[0], arguments[0], index, 4), align=8))
        halves = []
        for k in (0, 4):  # the numbers of four lanes, the other way round
            values = [chosen(*fours[j : j + 2], 0, 4, 2, 6) for j in (k, k + 2)]
            rises = [chosen(*fours[j : j + 2], 1, 5, 3, 7) for j in (k, k + 2)]
            here, following = (0, 1, 4, 5), (2, 3, 6, 7)
            halves.append([chosen(*pair, *order) for order in (here, following) for pair in (values, rises)])
        rows = [chosen(*pair, *range(8)) for pair in zip(*halves, strict=True)]
        return context.make_tuple(builder, kinds.return_type, rows)

    return types.UniTuple(ROW, 4)(table, ROW), generate


def _compiled(function: Callable) -> Callable:
    """Compiled at import, or from numba's cache: beside this file, else the user's; without either each time anew."""
    kinds = "void(i8, i8, i8, i8, f8[:, :, ::1], f8[::1], f8[:, :, ::1], f8[:, :, :, ::1], f8[:, :, ::1])"
    try:
        return njit(kinds, cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError as error:
        if "cannot cache" not in str(error):
            raise
        return njit(kinds, nogil=True, error_model="numpy")(function)


@_compiled
def follow(first, last, elements, steps, draws, tables, results, traces, cord):
    """Blocks of `LANES` draws number `first` to `last`, each to its end, in at most so many steps.

    draws : (blocks, INPUTS, LANES);  tables : value and rise at the nodes of every table, one after the other
    results : (blocks, RESULTS, LANES);  traces : (blocks, steps, TRACED, LANES), or of size 0
    cord : (FIELDS, elements + 2, LANES), room to work in. Lump i bears element i, from 1 to the mass below the last.
    """
    place, move, tension, damping, pull, inverse, spread = cord[0], cord[1], cord[2], cord[3], cord[4], cord[5], cord[6]
    mass, zero, half, one, two, infinite = elements + 1, fill(0.0), fill(0.5), fill(1.0), fill(2.0), fill(np.inf)
    slack, caught, still = fill(SLACK), fill(CAUGHT), fill(STILL)
    for block in range(first, last):
        draw = draws[block]
        scale, table, per_cell, cells = load(draw, SCALE), load(draw, TABLE), load(draw, PER_CELL), load(draw, CELLS)
        kick, fall, drag, viscosity = load(draw, KICK), load(draw, FALL), load(draw, DRAG), load(draw, VISCOSITY)
        half_kick, half_fall, tie_spring = kick * half, fall * half, load(draw, TIE_SPRING) * half
        mass_kick, tie_kick = load(draw, MASS_KICK) * half, load(draw, TIE_KICK) * half
        weight, inertia, share = load(draw, LUMP_WEIGHT), load(draw, LUMP_INERTIA), load(draw, SHARE)
        reach, after, until, new = load(draw, REACH), load(draw, AFTER), load(draw, UNTIL), load(draw, SPEED)
        cord[:] = 0.0
        store(move, mass, new)
        store(place, mass, new * half)
        mean, is_open, lowest_time, catch = new, one, infinite, zero
        lowest = tie_at_lowest = lower = tie = lower_now = tie_now = lower_time = tie_time = greatest = ended = zero
        for step in range(1, steps + 1):
            now, old = fill(step + 0.0), new
            damped = one + drag * absolute(two * old - mean)
            free = (old + half_fall) / damped
            place_above, move_above = load(place, 1), load(move, 1)
            tie_free = move_above + tie_kick * weight - tie_spring * place_above
            # the top does not fall freely as the other lumps do: as if an element above it held it
            above = (move_above + half_fall - tie_free) / half_kick
            store(tension, 0, above)
            changed, stretched = zero, zero
            for i in range(1, mass):
                place_below, move_below = load(place, i + 1), load(move, i + 1)
                stretch, falls = place_below - place_above, move_below - move_above
                place_above, move_above = place_below, move_below
                # where the lumps fly apart until the element is taut, their speeds become one: no energy is made
                caught_now = where_less(zero, stretch, where_less(stretch - falls, caught, catch, zero), zero)
                coefficient = where_less(slack, stretch, viscosity, zero) + caught_now
                changed += absolute(coefficient - load(damping, i))
                store(damping, i, coefficient)
                stretch = where_less(zero, stretch, stretch, zero)
                stretched = where_less(stretched, stretch, stretch, stretched)
                # the elastic pull, by cubics between the nodes of its curve
                at = where_less(stretch * per_cell, cells, stretch * per_cell, cells)
                cell = floor(at)
                part = at - cell
                force, rise, next_force, next_rise = nodes(tables, table + cell)
                change = next_force - force
                bend = rise + next_rise - two * change
                force += part * (rise + part * (change - rise - bend + part * bend))
                force = scale * force + coefficient * falls
                store(pull, i, force)
                above = load(inverse, i) * force + load(spread, i) * above
                store(tension, i, above)
            # tensions: viscosity by the mean of the moves before and after, which ties neighbours together
            renew = step == 1 or any_less(zero, changed)
            for _ in range(ATTEMPTS):
                if renew:
                    loose, lump_kick, above = one, tie_kick, load(tension, 0)
                    for i in range(1, mass):
                        coefficient = load(damping, i)
                        coupling = half_kick * coefficient
                        inverted = one / (one + lump_kick * coefficient * loose + coupling)
                        above = inverted * (load(pull, i) + coupling * above)
                        store(inverse, i, inverted)
                        store(spread, i, coupling * inverted)
                        store(tension, i, above)
                        loose, lump_kick = one - coupling * inverted, half_kick
                coefficient, loose = load(damping, elements), one - load(spread, elements - 1)
                coupling = half_kick * coefficient
                force = load(pull, elements) + coefficient * (free - old - half_fall)
                force += coupling * load(tension, elements - 1)
                below = force / (one + coupling * loose + mass_kick / damped * coefficient)
                store(tension, elements, below)
                pushed = where_less(below, zero, below, zero)
                for i in range(elements - 1, 0, -1):
                    below = load(tension, i) + load(spread, i) * below
                    store(tension, i, below)
                    pushed += where_less(below, zero, below, zero)
                renew = any_less(pushed, zero)
                if not renew:
                    break
                for i in range(1, mass):  # a cord carries no compression
                    force = load(tension, i)
                    store(damping, i, where_less(force, zero, zero, load(damping, i)))
                    store(pull, i, where_less(force, zero, zero, load(pull, i)))
                    store(tension, i, where_less(force, zero, zero, force))
            top = above = load(tension, 1)
            for i in range(2, mass):
                below = load(tension, i)
                moved = load(move, i) + kick * (below - above) + fall
                above = below
                store(move, i, moved)
                store(place, i, load(place, i) + moved)
            # the ends, the loads through the low-pass, and what is remembered of them
            gained = two * (tie_free + tie_kick * top - load(move, 1))
            moved = load(move, 1) + gained
            tie_place = load(place, 1) + moved * half
            store(move, 1, moved)
            store(place, 1, load(place, 1) + moved)
            tie_load = top + weight - inertia * gained
            tie_now += share * (tie_load - tie_now)
            mean = free - mass_kick / damped * above
            new = two * mean - old
            mass_place = load(place, mass)
            turn_time = old / (old - new)
            turn = mass_place - old * half + turn_time * old * half
            store(move, mass, new)
            store(place, mass, mass_place + new)
            lower_load = above - weight + inertia * (new - old)
            lower_now += share * (lower_load - lower_now)
            peak = where_less(zero, is_open, lower_now, zero)
            lower_time = where_less(lower, peak, now - half, lower_time)
            lower = where_less(lower, peak, peak, lower)
            peak = where_less(zero, is_open, tie_now, zero)
            tie_time = where_less(tie, peak, now - half, tie_time)
            tie = where_less(tie, peak, peak, tie)
            turn = where_less(still, old * is_open, where_less(still, new, zero, turn), zero)
            lowest_time = where_less(lowest, turn, now - one + turn_time, lowest_time)
            tie_at_lowest = where_less(lowest, turn, tie_place, tie_at_lowest)
            lowest = where_less(lowest, turn, turn, lowest)
            stretched = where_less(zero, is_open, stretched, zero)
            greatest = where_less(greatest, stretched, stretched, greatest)
            end = where_less(lowest_time + after, until, lowest_time + after, until)
            end = where_less(now, end, zero, fill(STOPPED))
            end = where_less(absolute(new), infinite, end, fill(STILL_OPEN))
            if step == steps:
                end = fill(STILL_OPEN)
            end = where_less(reach, stretched, fill(BEYOND), end)
            ended = where_less(zero, is_open, end, ended)
            is_open, catch = where_less(zero, end, zero, is_open), one / kick
            if traces.size:
                for row, value in enumerate((mass_place + new * half, new, tie_place, tie_load, lower_load)):
                    store(traces[block, step - 1], row, value)
            if not any_less(zero, is_open):
                break
        ends = lowest, tie_at_lowest, lowest_time, lower, tie, lower_time, tie_time, greatest, ended
        for row, value in enumerate(ends):
            store(results[block], row, value)

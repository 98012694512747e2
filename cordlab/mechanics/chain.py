"""The steps in time of the chain of `waves`, compiled by numba and kept in its cache.

Draws go side by side in `LANES`, and every innermost loop is over them, so that the compiler makes vector instructions
of it. Places are displacements from the straight slack cord, in lengths of an element; moves are places gained in a
step. Places stand half a step before the moves, so each step takes the mean forces between two moves. No liberties are
taken with rounding: the same draw gives the same digits in any company and on any number of threads.
"""

from collections.abc import Callable

import numpy as np
from numba import njit

LANES = 16
# of an element, or of the lump at its upper end
PLACE, MOVE, TENSION, DAMPING, PULL, COUPLING, INVERSE = range(7)
FIELDS = 7
# of a draw: what it is
(SCALE, TABLE, PER_CELL, CELLS, SPEED, KICK, FALL, MASS_KICK, DRAG, TIE_KICK, TIE_SPRING, VISCOSITY, LUMP_WEIGHT,
 LUMP_INERTIA, SHARE, AFTER, UNTIL, REACH) = range(18)  # fmt: skip
INPUTS = 18
# what became of it: places in elements, times in steps, loads in newtons
LOWEST, TIE_AT_LOWEST, LOWEST_TIME, LOWER, TIE, LOWER_TIME, TIE_TIME, GREATEST, ENDED = range(INPUTS, INPUTS + 9)
RESULTS = 9
# what is known of it now
(OPEN, LOWER_NOW, TIE_NOW, STRETCH, CHANGED, LEAST, DAMPED, CATCH, MEAN_MOVE, FREE, TIE_FREE, PART, CELL, FORCE,
 RISE, NEXT_FORCE, NEXT_RISE, TIE_LOAD, LOWER_LOAD, TIE_PLACE, MASS_PLACE) = range(27, 48)  # fmt: skip
ROWS = 48
TRACED = 5  # place and move of the mass, place of the tie point, loads at the tie point and at the lower end
STOPPED, BEYOND, STILL_OPEN = 1.0, 2.0, 3.0  # `ENDED`: at its lowest point and on; stretched beyond `REACH`; neither
CAUGHT = -1e-9  # stretch a step ago, below which an element that is taut now has been slack
SLACK = -1e-12  # stretch below which an element is slack: one at rest is pulled taut by its neighbour
STILL = 1e-9  # move with which a mass that creeps down has stopped [elements a step]
ATTEMPTS = 4  # to find the elements that would be pushed, which carry nothing


def _compiled(function: Callable) -> Callable:
    """Compiled at import, or from numba's cache: beside this file, else the user's; without either each time anew."""
    signature = "void(i8, i8, i8, i8, f8[:, ::1], f8[::1], f8[:, ::1], f8[:, :, ::1], f8[:, :, ::1])"
    try:
        return njit(signature, cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError as error:
        if "cannot cache" not in str(error):
            raise
        return njit(signature, nogil=True, error_model="numpy")(function)


@_compiled
def follow(first, last, elements, steps, draws, tables, results, traces, state):
    """Draws number `first` to `last` in blocks of `LANES`, each to its end, in at most so many steps.

    draws : (INPUTS, n);  tables : force and rise over a cell at the nodes of every table, one after the other
    results : (RESULTS, n);  traces : (n, steps, TRACED), or of size 0;  state : the last block's elements, or of size 0
    """
    cord, lane = np.zeros((elements + 1, FIELDS, LANES)), np.zeros((ROWS, LANES))
    mass, lowest_element = elements, elements - 1
    for block in range(first, last, LANES):
        cord[:] = 0.0
        lane[:] = 0.0
        for k in range(LANES):
            draw = min(block + k, last - 1)
            for row in range(INPUTS):
                lane[row, k] = draws[row, draw]
            lane[OPEN, k] = 1.0 if block + k < last else 0.0
            lane[LOWEST_TIME, k] = np.inf
            cord[mass, MOVE, k] = lane[MEAN_MOVE, k] = lane[SPEED, k]
            cord[mass, PLACE, k] = lane[SPEED, k] / 2
        for step in range(1, steps + 1):
            # the elastic pull of each element, by cubics between the nodes of its curve
            for k in range(LANES):
                lane[CHANGED, k] = 1.0 if step == 1 else 0.0
                lane[CATCH, k] = 0.0 if step == 1 else 1 / lane[KICK, k]
                lane[STRETCH, k] = 0.0
                lane[DAMPED, k] = 1 + lane[DRAG, k] * abs(2 * cord[mass, MOVE, k] - lane[MEAN_MOVE, k])
                lane[FREE, k] = (cord[mass, MOVE, k] + lane[FALL, k] / 2) / lane[DAMPED, k]
                sag = lane[TIE_KICK, k] * lane[LUMP_WEIGHT, k] - lane[TIE_SPRING, k] * cord[0, PLACE, k]
                lane[TIE_FREE, k] = cord[0, MOVE, k] + sag / 2
            for i in range(elements):
                for k in range(LANES):
                    stretch = cord[i + 1, PLACE, k] - cord[i, PLACE, k]
                    falls = cord[i + 1, MOVE, k] - cord[i, MOVE, k]
                    damping = lane[VISCOSITY, k] if stretch > SLACK else 0.0
                    # where the lumps fly apart until the element is taut, their speeds become one: no energy is made
                    damping += lane[CATCH, k] if (stretch > 0) & (stretch - falls < CAUGHT) else 0.0
                    stretch = max(stretch, 0.0)
                    lane[STRETCH, k] = max(stretch, lane[STRETCH, k])
                    lane[CHANGED, k] = lane[CHANGED, k] if damping == cord[i, DAMPING, k] else 1.0
                    cord[i, DAMPING, k] = damping
                    at = min(stretch * lane[PER_CELL, k], lane[CELLS, k])
                    cell = np.floor(at)
                    lane[PART, k] = at - cell
                    lane[CELL, k] = lane[TABLE, k] + 2 * cell
                for k in range(LANES):
                    node = np.uint64(lane[CELL, k])
                    lane[FORCE, k] = tables[node]
                    lane[RISE, k] = tables[node + np.uint64(1)]
                    lane[NEXT_FORCE, k] = tables[node + np.uint64(2)]
                    lane[NEXT_RISE, k] = tables[node + np.uint64(3)]
                for k in range(LANES):
                    part, rise = lane[PART, k], lane[NEXT_FORCE, k] - lane[FORCE, k]
                    bend = lane[RISE, k] + lane[NEXT_RISE, k] - 2 * rise
                    slope = lane[RISE, k] + part * (rise - lane[RISE, k] - bend + part * bend)
                    force = lane[SCALE, k] * (lane[FORCE, k] + part * slope)
                    falls = cord[i + 1, MOVE, k] - cord[i, MOVE, k]
                    cord[i, PULL, k] = force + cord[i, DAMPING, k] * falls
            changed = 0.0
            for k in range(LANES):
                changed = max(changed, lane[CHANGED, k])
                # the ends do not fall freely as the other lumps do
                off = cord[0, MOVE, k] + lane[FALL, k] / 2 - lane[TIE_FREE, k]
                cord[0, PULL, k] += cord[0, DAMPING, k] * off
                off = lane[FREE, k] - cord[mass, MOVE, k] - lane[FALL, k] / 2
                cord[lowest_element, PULL, k] += cord[lowest_element, DAMPING, k] * off
            # tensions: viscosity by the mean of the moves before and after, which ties neighbours together
            for _ in range(ATTEMPTS):
                if changed > 0:
                    for k in range(LANES):
                        coupling = lane[KICK, k] / 2 * cord[0, DAMPING, k]
                        above = lane[TIE_KICK, k] / 2 * cord[0, DAMPING, k]
                        cord[0, COUPLING, k] = coupling
                        cord[0, INVERSE, k] = 1 / (1 + above + coupling)
                    for i in range(1, lowest_element):
                        for k in range(LANES):
                            coupling = lane[KICK, k] / 2 * cord[i, DAMPING, k]
                            above = coupling * (1 - cord[i - 1, COUPLING, k] * cord[i - 1, INVERSE, k])
                            cord[i, COUPLING, k] = coupling
                            cord[i, INVERSE, k] = 1 / (1 + above + coupling)
                for k in range(LANES):
                    cord[0, TENSION, k] = cord[0, PULL, k] * cord[0, INVERSE, k]
                for i in range(1, lowest_element):
                    for k in range(LANES):
                        pull = cord[i, PULL, k] + cord[i, COUPLING, k] * cord[i - 1, TENSION, k]
                        cord[i, TENSION, k] = pull * cord[i, INVERSE, k]
                i = lowest_element
                for k in range(LANES):
                    coupling = lane[KICK, k] / 2 * cord[i, DAMPING, k]
                    above = coupling * (1 - cord[i - 1, COUPLING, k] * cord[i - 1, INVERSE, k])
                    below = lane[MASS_KICK, k] / 2 / lane[DAMPED, k] * cord[i, DAMPING, k]
                    pull = cord[i, PULL, k] + coupling * cord[i - 1, TENSION, k]
                    cord[i, TENSION, k] = lane[LEAST, k] = pull / (1 + above + below)
                for j in range(1, elements):
                    i = lowest_element - j
                    for k in range(LANES):
                        carried = cord[i, COUPLING, k] * cord[i, INVERSE, k] * cord[i + 1, TENSION, k]
                        tension = cord[i, TENSION, k] + carried
                        cord[i, TENSION, k] = tension
                        lane[LEAST, k] = min(tension, lane[LEAST, k])
                least = 0.0
                for k in range(LANES):
                    least = min(least, lane[LEAST, k])
                if not least < 0:
                    break
                changed = 1.0
                for i in range(elements):  # a cord carries no compression
                    for k in range(LANES):
                        pushed = cord[i, TENSION, k] < 0
                        cord[i, DAMPING, k] = 0.0 if pushed else cord[i, DAMPING, k]
                        cord[i, PULL, k] = 0.0 if pushed else cord[i, PULL, k]
                        cord[i, TENSION, k] = max(cord[i, TENSION, k], 0.0)
            for i in range(1, elements):
                for k in range(LANES):
                    kick = lane[KICK, k] * (cord[i, TENSION, k] - cord[i - 1, TENSION, k])
                    move = cord[i, MOVE, k] + kick + lane[FALL, k]
                    cord[i, MOVE, k] = move
                    cord[i, PLACE, k] += move
            # the ends, the loads through the low-pass, and what is remembered of them
            for k in range(LANES):
                gained = 2 * (lane[TIE_FREE, k] + lane[TIE_KICK, k] / 2 * cord[0, TENSION, k] - cord[0, MOVE, k])
                cord[0, MOVE, k] += gained
                lane[TIE_PLACE, k] = cord[0, PLACE, k] + cord[0, MOVE, k] / 2
                cord[0, PLACE, k] += cord[0, MOVE, k]
                lane[TIE_LOAD, k] = cord[0, TENSION, k] + lane[LUMP_WEIGHT, k] - lane[LUMP_INERTIA, k] * gained
                lane[TIE_NOW, k] += lane[SHARE, k] * (lane[TIE_LOAD, k] - lane[TIE_NOW, k])
                old, tension = cord[mass, MOVE, k], cord[lowest_element, TENSION, k]
                mean = lane[FREE, k] - lane[MASS_KICK, k] / 2 / lane[DAMPED, k] * tension
                new = 2 * mean - old
                lane[MEAN_MOVE, k] = mean
                cord[mass, MOVE, k] = new
                lane[MASS_PLACE, k] = cord[mass, PLACE, k] + new / 2
                turn_time = old / (old - new)
                turn = cord[mass, PLACE, k] - old / 2 + turn_time * old / 2
                cord[mass, PLACE, k] += new
                lane[LOWER_LOAD, k] = tension - lane[LUMP_WEIGHT, k] + lane[LUMP_INERTIA, k] * (new - old)
                lane[LOWER_NOW, k] += lane[SHARE, k] * (lane[LOWER_LOAD, k] - lane[LOWER_NOW, k])
                is_open = lane[OPEN, k] > 0
                more = is_open & (lane[LOWER_NOW, k] > lane[LOWER, k])
                lane[LOWER, k] = lane[LOWER_NOW, k] if more else lane[LOWER, k]
                lane[LOWER_TIME, k] = step - 0.5 if more else lane[LOWER_TIME, k]
                more = is_open & (lane[TIE_NOW, k] > lane[TIE, k])
                lane[TIE, k] = lane[TIE_NOW, k] if more else lane[TIE, k]
                lane[TIE_TIME, k] = step - 0.5 if more else lane[TIE_TIME, k]
                more = is_open & (old > STILL) & (new <= STILL) & (turn > lane[LOWEST, k])
                lane[LOWEST, k] = turn if more else lane[LOWEST, k]
                lane[LOWEST_TIME, k] = step - 1 + turn_time if more else lane[LOWEST_TIME, k]
                lane[TIE_AT_LOWEST, k] = lane[TIE_PLACE, k] if more else lane[TIE_AT_LOWEST, k]
                more = is_open & (lane[STRETCH, k] > lane[GREATEST, k])
                lane[GREATEST, k] = lane[STRETCH, k] if more else lane[GREATEST, k]
                until = min(lane[UNTIL, k], lane[LOWEST_TIME, k] + lane[AFTER, k])
                ended = STOPPED if step >= until else 0.0
                ended = ended if (step < steps) & (abs(new) < np.inf) else STILL_OPEN
                ended = BEYOND if lane[STRETCH, k] > lane[REACH, k] else ended
                lane[ENDED, k] = ended if is_open else lane[ENDED, k]
                lane[OPEN, k] = 1.0 if is_open & (ended == 0.0) else 0.0
            left = 0.0
            for k in range(LANES):
                left = max(left, lane[OPEN, k])
            if traces.size:
                for k in range(min(LANES, last - block)):
                    trace = traces[block + k, step - 1]
                    trace[0], trace[1] = lane[MASS_PLACE, k], cord[mass, MOVE, k]
                    trace[2], trace[3], trace[4] = lane[TIE_PLACE, k], lane[TIE_LOAD, k], lane[LOWER_LOAD, k]
            if left == 0:
                break
        for k in range(min(LANES, last - block)):
            for row in range(RESULTS):
                results[row, block + k] = lane[LOWEST + row, k]
    if state.size:
        state[:] = cord

"""Speed of the drop against a loop of scipy's solve_ivp over the same drops, timed in the same run (processor time).

Invented draws about an invented cord. The loops are timed on a sample and scaled; they run on plain floats and arrays,
without the library's curve objects, which is kind to them. Both sides start from the numbers of a drop and end with its
lowest point (and peak g), over the same span of motion. A loop is of equal accuracy if its errors are at most `EQUAL`
times ours; the cheapest of these counts.
"""

import resource
import time
import tracemalloc
from collections.abc import Callable
from importlib.util import find_spec
from unittest.mock import patch

import numpy as np
from scipy.integrate import solve_ivp

from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop
from cordlab.mechanics.setup import DropSetup, fall_speed
from cordlab.mechanics.waves import CROSSINGS, SMOOTHING, crossing

G, LENGTH, CORD_MASS, DRAG = 9.80665, 10.0, 14.0, 0.5 * 1.2 * 0.5  # drag area 0.5 m²


def draws(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mass [kg] and the two constants of Mooney–Rivlin [N] of n invented drops."""
    rng = np.random.default_rng(20)
    return rng.uniform(36, 100, n), 280 * rng.normal(1, 0.02, n), 70 * rng.normal(1, 0.02, n)


def rubber(c1, c2) -> Curve:
    return Curve("mooney-rivlin", {"c1": c1, "c2": c2})


def predict(mass, curve: Curve, **options):
    return predict_drop(curve, mass=mass, slack_length=LENGTH, cord_mass=CORD_MASS, drag_area=0.5, **options)


def uniform_in_time(mass: float, c1: float, c2: float, tolerance: float) -> float:
    """Lowest point by DOP853 in time, from the release: the fall with the cord folded, then the stretch."""
    moving, weight = mass + CORD_MASS / 3, (mass + CORD_MASS / 2) * G
    options = {"method": "DOP853", "rtol": tolerance, "atol": tolerance}

    def fall(_, state):
        y, v = state
        inertia = mass + CORD_MASS * (LENGTH - y) / (2 * LENGTH)
        return v, G + (CORD_MASS / (4 * LENGTH) * v * v - DRAG * v * v) / inertia

    def tight(_, state):
        return state[0] - LENGTH

    def stretch(_, state):
        ratio = state[0] / LENGTH
        force = 2 * (ratio - ratio**-2) * (c1 + c2 / ratio)
        return state[1], (weight - force - DRAG * state[1] * abs(state[1])) / moving

    def turned(_, state):
        return state[1]

    tight.terminal = turned.terminal = True
    turned.direction = -1
    speed = solve_ivp(fall, (0, 10), (0.0, 0.0), events=tight, **options).y_events[0][0][1] * np.sqrt(mass / moving)
    return solve_ivp(stretch, (0, 20), (LENGTH, speed), events=turned, **options).y_events[0][0][0]


def chain_in_time(
    mass: float, c1: float, c2: float, viscosity: float, elements: int, method: str, tolerance: float
) -> tuple[float, float]:
    """Lowest point [m] and peak g by solve_ivp over the same chain of lumps, followed as long as `swing` of `waves`.

    The load's low-pass is one more state of the equations, under the same tolerance; its peak is read at the steps.
    """
    d, half, lump = LENGTH / elements, CORD_MASS / elements / 2, np.full(elements, CORD_MASS / elements)
    lump[-1] = half + mass
    state = np.zeros(2 * elements + 1)
    state[:elements] = d * np.arange(1, elements + 1)
    setup = DropSetup(mass, LENGTH, CORD_MASS, 0.5, 1.2, 0.0, 0.0, G)
    state[-2] = float(fall_speed(setup, LENGTH)) * mass / lump[-1]

    def motion(_, state):
        y, v, read = state[:elements], state[elements:-1], state[-1]
        stretch = np.diff(y, prepend=0.0) / d
        force = 2 * (stretch - stretch**-2) * (c1 + c2 / stretch) + viscosity * np.diff(v, prepend=0.0) / d
        force = np.where(stretch > 1, np.maximum(force, 0.0), 0.0)
        net = np.append(force[1:], DRAG * -v[-1] * abs(v[-1])) - force
        upward = force[-1] + half * net[-1] / lump[-1]
        return np.concatenate([v, net / lump + G, [(upward - read) / SMOOTHING]])

    def turned(_, state):
        return state[-2]

    turned.terminal, turned.direction = True, -1
    options = {"method": method, "rtol": tolerance, "atol": tolerance * 10}
    down = solve_ivp(motion, (0, 20), state, events=turned, **options)
    on = solve_ivp(motion, (0, CROSSINGS * float(crossing(setup, rubber(c1, c2))[0])), down.y[:, -1], **options)
    return down.y[elements - 1, -1], max(down.y[-1].max(), on.y[-1].max()) / (mass * G)


def main() -> None:
    waves()
    uniform()


def timed(function: Callable, repeats: int = 1) -> tuple[float, object]:
    """Least processor time of some runs [s], and what the function gives."""
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        found = function()
        taken.append(time.process_time() - start)
    return min(taken), found


def uniform(n: int = 1_000_000, sample: int = 100) -> None:
    mass, c1, c2 = draws(n)
    predict(mass[:10_000], rubber(c1[:10_000], c2[:10_000]))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    ours, prediction = timed(lambda: predict(mass, rubber(c1, c2)))
    memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(f"uniform, {n} draws: {ours:.2f} s, {memory:.0f} MiB more memory (answer included), {prediction.counts()}")
    drops = list(zip(mass[:sample], c1[:sample], c2[:sample], strict=True))
    for tolerance in (1e-8, 1e-12):  # as one would ask for a millimetre, and as exact as the library
        taken, loop = timed(lambda tolerance=tolerance: [uniform_in_time(*drop, tolerance) for drop in drops])
        theirs, apart = taken * n / sample, np.abs(prediction.lowest_point[:sample] - loop).max()
        print(
            f"  solve_ivp loop, DOP853 at {tolerance:g}: {theirs:.0f} s (from {sample} draws), {theirs / ours:.0f} "
            f"times as long; lowest points at most {apart:.1e} m apart"
        )


EQUAL = 1.1
LOOPS = (("RK23", 1e-3), ("RK23", 1e-4), ("RK45", 1e-3), ("RK45", 1e-4), ("LSODA", 1e-3), ("DOP853", 1e-8))
OTHERS = {
    "yeoh": {"c1": 300.0, "c2": -2.0, "c3": 0.05},
    "polynomial": {"p1": 2000.0, "p2": -350.0, "p3": 110.0},
    "gent": {"mu": 600.0, "j": 40.0},
    "ogden-2": {"mu1": 300.0, "alpha1": 2.0, "mu2": -50.0, "alpha2": -2.0},
}


def waves(n: int = 1000, sample: int = 8, elements: int = 40, viscosity: float = 5.0, repeats: int = 3) -> None:
    mass, c1, c2 = draws(10 * n)
    options = {"mechanics": "waves", "viscosity": viscosity}
    drops = list(zip(mass[:sample], c1[:sample], c2[:sample], strict=True))

    def chains(method: str, tolerance: float) -> np.ndarray:
        return np.array([chain_in_time(*drop, viscosity, elements, method, tolerance) for drop in drops])

    with patch("cordlab.mechanics.waves._compiled", return_value=None):
        with_numpy, _ = timed(lambda: predict(mass[:n], rubber(c1[:n], c2[:n]), **options), repeats)
    if find_spec("numba"):
        compiling, _ = timed(lambda: predict(mass[:1], rubber(c1[:1], c2[:1]), **options))
        print(f"waves, compiled by numba or taken from its cache: {compiling:.1f} s once, not counted below")
    else:
        print("waves: numba is not installed, all is NumPy")
    ours, prediction = timed(lambda: predict(mass[:n], rubber(c1[:n], c2[:n]), **options), repeats)
    exact = chains("DOP853", 1e-10)
    mine = _apart(np.stack([prediction.lowest_point, prediction.g], axis=1)[:sample], exact)
    print(f"waves, {n} draws of {elements} elements: {ours:.3f} s (NumPy {with_numpy:.3f} s), {prediction.counts()}")
    print(f"  off by {_errors(mine)}")
    print(f"  (errors: the greatest of {sample} draws, against the same lumps by DOP853 at 1e-10)")
    equal = {}
    for method, tolerance in LOOPS:
        taken, loop = timed(lambda method=method, tolerance=tolerance: chains(method, tolerance), repeats)
        theirs, its = taken * n / sample, _apart(loop, exact)
        as_exact = its[0] <= EQUAL * mine[0] and its[1] <= EQUAL * mine[1]
        if as_exact:
            equal[f"{method} at {tolerance:g}"] = theirs / ours
        print(
            f"  solve_ivp loop, {method:6} at {tolerance:g}: {theirs:.0f} s (from {sample} draws), {theirs / ours:.0f} "
            f"times as long; off by {_errors(its)}{'' if as_exact else ', less exact than ours'}"
        )
    cheapest = min(equal, key=lambda name: equal[name])
    print(
        f"  at equal accuracy, the cheapest loop ({cheapest}) takes {equal[cheapest]:.0f} times as long, "
        f"{equal[cheapest] * ours / with_numpy:.0f} times as long as NumPy"
    )
    for name, parameters in OTHERS.items():
        other = Curve(name, parameters).scaled(c1[:n] / 280)
        taken, found = timed(lambda other=other: predict(mass[:n], other, **options))
        print(f"waves, {n} draws, {name}: {taken:.2f} s, {found.counts()}")
    print(f"waves, {10 * n} draws: {timed(lambda: predict(mass, rubber(c1, c2), **options))[0]:.1f} s")
    tracemalloc.start()
    for count in (n, 10 * n):
        tracemalloc.reset_peak()
        predict(mass[:count], rubber(c1[:count], c2[:count]), **options)
        print(f"waves, {count} draws: {tracemalloc.get_traced_memory()[1] / 2**20:.0f} MiB at most (answer included)")
    tracemalloc.stop()


def _apart(found: np.ndarray, exact: np.ndarray) -> tuple[float, float]:
    off = np.abs(found - exact)
    return off[:, 0].max(), (off[:, 1] / exact[:, 1]).max()


def _errors(apart: tuple[float, float]) -> str:
    return f"{1000 * apart[0]:.2g} mm in lowest point, {100 * apart[1]:.2g} % in peak g"

"""Speed of the drop against a loop of scipy's solve_ivp over the same drops, timed in the same run (processor time).

Invented draws about an invented cord. The loops are timed on a sample and scaled; they run on plain floats and arrays,
without the library's curve objects, which is kind to them.
"""

import resource
import time

import numpy as np
from scipy.integrate import solve_ivp

from cordlab.curves import Curve
from cordlab.drop import predict_drop
from cordlab.fall import Setup, fall_speed
from cordlab.waves import SMOOTHING

G, LENGTH, CORD_MASS, DRAG = 9.80665, 10.0, 14.0, 0.5 * 1.2 * 0.5  # drag area 0.5 m²


def draws(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mass [kg] and the two constants of Mooney–Rivlin [N] of n invented drops."""
    rng = np.random.default_rng(20)
    return rng.uniform(36, 100, n), 280 * rng.normal(1, 0.02, n), 70 * rng.normal(1, 0.02, n)


def predict(mass, c1, c2, **options):
    curve = Curve("mooney-rivlin", {"c1": c1, "c2": c2})
    return predict_drop(curve, mass=mass, slack_length=LENGTH, cord_mass=CORD_MASS, drag_area=0.5, **options)


def even_in_time(mass: float, c1: float, c2: float, tolerance: float) -> float:
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
    """Lowest point [m] and peak g by solve_ivp over the same chain of lumps, followed for 3.2 s after the slack's end.

    The load's low-pass is one more state of the equations, under the same tolerance; its peak is read at the steps.
    """
    d, half, lump = LENGTH / elements, CORD_MASS / elements / 2, np.full(elements, CORD_MASS / elements)
    lump[-1] = half + mass
    state = np.zeros(2 * elements + 1)
    state[:elements] = d * np.arange(1, elements + 1)
    setup = Setup(mass, LENGTH, CORD_MASS, 0.5, 1.2, 0.0, 0.0, G)
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

    run = solve_ivp(motion, (0, 3.2), state, method=method, rtol=tolerance, atol=tolerance * 10, events=turned)
    return run.y_events[0][0][elements - 1], run.y[-1].max() / (mass * G)


def main() -> None:
    even()
    waves()


def even(n: int = 1_000_000, sample: int = 100) -> None:
    mass, c1, c2 = draws(n)
    predict(mass[:10_000], c1[:10_000], c2[:10_000])
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.process_time()
    prediction = predict(mass, c1, c2)
    ours = time.process_time() - start
    memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(f"even, {n} draws: {ours:.2f} s, {memory:.0f} MiB more memory (answer included), {prediction.counts()}")
    for tolerance in (1e-8, 1e-12):  # as one would ask for a millimetre, and as exact as the library
        start = time.process_time()
        loop = [even_in_time(*drop, tolerance) for drop in zip(mass[:sample], c1[:sample], c2[:sample], strict=True)]
        theirs = (time.process_time() - start) * n / sample
        apart = np.abs(prediction.lowest_point[:sample] - loop).max()
        print(
            f"  solve_ivp loop, DOP853 at {tolerance:g}: {theirs:.0f} s (from {sample} draws), {theirs / ours:.0f} "
            f"times as long; lowest points at most {apart:.1e} m apart"
        )


def waves(n: int = 1000, sample: int = 8, elements: int = 40, viscosity: float = 5.0) -> None:
    mass, c1, c2 = draws(10 * n)
    few = slice(n)
    start = time.process_time()
    prediction = predict(mass[few], c1[few], c2[few], mechanics="waves", viscosity=viscosity)
    ours = time.process_time() - start
    drops = list(zip(mass[:sample], c1[:sample], c2[:sample], strict=True))
    exact = np.array([chain_in_time(*drop, viscosity, elements, "DOP853", 1e-10) for drop in drops])

    def apart(found: np.ndarray) -> tuple[float, float]:
        off = np.abs(found - exact)
        return off[:, 0].max(), (off[:, 1] / exact[:, 1]).max()

    mine = apart(np.stack([prediction.lowest_point, prediction.g], axis=1)[:sample])
    print(f"waves, {n} draws of {elements} elements: {ours:.2f} s, {prediction.counts()}")
    print(f"  from the same lumps by DOP853 at 1e-10: at most {_errors(mine)}")
    for method, tolerance in (("RK23", 1e-4), ("RK45", 1e-3), ("RK45", 1e-4), ("RK45", 1e-6), ("DOP853", 1e-8)):
        start = time.process_time()
        loop = np.array([chain_in_time(*drop, viscosity, elements, method, tolerance) for drop in drops])
        theirs = (time.process_time() - start) * n / sample
        its = apart(loop)
        worse = "" if its[0] <= mine[0] and its[1] <= mine[1] else " (worse than ours)"
        print(
            f"  solve_ivp loop, {method} at {tolerance:g}: {theirs:.0f} s (from {sample} draws), {theirs / ours:.0f} "
            f"times as long; at most {_errors(its)}{worse}"
        )
    start = time.process_time()
    predict(mass, c1, c2, mechanics="waves", viscosity=viscosity)
    print(f"waves, {10 * n} draws: {time.process_time() - start:.1f} s")


def _errors(apart: tuple[float, float]) -> str:
    return f"{1000 * apart[0]:.2g} mm in lowest point, {100 * apart[1]:.2g} % in peak g"

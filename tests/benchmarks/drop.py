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
from functools import partial

import numpy as np
from scipy.integrate import solve_ivp

from cordlab.curves.models import Curve
from cordlab.mechanics.fall import DropSetup, fall_speed
from cordlab.mechanics.predict import predict_drop
from cordlab.mechanics.waves import CROSSINGS, SMOOTHING
from tests.wave_reference import reference_drop

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
    force: Callable, mass: float, viscosity: float, elements: int, method: str, tolerance: float
) -> tuple[float, float]:
    """Lowest point [m] and peak g by solve_ivp over a chain of lumps, followed as long as `swing` of `waves`.

    The load's low-pass is one more state of the equations, under the same tolerance; its peak is read at the steps.
    """
    d, half, lump = LENGTH / elements, CORD_MASS / elements / 2, np.full(elements, CORD_MASS / elements)
    lump[-1] = half + mass
    # speed and place of a lump lie side by side, so that LSODA may be told of the band
    state = np.zeros(2 * elements + 1)
    state[1:-1:2] = d * np.arange(1, elements + 1)
    setup = DropSetup(mass, LENGTH, CORD_MASS, 0.5, 1.2, 0.0, 0.0, G)
    state[-3] = float(fall_speed(setup, LENGTH)) * mass / lump[-1]

    def motion(_, state):
        v, y, read = state[:-1:2], state[1:-1:2], state[-1]
        stretch = np.diff(y, prepend=0.0) / d
        pull = force(stretch) + viscosity * np.diff(v, prepend=0.0) / d
        pull = np.where(stretch > 1, np.maximum(pull, 0.0), 0.0)
        net = np.append(pull[1:], DRAG * -v[-1] * abs(v[-1])) - pull
        upward = pull[-1] + half * net[-1] / lump[-1]
        rates = np.empty_like(state)
        rates[:-1:2], rates[1:-1:2], rates[-1] = net / lump + G, v, (upward - read) / SMOOTHING
        return rates

    def turned(_, state):
        return state[-3]

    turned.terminal, turned.direction = True, -1
    options = {"method": method, "rtol": tolerance, "atol": tolerance * 10}
    if method == "LSODA":
        options |= {"lband": 4, "uband": 4}
    down = solve_ivp(motion, (0, 20), state, events=turned, **options)
    crossing = np.sqrt(CORD_MASS * LENGTH / (force(np.array([1.00001]))[0] / 1e-5))
    on = solve_ivp(motion, (0, CROSSINGS * crossing), down.y[:, -1], **options)
    return down.y[-2, -1], max(down.y[-1].max(), on.y[-1].max()) / (mass * G)


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


ACCURACY = 0.010, 0.003  # of lowest points [m] and of peak g, against the fine reference
LOOPS = (("RK23", 1e-3), ("LSODA", 1e-3), ("LSODA", 3e-4), ("LSODA", 1e-4))
CURVES = {  # parameters of invented draws: about these, 2 % either way, each by itself
    "mooney-rivlin": {"c1": 280.0, "c2": 70.0},
    "gent": {"mu": 600.0, "j": 40.0},
    "ogden-2": {"mu1": 300.0, "alpha1": 2.0, "mu2": -50.0, "alpha2": -2.0},
    "spline": {"slope_1": 2000.0, "slope_1_5": 900.0, "slope_2": 650.0, "slope_5": 750.0},
}


def plain_force(name: str, values: dict[str, float]) -> Callable:
    """The force of a curve as one would write it for a loop, without the library."""
    p = list(values.values())
    if name == "spline":
        knots = np.array([1.0, 1.5, 2.0, 5.0])
        at_knots = np.append(0.0, np.cumsum(np.diff(knots) * (np.array(p[1:]) + p[:-1]) / 2))
        rates = np.append(np.diff(p) / np.diff(knots), 0.0)

        def spline(ratio):
            k = np.searchsorted(knots, ratio, side="right") - 1
            x = ratio - knots[k]
            return at_knots[k] + x * (np.array(p)[k] + rates[k] * x / 2)

        return spline
    forces = {
        "mooney-rivlin": lambda r: 2 * (r - r**-2) * (p[0] + p[1] / r),
        "gent": lambda r: p[0] * (r - r**-2) * p[1] / (p[1] - r**2 - 2 / r + 3),
        "ogden-2": lambda r: (
            p[0] * (r ** (p[1] - 1) - r ** (-p[1] / 2 - 1)) + p[2] * (r ** (p[3] - 1) - r ** (-p[3] / 2 - 1))
        ),
    }
    return forces[name]


def waves(n: int = 1000, sample: int = 20, viscosity: float = 5.0, rounds: int = 5) -> None:
    mass, options = draws(10 * n)[0], {"mechanics": "waves", "viscosity": viscosity}
    first, _ = timed(lambda: predict(mass[:1], rubber(280.0, 70.0), **options))
    print(f"waves, compiled by numba or taken from its cache: {first:.1f} s once, not counted below")
    for name, centre in CURVES.items():
        rng = np.random.default_rng(20)
        values = {key: value * rng.normal(1, 0.02, 10 * n) for key, value in centre.items()}
        curve, many = Curve(name, {key: value[:n] for key, value in values.items()}), Curve(name, values)
        prediction = predict(mass[:n], curve, **options)
        forces = [plain_force(name, {key: float(value[k]) for key, value in values.items()}) for k in range(sample)]
        setups = [DropSetup(float(mass[k]), LENGTH, CORD_MASS, 0.5) for k in range(sample)]
        curves = [Curve(name, {key: float(value[k]) for key, value in values.items()}) for k in range(sample)]
        exact = [reference_drop(one, its, viscosity)[:2] for one, its in zip(curves, setups, strict=True)]
        exact = np.array(exact) / np.stack([np.ones(sample), mass[:sample] * G], axis=1)
        off = _apart(np.stack([prediction.lowest_point, prediction.g], axis=1)[:sample], exact)
        print(f"{name}, {n} draws: {prediction.counts()}; off by {_errors(off)} from 400 lumps by LSODA")
        ours, taken, ratios = partial(predict, mass[:n], curve, **options), [], {}
        for elements in (24, 40):
            for method, tolerance in LOOPS:

                def loop(elements=elements, method=method, tolerance=tolerance, forces=forces) -> np.ndarray:
                    drops = zip(forces, mass, strict=False)
                    return np.array(
                        [chain_in_time(force, float(m), viscosity, elements, method, tolerance) for force, m in drops]
                    )

                off = _apart(loop(), exact)
                loop_name = f"{elements} lumps, {method} at {tolerance:g}"
                if any(error > allowed for error, allowed in zip(off, ACCURACY, strict=True)):
                    print(f"  solve_ivp loop, {loop_name}: off by {_errors(off)}: not close enough")
                    continue
                # one right after the other, since the speed of a shared machine drifts
                pairs = [(timed(ours)[0], timed(loop)[0]) for _ in range(rounds)]
                own, theirs = np.transpose(pairs)
                taken += list(own)
                ratios[loop_name] = theirs * n / sample / own
                print(
                    f"  solve_ivp loop, {loop_name}: off by {_errors(off)}; takes {np.median(ratios[loop_name]):.0f} "
                    f"times as long ({rounds} times {sample} draws)"
                )
        cheapest = min(ratios, key=lambda loop: np.median(ratios[loop]))
        least, middle, most = np.quantile(ratios[cheapest], [0, 0.5, 1])
        print(
            f"  the cheapest loop that is close enough ({cheapest}) takes {middle:.0f} times as long "
            f"({least:.0f} to {most:.0f}); {n} draws take {1000 * np.median(taken):.0f} ms"
        )
        taken = [timed(lambda many=many: predict(mass, many, **options))[0] for _ in range(rounds)]
        print(f"  {10 * n} draws: {np.median(taken):.2f} s ({min(taken):.2f} to {max(taken):.2f})")
    tracemalloc.start()
    for count in (n, 10 * n):
        tracemalloc.reset_peak()
        predict(mass[:count], rubber(*(280.0 * np.ones(count), 70.0 * np.ones(count))), **options)
        print(f"waves, {count} draws: {tracemalloc.get_traced_memory()[1] / 2**20:.0f} MiB at most (answer included)")
    tracemalloc.stop()


def _apart(found: np.ndarray, exact: np.ndarray) -> tuple[float, float]:
    off = np.abs(found - exact)
    return off[:, 0].max(), (off[:, 1] / exact[:, 1]).max()


def _errors(apart: tuple[float, float]) -> str:
    return f"{1000 * apart[0]:.2g} mm in lowest point, {100 * apart[1]:.2g} % in peak g"

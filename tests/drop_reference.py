"""Random invented drops over every model, and their lowest points by scipy's DOP853 along the stretch."""

from itertools import pairwise

import numpy as np
from scipy.integrate import solve_ivp

from cordlab.curves.models import Curve, model
from cordlab.mechanics.fall import DropSetup, fall_energy

RANGES: dict[str, dict[str, tuple[float, float]]] = {  # invented, about ordinary cords; Gent and Arruda–Boyce lock up
    "linear": {"stiffness": (700, 2500)},
    "polynomial": {"p1": (1500, 2500), "p2": (-500, -200), "p3": (80, 150)},
    "mooney-rivlin": {"c1": (200, 400), "c2": (0, 150)},
    "yeoh": {"c1": (250, 400), "c2": (-4, 2), "c3": (0.02, 0.2)},
    "ogden-1": {"mu1": (200, 500), "alpha1": (1.5, 3)},
    "ogden-2": {"mu1": (200, 500), "alpha1": (1.5, 3), "mu2": (-100, -10), "alpha2": (-3, -1)},
    "ogden-3": {
        "mu1": (200, 500),
        "alpha1": (1.5, 3),
        "mu2": (-100, -10),
        "alpha2": (-3, -1),
        "mu3": (0.01, 1),
        "alpha3": (4, 6),
    },
    "gent": {"mu": (300, 700), "j": (8, 60)},
    "arruda-boyce": {"mu": (300, 700), "lambda_lock": (2.0, 5)},
    "spline": {"slope_1": (1800, 2200), "slope_1_5": (700, 1100), "slope_2": (500, 800), "slope_5": (600, 900)},
}


def random_drops(name: str, n: int, seed: int) -> tuple[Curve, dict[str, np.ndarray]]:
    """n curves of a model and n set-ups: heavy and light cords, drag up to 2.5 m², releases on both sides of 0."""
    rng = np.random.default_rng(seed)
    parameters = {key: rng.uniform(*span, n) for key, span in RANGES[name].items()}
    setup = {
        "mass": rng.uniform(36, 110, n),
        "slack_length": rng.uniform(5, 20, n),
        "cord_mass": rng.choice([0.0, 1.0], n, p=[0.1, 0.9]) * rng.uniform(0.1, 25, n),
        "drag_area": rng.choice([0.0, 0.1, 2.5], n) * rng.uniform(0.5, 1, n),
        "release_depth": rng.uniform(-3, 4, n),
        "compliance": rng.choice([0.0, 1e-5, 1e-4], n),
    }
    return Curve(model(name).matching(parameters), parameters), setup


def one(curve: Curve, k: int) -> Curve:
    return Curve(curve.model, {name: value[k] for name, value in curve.parameters.items()})


def lowest_by_dop853(curve: Curve, *, rtol: float = 1e-12, **setup: float) -> float:
    """Lowest point [m] of one drop: dK/dX of DEVELOPERS.md by DOP853 from knot to knot; inf where it does not stop."""
    its = DropSetup(air_density=1.2, gravity=9.80665, **setup)
    slack, compliance = float(its.slack_length), float(its.compliance)
    start = float(fall_energy(its, its.slack_length))
    weight, kappa = float(its.hung_weight), 2 * float(its.drag) / float(its.moving_mass)

    def rate(x, kinetic):
        force, slope = float(curve.force(1 + x / slack)), float(curve.slope(1 + x / slack))
        return [(weight - force - kappa * kinetic[0]) * (1 + compliance * slope / slack)]

    def stopped(_, kinetic):
        return kinetic[0]

    stopped.terminal, stopped.direction = True, -1
    end = (min(0.98 * float(curve.lock_up), 20.0) - 1) * slack
    knots = [(knot - 1) * slack for knot in getattr(curve.model, "knots", [])]
    edges, kinetic = [0.0, *[knot for knot in knots if 0 < knot < end], end], [start]
    for low, high in pairwise(edges):
        run = solve_ivp(rate, (low, high), kinetic, method="DOP853", rtol=rtol, atol=rtol * start, events=stopped)
        if run.t_events[0].size:
            x = run.t_events[0][0]
            return slack + x + compliance * float(curve.force(1 + x / slack))
        kinetic = run.y[:, -1]
    return np.inf

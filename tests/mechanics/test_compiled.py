"""The chain compiled by numba against the chain as it is written in `waves`."""

import subprocess
import sys
from importlib.util import find_spec

import numpy as np
import pytest
from numpy.testing import assert_allclose

from cordlab.curves.models import Curve
from cordlab.mechanics import waves
from cordlab.mechanics.secant import MooneyRivlinSecant
from cordlab.mechanics.setup import DropSetup, Outcome

pytestmark = [
    pytest.mark.alone,
    pytest.mark.skipif(find_spec("numba") is None, reason="numba is not installed: pip install -e '.[fast]'"),
]

N = 48
_rng = np.random.default_rng(11)
SCALE = _rng.uniform(0.6, 1.6, N)
CURVES = [
    Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}, SCALE),
    Curve("yeoh", {"c1": 300.0, "c2": -2.0, "c3": 0.05}, SCALE),
    Curve("linear", {"stiffness": 900.0}, SCALE),
    Curve("polynomial", {"p1": 900.0, "p2": -100.0, "p3": 50.0}, SCALE),
]


def random_setup(**given) -> DropSetup:
    """Invented; drag up to that of a parachute's tenth, every second tie point gives way."""
    drawn = {
        "mass": _rng.uniform(30, 150, N),
        "slack_length": _rng.uniform(5, 20, N),
        "cord_mass": _rng.uniform(8, 30, N),
        "drag_area": 10 ** _rng.uniform(-1, 0.5, N),
        "air_density": 1.2,
        "release_depth": _rng.uniform(-5, 5.5, N),
        "compliance": np.where(np.arange(N) % 2, 0.0, 10 ** _rng.uniform(-6, -3, N)),
        "gravity": 9.80665,
    }
    return DropSetup(*(np.asarray(value, dtype=float) for value in (drawn | given).values()))


def both(setup: DropSetup, curve: Curve, viscosity: np.ndarray) -> tuple[waves.Swing, waves.Swing]:
    assert waves._compiled() is not None
    assert waves._compiled().covers(curve)
    with np.errstate(all="ignore"), pytest.MonkeyPatch.context() as patch:
        found = waves.swing(setup, curve, viscosity, N)
        patch.setattr(waves, "_compiled", lambda: None)
        return found, waves.swing(setup, curve, viscosity, N)


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: curve.model.name)
def test_compiled_is_the_same_chain(curve, monkeypatch):
    """With steps solved to the end, so that rounding does not decide how far.

    In cords ten times as viscous as rubber's, rounding decides still, in both: from which step on an element at the
    wave's front is taut, and when a cord that creeps to its lowest point stops.
    """
    monkeypatch.setattr(MooneyRivlinSecant, "quadratic", 1e-9)  # and so of the classes made from it
    viscosity = _rng.choice([0.0, 5.0, 20.0, 200.0, 2000.0], N)
    found, expected = both(random_setup(), curve, viscosity)
    creeps = np.any([(each.time > 30) & np.isfinite(each.time) for each in (found, expected)], axis=0)
    assert_allclose(found.outcome[~creeps], expected.outcome[~creeps])
    ok = np.isfinite(expected.stretch) & ~creeps
    assert ok.sum() > 0.6 * N
    for name in ("stretch", "ratio", "lower_load", "tie_load"):
        off = np.abs(getattr(found, name)[ok] / getattr(expected, name)[ok] - 1)
        assert off[viscosity[ok] < 50].max() < 1e-6
        assert np.mean(off < 1e-9) > 0.9
    for name in ("time", "lower_load_time", "tie_load_time"):
        off = np.abs(getattr(found, name)[ok] / getattr(expected, name)[ok] - 1)
        assert np.mean(off < 1e-9) > 0.8


def test_ends_of_draws_are_the_same():
    """Further than the search goes, released stretched, a curve that sinks on the way."""
    length, depth = 10.0, np.where(np.arange(N) % 3, 0.0, 10.5)
    curve = Curve("mooney-rivlin", {"c1": np.where(np.arange(N) % 2, 0.5, 280.0), "c2": 70.0})
    found, expected = both(random_setup(slack_length=length, release_depth=depth), curve, np.asarray(5.0))
    assert_allclose(found.outcome, expected.outcome)
    assert {Outcome.OK, Outcome.RELEASED_STRETCHED, Outcome.NO_LOWEST_POINT} <= set(found.outcome)
    assert (np.isfinite(found.stretch) == (found.outcome <= Outcome.NOT_RISING)).all()
    sinking = Curve("polynomial", {"p1": 3000.0, "p2": -2000.0, "p3": 400.0})
    found, expected = both(random_setup(slack_length=length), sinking, np.asarray(20.0))
    assert_allclose(found.outcome, expected.outcome)
    assert Outcome.NOT_RISING in found.outcome


def test_draws_do_not_depend_on_each_other():
    setup = random_setup()
    together = waves.swing(setup, CURVES[1], np.asarray(5.0), N)
    alone = waves.swing(setup.take(np.arange(3)), Curve("yeoh", CURVES[1].parameters, SCALE[:3]), np.asarray(5.0), 3)
    assert_allclose(np.array(alone[:-1]), np.array(together[:-1])[:, :3], rtol=0)


def test_numba_that_fails_is_told_once_and_drops_go_on():
    program = """
import sys, types, warnings
sys.modules["numba"] = types.ModuleType("numba")  # without njit
sys.modules["numba"].__spec__ = types.SimpleNamespace()
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop
with warnings.catch_warnings(record=True) as told:
    warnings.simplefilter("always")
    for _ in range(2):
        drop = predict_drop(Curve("linear", {"stiffness": 900.0}), mass=80.0, slack_length=10.0, cord_mass=14.0,
                            mechanics="waves")
print([str(each.message) for each in told if "numba" in str(each.message)].__len__(), drop.counts())
"""
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ran.stdout.split(maxsplit=1) == ["1", "{'ok': 1}\n"]

"""A curve from lowest points alone: what made the drops is fit again, through drag, rig and a heavy cord."""

from types import SimpleNamespace

import numpy as np
import pytest

from cordlab.batch.drop_table import Evidence
from cordlab.batch.fit import FitError
from cordlab.batch.lowest_points import STRAIGHT, fit_lowest_points, fit_without_records
from cordlab.batch.viscosity import Viscosity
from cordlab.curves.models import Curve
from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.limits.wave_effects import wave_loads
from cordlab.mechanics.predict import predict_drop
from cordlab.units import Measured
from tests.invented import mooney_rivlin
from tests.limits.test_limits import EXACT
from tests.lowest_worlds import with_waves

MASS = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
RIG = {
    "slack_length": 10.0,
    "cord_mass": 14.0,
    "drag_area": 0.3,
    "air_density": 1.2,
    "release_depth": 0.4,
    "compliance": 2e-5,
}
CURVES = {
    "linear": Curve("linear", {"stiffness": 900.0}),
    "mooney-rivlin": Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}),
    "yeoh": Curve("yeoh", {"c1": 330.0, "c2": -4.0, "c3": 0.2}),
    "gent": Curve("gent", {"mu": 600.0, "j": 40.0}),
}


@pytest.mark.parametrize("name", CURVES)
def test_the_curve_that_made_the_drops_is_found_again(name):
    """Lowest points by `predict_drop` (itself checked against scipy), with drag, sag of the rig and a release depth."""
    lowest = predict_drop(CURVES[name], mass=MASS, **RIG).lowest_point
    fit = fit_lowest_points(lowest, mass=MASS, cords=["A"] * 5, model=name, **RIG)
    assert fit.chosen.parameters == pytest.approx(CURVES[name].parameters, rel=1e-5)


def test_without_drag_a_linear_cord_by_hand():
    """W(x) = M g (L + x): a light linear cord, K (λ−1)² L / 2 = M g (L + x)."""
    stiffness = 2 * 70 * 9.80665 * 25.0 / (1.5**2 * 10)
    fit = fit_lowest_points([25.0], mass=70.0, slack_length=10.0, cords=["A"], model="linear")
    assert fit.chosen.parameters["stiffness"] == pytest.approx(stiffness, rel=1e-9)


@pytest.fixture(scope="module")
def ladder():
    """Invented: 4 cords with true scales, 5 masses each, lowest points read with sd 0.03 m."""
    rng = np.random.default_rng(3)
    true = {"A": 0.98, "B": 1.0, "C": 1.01, "D": 1 / (0.98 * 1.01)}
    cords = np.repeat(list(true), 5)
    scale = np.array([true[cord] for cord in cords])
    mass = np.tile(MASS, 4)
    lowest = predict_drop(CURVES["mooney-rivlin"].scaled(scale), mass=mass, **RIG).lowest_point
    return true, cords, mass, lowest + rng.normal(0, 0.03, 20)


def test_scales_model_and_bands_from_a_ladder(ladder):
    true, cords, mass, lowest = ladder
    fit = fit_lowest_points(lowest, mass=mass, cords=cords, **RIG)
    assert fit.chosen.scales == pytest.approx(true, rel=0.004)
    assert fit.aicc["linear"] > fit.aicc["mooney-rivlin"] + 10
    x = np.array([1.8, 3.8])
    band = fit.chosen.prediction_band(x)
    truth = CURVES["mooney-rivlin"].force(x)
    assert ((band.lower < truth) & (truth < band.upper)).all()
    assert (band.dof < 6).all()
    assert (fit.chosen.prediction_band(x, this_cord="A").upper < band.upper).all()
    np.testing.assert_allclose(
        fit.chosen.curve.force(np.linspace(2.2, 3.9, 5)),
        CURVES["mooney-rivlin"].force(np.linspace(2.2, 3.9, 5)),
        rtol=0.02,
    )


def test_too_few_masses_are_refused_by_name():
    lowest = predict_drop(CURVES["mooney-rivlin"], mass=np.array([68.0, 68.0]), **RIG).lowest_point
    with pytest.raises(FitError, match=r"yeoh: 2 lowest points of 1 cords for 3 unknowns; drop other masses"):
        fit_lowest_points(lowest, mass=68.0, cords=["A", "A"], model="yeoh", **RIG)
    assert fit_lowest_points(lowest, mass=68.0, cords=["A", "A"], **RIG).chosen.model.name == "linear"


def test_a_lowest_point_above_the_end_of_the_slack_cord_is_an_error():
    with pytest.raises(FitError, match=r"is not below the slack length"):
        fit_lowest_points([9.0, 20.0], mass=[30.0, 60.0], cords=["A", "A"], model="linear", **RIG)


def test_what_waves_do_to_lowest_points_is_taken_off_though_their_viscosity_is_not_known():
    """Four cords with stretch waves (a chain of lumps that shares no code with cordlab), lowest points alone.

    Between the masses, at a site with five times the drag, the mean cord is told to 5 cm; 8 to 18 cm off without.
    """
    cords, mass = tuple(np.repeat(list("ABCD"), 5)), np.tile(MASS, 4)
    logs, n = np.repeat([-0.01, 0.0, 0.004, 0.006], 5), mass.size
    lowest = with_waves(mooney_rivlin, mass, logs, 0.06, 0.0, 6.0)
    lowest = lowest + np.random.default_rng(1).normal(0, 0.003, n)
    zero, unknown = np.zeros(n), np.full(n, np.nan)
    drops = Evidence(
        tuple(map(str, range(n))), cords, mass, zero, lowest, zero + 0.003, zero + 10.0, zero + 14.0, unknown, unknown,
        zero, unknown,
    )  # fmt: skip
    rig, site = (SimpleNamespace(**vars(EXACT) | {"drag_area": Measured(area)}) for area in (0.1, 0.5))
    between = np.array([44.0, 60.0, 76.0, 92.0])
    true = with_waves(mooney_rivlin, between, 0 * between, 0.3, 0.0, 6.0)
    off = {}
    for viscosity in (Viscosity.unknown(), None):
        fit = fit_without_records(drops, rig=rig, model="auto", viscosity=viscosity)
        assert fit.without_waves == (viscosity is not None)
        waves = wave_loads(fit.chosen.curve, drops, rig=rig, site=site, viscosity=Viscosity.unknown())
        if viscosity is None:
            waves = waves.loads_only()
        shapes = [refits.curve for refits in fit.refits(1, seed=1)]
        assert len(shapes) == (len(fit.equals) if len(fit.equals) > 1 else 0)
        stiffness = drop_stiffness(
            fit.chosen.curve, drops, rig=rig, shapes=shapes, waves=waves.rig, bent=viscosity is not None
        )
        riders = between - site.gear_mass.value
        forecast = forecast_drop(stiffness, site=site, masses=riders, waves=waves.site, draws=64)
        off[viscosity is not None] = forecast.estimate("lowest_point") - true
    assert np.abs(off[True]).max() < 0.05
    assert np.abs(off[False]).max() > 0.08
    assert STRAIGHT not in [other.model.name for other in fit.equals]

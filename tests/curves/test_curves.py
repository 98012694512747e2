"""The force–elongation models: closed forms against each other, against published forms and parameters."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from cordlab.curves.models import Curve, Polynomial, Spline, differences, inverse_langevin, model, models
from tests.conftest import printed, published_csv

EXAMPLES = {
    "linear": {"stiffness": 900.0},
    "polynomial": {"p1": 1800.0, "p2": -700.0, "p3": 130.0},
    "mooney-rivlin": {"c1": 280.0, "c2": 70.0},
    "yeoh": {"c1": 350.0, "c2": -9.0, "c3": 0.3},
    "ogden-1": {"mu1": 500.0, "alpha1": 1.7},
    "ogden-2": {"mu1": 400.0, "alpha1": 1.6, "mu2": -90.0, "alpha2": -1.8},
    "ogden-3": {"mu1": 400.0, "alpha1": 1.3, "mu2": 0.8, "alpha2": 5.0, "mu3": -6.0, "alpha3": -2.0},
    "gent": {"mu": 700.0, "j": 25.0},
    "arruda-boyce": {"mu": 700.0, "lambda_lock": 3.4},
    "spline": {"slope_1": 2000.0, "slope_1_5": 900.0, "slope_2": 600.0, "slope_3": 550.0, "slope_4": 800.0},
}
STRETCH = np.array([1.0, 1.0004, 1.07, 1.5, 1.9, 2.6, 3.3, 3.99])


@pytest.fixture(params=models())
def curve(request) -> Curve:
    return Curve(request.param, EXAMPLES[request.param])


def test_energy_is_the_integral_of_the_force(curve):
    knots = getattr(curve.model, "knots", None)
    for stretch in STRETCH[1:]:
        inside = None if knots is None else [k for k in knots if 1 < k < stretch] or None
        work, _ = quad(
            lambda x: float(curve.force(x)), 1, stretch, epsabs=1e-11, epsrel=1e-13, points=inside, limit=200
        )
        assert float(curve.energy(stretch)) == pytest.approx(work, rel=1e-10, abs=1e-9)


def test_slope_is_the_derivative_of_the_force(curve):
    x, h = STRETCH[2:-1] + 0.013, 1e-3
    measured = (
        (8 * (curve.force(x + h) - curve.force(x - h)) - (curve.force(x + 2 * h) - curve.force(x - 2 * h))) / 12 / h
    )
    np.testing.assert_allclose(curve.slope(x), measured, rtol=1e-8)


def test_jacobian_is_the_derivative_by_each_parameter(curve):
    jacobian = curve.model.jacobian(STRETCH, curve.parameters)
    for row, parameter in zip(jacobian, curve.model.parameters, strict=True):
        value, h = curve.parameters[parameter.name], 1e-3 * abs(curve.parameters[parameter.name])

        def force(v, name=parameter.name):
            return curve.model.force(STRETCH, dict(curve.parameters) | {name: v})

        measured = (8 * (force(value + h) - force(value - h)) - (force(value + 2 * h) - force(value - 2 * h))) / 12 / h
        np.testing.assert_allclose(row, measured, rtol=1e-7, atol=1e-8 * np.abs(measured).max())


def test_a_slack_cord_has_no_force_and_no_energy(curve):
    slack = np.array([0.2, 0.999, 1.0])
    assert (curve.force(slack) == 0).all()
    assert (curve.energy(slack) == 0).all()
    assert (curve.slope(slack[:2]) == 0).all()
    assert curve.slope(1.0) > 0


def test_draws_lie_along_the_last_axis(curve):
    spread = np.array([0.98, 1.0, 1.03])
    draws = Curve(curve.model, {name: value * spread for name, value in curve.parameters.items()})
    force, energy = draws.force(STRETCH[:, None]), draws.energy(STRETCH[:, None])
    jacobian = curve.model.jacobian(STRETCH[:, None], draws.parameters)
    assert force.shape == energy.shape == jacobian.shape[1:] == (len(STRETCH), 3)
    np.testing.assert_allclose(force[:, 1], curve.force(STRETCH), rtol=1e-14)
    np.testing.assert_allclose(energy[:, 1], curve.energy(STRETCH), rtol=1e-13)
    assert draws.lock_up.shape == draws.rises_to(3.0).shape == (3,)


def test_scale_multiplies_force_and_energy(curve):
    softer = curve.scaled(0.9).scaled(np.array([1.0, 2.0]))
    np.testing.assert_allclose(softer.force(2.5), curve.force(2.5) * np.array([0.9, 1.8]))
    np.testing.assert_allclose(softer.energy(2.5), curve.energy(2.5) * np.array([0.9, 1.8]))


@pytest.mark.parametrize("name", ["gent", "arruda-boyce", "spline"])
def test_lock_up_is_a_hard_edge(name):
    curve = Curve(name, EXAMPLES[name])
    edge = float(curve.lock_up)
    assert np.isfinite(curve.force(edge * (1 - 1e-9)))
    beyond = edge * np.array([1 + 1e-12, 1.01, 3.0])
    assert (curve.force(beyond) == np.inf).all()
    assert (curve.energy(beyond) == np.inf).all()
    assert curve.rises_to(0.99 * edge) == 0.99 * edge
    assert edge - 2 * edge / 1200 <= curve.rises_to(2 * edge) < edge


def test_start_values_lie_inside_the_bounds_and_near_the_data(curve):
    stretch = np.linspace(1.01, 3.8, 60)
    force = curve.force(stretch)
    family = curve.model.placed(stretch)
    start = family.start(stretch, force)
    assert all(p.lower <= start[p.name] <= p.upper for p in family.parameters)
    misfit = np.sqrt(np.mean((family.force(stretch, start) - force) ** 2))
    assert misfit < 0.06 * force.max()


def test_rising_of_draws_and_where_a_single_curve_turns_down():
    """Yeoh with c3 = 0 turns where F' = 0; a parabola at its top."""
    falling = {"c1": np.array([300.0, 300.0]), "c2": np.array([0.0, -20.0]), "c3": np.array([0.0, 0.0])}
    assert (Curve("yeoh", falling).rises_to(4.0) == 4.0).tolist() == [True, False]
    assert Curve("yeoh", falling).rises_to(2.0).tolist() == [2.0, 2.0]
    assert Curve("polynomial", {"p1": 900.0, "p2": -200.0}).rises_to(6.0) == pytest.approx(3.25, abs=5.01 / 1200)
    yeoh = Curve("yeoh", {"c1": 300.0, "c2": -20.0, "c3": 0.0})
    top = brentq(yeoh.slope, 1.5, 4.0)
    assert top - 3 / 1200 <= yeoh.rises_to(4.0) <= top
    assert yeoh.rises_to(top - 0.01) == top - 0.01


def test_ogden_terms_of_two_and_minus_two_are_mooney_rivlin():
    """Ogden, Proc. R. Soc. A 326 (1972): α = 2, μ = 2c1 and α = −2, μ = −2c2."""
    ogden = model("ogden-2").force(STRETCH, {"mu1": 560.0, "alpha1": 2.0, "mu2": -140.0, "alpha2": -2.0})
    np.testing.assert_allclose(ogden, model("mooney-rivlin").force(STRETCH, EXAMPLES["mooney-rivlin"]), atol=1e-10)


def test_gent_and_arruda_boyce_become_neo_hookean_when_lock_up_is_far():
    """The limit of both for infinitely long chains: μ(λ − λ⁻²); 3/(5N) is the first correction of the eight-chain."""
    hooke = STRETCH - STRETCH**-2.0
    np.testing.assert_allclose(model("gent").force(STRETCH, {"mu": 1.0, "j": 1e4}), hooke, rtol=2e-3)
    np.testing.assert_allclose(model("arruda-boyce").force(STRETCH, {"mu": 1.0, "lambda_lock": 50.0}), hooke, rtol=2e-3)


def test_inverse_langevin_against_a_bracketed_root():
    for x in (0.02, 0.1, 0.37, 0.7, 0.95, 0.9999):
        root = brentq(lambda b, x=x: 1 / np.tanh(b) - 1 / b - x, 1e-3, 1e6, xtol=1e-13, rtol=1e-14)
        assert inverse_langevin(np.array(x)) == pytest.approx(root, rel=1e-11)


def test_published_ogden_parameters_against_the_data_of_treloar():
    """Ogden 1972's three terms on Treloar 1944, kgf/cm²; how near they come is what `sources.toml` recomputed."""
    data = published_csv("treloar-1944.csv").query("test == 'uniaxial' and stretch > 1")
    names = ("mu1", "alpha1", "mu2", "alpha2", "mu3", "alpha3")
    ogden = Curve("ogden-3", {name: printed("treloar-ogden-1972", name).value for name in names})
    off = ogden.force(data["stretch"].to_numpy()) / data["nominal stress [kgf/cm^2]"].to_numpy() - 1
    low = data["stretch"].to_numpy() < 7.1
    assert np.abs(off[low]).max() < 0.125
    assert np.sqrt(np.mean(off[low] ** 2)) == pytest.approx(0.046, abs=0.0005)
    assert off[-1] == pytest.approx(-0.20, abs=0.005)
    assert ogden.slope(1.0) / 3 == pytest.approx(4.225)  # the small-strain shear modulus, a third of Young's


def test_published_eight_chain_parameters_against_the_data_of_treloar():
    """Arruda & Boyce 1993 on Treloar 1944; lock-up stretch and misfit as `sources.toml` recomputed them."""
    data = published_csv("treloar-1944.csv").query("test == 'uniaxial' and stretch > 1")
    mu = printed("treloar-arruda-boyce-1993", "C_R").value / 0.0980665  # MPa → kgf/cm²
    chain = Curve("arruda-boyce", {"mu": mu, "lambda_lock": printed("treloar-arruda-boyce-1993", "N").value ** 0.5})
    off = chain.force(data["stretch"].to_numpy()) / data["nominal stress [kgf/cm^2]"].to_numpy() - 1
    assert float(chain.lock_up) == pytest.approx(8.904, abs=5e-4)
    assert np.abs(off[data["stretch"] > 2]).max() == pytest.approx(0.13, abs=0.005)
    assert off.min() == pytest.approx(-0.36, abs=0.005)


def test_a_curve_named_in_a_file_keeps_its_knots_and_its_degree():
    assert Curve("spline", {"slope_1": 5.0, "slope_2_5": 7.0}).model.knots.tolist() == [1.0, 2.5]
    assert Curve("polynomial", {"p1": 5.0, "p2": 7.0}).force(2.0) == 12.0
    assert isinstance(Curve("polynomial", {"p1": 5.0, "p2": 7.0}).model, Polynomial)


def test_messages_say_what_there_is():
    with pytest.raises(ValueError, match=r"no force–elongation model is called 'hooke'; there are: linear, polynomial"):
        model("hooke")
    with pytest.raises(ValueError, match=r"gent takes the parameters mu, j; got mu, J"):
        Curve("gent", {"mu": 1.0, "J": 2.0})
    with pytest.raises(ValueError, match=r"the knots of a spline rise from 1"):
        Spline([1.2, 2.0])


@pytest.mark.parametrize("name", ["ogden-1", "ogden-2", "ogden-3", "gent"])
def test_inner_coordinates_lead_back_and_have_the_slopes_of_differences(name):
    """Ogden's are the force of each term at one stretch, which add up to the force there."""
    family, at, grid = model(name), 2.4, np.linspace(1.2, 4, 7)
    values = np.array(family.values(EXAMPLES[name]))
    inner = family.inner(values, at)
    np.testing.assert_allclose(family.outer(inner, at), values, rtol=1e-12)
    if name != "gent":
        assert inner[::2].sum() == pytest.approx(float(family.force(at, EXAMPLES[name])))
    slopes = family.inner_jacobian(family.jacobian(grid, EXAMPLES[name]), values, at)

    def force(draws):
        return family.force(grid[:, None], family.by_name(family.outer(draws, at)))

    np.testing.assert_allclose(slopes.T, differences(force, inner), rtol=1e-6, atol=1e-6)

"""The cord resolved along its length: wave speed, impedance and impact in closed form, energy, grid, and limits."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from cordlab.curves.models import Curve
from cordlab.mechanics.predict import Outcome, predict_drop, trace_drop
from cordlab.mechanics.secant import Secant, secant_of
from cordlab.mechanics.setup import DropSetup
from cordlab.mechanics.waves import Chain, swing
from tests.benchmarks.drop import chain_in_time

CORD = {"slack_length": 10.0, "cord_mass": 14.0, "drag_area": 0.1}  # an invented all-rubber cord
RUBBER = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})


@pytest.fixture(scope="module")
def impact():
    """A mass pulling on an elastic bar fixed at its far end, weightless: mass and load in time, and the closed form.

    Saint-Venant; Timoshenko and Goodier, Theory of Elasticity, longitudinal impact of bars (from memory; derived anew:
    with T = 2L/c and β = Z/M the load at the struck end is Zv e^{−βt} up to T, then
    Zv [e^{−βt} + 2 e^{−β(t−T)} (1 − β(t−T))] up to 2T, greatest just after T: Zv (2 + e^{−βT})).
    """
    mass, slack, cord, stiffness, speed = 56.0, 10.0, 14.0, 2100.0, 6.0
    impedance, crossing = np.sqrt(stiffness * cord / slack), np.sqrt(cord * slack / stiffness)
    setup = DropSetup(mass, slack, cord, 0.0, 1.2, 0.0, 0.0, 1e-9)
    chain = Chain(setup, Curve("linear", {"stiffness": stiffness}), np.asarray(0.0), elements=320)
    chain.speed[-1] = speed * mass / chain.lump[-1]
    chain.time = np.zeros(1)
    rows = []
    while chain.time[0] < 3.9 * crossing:
        chain.step()
        rows.append((chain.time[0], chain.speed[-1, 0], chain.lower_load[0], chain.tie_load[0]))
    t, v, lower, tie = np.array(rows).T
    beta, late = impedance / mass, np.maximum(t - 2 * crossing, 0)
    first, second = np.exp(-beta * t), np.where(t > 2 * crossing, np.exp(-beta * late), 0.0)
    expected_load = impedance * speed * (first + 2 * second * (1 - beta * late))
    expected_speed = speed * (first - 2 * beta * late * second)
    return t / crossing, v / speed, lower, tie, expected_load, expected_speed / speed, impedance * speed


def test_load_jumps_by_impedance_times_speed(impact):
    """As the slack ends: √(F' m/L) v, then it decays as the mass slows."""
    t, _, lower, _, expected, _, jump = impact
    window = (t > 0.2) & (t < 1.8)
    assert_allclose(lower[window].mean(), expected[window].mean(), rtol=2e-3)
    assert_allclose(expected[0], jump, rtol=5e-3)


def test_the_jump_arrives_at_the_tie_point_after_one_crossing(impact):
    """L/c with c = √(F' L/m) in slack metres a second; there it doubles."""
    t, _, _, tie, _, _, jump = impact
    assert np.abs(tie[t < 0.9]).max() < 0.02 * jump
    assert_allclose(t[np.argmax(tie > jump)], 1.0, atol=0.02)
    assert_allclose(
        tie[(t > 1.1) & (t < 1.9)].mean(), 2 * jump * np.exp(-0.25 * (np.array([0.1, 0.9]))).mean(), rtol=0.01
    )


def test_impact_on_an_elastic_bar_through_its_first_reflection(impact):
    t, v, lower, _, expected_load, expected_speed, jump = impact
    clear = np.abs(t - 2) > 0.1  # of the reflected front, which lumps spread over a few of their lengths
    assert_allclose(v[clear], expected_speed[clear], atol=1e-3)
    window = (t > 2.2) & (t < 3.8)
    assert_allclose(lower[window].mean(), expected_load[window].mean(), rtol=3e-3)
    just_after = (t > 2.1) & (t < 2.5)
    assert_allclose(lower[just_after].mean(), expected_load[just_after].mean(), rtol=0.01)
    assert expected_load.max() == pytest.approx(jump * (2 + np.exp(-0.5)), rel=0.01)


class Accounted(Chain):
    """A chain that says where its energy is, from the moment the slack ends; each of shape (n,) [J].

    What viscosity takes, and what is not carried in compression, is told from the curve's energy and the changes alone.
    """

    drag_loss, damping_loss = 0.0, 0.0

    def _accept(self, tension, move, change, ratio):
        with np.errstate(invalid="ignore"):  # locked up
            stored = self.curve.energy(ratio) - self.curve.energy(self.ratio)
        before, dt = self.changes, self.step_time
        drawn_out = self.ratio + (3 * (before[0] - before[1]) + before[2]) / 2
        damped = np.where(drawn_out > 1, self.viscosity / dt, 0.0) * change**2
        pushing = (stored + damped) * change < 0
        self.damping_loss = self.damping_loss + np.where(pushing, -stored, damped).sum(axis=0) * self.length
        self.drag_loss = self.drag_loss + self.setup.drag * np.abs(move[-1]) * move[-1] ** 2 / dt**2
        super()._accept(tension, move, change, ratio)

    @property
    def kinetic(self):
        return (self.lump * self.speed**2).sum(axis=0) / 2

    @property
    def total(self):
        strain = self.curve.energy(self.ratio).sum(axis=0) * self.length
        rig = self.position[0] ** 2 / (2 * np.where(self.setup.compliance > 0, self.setup.compliance, np.inf))
        gravity = -(self.lump * self.position).sum(axis=0) * self.setup.gravity
        return self.kinetic + strain + rig + gravity + self.drag_loss + self.damping_loss


@pytest.mark.parametrize("viscosity", [0.0, 5.0, 20.0, 2000.0])
def test_energy_account_closes(viscosity):
    """Kinetic, strain, rig, gravity, drag and damping: to a millionth of what the mass brings, through the rebound."""
    setup = DropSetup(np.array([36.0, 100.0, 100.0]), 10.0, 14.0, 0.5, 1.2, 0.0, np.array([0.0, 0.0, 1e-4]), 9.80665)
    chain = Accounted(setup, RUBBER, np.asarray(viscosity))
    brought, at_first, off = chain.kinetic, chain.total, np.zeros(3)
    for _ in range(900):
        chain.step()
        off = np.maximum(off, np.abs(chain.total - at_first))
    assert chain.time.min() > 6
    assert (off < 1e-6 * brought).all()
    assert (chain.drag_loss > 0).all()
    assert ((chain.damping_loss > 1.0) == (viscosity > 0)).all()
    if not viscosity:  # and the scheme itself takes nothing
        assert (np.abs(chain.damping_loss) < 1e-6 * brought).all()


@pytest.mark.parametrize(
    "curve",
    [Curve("gent", {"mu": 600.0, "j": 9.0}), Curve("arruda-boyce", {"mu": 500.0, "lambda_lock": 2.2})],
    ids=lambda curve: curve.model.name,
)
def test_energy_account_closes_up_to_lock_up(curve):
    """Curves without chords in closed form, where they bend most."""
    setup = DropSetup(np.linspace(36.0, 400.0, 40), 10.0, 14.0, 0.5, 1.2, 0.0, 0.0, 9.80665)
    chain = Accounted(setup, curve, np.asarray(0.0))
    brought, at_first = chain.kinetic, chain.total
    reached, held = np.ones(40), np.ones(40, dtype=bool)
    for _ in range(250):
        chain.step()
        reached = np.maximum(reached, chain.ratio.max(axis=0))
        held &= reached <= chain.limit
        assert (np.abs(chain.total - at_first) < 1e-6 * brought)[held].all()
    assert reached[held].max() > 0.95 * curve.lock_up


@pytest.mark.parametrize(
    "curve",
    [
        RUBBER,
        Curve("yeoh", {"c1": 300.0, "c2": -2.0, "c3": 0.05}),
        Curve("linear", {"stiffness": 900.0}),
        Curve("polynomial", {"p1": 900.0, "p2": -100.0, "p3": 50.0}),
    ],
    ids=lambda curve: curve.model.name,
)
def test_chords_in_closed_form_are_those_of_the_energy(curve):
    """The secant of the energy and its derivative, taut, slack, and across the end of the slack; changes of 0 too."""
    old, new = (x.ravel()[:, None] for x in np.meshgrid([0.6, 1.0, 1.02, 2.5], [0.7, 1.0, 1.0 + 1e-3, 1.02, 1.3, 3.0]))
    limit, slack = np.array([20.0]), np.minimum(old, new) < 1
    closed, plain = secant_of(curve, limit, len(old)), Secant(curve, limit, len(old))
    assert type(closed) is not Secant
    for each in (closed, plain):
        each.go_on(old)
    for rows, some in ((np.ones_like(slack), True), (~slack, False)):
        exact, expected = closed.chord(old, new, some), plain.chord(old, new, some)
        assert_allclose(exact.force[rows], expected.force[rows], rtol=1e-9, atol=1e-9)
        moved = rows & (np.abs(new - old) > 1e-2)  # a difference of differences is no closer
        assert_allclose(exact.slope[moved], expected.slope[moved], rtol=1e-8, atol=1e-8)


def test_same_chain_by_solve_ivp():
    """Lowest point and peak g of the same lumps by DOP853 at 1e-9, with another treatment of time altogether."""
    expected, g = chain_in_time(60.0, 280.0, 70.0, 5.0, 40, "DOP853", 1e-9)
    jump = predict_drop(RUBBER, mass=60.0, mechanics="waves", viscosity=5.0, **CORD | {"drag_area": 0.5})
    assert_allclose(jump.lowest_point, expected, atol=3e-4)
    assert_allclose(jump.g, g, rtol=2e-3)


def test_light_cord_is_strained_evenly():
    setup = {"mass": 60.0, "slack_length": 10.0, "cord_mass": 0.2, "drag_area": 0.5, "compliance": 1e-4}
    uniform, waves = predict_drop(RUBBER, **setup), predict_drop(RUBBER, mechanics="waves", **setup)
    assert_allclose(waves.lowest_point, uniform.lowest_point, rtol=2e-4)
    assert_allclose(waves.stretch_ratio, uniform.stretch_ratio, rtol=2e-4)
    assert_allclose([waves.tension, waves.tie_load], [uniform.tension, uniform.tie_load], rtol=3e-2)


def test_grid_converges():
    """Halving the elements' length takes the error in lowest point to a quarter, and loads at 40 are within 0.4 %."""
    setup = DropSetup(np.array([36.0, 68.0, 100.0]), 10.0, 14.0, 0.1, 1.2, 0.0, 0.0, 9.80665)
    found = [swing(setup, RUBBER, np.asarray(5.0), 3, elements=n) for n in (10, 20, 40, 80)]
    lowest = np.abs(np.array([each.stretch for each in found[:3]]) - found[3].stretch)
    assert (lowest[0] > 3 * lowest[1]).all()
    assert (lowest[2] < 2e-3).all()
    loads = np.array([each.lower_load for each in found])
    assert_allclose(loads[2], loads[3], rtol=4e-3)


def test_g_of_an_invented_cord_exceeds_even_strain():
    """Computed values, not published, by other code with 60 and 120 lumps and viscosities of 2 to 10 N·s.

    g 3.3 to 3.6 at 36 kg where uniform strain says 3.05, about 0.3 s before the lowest point, which comes out 0.2 to
    0.6 m higher; 20 N·s leaves little of it.
    """
    mass = np.array([36.0, 68.0, 100.0])
    uniform = predict_drop(RUBBER, mass=mass, **CORD)
    waves = predict_drop(RUBBER, mass=mass, mechanics="waves", viscosity=np.array([[2.0], [10.0]]), **CORD)
    assert_allclose(waves.g[:, 0], [3.6, 3.3], atol=0.05)
    assert_allclose((waves.g / uniform.g).mean(axis=0), [1.13, 1.09, 1.04], atol=0.02)
    assert_allclose((waves.time - waves.tension_time)[:, 0], 0.33, atol=0.03)
    assert (waves.tension_time > waves.time)[:, 2].all()
    rise = uniform.lowest_point - waves.lowest_point
    assert 0.2 < rise.min() < rise.max() < 0.65
    damped = predict_drop(RUBBER, mass=mass, mechanics="waves", viscosity=20.0, **CORD)
    assert (damped.g < 1.03 * uniform.g).all()


def test_any_viscosity_is_stable():
    """More damping, less fall: no step size to choose, and nothing blows up."""
    jump = predict_drop(RUBBER, mass=68.0, mechanics="waves", viscosity=10.0 ** np.arange(-1, 5), **CORD)
    assert (jump.outcome == Outcome.OK).all()
    assert (np.diff(jump.lowest_point) < 0).all()
    assert (jump.lowest_point > 10.0).all()


def test_draws_are_independent_of_each_other():
    mass, scale = np.array([40.0, 95.0, 60.0]), np.array([1.0, 1.02, 0.97])
    setup = CORD | {"mechanics": "waves", "viscosity": 5.0, "compliance": 1e-5}
    together = predict_drop(RUBBER.scaled(scale), mass=mass, **setup)
    for k in range(3):
        alone = predict_drop(RUBBER.scaled(scale[k]), mass=mass[k], **setup)
        assert_allclose(together.lowest_point[k], alone.lowest_point, rtol=1e-6)
        assert_allclose(together.tie_load[k], alone.tie_load, rtol=1e-4)


def test_outcomes():
    curve = Curve("gent", {"mu": 600.0, "j": np.array([5.0, 40.0, 40.0])})
    setup = {
        "mass": np.array([300.0, 90.0, 90.0]),
        "release_depth": np.array([0.0, 0.0, 10.5]),
        "mechanics": "waves",
        "viscosity": 5.0,
    }
    jump = predict_drop(curve, **CORD, **setup)
    assert [Outcome(code).name for code in jump.outcome] == ["LOCK_UP", "OK", "RELEASED_STRETCHED"]
    assert (np.isinf(jump.g) == [True, False, True]).all()
    assert (np.isinf(jump.lowest_point) == [True, False, True]).all()
    with pytest.raises(ValueError, match="cord_mass"):
        predict_drop(RUBBER, mass=60.0, slack_length=10.0, mechanics="waves")
    with pytest.raises(ValueError, match="viscosity"):
        predict_drop(RUBBER, mass=60.0, mechanics="waves", viscosity=-1.0, **CORD)


def test_trace_shows_what_is_predicted():
    jump = predict_drop(RUBBER, mass=60.0, mechanics="waves", viscosity=5.0, **CORD)
    trace = trace_drop(RUBBER, mass=60.0, mechanics="waves", viscosity=5.0, duration=6.5, quiet=0.2, **CORD)
    assert_allclose(trace.turns[0], [jump.time, jump.lowest_point], rtol=1e-5)
    assert_allclose(trace.lower_load.max(), jump.tension, rtol=5e-3)
    assert_allclose(trace.tie_load.max(), jump.tie_load, rtol=5e-3)
    assert len(trace.slack_phases) == 1
    assert_allclose(trace.turns[1, 1] > 0, True)

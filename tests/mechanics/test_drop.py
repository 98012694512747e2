"""The uniform cord: closed forms, textbook problems, and scipy's DOP853; the motion in time and its bounces."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from cordlab import figures
from cordlab.curves.models import Curve, model, models
from cordlab.mechanics.fall import DropSetup, depth_at_rebound, fall_energy, fall_speed, fall_time
from cordlab.mechanics.predict import Outcome, predict_drop, scale_for_lowest_point, trace_drop, unloading_for
from cordlab.mechanics.uniform import Stretch, _search_twice, stop, take_draws
from tests.conftest import Printed, printed, published_csv
from tests.drop_reference import RANGES, lowest_by_dop853, one, random_drops
from tests.invented import invented_drop

G = 9.80665
# an invented all-rubber cord of 10 m and 14 kg, with the drag area of a stack of weights
CORD = {"slack_length": 10.0, "cord_mass": 14.0, "drag_area": 0.1}
RUBBER = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})


def linear(stiffness, slack_length):
    """A light linear cord: stiffness [N/m]."""
    return Curve("linear", {"stiffness": stiffness * slack_length})


@pytest.fixture(scope="module")
def textbook():
    """Published problems of a jumper on a light linear cord: textbook-jumps.csv, sources in sources.toml."""
    return published_csv("textbook-jumps.csv").set_index("asked")


def test_textbook_jumps_come_to_the_printed_fall(textbook):
    """Giancoli, Physics for Scientists and Engineers, 4th ed., chapter 8: 75 kg on 15 m of cord of 50 N/m."""
    row = textbook.loc["fall to lowest point"]
    jump = predict_drop(linear(50.0, 15.0), mass=75.0, slack_length=15.0, gravity=row["gravity [m/s^2]"])
    assert jump.lowest_point == printed("textbook-jumps", "giancoli_dave_fall")
    assert jump.stretch == printed("textbook-jumps", "giancoli_dave_stretch")


@pytest.mark.parametrize(
    ("problem", "weight", "gravity", "stiffness"),
    [("serway-5-79", 700.0, 9.8, "serway_5_79_stiffness"), ("web-53kg", 53 * 9.8, 9.8, "web_53kg_stiffness")],
)
def test_textbook_jumps_ask_for_the_printed_stiffness(textbook, problem, weight, gravity, stiffness):
    """Serway and Vuille, College Physics, 11th ed., problem 5.79, and a forum variant of it."""
    row = textbook.reset_index().set_index("problem").loc[problem]
    slack, fall = row["slack length [m]"], row["fall to lowest point [m]"]
    scale = scale_for_lowest_point(linear(1.0, slack), fall, mass=weight / gravity, slack_length=slack, gravity=gravity)
    assert scale == printed("textbook-jumps", stiffness)


def test_textbook_cord_cut_to_length():
    """A forum variant of Serway: load 3.657 times the weight (computed; the page's 3.67 is from rounded steps)."""
    slack, modulus = 25.1487, 5.00 / 1.65  # k L over the weight
    jump = predict_drop(Curve("linear", {"stiffness": modulus * 70 * G}), mass=70.0, slack_length=slack)
    assert jump.lowest_point == pytest.approx(55.5, abs=5e-4)
    assert jump.g == Printed("3.657")


@pytest.mark.parametrize("kappa", [0.5, 3.0, 20.0])
def test_light_linear_cord_without_drag(kappa):
    """Energy: peak load over weight is 1 + √(1 + 2κ), κ = kL/(Mg)."""
    jump = predict_drop(Curve("linear", {"stiffness": kappa * 70 * G}), mass=70.0, slack_length=12.0)
    assert_allclose(jump.g, 1 + np.sqrt(1 + 2 * kappa), rtol=1e-12)


@pytest.mark.parametrize("release", [-2.0, 0.0, 3.0])
def test_heavy_cord_without_drag_keeps_energy(release):
    """What weight and cord lose in height is stored: W(x) = Mg(L+x−y₀) + mg[(L−y₀)²/(4L) + x/2]."""
    mass, slack, cord = 60.0, 10.0, 14.0
    jump = predict_drop(RUBBER, mass=mass, slack_length=slack, cord_mass=cord, release_depth=release)
    x = jump.stretch
    given = mass * G * (slack + x - release) + cord * G * ((slack - release) ** 2 / (4 * slack) + x / 2)
    assert_allclose(slack * RUBBER.energy(1 + x / slack), given, rtol=1e-12)


def test_every_model_is_among_the_random_drops():
    assert set(RANGES) == set(models())


@pytest.mark.parametrize("name", RANGES)
def test_lowest_point_of_random_set_ups_against_dop853(name):
    """DOP853 (Hairer, Nørsett and Wanner; scipy) at rtol 1e-12 over 12 invented set-ups of each model."""
    curve, setup = random_drops(name, 12, seed=7)
    jump = predict_drop(curve, **setup)
    expected = [lowest_by_dop853(one(curve, k), **{key: v[k] for key, v in setup.items()}) for k in range(12)]
    assert_allclose(jump.lowest_point, expected, rtol=1e-9)
    assert (np.isinf(expected) == (jump.outcome > Outcome.NOT_RISING)).all()


@pytest.mark.parametrize("share", [0.9, 0.95, 0.975])
@pytest.mark.parametrize("name", ["gent", "arruda-boyce"])
def test_close_to_lock_up(name, share):
    """A mass that brings the cord to `share` of its lock-up stretch ratio, found by energy in closed form."""
    parameters = {"gent": {"mu": 600.0, "j": 12.0}, "arruda-boyce": {"mu": 600.0, "lambda_lock": 2.2}}[name]
    curve = Curve(name, parameters)
    x = 10 * (share * float(curve.lock_up) - 1)
    mass = float(10 * curve.energy(1 + x / 10)) / (G * (10 + x))
    jump = predict_drop(curve, mass=mass, slack_length=10.0)
    assert_allclose(jump.lowest_point, 10 + x, rtol=1e-9)
    assert jump.outcome == Outcome.OK
    heavier = predict_drop(curve, mass=5 * mass, slack_length=10.0)
    assert (heavier.outcome, heavier.lowest_point, heavier.g) == (Outcome.LOCK_UP, np.inf, np.inf)


def test_lowest_points_of_an_invented_cord():
    """Computed values, not published: an invented cord integrated in time by other code, printed to a centimetre."""
    masses = np.arange(36.0, 101.0, 8.0)
    jump = predict_drop(RUBBER, mass=masses, **CORD)
    assert_allclose(jump.lowest_point, [21.93, 24.03, 26.17, 28.35, 30.58, 32.86, 35.17, 37.52, 39.90], atol=6e-3)
    assert_allclose(jump.tension, [1076, 1226, 1370, 1512, 1652, 1791, 1931, 2071, 2211], atol=0.6)
    assert_allclose(jump.tie_load, [1354, 1489, 1623, 1757, 1890, 2025, 2160, 2297, 2434], atol=0.6)
    assert_allclose(jump.g, [3.05, 2.84, 2.69, 2.57, 2.48, 2.40, 2.34, 2.30, 2.25], atol=6e-3)


def test_draws_broadcast_and_equal_one_by_one():
    rng = np.random.default_rng(5)
    c1, scale, mass = rng.normal(280, 6, 9000), rng.normal(1, 0.02, 9000), np.array([[40.0], [90.0]])
    jump = predict_drop(Curve("mooney-rivlin", {"c1": c1, "c2": 70.0}, scale), mass=mass, compliance=1e-5, **CORD)
    assert jump.lowest_point.shape == (2, 9000)
    for row, column in ((0, 0), (1, 8500), (0, 8999)):
        curve = Curve("mooney-rivlin", {"c1": c1[column], "c2": 70.0}, scale[column])
        single = predict_drop(curve, mass=mass[row, 0], compliance=1e-5, **CORD)
        assert_allclose(jump.lowest_point[row, column], single.lowest_point, rtol=1e-12)
        assert_allclose(jump.tie_load[row, column], single.tie_load, rtol=1e-9)


@pytest.mark.parametrize("compliance", [0.0, 1e-4, 1e-3])
def test_scale_is_the_inverse_of_the_prediction(compliance):
    scales, masses = np.array([0.7, 0.98, 1.02, 1.4]), np.array([[36.0], [100.0]])
    setup = CORD | {"mass": masses, "compliance": compliance, "release_depth": 0.5}
    jump = predict_drop(RUBBER.scaled(scales), **setup)
    assert_allclose(scale_for_lowest_point(RUBBER, jump.lowest_point, **setup), np.tile(scales, (2, 1)), rtol=1e-10)


def test_what_has_no_lowest_point_says_so():
    """A Yeoh curve whose third constant is below 0, a release beyond the slack length, and one good draw between."""
    curve = Curve("yeoh", {"c1": 300.0, "c2": 0.0, "c3": np.array([-1.0, 0.05, 0.05])})
    jump = predict_drop(curve, mass=70.0, slack_length=10.0, release_depth=np.array([0.0, 0.0, 11.0]))
    assert [Outcome(code).name for code in jump.outcome] == ["NO_LOWEST_POINT", "OK", "RELEASED_STRETCHED"]
    assert (np.isinf(jump.lowest_point) == [True, False, True]).all()
    assert not np.isnan([jump.lowest_point, jump.g, jump.tie_load, jump.stretch_ratio, jump.tension]).any()
    assert jump.counts() == {"ok": 1, "no lowest point": 1, "released stretched": 1}


@pytest.mark.parametrize("mechanics", ["uniform", "waves"])
def test_beyond_the_tested_stretch_or_the_surface_there_are_no_numbers(mechanics):
    """Whichever is passed first on the way down; a draw that stops above both keeps its numbers."""
    setup = CORD | {"mass": np.array([40.0, 70.0, 100.0]), "mechanics": mechanics}
    free = predict_drop(RUBBER, **setup)
    to = float(free.stretch_ratio[1])
    near, far = 10.0 * to - 1.0, 10.0 * to + 1.0  # surfaces reached before the second draw's stretch ratio, and after
    for surface, tested_to, names in (
        (np.inf, to - 0.01, ["OK", "OUTSIDE_TESTED", "OUTSIDE_TESTED"]),
        (near, np.inf, ["OK", "SURFACE_REACHED", "SURFACE_REACHED"]),
        (near, to, ["OK", "SURFACE_REACHED", "SURFACE_REACHED"]),
        (far, to, ["OK", "OK", "OUTSIDE_TESTED"]),
        (far, np.array([4.0, 4.0, to]), ["OK", "OK", "OUTSIDE_TESTED"]),
    ):
        jump = predict_drop(RUBBER, surface=surface, tested_to=tested_to, **setup)
        assert [Outcome(code).name for code in jump.outcome] == names
        kept = jump.outcome == Outcome.OK
        for name in ("lowest_point", "stretch_ratio", "g", "tie_load"):
            assert_allclose(getattr(jump, name), np.where(kept, getattr(free, name), np.inf), rtol=1e-12)
    with pytest.raises(ValueError, match="surface: 9 m is not below"):
        predict_drop(RUBBER, surface=9.0, **setup)
    with pytest.raises(ValueError, match="is not a stretch ratio"):
        predict_drop(RUBBER, tested_to=0.9, **setup)


@pytest.mark.parametrize("mechanics", ["uniform", "waves"])
def test_no_nan_travels_from_a_wild_draw(mechanics):
    """Constants that are no numbers or make no curve end in an outcome; the good draw beside them is not touched."""
    wild = np.array([280.0, np.nan, np.inf, -50.0, 0.0])
    curves = (Curve("mooney-rivlin", {"c1": wild, "c2": 70.0}), Curve("mooney-rivlin", {"c1": 280.0, "c2": wild}),
              Curve("gent", {"mu": 600.0, "j": np.array([40.0, np.nan, np.inf, -1.0, 0.0])}))  # fmt: skip
    for curve in curves:
        jump = predict_drop(curve, mechanics=mechanics, mass=60.0, **CORD)
        good = predict_drop(take_draws(curve, np.array(0)), mechanics=mechanics, mass=60.0, **CORD)
        assert_allclose(jump.lowest_point[0], good.lowest_point, rtol=1e-6)
        numbers = np.array([jump.lowest_point, jump.g, jump.tie_load, jump.stretch_ratio, jump.tension])
        assert not np.isnan(numbers).any()
        assert (np.isinf(numbers) == (jump.outcome > Outcome.NOT_RISING)).all()
        assert (jump.outcome[1:3] > Outcome.NOT_RISING).all()


def test_a_curve_with_a_hump_keeps_the_first_lowest_point_and_its_greatest_load():
    """F = 4u − 4.5u² + 1.5u³ (times 500 N, u = λ − 1) rises to u = 0.67, sinks to 1.33, rises again."""
    curve = Curve("polynomial", {"p1": 2000.0, "p2": -2250.0, "p3": 750.0})
    jump = predict_drop(curve, mass=24.0, slack_length=10.0)
    energy = brentq(lambda u: float(10 * curve.energy(1 + u)) - 24.0 * G * (10 + 10 * u), 0.9, 1.33)
    assert jump.outcome == Outcome.NOT_RISING
    assert_allclose(jump.stretch, 10 * energy, rtol=1e-6)
    assert jump.tension > curve.force(jump.stretch_ratio) * 1.05
    assert_allclose(jump.tension, curve.force(np.linspace(1, 1 + energy, 2000)).max(), rtol=2e-3)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"mass": 0.0}, "mass: 0 is not above 0"),
        ({"mass": np.array([60.0, np.nan])}, "mass: 1 of 2 values are not finite"),
        ({"drag_area": -0.1}, "drag_area: -0.1 is below 0"),
        ({"mechanics": "chain"}, "'chain' is not one of 'uniform', 'waves'"),
    ],
)
def test_refused_with_the_name_of_the_argument(wrong, message):
    with pytest.raises(ValueError, match=message):
        predict_drop(RUBBER, **{"mass": 60.0, "slack_length": 10.0} | wrong)


def test_scale_refuses_what_no_scale_explains():
    with pytest.raises(ValueError, match="not below the slack length"):
        scale_for_lowest_point(RUBBER, 9.0, mass=60.0, slack_length=10.0)
    with pytest.raises(ValueError, match="locked up"):
        scale_for_lowest_point(Curve("gent", {"mu": 600.0, "j": 12.0}), 60.0, mass=60.0, slack_length=10.0)


@pytest.mark.parametrize("mu", [0.1, 0.5, 1.0, 2.0, 3.0])
def test_heavy_cord_falls_faster_than_g(mu):
    """Heck, Uylings and Kędzierska 2010, Physics Education 45, 63: v², and a/g = 1 + μ(4 + μ)/8 at the end."""
    mass, slack = 50.0, 8.0
    setup = DropSetup(mass, slack, mu * mass, 0.0, 1.2, 0.0, 0.0, G)
    y = np.linspace(0.5, slack, 6)
    assert_allclose(
        fall_speed(setup, y) ** 2, G * y * (4 * slack + mu * (2 * slack - y)) / (mu * (slack - y) + 2 * slack)
    )
    a = (fall_speed(setup, slack) ** 2 - fall_speed(setup, slack - 1e-5) ** 2) / 2e-5
    assert_allclose(a / G, 1 + mu * (4 + mu) / 8, rtol=1e-5)


def test_fall_with_drag_as_chapra():
    """Chapra, Applied Numerical Methods, Example 1.1: 68.1 kg, 0.25 kg/m, g 9.81; a light cord too long to tighten."""
    table = published_csv("chapra-free-fall.csv")
    times = table["time [s]"][1:-1].to_numpy(float)
    fall = trace_drop(
        RUBBER, mass=68.1, slack_length=4000.0, drag_area=0.5, air_density=1.0, gravity=9.81, duration=12, rate=1
    )
    for time in times:
        assert fall.speed[int(time)] == printed("chapra-free-fall", f"v_{time:.0f}")
    setup = DropSetup(68.1, 4000.0, 0.0, 0.5, 1.0, 0.0, 0.0, 9.81)
    assert fall_speed(setup, 4000.0) == printed("chapra-free-fall", "v_terminal")
    assert_allclose(fall_time(setup, fall.position[1:]), fall.time[1:], rtol=1e-8)


@pytest.mark.parametrize("compliance", [0.0, 1e-4])
def test_trace_comes_to_the_predicted_lowest_point_and_loads(compliance):
    """Two ways to one answer: quadrature along the stretch, and DOP853 in time."""
    setup = CORD | {"mass": 60.0, "compliance": compliance, "release_depth": -0.5}
    jump, trace = predict_drop(RUBBER, **setup), trace_drop(RUBBER, duration=5.0, quiet=0.5, **setup)
    assert_allclose(trace.turns[0, 1], jump.lowest_point, rtol=1e-8)
    assert_allclose(trace.tie_load.max(), jump.tie_load, rtol=1e-6)
    assert_allclose(trace.lower_load.max(), jump.tension, rtol=1e-6)
    assert_allclose(trace.stretch_ratio.max(), jump.stretch_ratio, rtol=1e-6)
    still = trace.time < 0
    assert_allclose(trace.tie_load[still], 14 * G * (10 - 0.5) / 20)
    assert_allclose(trace.lower_load[still], 14 * G * (10 + 0.5) / 20)


def test_bounces_without_loss_come_back_to_the_release():
    """No drag, no loss: every top is the release point, every lowest point the first one, slack in between."""
    trace = trace_drop(RUBBER, mass=60.0, slack_length=10.0, cord_mass=14.0, duration=20.0)
    lowest, tops = trace.turns[::2, 1], trace.turns[1::2, 1]
    assert len(tops) >= 2
    assert_allclose(lowest, lowest[0], rtol=1e-7)
    assert_allclose(tops, 0.0, atol=1e-5)
    assert len(trace.slack_phases) == len(tops)


def test_unloading_returns_the_energy_asked_for():
    """Light cord, no drag: the first top is where M g h is the energy returned."""
    mass, slack, returned = 60.0, 10.0, 0.84
    jump = predict_drop(RUBBER, mass=mass, slack_length=slack)
    b = unloading_for(RUBBER, float(jump.stretch_ratio), returned)
    trace = trace_drop(RUBBER, mass=mass, slack_length=slack, unloading=b, duration=9.0)
    rise = trace.turns[0, 1] - trace.turns[1, 1]
    assert_allclose(rise, returned * slack * RUBBER.energy(jump.stretch_ratio) / (mass * G), rtol=1e-7)
    with pytest.raises(ValueError, match="energy_returned"):
        unloading_for(RUBBER, 3.0, 0.1)


@pytest.mark.parametrize("release", [-3.0, 0.0, 4.0])
def test_a_cord_without_loss_returns_the_mass_to_its_release(release):
    """Linear cords, light and heavy, no drag: all of the energy is back."""
    cord = {"slack_length": 10.0, "cord_mass": np.array([0.0, 14.0]), "release_depth": release}
    drop = predict_drop(linear(100.0, 10.0), mass=60.0, **cord)
    assert_allclose(depth_at_rebound(DropSetup(60.0, **cord), drop.lowest_point, 1.0), release, atol=1e-6)
    assert np.all(depth_at_rebound(DropSetup(60.0, **cord), drop.lowest_point, 0.3) == 10.0)  # the cord stays taut


@pytest.mark.parametrize("mass", [36.0, 100.0])
def test_depth_at_rebound_against_an_integration_in_time(mass):
    """DOP853 down, up the unloading branch, and on with the cord slack; with drag the mass returns less high."""
    for drag, release in ((0.0, 0.0), (0.0, 2.0), (0.06, 0.0)):
        truth = invented_drop(mass=mass, c=drag, y0=release, rate=100.0, duration=20.0)
        setup = DropSetup(mass, 10.0, 14.0, 2 * drag / 1.2, 1.2, release)
        depth = float(depth_at_rebound(setup, truth.lowest_point, truth.energy_returned))
        if drag:
            assert depth < truth.position[-1] < depth + 4.0
        else:
            assert_allclose(depth, truth.position[-1], atol=1e-5)


def test_energy_of_a_fall_from_above_the_tie_point():
    """The fold hangs below the tie point just the same: weight lowered by h, cord by h²/(4L)."""
    setup = DropSetup(60.0, 10.0, 14.0, 0.0, 1.2, -4.0, 0.0, G)
    assert_allclose(fall_energy(setup, 10.0), G * (60 * 14 + 14 * 14**2 / 40))


def test_a_spline_is_integrated_from_knot_to_knot():
    curve, setup = random_drops("spline", 200, seed=3)
    assert isinstance(curve.model, type(model("spline")))
    assert set(predict_drop(curve, **setup).counts()) <= {"ok", "lock up"}


def test_prediction_and_trace_speak_for_themselves():
    """Summaries name what happened, dictionaries are plain JSON, and a draw without a lowest point is None and told."""
    setup = {"slack_length": 10.0, "cord_mass": 14.0}
    one, many = predict_drop(RUBBER, mass=60.0, **setup), predict_drop(RUBBER, mass=np.array([60.0, 9e5]), **setup)
    assert one.summary().startswith(f"uniform: lowest point {one.lowest_point:.2f} m")
    assert "1 no lowest point" in many.summary()
    assert json.loads(json.dumps(many.to_dict(), allow_nan=False))["lowest_point"] == [one.lowest_point, None]
    for mechanics, cause in (("uniform", "the way back"), ("waves", "viscosity alone")):
        trace = trace_drop(RUBBER, mass=60.0, mechanics=mechanics, duration=9.0, rate=100.0, **setup)
        assert f"lowest point {trace.turns[0, 1]:.2f} m" in trace.summary()
        assert cause in trace.summary()
        plain = json.loads(json.dumps(trace.to_dict(), allow_nan=False))
        assert plain["position"] == trace.position.tolist()
        axes = figures.motion([trace], slack_length=setup["slack_length"]).axes[0]
        assert axes.yaxis_inverted()
        assert_allclose(axes.lines[0].get_ydata(), trace.position)
    legend = figures.prediction(many).axes[0].get_legend()
    assert legend.get_texts()[0].get_text() == "uniform, 1 without a lowest point"


@pytest.mark.parametrize("compliance", [0.0, 2e-4])
@pytest.mark.parametrize("name", ["mooney-rivlin", "gent", "ogden-2", "spline"])
def test_cords_of_any_stiffness_come_to_the_end_that_a_search_panel_by_panel_finds(name, compliance):
    """As a t law of one degree of freedom draws them: most of the very soft ones have no lowest point."""
    curve, setup = random_drops(name, 400, seed=8)
    curve = curve.scaled(np.exp(np.clip(0.3 * np.random.default_rng(8).standard_t(1, 400), -50, 20)))
    drops = DropSetup(**setup | {"compliance": compliance})
    quick, slow = stop(drops, curve), _search_twice(Stretch(drops, curve), 400)
    sure = slow.outcome != Outcome.UNRESOLVED
    assert (sure & (slow.outcome > Outcome.NOT_RISING)).sum() > 3
    assert (quick.outcome == slow.outcome)[sure].all()
    assert_allclose(quick.stretch[sure], slow.stretch[sure], rtol=1e-6)

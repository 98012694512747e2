"""Limits: the whole chain against closed forms and known truth; what enters once; what is refused."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from cordlab.batch.drop_table import Evidence, drop_inputs, log_scales
from cordlab.batch.viscosity import Viscosity, wave_excess
from cordlab.curves.models import Curve
from cordlab.limits.anchoring import DEEPER, PER_METRE, UNMEASURED, DropStiffness, drop_stiffness
from cordlab.limits.budget import PEAK_MASSES, budget
from cordlab.limits.forecast import forecast_drop
from cordlab.limits.simulate import NextDrop, draw_input
from cordlab.limits.validation import HeldBack, Validation, validate
from cordlab.limits.wave_effects import WaveEffect, wave_effects
from cordlab.mechanics.fall import DropSetup, depth_at_rebound
from cordlab.mechanics.predict import predict_drop
from cordlab.rating.rate import rating_masses
from cordlab.statistics.groups import EvidenceError
from cordlab.statistics.limits import prediction_factor, tolerance_factor
from cordlab.units import Measured, parse_measured
from tests.coverage.limits import Batch, Truth, mean_and_error, one
from tests.elastic_fold import ElasticDrop, fold_trace

MASSES = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
CURVE = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
EXACT = SimpleNamespace(
    tie_height=Measured(48.0), release_depth=Measured(0.0), drag_area=Measured(0.1), air_density=Measured(1.2),
    compliance=Measured(0.0), load_cell_at="top", reach_below_attachment=Measured(2.2), gear_mass=Measured(0.0),
    centre_of_mass_fall=Measured(0.0),
    temperature=None,
)  # fmt: skip
UNSURE = SimpleNamespace(
    tie_height=Measured(43.0, 0.1), release_depth=Measured(0.0, 0.1), drag_area=Measured(0.4, 0.1),
    air_density=Measured(1.2, 0.05), compliance=Measured(0.0), load_cell_at="top",
    reach_below_attachment=Measured(2.2, 0.1), gear_mass=Measured(3.0, 0.3), temperature=None,
    centre_of_mass_fall=Measured(0.0),
)  # fmt: skip
BACK = np.array([0.80, 0.82, 0.84, 0.86, 0.88, 0.90])  # energy that each of six cords returns, invented


def returning(drops: Evidence) -> Evidence:
    """The drops with the energy that their cords return, a little less at heavy masses."""
    cord = np.array([int(name[1:]) for name in drops.cord])
    return replace(drops, energy_returned=BACK[cord] - 2e-4 * (drops.mass - 36.0))


KEYS = ("mass", "slack_length", "cord_mass", "drag_area")


def invented(log_scale, *, masses=MASSES, peaks=1.0, u_mass=0.0, drag_area=0.1, curve=CURVE) -> Evidence:
    """Drops without any error of reading: log_scale (n_cords, n_masses) or (n_cords, 1), invented."""
    y = np.broadcast_to(log_scale, (len(log_scale), len(masses)))
    cord, mass = np.repeat(np.arange(len(y)), len(masses)), np.tile(masses, len(y))
    drop = predict_drop(
        curve.scaled(np.exp(y.ravel())), mass=mass, slack_length=10.0, cord_mass=14.0, drag_area=drag_area
    )
    n = mass.size
    return Evidence(
        [f"D{k}" for k in range(n)], [f"C{c}" for c in cord], mass, np.full(n, u_mass), drop.lowest_point, np.zeros(n),
        np.full(n, 10.0), np.full(n, 14.0), drop.tie_load * peaks, np.zeros(n), np.zeros(n), np.full(n, 15.0),
    )  # fmt: skip


def scattered(seed: int, n_cords: int, cord: float, drop: float, tilt: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    slope = rng.normal(0.0, tilt, (n_cords, 1)) * (MASSES - 68.0) / 32.0
    return rng.normal(0.0, cord, (n_cords, 1)) + slope + rng.normal(0.0, drop, (n_cords, MASSES.size))


# ------------------------------------------------------------------------------------------------ forecasts


def at_scale(y, mass, drag_area=0.1):
    return predict_drop(
        CURVE.scaled(np.exp(np.array([y]))), mass=mass, slack_length=10.0, cord_mass=14.0, drag_area=drag_area
    )


def test_with_nothing_else_uncertain_the_limit_is_students_t_on_the_cords():
    """The whole chain against the closed form: lowest point at mean − t(n − 1) s √(1 + 1/n) of ln stiffness."""
    levels = np.random.default_rng(5).normal(0.0, 0.02, (6, 1))
    stiffness = drop_stiffness(CURVE, invented(levels), rig=EXACT)
    forecast = forecast_drop(stiffness, site=EXACT, masses=MASSES, probability=0.99, seed=3, draws=80_000)
    y = levels.mean() - prediction_factor(6, 0.99) * levels.std(ddof=1)
    for k, mass in enumerate(MASSES):
        exact, median = at_scale(y, mass).lowest_point[0], at_scale(levels.mean(), mass).lowest_point[0]
        assert forecast.estimate("lowest_point")[k] == pytest.approx(median, abs=1e-6)
        # the drawn quantile has a standard error of 1.1 % of the margin: density of t(5) at its 99 % quantile
        assert forecast.limit("lowest_point")[k] - median == pytest.approx(exact - median, rel=0.035)


def test_with_nothing_else_uncertain_the_tolerance_limit_is_the_exact_factor():
    """Against the one-sided factor of ISO 16269-6 (`tolerance_factor`, checked against its tables elsewhere)."""
    levels = np.random.default_rng(6).normal(0.0, 0.02, (6, 1))
    stiffness = drop_stiffness(CURVE, invented(levels), rig=EXACT)
    forecast = forecast_drop(
        stiffness, site=EXACT, masses=[68.0], limit="tolerance", probability=0.99, confidence=0.95, seed=3, draws=60_000
    )
    median = at_scale(levels.mean(), 68.0)
    factor = tolerance_factor(6, 0.99, 0.95) * levels.std(ddof=1)
    soft, stiff = at_scale(levels.mean() - factor, 68.0), at_scale(levels.mean() + factor, 68.0)
    margin = soft.lowest_point[0] - median.lowest_point[0]
    assert forecast.limit("lowest_point")[0] - median.lowest_point[0] == pytest.approx(margin, rel=0.025)
    assert forecast.limit("clearance")[0] == pytest.approx(48.0 - 2.2 - forecast.limit("lowest_point")[0])
    assert forecast.limit("g")[0] - median.g[0] == pytest.approx(stiff.g[0] - median.g[0], rel=0.025)


def test_content_with_an_uncertain_site_agrees_with_a_nested_simulation():
    """A tolerance limit carries the site's scatter as scatter of ln s; the nested draws it replaces, for known
    scatter.
    """
    levels = np.random.default_rng(7).normal(0.0, 0.02, (200, 1))  # so many cords that mean and scatter are known
    stiffness = drop_stiffness(CURVE, invented(levels, masses=MASSES[:3]), rig=EXACT)
    options = {"site": UNSURE, "masses": [57.0], "probability": 0.99, "seed": 2, "draws": 30_000}
    tolerance = forecast_drop(stiffness, limit="tolerance", confidence=0.5, **options)
    nested = forecast_drop(stiffness, limit="prediction", **options)
    for quantity in ("lowest_point", "clearance", "g", "peak_load"):
        margin = nested.limit(quantity)[0] - nested.estimate(quantity)[0]
        # first order in the site's inputs: the remainder, and the noise of the draws, are under a tenth of the margin
        assert tolerance.limit(quantity)[0] - nested.estimate(quantity)[0] == pytest.approx(margin, rel=0.1)


@pytest.mark.parametrize("moved", ["drag_area", "release_depth", "mass"])
def test_shared_errors_are_carried_by_slopes_that_agree_with_recomputing(moved):
    """Drops on a rig, or of a mass, that is two standard uncertainties off: all is computed anew, and by slopes."""
    rig = SimpleNamespace(**{**vars(EXACT), "drag_area": Measured(0.1, 0.03), "release_depth": Measured(0.0, 0.1)})
    drops = invented(scattered(1, 4, 0.02, 0.004), u_mass=0.1, peaks=1.05)
    stiffness = drop_stiffness(CURVE, drops, rig=rig)
    names = [shared.name for shared in stiffness.shared]
    assert names == ["rig drag area", "rig release depth", *["test masses"] * MASSES.size]
    if moved == "mass":
        shared = stiffness.shared[2]
        off = replace(drops, mass=np.where(drops.mass == MASSES[0], drops.mass + 0.2, drops.mass))
    else:
        shared, off = stiffness.shared[names.index(f"rig {moved.replace('_', ' ')}")], drops
        step = getattr(rig, moved)
        rig = SimpleNamespace(**{**vars(rig), moved: Measured(step.value + 2 * step.u, step.u)})
    again = drop_stiffness(CURVE, off, rig=rig)
    change = 2 * shared.measured.u * np.array([shared.effect, shared.peak_effect])
    assert again.scales[0][0] - stiffness.scales[0][0] == pytest.approx(change[0], rel=0.03, abs=2e-5)
    assert again.excess[0][0] - stiffness.excess[0][0] == pytest.approx(change[1], rel=0.03, abs=2e-5)


def test_what_all_drops_share_does_not_shrink_with_their_number():
    rig = SimpleNamespace(**{**vars(EXACT), "drag_area": Measured(0.1, 0.03)})
    u = []
    for n in (4, 40):
        forecast = forecast_drop(
            drop_stiffness(CURVE, invented(scattered(1, n, 0.02, 0.004)), rig=rig),
            site=EXACT,
            masses=[36.0, 68.0],
            draws=2_000,
        )
        u.append(next(s.u for s in budget(forecast, mass=68.0).shares if s.input == "rig drag area"))
    assert u[1] == pytest.approx(u[0], rel=0.1)


@pytest.mark.parametrize("n", [4, 40])
@pytest.mark.parametrize("noted", [False, True])
def test_an_error_that_all_lowest_points_share_is_no_better_known_from_many_drops(n, noted):
    """The distance sensor's, or the tape's as campaign.toml states it: 0.1 m is 0.1 m at the same rig, whatever n."""
    read, rig = invented(np.zeros((n, 1)), masses=np.array([68.0])), EXACT
    if noted:
        rig = SimpleNamespace(**vars(EXACT), lowest_point_error=Measured(0.0, 0.1))
    else:
        read = replace(read, u_common=np.full(n, 0.1))
    forecast = forecast_drop(drop_stiffness(CURVE, read, rig=rig), site=EXACT, masses=[68.0], draws=20_000)
    share = budget(forecast, mass=68.0, quantity="lowest_point").shares[0]
    assert share.input == ("lowest points as noted" if noted else "lowest points' calibration")
    assert share.u == pytest.approx(0.1, rel=0.01)
    margin = forecast.limit("lowest_point") - forecast.estimate("lowest_point")
    assert margin == pytest.approx(0.1 * stats.norm.ppf(0.99), rel=0.05)  # the drawn quantile scatters by 1.6 %


def test_only_lowest_points_from_records_share_a_calibration():
    cord = SimpleNamespace(slack_length=Measured(10.0), mass=Measured(14.0))
    own = {"A": Measured(24.0, 0.05), "B": None, "C": None}
    entries = [
        SimpleNamespace(
            drop=name, cord="K", mass=Measured(68.0), use="fit", lowest_point=low, jumps=5, temperature=15.0
        )
        for name, low in own.items()
    ]
    campaign = SimpleNamespace(drops=entries, cord=lambda name: cord, rig=SimpleNamespace(load_cell_at="top"))
    given = {"lowest_point": 24.2, "u_lowest_point": 0.08, "peak_load": 2e3, "u_peak_load": 10.0}
    given |= {"greatest_g": 3.0, "energy_returned": None, "u_energy_returned": None}
    records = [SimpleNamespace(name=name, **given) for name in ("A", "B")]
    evidence = Evidence.of_campaign(campaign, records)
    assert evidence.drop == ("A", "B")  # C has neither
    assert evidence.lowest_point.tolist() == [24.0, 24.2]
    assert evidence.u_common.tolist() == [0.0, 0.08]


def test_the_curves_shape_hardly_matters_where_lowest_points_were_measured():
    """Anchoring: a curve 5 % too stiff, and one of another shape, forecast the same lowest points at tested masses."""
    evidence = invented(scattered(3, 6, 0.02, 0.0))
    want = forecast_drop(drop_stiffness(CURVE, evidence, rig=EXACT), site=EXACT, masses=MASSES, draws=2_000, seed=1)
    for other in (CURVE.scaled(1.05), Curve("mooney-rivlin", {"c1": 240.0, "c2": 140.0})):
        got = forecast_drop(drop_stiffness(other, evidence, rig=EXACT), site=EXACT, masses=MASSES, draws=2_000, seed=1)
        assert got.estimate("lowest_point") == pytest.approx(want.estimate("lowest_point"), abs=0.1)


def test_draws_repeat_with_the_seed_and_are_smooth_in_mass():
    stiffness = drop_stiffness(CURVE, invented(scattered(4, 5, 0.02, 0.004), peaks=1.05), rig=EXACT)
    options = {"site": UNSURE, "masses": np.arange(40.0, 61.0, 1.0), "draws": 2_000}
    first, again, other = (forecast_drop(stiffness, seed=seed, **options) for seed in (1, 1, 2))
    assert np.array_equal(first.draws["g"], again.draws["g"])
    assert not np.array_equal(first.draws["g"], other.draws["g"])
    limits = first.limit("lowest_point")
    assert np.all(np.diff(limits) > 0)
    assert np.abs(np.diff(limits, 2)).max() < 0.02  # [m] from kilogram to kilogram: no noise of its own at each mass


def test_an_excess_of_the_peaks_raises_a_load_and_never_lowers_it():
    y = scattered(5, 6, 0.02, 0.004)
    stiffness = {p: drop_stiffness(CURVE, invented(y, peaks=p), rig=EXACT) for p in (0.9, 1.0, 1.1)}
    g = {p: forecast_drop(x, site=EXACT, masses=[68.0], draws=4_000).estimate("g")[0] for p, x in stiffness.items()}
    assert g[0.9] == pytest.approx(g[1.0], rel=1e-6)
    assert g[1.1] == pytest.approx(1.1 * g[1.0], rel=1e-6)


def test_waves_enter_at_each_end_and_are_not_counted_twice():
    """Peaks that the waves explain leave no excess; the lower end then has its own ratio, though the cell sat at the
    top.
    """
    grid = np.array([30.0, 110.0])
    zero = np.zeros(2)
    waves = WaveEffect(grid, zero, np.full(2, np.log(1.2)), np.full(2, np.log(1.1)), zero, zero, zero, np.zeros((3, 2)))
    evidence = invented(scattered(5, 6, 0.02, 0.0), peaks=1.1)
    stiffness = drop_stiffness(CURVE, evidence, rig=EXACT, waves=waves)
    assert stiffness.excess[0] == pytest.approx(0.0, abs=1e-9)
    with_waves = forecast_drop(stiffness, site=EXACT, masses=[68.0], draws=2_000, waves=waves)
    uniform = forecast_drop(
        drop_stiffness(CURVE, invented(scattered(5, 6, 0.02, 0.0)), rig=EXACT), site=EXACT, masses=[68.0], draws=2_000
    )
    assert with_waves.estimate("g")[0] == pytest.approx(1.2 * uniform.estimate("g")[0], rel=1e-6)
    assert with_waves.estimate("peak_load")[0] == pytest.approx(1.1 * uniform.estimate("peak_load")[0], rel=1e-6)
    with pytest.raises(EvidenceError, match="for the rig and for the site, or for neither"):
        forecast_drop(stiffness, site=EXACT, masses=[68.0], draws=2_000)
    with pytest.raises(EvidenceError, match="computed for 30 to 110 kg only"):
        waves.at([120.0], "tie")


def test_the_end_without_a_cell_has_the_model_of_the_waves_in_its_uncertainty():
    """Peaks at the tie point lie 2 % off their waves, up and down from mass to mass: g is as uncertain at the least."""
    waves = WaveEffect(np.array([30.0, 110.0]), *np.zeros((6, 2)), np.zeros((3, 2)))
    evidence = invented(scattered(5, 6, 0.02, 0.0))
    levels = np.unique(evidence.mass, return_inverse=True)[1]

    def off(by: float) -> DropStiffness:
        peaks = evidence.peak_load * np.exp(by * (-1.0) ** levels)
        return drop_stiffness(CURVE, replace(evidence, peak_load=peaks), rig=EXACT, waves=waves)

    u = {by: off(by).u_of_waves("lower", 0.0) for by in (0.0, 0.005, 0.02, 0.04)}
    assert list(u.values()) == pytest.approx([0.0, 0.01, UNMEASURED, 0.04], abs=1e-6)
    assert off(0.02).u_of_waves("tie", 0.0) == 0.0
    without = replace(evidence, peak_load=np.full(len(levels), np.nan))
    for worst, expected in ((False, UNMEASURED), (True, 0.0)):
        silent = drop_stiffness(CURVE, without, rig=EXACT, waves=replace(waves, worst=worst))
        assert [silent.u_of_waves(end, 0.0) for end in ("lower", "tie")] == [expected, expected]


def test_what_lines_over_the_masses_leave_of_the_peaks_is_in_the_load_at_the_cell():
    """Peaks that lie off their waves by 1 % at every mass, each by itself: the next drop's 99 % limit holds."""
    waves = WaveEffect(np.array([30.0, 110.0]), *np.zeros((6, 2)), np.zeros((3, 2)))
    rng, masses, off_by, held = np.random.default_rng(4), np.array([44.0, 60.0, 92.0]), 0.01, []
    true = predict_drop(CURVE, mass=masses, slack_length=10.0, cord_mass=14.0, drag_area=0.1).tie_load
    for seed in range(30):
        drops = invented(scattered(seed, 6, 0.005, 0.004))
        peaks = drops.peak_load * np.exp(np.tile(rng.normal(0, off_by, MASSES.size), 6) + rng.normal(0, 0.002, 30))
        stiffness = drop_stiffness(CURVE, replace(drops, peak_load=peaks), rig=EXACT, waves=waves)
        forecast = forecast_drop(stiffness, site=EXACT, masses=masses, waves=waves, seed=seed, draws=2000)
        scatter = np.hypot(forecast.effects[0]["peak_load"] * np.hypot(0.005, 0.004), 0.002)
        beyond = np.log(forecast.limit("peak_load") / true) - rng.normal(0, off_by, 3)
        held.append(stats.norm.cdf(beyond / scatter))
    assert np.mean(held) > 0.975  # five masses know the 1 % poorly; without it 0.89


def test_sound_peaks_widen_no_load_and_a_lack_of_fit_has_a_row_in_the_budget():
    """Peaks on their line leave nothing; off it up and down by 2 %, they do so with waves that are known or not."""
    waves = WaveEffect(np.array([30.0, 110.0]), *np.zeros((6, 2)), np.zeros((3, 2)))
    evidence = invented(scattered(5, 6, 0.02, 0.0))
    zigzag = 0.02 * (-1.0) ** np.unique(evidence.mass, return_inverse=True)[1]
    for by, known, row in ((0.0, waves, None), (zigzag, waves, "stretch waves"), (zigzag, None, PEAK_MASSES)):
        peaks = 1.1 * evidence.peak_load * np.exp(by)
        stiffness = drop_stiffness(CURVE, replace(evidence, peak_load=peaks), rig=EXACT, waves=known)
        u = stiffness.u_between_masses(np.array([60.0]))
        run = forecast_drop(stiffness, site=EXACT, masses=[60.0], waves=known, draws=2_000)
        shares = {
            share.input: share.u / run.estimate("peak_load")[0]
            for share in budget(run, mass=60.0, quantity="peak_load").shares
        }
        if row is None:
            assert u == pytest.approx(0.0, abs=1e-6)
            assert shares.get("stretch waves", 0.0) == pytest.approx(0.0, abs=1e-6)
            continue
        # means of five masses about a line, 2 degrees of freedom more than it has; once more at the mass asked for
        assert u == pytest.approx(0.02 * (24 / 5 / 3) ** 0.5 * 1.2**0.5, rel=0.02)
        assert shares[row] == pytest.approx(u[0], rel=1e-3)


def test_a_site_that_lets_go_elsewhere_has_more_uncertain_loads():
    """More than half a metre from the rig's release, g and load are wider by a hundredth a metre, at both ends."""
    waves = WaveEffect(np.array([30.0, 110.0]), *np.zeros((6, 2)), np.zeros((3, 2)))
    stiffness = drop_stiffness(CURVE, invented(scattered(5, 6, 0.02, 0.0)), rig=EXACT, waves=waves)
    there = EXACT.release_depth.value
    measured = stiffness.drops.cell_end
    assert [stiffness.u_of_waves(measured, there + far) for far in (0.0, 0.5, -2.5)] == pytest.approx([0, 0, 0.02])
    limits = []
    for far in (0.5, 0.51, 2.5):
        site = SimpleNamespace(**{**vars(EXACT), "release_depth": Measured(there + far)})
        limited = forecast_drop(stiffness, site=site, masses=[68.0], draws=4_000, waves=waves)
        limits.append(float((limited.limit("g") / limited.estimate("g"))[0]))
    assert limits[1] == pytest.approx(limits[0], rel=2e-3)
    assert limits[2] > limits[0] + 0.002


def test_drag_and_stiffness_move_the_wave_as_they_move_the_load():
    """A hard cord whose next reflection takes the lead nearby: drops of all waves, less drag and stiffer or softer."""
    hard, masses = Curve("yeoh", {"c1": 300.0, "c2": -6.0, "c3": 0.5}), np.array([45.0, 63.0, 79.0])
    batch = {"slack_length": 10.0, "cord_mass": 14.0, "gravity": 9.80665}
    site = SimpleNamespace(**{**vars(EXACT), "drag_area": Measured(0.5, 0.2)})
    options = {"batch": batch, "masses": masses, "viscosity": Viscosity(3.0, 0.3, "given"), "stiffness_sd": 0.02}
    (effect,) = wave_effects(hard, places=(site,), **options)
    moved = {}
    for log_scale, drag in ((0.0, 0.4), (0.0, 0.6), (0.03, 0.5), (-0.03, 0.5)):
        inputs = drop_inputs(site) | {"drag_area": drag}
        waves = wave_excess(hard.scaled(np.exp(log_scale)), mass=masses, viscosity=3.0, batch=batch, inputs=inputs)
        for end in ("lower", "tie"):
            change = getattr(waves, end) - effect.at(masses, end)[0]
            assert effect.moved(masses, end, log_scale, drag - 0.5) == pytest.approx(change, abs=0.0035)
            moved[end, log_scale, drag] = change
    # at 63 kg a stiffer cord has a smaller wave at the tie point, and so has one that falls through more air
    assert moved["tie", 0.03, 0.5][1] < -0.004
    assert moved["tie", 0.0, 0.6][1] < -0.001
    far = [effect.moved(masses, "tie", stiffer) for stiffer in (0.06, 0.6)]
    assert far[1] == pytest.approx(far[0])
    (worst,) = wave_effects(hard, places=(site,), **options | {"viscosity": Viscosity.unknown()})
    assert worst.moved(masses, "tie", 0.03, 0.1) == 0.0


def test_a_chain_let_go_deeper_moves_g_by_less_than_is_carried():
    """Elastic chains in the plane, let go 2.5 m deeper: by how much more than our waves their g changes."""
    masses, g = np.array([52.0, 68.0, 100.0]), []
    for depth in (0.0, 2.5):
        inputs = drop_inputs(SimpleNamespace(**{**vars(EXACT), "release_depth": Measured(depth)}))
        batch = {"slack_length": 10.0, "cord_mass": 14.0, "gravity": 9.80665}
        waves = wave_excess(CURVE, mass=masses, viscosity=5.0, batch=batch, inputs=inputs)
        ours = predict_drop(CURVE.scaled(np.exp(waves.stiffness)), mass=masses, **batch, **inputs).g
        for mass, expected in zip(masses, ours * np.exp(waves.lower), strict=True):
            load = fold_trace(ElasticDrop(mass, release=depth), duration=5.5).lower_load
            load = np.convolve(load, np.full(25, 1 / 25), "valid")  # over 5 ms
            g.append(np.log(load.max() / (mass * batch["gravity"]) / expected))
    change = np.subtract(*np.reshape(g, (2, -1)))
    assert np.sqrt(np.mean(change**2)) < PER_METRE * (2.5 - DEEPER)


def test_loads_with_waves_that_are_not_resolved_are_not_given():
    """A cord that is said to have no viscosity: nothing smooths its waves, and its greatest load has no end."""
    cord = {"slack_length": 10.0, "cord_mass": 14.0, "gravity": 9.80665}
    options = {"places": [EXACT, EXACT], "batch": cord, "masses": [60.0, 90.0], "stiffness_sd": 0.01}
    with pytest.raises(EvidenceError, match="g and loads are resolved by no grid at 60 kg hung"):
        wave_effects(CURVE, viscosity=Viscosity.given(Measured(0.0)), **options)
    assert len(wave_effects(CURVE, viscosity=Viscosity.given(Measured(2.0, 0.5)), **options)) == 2


def test_gear_hangs_with_the_rider_and_nothing_is_said_outside_the_tested_masses():
    stiffness = drop_stiffness(CURVE, invented(scattered(6, 4, 0.02, 0.004)), rig=EXACT)
    assert rating_masses(stiffness, UNSURE)[[0, -1]] == pytest.approx([33.0, 97.0])
    site = SimpleNamespace(**{**vars(EXACT), "gear_mass": Measured(3.0)})
    rider = forecast_drop(stiffness, site=site, masses=[65.0], draws=2_000).estimate("lowest_point")
    hung = forecast_drop(stiffness, site=EXACT, masses=[68.0], draws=2_000).estimate("lowest_point")
    assert rider == pytest.approx(hung)
    with pytest.raises(EvidenceError, match="36 to 100 kg were tested: nothing is said outside"):
        forecast_drop(stiffness, site=site, masses=[98.0], draws=2_000)


def test_a_draw_without_a_lowest_point_counts_as_the_worst():
    """A cord that locks up below what the drop needs: its draws are infinite, and so is a limit that they reach."""
    gent = Curve("gent", {"mu": 900.0, "j": 12.0})
    evidence = invented(np.array([[-0.5], [0.1], [0.4]]), masses=np.array([36.0, 52.0]), curve=gent)
    forecast = forecast_drop(drop_stiffness(gent, evidence, rig=EXACT), site=EXACT, masses=[36.0, 52.0], draws=4_000)
    share = np.isinf(forecast.draws["lowest_point"]).mean(-1)
    assert share.max() > 0.01
    assert np.isinf(forecast.limit("lowest_point"))[share > 0.011].all()


def test_drawn_shapes_that_a_measured_lowest_point_refutes_are_left_out_and_counted():
    evidence = invented(scattered(9, 4, 0.02, 0.0)[:, :3], masses=MASSES[:3])
    shapes = Curve("gent", {"mu": np.full(4, 600.0), "j": np.array([3.0, 60.0, 80.0, 100.0])})
    stiffness = drop_stiffness(CURVE, evidence, rig=EXACT, shapes=[shapes])
    assert stiffness.shapes[1].count == 3
    assert stiffness.notes == ("1 of 4 drawn shapes lock up before a measured lowest point",)


def test_drawn_shapes_that_pull_less_than_the_weight_where_a_drop_turned_are_left_out():
    """Humped: energy enough to stop the mass there, but no force to turn it."""
    evidence = invented(scattered(9, 4, 0.02, 0.0)[:, :3], masses=MASSES[:3])
    drawn = Curve("mooney-rivlin", {"c1": 1e3 * np.array([0.0, -0.2, -0.24, -0.3, -0.4]), "c2": 1e3})
    stiffness = drop_stiffness(CURVE, evidence, rig=EXACT, shapes=[drawn])
    (kept,) = stiffness.shapes[1:]
    assert kept.curve.parameters["c1"].tolist() == [0.0, -200.0]
    assert stiffness.notes == ("3 of 5 drawn shapes do not turn every drop that was made",)
    with pytest.raises(EvidenceError, match="some drop would not have turned where it did"):
        drop_stiffness(Curve("mooney-rivlin", {"c1": -300.0, "c2": 1e3}), evidence, rig=EXACT)


def test_two_peaks_that_show_no_scatter_are_too_few_and_not_a_fault():
    """Two records only, of two cords at a mass each: nothing says how peaks scatter, and no limit is given."""
    evidence = invented(scattered(10, 4, 0.02, 0.004))
    recorded = np.isin(np.arange(len(evidence)), [0, 9])
    few = replace(evidence, peak_load=np.where(recorded, evidence.peak_load, np.nan))
    with pytest.raises(EvidenceError, match="show no scatter about a line"):
        forecast_drop(drop_stiffness(CURVE, few, rig=EXACT), site=EXACT, masses=MASSES, draws=2_000)


def test_evidence_names_what_is_wrong():
    good = invented(np.zeros((2, 1)))
    with pytest.raises(EvidenceError, match="drop D0: lowest point 9 m is not below the slack length 10 m"):
        replace(good, lowest_point=np.where(np.arange(10) == 0, 9.0, good.lowest_point))
    with pytest.raises(EvidenceError, match="10 drops, but 9 values of mass"):
        replace(good, mass=good.mass[:9])
    with pytest.raises(EvidenceError, match="drop D3: mass is not a finite number"):
        replace(good, mass=np.where(np.arange(10) == 3, np.nan, good.mass))
    with pytest.raises(EvidenceError, match="no drop to learn from"):
        drop_stiffness(CURVE, good.take(np.zeros(10, bool)), rig=EXACT)
    with pytest.raises(EvidenceError, match="only 1 cord"):
        forecast_drop(drop_stiffness(CURVE, invented(np.zeros((1, 1))), rig=EXACT), site=EXACT, masses=[68.0])


# ------------------------------------------------------------------------------------------------ budget, validation


def test_the_budget_adds_up_and_its_gain_is_what_halving_does():
    rig = SimpleNamespace(**{**vars(EXACT), "drag_area": Measured(0.1, 0.03)})
    stiffness = drop_stiffness(CURVE, invented(scattered(10, 8, 0.01, 0.003), peaks=1.05), rig=rig)
    forecast = forecast_drop(stiffness, site=UNSURE, masses=rating_masses(stiffness, UNSURE), draws=4_000)
    totals = budget(forecast, mass=81.0)
    assert sum(share.share for share in totals.shares) == pytest.approx(1.0)
    assert [s.share for s in totals.shares] == sorted((s.share for s in totals.shares), reverse=True)
    halved = SimpleNamespace(**{**vars(UNSURE), "drag_area": Measured(0.4, 0.05)})
    better = budget(forecast_drop(stiffness, site=halved, masses=forecast.masses, draws=4_000), mass=81.0)
    gain = next(share for share in totals.shares if share.input == "site drag area").gain
    assert better.linear_limit - totals.linear_limit == pytest.approx(gain, rel=0.05)
    assert budget(forecast, mass=81.0, quantity="g").linear_limit > forecast.estimate("g")[0] - 1.0
    with pytest.raises(ValueError, match="'height' is not one of lowest_point"):
        budget(forecast, mass=81.0, quantity="height")


def test_linear_and_monte_carlo_agree_with_many_cords_and_are_said_to_disagree_with_few():
    """JCGM 101 8.1: first-order sums are good where the scatter is small and well known, and not where t has a long
    tail.
    """
    many = drop_stiffness(CURVE, invented(scattered(11, 40, 0.002, 0.002)), rig=EXACT)
    few = drop_stiffness(CURVE, invented(scattered(11, 3, 0.06, 0.002)), rig=EXACT)
    budgets = [budget(forecast_drop(x, site=EXACT, masses=MASSES, draws=100_000), mass=100.0) for x in (many, few)]
    assert budgets[0].agrees
    assert "agree" in budgets[0].word
    assert not budgets[1].agrees
    assert "Monte Carlo limit holds" in budgets[1].word


def test_held_back_drops_fall_inside_as_often_as_the_limits_say():
    inside, total = 0, 0
    for seed in range(60):
        everything = invented(scattered(100 + seed, 5, 0.02, 0.005))
        middle = np.isin(everything.mass, [52.0, 84.0])
        stiffness = drop_stiffness(CURVE, everything.take(~middle), rig=EXACT)
        validation = validate(stiffness, everything.take(middle), probability=0.95)
        assert not validation.left_out
        assert {row.whose for row in validation.rows} == {"this cord"}
        inside, total = inside + len(validation.rows) - validation.outside, total + len(validation.rows)
    assert stats.binomtest(inside, total, 0.90).pvalue > 0.001


def test_without_held_back_drops_each_drop_is_left_out_in_turn():
    validation = validate(drop_stiffness(CURVE, invented(scattered(12, 5, 0.02, 0.005)), rig=EXACT))
    assert validation.left_out
    assert len(validation.rows) == 25
    assert validation.chance > 0.01


def test_a_check_drop_that_is_metres_off_is_outside_and_its_chance_is_binomial():
    everything = invented(scattered(13, 5, 0.02, 0.005))
    check = everything.mass == 68.0
    off = replace(everything.take(check), lowest_point=everything.lowest_point[check] + 4.0)
    validation = validate(drop_stiffness(CURVE, everything.take(~check), rig=EXACT), off)
    assert validation.outside == 5
    assert validation.failed
    rows = tuple(HeldBack("D", "C", 68.0, 31.0, 30.0, 29.0, 30.5 + k, "this cord") for k in (0, 1, 2))
    some = Validation(rows, 0.98, left_out=False)
    assert some.outside == 1
    assert some.chance == pytest.approx(stats.binom.sf(0, 3, 0.02))
    assert not some.failed


# ------------------------------------------------------------------------------------------------ coverage, short


def test_coverage_of_invented_labs_with_known_truth():
    """A short run of `python -m tests.coverage limits`: 99 % limits hold, the naive ones do not, at no more than 1.3
    the width.
    """
    truth = Truth.of(Batch(), np.random.default_rng(1), n=8_000, step=16.0)
    labs = [one(Batch(), truth, 6, seed, limit="prediction", draws=3_000, compare=True) for seed in range(25)]
    held = {way: [mean_and_error([1 - x.beyond[way][k] for x in labs]) for k in range(3)] for way in labs[0].beyond}
    for mean, error in held["cordlab"]:
        assert mean >= 0.985 - 3 * error
    assert all(
        mean + 3 * error < 0.985 for mean, error in held["naive: confidence band of the mean curve, all samples"]
    )
    assert held["naive: all drops pooled, t with drops − 1"][0][0] < 0.97  # at the light end; 0.93 in the long study
    margins = np.array([x.margin for x in labs])
    assert np.all(margins[:, :, 0].mean(0) <= 1.3 * margins[:, :, 1].mean(0))
    violations = np.array([x.ends for x in labs if x.ends is not None])
    assert len(violations) >= 20
    for k in (0, 1):
        mean, error = mean_and_error(violations[:, k])
        assert mean <= 0.01 + 3 * error


@pytest.mark.parametrize("n", [3, 6, 10])
def test_with_nothing_else_uncertain_a_limit_falls_short_as_often_as_that_of_normal_values(n):
    """The noncentral t law; with 6 cords 99 % are held in 83 % of campaigns."""
    stiffness = drop_stiffness(CURVE, invented(scattered(14, n, 0.02, 0.0)[:, :1]), rig=EXACT)
    forecast = forecast_drop(stiffness, site=EXACT, masses=[68.0], draws=60_000)
    often = stats.nct.cdf(prediction_factor(n, 0.99) * np.sqrt(n), n - 1, stats.norm.ppf(0.99) * np.sqrt(n))
    assert n != 6 or often == pytest.approx(0.83, abs=0.005)
    for quantity in ("clearance", "g"):
        assert forecast.assurance([0])[quantity] == pytest.approx(often, abs=0.025)


def test_what_varies_from_drop_to_drop_leaves_a_limit_to_chance_and_what_is_fixed_does_not():
    """Two inputs of the same uncertainty that outweighs all else. The tie height is the same in every drop: the limit
    holds all of them or none, 99 times in 100. The reach differs from rider to rider: the limit is as often short."""
    often = {}
    for name, cord_sd in (("tie_height", 1e-4), ("reach_below_attachment", 1e-3)):
        stiffness = drop_stiffness(CURVE, invented(scattered(14, 6, cord_sd, 0.0)[:, :1]), rig=EXACT)
        site = SimpleNamespace(**vars(EXACT) | {name: Measured(getattr(EXACT, name).value, 0.2)})
        often[name] = forecast_drop(stiffness, site=site, masses=[68.0], draws=60_000).assurance([0])["clearance"][0]
        tolerance = forecast_drop(stiffness, site=site, masses=[68.0], limit="tolerance", draws=60_000)
        factor = stats.norm.ppf(0.95 if name == "tie_height" else 0.99)
        margin = tolerance.estimate("clearance")[0] - tolerance.limit("clearance")[0]
        assert margin == pytest.approx(0.2 * factor, rel=0.1)
    assert often["tie_height"] == pytest.approx(0.99, abs=0.005)
    assert 0.3 < often["reach_below_attachment"] < 0.8


@pytest.mark.parametrize(
    ("text", "lowest", "positive"), [("0.4 ± 0.1", 0.3, True), ("0.1 ± 0.4", 0.0, True), ("0 ± 1", -1, False)]
)
def test_a_rectangular_input_ends_where_it_says(text, lowest, positive):
    """Drawn evenly to both ends (JCGM 101:2008, 6.4.2); what cannot be negative is not."""
    measured = parse_measured(f"{text} m^2 (rect)", "m^2")
    draws = draw_input(measured, (np.arange(20_000) + 0.5) / 20_000, positive=positive)
    highest = measured.value + np.sqrt(3) * measured.u
    assert lowest <= draws.min() < lowest + 0.01
    assert highest - 0.01 < draws.max() <= highest


def test_an_estimate_and_its_u_are_a_normal_law_cut_at_zero():
    """JCGM 101:2008, 6.4.7; against scipy's truncated normal law. A drag area is as thin on neither side."""
    shares = np.array([0.001, 0.01, 0.5, 0.99, 0.999])
    for value, u in ((0.5, 0.2), (0.1, 0.1), (0.5, 0.01)):
        law = stats.truncnorm(-value / u, np.inf, loc=value, scale=u)
        assert draw_input(Measured(value, u), shares, positive=True) == pytest.approx(law.ppf(shares), rel=1e-9)
        assert draw_input(Measured(value, u), shares) == pytest.approx(stats.norm(value, u).ppf(shares), rel=1e-9)


def test_the_scale_at_the_site_is_in_the_limits_of_a_rider():
    """u² of the clearance grows by (slope in mass · u)²; more load with a heavier rider takes no tested mass away."""
    stiffness = drop_stiffness(CURVE, invented(scattered(14, 6, 0.002, 0.0)), rig=EXACT)
    unsure = SimpleNamespace(**vars(EXACT) | {"rider_mass_error": Measured(0.0, 2.0)})
    masses = np.array([60.0, 68.0, 76.0])
    sure, weighed = (
        forecast_drop(stiffness, site=site, masses=masses, draws=16_000, seed=1) for site in (EXACT, unsure)
    )
    slope = (sure.estimate("clearance")[2] - sure.estimate("clearance")[0]) / 16.0
    grown = np.sqrt(weighed.u["clearance"][1] ** 2 - sure.u["clearance"][1] ** 2)
    assert grown == pytest.approx(abs(2.0 * slope), rel=0.05)
    assert weighed.estimate("clearance") == pytest.approx(sure.estimate("clearance"))
    assert "site rider mass" in {share.input for share in budget(weighed, mass=68.0).shares}


def test_what_a_rider_brings_is_drawn_anew_for_each_drop_and_has_rows_in_the_budget():
    """u² of the clearance grows by that of the further fall; the estimate is the drop with that energy. A prediction
    limit and a tolerance limit hold it; exactly nothing is no input, and changes no draw."""
    stiffness = drop_stiffness(CURVE, invented(scattered(14, 6, 0.002, 0.0)), rig=EXACT)

    def forecast(fall=None, push_off=None, **asked):
        site = SimpleNamespace(**vars(EXACT) | {"centre_of_mass_fall": fall, "push_off": push_off})
        return forecast_drop(stiffness, site=site, masses=[68.0], draws=16_000, seed=1, **asked)

    still, sure = forecast(), forecast(Measured(2.0))
    unsure, running = forecast(Measured(2.0, 0.5)), forecast(Measured(2.0), Measured(2.0, 0.5))
    assert np.array_equal(still.draws["g"], forecast(Measured(0.0), Measured(0.0)).draws["g"])
    lower = (still.estimate("clearance") - sure.estimate("clearance"))[0]
    cord = {"slack_length": 10.0, "cord_mass": 14.0, "drag_area": 0.1, "mass": 68.0}
    curve = stiffness.shapes[0].curve
    with_rider = predict_drop(curve, centre_of_mass_fall=2.0, **cord)
    assert lower == pytest.approx(with_rider.lowest_point - predict_drop(curve, **cord).lowest_point, rel=0.02)
    assert sure.estimate("g")[0] > still.estimate("g")[0]
    for more, name in ((unsure, "site centre of mass fall"), (running, "site push off")):
        assert more.limit("clearance")[0] < sure.limit("clearance")[0]
        shares = {share.input: share for share in budget(more, mass=68.0).shares}
        grown = np.sqrt(more.u["clearance"][0] ** 2 - sure.u["clearance"][0] ** 2)
        assert shares[name].u == pytest.approx(grown, rel=0.1)
    assert shares.keys().isdisjoint({"site centre of mass fall"})  # without an uncertainty it has no row
    tolerance = [forecast(Measured(2.0, u), limit="tolerance").limit("clearance")[0] for u in (0.0, 0.5)]
    assert tolerance[1] < tolerance[0] - 0.3


def test_levels_are_for_the_masses_asked():
    stiffness = drop_stiffness(CURVE, invented(scattered(14, 4, 0.02, 0.0)), rig=EXACT)
    drop = NextDrop(stiffness, EXACT, np.array([50.0, 60.0]), "C1", None, None)
    scales = np.array(log_scales(stiffness.shapes[0], stiffness.drops, stiffness.batch, **drop_inputs(stiffness.rig)))
    own = scales[0][np.array(stiffness.drops.cord) == "C1"]
    assert drop.level.families[0].mean[0] == pytest.approx(own.mean(), abs=2e-3)


def test_a_load_factor_beyond_all_numbers_is_infinite_and_warns_of_nothing():
    """Two cords whose measured loads differ: the t law of one degree of freedom has no end."""
    stiffness = drop_stiffness(CURVE, invented(scattered(14, 2, 0.02, 0.0)), rig=EXACT)
    known = NextDrop(stiffness, EXACT, np.array([60.0]), None, None, None)
    drop = known.drop(0, np.zeros(2, int), np.zeros((1, 2)), known.typical, measured=np.array([0.0, 800.0]))
    assert np.isfinite(drop["g"]).tolist() == [[True, False]]
    assert np.isinf(drop["peak_load"]).tolist() == [[False, True]]


def test_the_stretch_ratio_of_a_tested_cord_carries_what_its_length_is_known_to():
    """Repeatability being almost nothing, the ratio spreads as 1/length does: u(ratio)/ratio = u(length)/length."""
    drops = replace(invented(scattered(14, 4, 0.02, 1e-5)), u_slack_length=np.full(4 * MASSES.size, 0.1))
    stiffness = drop_stiffness(CURVE, drops, rig=EXACT)
    forecast = forecast_drop(stiffness, site=EXACT, masses=[68.0], cord="C1", seed=3, draws=40_000)
    assert forecast.u["stretch_ratio"][0] / forecast.estimates["stretch_ratio"][0] == pytest.approx(0.01, rel=0.03)
    assert forecast.u["lowest_point"][0] / forecast.estimates["lowest_point"][0] < 0.001


# ------------------------------------------------------------------------------------------------ rebound


def test_depth_at_rebound_by_students_t_on_the_cords():
    """Cords alike but for the energy they return: the limit is the depth at its upper limit, mean + t s √(1 + 1/n)."""
    drops = returning(invented(np.zeros((6, 1))))
    forecast = forecast_drop(
        drop_stiffness(CURVE, drops, rig=EXACT), site=EXACT, masses=[36.0, 68.0], recorded=drops, seed=3, draws=60_000
    )
    lowest, margin = forecast.estimate("lowest_point"), prediction_factor(6, 0.99) * np.std(BACK, ddof=1)
    share = np.mean(BACK) - 2e-4 * np.array([0.0, 32.0])
    setup = DropSetup(np.array([36.0, 68.0]), 10.0, 14.0, 0.1)
    assert forecast.estimate("depth_at_rebound") == pytest.approx(depth_at_rebound(setup, lowest, share), abs=1e-3)
    assert forecast.limit("depth_at_rebound") == pytest.approx(depth_at_rebound(setup, lowest, share + margin), abs=0.1)
    assert forecast.limit("depth_at_rebound")[0] < forecast.limit("depth_at_rebound")[1]  # the lightest returns highest
    of_returns = budget(forecast, mass=36.0, quantity="depth_at_rebound")
    assert of_returns.shares[0].input == "energy returned, cord to cord"
    assert of_returns.shares[0].share > 0.99
    away = of_returns.estimate - of_returns.drawn_limit
    assert of_returns.linear_limit == pytest.approx(of_returns.drawn_limit, abs=0.05 * away)  # bends a little
    unsure = replace(drops, u_energy_returned=np.full(len(drops), 0.03))  # an error that all the records share
    options = {"site": EXACT, "masses": [36.0, 68.0], "seed": 3, "draws": 60_000}
    forecast = forecast_drop(drop_stiffness(CURVE, drops, rig=EXACT), recorded=unsure, **options)
    wider = np.hypot(margin, 0.03 * stats.norm.ppf(0.99))
    assert forecast.limit("depth_at_rebound") == pytest.approx(depth_at_rebound(setup, lowest, share + wider), abs=0.25)


def test_a_tolerance_limit_on_the_rebound_is_its_factor_on_the_cords():
    drops = returning(invented(np.zeros((6, 1))))
    options = {"site": EXACT, "masses": [36.0], "recorded": drops, "seed": 3, "draws": 60_000}
    stiffness = drop_stiffness(CURVE, drops, rig=EXACT)
    forecast = forecast_drop(stiffness, limit="tolerance", probability=0.9, confidence=0.9, **options)
    share = min(np.mean(BACK) + tolerance_factor(6, 0.9, 0.9) * np.std(BACK, ddof=1), 1.0)
    setup = DropSetup(36.0, 10.0, 14.0, 0.1)
    want = float(depth_at_rebound(setup, forecast.estimate("lowest_point")[0], share))
    assert forecast.limit("depth_at_rebound")[0] == pytest.approx(want, abs=0.1)


def test_where_records_show_no_energy_returned_nothing_is_drawn():
    """None at all, of one cord of several, or not down to the lightest mass."""
    drops = invented(scattered(2, 6, 0.02, 0.004))
    stiffness, back = drop_stiffness(CURVE, drops, rig=EXACT), returning(drops).energy_returned
    one_cord = np.where(np.array(drops.cord) == "C1", back, np.nan)
    heavy = np.where(drops.mass > 50.0, back, np.nan)
    for shares in (np.full(len(drops), np.nan), one_cord, heavy):
        recorded = replace(drops, energy_returned=shares)
        forecast = forecast_drop(stiffness, site=EXACT, masses=MASSES, recorded=recorded, draws=1000)
        assert "depth_at_rebound" not in forecast.draws

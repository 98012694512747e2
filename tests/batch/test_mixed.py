"""Campaigns where only some drops have a record: the curve beyond the records comes from lowest points, or is refused.

Everything is invented, with known truth: a cord that stiffens towards its lock-up, recorded with light masses only.
"""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binom

import cordlab
from cordlab.batch.bootstrap import ExtraEquations, refit
from cordlab.batch.drop_table import Evidence
from cordlab.batch.fit import fit_batch
from cordlab.batch.lowest_points import Energies
from cordlab.curves.least_squares import solve
from cordlab.curves.models import Curve, differences
from cordlab.limits.anchoring import drop_stiffness
from cordlab.limits.forecast import forecast_drop
from cordlab.mechanics.predict import predict_drop
from cordlab.units import Measured
from tests.invented_drops import Loading, stacked

TRUTH = Curve("gent", {"mu": 600.0, "j": 16.0})
MASS = np.array([36.0, 52.0, 68.0, 84.0, 100.0])
RIG = {"slack_length": 10.0, "cord_mass": 14.0, "drag_area": 0.3, "release_depth": 0.4}
READ = 0.03  # standard uncertainty of a lowest point [m]
DROP_SD = 0.004


def ladder(rng, *, cords=6, recorded=(36.0, 52.0), bins=20, curve=TRUTH):
    """Loading curves of the drops with a `recorded` mass, and the energy equations of all drops."""
    names, mass = np.repeat([f"C{k}" for k in range(cords)], MASS.size), np.tile(MASS, cords)
    scale = np.exp(np.repeat(rng.normal(0, 0.02, cords), MASS.size) + rng.normal(0, DROP_SD, mass.size))
    true = predict_drop(curve.scaled(scale), mass=mass, **RIG).lowest_point
    drops = []
    for k in np.flatnonzero(np.isin(mass, recorded)):
        x = np.arange(1 + 0.5 / bins, true[k] / 10, 1 / bins)
        force = scale[k] * curve.force(x) + rng.normal(0, 3.0, x.size)
        drops.append(Loading(f"{names[k]}-{mass[k]:g}", str(names[k]), x, force, mass=mass[k]))
    each = [f"{cord}-{m:g}" for cord, m in zip(names, mass, strict=True)]
    read = true + rng.normal(0, READ, true.size)
    return drops, Energies.of(each, [str(name) for name in names], read, READ, mass=mass, **RIG)


@pytest.fixture(scope="module")
def light():
    return ladder(np.random.default_rng(0))


def test_lowest_points_tell_the_models_apart_that_the_records_cannot(light):
    """Records to stretch ratio 2.4, drops to 3.2. The model that made the drops is chosen, within 1.5 % of it there."""
    drops, energies = light
    names = ("gent", "yeoh", "ogden-2")
    alone, joint = (fit_batch(drops, candidates=names, energies=equations) for equations in (None, energies))
    reach = np.array([energies.reach.max()])
    assert alone.samples.reach < 2.5 < 3.1 < joint.samples.reach == reach[0]
    assert set(alone.equals) == set(names)
    assert joint.chosen.model.name == "gent"
    assert "yeoh" not in joint.equals
    apart = [np.ptp([fit.candidate(name).fitted.curve.force(reach) for name in fit.equals]) for fit in (alone, joint)]
    assert apart[0] > 0.06 * TRUTH.force(reach)  # what drawing one formula on would have hidden
    assert apart[1] < 0.5 * apart[0]
    assert joint.chosen.curve.force(reach) == pytest.approx(TRUTH.force(reach), rel=0.015)
    assert any("24 of 30" in note or "18 of 30" in note for note in joint.notes)
    assert alone.notes == ()


def test_models_that_do_equally_well_spread_the_limits(light):
    """Records to stretch ratio 2.4 alone: three models do equally well, and part beyond, by 4 % in the load of 100 kg.

    The draws behind the limits hold the load of each; the refits of one model by itself do not hold the others'.
    """
    drops, energies = light
    fit, n = fit_batch(drops, candidates=["gent", "yeoh", "ogden-2"]), len(energies.drop)
    assert len(fit.equals) == 3
    loads = [float(predict_drop(fit.candidate(name).fitted.curve, mass=100.0, **RIG).tie_load) for name in fit.equals]
    assert np.ptp(loads) > 0.04 * min(loads)
    known = np.zeros(n)
    evidence = Evidence(
        list(energies.drop), list(energies.cord), energies.setup.mass, known, energies.lowest, np.full(n, READ),
        np.full(n, 10.0), np.full(n, 14.0), np.full(n, np.nan), known, known, np.full(n, 15.0),
    )  # fmt: skip
    site = SimpleNamespace(
        tie_height=Measured(48.0), release_depth=Measured(0.4), drag_area=Measured(0.3), air_density=Measured(1.2),
        compliance=Measured(0.0), load_cell_at="top", reach_below_attachment=Measured(2.2), gear_mass=Measured(0.0),
        centre_of_mass_fall=Measured(0.0),
        temperature=None,
    )  # fmt: skip
    shapes, spreads = [refits.curve for refits in fit.refits(200, seed=1)], []
    for some in (shapes[:1], shapes):
        stiffness = drop_stiffness(fit.chosen.curve, evidence, rig=site, shapes=some)
        forecast = forecast_drop(stiffness, site=site, masses=[100.0], probability=0.95, draws=5000, seed=2)
        spreads.append(np.quantile(forecast.draws["peak_load"][0], [0.1, 0.9]))
    one, all_three = spreads
    assert all_three[0] < min(loads) * 1.005
    assert all_three[1] > max(loads) * 0.995
    assert np.ptp(one) < 0.5 * np.ptp(all_three)


def test_the_band_beyond_the_records_holds_the_truth():
    """20 invented campaigns; a 95 % band that holds this seldom would do so by bad luck once in 1000."""
    held = []
    for seed in range(20):
        drops, energies = ladder(np.random.default_rng(100 + seed), cords=4)
        fit = fit_batch(drops, candidates=["gent"], energies=energies).chosen
        band = fit.confidence_band(np.array([3.1]))
        held.append(bool(band.lower < TRUTH.force(3.1) < band.upper))
    assert sum(held) >= binom.ppf(0.001, 20, 0.95)


def test_drop_scatter_is_told_from_a_wrong_shape():
    """Cords and masses have a level each, so 0.4 % between drops and the reading are left, whatever the trial curve.

    10 invented campaigns of 20 degrees of freedom each: the mean square is known to 10 %.
    """
    equations = [ladder(np.random.default_rng(seed))[1] for seed in range(10)]
    values = np.array([[600.0], [16.0]])
    read = replace(equations[0], lowest=equations[0].lowest + READ).logs(TRUTH.model, values)
    reading = np.mean((read - equations[0].logs(TRUTH.model, values)) ** 2)
    assert np.mean([of_drops.sd**2 for of_drops in equations]) == pytest.approx(DROP_SD**2 + reading, rel=0.3)


def test_equations_weigh_by_drops_and_not_by_samples():
    """Bins four times as fine, of the same correlation length in effect, leave what the equations add as it was."""
    coarse, energies = ladder(np.random.default_rng(5), bins=10)
    fine = [
        replace(d, stretch_ratio=np.repeat(d.stretch_ratio, 4), force=np.repeat(d.force, 4)) for d in coarse
    ]  # every value four times: nothing new was measured
    errors = [
        fit_batch(drops, candidates=["yeoh"], energies=energies).chosen.standard_errors["c3"]
        for drops in (coarse, fine)
    ]
    assert errors[1] == pytest.approx(errors[0], rel=0.3)


def test_refits_with_equations_are_the_fits_one_by_one(light):
    """`solve` with each drop's equations counted as often, within the linear account of the equations."""
    drops, energies = light
    stack, model, rng = stacked(drops), TRUTH.model, np.random.default_rng(2)
    x, y, number, ones = stack

    def weighted(values, count=1.0):
        return 10.0 * np.sqrt(count) * energies.off(model, values)

    start = solve(model, x, y, weights=ones, params=energies.start(model), extra=weighted)
    begin = start.result.params
    times, counts = rng.integers(1, 4, (6, len(drops))), rng.integers(0, 3, (6, len(energies.drop)))
    linear = ExtraEquations(weighted(start.values[:, None])[:, 0], differences(weighted, start.values), counts)
    many = refit(model, stack, times=times, params=begin, extra=linear)
    assert many.converged.all()
    for k in range(6):
        weight = ones * times[k][number]
        one = solve(model, x, y, weights=weight, params=begin, extra=lambda v, k=k: weighted(v, counts[k][:, None]))
        assert many.parameters["j"][k] == pytest.approx(one.values[1], rel=2e-4)
        assert abs(one.values[1] - start.values[1]) > 5 * abs(many.parameters["j"][k] - one.values[1])


def test_shapes_for_the_limits_hold_what_the_lowest_points_say():
    """The refits spread less with the equations, beyond the records above all."""
    rubber = Curve("yeoh", {"c1": 330.0, "c2": -6.0, "c3": 0.4})
    drops, energies = ladder(np.random.default_rng(0), curve=rubber)
    at, spreads = np.array([[2.0], [energies.reach.max()]]), []
    for each in (None, energies):
        (refits,) = fit_batch(drops, candidates=["yeoh"], energies=each).refits(200, seed=1)
        spreads.append(np.std(refits.curve.force(at), axis=1))
    assert spreads[1][1] < 0.7 * spreads[0][1]
    assert spreads[1][0] < spreads[0][0] < 0.1 * spreads[0][1]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mixed")
    cordlab.invent(
        folder / "campaign", seed=3, cords=4, masses=tuple(MASS), checks=(52.0,), retests=(), rate=250.0, duration=7.0,
        curve=TRUTH, decision={"probability": 0.95}, site={"tie_height": "50.0(1) m"},
        criteria={"greatest_g": 3.6, "least_strength_factor": 3},
    )  # fmt: skip
    return cordlab.read_campaign(folder / "campaign")


def without_records(campaign, above, cords=None):
    """The same campaign, its records of heavier masses lost; with `cords`, only the drops of the first ones."""
    kept = [cord.cord for cord in campaign.cords][:cords]
    drops = tuple(replace(d, record=None) if d.mass.value > above else d for d in campaign.drops if d.cord in kept)
    return replace(campaign, drops=drops, cords=tuple(c for c in campaign.cords if c.cord in kept))


def test_heavy_drops_without_records_still_give_a_rating(campaign):
    analysis = cordlab.Analysis(without_records(campaign, 60.0))
    assert analysis.rating.rated
    x = np.array([2.0, 3.1])
    assert analysis.fit.chosen.curve.force(x) == pytest.approx(TRUTH.force(x), rel=0.015)
    (note,) = analysis.fit.notes
    assert "12 of 16 drops have no record of the load" in note
    assert "no load was measured beyond the records" in note
    row = next(row for row in analysis.rating.predictions if row["mass"] == 97.0)
    typical = predict_drop(
        TRUTH, mass=100.0, slack_length=10.0, cord_mass=14.0, drag_area=0.5, air_density=1.2, release_depth=0.0
    )
    assert row["peak_load"] == pytest.approx(typical.tie_load, rel=0.03)  # four cords of 2 %, lengths of 0.4 %
    json.dumps(analysis.fit.to_dict(), allow_nan=False)


def test_where_lowest_points_cannot_carry_the_curve_nothing_is_rated(campaign):
    """One cord: nothing shows how its drops scatter, so nothing says what the shape beyond the records may be."""
    analysis = cordlab.Analysis(without_records(campaign, 60.0, cords=1))
    assert not analysis.rating.rated
    (reason,) = analysis.rating.reasons
    assert reason.startswith("records reach a stretch ratio of 2.")
    assert "record a heavier drop" in reason

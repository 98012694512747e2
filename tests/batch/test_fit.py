"""The fit of a batch: what is recovered from invented drops with known truth, what is refused, and refits in bulk."""

import warnings
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, chi2

from cordlab.batch.bootstrap import Values, groups_left_out, refit, resample
from cordlab.batch.fit import FitError, fit_batch
from cordlab.curves.fit import NoBand, fit_curve
from cordlab.curves.least_squares import solve
from cordlab.curves.models import Curve, model
from cordlab.records.reduce import reduce_drop
from tests.coverage.bands import study
from tests.invented import invented_drop, mooney_rivlin
from tests.invented_drops import REACH, TRUE, invented_drops, stacked

FEW = ("linear", "mooney-rivlin", "yeoh", "gent", "spline")


@pytest.fixture(scope="module")
def drops():
    return invented_drops(np.random.default_rng(11))


@pytest.fixture(scope="module")
def batch(drops):
    return fit_batch(drops, candidates=FEW)


def test_the_model_that_made_the_drops_is_chosen(batch):
    assert batch.chosen.model.name == batch.equals[0] == "mooney-rivlin"
    assert batch.chosen.parameters == pytest.approx(TRUE.parameters, rel=0.03)
    assert [candidate.model for candidate in batch.candidates] == list(FEW)
    assert batch.held_back == "each drop in turn"
    assert batch.table()["choice"]["mooney-rivlin"] == "chosen"


def test_one_scale_a_cord_with_geometric_mean_1(batch, drops):
    assert np.prod(list(batch.chosen.scales.values())) == pytest.approx(1)
    for cord, scale in batch.chosen.scales.items():
        logs = [np.log(batch.drop_scales[d.name]) for d in drops if d.cord == cord]
        assert np.mean(logs) == pytest.approx(np.log(scale), abs=1e-6)
    assert np.sqrt(batch.chosen.log_scales.within) == pytest.approx(0.004, rel=0.5)
    assert batch.chosen.log_scales.dof_within == len(drops) - 6


def test_neighbouring_bins_do_not_count_as_independent():
    """n (1 − ρ)/(1 + ρ): the noise was made with ρ = 0.5 and 0.9."""
    for correlation in (0.5, 0.8):
        made = invented_drops(np.random.default_rng(3), correlation=correlation)
        fit = fit_batch(made, candidates=["mooney-rivlin"])
        assert fit.samples.correlation == pytest.approx(correlation, abs=0.08)
        worth = len(fit.samples.force) * (1 - correlation) / (1 + correlation)
        assert fit.samples.independent == pytest.approx(worth, rel=0.35)
        assert fit.chosen.dof < fit.samples.independent


def test_bands_do_not_shrink_when_the_same_drops_are_binned_finer():
    """Bins twice as fine, of noise with the same length of correlation, say nothing new about cords."""
    fine = invented_drops(np.random.default_rng(8), bins=40, correlation=0.7)
    coarse = [replace(d, stretch_ratio=d.stretch_ratio[::2], force=d.force[::2]) for d in fine]
    fits = [fit_batch(made, model="mooney-rivlin", candidates=["mooney-rivlin"]).chosen for made in (fine, coarse)]
    for ask in (lambda fit: fit.confidence_band(3.0), lambda fit: fit.prediction_band(3.0)):
        one, other = map(ask, fits)
        assert one.upper - one.lower == pytest.approx(other.upper - other.lower, rel=0.05)
        assert one.dof < 10  # of 6 cords, not of a thousand bins


def test_a_drop_read_four_times_as_often_weighs_no_more():
    """Two drops of unlike cords (invented, integrated in time), one recorded at 1000 Hz and one at 250 Hz, and the
    other way round: the curve is the same, though one drop then has four times the samples of the other.
    """

    def stiffer(ratio):
        return mooney_rivlin(ratio) * (1 + 0.1 * (ratio - 1))

    def reduced(law, rate, name):
        made = invented_drop(force=law, rate=rate)
        return reduce_drop(
            made.time, made.load, made.position, mass=68.0, slack_length=10.0, cord_mass=14.0, drag_area=0.1,
            air_density=1.2, name=name, cord=name,
        )  # fmt: skip

    def curve(first, second):
        drops = [reduced(mooney_rivlin, first, "A"), reduced(stiffer, second, "B")]
        assert [len(drop.force) for drop in drops] == pytest.approx([80, 80], abs=4)
        fit = fit_batch(drops, model="mooney-rivlin", candidates=["mooney-rivlin"]).chosen
        return fit.curve.force(3.0) / fit.curve.force(1.5)

    fast, slow = curve(1000.0, 250.0), curve(250.0, 1000.0)
    ratios = [law(3.0) / law(1.5) for law in (mooney_rivlin, stiffer)]
    assert ratios[0] < fast < ratios[1]
    assert abs(fast - slow) < 0.02 * (ratios[1] - ratios[0])  # where the samples counted it would be some 0.6


@pytest.mark.parametrize("u", [0.03, 0.1])
def test_effective_variance_against_orthogonal_distance(u):
    """scipy.odr on the same values, stretch uncertain by u: Orear's weights come to the same curve within a
    quarter of a standard error, and to the same errors. 240 independent values, the curve steep at its start.
    """
    rng, sd = np.random.default_rng(7), 5.0
    true_x = np.tile(np.linspace(1.02, 4, 60), 4)
    x, y = true_x + rng.normal(0, u / 10, true_x.size), TRUE.force(true_x) + rng.normal(0, sd, true_x.size)
    slope = TRUE.slope(x)
    ours = fit_curve(x, y, model="mooney-rivlin", weights=1 / (sd**2 + (slope * u / 10) ** 2))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from scipy import odr
    family = odr.Model(lambda beta, x: TRUE.model.force(x, {"c1": beta[0], "c2": beta[1]}))
    theirs = odr.ODR(odr.RealData(x, y, sx=u / 10, sy=sd), family, beta0=[200.0, 100.0]).run()
    for k, name in enumerate(("c1", "c2")):
        assert abs(ours.parameters[name] - theirs.beta[k]) < 0.25 * theirs.sd_beta[k]
        assert ours.standard_errors[name] == pytest.approx(theirs.sd_beta[k], rel=0.05)


def test_uncertain_stretch_weighs_down_the_steep_start(drops):
    sharp, blurred = (
        fit_batch([replace(d, u_lowest_point=u) for d in drops], model="mooney-rivlin", candidates=["mooney-rivlin"])
        for u in (0.0, 0.1)
    )
    assert np.ptp(sharp.samples.weight) == pytest.approx(0, abs=1e-12)
    assert blurred.samples.weight[0] < 0.3 * blurred.samples.weight[20]  # steep at stretch ratio 1, flat further on
    assert blurred.chosen.parameters == pytest.approx(sharp.chosen.parameters, rel=0.02)


def test_held_back_drops_are_predicted_with_the_scale_of_their_cord(drops):
    kept, check = drops[::2], drops[1::2]
    batch = fit_batch(kept, candidates=FEW, check=check)
    assert batch.held_back == "check drops"
    candidate = batch.candidate("mooney-rivlin")
    off = [d.force - candidate.fit.scales[d.cord] * candidate.fit.curve.force(d.stretch_ratio) for d in check]
    assert candidate.check_rms == pytest.approx(np.sqrt(np.mean(np.concatenate(off) ** 2)))
    # drop scatter of 0.4 % of some 1400 N, twice (fit and check), and noise of 3 N
    assert 4 < candidate.check_rms < 12
    assert batch.candidate("linear").check_rms > 10 * candidate.check_rms


def test_leaving_each_drop_out_is_what_separate_fits_say():
    made = invented_drops(np.random.default_rng(4), cords=3, reach=(2.5, 4.0))
    check_rms = fit_batch(made, candidates=["mooney-rivlin"]).candidate("mooney-rivlin").check_rms
    off = []
    for k, out in enumerate(made):
        fit = fit_batch(made[:k] + made[k + 1 :], candidates=["mooney-rivlin"]).chosen
        off.append(out.force - fit.scales[out.cord] * fit.curve.force(out.stretch_ratio))
    assert check_rms == pytest.approx(np.sqrt(np.mean(np.concatenate(off) ** 2)), rel=0.05)


def test_a_model_that_turns_down_in_the_tested_range_is_refused():
    humped = Curve("polynomial", {"p1": 1500.0, "p2": -700.0, "p3": 95.0})
    assert humped.rises_to(4.0) < 4.0
    made = invented_drops(np.random.default_rng(2), curve=humped)
    with pytest.raises(
        FitError, match=r"polynomial: the force stops rising at stretch ratio \d\.\d\d, within the tested"
    ):
        fit_batch(made, model="polynomial", candidates=["polynomial"])
    with pytest.raises(FitError, match=r"no model describes these drops: polynomial: the force stops rising"):
        fit_batch(made, candidates=["polynomial"])
    assert not fit_batch(made, candidates=["linear", "polynomial"]).candidate("polynomial").usable


@pytest.mark.parametrize("count", [1, 2, 100, 101, 950])
def test_every_drop_is_left_out_once_and_alone_up_to_a_hundred(count):
    out = groups_left_out(count)
    assert (out.sum(axis=0) == 1).all()
    assert set(out.sum(axis=1)) == ({1} if count <= 100 else {count // 100, -(-count // 100)})


def test_drops_left_out_in_groups_tell_the_same_as_one_by_one(monkeypatch):
    """40 cords of 3 drops: 100 groups, against 120 of one drop each."""
    many = invented_drops(np.random.default_rng(9), cords=40)
    rms = []
    for most in (100, 120):
        monkeypatch.setattr("cordlab.batch.bootstrap.GROUPS", most)
        assert len(groups_left_out(len(many))) == most
        rms.append(fit_batch(many, candidates=["mooney-rivlin"]).candidate("mooney-rivlin").check_rms)
    assert rms[0] != rms[1]
    assert rms[0] == pytest.approx(rms[1], rel=1e-3)


def test_one_cord_and_one_drop():
    one = invented_drops(np.random.default_rng(6), cords=1)
    fit = fit_batch(one, candidates=["mooney-rivlin"]).chosen
    with pytest.raises(NoBand, match=r"only 1 cord"):
        fit.prediction_band(2.0)
    assert fit.prediction_band(2.0, this_cord="C1").dof < 6  # 4 for the drops' scatter
    alone = fit_batch(one[-1:], candidates=["mooney-rivlin"])
    assert alone.held_back == "nothing"
    assert np.isnan(alone.candidates[0].check_rms)
    with pytest.raises(NoBand, match=r"no cord was dropped often enough to show scatter from drop to drop"):
        alone.chosen.prediction_band(2.0, this_cord="C1")


def test_messages_say_what_is_missing(drops):
    with pytest.raises(FitError, match=r"no drop to fit"):
        fit_batch([])
    with pytest.raises(FitError, match=r"two drops have one name"):
        fit_batch([drops[0], drops[0]])
    with pytest.raises(ValueError, match=r"no force–elongation model is called 'rubber'"):
        fit_batch(drops, model="rubber")


def test_resampling_keeps_the_number_of_cords_and_of_their_drops():
    """A two-stage bootstrap: cords first, then the drops of each cord drawn (Davison & Hinkley 1997, section 3.8)."""
    cords = ["A", "B", "A", "C", "B", "A"]
    times = resample(cords, 4000, np.random.default_rng(0))
    place = np.array([cords.index(cord) for cord in cords])
    per_cord = np.array([times[:, place == k].sum(axis=1) for k in np.unique(place)])  # A 3 drops, B 2, C 1
    drawn = per_cord / np.array([[3], [2], [1]])
    assert (drawn == np.round(drawn)).all()
    assert (drawn.sum(axis=0) == 3).all()
    np.testing.assert_allclose(times.mean(axis=0), 1.0, atol=5 * np.sqrt(3 / 4000))


@pytest.mark.parametrize("name", ["mooney-rivlin", "yeoh", "gent", "ogden-1", "ogden-2", "arruda-boyce", "spline"])
def test_refits_in_bulk_are_the_fits_one_by_one(name):
    rng = np.random.default_rng(9)
    made = invented_drops(rng, cords=3, reach=REACH[::2], cord_sd=0.05, curve=Curve("gent", {"mu": 600.0, "j": 30.0}))
    x, y, number, _ = stacked(made)
    family, weight = model(name).placed(x), np.linspace(1, 2, len(x))
    params = solve(family, x, y, weights=weight).result.params
    times = resample([d.cord for d in made], 12, rng)
    many = refit(family, Values(x, y, number, weight), times=times, params=params)
    assert many.converged.all()
    grid = np.linspace(1.1, 3.9, 9)
    for k, row in enumerate(times):
        kept = row[number] > 0
        single = solve(family, x[kept], y[kept], weights=(weight * row[number])[kept], params=params)
        force = family.force(grid, family.by_name(single.values))
        np.testing.assert_allclose(many.curve.force(grid[:, None])[:, k], force, rtol=2e-5)
        assert many.rss[k] == pytest.approx(single.rss, rel=1e-6)


def test_bootstrap_is_repeatable_and_keeps_the_level_of_the_batch(batch):
    once, again = (batch.bootstrap(200, seed=4) for _ in range(2))
    assert np.array_equal(once.parameters["c1"], again.parameters["c1"])
    spread = np.std(once.curve.force(3.0)) / batch.chosen.curve.force(3.0)
    assert spread < 0.002  # the shape alone: the cords' 2 % are not in it
    assert len(batch.refits(10, seed=1)) == len(batch.equals)


def test_a_refit_that_is_not_at_rest_is_left_out_of_the_curves(batch):
    """Others stand in for it, so that there are as many curves as draws."""
    refits = batch.bootstrap(6, seed=4)
    partly = replace(refits, converged=np.array([True, False, True, True, False, True]))
    force = refits.curve.force(3.0)
    np.testing.assert_array_equal(partly.curve.force(3.0), force[[0, 2, 2, 3, 0, 5]])
    assert refits.notes == ()
    assert "mooney-rivlin: 33.3% of the refits to resampled drops did not come to rest" in partly.notes[0]
    with pytest.raises(ValueError, match="no refit to resampled drops came to rest"):
        replace(refits, converged=np.zeros(6, bool)).curve.force(3.0)


def test_the_bootstrap_scatters_as_the_shape_does_from_batch_to_batch():
    """30 invented batches of 4 cords: the sd of a ratio of forces, against √(3/4) of it from the draws of each batch.

    The variance of 30 is known to a factor of 0.35 to 2.1 (χ², outside it once in 1000).
    """
    at, fitted, drawn = np.array([[1.5], [3.5]]), [], []
    for seed in range(30):
        made = invented_drops(np.random.default_rng(1000 + seed), cords=4, reach=REACH[::2])
        fit = fit_batch(made, model="mooney-rivlin", candidates=["mooney-rivlin"])
        for curve, kept in ((fit.chosen.curve, fitted), (fit.bootstrap(400, seed=1).curve, drawn)):
            kept.append(np.divide(*curve.force(at)))
    true, ours = np.var(fitted, ddof=1), np.mean(np.var(drawn, axis=1)) / 0.75
    low, high = chi2.ppf([0.0005, 0.9995], 29) / 29
    assert low < true / ours < high


def test_a_long_bootstrap_tells_how_far_it_is(batch):
    """A thousand refits at a time, and watching changes nothing."""
    seen = []

    def watch(chunks, desc, unit):
        seen.append((len(chunks), desc, unit))
        return chunks

    watched, alone = batch.bootstrap(2500, seed=4, progress=watch), batch.bootstrap(2500, seed=4)
    assert seen == [(3, "mooney-rivlin refits", "thousand")]
    assert np.array_equal(watched.parameters["c2"], alone.parameters["c2"])


def test_bands_hold_as_often_as_they_say():
    """60 invented batches of 4 cords and 3 drops; the long study is `python -m tests.coverage bands`.

    A 95 % band that holds this seldom would do so by bad luck once in 1000.
    """
    shares = study(60, seed=1, cords=4, reach=(2.2, 3.1, 4.0))
    assert (shares >= binom.ppf(0.001, 60, 0.95) / 60).all()


def test_a_parameter_of_the_chosen_model_can_be_fixed_or_bounded(drops):
    """Fixed at the truth, the other comes out as well known or better; refits hold what was fixed."""
    params = model("mooney-rivlin").to_lmfit().make_params(c1=TRUE.parameters["c1"], c2=50.0)
    params["c1"].vary = False
    fixed = fit_batch(drops, model="mooney-rivlin", candidates=["linear"], params=params)
    free = fit_batch(drops, model="mooney-rivlin", candidates=["linear"])
    assert fixed.chosen.parameters["c1"] == TRUE.parameters["c1"]
    assert fixed.chosen.dof == pytest.approx(free.chosen.dof + 1)
    assert np.ptp(fixed.bootstrap(50, seed=1).parameters["c1"]) == 0
    assert np.ptp(fixed.bootstrap(50, seed=1).parameters["c2"]) > 0
    params["c1"].set(vary=True, max=0.9 * free.chosen.parameters["c1"], min=0.0, value=100.0)
    bounded = fit_batch(drops, model="mooney-rivlin", candidates=["linear"], params=params).chosen
    assert bounded.parameters["c1"] == pytest.approx(params["c1"].max)
    with pytest.raises(NoBand, match=r"c1 = .* at its bound"):
        bounded.confidence_band(2.0)
    with pytest.raises(ValueError, match=r"params are those of one model: name it"):
        fit_batch(drops, params=params)
    with pytest.raises(ValueError, match=r"gent takes the parameters mu, j; got c1, c2"):
        fit_batch(drops, model="gent", params=params)


def test_a_rival_that_cannot_be_refitted_is_left_out_with_the_reason(drops):
    """A slack length with its decimal moved makes stretch ratios of 30, which no curve with a lock-up follows."""
    slipped = [replace(d, stretch_ratio=10 * d.stretch_ratio) if d.cord == drops[0].cord else d for d in drops]
    rival = fit_batch(slipped, candidates=["mooney-rivlin", "arruda-boyce"]).candidate("arruda-boyce")
    assert rival.fit is None
    assert rival.note.startswith("could not be fitted: arruda-boyce: the curve bends too sharply")

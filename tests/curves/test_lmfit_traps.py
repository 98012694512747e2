"""Where lmfit 1.3.4 gives numbers that the data do not hold: each test shows the trap, then that ours is right."""

import lmfit
import numpy as np
import pytest
from scipy import stats

from cordlab.batch.bootstrap import refit, resample
from cordlab.curves.fit import NoBand, fit_curve
from cordlab.curves.least_squares import solve
from cordlab.curves.models import Curve, Model, Spline, model
from tests.invented_drops import invented_drops, stacked


def _line(x, intercept, slope):
    return intercept + slope * x


LINE = {"model": lmfit.Model(_line), "params": lmfit.create_params(intercept=0, slope=1)}


@pytest.fixture
def weighted():
    """Invented: a straight line with noise that grows, weights 1/variance."""
    x = np.linspace(1, 9, 25)
    sd = 0.5 + 0.4 * x
    return x, 3 + 2 * x + np.random.default_rng(5).normal(0, sd), 1 / sd**2


def lmfit_curve(family: Model, x, y, start, weights=None):
    """lmfit's fit of a model of the registry, with the model's bounds."""
    root = np.ones_like(x) if weights is None else np.sqrt(weights)

    def residual(params):
        return root * (np.nan_to_num(family.force(x, params.valuesdict()), posinf=1e6) - y)

    return lmfit.minimize(residual, family.to_lmfit().make_params(**start))


def test_prediction_band_with_weights(weighted):
    """lmfit adds the same variance to every new value, whatever its weight.

    The textbook's: s² (1/w₀ + 1/Σw + (x₀ − x̄)²/Σw(x − x̄)²), x̄ the weighted mean (Draper & Smith, Applied Regression
    Analysis, 3rd ed., section 9.2, from memory).
    """
    x, y, w = weighted
    theirs = lmfit.Model(_line).fit(y, x=x, intercept=0, slope=1, weights=np.sqrt(w))
    theirs.eval_uncertainty(sigma=0.95)
    fit = fit_curve(x, y, **LINE, weights=w)
    mean = w @ x / w.sum()
    s2, t = fit.residual_sd**2, stats.t.ppf(0.975, len(x) - 2)
    at_line = 1 / w.sum() + (x - mean) ** 2 / (w @ (x - mean) ** 2)
    textbook = t * np.sqrt(s2 * (1 / w + at_line))
    assert theirs.dely_predicted[0] > 1.05 * textbook[0]  # too wide where values are good
    assert theirs.dely_predicted[-1] < 0.5 * textbook[-1]  # and too narrow by half where they are not
    ours = [fit.prediction_band(np.array([x0]), 0.95, weight=w0) for x0, w0 in zip(x, w, strict=True)]
    np.testing.assert_allclose([(b.upper - b.force)[0] for b in ours], textbook, rtol=1e-9)
    confidence = fit.confidence_band(x, 0.95)
    np.testing.assert_allclose(confidence.upper - confidence.force, t * np.sqrt(s2 * at_line), rtol=1e-9)


def test_a_parameter_at_its_bound():
    """A slope that would fall below 0 ends at 0. lmfit finds the same curve from every start and calls each success,
    but its error of that slope is a matter of rounding: none from one start, and half as large again from another.
    """
    x = np.linspace(1.05, 4, 60)
    y = np.where(x < 2.5, 900 * (x - 1), 1350 - 150 * (x - 2.5)) + np.random.default_rng(4).normal(0, 5, 60)
    family = Spline([1.0, 2.5, 4.0])
    theirs = [lmfit_curve(family, x, y, family.start(x, y) | {"slope_4": slope}) for slope in (50.0, 100.0, 300.0)]
    assert all(fit.success for fit in theirs)
    assert [fit.params["slope_4"].value for fit in theirs] == pytest.approx([0, 0, 0], abs=1e-3)
    assert [fit.chisqr for fit in theirs] == pytest.approx([theirs[0].chisqr] * 3, rel=1e-5)
    errors = [fit.params["slope_4"].stderr or 0.0 for fit in theirs]
    assert max(errors) > 1.5 * min(errors)
    fit = fit_curve(x, y, model=family)
    assert fit.residuals @ fit.residuals <= theirs[0].chisqr * (1 + 1e-9)
    for ask in (lambda: fit.standard_errors, lambda: fit.confidence_band(x), lambda: fit.prediction_band(x)):
        with pytest.raises(NoBand, match=r"slope_4 = .* at its bound: there is no standard error there; try a simpler"):
            ask()


def test_a_lock_up_that_runs_away_to_its_bound():
    """Data of a curve that falls off. lmfit started at the bound stays there, far from the least, and calls it success;
    its band is off by orders of magnitude. Ours comes to the same least from either start and refuses the band.
    """
    x = np.linspace(1.05, 4, 60)
    y = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}).force(x)
    starts = [{"mu": 700.0, "j": 50.0}, {"mu": 700.0, "j": 1e4}]
    good, stuck = (lmfit_curve(model("gent"), x, y, start) for start in starts)
    assert good.success
    assert stuck.success
    assert stuck.errorbars
    assert stuck.chisqr > 2 * good.chisqr
    for start in starts:
        fit = fit_curve(x, y, model="gent", params=model("gent").to_lmfit().make_params(**start))
        assert fit.residuals @ fit.residuals <= good.chisqr * (1 + 1e-6)
        with pytest.raises(NoBand, match=r"gent: j = 1e\+04 at its bound: there is no standard error there; try a sim"):
            fit.prediction_band(x)
        assert fit.to_dict()["standard_errors"] == {"mu": None, "j": None}


def test_parameters_that_can_change_places():
    """lmfit reports error bars, and a band that is 0, no number, or a hundred times too wide, as rounding has it."""
    x = np.linspace(1, 3, 30)
    y = 4 * (x - 1) + np.random.default_rng(1).normal(0, 0.1, 30)

    def twice(x, a, b):
        return (a + b) * (x - 1)

    params = lmfit.create_params(a=4)
    once = fit_curve(x, y, model=lmfit.Model(lambda x, a: a * (x - 1)), params=params).confidence_band(x[-1:])
    right = float(once.upper[0] - once.force[0])
    for start in ({"a": 2.0, "b": 2.0}, {"a": 1.0, "b": 0.0}, {"a": 3.0, "b": 1.0}):
        theirs = lmfit.Model(twice).fit(y, x=x, **start)
        assert theirs.success
        assert theirs.errorbars
        with np.errstate(invalid="ignore"):
            band = theirs.eval_uncertainty(sigma=0.95)[-1]
        assert np.isnan(band) or band == 0 or band > 100 * right
        fit = fit_curve(x, y, model=lmfit.Model(twice), params=lmfit.create_params(**start))
        assert fit.parameters["a"] + fit.parameters["b"] == pytest.approx(float(once.force[0]) / 2, rel=1e-9)
        with pytest.raises(NoBand, match=r"the data cannot tell a, b apart; try a simpler model"):
            fit.confidence_band(x)


def test_aic_and_the_scale_of_the_weights(weighted):
    """The same fit, weights 250 times as great: lmfit's AIC moves by n ln 250; our AICc stays."""
    x, y, w = weighted
    theirs = [
        lmfit.Model(_line).fit(y, x=x, intercept=0, slope=1, weights=np.sqrt(factor * w)) for factor in (1.0, 250.0)
    ]
    assert theirs[1].aic - theirs[0].aic == pytest.approx(25 * np.log(250))
    assert not hasattr(theirs[0], "aicc")
    once, again = (fit_curve(x, y, **LINE, weights=factor * w) for factor in (1.0, 250.0))
    assert again.aicc == pytest.approx(once.aicc, abs=1e-9)
    assert again.standard_errors["slope"] == pytest.approx(once.standard_errors["slope"], rel=1e-9)
    likelihood = stats.norm.logpdf(y, y - once.residuals, np.sqrt(once.residual_sd**2 * once.dof / len(x) / w)).sum()
    constant = len(x) * (1 + np.log(2 * np.pi))
    assert once.aicc == pytest.approx(-2 * likelihood - constant + 6 + 24 / (len(x) - 4), rel=1e-12)


def test_success_that_is_none():
    """Two Ogden terms on drops that scatter by 4 %: lmfit calls it success whether or not it came to the least.

    From one start of three it may stop at more than twice the least sum of squares. Ours all come to rest, at the least
    that any start of lmfit's finds, to a part in a thousand.
    """
    made = invented_drops(np.random.default_rng(12), cords=3, reach=(2.0, 2.4), cord_sd=0.04, drop_sd=0.04, noise=8.0)
    values = stacked(made)
    x, y, number, ones = values
    family = model("ogden-2")
    starts = [
        family.by_name(values)
        for values in ((580.0, 1.9, -80.0, -4.6), (400.0, 1.6, -90.0, -1.8), (30.0, 8.0, -300.0, -1.0))
    ]
    begin = solve(family, x, y, weights=ones).result.params
    times = resample([d.cord for d in made], 300, np.random.default_rng(1))
    ours = refit(family, values, times=times, params=begin)
    assert ours.converged.all()

    def sums_of_squares(k):
        theirs = [lmfit_curve(family, x, y, start, weights=times[k][number]) for start in starts]
        assert all(fit.success for fit in theirs)
        return [fit.chisqr for fit in theirs]

    sums = [sums_of_squares(k) for k in range(8)]
    assert any(max(of_draw) > 2 * min(of_draw) for of_draw in sums)
    for rss, of_draw in zip(ours.rss, sums, strict=False):
        assert rss <= min(of_draw) * 1.001
    force = ours.curve.force(np.array([[1.5], [2.2]]))  # of all draws
    low, high = np.quantile(force, [0.05, 0.95], axis=1)
    assert (low < high).all()
    assert np.isfinite(high).all()

"""What is odd about a batch is found, named and placed; a good batch raises nothing."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from cordlab.batch.findings import fit_findings, outlying_drop
from cordlab.batch.fit import fit_batch
from cordlab.curves.fit import NoBand
from cordlab.curves.models import Curve
from tests.invented_drops import invented_drops

MODELS = ["mooney-rivlin", "yeoh"]


def _by_kind(drops, candidates=MODELS, **options):
    findings = fit_findings(fit_batch(drops, candidates=candidates, **options), drops)
    return {finding.kind: finding for finding in findings}


def _scaled(drop, factor):
    return replace(drop, force=drop.force * factor)


@pytest.fixture
def drops():
    return invented_drops(np.random.default_rng(21))


def test_a_good_batch_raises_nothing():
    odd = sum(len(_by_kind(invented_drops(np.random.default_rng(seed)))) for seed in range(12))
    assert odd <= 4  # at most four looks at 1 % over 12 batches: 0.5 expected, more than 4 once in 6000


def test_an_outlying_drop(drops):
    drops[7] = _scaled(drops[7], 1.04)
    finding = _by_kind(drops)["outlying drop"]
    assert finding.where == "drop C2-3 (cord C2)"
    assert finding.text.endswith("above that of its cord's other drops")
    assert "drop it again" in finding.remedy


def test_outlying_drop_by_the_studentized_residual_of_a_reference(drops):
    """statsmodels: externally studentized residuals of the one-way layout; found just where Bonferroni's chance is."""
    rng = np.random.default_rng(5)
    cords = [d.cord for d in drops]
    values = rng.normal(0, 1, len(drops))
    values[4] += 4.0
    dummies = np.array([[cord == name for name in dict.fromkeys(cords)] for cord in cords], dtype=float)
    reference = sm.OLS(values, dummies).fit().outlier_test(method="bonf")
    assert reference[:, 2].argmin() == 4
    for shrink in (1.0, 0.6):  # 0.6: an outlier no longer
        moved = values - np.where(np.arange(len(values)) == 4, (1 - shrink) * values[4], 0)
        chance = sm.OLS(moved, dummies).fit().outlier_test(method="bonf")[:, 2].min()
        assert any(outlying_drop(moved, drops)) == (chance < 0.01)


def test_a_cord_unlike_the_others(drops):
    odd = [_scaled(drop, 1.3) if drop.cord == "C4" else drop for drop in drops]
    finding = _by_kind(odd)["unlike cord"]
    assert finding.where == "cord C4"
    assert finding.text.startswith("its stiffness is 1.3")
    assert "check its number, slack length and history" in finding.remedy


def test_softening_and_temperature_trends(drops):
    order = {drop.name: k % 5 for k, drop in enumerate(drops)}
    soft = [replace(_scaled(d, 0.98 ** order[d.name]), jumps=order[d.name]) for d in drops]
    finding = _by_kind(soft)["softening"]
    assert finding.text.startswith("stiffness changes by -2.0")
    assert finding.remedy.startswith("condition the cords")
    warm = [
        replace(_scaled(d, 1 + 0.01 * t), temperature=10.0 + t) for d, t in zip(drops, [0, 3, 1, 4, 2] * 6, strict=True)
    ]
    finding = _by_kind(warm)["temperature"]
    assert finding.text.startswith("stiffness changes by +0.98% a")  # 1 % of the start, of a mean 2 degrees on
    assert finding.remedy == "drop at one temperature, or rate only for the range tested"


def test_a_trend_that_may_be_another_says_so(drops):
    """A ladder from light to heavy: count and mass rise together. With the masses in another order they do not."""
    ladder = [replace(_scaled(d, 0.98 ** (k % 5)), jumps=k % 5) for k, d in enumerate(drops)]
    findings = _by_kind(ladder)
    assert "mass went along, so it may be that: drop the first mass again" in findings["softening"].remedy
    assert "jumps went along" in findings["mass"].remedy
    order = (2, 0, 4, 1, 3)
    mixed = [replace(_scaled(d, 0.98 ** order[k % 5]), jumps=order[k % 5]) for k, d in enumerate(drops)]
    assert "went along" not in _by_kind(mixed)["softening"].remedy


def test_a_temperature_that_was_not_recorded_is_no_trend(drops):
    unknown = [replace(drop, temperature=np.nan) for drop in drops]
    assert "temperature" not in _by_kind(unknown)


def test_a_wrong_model():
    made = invented_drops(np.random.default_rng(2), curve=Curve("gent", {"mu": 600.0, "j": 22.0}))
    finding = _by_kind(made, candidates=["linear", "gent"], model="linear")["wrong model"]
    assert "gent leaves" in finding.text
    assert finding.where.startswith("stretch ratio ")
    assert finding.remedy == "compare gent, and see where it stops being sensible"


@pytest.mark.parametrize(("name", "why"), [("gent", "j = 1e+04 at its bound"), ("ogden-3", "the data cannot tell ")])
def test_parameters_that_the_data_cannot_separate(drops, name, why):
    """No band, and the finding says why and what to do."""
    batch = fit_batch(drops, candidates=[name], model=name)
    (finding,) = [finding for finding in fit_findings(batch, drops) if finding.kind == "no band"]
    assert finding.text.startswith(why)
    assert finding.where == f"model {name}"
    assert finding.remedy == "no band is given: use a model with fewer parameters"
    with pytest.raises(NoBand):
        batch.chosen.confidence_band(2.0)


def test_too_few_cords(drops):
    assert "too few cords" not in _by_kind(drops[:5])  # of one cord the rating says what to do
    finding = _by_kind(drops[:10])["too few cords"]
    assert finding.remedy == "drop at least 4 cords"
    assert finding.text == "2 cords: a band for another cord is honest but very wide"


def test_the_drops_must_be_those_of_the_fit(drops):
    batch = fit_batch(drops, candidates=MODELS)
    with pytest.raises(ValueError, match=r"the drops are not those of the fit"):
        fit_findings(batch, drops[1:])

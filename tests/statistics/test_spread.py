"""Variance components and limits against published tables, certified values and worked examples."""

import math

import numpy as np
import pytest
from scipy import stats

from cordlab.statistics.limits import (
    components,
    confidence_limit,
    prediction_assurance,
    prediction_factor,
    prediction_limit,
    tolerance_factor,
    tolerance_limit,
)
from tests.conftest import PUBLISHED, SOURCES, approx_printed, printed, published_csv


def nist_anova(name: str) -> tuple[np.ndarray, np.ndarray]:
    group, value = np.loadtxt(PUBLISHED / name, skiprows=60, unpack=True)
    return value, group


# --- tolerance and prediction factors ---------------------------------------------------------------------------


def test_one_sided_factors_of_the_textbook_table():
    """Montgomery and Runger (2018), Table XII: 135 factors, three decimals."""
    table = published_csv("tolerance-one-sided.csv")
    factors = [tolerance_factor(row.n, row.share, row.confidence) for row in table.itertuples()]
    assert len(factors) == 135
    np.testing.assert_allclose(factors, table.k, rtol=0, atol=0.0005)


def test_two_sided_factors_of_the_textbook_table():
    """Meeker, Hahn and Escobar (2017), Tables J.5a and J.5b: 600 exact factors, three decimals."""
    table = published_csv("tolerance-two-sided.csv")
    factors = [tolerance_factor(row.n, row.share, row.confidence, 2) for row in table.itertuples()]
    assert len(factors) == 600
    np.testing.assert_allclose(factors, table.g, rtol=0, atol=0.0005)


def test_factors_with_a_pooled_standard_deviation():
    """ISO 16269-6:2014, Annex F, Tables F.1 to F.9: 345 factors, which the standard rounds up at the fourth decimal."""
    table = published_csv("tolerance-iso-16269-6-f.csv")
    factors = [
        tolerance_factor(row.n, row.share, row.confidence, 2, dof=row.m * (row.n - 1)) for row in table.itertuples()
    ]
    assert len(factors) == 345
    np.testing.assert_allclose(np.ceil(np.array(factors) * 1e4 - 1e-6) / 1e4, table.k, rtol=0, atol=1e-9)


def test_silicon_wafers_of_the_handbook():
    """NIST/SEMATECH e-Handbook, 7.2.6.3: exact one-sided factor; the printed limits use two approximations, by name."""
    values = {key: float(entry["printed"]) for key, entry in SOURCES["nist-7-2-6-3"]["values"].items()}
    n, share, confidence = int(values["n"]), values["share"], values["confidence"]
    exact_one, exact_two = tolerance_factor(n, share, confidence), tolerance_factor(n, share, confidence, 2)
    assert exact_one == printed("nist-7-2-6-3", "k1_exact")
    natrella, howe = natrella_factor(n, share, confidence), howe_factor(n, share, confidence)
    assert natrella == printed("nist-7-2-6-3", "k1_natrella")
    assert howe == printed("nist-7-2-6-3", "k2_howe")
    assert values["mean"] + natrella * values["sd"] == printed("nist-7-2-6-3", "upper_one_sided")
    assert values["mean"] - howe * values["sd"] == printed("nist-7-2-6-3", "lower_two_sided")
    # the two-sided approximation of the handbook is the narrower one, so it is named and not used
    assert exact_two > howe
    assert exact_two == pytest.approx(howe, rel=0.003)


def natrella_factor(n: int, share: float, confidence: float) -> float:
    """Natrella (1963): one-sided, approximate; NIST/SEMATECH e-Handbook 7.2.6.3."""
    z, zc = stats.norm.ppf(share), stats.norm.ppf(confidence)
    a, b = 1 - zc**2 / (2 * (n - 1)), z**2 - zc**2 / n
    return (z + math.sqrt(z**2 - a * b)) / a


def howe_factor(n: int, share: float, confidence: float) -> float:
    """Howe (1969): two-sided, approximate; NIST/SEMATECH e-Handbook 7.2.6.3."""
    z = stats.norm.ppf((1 + share) / 2)
    return z * math.sqrt((n - 1) * (1 + 1 / n) / stats.chi2.ppf(1 - confidence, n - 1))


def test_three_limits_of_one_sample_are_not_the_same():
    """Montgomery and Runger (2002), Examples 8-4, 8-9, 8-10: the book works from mean 13.71 and sd 3.55 as printed,
    and its tolerance factor 2.264 is Howe's approximation (exact 2.272)."""
    load = published_csv("montgomery-load-at-failure.csv").iloc[:, 0].to_numpy()
    confidence = confidence_limit(load, confidence=0.95, side="both")
    prediction = prediction_limit(load, probability=0.95, side="both")
    tolerance = tolerance_limit(load, share=0.90, confidence=0.95, side="both")
    assert load.mean() == printed("montgomery-8-4", "mean")
    assert load.std(ddof=1) == printed("montgomery-8-4", "sd")
    # with the book's own rounded mean and sd, every printed digit
    assert 13.71 - confidence.factor * 3.55 == printed("montgomery-8-4", "confidence_low")
    assert 13.71 + confidence.factor * 3.55 == printed("montgomery-8-4", "confidence_high")
    assert 13.71 - prediction.factor * 3.55 == printed("montgomery-8-4", "prediction_low")
    assert 13.71 + prediction.factor * 3.55 == approx_printed("21.26")
    assert howe_factor(22, 0.90, 0.95) == printed("montgomery-8-4", "tolerance_k")
    assert tolerance.factor == approx_printed("2.272")
    # from the data themselves, within what that rounding moves
    assert confidence.lower == pytest.approx(12.14, abs=0.015)
    assert prediction.upper == pytest.approx(21.26, abs=0.015)
    assert tolerance.lower < 5.67 < 21.74 < tolerance.upper


def test_factors_for_the_next_one_of_few():
    """Student's t: the next of n at 99 %, one-sided (t tables: t(0.99; 3) = 4.541, t(0.99; 5) = 3.365)."""
    assert prediction_factor(4, 0.99) / math.sqrt(1 + 1 / 4) == approx_printed("4.541")
    assert prediction_factor(6, 0.99) / math.sqrt(1 + 1 / 6) == approx_printed("3.365")


@pytest.mark.parametrize("n", [2, 4, 6, 10, 40])
def test_a_prediction_limit_is_a_tolerance_limit_of_less_confidence(n):
    """The same distance from the mean read both ways; with 6 values and 99 % the confidence is 83 %."""
    sure = prediction_assurance(n, 0.99)
    assert tolerance_factor(n, 0.99, sure) == pytest.approx(prediction_factor(n, 0.99), rel=1e-9)
    assert n != 6 or sure == approx_printed("0.83")


def test_two_sided_factor_covers_what_it_says():
    """The definition itself, by simulation: content of mean ± k·sd at least `share` in `confidence` of the samples."""
    rng = np.random.default_rng(5)
    k = tolerance_factor(5, 0.9, 0.95, 2)
    samples = rng.normal(size=(20_000, 5))
    mean, sd = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    held = stats.norm.cdf(mean + k * sd) - stats.norm.cdf(mean - k * sd) >= 0.9
    assert abs(held.mean() - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 20_000)


# --- variance components ----------------------------------------------------------------------------------------


def test_dyestuff():
    """Davies and Goldsmith (1972), 6.4; REML and ML estimates of lme4 (Bates 2010, ch. 1) and MixedModels.jl."""
    data = published_csv("dyestuff.csv")
    found = components(data["yield [g]"], data["batch"])
    assert found.mean == printed("dyestuff", "mean")
    assert found.between == printed("dyestuff", "reml_between")
    assert found.within == printed("dyestuff", "reml_within")
    assert found.criterion == printed("dyestuff", "reml_criterion", digits=10)
    assert not found.zeroed


def test_dyestuff2_becomes_zero_and_says_so():
    """Box and Tiao (1973), 5.1.2. The published sd is the ML one; at zero between it is the REML one times √(29/30)."""
    data = published_csv("dyestuff2.csv")
    found = components(data["yield"], data["batch"])
    assert found.between == 0
    assert found.zeroed
    assert "negative" in found.summary()
    assert found.ms_between < found.ms_within
    assert found.mean == printed("dyestuff2", "mean")
    assert found.sd_within * math.sqrt(29 / 30) == printed("dyestuff2", "ml_within_sd", digits=10)
    assert found.se_mean * math.sqrt(29 / 30) == printed("dyestuff2", "ml_se_mean", digits=10)


@pytest.mark.parametrize(("file", "name", "digits"), [("SiRstv.dat", "sirstv", 12), ("AtmWtAg.dat", "atmwtag", 8)])
def test_certified_analysis_of_variance(file, name, digits):
    """NIST StRD: mean squares, F and residual sd. AtmWtAg: seven constant leading digits leave 8 in all."""
    found = components(*nist_anova(file))
    sizes = found.sizes[0]
    assert found.ms_within == printed(name, "ms_within", digits=digits)
    assert found.ms_between * found.dof_between == printed(name, "ss_between", digits=digits)
    assert found.ms_between / found.ms_within == printed(name, "f", digits=digits)
    assert found.ms_within**0.5 == printed(name, "residual_sd", digits=digits)
    # balanced: REML is the analysis-of-variance estimate, in closed form
    assert found.between == pytest.approx((found.ms_between - found.ms_within) / sizes, rel=1e-9)


def test_zener_voltage_of_the_gum():
    """JCGM 100:2008, H.5, Table H.9: the printed summaries of each day's five readings stand for the readings."""
    days = published_csv("gum-h5-voltage.csv")
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)  # mean 0, standard deviation 1
    volts = days["mean [V]"].to_numpy()[:, None] + 1e-6 * days["standard deviation [uV]"].to_numpy()[:, None] * pattern
    found = components(volts.ravel(), np.repeat(days["day"], 5))
    assert found.mean == printed("gum-h5", "grand_mean")
    assert 1e6 * (found.ms_between / 5) ** 0.5 == printed("gum-h5", "s_of_day_means")
    assert 1e6 * found.sd_within == printed("gum-h5", "pooled_within_sd")
    assert 1e6 * found.sd_between == printed("gum-h5", "s_B")
    assert 1e6 * found.se_mean == printed("gum-h5", "s_of_grand_mean")
    # the GUM's F of 2.25 is 5·57²/85² from the rounded sds
    assert found.ms_between / found.ms_within == pytest.approx(2.25, abs=0.02)


def test_unbalanced_groups_agree_with_a_mixed_model():
    """Reference: statsmodels MixedLM, REML, on unequal groups."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(11)
    group = np.repeat(np.arange(7), [1, 2, 3, 4, 6, 8, 2])
    y = 3 + rng.normal(0, 0.8, 7)[group] + rng.normal(0, 0.5, len(group))
    reference = MixedLM(y, np.ones((len(y), 1)), groups=group).fit(reml=True, gtol=1e-9)
    found = components(y, group)
    assert found.within == pytest.approx(reference.scale, rel=1e-5)
    assert found.between == pytest.approx(float(reference.cov_re[0, 0]), rel=1e-5)
    assert found.mean == pytest.approx(reference.fe_params[0], rel=1e-6)
    # generalised least squares written out with the whole covariance matrix
    covariance = found.within * np.eye(len(y)) + found.between * (group[:, None] == group)
    assert found.se_mean == pytest.approx(np.linalg.inv(covariance).sum() ** -0.5, rel=1e-9)
    assert found.criterion == pytest.approx(-2 * reference.llf, rel=1e-8)


def test_shift_and_scale_do_not_matter():
    rng = np.random.default_rng(3)
    group = np.repeat(list("abcd"), [2, 3, 4, 3])
    y = rng.normal(size=4).repeat([2, 3, 4, 3]) + rng.normal(0, 0.3, 12)
    one, other = components(y, group), components(1000 + 5 * y, group)
    assert other.between == pytest.approx(25 * one.between, rel=1e-9)
    assert other.within == pytest.approx(25 * one.within, rel=1e-9)
    assert other.mean == pytest.approx(1000 + 5 * one.mean, rel=1e-12)


def test_no_scatter_within_leaves_the_means():
    found = components([1.0, 1.0, 2.0, 2.0, 4.0, 4.0], list("aabbcc"))
    assert found.within == 0
    assert found.between == pytest.approx(np.var([1, 2, 4], ddof=1))


@pytest.mark.parametrize(
    ("values", "groups", "said"),
    [
        ([1.0, 2.0], ["a", "a"], "only 1 group"),
        ([1.0, 2.0], ["a", "b"], "one value a group"),
        ([1.0, math.nan], ["a", "a"], "value 2 is not a number"),
        ([1.0, 2.0], ["a"], "one name a value"),
    ],
)
def test_what_cannot_be_told_apart_is_refused(values, groups, said):
    with pytest.raises(ValueError, match=said):
        components(values, groups)


# --- limits over groups -----------------------------------------------------------------------------------------


def test_one_value_a_group_is_the_plain_limit():
    values = [3.1, 2.7, 3.6, 3.3]
    plain = prediction_limit(values, probability=0.99, side="upper")
    grouped = prediction_limit(values, probability=0.99, side="upper", groups=list("abcd"))
    assert float(grouped) == pytest.approx(float(plain), rel=1e-12)
    assert grouped.dof == plain.dof == 3
    assert grouped.lower == -math.inf


@pytest.mark.parametrize(
    ("between", "sizes"),
    [(0.02, (3,) * 5), (0.0, (3,) * 5), (0.02, (1, 2, 2, 4, 6)), (0.06, (3, 3)), (0.06, (3, 3, 3))],
)
def test_limit_for_another_group_holds_as_often_as_it_says(between, sizes):
    """Drops that scatter more than cords, balanced and not, and two cords: 95 % to 4 standard errors, safer by 2 %."""
    rng = np.random.default_rng(17)
    n, group = 2000, np.repeat(np.arange(len(sizes)), sizes)
    cords = rng.normal(0, between, (n, len(sizes)))
    drops = cords[:, group] + rng.normal(0, 0.04, (n, len(group)))
    nexts = rng.normal(0, between, n) + rng.normal(0, 0.04, n)
    held = [
        float(prediction_limit(row, probability=0.95, side="upper", groups=group)) > value
        for row, value in zip(drops, nexts, strict=True)
    ]
    assert -4 * math.sqrt(0.95 * 0.05 / n) < np.mean(held) - 0.95 < 0.02


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: prediction_limit([1.0], probability=0.9, side="upper"), "at least 2 values"),
        (lambda: prediction_limit([1.0, 2.0], probability=1.0, side="upper"), "probability 1 is not between"),
        (lambda: prediction_limit([1.0, 2.0], probability=0.9, side="up"), "'upper', 'lower' or 'both'"),
        (lambda: prediction_limit([1.0, 2.0], probability=0.9, side="upper", groups=[1, 1]), "only 1 group"),
        (lambda: tolerance_limit([1.0, 2.0], share=0.9, confidence=95, side="upper"), "confidence 95 is not between"),
        (lambda: tolerance_factor(5, 0.9, 0.95, sides=3), "1 or 2"),
    ],
)
def test_a_limit_that_cannot_be_given_is_refused(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def test_a_two_sided_limit_is_not_one_number():
    limit = tolerance_limit([1.0, 2.0, 3.0], share=0.9, confidence=0.95, side="both")
    assert np.asarray(limit).tolist() == [limit.lower, limit.upper]
    with pytest.raises(TypeError, match="two numbers"):
        float(limit)

"""Limits against published tables, certified values and worked examples."""

import math

import numpy as np
import pytest
from scipy import stats

from cordlab.statistics.limits import (
    confidence_limit,
    met_again,
    prediction_factor,
    prediction_limit,
    tolerance_factor,
    tolerance_limit,
)
from tests.conftest import SOURCES, approx_printed, printed, published_csv

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


# --- limits over groups -----------------------------------------------------------------------------------------


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
    ("call", "message"),
    [
        (lambda: prediction_limit([1.0], probability=0.9, side="upper"), "at least 2 values"),
        (lambda: prediction_limit([1.0, 2.0], probability=1.0, side="upper"), "probability 1 is not between"),
        (lambda: prediction_limit([1.0, 2.0], probability=0.9, side="up"), "'upper', 'lower' or 'both'"),
        (lambda: prediction_limit([1.0, 2.0], probability=0.9, side="upper", groups=[1, 1]), "only 1 group"),
        (lambda: tolerance_limit([1.0, 2.0], share=0.9, confidence=95, side="upper"), "confidence 95 is not between"),
        (lambda: tolerance_factor(5, 0.9, 0.95, sides=3), "1 or 2"),
    ],
)
def test_a_limit_that_cannot_be_given_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_a_two_sided_limit_is_not_one_number():
    limit = tolerance_limit([1.0, 2.0, 3.0], share=0.9, confidence=0.95, side="both")
    assert np.asarray(limit).tolist() == [limit.lower, limit.upper]
    with pytest.raises(TypeError, match="two numbers"):
        float(limit)


# --- another sample ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [3, 10])
def test_chance_that_another_sample_meets_a_bound_too(n):
    """Means and sds that a first sample leaves possible, then a second sample from each, both drawn by numpy."""
    rng, many, factor = np.random.default_rng(n), 100_000, prediction_factor(n, 0.99) / math.sqrt(1 + 1 / n)
    sd = np.sqrt((n - 1) / rng.chisquare(n - 1, many))
    mean = sd / math.sqrt(n) * rng.standard_normal(many)
    second = mean[:, None] + sd[:, None] * rng.standard_normal((many, n))
    limits = second.mean(1) + prediction_factor(n, 0.99) * second.std(axis=1, ddof=1)
    for steps in (0.5, 1.0, 2.0, 5.0):  # in distances from estimate to limit
        distance = steps * factor
        found = (limits <= distance * math.sqrt(1 + 1 / n)).mean()
        assert met_again(distance, dof=n - 1, factor=factor) == pytest.approx(found, abs=0.006)
    assert met_again(1e3 * factor, dof=n - 1, factor=factor) > 0.99

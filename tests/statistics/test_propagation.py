"""Propagation against the worked examples of the guides: JCGM 100 G.4.1 and H.1, JCGM 101 7.9 and 9.2, JCGM 106 8."""

from math import inf

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from cordlab.quantities import QUANTITIES
from cordlab.statistics.propagation import (
    decide,
    evenness,
    numerical_tolerance,
    quantile,
    quantile_error,
    scrambles,
    t_margin,
    welch_satterthwaite,
)
from tests.conftest import approx_printed, printed, published_csv


def value(dataset: str, key: str) -> float:
    return printed(dataset, key).value


def test_gum_g4_effective_degrees_of_freedom():
    """JCGM 100:2008, G.4.1, example (from memory, unverified; recomputed in sources.toml)."""
    u = [value("gum-g4", f"u{k}") for k in (1, 2, 3)]
    dof = [value("gum-g4", f"n{k}") - 1 for k in (1, 2, 3)]
    combined, effective = welch_satterthwaite(u, dof)
    assert combined == printed("gum-g4", "u_c")
    assert effective == printed("gum-g4", "nu_eff")
    assert t_margin([1.0], [effective], 0.95, sides=2) == printed("gum-g4", "t_95")
    assert t_margin([combined], [effective], 0.95, sides=2) == printed("gum-g4", "U_95")
    # the sum of the parts, each with its own t, is never narrower
    assert t_margin(u, dof, 0.95, sides=2) > t_margin([combined], [effective], 0.95, sides=2)


def test_gum_h1_end_gauge():
    """JCGM 100:2008, H.1, table H.1: estimate, u, effective degrees of freedom, U99, and u with second-order terms."""
    rows = published_csv("gum-h1-end-gauge.csv").set_index("symbol")
    u, dof = rows["standard uncertainty"], rows["degrees of freedom"]
    u_d, nu_d = welch_satterthwaite(u[["d0", "d1", "d2"]], dof[["d0", "d1", "d2"]])
    assert u_d == printed("gum-h1", "u_d")
    # the printed 25.6 comes from the rounded 9.7 (sources.toml); the components as printed give 25.4
    assert nu_d == approx_printed("25.4")

    def length(ls, d0, d1, d2, alpha_s, d_alpha, theta_bar, Delta, d_theta):
        return ls + d0 + d1 + d2 - ls * (d_alpha * (theta_bar + Delta) + alpha_s * d_theta)

    inputs = {name: ufloat(rows.value[name], u[name], tag=name) for name in rows.index}
    first_order = length(**inputs)
    parts = {variable.tag: size for variable, size in first_order.error_components().items()}
    combined, effective = welch_satterthwaite(list(parts.values()), [dof[name] for name in parts])
    assert first_order.nominal_value == printed("gum-h1", "l")
    assert first_order.std_dev == printed("gum-h1", "u_c")
    assert combined == pytest.approx(first_order.std_dev)
    # H.1.6 truncates the effective degrees of freedom to the next lower integer before it looks up t
    assert np.floor(effective) == printed("gum-h1", "nu_eff").value
    assert t_margin([1.0], [np.floor(effective)], 0.99, sides=2) == printed("gum-h1", "k_99")
    assert t_margin([combined], [np.floor(effective)], 0.99, sides=2) == printed("gum-h1", "U_99")
    # H.1.7: products of two uncertain inputs whose estimates are 0 add to u; Monte Carlo has them of itself
    laws = {"alpha_s": "rectangular", "d_alpha": "rectangular", "Delta": "arcsine", "d_theta": "rectangular"}

    def batch(shares):
        each = zip(rows.index, shares, strict=True)
        return length(**{s: drawn(share, rows.value[s], u[s], laws.get(s, "normal")) for s, share in each})

    assert monte_carlo(batch, len(rows)).std(ddof=1) == printed("gum-h1", "u_c_second_order")


def drawn(share: np.ndarray, value: float, u: float, law: str) -> np.ndarray:
    if law == "normal":
        return value + u * stats.norm.ppf(share)
    if law == "rectangular":
        return value + u * np.sqrt(3.0) * (2 * share - 1)
    return value + u * np.sqrt(2.0) * np.sin(np.pi * (share - 0.5))  # arcsine


def monte_carlo(batch, inputs: int) -> np.ndarray:
    """Draws that a model makes of evenly spread numbers, one row an input: far more than the printed digits ask for."""
    return batch(scrambles(inputs, size=2**15, count=8, seed=7))


@pytest.mark.parametrize(
    ("name", "law", "sizes", "agrees"),
    [
        ("normal", "normal", [1, 1, 1, 1], True),
        ("rectangular", "rectangular", [1, 1, 1, 1], True),
        ("dominant", "rectangular", [1, 1, 1, 10], False),
    ],
)
def test_additive_model_of_supplement_1(name, law, sizes, agrees):
    """JCGM 101:2008, 9.2.2 to 9.2.4: Monte Carlo beside linear propagation; they disagree in the third case."""
    draws = monte_carlo(lambda shares: sum(map(drawn, shares, [0.0] * 4, sizes, [law] * 4)), 4)
    first_order = sum(ufloat(0.0, u) for u in sizes)
    delta = numerical_tolerance(draws.std(ddof=1), 2)
    high = "dominant_high_mc" if name == "dominant" else f"{name}_high"
    # JCGM 101 7.9.2 asks for each result to a numerical tolerance, on top of the rounding of what is printed
    assert abs(draws.std(ddof=1) - value("jcgm101-9-2", f"{name}_u")) <= delta + 0.05 * (name == "dominant")
    ends = [float(quantile(draws, 0.025, "lower")), float(quantile(draws, 0.975, "upper"))]
    for end in ends:
        assert abs(abs(end) - value("jcgm101-9-2", high)) <= delta + printed("jcgm101-9-2", high).tolerance
    linear_end = t_margin([first_order.std_dev], [inf], 0.95, sides=2)
    if name == "dominant":
        assert linear_end == printed("jcgm101-9-2", "dominant_high_guf")
    assert all(abs(abs(end) - linear_end) <= delta for end in ends) is agrees


def test_numerical_tolerance_of_supplement_1():
    """JCGM 101:2008, 7.9.2: u = 0.000 35 to two digits gives 0.000 005; u = 2 K to one digit 0.5 K (from memory)."""
    assert numerical_tolerance(0.00035, 2) == pytest.approx(0.000005)
    assert numerical_tolerance(2.0, 1) == pytest.approx(0.5)
    assert numerical_tolerance(0.0996, 2) == pytest.approx(0.005)


NORMAL = stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000)  # even draws of a standard normal law


def conforms(estimate: float, u: float, *, lower: float = -inf, upper: float = inf) -> float:
    """Share of the draws within both limits, each judged as a forecast's draws are."""
    draws = estimate + u * NORMAL
    violations = [QUANTITIES["lowest_point"].worse(draws, upper), QUANTITIES["clearance"].worse(draws, lower)]
    return 1 - sum(float(np.mean(violated)) for violated in violations)


def test_conformance_of_one_item():
    """JCGM 106:2012, table 1 and the examples of 7.3 and 7.4 (from memory, unverified; recomputed in sources.toml)."""
    data = "jcgm106-one-item"
    for share in ("0_80", "0_90", "0_95", "0_99", "0_999"):
        z = stats.norm.ppf(float(share.replace("_", ".")))
        assert z == printed(data, f"z_{share}") or abs(z - 1.645) < 1e-3  # the table cuts 1.645 to 1.64
        assert conforms(-z, 1.0, upper=0.0) == pytest.approx(float(share.replace("_", ".")), abs=1e-4)
    zener = conforms(value(data, "zener_estimate"), value(data, "zener_u"), upper=value(data, "zener_limit"))
    assert zener == printed(data, "zener_probability")
    limits = {"lower": value(data, "oil_lower"), "upper": value(data, "oil_upper")}
    assert conforms(value(data, "oil_estimate"), value(data, "oil_u"), **limits) == printed(data, "oil_probability")


def test_guard_band_of_the_bearings():
    """JCGM 106:2012, 9.5.4: the risk of accepting what does not conform, and the guard band that makes it 0.1 %."""
    data = "jcgm106-bearings"
    upper, u = value(data, "upper_limit"), value(data, "u_m")
    truth = stats.gamma(value(data, "prior_shape"), scale=value(data, "prior_scale"))
    y = np.linspace(upper, upper + 12 * u, 2_001)

    def risk(acceptance: float) -> float:
        accepted = np.array([conforms(x, u, upper=acceptance) for x in y])
        return float(np.trapezoid(accepted * truth.pdf(y), y))

    assert truth.sf(upper) == printed(data, "nonconforming")
    assert risk(upper) == printed(data, "consumer_risk_no_guard_band")
    acceptance = value(data, "acceptance_limit")
    assert risk(acceptance) == pytest.approx(value(data, "target_consumer_risk"), rel=0.005)
    assert upper - acceptance == printed(data, "guard_band")


def test_decisions_have_the_names_of_jcgm_106():
    """JCGM 106:2012, 8.2 and 8.3."""
    assert decide(True, True, 0.005, risk=0.01) == "guarded acceptance"
    assert decide(False, True, 0.2, risk=0.01) == "simple acceptance only"
    assert decide(False, False, 0.7, risk=0.01) == "simple rejection"
    assert decide(False, False, 0.995, risk=0.01) == "guarded rejection"


def test_a_quantile_is_an_order_statistic_and_keeps_infinite_draws():
    draws = np.array([1.0, 2.0, 3.0, np.inf])
    assert quantile(draws, 0.5, "upper") == 3.0  # the next one outwards: never less than asked for
    assert quantile(draws, 0.5, "lower") == 2.0
    assert quantile(draws, 0.9, "upper") == np.inf


def test_the_draws_beyond_a_bound_are_none_on_it_and_none_that_is_undefined():
    draws = np.array([1.0, 2.0, 3.0, np.inf, np.nan])
    assert QUANTITIES["lowest_point"].worse(draws, 2.0).tolist() == [False, False, True, True, False]
    assert QUANTITIES["clearance"].worse(draws, 2.0).tolist() == [True, False, False, False, False]


@pytest.mark.parametrize("share", [0.16, 0.99])
def test_a_quantile_of_independent_draws_has_the_standard_error_of_its_order_statistics(share):
    """√(p(1 − p)/n)/f(x) for a density f (David & Nagaraja, Order Statistics, 2003, 10.2, from memory)."""
    n, x = 10_000, stats.norm.ppf(share)
    draws = np.random.default_rng(7).normal(size=(200, n))
    expected = np.sqrt(share * (1 - share) / n) / stats.norm.pdf(x)
    assert quantile(draws, share, "upper").std(ddof=1) == pytest.approx(expected, rel=0.15)
    assert quantile_error(draws, share).mean() == pytest.approx(expected, rel=0.05)
    assert evenness(draws > x, 10) == pytest.approx(1.0, rel=0.1)


def test_scrambles_are_surer_than_independent_draws_and_say_how_sure():
    """A sum of five normal inputs, whose 99 % quantile is known: 60 seeds scatter as each of them says of itself."""
    draws = np.array([stats.norm.ppf(scrambles(5, size=512, count=8, seed=seed)).sum(0) for seed in range(60)])
    true, n = np.sqrt(5) * stats.norm.ppf(0.99), draws.shape[1]
    independent = np.sqrt(0.01 * 0.99 / n) / stats.norm.pdf(stats.norm.ppf(0.99)) * np.sqrt(5)
    off = quantile(draws, 0.99, "upper") - true
    assert np.sqrt(np.mean(off**2)) == pytest.approx(
        quantile_error(draws, 0.99).mean() * evenness(draws > true, 8), rel=0.25
    )
    assert np.sqrt(np.mean(off**2)) < 0.7 * independent


def test_scrambles_go_on_where_other_ones_ended_and_never_reach_the_ends():
    whole = scrambles(3, size=64, count=4, seed=2)
    assert np.array_equal(whole[:, 128:], scrambles(3, size=64, count=2, seed=2, first=2))
    assert not np.array_equal(whole[:, :64], whole[:, 64:128])
    assert whole.min() > 0
    assert whole.max() < 1
    counts = (whole.reshape(3, 4, 1, 64) > np.arange(64)[:, None] / 64).sum(axis=-1)
    assert (counts == 64 - np.arange(64)).all()  # each scramble has one point in each 64th of each input


def test_inputs_that_mean_nothing_are_refused():
    with pytest.raises(ValueError, match="no degrees of freedom"):
        welch_satterthwaite([1.0], [0.0])

"""Propagation against the worked examples of the guides: JCGM 100 G.4.1 and H.1, JCGM 101 9.2, JCGM 106."""

import numpy as np
import pytest
from scipy import stats

from cordlab.statistics.propagation import (
    Input,
    adaptive,
    agree,
    conformance_probability,
    decide,
    linear,
    monte_carlo,
    numerical_tolerance,
    quantile,
    t_factor,
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
    assert t_factor(0.975, effective) == printed("gum-g4", "t_95")
    assert t_factor(0.975, effective) * combined == printed("gum-g4", "U_95")


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

    laws = {"alpha_s": "rectangular", "d_alpha": "rectangular", "Delta": "arcsine", "d_theta": "rectangular"}
    inputs = {s: Input(rows.value[s], u[s], dof[s], laws.get(s, "normal")) for s in rows.index}
    found = linear(length, inputs)
    assert found.estimate == printed("gum-h1", "l")
    assert found.u == printed("gum-h1", "u_c")
    # H.1.6 truncates the effective degrees of freedom to the next lower integer before it looks up t
    assert np.floor(found.dof) == printed("gum-h1", "nu_eff").value
    assert t_factor(0.995, np.floor(found.dof)) == printed("gum-h1", "k_99")
    assert t_factor(0.995, np.floor(found.dof)) * found.u == printed("gum-h1", "U_99")
    # H.1.7: products of two uncertain inputs whose estimates are 0 add to u; Monte Carlo has them of itself
    drawn = monte_carlo(length, inputs, probability=0.99, digits=1, seed=1)
    assert drawn.u == printed("gum-h1", "u_c_second_order")


@pytest.mark.parametrize(
    ("name", "laws", "sizes", "agrees"),
    [
        ("normal", ["normal"] * 4, [1, 1, 1, 1], True),
        ("rectangular", ["rectangular"] * 4, [1, 1, 1, 1], True),
        ("dominant", ["rectangular"] * 4, [1, 1, 1, 10], False),
    ],
)
def test_additive_model_of_supplement_1(name, laws, sizes, agrees):
    """JCGM 101:2008, 9.2.2 to 9.2.4: Monte Carlo beside linear propagation; they disagree in the third case."""
    inputs = {f"x{k}": Input(0.0, float(u), law=law) for k, (law, u) in enumerate(zip(laws, sizes, strict=True))}
    drawn = monte_carlo(lambda **x: sum(x.values()), inputs, digits=2, seed=7)
    first = linear(lambda **x: sum(x.values()), inputs)
    assert drawn.stable
    delta = numerical_tolerance(drawn.u, 2)
    high = "dominant_high_mc" if name == "dominant" else f"{name}_high"
    # the adaptive procedure promises each result to a numerical tolerance, on top of the rounding of what is printed
    assert abs(drawn.u - value("jcgm101-9-2", f"{name}_u")) <= delta + 0.05 * (name == "dominant")
    for end in drawn.interval(0.95):
        assert abs(abs(end) - value("jcgm101-9-2", high)) <= delta + printed("jcgm101-9-2", high).tolerance
    low, up = drawn.shortest_interval(0.95)
    assert up - low <= np.ptp(drawn.interval(0.95)) + 1e-12
    if name == "dominant":
        assert first.interval(0.95)[1] == printed("jcgm101-9-2", "dominant_high_guf")
    assert agree(first.interval(0.95), drawn.interval(0.95), u=drawn.u, digits=2) is agrees


def test_numerical_tolerance_of_supplement_1():
    """JCGM 101:2008, 7.9.2: u = 0.000 35 to two digits gives 0.000 005; u = 2 K to one digit 0.5 K (from memory)."""
    assert numerical_tolerance(0.00035, 2) == pytest.approx(0.000005)
    assert numerical_tolerance(2.0, 1) == pytest.approx(0.5)
    assert numerical_tolerance(0.0996, 2) == pytest.approx(0.005)


def test_conformance_of_one_item():
    """JCGM 106:2012, table 1 and the examples of 7.3 and 7.4 (from memory, unverified; recomputed in sources.toml)."""
    data = "jcgm106-one-item"
    for share in ("0_80", "0_90", "0_95", "0_99", "0_999"):
        z = stats.norm.ppf(float(share.replace("_", ".")))
        assert z == printed(data, f"z_{share}") or abs(z - 1.645) < 1e-3  # the table cuts 1.645 to 1.64
        assert conformance_probability(-z, 1.0, upper=0.0) == pytest.approx(float(share.replace("_", ".")))
    found = conformance_probability(
        value(data, "zener_estimate"), value(data, "zener_u"), upper=value(data, "zener_limit")
    )
    assert found == printed(data, "zener_probability")
    limits = {"lower": value(data, "oil_lower"), "upper": value(data, "oil_upper")}
    assert conformance_probability(value(data, "oil_estimate"), value(data, "oil_u"), **limits) == printed(
        data, "oil_probability"
    )


def test_guard_band_of_the_bearings():
    """JCGM 106:2012, 9.5.4: the risk of accepting what does not conform, and the guard band that makes it 0.1 %."""
    data = "jcgm106-bearings"
    upper, u = value(data, "upper_limit"), value(data, "u_m")
    truth = stats.gamma(value(data, "prior_shape"), scale=value(data, "prior_scale"))
    y = np.linspace(upper, upper + 12 * u, 20_001)

    def risk(acceptance: float) -> float:
        accepted = np.array([conformance_probability(x, u, upper=acceptance) for x in y])
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


def test_the_adaptive_stop_reaches_the_tolerance_and_says_when_it_does_not():
    """JCGM 101 7.9.4: over repeated runs the result scatters within the tolerance, as twice its standard error."""

    def run(seed: int, most: int):
        return adaptive(
            lambda rng, n: rng.standard_normal(n),
            lambda x: np.quantile(x, 0.99),
            tolerance=lambda _: 0.02,
            seed=seed,
            size=2_000,
            most=most,
        )

    found = [run(seed, 10**6) for seed in range(30)]
    assert all(steady for _, steady in found)
    answers = np.array([np.quantile(np.concatenate(batches), 0.99) for batches, _ in found])
    assert np.mean(np.abs(answers - stats.norm.ppf(0.99)) <= 0.02) >= 0.8
    assert not run(0, 4_000)[1]


def test_inputs_that_mean_nothing_are_refused():
    with pytest.raises(ValueError, match="law 'uniform' is not one of"):
        Input(0.0, 1.0, law="uniform")
    with pytest.raises(ValueError, match="uncertainty of 0 or more"):
        Input(0.0, -1.0)
    with pytest.raises(ValueError, match="no degrees of freedom"):
        welch_satterthwaite([1.0], [0.0])

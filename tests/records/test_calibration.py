"""Calibration against published worked examples, and its rules."""

import numpy as np
import pytest
from scipy import stats

import cordlab
from cordlab import read_campaign
from cordlab.records.calibration import calibrate_campaign
from tests.conftest import PUBLISHED, printed, published_csv
from tests.small_campaign import edit, write_small_campaign


@pytest.fixture(scope="module")
def pontius():
    """NIST StRD, Pontius: calibration of a load cell; deflection on load, 40 pairs from line 61."""
    rows = (PUBLISHED / "Pontius.dat").read_text(encoding="utf-8").splitlines()[60:]
    return np.array([row.split() for row in rows], dtype=float).T


@pytest.fixture(scope="module")
def gum_h3():
    """JCGM 100:2008, table H.6: correction of a thermometer on its reading less 20 °C."""
    table = published_csv("gum-h3-thermometer.csv")
    return table["correction [degC]"].to_numpy(), table["reading [degC]"].to_numpy() - 20.0


@pytest.fixture(scope="module")
def natrella():
    """Natrella (1963), NBS Handbook 91, 5-4.1: Young's modulus of sapphire rods on temperature."""
    return published_csv("natrella-5-4.csv").to_numpy().T[::-1]


def test_load_cell_calibration_of_nist(pontius):
    """NIST StRD Pontius, certified values. 13 of the 15 printed digits: the data in doubles carry no more."""
    fit = cordlab.fit_calibration(*pontius, degree=2)
    got = (*fit.coefficients, *fit.standard_errors, fit.residual_sd, fit.residual_sd**2 * fit.dof)
    keys = ("b0", "b1", "b2", "sd_b0", "sd_b1", "sd_b2", "residual_sd", "ss_residual")
    assert list(got) == [printed("pontius", key, digits=13) for key in keys]
    assert fit.dof == 37


def test_load_cell_of_nist_is_not_straight(pontius):
    """F of lack of fit by its definition: group means about the line over scatter within groups, each load twice."""
    y, x = pontius
    fit = cordlab.fit_calibration(y, x, degree=None)
    assert fit.degree == 2
    line, quadratic = fit.lack_of_fit
    slope, intercept = np.polyfit(x, y, 1)
    groups = [y[x == level] for level in np.unique(x)]
    pure = sum(np.sum((group - group.mean()) ** 2) for group in groups)
    lack = sum(
        group.size * (group.mean() - intercept - slope * level) ** 2
        for group, level in zip(groups, np.unique(x), strict=True)
    )
    assert line.test == "repeats"
    assert line.dof == (18, 20)
    assert line.f == pytest.approx((lack / 18) / (pure / 20), rel=1e-6)
    assert line.p == pytest.approx(stats.f.sf(line.f, 18, 20))
    assert line.significant
    assert not quadratic.significant


def test_thermometer_example_of_the_gum(gum_h3):
    """JCGM 100:2008, H.3.3 and H.3.4: coefficients, their standard uncertainties, correlation, correction at 30 °C."""
    line = cordlab.fit_calibration(*gum_h3)
    assert list(line.coefficients) == [printed("gum-h3", "y1"), printed("gum-h3", "y2")]
    assert list(line.standard_errors) == [printed("gum-h3", "s_y1"), printed("gum-h3", "s_y2")]
    assert line.correlation[0, 1] == printed("gum-h3", "r")
    assert line.residual_sd == printed("gum-h3", "s")
    correction, u = line.curve(10.0)
    assert correction == printed("gum-h3", "b_30")
    assert u == printed("gum-h3", "u_b_30")
    with pytest.raises(cordlab.OutsideCalibration, match=r"10, outside the calibrated range 1\.521 to 6\.511"):
        line.convert(10.0)


def test_sapphire_rods_keep_confidence_and_prediction_apart(natrella):
    """Natrella 5-4.1: the line, variance of the mean at 1200 °C, variance of a new value at 750 °C.

    The handbook rounds on a desk calculator: 1 in the seventh digit of s and of the variances, 0.1 % at the end.
    """
    line = cordlab.fit_calibration(*natrella)
    assert list(line.coefficients) == [printed("natrella-5-4", "intercept"), printed("natrella-5-4", "slope")]
    assert line.residual_sd == printed("natrella-5-4", "s", digits=6)
    assert np.diag(line.covariance)[0] == printed("natrella-5-4", "var_intercept", digits=7)
    assert np.diag(line.covariance)[1] == printed("natrella-5-4", "var_slope", digits=7)
    assert line.convert(1200.0)[1] ** 2 == pytest.approx(10.53, rel=1e-3)
    assert line.single(750.0)[1] ** 2 == pytest.approx(91.45, rel=1e-3)
    assert line.convert(750.0)[1] < line.single(750.0)[1] / 3


def test_degree_one_is_kept_as_often_as_its_test_says():
    """A true straight line is given up for a quadratic in 5 % of campaigns: 400 invented ones, 3 sd of the binomial."""
    rng = np.random.default_rng(3)
    reference = np.repeat(np.arange(0.0, 3001, 250), 2)
    degrees = [
        cordlab.fit_calibration(
            reference, 0.02 + 4e-4 * reference + rng.normal(0, 2e-4, reference.size), degree=None
        ).degree
        for _ in range(400)
    ]
    assert abs(np.mean(np.array(degrees) == 2) - 0.05) < 3 * np.sqrt(0.05 * 0.95 / 400)


def test_without_repeats_the_next_term_is_tested():
    """F(1, n − 3) of the quadratic term is the square of its t."""
    rng = np.random.default_rng(4)
    x = np.linspace(0.0, 1.0, 12)
    y = 3000 * x + 40 * x**2 + rng.normal(0, 2.0, x.size)
    fit = cordlab.fit_calibration(y, x, degree=2)
    assert fit.lack_of_fit[0].test == "quadratic term"
    assert fit.lack_of_fit[0].f == pytest.approx((fit.coefficients[2] / fit.standard_errors[2]) ** 2)
    assert cordlab.fit_calibration(y, x, degree=None).degree == 2


def test_references_off_by_one_common_error_stay_common():
    """A scale with u of 0.1 % shifts all references at once: no number of pairs takes it out; the fit alone would."""
    reference = np.linspace(0.0, 3000.0, 61)
    line = cordlab.fit_calibration(reference, 4e-4 * reference + 0.02, u_reference=0.001 * reference)
    value, u = line.convert(4e-4 * 2000.0 + 0.02)
    assert value == pytest.approx(2000.0)
    assert u == pytest.approx(2.0, rel=1e-9)


def test_up_and_down_runs_show_their_hysteresis():
    """Invented cell that reads 1 N more on the way down: the runs part by that, and the scatter holds it."""
    reference = np.tile(np.arange(0.0, 3001, 250), 2)
    run = np.repeat(["up", "down"], 13)
    reading = 4e-4 * (reference + np.where(run == "down", 0.5, -0.5))
    line = cordlab.fit_calibration(reference, reading, run=run)
    assert line.run_offsets["up"] - line.run_offsets["down"] == pytest.approx(1.0, rel=1e-3)
    assert line.residual_sd == pytest.approx(0.5 * np.sqrt(26 / 24), rel=1e-3)


def test_a_reading_within_its_noise_of_the_end_counts_as_at_the_end():
    line = cordlab.fit_calibration(np.arange(5.0), np.arange(5.0))
    assert line.convert(4.01, noise=0.02)[0] == pytest.approx(4.01)
    with pytest.raises(cordlab.OutsideCalibration, match=r"reads 4\.05, outside .* 0 to 4"):
        line.convert(np.array([1.0, 4.05]), noise=0.02)
    with pytest.raises(cordlab.OutsideCalibration, match="nan"):
        line.convert(np.nan)


def test_channels_of_a_campaign_keep_their_units_and_the_degree_that_it_asks_for(tmp_path):
    folder = write_small_campaign(tmp_path)
    force = calibrate_campaign(read_campaign(folder))["force"]
    with pytest.raises(cordlab.OutsideCalibration, match=r"force reads 9 mV/V, outside the calibrated range -?0\.00"):
        force.convert(9.0)
    assert "mV/V" in force.summary()
    assert force.to_dict()["range"] == list(force.valid)
    assert force.degree == 1
    edit(folder, "campaign.toml", ("seed = 20", "seed = 20\ncalibration_degree = 2"))
    assert [fit.degree for fit in calibrate_campaign(read_campaign(folder)).values()] == [2, 2]


def test_every_channel_that_is_refused_is_named(tmp_path):
    folder = write_small_campaign(tmp_path)
    edit(folder, "campaign.toml", ("seed = 20", "seed = 20\ncalibration_degree = 2"))
    for channel, heads in {"force": "reference [N],reading [mV/V]", "distance": "reference [m],reading [V]"}.items():
        rows = f"run,{heads}\n1,-300,-300\n1,100,100\n1,3000,3000\n"
        (folder / "calibration" / f"{channel}.csv").write_text(rows, encoding="utf-8")
    with pytest.raises(cordlab.CampaignError) as refusal:
        calibrate_campaign(read_campaign(folder))
    few = "3 pairs at 3 different readings do not carry a polynomial of degree 2; at least 4 pairs at 3 readings"
    assert refusal.value.problems == tuple(
        f"calibration/{channel}.csv: {channel}: {few}" for channel in ("force", "distance")
    )


def test_a_calibration_that_turns_is_refused_by_the_name_of_its_file(tmp_path):
    folder = write_small_campaign(tmp_path)
    rows = "run,reference [N],reading [mV/V]\n" + "".join(f"1,{1000 * x * x},{x}\n" for x in (-1, -0.5, 0, 0.5, 1))
    (folder / "calibration" / "force.csv").write_text(rows, encoding="utf-8")
    edit(folder, "campaign.toml", ("seed = 20", "seed = 20\ncalibration_degree = 2"))
    with pytest.raises(
        cordlab.CampaignError, match=r"^calibration/force\.csv: force: the curve turns between readings"
    ):
        calibrate_campaign(read_campaign(folder))


@pytest.mark.parametrize(
    ("reference", "reading", "problem"),
    [
        ([0.0, 1.0], [0.0, 1.0], "2 pairs"),
        ([0.0, 1.0, 2.0], [1.0, 1.0, 1.0], "at 1 different readings"),
        ([0.0, 1.0, np.nan], [0.0, 1.0, 2.0], "not a finite number"),
        ([0.0, 1.0, 2.0], [0.0, 1.0, 1e200], "too large for a calibration"),
        ([0.0, 1.0, 2.0], [0.0, 1.0], "do not pair up"),
    ],
)
def test_what_is_no_calibration_is_refused(reference, reading, problem):
    with pytest.raises(ValueError, match=problem):
        cordlab.fit_calibration(np.array(reference), np.array(reading))


def test_an_uncertainty_beyond_the_whole_range_is_refused():
    with pytest.raises(ValueError, match=r"force: u\(reference\) of 300 N is more than the references' range of 3 N"):
        cordlab.fit_calibration(
            np.arange(4.0), np.arange(4.0), u_reference=[1, 1, 300, 1], channel="force", quantity_unit="N"
        )


def test_a_curve_that_turns_is_refused():
    reading = np.linspace(-1.0, 1.0, 11)
    with pytest.raises(ValueError, match=r"^force: the curve turns between readings of -1 and 1 mV/V"):
        cordlab.fit_calibration(
            1000 * reading**2 + 10 * reading, reading, degree=None, channel="force", reading_unit="mV/V"
        )

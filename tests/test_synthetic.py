"""Invented campaigns: what is written agrees with the truth beside it, and the truth with physics worked out here."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

from cordlab.campaign.campaign import read_campaign
from cordlab.curves.models import Curve
from cordlab.mechanics.predict import predict_drop
from cordlab.synthetic import Scenario, invent
from cordlab.units import Measured
from tests.true_range import main, true_range

G = 9.80665
QUIET = {"drop_sd": 0.0, "release_sd": 0.0, "u_mass": 0.0, "noise": 0.0}
STILL = {"rig": {"drag_area": "0.0 m^2", "release_depth": "0.0 m"}}


SMALL = {"cords": 2, "masses": (36.0, 68.0, 100.0), "retests": ()}


def made(folder, *, seed=3, **numbers):
    """(campaign, truth) of a small invented campaign."""
    truth = invent(folder / "campaign", seed=seed, truth=folder / "truth.json", **{**SMALL, **numbers})
    return folder / "campaign", json.loads(truth.read_text(encoding="utf-8"))


def decoded(folder, truth, row):
    """Time from release, distance [m] and force [N] of a drop's record, by the true sensors."""
    record = pd.read_csv(folder / "records" / f"{row['drop']}.csv")
    force, distance = truth["sensors"]["force"], truth["sensors"]["distance"]
    return (
        record["time [s]"].to_numpy() - truth["scenario"]["quiet"],
        (record["distance [V]"].to_numpy() - distance["zero"]) / distance["slope"],
        (record["force [mV/V]"].to_numpy() - force["zero"]) / force["slope"],
    )


@pytest.fixture(scope="module")
def still(tmp_path_factory):
    """Two cords without scatter, drag or noise: closed forms hold."""
    return made(tmp_path_factory.mktemp("still"), **QUIET, **STILL)


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """One campaign with everything in it, as small as it goes."""
    return made(tmp_path_factory.mktemp("full"), retests=(100, 500), rate=200.0)


def test_the_campaign_reads_without_a_problem(full):
    campaign = read_campaign(full[0])
    assert "nvented" in campaign.title
    assert [drop.use for drop in campaign.drops].count("wear") == 2 * 2 * 2
    assert {drop.mass.value for drop in campaign.drops if drop.use == "check"} == {68.0}
    assert all(campaign.read_record(drop).time.size == 1701 for drop in campaign.drops if drop.record)


def test_lowest_points_meet_the_energy_equation(still):
    """Energy of the heavy cord under uniform strain at the lowest point; Mooney–Rivlin integrated by hand:
    W = Mg(L+x) + mg(L/4 + x/2) for a drop from rest at the tie point without drag.

    The left side is elastic energy; the right side what the mass and the cord's centre of mass lose in height.
    """
    _, truth = still
    c1, c2 = (truth["scenario"]["curve"]["parameters"][name] for name in ("c1", "c2"))
    for row in truth["drops"]:
        length, ratio = row["slack_length"], row["lowest_point"] / row["slack_length"]
        # c1 (I1 − 3) + c2 (I2 − 3), the invariants of uniaxial tension
        energy = row["scale"] * length * (c1 * (ratio**2 + 2 / ratio - 3) + c2 * (2 * ratio + ratio**-2 - 3))
        stretch = row["lowest_point"] - length
        height = row["mass"] * row["lowest_point"] + row["cord_mass"] * (length / 4 + stretch / 2)
        assert energy == pytest.approx(G * height, rel=1e-8)


def test_records_follow_the_heavy_cord_fall(still):
    """v² = g y [4ML + m(2L−y)]/[2ML + m(L−y)]: Heck, Uylings and Kędzierska 2010, Physics Education 45, 63."""
    folder, truth = still
    for row in truth["drops"]:
        time, y, _ = decoded(folder, truth, row)
        # the laser's readings are written to 1 mV, so differences over 0.1 s are good to 0.1 m/s
        speed, middle = (y[200:] - y[:-200]) / 0.2, y[100:-100]
        falling = (time[100:-100] > 0.2) & (time[200:] < 1.3)
        M, m, L, d = row["mass"], row["cord_mass"], row["slack_length"], middle[falling]
        squared = G * d * (4 * M * L + m * (2 * L - d)) / (2 * M * L + m * (L - d))
        assert falling.sum() > 500
        assert speed[falling] == pytest.approx(np.sqrt(squared), abs=0.06)


def test_records_reach_what_the_truth_says(still):
    folder, truth = still
    for row in truth["drops"]:
        _, y, force = decoded(folder, truth, row)
        assert y.max() == pytest.approx(row["lowest_point"], abs=0.003)  # half a millivolt, 2.5 mm
        assert force.max() == pytest.approx(row["tie_load"], abs=0.2)
        # before release half of the folded cord hangs on the tie point
        assert force[:990] == pytest.approx(row["cord_mass"] * G / 2, abs=0.2)


def test_bottom_cell_reads_the_load_at_the_lower_end(tmp_path):
    rig = {**STILL["rig"], "load_cell_at": "bottom"}
    folder, truth = made(tmp_path, cords=1, masses=(52.0,), **QUIET, rig=rig)
    assert decoded(folder, truth, truth["drops"][0])[2].max() == pytest.approx(truth["drops"][0]["tension"], abs=0.2)
    assert read_campaign(folder).rig.load_cell_at == "bottom"


def test_energy_returned_is_the_area_of_the_record(tmp_path):
    """A cord of almost no mass: the tie load is the cord's force, and its loop over distance the energy lost."""
    folder, truth = made(tmp_path, cords=1, masses=(68.0,), cord_mass=Measured(0.01), u_cord_mass=0.001, **QUIET)
    row = truth["drops"][0]
    _, y, force = decoded(folder, truth, row)
    lowest = int(np.argmax(y))
    start = int(np.argmax(y > row["slack_length"]))
    end = lowest + int(np.argmax(y[lowest:] < row["slack_length"]))
    stored = np.trapezoid(force[start : lowest + 1], y[start : lowest + 1])
    returned = -np.trapezoid(force[lowest : end + 1], y[lowest : end + 1])
    assert returned / stored == pytest.approx(row["energy_returned"], abs=0.003)


def test_the_same_seed_writes_the_same_bytes(tmp_path):
    numbers = {"cords": 1, "masses": (36.0, 52.0), "rate": 200.0}
    folders = []
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        (tmp_path / name).mkdir()
        folders.append(made(tmp_path / name, seed=seed, **numbers)[0])
    files = [{p.relative_to(f): p.read_bytes() for p in f.rglob("*.csv")} for f in folders]
    assert files[0] == files[1]
    assert files[0].keys() == files[2].keys()
    assert all(files[0][name] != files[2][name] for name in files[0])


def test_spread_between_cords_is_as_asked(tmp_path):
    """χ² of a variance from 300 cords, two-sided at one in a thousand; seed fixed."""
    _, truth = made(tmp_path, cords=300, lot=400, masses=(52.0,), records=False, wear_sd=0.01)
    cords = pd.DataFrame(truth["cords"])
    for values, sd in (
        (np.log(cords["scale"]), 0.02),
        (cords["slack_length"], 0.04),
        (cords["cord_mass"], 0.15),
        (cords["loss"], 0.01),
    ):
        low, high = chi2.ppf([0.0005, 0.9995], 299)
        assert low < 299 * values.var() / sd**2 < high


def test_errors_common_to_drops_are_common(full):
    """A mass is weighed once, and the rig stands once: all drops share them; release and stiffness scatter by drop."""
    drops = pd.DataFrame(full[1]["drops"])
    assert (drops.groupby(drops["mass"].round()).mass.nunique() == 1).all()
    assert drops["drag_area"].nunique() == drops["air_density"].nunique() == 1
    assert drops["release_depth"].nunique() == drops["scale"].nunique() == len(drops)


def test_wear_softens_as_asked(tmp_path):
    _, truth = made(tmp_path, cords=3, records=False, drop_sd=0.0, retests=(100, 500))
    drops = pd.DataFrame(truth["drops"])
    for cord in truth["cords"]:
        mine = drops[drops.cord == cord["cord"]]
        assert mine["scale"].to_numpy() == pytest.approx(cord["scale"] * (1 - cord["loss"] * mine["jumps"] / 500))
    heavy = drops[drops["mass"].round() == 100].groupby("jumps")["lowest_point"].mean()
    assert heavy.is_monotonic_increasing


def test_true_range_holds_with_fresh_draws():
    """At the ends of the range, one drop in a hundred of a fresh simulation breaks the criterion that governs.

    Normal draws of everything, drag area and density cut off at 0 by leaving draws out; 4 standard deviations of the
    binomial with 100,000 draws are 0.0013, and 0.1 kg of the range's own precision moves the share by 0.0006.
    """
    world, n = Scenario(), 100_000
    ends = true_range(world, strength=14000.0, probability=0.99)
    assert ends["governed_by"] == {"light": "g", "heavy": "clearance"}
    rng = np.random.default_rng(8)

    def cut(value, u):
        draws = rng.normal(value, u, 2 * n)
        return draws[draws > 0][:n]

    scale = np.exp(rng.normal(0, 0.02, n)) * np.exp(rng.normal(0, 0.004, n))
    site = {"release_depth": rng.normal(0, 0.2, n), "drag_area": cut(0.5, 0.2), "air_density": cut(1.2, 0.1)}
    cord = {"slack_length": rng.normal(10, 0.04, n), "cord_mass": rng.normal(14, 0.15, n)}
    gear, curve = rng.normal(3, 0.3, n), Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0}).scaled(scale)
    heavy = predict_drop(curve, mass=ends["heaviest"] + gear, **site, **cord)
    clearance = rng.normal(43, 0.1, n) - heavy.lowest_point - rng.normal(2.2, 0.1, n)
    assert np.mean(clearance < 4) == pytest.approx(0.01, abs=0.002)
    light = predict_drop(curve, mass=ends["lightest"] + gear, **site, **cord)
    assert np.mean(light.g > 2.8) == pytest.approx(0.01, abs=0.002)


def test_nominal_range_is_where_the_criteria_are_met_with_equality():
    ends = true_range(Scenario(), strength=14000.0)
    curve = Curve("mooney-rivlin", {"c1": 280.0, "c2": 70.0})
    at = {"slack_length": 10.0, "cord_mass": 14.0, "drag_area": 0.5, "air_density": 1.2}
    heavy = predict_drop(curve, mass=ends["heaviest"] + 3, **at)
    assert 43.0 - heavy.lowest_point - 2.2 == pytest.approx(4.0, abs=0.005)  # 0.01 kg moves it by 3 mm
    assert predict_drop(curve, mass=ends["lightest"] + 3, **at).g == pytest.approx(2.8, abs=0.001)
    none = true_range(Scenario(criteria={"least_clearance": "30 m"}), strength=14000.0)
    assert (none["lightest"], none["heaviest"]) == (None, None)


def test_a_truth_file_gets_its_ranges(tmp_path, monkeypatch):
    """The scenario is read back from the file; the ranges are those of the scenario itself, in ten digits."""
    monkeypatch.setattr("tests.true_range.DRAWS", 256)
    _, truth = made(tmp_path, records=False, retests=(100,))
    main(tmp_path / "truth.json")
    ranges = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    added = ranges.pop("range")
    assert ranges == truth
    assert added["worn"][0]["jumps"] == 100
    asked = Scenario(**SMALL | {"retests": (100,)})
    direct = true_range(asked, strength=truth["strength"], probability=0.99)
    assert added["limit"]["lightest"] == direct["lightest"]
    assert added["limit"]["limits"]["g"] == pytest.approx(direct["limits"]["g"], rel=1e-9)


def test_ladder_only_campaign_has_no_sensors(tmp_path):
    folder, truth = made(tmp_path, records=False)
    assert sorted(p.name for p in folder.iterdir()) == ["breaks.csv", "campaign.toml", "cords.csv", "drops.csv"]
    assert truth["sensors"] == {}
    assert all(drop.record is None and drop.lowest_point for drop in read_campaign(folder).drops)


def test_nothing_is_overwritten(tmp_path):
    folder, _ = made(tmp_path, records=False)
    with pytest.raises(FileExistsError, match="not an empty folder"):
        invent(folder, seed=1, truth=tmp_path / "other.json")
    with pytest.raises(FileExistsError, match="truth file"):
        invent(tmp_path / "new", seed=1, truth=tmp_path / "truth.json")
    with pytest.raises(ValueError, match="stays outside"):
        invent(tmp_path / "new", seed=1, truth=tmp_path / "new" / "truth.json")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["campaign", "truth.json"]


@pytest.mark.parametrize(
    ("numbers", "message"),
    [
        ({"masses": (36.0, 400.0)}, "no lowest point|sensor ends"),
        ({"cords": 50}, "lot of 40"),
        ({"checks": (47.0,)}, "not some of the masses"),
        ({"mechanics": "guess"}, "choose one of"),
    ],
)
def test_numbers_that_do_not_hang_together_write_nothing(tmp_path, numbers, message):
    with pytest.raises(ValueError, match=message):
        invent(tmp_path / "campaign", seed=1, **numbers)
    assert list(tmp_path.iterdir()) == []

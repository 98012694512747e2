"""The lag of the load behind the distance: measured, taken off where it is small, and what stops or is said."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from cordlab.batch.findings import STOPS
from cordlab.batch.load_lag import LoadLag, lag_findings
from cordlab.batch.viscosity import SEARCHED, Viscosity
from cordlab.batch.wave_removal import Swell, WaveFit
from cordlab.records.reduce import reduce_drop
from tests.elastic_fold import ElasticDrop, fold_trace
from tests.rigs import slowed

RATE = 1000.0


@cache
def happened(mass):
    return fold_trace(ElasticDrop(mass, arms=0.3, viscosity=6.0))


def recorded(mass, lag, cell="bottom", poles=1, off=0.0, hum=0.0):
    trace = slowed(happened(mass).seen_at(cell), lag, poles)
    since = np.arange(-1.0, 7.5, 1 / RATE)
    load, depth = (np.interp(since, trace.time, values) for values in (trace.load, trace.depth))
    load += hum * np.sin(2 * np.pi * 50 * since)
    rig = {"drag_area": 0.1, "load_cell_at": cell, "release_depth": float(depth[0])}
    return reduce_drop(since + 1, load, depth, mass=mass, slack_length=10.0, cord_mass=14.0, lag=off, **rig)


@pytest.mark.parametrize("poles", [1, 2])
@pytest.mark.parametrize("lag", [0.0, 0.01, 0.04])
def test_a_lag_is_seen_at_the_lower_end(lag, poles):
    """By momentum alone, whatever the cord is: to 2 ms."""
    assert recorded(60.0, lag, poles=poles).load_lag == pytest.approx(lag, abs=0.002)


@pytest.mark.parametrize("lag", [0.0, 0.04])
def test_a_lag_is_seen_at_the_tie_point(lag):
    """Heavy masses: the momentum that a wave holds is little there."""
    found = LoadLag.of([recorded(mass, lag, "top") for mass in (60.0, 80.0, 100.0)])
    assert found.value == pytest.approx(lag, abs=2 * found.u)
    assert found.hides_loads == (lag > 0)


def test_a_small_lag_is_taken_off_the_peak():
    """A first-order lag of 20 ms hides some of the peak; without it the peak is the true one."""
    true, slow = recorded(60.0, 0.0), recorded(60.0, 0.02)
    again = recorded(60.0, 0.02, off=0.02)
    assert abs(again.peak_load - true.peak_load) < 0.2 * abs(slow.peak_load - true.peak_load)
    assert again.load_lag == pytest.approx(0.0, abs=0.001)
    assert LoadLag.of([slow]).taken_off


def test_what_is_left_of_a_lag_is_in_the_uncertainties():
    drop = replace(recorded(60.0, 0.0), peak_per_lag=3000.0, u_peak_load=4.0, energy_per_lag=2.0, u_energy_returned=0.0)
    carried = LoadLag(0.0, 0.001, False).carried([drop])[0]
    assert carried.u_peak_load == pytest.approx(5.0)
    assert carried.u_energy_returned == pytest.approx(0.002)


def kinds(lag, drops, waves=None):
    return {finding.kind for finding in lag_findings(lag, waves, drops)}


def test_one_witness_is_told_and_two_stop_the_rating():
    sound, slow = [recorded(mass, 0.0, "top") for mass in (60.0, 100.0)], LoadLag(0.05, 0.008, False)
    light = [replace(drop, implied_mass=0.95 * drop.mass) for drop in sound]
    assert kinds(LoadLag.of(sound), sound) == set()
    assert kinds(slow, sound) == {"late load"}
    assert kinds(slow, light) == {"slow load cell"}
    assert {"slow load cell", "late load"} & STOPS == {"slow load cell"}


@pytest.mark.parametrize(("late", "said"), [(0, set()), (60, {"late load"})])  # ms
def test_the_wave_of_a_stretched_arm_comes_late_to_the_lower_end(late, said):
    """The arm of an elastic fold is longer than the cord as it is straight: by 6 % here, which takes 44 ms."""
    drops = tuple(recorded(mass, 0.0) for mass in (60.0, 80.0))
    drops = tuple(replace(drop, use="fit", load=np.roll(drop.load, late)) for drop in drops)
    swells = tuple(Swell(drop.mass, np.array([0.0, 1.0]), np.zeros(2), 0.001) for drop in drops)
    waves = WaveFit(drops, Viscosity(5.0, 1.0, "measured"), 1.0, 0.1, swells)
    assert kinds(None, drops, waves) == said


def test_hum_that_grows_as_a_lag_is_taken_off_is_no_end_of_slack():
    """3 N of hum are 18 N after a lag of 20 ms is taken off, and this fold ends without a step."""
    assert recorded(60.0, 0.02, "top", off=0.02, hum=3.0).slack_seen is None


def test_a_viscosity_at_an_end_of_its_range_is_no_measurement():
    inside = Viscosity(5.0, 1.0, "measured")
    assert inside.judged() == inside
    for value in (SEARCHED[0], SEARCHED[-1]):
        assert Viscosity(value, 1.0, "measured").judged().how == "unknown"
    assert Viscosity(5.0, 1.0, "measured").judged("the load is late").hidden == "the load is late"
    assert Viscosity(40.0, 1.0, "given").judged().how == "given"

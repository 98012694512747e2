"""Witnesses of sound records agree, and where a sensor is wrong they disagree and name it.

The records are of `tests/rigs.py`, which shares no code with cordlab.
"""

from dataclasses import replace

import numpy as np
import pytest

from cordlab import Analysis, read_campaign
from cordlab.batch.findings import STOPS
from cordlab.batch.witnesses import SUSPECTS, WITNESSES, witness_findings
from tests.rigs import Circumstance, happen, recorded_world, write

PLAN = [(cord, mass, count, 15.0, "fit") for cord in range(3) for count, mass in enumerate((60.0, 100.0))]


@pytest.fixture(scope="module")
def world():
    """3 cords with 2 masses, recorded at 500 samples a second; sensors as in an ordinary test."""
    world = recorded_world(np.random.default_rng(3), PLAN, waves=False)
    world.logger = replace(world.logger, rate=500.0, drift=0.0)
    happen([world])
    return world


def findings(world, folder, **circumstance):
    campaign = read_campaign(write(folder, world, np.random.default_rng(4), Circumstance(**circumstance)))
    return {finding.kind: finding for finding in witness_findings(campaign, Analysis(campaign).drops)}


@pytest.mark.parametrize("noted", [False, True])
@pytest.mark.parametrize("distance", [False, True])
def test_witnesses_of_sound_records_agree(world, tmp_path, distance, noted):
    assert findings(world, tmp_path / "c", distance=distance, noted=noted or not distance) == {}


@pytest.mark.parametrize(
    ("circumstance", "kinds", "suspect"),
    [
        (
            {"depth": lambda depth: 0.98 * depth},
            {"end of slack", "clock", "depth by load"},
            "the distance sensor (as if -2",
        ),
        ({"depth": lambda depth: depth - 0.3}, {"rest", "end of slack"}, "the datum of the distance (as if -"),
        (
            {"depth": lambda depth: np.minimum(depth, 24.0) + 0.3 * np.maximum(depth - 24.0, 0.0)},
            {"depth by load"},
            "the distance sensor near the lowest points",
        ),
        ({"gain": 0.96}, {"loads", "depth by load"}, "the load cell (as if -"),
        ({"mass": 2.0}, {"loads", "depth by load"}, "the masses noted (as if +2"),
        ({"noted": True, "tape": 0.98}, {"datum"}, "the lowest points noted (as if -2"),
        ({"noted": True, "distance": False, "tape": 0.96}, {"datum"}, "the lowest points noted"),
    ],
)
def test_a_wrong_sensor_is_found_and_the_others_speak_against_it(world, tmp_path, circumstance, kinds, suspect):
    found = findings(world, tmp_path / "c", **circumstance)
    assert set(found) == kinds
    for finding in found.values():
        assert suspect in finding.text.partition("it speaks against ")[2]
        assert finding.stops
        assert len(finding.drops) >= 3


@pytest.mark.parametrize(("distance", "kinds"), [(True, {"rest", "depth by load"}), (False, {"clock", "datum"})])
def test_a_release_depth_that_is_stated_too_high_is_named(world, tmp_path, distance, kinds):
    toml = (('release_depth = "0.00(2) m"', 'release_depth = "-1.00(2) m"'),)
    found = findings(world, tmp_path / "c", distance=distance, noted=True, toml=toml)
    assert kinds <= set(found)
    for kind in kinds:
        assert found[kind].text.partition("it speaks against ")[2].startswith("the release depth (as if -")


@pytest.mark.parametrize(("shown", "kinds"), [(2, set()), (4, {"end of slack"})])
def test_an_end_of_slack_that_few_drops_show_is_no_witness(world, tmp_path, shown, kinds):
    campaign = read_campaign(write(tmp_path / "c", world, np.random.default_rng(4)))
    drops = [
        replace(drop, slack_seen=0.96 * drop.slack_length if number < shown else None)
        for number, drop in enumerate(Analysis(campaign).drops)
    ]
    assert {finding.kind for finding in witness_findings(campaign, drops)} == kinds


def test_every_witness_stops_a_rating_and_every_suspect_moves_one():
    assert set(WITNESSES) <= STOPS
    assert (SUSPECTS != 0).any().all()

"""Sound records of a generator apart from cordlab are taken; `python -m tests.coverage sound` judges hundreds."""

import numpy as np
import pytest

from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.campaign_drops import reduce_all
from tests.coverage.sound import FAULTS, greatest, judged
from tests.sound_records import random_logger, sound_drops, traces, write_campaign

BY_DISTANCE, BY_LOAD = (False, False), (True, False)


@pytest.fixture(scope="module")
def drops():
    """Six drops of two heavy cords; their sensors are calibrated from 0, and once slack they read a hair below it."""
    invented = sound_drops(np.random.default_rng(3), 6)
    return invented, traces(invented)


@pytest.mark.parametrize("seed", [1, 2])
def test_sound_records_are_taken_without_a_note(drops, seed):
    results = judged(*drops, {}, seed)
    assert len(results[BY_DISTANCE]) == len(results[BY_LOAD]) == 6
    for kind in (BY_DISTANCE, BY_LOAD):
        assert [result for result in results[kind] if result != ("taken", ())] == []


@pytest.mark.parametrize(
    ("fault", "what", "said"),
    [
        ("mass noted 15 % too great", "noted", "load and motion imply"),
        ("force calibrated to 95 % of the peak", "refused", "outside the calibrated range"),
        ("force calibrated from 120 N on", "refused", "outside the calibrated range"),
        ("distance calibrated to 97 % of the lowest point", "refused", "outside the calibrated range"),
        ("distance calibrated from 3 m on", "refused", "outside the calibrated range"),
    ],
)
def test_the_same_records_with_a_fault_are_refused_or_noted(drops, fault, what, said):
    for verdict, messages in judged(*drops, FAULTS[fault], 1)[BY_DISTANCE]:
        assert verdict == what
        assert any(said in message for message in messages)


def test_every_bad_record_is_listed_with_its_remedy(drops, tmp_path):
    (invented, true), rng = drops, np.random.default_rng(1)
    last = greatest(true[:3], 0.95, "force")
    campaign = read_campaign(write_campaign(tmp_path, invented[:3], true[:3], random_logger(rng), rng, last=last))
    with pytest.raises(CampaignError) as refusal:
        reduce_all(campaign, calibrate_campaign(campaign))
    for number, problem in enumerate(refusal.value.problems):
        assert problem.startswith(f"records/D{number}.csv (drop D{number}): force reads")
        assert "mark its events by hand in decisions.csv, or blank its record in drops.csv and keep its" in problem
    assert len(refusal.value.problems) == 3

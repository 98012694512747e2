"""A range holds to a jump count and says which: the last retested one that leaves a range, where none is asked for."""

from dataclasses import replace

import numpy as np
import pytest

from cordlab import Analysis, read_campaign
from cordlab.batch.campaign_findings import campaign_findings
from tests.lowest_worlds import Cords, Row, write
from tests.small_campaign import edit

MASSES = (36.0, 52.0, 68.0, 84.0, 100.0)
NEW = [Row(cord, mass, k, 15.0) for cord in range(4) for k, mass in enumerate(MASSES)]
WORN = [Row(cord, mass, n + k, 15.0, "wear") for cord in range(4) for n in (100, 200) for k, mass in enumerate(MASSES)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Four cords, retested at 100 and 200 jumps, 1 % softer in 100 jumps. All of it is invented."""
    place = tmp_path_factory.mktemp("counts") / "campaign"
    return write(place, NEW + WORN, Cords(cord_sd=0.004, drop_sd=0.002, per_jump=-1e-4), np.random.default_rng(4))


def test_without_a_count_the_range_holds_to_the_last_retest_that_leaves_one(folder):
    analysis = Analysis(read_campaign(folder))
    rating, counts = analysis.rating, [row["jumps"] for row in analysis.service.by_count]
    assert counts == [100, 200]
    assert "for up to 200 jumps" in rating.headline
    assert rating.ends == (analysis.service.by_count[-1]["lightest"], analysis.service.by_count[-1]["heaviest"])


def test_a_count_above_the_greatest_allowed_is_not_rated_and_the_cap_stands_by_the_headline(folder):
    campaign = read_campaign(folder)
    criteria, decision = replace(campaign.criteria, greatest_jumps=150), campaign.decision
    capped = Analysis(replace(campaign, criteria=criteria)).rating
    assert "for up to 150 jumps (at most 150 allowed)" in capped.headline
    asked = Analysis(replace(campaign, criteria=criteria, decision=replace(decision, jumps=200))).rating
    assert not asked.rated
    assert "asked for 200 jumps, above the 150 that the maker or the rule allows" in asked.reasons


def test_without_retests_the_headline_says_that_nothing_says_more(folder):
    campaign = read_campaign(folder)
    new = Analysis(replace(campaign, drops=tuple(drop for drop in campaign.drops if drop.use == "fit"))).rating
    assert "for up to 4 jumps (no retest says more)" in new.headline


def test_where_no_retest_leaves_a_range_it_is_not_rated_beyond_the_fit_drops(tmp_path):
    """Cords that lose a tenth of their stiffness in 100 jumps, against a clearance that new cords just keep."""
    world = Cords(cord_sd=0.004, drop_sd=0.002, per_jump=-2.5e-3)
    folder = write(tmp_path / "campaign", NEW + WORN, world, np.random.default_rng(4))
    edit(folder, "campaign.toml", ('least_clearance = "3 m"', 'least_clearance = "17.5 m"'))
    analysis = Analysis(read_campaign(folder))
    assert all(row["heaviest"] is None for row in analysis.service.by_count)
    assert "for up to 4 jumps (not rated beyond)" in analysis.rating.headline


@pytest.mark.parametrize(("between", "told"), [(1, False), (8, True)])
def test_counts_that_rise_with_the_mass_are_told(tmp_path, between, told):
    plan = [Row(cord, mass, k * between, 15.0) for cord in range(4) for k, mass in enumerate(MASSES)]
    campaign = read_campaign(write(tmp_path / "campaign", plan, Cords(), np.random.default_rng(4)))
    kinds = [finding.kind for finding in campaign_findings(campaign, ())]
    assert ("counts along mass" in kinds) is told


def test_cords_that_were_retired_before_a_retest_are_told(folder):
    """One cord has no retest at 200 jumps, another one none at all; with all of them nothing is said."""
    campaign = read_campaign(folder)
    assert not any("not retested" in caution for caution in Analysis(campaign).cautions)
    kept = [drop for drop in campaign.drops if not (drop.cord == "C02" and drop.jumps >= 200)]
    kept = [drop for drop in kept if not (drop.cord == "C04" and drop.use == "wear")]
    told = [text for text in Analysis(replace(campaign, drops=tuple(kept))).cautions if "not retested" in text]
    assert len(told) == 1
    assert "C02 (last at 104 jumps), C04 (never)" in told[0]
    assert "at 204 jumps" in told[0]

"""The ladder: what one drop and several allow; its limits hold for shapes inside and outside its assumptions."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from cordlab.ladder import FURTHEST_STEP, next_mass
from cordlab.units import Measured
from tests.coverage.limits import TRUE_SHAPES, ladder
from tests.test_limits import CURVE, EXACT, MASSES, invented, scattered

DAY = {"rig": EXACT, "least_clearance": 3.0, "stack_height": 1.2}
DROPS = invented(scattered(30, 6, 0.02, 0.004), peaks=1.1)


def first(n: int):
    return DROPS.take(np.arange(n))


def test_limits_narrow_as_the_ladder_is_climbed():
    limits = [next_mass(first(n), mass=84.0, cord="C0", **DAY).lowest_point_limit for n in (1, 2, 3, 4)]
    assert np.all(np.diff(limits) < 0)
    assert limits[-1] > DROPS.lowest_point[3]


def test_one_drop_allows_a_small_step_and_not_a_great_one():
    small, great = next_mass(first(1), mass=44.0, **DAY), next_mass(first(1), mass=100.0, **DAY)
    assert small.allowed
    assert small.answer == "drop"
    assert great.answer == "do not drop"
    assert "clearance limit" in great.reasons[0]
    assert f"more than {FURTHEST_STEP:g} times the 36 kg" in great.reasons[0]
    assert any(reason.startswith("assumed:") for reason in small.reasons)


def test_the_plan_is_ordered_and_the_lightest_heavier_mass_is_next():
    rung = next_mass(first(2), planned=[100, 84, 60, 52, 68, 36], **DAY)
    assert rung.mass == 60.0
    assert [step.mass for step in rung.plan] == [60.0, 68.0, 84.0, 100.0]
    assert np.all(np.diff([step.lowest_point_limit for step in rung.plan]) > 0)
    assert rung.proposed is not None
    assert 60.0 <= rung.proposed <= FURTHEST_STEP * 52.0
    assert rung.to_dict()["plan"][0]["mass"] == 60.0
    assert rung.summary().startswith("DROP 60 kg")


def test_a_lighter_mass_is_proposed_where_the_planned_one_may_not_be_dropped():
    low_rig = SimpleNamespace(**{**vars(EXACT), "tie_height": Measured(44.0)})
    rung = next_mass(first(3), planned=[100], rig=low_rig, least_clearance=3.0)
    assert rung.answer == "do not drop"
    assert rung.proposed is not None
    assert 68.0 < rung.proposed < 100.0
    assert next_mass(first(3), mass=rung.proposed, rig=low_rig, least_clearance=3.0).allowed
    assert not next_mass(first(3), mass=rung.proposed + 2.0, rig=low_rig, least_clearance=3.0).allowed


def test_the_load_limit_of_the_day_counts_too_with_the_excess_that_was_seen():
    rung = next_mass(first(3), mass=76.0, greatest_load=1_500.0, **DAY)
    assert rung.answer == "do not drop"
    assert "peak load limit" in rung.reasons[0]
    quiet = next_mass(invented(scattered(30, 6, 0.02, 0.004)).take(np.arange(3)), mass=76.0, **DAY)
    assert rung.load_limit == pytest.approx(1.1 * quiet.load_limit, rel=0.01)


def test_another_cord_is_less_certain_than_the_one_that_climbs():
    same, other = (next_mass(first(4), mass=100.0, cord=cord, **DAY) for cord in ("C0", None))
    assert other.lowest_point_limit > same.lowest_point_limit + 0.2


def test_before_the_first_drop_only_a_makers_curve_can_say_anything_and_it_is_marked_assumed():
    with pytest.raises(ValueError, match="needs a maker's curve"):
        next_mass(None, planned=MASSES, **DAY)
    rung = next_mass(None, planned=MASSES, makers_curve=CURVE, slack_length=10.0, cord_mass=14.0, **DAY)
    assert rung.mass == 36.0
    assert "assumed" in rung.reasons[1]
    assert len(rung.plan) == MASSES.size
    with pytest.raises(ValueError, match="give rig="):
        next_mass(first(1), planned=MASSES)


@pytest.mark.parametrize("shape", TRUE_SHAPES)
def test_the_next_drop_stays_within_its_limit(shape):
    """A short run of the ladder of `python -m tests.coverage limits`: 99 % limits, 5 labs at each of four rungs."""
    beyond, of = np.sum([(b, n) for _, b, n in ladder(shape, 5)], axis=0)
    assert stats.binomtest(int(beyond), int(of), 0.01, alternative="greater").pvalue > 0.01

"""Records of a cord that stretches while it falls; `python -m tests.coverage elastic_fold` judges 72 of them."""

import numpy as np
import pytest

from cordlab.mechanics.fall import DropSetup
from cordlab.records.motion import folded_fall
from cordlab.records.plausibility import STRETCHED, end_of_slack_off
from tests.coverage.elastic_fold import records


@pytest.mark.parametrize("set_up", [(0.3, 0.0, "top"), (0.6, 2.5, "top"), (0.1, 0.0, "bottom")])
def test_nothing_is_refused_and_lowest_points_lie_within_what_is_stated(set_up):
    taken, said = records([set_up], (36.0, 100.0))
    for alone, most in ((False, 0.03), (True, 1.0)):
        off, u = np.abs(taken[alone]).T
        assert off.size == 2
        assert (off < 2 * u).all()
        assert u.max() < most
        assert [message for message in said[alone] if "the zero of the cell drifts" not in message] == []


def test_a_stretched_arm_is_no_other_slack_length_to_a_cell_at_the_lower_end():
    assert end_of_slack_off(10.7, 10.0, "bottom") == 0.0
    assert end_of_slack_off(11.0, 10.0, "bottom") == pytest.approx(0.1 - STRETCHED)
    assert end_of_slack_off(9.7, 10.0, "bottom") == pytest.approx(-0.03)
    assert end_of_slack_off(10.7, 10.0, "top") == pytest.approx(0.07)
    assert np.isnan(end_of_slack_off(None, 10.0, "top"))


def test_a_fall_takes_at_most_as_long_as_one_without_a_cord():
    heavy, light = (folded_fall(DropSetup(68.0, 10.0, mass), "top") for mass in (14.0, 0.1))
    assert heavy.duration + 2 * heavy.u_elastic == pytest.approx(np.sqrt(2 * 10.0 / 9.80665), rel=1e-4)
    assert light.u_elastic < 0.01 * heavy.u_elastic

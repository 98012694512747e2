"""The trainer's lessons: limits drawn from a known truth keep the word that theory gives them; guesses stay hidden."""

import re

import numpy as np
import pytest
from scipy import stats

from cordlab import lessons, read_campaign
from cordlab.analysis import analyse
from cordlab.panels import Panel
from tests.conftest import ROOT


@pytest.fixture(scope="module")
def campaign():
    return read_campaign(ROOT / "data-demo" / "first-batch")


def drawn(**given):
    known = {"cords": 5, "drops": 1, "sd_cord": 0.3, "sd_drop": 0.1, "probability": 0.95, "batches": 3000, "seed": 2}
    return lessons.draw_promises(**(known | given))


def close_to(mean: float, values: np.ndarray) -> bool:
    """Within four standard errors of what theory says."""
    return abs(values.mean() - mean) < 4 * values.std(ddof=1) / np.sqrt(values.size)


def test_a_prediction_limit_holds_as_often_as_it_says():
    """By its definition (Student's t, normal values): on average over batches, for one drop a cord exactly."""
    assert close_to(0.95, drawn().kept["prediction"])


def test_a_confidence_limit_read_as_a_promise_for_a_drop_holds_as_often_as_t_says():
    """x̄ + t·s/√n holds the next value with P(T ≤ t/√(n + 1)), T Student's with n − 1: closed form, normal values."""
    t = stats.t.ppf(0.95, 4)
    assert close_to(stats.t.cdf(t / np.sqrt(6), 4), drawn().kept["confidence"])


def test_a_tolerance_limit_holds_its_share_in_as_many_batches_as_its_confidence_says():
    enough = drawn(confidence=0.9).kept["tolerance"] >= 0.95
    assert close_to(0.9, enough.astype(float))


def test_pooled_drops_promise_too_much_where_cords_differ_and_only_there():
    many = drawn(drops=10)
    assert many.kept["pooled"].mean() < many.kept["prediction"].mean() - 0.02
    alike = drawn(drops=10, sd_cord=0.0)
    assert close_to(0.95, alike.kept["pooled"])


def test_what_followed_is_counted_against_the_limit():
    found = drawn(batches=100)
    assert found.passed("confidence").sum() == (found.following > found.limits["confidence"]).sum()
    assert found.truth == pytest.approx(np.hypot(0.3, 0.1) * stats.norm.ppf(0.95))


@pytest.mark.parametrize(("cords", "drops"), [(1, 5), (4, 0)])
def test_too_few_are_refused(cords, drops):
    with pytest.raises(ValueError, match="at least 2 cords and 1 drop"):
        drawn(cords=cords, drops=drops)


def test_promise_panel_draws_anew_and_repeats_itself():
    panel, again = lessons.promise_panel(), lessons.promise_panel()
    assert panel.said == again.said
    before = panel.said
    panel.controls["again"].set_state({"value": 7})
    assert panel.said != before
    panel.controls["again"].set_state({"value": 0})
    assert panel.said == before


def test_nothing_that_came_is_shown_before_the_guess(campaign):
    panel = lessons.guess_panel(campaign)
    heaviest = max(entry.mass.value for entry in campaign.drops if entry.use != "wear")
    came = [e.lowest_point.value for e in campaign.drops if e.mass.value == heaviest and e.use != "wear"]

    def drawn_points(panel: Panel) -> np.ndarray:
        return np.concatenate([line.get_ydata() for line in panel._figure.axes[0].lines])

    panel.controls["guess"].value = 12.3
    assert "12.3 m" in panel.said
    assert not np.isin(came, drawn_points(panel)).any()
    panel.controls["shown"].value = "and what came"
    assert np.isin(came, drawn_points(panel)).all()
    assert f"{abs(12.3 - np.mean(came)):.2f} m too high" in panel.said
    panel.controls["shown"].value = "and the limit"
    limit = float(re.search(r"limit ([\d.]+) m", panel.said)[1])
    assert limit > np.mean(came)  # one-sided, on the side of danger


def test_retest_panel_shows_what_was_known_then(campaign):
    analysis = analyse(campaign)
    panel = lessons.retest_panel(analysis)
    counts = [count for _, count in panel.controls["seen"].options]
    for seen in counts:
        panel.controls["seen"].value = seen
        tested = re.findall(r"^ *(\d+) jumps, tested", panel.said, flags=re.MULTILINE)
        assert int(tested[-1]) == seen
    assert f"retire at {analysis.wear.retire_at}" in panel.said  # with every retest seen it is the analysis

"""The trainer's lessons: limits drawn from a known truth keep the word that theory gives them; guesses stay hidden."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from cordlab import Missing, predict_drop, read_campaign
from cordlab.notebook import lessons
from cordlab.notebook.panel import Panel
from tests.conftest import ROOT
from tests.small_campaign import write_small_campaign


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
    assert panel.words == again.words
    before = panel.words
    panel.controls["seed"].set_state({"value": 7})
    assert panel.words != before
    panel.controls["seed"].set_state({"value": 0})
    assert panel.words == before


def test_nothing_that_came_is_shown_before_the_guess(campaign):
    panel = lessons.guess_panel(campaign)
    heaviest = max(entry.mass.value for entry in campaign.drops if entry.use != "wear")
    came = [e.lowest_point.value for e in campaign.drops if e.mass.value == heaviest and e.use != "wear"]

    def drawn_points(panel: Panel) -> np.ndarray:
        return np.concatenate([line.get_ydata() for line in panel._shown.axes[0].lines])

    panel.controls["guess"].value = "12.3 11,7"
    assert "100 kg: 2 guessed, 11.7 to 12.3 m." in panel.words
    assert not np.isin(came, drawn_points(panel)).any()
    panel.controls["shown"].value = "and what came"
    assert np.isin(came, drawn_points(panel)).all()
    assert f"{abs(12.0 - np.mean(came)):.2f} m too small" in panel.words
    panel.controls["shown"].value = "and a fit"
    fitted = float(re.search(r"curve through them says ([\d.]+) m", panel.words)[1])
    assert fitted == pytest.approx(np.mean(came), abs=0.3)  # the true family of curves, one mass further
    assert "limit" not in panel.words
    panel.controls["shown"].value = "and the limit"
    limit = float(re.search(r"limit ([\d.]+) m", panel.words)[1])
    assert limit > np.mean(came)  # one-sided, on the side of danger


def test_a_guess_that_is_no_number_is_shown_and_raised(campaign):
    panel = lessons.guess_panel(campaign)
    with pytest.raises(ValueError, match="quite"):
        panel.controls["guess"].value = "quite deep"
    assert 'role="alert"' in panel.text.value


def test_retest_panel_shows_what_was_known_then(campaign, analysis):
    panel, wear = lessons.retest_panel(analysis), analysis.wear
    at = wear.retest
    for _, seen in panel.controls["seen"].options:
        panel.controls["seen"].value = seen
        tested = re.findall(r"^ *(\d+) jumps, tested", panel.words, flags=re.MULTILINE)
        assert int(tested[-1]) == seen
        drawn = np.concatenate([line.get_ydata() for line in panel._shown.axes[0].lines])
        assert not np.isin(wear.values[at > seen], drawn).any()
    assert f"retire at {wear.retire_at}" in panel.words  # with every retest seen it is the analysis


def test_retest_panel_tells_a_guess_from_what_came(analysis):
    panel, wear = lessons.retest_panel(analysis), analysis.wear
    counts = np.unique(wear.retest)
    came = wear.values[wear.retest == counts[2]]
    panel.controls["guess"].value = f"{came.mean() + 1:.6f}"
    assert "It came to" not in panel.words
    panel.controls["shown"].value = "and what came next"
    assert f"{came.mean():.2f} {wear.unit} on average: the guesses are 1.00 {wear.unit} too great" in panel.words
    panel.controls["stop"].value = int(counts[1])
    assert "what was tested bears you out" in panel.words
    panel.controls["stop"].value = int(counts[1]) + 1
    assert "nothing that was tested so far bears you out" in panel.words


def test_too_little_for_a_lesson_is_one_line(tmp_path):
    campaign = read_campaign(write_small_campaign(tmp_path / "one"))
    few = replace(campaign, drops=tuple(entry for entry in campaign.drops if entry.mass.value < 90))
    with pytest.raises(Missing, match="2 masses"):
        lessons.guess_panel(few)
    with pytest.raises(Missing, match="0 jump counts"):
        lessons.retest_panel(SimpleNamespace(wear=None))


def every_exercise(campaign, analysis):
    return (*lessons.on_stretch(campaign), *lessons.on_promises(), *lessons.on_wear(analysis))


def test_exercises_know_right_from_wrong_and_keep_the_answer_to_themselves(campaign, analysis):
    for exercise in every_exercise(campaign, analysis):
        panel = exercise.panel()
        assert panel.words.splitlines() == [exercise.question, "Not answered yet."]
        shown = panel._repr_mimebundle_()[0]["text/plain"] + panel.text.value
        assert exercise.because not in shown
        if exercise.options:
            wrong = [each for each in exercise.options if each != exercise.truth]
            assert len(wrong) == len(exercise.options) - 1
        else:
            wrong = [str(exercise.truth + 1.1 * exercise.within + 0.01), str(-exercise.truth), "many"]
        for each in wrong:
            panel.controls["answer"].value = each
            assert "Right" not in panel.words
        panel.controls["answer"].value = str(exercise.truth).replace(".", ",")
        assert panel.words.splitlines()[1] == f"Right. {exercise.because}"
        panel.controls["solve"].value = True
        assert panel.words.splitlines()[2].startswith("Answer: ")


def test_the_answers_to_exercises_are_what_a_class_would_find(campaign, analysis):
    """By hand, from the drops themselves: the line's miss at the heaviest weight, and the loss from first to last."""
    mass, lowest = np.array(
        [(e.mass.value, e.lowest_point.value) for e in campaign.drops if e.use in ("fit", "check")]
    ).T
    lighter = mass < mass.max()
    slope, level = stats.linregress(mass[lighter], lowest[lighter])[:2]
    miss = level + slope * mass.max() - lowest[~lighter].mean()
    line, _, rider = lessons.on_stretch(campaign)
    assert line.check(f"{miss:.2f}").startswith("Right")
    cord = {"slack_length": 10.0, "cord_mass": 14.0, "mass": mass.max(), "drag_area": 0.1}
    curve = analysis.fit.chosen.curve
    turned = (
        predict_drop(curve, centre_of_mass_fall=2.0, **cord).lowest_point - predict_drop(curve, **cord).lowest_point
    )
    assert rider.check(f"{turned:.2f}").startswith("Right")
    wear, (_, change) = analysis.wear, lessons.on_wear(analysis)
    counts = wear.retest
    first, last = (wear.values[counts == end].mean() for end in (counts.min(), counts.max()))
    assert change.check(f"{100 * (last - first) / (counts.max() - counts.min()):.2f}").startswith("Right")


def test_every_exercise_of_the_file_is_asked_and_offers_its_answer(campaign, analysis):
    """A text that somebody adds or renames is missed by nobody; the limits to choose from are those of the lesson."""
    asked = every_exercise(campaign, analysis)
    assert len(asked) == len(lessons.EXERCISES)
    assert all(exercise.truth in exercise.options for exercise in asked if exercise.options)
    assert lessons.EXERCISES["sure of one campaign"]["options"] == list(lessons.KINDS)


def test_no_answer_stands_in_a_notebook(campaign, analysis):
    for exercise in every_exercise(campaign, analysis):
        for path in (ROOT / "notebooks").glob("t*.ipynb"):
            assert exercise.because not in path.read_text(encoding="utf-8")

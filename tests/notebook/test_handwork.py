"""Choices made by hand, driven as a user makes them: moved, ticked, recorded, refused without a reason, taken back."""

from dataclasses import replace

import numpy as np
import pytest

import cordlab
from cordlab import read_campaign
from cordlab.batch.fit import fit_batch
from cordlab.campaign.campaign import CampaignError
from cordlab.notebook import by_hand as handwork
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.campaign_drops import reduce_all
from cordlab.report import figures as plots

HOSTILE = "<img src=x onerror=alert(1)> \"quoted\" \\ 'and' ünïcode ]] [[mark]] # = \U0001f9f5"


@pytest.fixture(scope="module")
def invented(tmp_path_factory):
    """Three invented cords with records; the fit is of plain models, to be quick."""
    folder = tmp_path_factory.mktemp("handwork") / "campaign"
    cordlab.invent(folder, seed=3, cords=3, masses=(40.0, 60.0, 80.0), checks=(60.0,), retests=(), rate=250.0,
                   duration=7.0)  # fmt: skip
    return folder


@pytest.fixture
def folder(invented):
    (invented / "decisions.csv").unlink(missing_ok=True)
    return invented


@pytest.fixture
def events(folder):
    campaign = read_campaign(folder)
    return handwork.record_panel(campaign, calibrate_campaign(campaign))


@pytest.fixture(scope="module")
def fitted(invented):
    (invented / "decisions.csv").unlink(missing_ok=True)
    campaign = read_campaign(invented)
    drops = reduce_all(campaign, calibrate_campaign(campaign))
    check = [drop for drop in drops if drop.use == "check"]
    return drops, fit_batch([drop for drop in drops if drop.use == "fit"], check=check)


@pytest.fixture
def models(folder, fitted):
    return handwork.model_panel(read_campaign(folder), *fitted)


def test_record_panel_goes_from_drop_to_drop_with_the_events_of_each(events):
    names = [name for _, name in events.controls["drop"].options]
    assert names == [entry.drop for entry in events.campaign.drops]
    for name in names[:2]:
        events.controls["drop"].value = name
        assert events.words.startswith(f"drop {name}:")
        assert f"release {events.controls['release'].value:.2f}" in events.words  # to a slider's step
        assert "by hand" not in events.words


@pytest.mark.parametrize(("event", "by"), [("release", 0.02), ("slack_end", 0.02), ("lowest", -0.05)])
def test_a_moved_event_is_drawn_and_told_beside_the_automatic_one(events, event, by):
    before, slider = events.picture.value, events.controls[event]
    slider.set_state({"value": round(slider.value + by, 3)})  # as a browser sends it
    assert events.picture.value != before
    assert "marked by hand" in events.words
    assert f"at {slider.value:.3f} s, where the record alone gives" in events.words
    labels = [line.get_label() for ax in events._shown.axes for line in ax.lines]
    assert labels.count(f"{handwork._NAMES[event]}, by hand") == 2  # on force and on motion


def test_a_mark_is_recorded_with_its_reason_and_taken_back(events, folder):
    drop, slider = events.controls["drop"].value, events.controls["slack_end"]
    automatic = slider.value
    slider.value = automatic + 0.02
    events.reason.value, events.by.value = HOSTILE, "An invented engineer"
    events.button.click()
    assert "recorded: drop" in events.outcome.value
    mark = read_campaign(folder).by_hand.marked(drop)
    assert mark.reason == HOSTILE
    assert mark.by == "An invented engineer"
    assert mark.times["slack_end"].value == pytest.approx(automatic + 0.02, abs=1e-4)
    assert list(mark.times) == ["slack_end"]
    assert events.campaign.by_hand.marked(drop) == mark
    events.controls["drop"].value = events.controls["drop"].options[1][1]
    events.controls["drop"].value = drop
    assert slider.value == pytest.approx(automatic + 0.02, abs=1e-3)  # it stands where it was recorded
    slider.value = automatic
    events.reason.value = "a second look"
    assert events.record() == f"taken back: the marks of drop {drop}"
    assert not read_campaign(folder).by_hand
    assert ",a second look," in (folder / "decisions.csv").read_text()


def test_nothing_is_written_without_a_reason_or_a_move_or_against_the_record(events, folder):
    events.controls["lowest"].value += -0.05
    events.button.click()
    assert 'role="alert"' in events.outcome.value
    with pytest.raises(CampaignError, match="give a reason"):
        events.record()
    events.reason.value = "why"
    events.controls["lowest"].value = events.controls["slack_end"].value + 0.3  # nothing turns there
    assert events.words.startswith("with these marks the record is refused")
    assert "turn" in events.words
    with pytest.raises(CampaignError, match="turn"):
        events.record()
    events.controls["drop"].value = events.controls["drop"].options[1][1]
    with pytest.raises(CampaignError, match="nothing to record"):
        events.record()
    assert not (folder / "decisions.csv").exists()


def test_model_panel_shows_each_model_its_residuals_and_all_in_a_table(models):
    assert models.words.startswith(f"{models.fit().chosen.model.name}: chosen, 3 of 3 cords count")
    seen = set()
    for model in models.controls["model"].options:
        models.controls["model"].value = model
        seen.add(models.picture.value)
        assert models.words.startswith(f"{model}: ")
        assert f">{model}</th>" in models.table.value
    assert len(seen) == len(models.controls["model"].options)
    models.controls["shown"].value = "residuals"
    assert models.picture.value not in seen
    assert models.table.value.count("<tr>") == len(models.fit().candidates)


def test_bands_are_drawn_by_name(models):
    for bands in ((), ("another cord",), plots.BANDS):
        models.controls["bands"].value = bands
        drawn = {text.get_text() for text in models._shown.axes[1].texts}
        assert drawn & set(plots.BANDS) == set(bands)


def test_a_cord_off_is_refitted_without_at_once_and_recorded_with_its_reason(models, folder):
    cord, box = next(iter(models.cords.items()))
    before = models.fit()
    box.value = False
    assert "2 of 3 cords count" in models.words
    assert cord not in models.fit().chosen.scales
    assert cord in before.chosen.scales
    assert f"cord {cord}, off: " in models.words
    models.reason.value = HOSTILE
    models.button.click()
    assert f"left out for what the cord is: cord {cord}" in models.outcome.value
    campaign = read_campaign(folder)
    assert {entry.use for entry in campaign.drops if entry.cord == cord} == {"left out"}
    assert campaign.by_hand.left_out[0].reason == HOSTILE
    with pytest.raises(CampaignError, match="nothing to record"):
        models.record()
    box.value = True
    assert "3 of 3 cords count" in models.words
    models.reason.value = "measured again"
    assert "counts again" in models.record()
    assert not read_campaign(folder).by_hand


@pytest.mark.parametrize("cause", ["cord", "measurement"])
def test_a_cord_is_left_out_for_a_cause_that_the_campaign_then_has(models, folder, cause):
    assert models.cause.value == "cord"  # where nobody chooses it stays in its batch
    models.cause.set_state({"index": [of for _, of in models.cause.options].index(cause)})  # as a browser sends it
    cord, box = next(iter(models.cords.items()))
    box.value, models.reason.value = False, "why"
    models.record()
    campaign = read_campaign(folder)
    assert [(choice.cord, choice.cause) for choice in campaign.by_hand.left_out] == [(cord, cause)]
    assert (campaign.with_every_cord() is campaign) == (cause == "measurement")


def test_no_cord_at_all_is_told_and_not_written(models, folder):
    for box in models.cords.values():
        box.value = False
    assert models.words.startswith("no fit of 0 cords")
    models.reason.value = "why"
    with pytest.raises(CampaignError, match="every fit drop is left out"):
        models.record()
    assert len(read_campaign(folder).by_hand.left_out) == 2  # those that were sound by themselves stand, and are told


def test_a_cord_left_out_in_the_campaign_begins_off(models, folder, fitted):
    cord = next(iter(models.cords))
    models.cords[cord].value = False
    models.reason.value = "why"
    models.record()
    drops, _ = fitted
    campaign = read_campaign(folder)
    noted = [replace(drop, use=next(e.use for e in campaign.drops if e.drop == drop.name)) for drop in drops]
    fit = fit_batch([drop for drop in noted if drop.use == "fit"])
    again = handwork.model_panel(campaign, noted, fit)
    assert [name for name, box in again.cords.items() if not box.value] == [cord]
    assert "2 of 3 cords count" in again.words


def test_every_control_is_labelled(models, events):
    for panel in (models, events):
        for control in (*panel.controls.values(), panel.reason, panel.by, panel.button):
            assert control.description
            assert control.tooltip
    assert models.cause.description
    assert models.cause.tooltip
    assert all(events.controls[name].description.endswith("[s]") for name in ("release", "slack_end", "lowest"))


def test_what_was_written_by_others_is_shown_as_text(models):
    models.reason.value = "\x00"
    models.cords[next(iter(models.cords))].value = False
    models.button.click()
    assert 'role="alert"' in models.outcome.value
    assert "cannot be seen" in models.outcome.value


# one parameter fixed, one bounded


def by_hand(models, **typed):
    """The panel with these controls set, on the model with two parameters, one after the other as a user does it."""
    models.controls["model"].value = "mooney-rivlin"
    for name, value in typed.items():
        models.controls[name].value = value
    return models.fit_by_hand("mooney-rivlin").chosen


def test_a_fixed_parameter_stays_and_the_other_takes_its_best(models):
    """Against least squares by numpy: with one parameter of a linear model fixed, the other has a closed form."""
    fit = by_hand(models, fixed="c2", fixed_at="50,5")
    assert fit.parameters["c2"] == 50.5
    assert models.words.startswith("mooney-rivlin: by hand, 3 of 3 cords count\nc1 = ")
    assert ">mooney-rivlin, by hand</th>" in models.table.value
    batch = models.fit_by_hand("mooney-rivlin")
    samples, scales = batch.samples, np.array([batch.drop_scales[name] for name in batch.samples.names])
    per_c1, per_c2 = (scales[samples.drop] * column for column in fit.model.columns(samples.stretch_ratio))
    weighted = samples.weight * per_c1
    assert fit.parameters["c1"] == pytest.approx(
        weighted @ (samples.force - 50.5 * per_c2) / (weighted @ per_c1), rel=0.01
    )


def test_a_fixed_parameter_without_a_value_stays_as_fitted(models):
    free = models.fit().candidate("mooney-rivlin").fitted
    assert models.fit_by_hand("mooney-rivlin") is None
    fit = by_hand(models, fixed="c1")
    assert fit.parameters == pytest.approx(free.parameters, rel=1e-5)


def test_a_bound_holds_and_says_so_where_the_fit_ends_on_it(models):
    free = models.fit().candidate("mooney-rivlin").fitted.parameters
    inside = by_hand(models, bounded="c2", lowest=str(free["c2"] - 30), highest=str(free["c2"] + 30))
    assert inside.parameters == pytest.approx(free, rel=1e-5)
    end = by_hand(models, bounded="c2", lowest="", highest=str(free["c2"] - 30))
    assert end.parameters["c2"] == pytest.approx(free["c2"] - 30)
    assert "at its bound" in models.words
    models.controls["bounded"].value = None
    assert "by hand" not in models.words


@pytest.mark.parametrize(
    ("model", "typed", "words"),
    [
        ("mooney-rivlin", {"bounded": "c1", "lowest": "300", "highest": "200"}, "lowest value below the highest"),
        ("mooney-rivlin", {"bounded": "c1", "lowest": "250", "highest": "250"}, "lowest value below the highest"),
        ("mooney-rivlin", {"bounded": "c1", "lowest": "much"}, "'much' is not a number"),
        ("mooney-rivlin", {"bounded": "c1", "highest": "inf"}, "'inf' is not a number"),
        ("mooney-rivlin", {"fixed": "c1", "fixed_at": "nan"}, "'nan' is not a number"),
        ("ogden-1", {"bounded": "mu1", "lowest": "-5"}, "within 0 to inf, which ogden-1 takes"),
        ("ogden-1", {"fixed": "mu1", "fixed_at": "-5"}, "cannot be fixed at -5: type a value from 0 to inf"),
        ("ogden-1", {"bounded": "mu1", "lowest": "1", "fixed": "mu1", "fixed_at": "0.5"}, "from 1 to inf"),
        ("linear", {"fixed": "stiffness"}, "every parameter is fixed"),
    ],
)
def test_a_value_that_cannot_be_is_refused_in_words(models, model, typed, words):
    models.controls["model"].value = model
    for name, value in typed.items():
        models.controls[name].value = value
    assert models.words.startswith("no fit of 3 cords: ")
    assert words in models.words
    assert models.picture.value == models.table.value == ""
    models.controls["model"].value = "yeoh"  # another model has other parameters: none is fixed or bounded
    assert models.words.startswith("yeoh: ")

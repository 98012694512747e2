"""Events marked by hand: on invented records with known truth a mark is obeyed, and one that cannot be is refused."""

from dataclasses import replace

import numpy as np
import pytest

from cordlab import read_campaign
from cordlab.campaign.decisions import Choice, record_decision
from cordlab.records.calibration import calibrate_campaign
from cordlab.records.campaign_drops import reduce_entry
from cordlab.records.motion import folded_fall
from cordlab.records.reduce import RecordError, reduce_drop
from cordlab.units import Measured
from tests.invented import invented_drop
from tests.small_campaign import write_small_campaign

CORD = {"mass": 68.0, "slack_length": 10.0, "cord_mass": 14.0, "drag_area": 0.1}


@pytest.fixture(scope="module")
def truth():
    return invented_drop()


def reduced(truth, *, distance=True, **marks):
    given = {name: Measured(at, 0.01) for name, at in marks.items()}
    return reduce_drop(truth.time, truth.load, truth.position if distance else None, marks=given, **CORD)


def glitched(truth, *, at, height):
    """The distance sensor sees something else further down for a second, long after the true turn."""
    wrong = np.where(np.abs(truth.time - at) < 0.5, height - 4 * (truth.time - at) ** 2, truth.position)
    return replace(truth, position=wrong)


@pytest.mark.parametrize("distance", [True, False])
def test_marks_at_the_true_events_change_nothing_that_matters(truth, distance):
    automatic = reduced(truth, distance=distance)
    marked = reduced(truth, distance=distance, release=1.0, slack_end=truth.slack_at, lowest=truth.lowest_at)
    assert marked.lowest_point == pytest.approx(truth.lowest_point, abs=0.02)
    assert marked.lowest_point == pytest.approx(automatic.lowest_point, abs=0.02)
    for event in ("release", "slack_end", "lowest"):
        assert abs(getattr(marked, event) - getattr(automatic, event)) <= 3


def test_a_false_turn_is_overruled_by_the_mark(truth):
    wrong = glitched(truth, at=6.5, height=truth.lowest_point + 2)
    assert reduced(wrong).lowest_point == pytest.approx(truth.lowest_point + 2, abs=0.1)
    for off in (-0.1, 0.0, 0.1):  # it names the turn; the record says how low and when
        marked = reduced(wrong, lowest=truth.lowest_at + off)
        assert marked.lowest_point == pytest.approx(truth.lowest_point, abs=0.01)
        assert marked.time[marked.lowest] == pytest.approx(truth.lowest_at, abs=0.01)


def test_a_lowest_point_where_nothing_turns_is_refused(truth):
    with pytest.raises(RecordError, match=r"turn"):
        reduced(truth, lowest=truth.slack_at + 0.6)
    with pytest.raises(RecordError, match=r"before the end of slack"):
        reduced(truth, lowest=truth.slack_at - 0.3)


@pytest.mark.parametrize("at", [0.5, 2.0, 20.0])
def test_without_distance_a_lowest_point_outside_the_stretch_is_refused(truth, at):
    """During the rest, during the fall, after the record's end."""
    with pytest.raises(RecordError, match=r"not below the slack length"):
        reduced(truth, distance=False, lowest=at)


def test_a_mark_off_the_turn_widens_the_lowest_point_of_a_load_alone(truth):
    """Without a distance the speed left at the mark is an error that grew steadily: its half times the time."""
    automatic = reduced(truth, distance=False)
    marked = reduced(truth, distance=False, lowest=truth.lowest_at + 0.15)
    left = float(np.interp(truth.lowest_at + 0.15, marked.time, marked.speed))
    grown = abs(left) * (truth.lowest_at + 0.15 - truth.slack_at) / 2
    assert marked.u_lowest_point > automatic.u_lowest_point
    assert marked.u_lowest_point == pytest.approx(np.hypot(automatic.u_lowest_point, grown), rel=0.02)


def test_one_mark_without_distance_puts_the_other_end_where_the_fall_ends(truth):
    from cordlab.mechanics.fall import DropSetup

    setup = DropSetup(*map(np.asarray, (68.0, 10.0, 14.0, 0.1, 1.2, 0.0, 0.0, 9.80665)))
    duration = folded_fall(setup, "top").duration
    late = reduced(truth, distance=False, release=1.05)
    assert late.time[late.slack_end] - late.time[late.release] == pytest.approx(duration, abs=0.002)
    early = reduced(truth, distance=False, slack_end=truth.slack_at - 0.05)
    assert early.time[early.slack_end] - early.time[early.release] == pytest.approx(duration, abs=0.002)


def test_marks_that_no_fall_can_have_are_refused(truth):
    with pytest.raises(RecordError, match=r"times as long as gravity allows"):
        reduced(truth, release=1.0, slack_end=2.2 * truth.slack_at - 1.2)
    with pytest.raises(RecordError, match=r"do not come in this order"):
        reduced(truth, release=truth.slack_at + 0.1)


def test_a_campaign_says_what_its_marks_change_and_why(tmp_path):
    import cordlab

    cordlab.invent(tmp_path / "c", seed=3, cords=1, masses=(60.0,), checks=(), retests=(), rate=250.0, duration=7.0)
    campaign = read_campaign(tmp_path / "c")
    entry = campaign.drops[0]
    calibrations = calibrate_campaign(campaign)
    before = reduce_entry(campaign, entry, calibrations)
    later = float(before.time[before.slack_end]) + 0.02
    mark = Choice(
        "the load shows it later", entry.drop, times={"slack_end": Measured(later)}, by="An invented engineer"
    )
    campaign = record_decision(campaign.folder, mark)
    after = reduce_entry(campaign, campaign.drops[0], calibrations)
    assert after.slack_end - before.slack_end == 5  # 0.02 s at 250 a second
    assert after.notes[0].startswith(f"marked by hand: end of slack at {later:.3f} s, where the record alone gives")
    assert after.notes[0].endswith("; reason: the load shows it later (An invented engineer)")


def test_remarks_beside_a_choice_are_kept_when_another_one_is_added(tmp_path):
    folder = write_small_campaign(tmp_path / "campaign")
    (folder / "decisions.csv").write_text("kind;drop;reason;date\nleave out;A1-36;wind;2026-05-04\n", encoding="utf-8")
    record_decision(folder, Choice("seen on the video", "A2-36", times={"lowest": Measured(4.0)}))
    assert (folder / "decisions.csv").read_text(encoding="utf-8").splitlines() == [
        "kind,drop,cord,finding,cause,release [s],u(release) [s],slack end [s],u(slack end) [s],lowest [s],"
        "u(lowest) [s],reason,by,date",
        "leave out,A1-36,,,,,,,,,,wind,,2026-05-04",
        "mark,A2-36,,,,,,,,4,0.01,seen on the video,,",
    ]

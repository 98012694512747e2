"""Slow pulls beside the drops: read, refused and compared. The curves are invented, so that the answer is known."""

import json
import re

import numpy as np
import pytest

import cordlab
from cordlab.batch.slow_pulls import CAUTION, Pull, compare_pulls, read_pulls
from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.report import figures as plots
from cordlab.report.page import render, results_of
from tests.small_campaign import edit, write_small_campaign
from tests.specimen import specimen, with_steps

LISTED = "pull,cord,speed [mm/min]\nslow,A1,600\npiece,B7,\n"
SLOW = "stretch [m],force [N]\n0,0\n10,800\n20,1200\n"
PIECE = "stretch ratio;force [kN]\n1;0\n2,5;1,0\n4;2,0\n"


@pytest.fixture
def folder(tmp_path):
    folder = write_small_campaign(tmp_path / "campaign")
    (folder / "pulls").mkdir()
    (folder / "pulls.csv").write_text(LISTED)
    (folder / "pulls" / "slow.csv").write_text(SLOW)
    (folder / "pulls" / "piece.csv").write_text(PIECE)
    return folder


@pytest.fixture(scope="module")
def fit():
    return specimen().fit


def problems(folder):
    with pytest.raises(CampaignError) as caught:
        read_pulls(read_campaign(folder))
    return list(caught.value.problems)


def pull(fit, factor, *, cord="A1", low=1.0, high=5.0, name="p"):
    """A pull with `factor` times the drop curve's force of its cord."""
    x = np.linspace(low, high, 200)
    return Pull(name, cord, np.nan, x, factor * fit.chosen.scales.get(cord, 1.0) * fit.chosen.curve.force(x))


def test_a_campaign_without_pulls_has_none(tmp_path):
    assert read_pulls(read_campaign(write_small_campaign(tmp_path / "campaign"))) == ()


def test_pulls_are_read_in_si_as_stretch_or_as_ratio(folder):
    """600 mm/min is 0.01 m/s; 10 m of stretch on a cord of 10 m is a stretch ratio of 2."""
    campaign = read_campaign(folder)
    assert campaign.notes == ()
    slow, piece = read_pulls(campaign)
    assert (slow.name, slow.cord, slow.speed) == ("slow", "A1", pytest.approx(0.01))
    np.testing.assert_allclose(slow.stretch_ratio, [1, 2, 3])
    np.testing.assert_allclose(slow.force, [0, 800, 1200])
    assert piece.cord == "B7"
    assert np.isnan(piece.speed)
    np.testing.assert_allclose(piece.stretch_ratio, [1, 2.5, 4])
    np.testing.assert_allclose(piece.force, [0, 1000, 2000])


@pytest.mark.parametrize(
    ("file", "old", "new", "problem"),
    [
        ("pulls.csv", "slow,", "slaw,", "pulls.csv, row 2, column 'pull': there is no file pulls/slaw.csv; "
         "the nearest known is 'slow'"),
        ("pulls.csv", "slow,", "../drops,", "pulls.csv, row 2, column 'pull': '../drops' is a path; write the name of "
         "a file in pulls/, without .csv"),
        ("pulls.csv", "piece,", "slow,", "pulls.csv, row 3, column 'pull': 'slow' is in row 2 too"),
        ("pulls.csv", "A1,600", "A11,600", "pulls.csv, row 2, column 'cord': 'A11' is not in cords.csv, and "
         "pulls/slow.csv needs its slack length; the nearest known is 'A1'"),
        ("pulls.csv", "600", "0", "pulls.csv, row 2, column 'speed [mm/min]': 0 is not above 0"),
        ("pulls.csv", "piece,B7,\n", "", "pulls/piece.csv: is in no row of pulls.csv, so its cord is not known; "
         "add it there"),
        ("pulls/slow.csv", "10,800", "20,800", "pulls/slow.csv, row 4, column 'stretch [m]': 20 is not above the 20 "
         "before it; give the loading branch alone, in order"),
        ("pulls/slow.csv", "10,800", "10,-800", "pulls/slow.csv, row 3, column 'force [N]': -800 is less than 0"),
        ("pulls/slow.csv", "10,800\n", "", "pulls/slow.csv: has 2 rows; a curve needs at least 3"),
        ("pulls/slow.csv", "stretch [m],", "stretch,", "pulls/slow.csv, row 1, column 'stretch': has no unit; write "
         "for example 'stretch [m]'"),
        ("pulls/slow.csv", "[N]\n0,0", "[N],stretch ratio\n0,0,1", "pulls/slow.csv, row 3: has 2 cells, but the "
         "header has 3"),
        ("pulls/piece.csv", "1;0", "0,9;0", "pulls/piece.csv, row 2, column 'stretch ratio': 0,9 is less than 1"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_its_place(folder, file, old, new, problem):
    edit(folder, file, (old, new))
    assert problem in problems(folder)


def test_curves_of_both_heads_or_none_are_refused(folder):
    (folder / "pulls" / "slow.csv").write_text("stretch [m],stretch ratio,force [N]\n0,1,0\n1,1.1,80\n2,1.2,120\n")
    (folder / "pulls" / "piece.csv").write_text("force [N]\n0\n80\n120\n")
    assert problems(folder) == [
        "pulls/slow.csv, row 1: has both 'stretch' and 'stretch ratio'; give one of them",
        "pulls/piece.csv, row 1: has neither 'stretch [m]' nor 'stretch ratio'; give one of them",
    ]


def test_a_folder_without_its_list_and_a_pull_that_changed_are_refused(folder):
    campaign = read_campaign(folder)
    edit(folder, "pulls/slow.csv", ("800", "900"))
    with pytest.raises(CampaignError, match=r"pulls/slow\.csv: has changed since the campaign was read"):
        read_pulls(campaign)
    (folder / "pulls.csv").unlink()
    assert problems(folder) == ["pulls.csv: there is no such file; the campaign needs it"]


@pytest.mark.parametrize(("cord", "against"), [("A2", "cord A2"), ("B7", "the batch")])
def test_a_pull_is_set_against_its_own_cord_or_else_the_batch(fit, cord, against):
    (row,) = compare_pulls([pull(fit, 0.85, cord=cord)], fit).rows
    assert row.against == against
    np.testing.assert_allclose(row.ratio, 0.85, rtol=2e-4)  # the ends of the range lie between the pull's points
    assert row.mean == pytest.approx(0.85, rel=1e-4)


def test_only_what_both_measured_is_compared(fit):
    measured = fit.samples.stretch_ratio
    wide, short = compare_pulls([pull(fit, 0.9), pull(fit, 0.9, low=1.5, high=2.0)], fit).rows
    own = measured[np.array([cord == "A1" for cord in fit.samples.cord])[fit.samples.drop]]
    assert (wide.stretch_ratio[0], wide.stretch_ratio[-1]) == (own.min(), own.max())
    assert (short.stretch_ratio[0], short.stretch_ratio[-1]) == (1.5, 2.0)
    beyond = compare_pulls([pull(fit, 0.9, low=5.0, high=6.0)], fit)
    assert beyond.rows == ()
    assert (beyond.mean, beyond.sd) == (None, None)
    assert re.search(r"slow pull p: stretch ratios 5\.00 to 6\.00, but the drops' are", beyond.summary())


def test_the_mean_of_a_pull_is_the_ratio_of_the_areas(fit):
    """A straight pull: its area in closed form, over the energy of the drop curve in closed form."""
    x = np.linspace(1.5, 3.0, 500)
    (row,) = compare_pulls([Pull("p", "other", np.nan, x, 400 * (x - 1))], fit).rows
    energy = fit.chosen.curve.energy(3.0) - fit.chosen.curve.energy(1.5)
    assert row.mean == pytest.approx(200 * (2.0**2 - 0.5**2) / energy, rel=1e-5)


def test_spread_is_between_pulls(fit):
    """0.80, 0.86, 0.95: mean 0.87, standard deviation 0.0755 by hand, whatever the number of points of each."""
    comparison = compare_pulls([pull(fit, factor, low=1.5, high=3.0) for factor in (0.80, 0.86, 0.95)], fit)
    assert comparison.mean == pytest.approx(0.87, rel=1e-9)
    assert comparison.sd == pytest.approx(np.sqrt((0.07**2 + 0.01**2 + 0.08**2) / 2), rel=1e-9)
    assert compare_pulls([pull(fit, 0.8)], fit).sd is None
    assert "sd between 3 pulls 0.075" in comparison.summary()
    plain = json.loads(json.dumps(comparison.to_dict(), allow_nan=False))
    assert [row["mean"] for row in plain["pulls"]] == pytest.approx([0.80, 0.86, 0.95])


def test_without_recorded_drops_nothing_is_compared(fit):
    comparison = compare_pulls([pull(fit, 0.9)], None)
    assert comparison.rows == ()
    assert comparison.notes == (CAUTION, "slow pull p: no drop has a record of load to compare it with")


def test_figure_and_report_have_pulls_only_where_there_are_some(fit):
    plain, comparison = (
        specimen(),
        compare_pulls([pull(fit, 0.9, name="p1"), pull(fit, 0.8, cord="A2", name="p2")], fit),
    )
    with_pulls = with_steps(plain, pulls=comparison)
    assert "Slow pull tests" not in render(results_of(plain), {})
    assert "0.850 of the drops" in render(results_of(with_pulls), {})
    vars(with_pulls).pop("cautions", None)
    assert CAUTION in with_pulls.cautions
    assert CAUTION not in plain.cautions
    assert set(plots.all_figures(with_pulls)) - set(plots.all_figures(plain)) == {"pulls"}
    ax = plots.slow_pulls(comparison).axes[0]
    assert [line.get_label() for line in ax.lines] == ["p1, over cord A1", "p2, over cord A2", "drop curve"]


def test_pulls_never_enter_the_fit(tmp_path):
    """Absurd pulls, ten times as stiff, change no number of the curve and of each drop's stiffness."""
    cordlab.invent(
        tmp_path / "campaign", seed=3, cords=3, masses=(40.0, 80.0), checks=(), retests=(), rate=250.0, duration=7.0,
        decision={"probability": 0.95, "model": "mooney-rivlin"},
    )  # fmt: skip
    plain = cordlab.Analysis(read_campaign(tmp_path / "campaign"))
    assert plain.pulls is None
    (tmp_path / "campaign" / "pulls").mkdir()
    (tmp_path / "campaign" / "pulls.csv").write_text("pull,cord\nstiff,piece\n")
    (tmp_path / "campaign" / "pulls" / "stiff.csv").write_text("stretch ratio,force [N]\n1,0\n2,11000\n3,16000\n")
    pulled = cordlab.Analysis(read_campaign(tmp_path / "campaign"))
    assert pulled.pulls.mean > 5
    assert pulled.fit.to_dict() == plain.fit.to_dict()
    for of_draws, without in zip(pulled.stiffness.scales, plain.stiffness.scales, strict=True):
        assert np.array_equal(of_draws, without)

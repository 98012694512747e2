"""Figures: what is drawn is what was given, told as text, the same bytes each time, readable without colour."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
from matplotlib.colors import to_rgb

from cordlab.report import figures as plots
from cordlab.report.figures import describe, png, state, svg
from cordlab.report.style import COLOURS, DARKER, MARKERS, STYLE
from tests.conftest import ROOT
from tests.specimen import RATED, invented_drop, specimen, with_steps


@pytest.fixture(scope="module")
def figures():
    return plots.all_figures(specimen())


@pytest.fixture(scope="module")
def vectors(figures):
    return {name: svg(fig, name=name) for name, fig in figures.items()}


def test_lowest_points_alone_have_no_loading_curves():
    alone = with_steps(specimen(), drops=(), calibrations={}, fit=None)
    assert set(plots.all_figures(alone)) == {
        "validation", "limits", "strength", "budget-clearance", "budget-g", "breaks", "wear", "batch", "range-plan",
    }  # fmt: skip


def line(ax, label):
    (found,) = [each for each in ax.lines if each.get_label() == label]
    return found


def test_an_analysis_gives_every_figure(figures):
    assert set(figures) == {
        *("record", "calibration-force", "calibration-distance", "curves", "residuals", "candidates", "validation"),
        *("limits", "strength", "budget-clearance", "budget-g", "breaks", "wear"),
        *("batch", "range-plan"),
    }


def test_every_axis_says_what_and_in_which_unit(figures):
    for name, fig in figures.items():
        for ax in fig.axes:
            label = ax.get_xlabel() or next(each.get_xlabel() for each in fig.axes if each.get_xlabel())
            assert label, name
        assert any("[" in ax.get_xlabel() + ax.get_ylabel() for ax in fig.axes), name


@pytest.mark.parametrize("quantity", ["clearance", "g"])
def test_limits_are_drawn_as_they_are(figures, quantity):
    ax = figures["limits"].axes[("clearance", "g").index(quantity)]
    for label, key in (("estimate", quantity), ("99 % prediction limit", f"{quantity}_limit")):
        np.testing.assert_array_equal(line(ax, label).get_ydata(), [row[key] for row in RATED.predictions])
        np.testing.assert_array_equal(line(ax, label).get_xdata(), [row["mass"] for row in RATED.predictions])


@pytest.mark.parametrize(("quantity", "bound", "below"), [("clearance", 4.0, True), ("g", 2.8, False)])
def test_the_forbidden_side_of_a_criterion_is_hatched(figures, quantity, bound, below):
    ax = figures["limits"].axes[("clearance", "g").index(quantity)]
    (hatched,) = [patch for patch in ax.patches if patch.get_hatch()]
    low, high = hatched.get_y(), hatched.get_y() + hatched.get_height()
    assert (high if below else low) == pytest.approx(bound)
    assert low < high
    assert line(ax, "criterion").get_ydata()[0] == bound


@pytest.mark.parametrize(("quantity", "bound"), [("clearance", 400.0), ("g", 0.1)])
def test_the_bound_of_a_criterion_that_no_mass_meets_is_in_the_picture(quantity, bound):
    criteria = replace(specimen().campaign.criteria, least_clearance=400.0, greatest_g=0.1)
    ax = plots.by_mass(RATED, criteria, quantities=(quantity,)).axes[0]
    assert ax.get_ylim()[0] < bound < ax.get_ylim()[1] or bound in ax.get_ylim()


def test_one_mass_is_drawn_as_points():
    one = replace(RATED, predictions=RATED.predictions[:1], rated=False, lightest=None, heaviest=None)
    ax = plots.by_mass(one, specimen().campaign.criteria, quantities=("clearance",)).axes[0]
    assert [line(ax, label).get_marker() for label in ("estimate", "99 % prediction limit")] == ["o", "_"]
    assert ax.get_xlim()[0] < one.predictions[0]["mass"] < ax.get_xlim()[1]


def test_the_words_of_a_criterion_stand_away_from_the_curves(figures):
    """Clearance meets its least at the heavy end, g its greatest at the light end: the words are at the other."""
    for ax, side in zip(figures["limits"].axes, ("left", "right"), strict=True):
        (told,) = [text for text in ax.texts if text.get_text().startswith("at ")]
        assert told.get_horizontalalignment() == side


def test_the_rated_range_is_marked_where_there_is_one(figures):
    (bar,) = [patch for patch in figures["limits"].axes[0].patches if patch.get_label() == "rated"]
    assert (bar.get_x(), bar.get_x() + bar.get_width()) == (45.0, 85.0)
    nothing = plots.by_mass(replace(RATED, rated=False, lightest=None, heaviest=None), specimen().campaign.criteria)
    assert [patch for patch in nothing.axes[0].patches if patch.get_label() == "rated"] == []
    assert nothing.axes[0].get_title(loc="left") == "not rated"


def test_a_limit_that_is_not_known_is_not_drawn():
    rows = tuple(row | {"g_limit": None} for row in RATED.predictions)
    fig = plots.by_mass(replace(RATED, predictions=rows), specimen().campaign.criteria, quantities=("g",))
    assert "limit" not in {each.get_label() for each in fig.axes[0].lines}
    assert "estimate" in {each.get_label() for each in fig.axes[0].lines}


def test_residuals_of_drops_on_the_curve_are_zero():
    fit = specimen().fit
    drops = [
        replace(drop, force=fit.chosen.scales[drop.cord] * fit.chosen.curve.force(drop.stretch_ratio))
        for drop in (invented_drop("a", "A1", 52.0), invented_drop("b", "A2", 68.0))
    ]
    ax = plots.residuals(drops, fit).axes[0]
    drawn = np.concatenate([each.get_ydata() for each in ax.lines if len(each.get_ydata()) == 40])
    assert drawn.size == 80
    assert np.abs(drawn).max() < 1e-9


def test_bands_are_named_and_lie_in_order(figures):
    """Of another cord outside that of a tested cord and that of the mean, at the end of the tested range."""
    bottom, fit = figures["curves"].axes[1], specimen().fit
    told = {text.get_text() for text in bottom.texts}
    assert {"another cord", "this cord", "mean curve"} <= told
    reach = max(drop.stretch_ratio.max() for drop in specimen().drops)
    another = fit.chosen.prediction_band(np.array([reach]), 0.95)
    edges = [each.get_ydata()[-1] for each in bottom.lines if each.get_label() == another.label]
    expected = 100 * (np.array([another.lower[0], another.upper[0]]) / another.force[0] - 1)
    np.testing.assert_allclose(sorted(edges), expected, rtol=1e-9)


def test_wear_forecast_is_dashed_and_tested_limits_are_not(figures):
    ax, wear = figures["wear"].axes[0], specimen().wear
    tested = line(ax, "lower limit")
    assert tested.get_linestyle() == "-"
    assert list(tested.get_xdata()) == [point.jumps for point in wear.points if point.kind == "tested"]
    assert line(ax, "lower forecast, not rated").get_linestyle() == "--"


def test_budget_bars_are_the_shares(figures):
    shares = specimen().budget["clearance"].shares
    (bars,) = figures["budget-clearance"].axes[0].containers
    np.testing.assert_allclose([bar.get_width() for bar in bars][::-1], [100 * share.share for share in shares])


def test_events_that_fall_together_share_a_label():
    drop = invented_drop("a", "A1", 52.0)
    drop = replace(drop, peak=drop.lowest)
    told = [text.get_text() for text in plots.record(drop).axes[0].texts]
    assert told == ["release", "slack ends", "greatest load, lowest point"]


def test_the_same_figure_gives_the_same_bytes_whatever_the_users_settings():
    def drawn():
        fig = plots.by_mass(RATED, specimen().campaign.criteria)
        return png(fig, dpi=50), svg(fig, name="limits")

    first = drawn()
    with matplotlib.rc_context({"font.size": 20, "lines.linewidth": 5, "svg.fonttype": "path"}):
        assert drawn() == first
        assert matplotlib.rcParams["font.size"] == 20
    assert first[0].startswith(b"\x89PNG")


def test_state_sees_one_changed_number():
    rows = [dict(row) for row in RATED.predictions]
    rows[10]["clearance_limit"] *= 1.05
    criteria = specimen().campaign.criteria
    changed = plots.by_mass(replace(RATED, predictions=tuple(rows)), criteria)
    assert state(changed) != state(plots.by_mass(RATED, criteria))


def test_a_description_tells_names_and_ranges(figures):
    told = describe(figures["limits"])
    assert "clearance [m] against rider mass [kg]" in told
    assert "99 % prediction limit 0.852 to 19.03" in told
    assert "criterion 4" in told


def test_each_svg_is_sound_named_and_apart_from_the_others(vectors):
    every = []
    for text in vectors.values():
        root = ET.fromstring(text)
        assert root.get("role") == "img"
        assert root.find("{http://www.w3.org/2000/svg}title").text
        ids = re.findall(r'\bid="([^"]+)"', text)
        assert set(re.findall(r'(?:url\(#|href="#)([^")]+)', text)) <= set(ids)
        every += ids
    assert len(every) == len(set(every))


def test_hostile_names_stay_text():
    """Names of cords reach the figure; neither a formula of matplotlib nor markup of SVG may come of them."""
    name = r"$\frac{<script>alert(1)</script>&_"
    drop = replace(invented_drop("a", "A1", 52.0), name=name, cord=name)
    text = svg(plots.record(drop))
    assert "<script" not in text
    assert "alert(1)" in "".join(ET.fromstring(text).itertext())


def _contrast(colour, other="white"):
    """Contrast ratio of two colours: WCAG 2.1 (W3C Recommendation, 5 June 2018), definition "contrast ratio"."""

    def luminance(c):
        linear = [v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in to_rgb(c)]
        return float(np.dot([0.2126, 0.7152, 0.0722], linear))

    high, low = sorted((luminance(colour), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_computed_as_the_guideline_says():
    """WCAG 2.1: black on white is 21:1; #777777 on white is the usual example that just fails 4.5 (4.48)."""
    assert _contrast("black") == pytest.approx(21)
    assert _contrast("#777777") == pytest.approx(4.48, abs=0.005)


def test_words_in_figures_have_contrast(figures):
    """WCAG 2.1, success criterion 1.4.3: 4.5:1 for text."""
    for name, fig in figures.items():
        for ax in fig.axes:
            for text in (*ax.texts, ax.xaxis.label, ax.yaxis.label, ax.title, ax._left_title):
                assert _contrast(text.get_color()) >= 4.5, (name, text.get_text())
    assert all(_contrast(colour) >= 4.5 for colour in DARKER.values())


def test_series_can_be_told_apart_without_colour(figures):
    """Every cord has a marker of its own, limit and estimate a line style of their own, the style cycle both."""
    assert len(set(MARKERS)) == len(MARKERS) >= len(COLOURS)
    cords = [each for each in figures["curves"].axes[0].lines if each.get_label().startswith("cord ")]
    assert len({each.get_marker() for each in cords}) == len(cords) == 6
    for ax in figures["limits"].axes:
        assert line(ax, "estimate").get_linestyle() != line(ax, "99 % prediction limit").get_linestyle()
    with matplotlib.style.context(["default", str(STYLE)]):
        cycled = list(matplotlib.rcParams["axes.prop_cycle"])
    assert len({str(each["linestyle"]) for each in cycled}) == len(cycled)
    assert [each["color"].upper().lstrip("#") for each in cycled] == [colour.lstrip("#") for colour in COLOURS]


def test_the_style_is_the_projects_one_file():
    assert ROOT / "shared" / "cordlab.mplstyle" == STYLE

"""Every panel driven as a user drives it: values set by code, and messages as a browser sends them; errors come out."""

import re
from base64 import b64decode
from dataclasses import replace

import pytest

from cordlab.notebook import panels, what_if
from cordlab.report import figures as plots
from tests import notebooks
from tests.conftest import ROOT
from tests.specimen import with_steps


def picture(panel) -> bytes:
    """The PNG that the panel shows."""
    return b64decode(re.search(r'src="data:image/png;base64,([^"]+)"', panel.picture.value)[1])


def every(panel):
    return {name: control.description for name, control in panel.controls.items()}


def test_drop_panel_answers_a_moved_mass(analysis):
    panel = panels.drop_panel(analysis)
    panel.controls["mass"].value = 52.0
    before = picture(panel)
    assert "52 kg hung" in panel.words
    panel.controls["mass"].value = 60.0
    assert "60 kg hung" in panel.words
    assert picture(panel) != before
    record, uniform, waves = (float(found) for found in re.findall(r"lowest point ([\d.]+) m", panel.words))
    assert waves == pytest.approx(record, abs=0.3)  # these records were invented with stretch waves
    assert waves < uniform - 0.3  # waves take part of the energy: the weight turns higher up
    greatest = []
    for viscosity in (1.0, 20.0):  # more viscosity lowers the bumps of the waves
        panel.controls["viscosity"].value = viscosity
        greatest.append(float(re.search(r"waves: .* greatest g ([\d.]+)", panel.words)[1]))
    assert greatest[1] < greatest[0]
    panel.controls["mass"].value = 53.0
    assert "not dropped" in panel.words
    assert "record: " not in panel.words
    lowest = []
    for fall in (0.0, 2.0):  # a rider by the ankles: about a metre lower
        panel.controls["fall"].value = fall
        lowest.append(float(re.search(r"uniform: lowest point ([\d.]+) m", panel.words)[1]))
    assert 0.8 < lowest[1] - lowest[0] < 1.4
    assert f"drawn is a rider, {50 * 9.80665 * 2:.0f} J more when the slack ends" in panel.words


def test_rating_panel_begins_with_the_analysis(analysis):
    panel = panels.rating_panel(analysis)
    assert f"{analysis.rating.lightest:.1f} to {analysis.rating.heaviest:.1f} kg" in panel.words
    assert analysis.rating.governed_by["heavy"] in panel.words
    for row in analysis.service.by_count:
        panel.controls["jumps"].value = row["jumps"]
        assert f"{row['lightest']:.1f} to {row['heaviest']:.1f} kg, cords new to {row['jumps']} jumps" in panel.words


def span(panel) -> tuple[float, float]:
    """The rated range that the panel says [kg]."""
    return tuple(float(end) for end in re.search(r"of ([\d.]+) to ([\d.]+) kg", panel.words).groups())


def test_rating_panel_moves_the_end_that_a_site_or_rule_governs(analysis):
    """A lower platform moves the heavy end, a stricter g the light one; a platform too low rates none, and says why."""
    panel, (lightest, heaviest) = panels.rating_panel(analysis), (analysis.rating.lightest, analysis.rating.heaviest)
    greatest_g, height = panel.controls["greatest_g"], panel.controls["tie_height"]
    as_given = height.value
    greatest_g.value -= 0.1
    assert span(panel)[0] > lightest
    assert span(panel)[1] == pytest.approx(heaviest)
    greatest_g.value += 0.1
    height.set_state({"value": as_given - 3})  # as a browser sends it
    assert span(panel)[0] == pytest.approx(lightest)
    assert span(panel)[1] < heaviest
    height.set_state({"value": 0.6 * as_given})
    assert "NOT RATED" in panel.words
    assert "clearance" in panel.words


def test_rating_panel_tries_every_criterion_that_is_asked_for(analysis):
    """More asked of the anchor ends the range before clearance; a criterion that is not asked for has no slider."""
    assert "least_anchor_factor" not in panels.rating_panel(analysis).controls
    criteria = replace(analysis.campaign.criteria, anchor_strength=24e3, least_anchor_factor=3.0)
    asked = with_steps(analysis, campaign=replace(analysis.campaign, criteria=criteria))
    panel = panels.rating_panel(asked)
    assert "NOT RATED" not in panel.words
    panel.controls["least_anchor_factor"].value = 12.0
    assert span(panel)[1] < analysis.rating.heaviest
    assert "heavy end: peak load" in panel.words


def test_more_probability_rates_no_more(analysis):
    panel = panels.rating_panel(analysis)
    widths = []
    for probability in (0.9, 0.99, 0.999):
        panel.controls["probability"].value = probability
        light, heavy = span(panel)
        widths.append(heavy - light)
    assert widths[0] > widths[1] > widths[2]


def test_an_error_is_shown_and_raised(analysis, monkeypatch):
    panel = panels.drop_panel(analysis)
    monkeypatch.setattr(what_if, "predict_drop", lambda *args, **named: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        panel.controls["mass"].set_state({"index": 3})  # as a browser sends it
    assert panel.words == "error: division by zero"
    assert 'role="alert"' in panel.text.value
    assert panel.picture.value == ""  # no picture of other values beside an error
    assert panel._repr_mimebundle_()[0]["text/plain"] == panel.words


def test_what_is_shown_is_escaped():
    """A name from a campaign is text, never markup."""
    from ipywidgets import Dropdown
    from matplotlib.figure import Figure

    hostile = "<img src=x onerror=alert(1)>"
    panel = panels.Panel({"cord": Dropdown(options=[hostile])}, lambda cord: ([f"cord {cord}", cord], Figure()))
    assert hostile in panel.words
    assert hostile not in panel.text.value


def test_every_control_is_labelled_with_its_unit(analysis):
    told = every(panels.drop_panel(analysis)) | every(panels.rating_panel(analysis))
    told |= every(panels.wear_panel(analysis))
    assert all(told.values())
    assert max(map(len, told.values())) <= 40  # or the label's end, which is its unit, is cut off
    without = {"cord"}
    assert all(re.search(r"\[.+\]$", text) for name, text in told.items() if name not in without), told


def test_a_panel_without_a_kernel_still_tells(analysis):
    """GitHub and printed pages show the still picture and the words; nbval compares the words."""
    panel = panels.rating_panel(analysis)
    data, told = panel._repr_mimebundle_()
    assert data["text/plain"].startswith("rated for rider masses")
    assert "clearance [m]" in data["text/plain"]
    assert data["image/png"][:4] == b"\x89PNG"
    assert told["image/png"]["alt"]


def test_the_readmes_figure_is_of_this_demo(analysis):
    """What it draws, to the digits that its title tells, and the rated range written on it."""
    stored, now = notebooks.FIGURE.read_text(encoding="utf-8"), notebooks.draw(analysis)
    title = re.compile(r"<title>(.+?)</title>", re.DOTALL)
    assert title.search(stored)[1] == title.search(now)[1]
    assert f"rated {analysis.rating.lightest:.1f} to {analysis.rating.heaviest:.1f} kg" in stored
    assert "(shared/demo-limits.svg)" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_raw_figures_draw_the_numbers_of_the_files(campaign):
    """What is drawn is what was written down, converted to SI only."""
    table = campaign.calibration["force"]
    drawn = plots.calibration_pairs(table).axes[0].lines
    assert sum(line.get_xdata().size for line in drawn) == table.reading.size
    lowest = plots.lowest_points(campaign).axes[0].lines
    points = sum(len(line.get_xdata()) for line in lowest if "cord" in line.get_label())
    assert points == sum(entry.lowest_point is not None for entry in campaign.drops)
    record = campaign.read_record(campaign.drops[0])
    force, _ = plots.raw_record(record, force_unit="mV/V", distance_unit="V").axes
    assert (force.lines[0].get_ydata() == record.force).all()
    assert plots.state(force.figure).startswith("axes 0")

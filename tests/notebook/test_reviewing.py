"""What a signer and a reviewer see: contents of the report, the filtered comparison, one assumption changed."""

import re
from dataclasses import replace

import pytest

from cordlab.bundle.compare import DIFFERS, EQUAL, WITHIN, Comparison, Line
from cordlab.notebook import reviewing
from cordlab.notebook.panel import MOST_ROWS, table_html
from cordlab.report import page as report
from tests.specimen import refused, specimen, with_steps

HOSTILE = "<img src=x onerror=alert(1)>"
LINES = (
    Line("rating.lightest", 45.0, 45.0, None, EQUAL),
    Line("rating.heaviest", 83.2, 83.4, 0.5, WITHIN),
    Line(f"drops[{HOSTILE}].notes", HOSTILE, "\x1bquiet", None, DIFFERS),
)


@pytest.fixture(scope="module")
def results():
    return report.results_of(specimen())


def contents(results, page):
    return reviewing.contents(results["campaign"]["report"], page)


def blank(found):
    return set(found["content"][found["state"] == "BLANK"])


@pytest.fixture(scope="module")
def page(results):
    return report.render(results, {})


# --- the report


def test_only_what_the_user_knows_is_blank(results):
    """The lines that the software can fill are filled; the others are what `[report]` asks for."""
    bare = results | {"campaign": results["campaign"] | {"report": {}}}
    found = contents(bare, report.render(bare, {}))
    assert blank(found) == {what for what, _ in report.ABOUT.values()}


def test_a_line_given_is_present_and_spaces_are_not(results):
    given = results | {"campaign": results["campaign"] | {"report": {"customer": "An invented pier", "place": " "}}}
    found = contents(given, report.render(given, {})).set_index("content")["text"]
    assert found["Customer"] == "An invented pier"
    assert found["Place of the drops"] == ""


def test_a_content_that_a_page_lacks_is_blank(results, page):
    cut = page.replace("Decision rule", "Rule")
    assert "the decision rule" in blank(contents(results, cut))
    assert "the decision rule" not in blank(contents(results, page))


def test_a_report_with_a_blank_line_is_not_to_be_signed(results, page):
    found = contents(results, page)
    missing = found["content"][found["state"] == "BLANK"].str.lower()
    told = reviewing.signing(specimen(), found)
    assert missing.size
    assert f"Not to be signed yet, {missing.size} are blank: {', '.join(missing)}." in told
    assert f"holds {len(found) - missing.size} of {len(found)} contents" in told
    told = reviewing.signing(specimen(), found[found["state"] == "present"])
    assert "Nothing is blank" in told
    assert "Not to be signed" not in told
    assert told.endswith("a licensed or certified engineer signs.")


def test_not_rated_is_what_is_signed():
    told = reviewing.signing(refused("only 1 cord was dropped"), reviewing.contents({}, ""))
    assert told.startswith("NOT RATED; only 1 cord was dropped.")


def test_the_answer_part_is_the_answer_alone(page):
    answer = reviewing.answer_part(page)
    assert "Rated for riders" in answer
    assert "Limits by rider mass" not in answer
    with pytest.raises(ValueError, match="no answer"):
        reviewing.answer_part("<p>something else</p>")


def test_headings_come_in_order(page):
    heads = reviewing.headings(page)
    assert heads[0] == "Answer"
    assert heads[-1] == "Report"
    assert len(heads) == page.count("<h2")


# --- the comparison


def test_the_filter_narrows_by_name_and_verdict():
    panel = reviewing.comparison_panel(Comparison(LINES, ()))
    assert panel.words == "2 of 3 values whose name holds 'rating', of any verdict"
    panel.controls["verdict"].value = WITHIN
    assert panel.words.startswith("1 of 3 values")
    assert list(panel._shown.loc["rating.heaviest"]) == ["83.2", "83.4", "+0.2", WITHIN]
    panel.controls["text"].set_state({"value": " LIGHTEST "})  # as a browser sends it; case and spaces do not matter
    assert panel.words.startswith("0 of 3 values")
    assert "no value" in panel.picture.value
    panel.controls["verdict"].set_state({"index": 0})
    assert list(panel._shown.index) == ["rating.lightest"]


def test_names_and_values_of_a_stranger_are_escaped():
    panel = reviewing.comparison_panel(Comparison(LINES, ()))
    panel.controls["text"].value = HOSTILE
    for shown in (panel.text.value, panel.picture.value):
        assert "<img" not in shown
        assert "&lt;img" in shown
        assert "\x1b" not in shown
    assert list(panel._shown.iloc[0][:2]) == [HOSTILE, "\\u001bquiet"]


def test_a_viewer_without_a_kernel_reads_the_rows_and_a_browser_gets_the_controls():
    """text/html in the bundle would be shown by JupyterLab in place of the widget."""
    data, _ = reviewing.comparison_panel(Comparison(LINES, ()))._repr_mimebundle_()
    assert set(data) == {"application/vnd.jupyter.widget-view+json", "text/plain"}
    assert re.search(r"rating.heaviest +83.2 +83.4 +\+0.2 +equal within Monte Carlo error", data["text/plain"])


def test_a_long_table_says_how_much_it_leaves_out():
    lines = tuple(replace(LINES[0], name=f"n{k}") for k in range(MOST_ROWS + 7))
    shown = table_html(reviewing.select(Comparison(lines, ()), text=""))
    assert shown.count("<tr>") == MOST_ROWS
    assert "and 7 more" in shown


# --- one assumption


@pytest.fixture
def runs(monkeypatch):
    """Spare the panel the chain: the specimen again, with the campaign that was asked for; and which were asked for."""
    asked = []

    def instead(campaign):
        asked.append(campaign)
        return with_steps(specimen(), campaign=campaign)

    monkeypatch.setattr(reviewing, "analyse", instead)
    return asked


def test_nothing_moves_as_published(runs):
    panel = reviewing.assumption_panel(specimen())
    assert panel.words.startswith("0 of ")
    assert runs == []


@pytest.mark.parametrize(
    ("control", "value", "name"),
    [
        ("tie_height", 50.0, "campaign.site.tie_height.value"),
        ("reach_below_attachment", 1.5, "campaign.site.reach_below_attachment.value"),
        ("drag_area", 0.3, "campaign.site.drag_area.value"),
        ("probability", 0.95, "campaign.decision.probability"),
        ("model", "yeoh", "campaign.decision.model"),
    ],
)
def test_each_assumption_reaches_the_chain_and_no_other_is_touched(runs, control, value, name):
    panel = reviewing.assumption_panel(specimen())
    panel.controls["text"].value = "campaign."
    chosen = panel.controls[control]
    if control in ("probability", "model"):  # a browser sends the place of a choice, not its value
        values = [option[-1] if isinstance(option, tuple) else option for option in chosen.options]
        chosen.set_state({"index": values.index(value)})
    else:
        chosen.set_state({"value": value})
    (asked,) = runs
    assert list(panel._shown.index) == [name]
    assert asked is not specimen().campaign
    panel.controls["text"].value = ""  # another filter is not another analysis
    assert len(runs) == 1


def test_an_assumption_taken_back_moves_nothing(runs):
    panel = reviewing.assumption_panel(specimen())
    height = panel.controls["tie_height"].value
    panel.controls["tie_height"].value = height + 1
    panel.controls["tie_height"].value = height
    assert panel.words.startswith("0 of ")

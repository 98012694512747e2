"""What a signer and a reviewer see: contents of the report, the filtered comparison, one assumption changed."""

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import pytest

from cordlab.bundle import recheck
from cordlab.bundle.compare import DIFFERS, EQUAL, WITHIN, Comparison, Line
from cordlab.notebook import reviewing
from cordlab.notebook.choose import Missing, sent_bundle
from cordlab.notebook.panel import MOST_ROWS, Work, table_html
from cordlab.report import page as report
from tests.bundle.test_publish import publish_specimen
from tests.conftest import ROOT
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


def test_the_filter_narrows_by_name_in_any_case_and_by_verdict():
    assert list(reviewing.select(Comparison(LINES, ()), text="rating").index) == ["rating.lightest", "rating.heaviest"]
    table = reviewing.select(Comparison(LINES, ()), text=" HEAVIEST ", verdict=WITHIN)
    assert list(table.loc["rating.heaviest"]) == ["83.2", "83.4", "+0.2", WITHIN]
    assert reviewing.select(Comparison(LINES, ()), text="lightest", verdict=WITHIN).empty


def test_names_and_values_of_a_stranger_are_escaped():
    table = reviewing.select(Comparison(LINES, ()), text=HOSTILE)
    assert list(table.iloc[0][:2]) == [HOSTILE, "\\u001bquiet"]
    assert "<img" not in table_html(table)
    assert "&lt;img" in table_html(table)


def test_a_long_table_says_how_much_it_leaves_out():
    lines = tuple(replace(LINES[0], name=f"n{k}") for k in range(MOST_ROWS + 7))
    shown = table_html(reviewing.select(Comparison(lines, ()), text=""))
    assert shown.count("<tr>") == MOST_ROWS
    assert "and 7 more" in shown


# --- a bundle that somebody sent


class Later:
    """A call that ends when the test says so, in place of a process."""

    calls: ClassVar[list["Later"]] = []

    def __init__(self, call, *arguments, done):
        self.call, self.arguments, self.done, self.stopped = call, arguments, done, False
        Later.calls.append(self)

    def end(self):
        self.done(None if self.stopped else json.loads(json.dumps(self.call(*self.arguments))))

    def stop(self):
        self.stopped = True

    wait = end


@pytest.fixture
def panel(monkeypatch, tmp_path):
    """Of a bundle whose re-run is the specimen, as the campaign that is asked for says."""
    for module in (recheck, report):
        monkeypatch.setattr(module, "vectors_of", lambda analysis: {})
    monkeypatch.setattr(recheck, "analyse", lambda campaign, progress=None: with_steps(specimen(), campaign=campaign))
    Later.calls.clear()
    return reviewing.review_panel(publish_specimen(tmp_path / "sent.zip").path, start=Later)


def test_nothing_is_said_of_a_bundle_before_it_is_rechecked(panel):
    assert panel.words.startswith("not computed for this bundle")
    assert Later.calls == []
    with pytest.raises(ValueError, match="press Recheck"):
        panel.page()


def test_while_it_works_it_says_so_and_only_stop_can_be_pressed(panel):
    panel._run.click()
    assert panel.words.startswith("working")
    assert "<progress" in panel.picture.value
    assert (panel._run.disabled, panel._stop.disabled) == (True, False)
    Later.calls[0].end()
    assert panel.words.startswith("the bundle agrees with its inputs")
    assert "rating.lightest" in panel.picture.value
    assert (panel._run.disabled, panel._stop.disabled) == (False, True)
    assert "Review of sent.zip" in panel.page()


def test_what_is_stopped_gives_no_answer_even_if_it_ends_later(panel):
    panel.run()
    first = Later.calls[0]
    panel._stop.click()
    assert first.stopped
    assert panel.words.startswith("not computed")
    panel.run()
    first.end()  # None, of the very same inputs: the second call is still at work
    assert panel.words.startswith("working")
    Later.calls[1].end()
    assert panel.words.startswith("the bundle agrees")


def test_a_change_is_computed_when_asked_and_reaches_the_chain(panel):
    panel.run()
    Later.calls[0].end()
    panel.controls["site.drag_area"].set_state({"value": "0.25(5) m^2"})  # as a browser sends it
    assert panel.words.startswith("not computed for this bundle and these changes")
    assert panel.picture.value == ""  # the old answer is gone with the old inputs
    panel.run()
    assert Later.calls[1].arguments[1:] == ({"site.drag_area": "0.25(5) m^2"}, False)  # the recheck is known
    Later.calls[1].end()
    assert "with site.drag_area = 0.25(5) m^2" in panel.words
    panel.controls["text"].value = "campaign."  # another filter is not another analysis
    assert list(panel._shown.index) == ["campaign.site.drag_area.value", "campaign.site.drag_area.u"]
    assert len(Later.calls) == 2
    assert "site.drag_area = 0.25(5) m^2" in panel.page()
    panel.controls["site.drag_area"].value = ""
    assert panel.words.startswith("the bundle agrees")  # known already


@pytest.mark.parametrize("other", ["change", "bundle", "bytes"])
def test_an_answer_of_other_inputs_is_never_shown(panel, other):
    """Inputs that change while it works stop the work; a file that is another by now counts as another."""
    panel.run()
    path = Path(panel.controls["bundle"].value)
    if other == "change":
        panel.controls["criteria.greatest_g"].value = "3"
    elif other == "bundle":
        panel.controls["bundle"].value = str(path.with_name("none.zip"))
    else:
        path.write_bytes(path.read_bytes() + b"\n")
    Later.calls[0].stopped = False  # it was too late to stop it
    Later.calls[0].end()
    assert "agrees" not in panel.words
    assert panel.picture.value == ""


def test_wrong_changes_and_strange_bundles_are_refused_in_words(panel, tmp_path):
    panel.controls["site.drag_area"].value = "half"
    panel.run()
    Later.calls[0].end()
    assert panel.words.startswith("refused: 1 problems\nsite.drag_area: 'half' cannot be read")
    (tmp_path / "no.zip").write_bytes(b"no zip")
    panel.controls["bundle"].value = str(tmp_path / "no.zip")
    panel.run()
    Later.calls[1].end()
    assert "not a whole zip file" in panel.words


def test_work_is_done_by_another_process_and_can_be_stopped():
    found = []
    work = Work(dict, [("a", 1)], done=found.append)
    work.wait()
    assert found == [{"a": 1}]
    stopped = Work(time.sleep, 60, done=found.append)
    stopped.stop()
    stopped.wait()
    assert found[1:] == [None]


def test_the_bundle_to_review_is_the_one_that_is_named(monkeypatch, tmp_path):
    monkeypatch.setenv("CORDLAB_BUNDLE", str(tmp_path / "a.zip"))
    with pytest.raises(Missing, match=r"set CORDLAB_BUNDLE to the \.zip that somebody sent"):
        sent_bundle()
    (tmp_path / "a.zip").write_bytes(b"")
    assert sent_bundle() == tmp_path / "a.zip"
    monkeypatch.delenv("CORDLAB_BUNDLE")
    assert sent_bundle(ROOT / "notebooks").samefile(ROOT / "data-demo" / "sent.zip")

"""For whoever signs or reviews: what a report holds and lacks, every value compared, and what one assumption moves."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import unescape
from typing import TYPE_CHECKING, Any

import ipywidgets as w

from cordlab.analysis import analyse
from cordlab.bundle.compare import DIFFERS, EQUAL, WITHIN, Comparison, Line, compare, shortened
from cordlab.curves.models import models
from cordlab.notebook.panel import MOST_ROWS, PROBABILITIES, TablePanel, html_table
from cordlab.report.page import ABOUT, results_of

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.campaign import Campaign

# ISO/IEC 17025:2017, clauses of 7.8, in this report's words: clause, what is to be in a test report, and where it
# stands: a key of `[report]`, or a pattern of the report's text.
_CONTENTS = (
    ("7.8.2.1 a", "a title", r"Test report"),
    ("7.8.2.1 b", "laboratory", "laboratory"),
    ("7.8.2.1 b", "address of the laboratory", "address"),
    ("7.8.2.1 c", "where the drops were made", "place"),
    ("7.8.2.1 d", "a number of its own, and a clear end", r"End of report CL-[0-9A-F]{12}"),
    ("7.8.2.1 e", "customer", "customer"),
    ("7.8.2.1 f", "the method", r"Method: dead weights dropped"),
    ("7.8.2.1 g", "the cords that were tested", r"Cords dropped"),
    ("7.8.2.1 h", "when the cords were received", "received"),
    ("7.8.2.1 i", "dates of the drops", "tested"),
    ("7.8.2.1 j", "date of issue", "issued"),
    ("7.8.2.1 k", "how the cords were chosen from the lot", "sampling"),
    ("7.8.2.1 l", "that the results relate to the tested cords", r"relate only to the cords tested"),
    ("7.8.2.1 m", "results with their units", r"clearance \[m"),
    ("7.8.2.1 n", "deviations from the method", "deviations"),
    ("7.8.2.1 o", "who tested and wrote it", "author"),
    ("7.8.2.1 o", "who reviewed and authorised it", "reviewer"),
    ("7.8.2.1 p", "results from other providers", "external"),
    ("7.8.2.2", "that data were given by others", r"entered by the user and not checked"),
    ("7.8.3.1 a", "conditions of the drops", r"drops at -?[\d.]+"),
    ("7.8.3.1 c", "uncertainty", r"Shares of the variance of"),
    ("7.8.6.2 a", "the result that the statement is about", r"Rated for riders of|Not rated"),
    ("7.8.6.2 b", "the criteria", r"Least clearance of the body above the surface"),
    ("7.8.6.2 c", "the decision rule", r"Decision rule: \w+"),
)


@dataclass(frozen=True)
class Content:
    """One content that a test report is to have, and what stands there: None where it is blank."""

    clause: str
    what: str
    found: str | None


def report_entries(campaign: "Campaign") -> tuple[tuple[str, str, str], ...]:
    """Each key that `[report]` of campaign.toml may have: the key, what is asked, and the entry, "" where blank."""
    return tuple((key, word, str(campaign.report.get(key, "")).strip()) for key, word in ABOUT.items())


def contents(entries: Mapping[str, Any], page: str) -> tuple[Content, ...]:
    """What a test report must hold by ISO/IEC 17025:2017, 7.8, and what this one holds.

    entries : of `[report]` in campaign.toml; page : the report, as HTML
    """
    text = _words(page)
    required = []
    for clause, what, where in _CONTENTS:
        if where in ABOUT:
            required.append(Content(clause, what, str(entries.get(where, "")).strip() or None))
        else:
            match = re.search(where, text)
            required.append(Content(clause, what, match and match[0]))
    return tuple(required)


def signing(analysis: "Analysis", found: Sequence[Content]) -> str:
    """Whether the report can be signed: what it says, and what is still blank."""
    blank = [content.what for content in found if content.found is None]
    held = f"The report holds {len(found) - len(blank)} of {len(found)} contents."
    state = f"Not to be signed yet, {len(blank)} are blank: {', '.join(blank)}." if blank else "Nothing is blank."
    return f"{_range(analysis.rating.to_dict()).capitalize()}.\n{held} {state}\n{analysis.cautions[0]}"


def answer_part(page: str) -> str:
    """The part of a rendered report that answers, as HTML. Raises ValueError where the page has none."""
    match = re.search(r'<section class="answer.*?</section>', page, re.DOTALL)
    if match is None:
        raise ValueError("the page has no answer: it is not a report of cordlab")
    return match[0]


def headings(page: str) -> tuple[str, ...]:
    """The headings of a rendered report, in order."""
    return tuple(_words(text) for text in re.findall(r"<h2[^>]*>(.*?)</h2>", page, re.DOTALL))


def _words(page: str) -> str:
    """The text of a page made by the report's own template, without its style."""
    bare = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(bare).split())


def as_table(lines: Sequence[Line]) -> str:
    """Compared values as an HTML table. Names and values may come from a stranger's file: all are escaped."""
    if not lines:
        return "<p>no value to show</p>"
    rows = [(line.name, _shown(line.old), _shown(line.new), _change(line), line.verdict) for line in lines[:MOST_ROWS]]
    left = len(lines) - MOST_ROWS
    more = f"<p>and {left} more: narrow the choice to see them</p>" if left > 0 else ""
    return html_table(_HEADS, rows, {0: "font-weight:normal"}) + more


_HEADS = ("value", "old", "new", "change", "verdict")


def _shown(value: Any) -> str:
    return shortened(f"{value:.6g}" if isinstance(value, float) else "none" if value is None else str(value), 80)


def _change(line: Line) -> str:
    numbers = all(isinstance(value, int | float) and not isinstance(value, bool) for value in (line.old, line.new))
    return f"{line.new - line.old:+.3g}" if numbers and line.verdict != EQUAL else ""


def select(comparison: Comparison, *, text: str, verdict: str) -> tuple[Line, ...]:
    """The values whose name holds `text` in any case, with this verdict; "all" for every verdict."""
    wanted = text.strip().casefold()
    return tuple(
        line for line in comparison.lines if wanted in line.name.casefold() and verdict in ("all", line.verdict)
    )


def comparison_panel(comparison: Comparison) -> TablePanel:
    """Every value of two results, old beside new: part of a name narrows the table, and so does a verdict."""
    verdicts = [(f"all ({len(comparison.lines)})", "all")]
    verdicts += [(f"{name} ({comparison.count(name)})", name) for name in (EQUAL, WITHIN, DIFFERS)]
    controls = {
        "text": w.Text(value="rating", description="name holds"),
        "verdict": w.Dropdown(options=verdicts, value="all", description="verdict"),
    }

    def answer(text: str, verdict: str) -> tuple[list[str], tuple[Line, ...]]:
        lines = select(comparison, text=text, verdict=verdict)
        named = f"whose name holds '{text.strip()}'" if text.strip() else "of any name"
        which = "of any verdict" if verdict == "all" else f"verdict '{verdict}'"
        return [f"{len(lines)} of {len(comparison.lines)} values {named}, {which}"], lines

    return TablePanel(controls, answer, table=as_table)


def assume(
    campaign: "Campaign", *, tie_height: float, reach: float, drag_area: float, probability: float, model: str
) -> "Campaign":
    """The campaign with other assumptions about the site [m, m, m²] and the decision; what was measured stays."""
    old = campaign.site
    site = replace(
        old,
        tie_height=replace(old.tie_height, value=tie_height),
        reach_below_attachment=replace(old.reach_below_attachment, value=reach),
        drag_area=replace(old.drag_area, value=drag_area),
    )
    return replace(campaign, site=site, decision=replace(campaign.decision, probability=probability, model=model))


def assumption_panel(analysis: "Analysis") -> TablePanel:
    """What if an assumption were another: the whole chain is run again, and every value compared with the first.

    It takes as long as an analysis. Nothing is computed where every assumption stands as published.
    """
    campaign, site, decision = analysis.campaign, analysis.campaign.site, analysis.campaign.decision
    published = plain(analysis)
    controls = {
        "tie_height": _box(site.tie_height.value, 0.5, "tie point above surface [m]"),
        "reach": _box(site.reach_below_attachment.value, 0.1, "body reach below cord [m]"),
        "drag_area": _box(site.drag_area.value, 0.05, "drag area of the rider [m²]"),
        "probability": w.Dropdown(
            options=[(f"{100 * p:g} %", p) for p in sorted({*PROBABILITIES, decision.probability})],
            value=decision.probability, description="probability [%]",
        ),
        "model": w.Dropdown(options=["auto", *models()], value=decision.model, description="model"),
        "text": w.Text(value="rating.", description="name holds"),
    }  # fmt: skip
    seen: dict[str, Any] = {"campaign": campaign, "results": published}

    def answer(text: str, **assumed: Any) -> tuple[list[str], tuple[Line, ...]]:
        other = assume(campaign, **assumed)
        if other != seen["campaign"]:  # another filter on the table is not another analysis
            seen.update(results=published if other == campaign else plain(analyse(other)), campaign=other)
        comparison = compare(published, seen["results"])
        told = [
            f"{len(comparison.differing)} of {len(comparison.lines)} values move",
            f"now: {_range(seen['results']['rating'])}",
        ]
        changed = [reason for reason in comparison.reasons if reason.startswith("[")]
        lines = select(comparison, text=text, verdict=DIFFERS)
        return [*told, f"as published: {_range(published['rating'])}", *changed, f"{len(lines)} of them shown"], lines

    return TablePanel(controls, answer, table=as_table)


def plain(analysis: "Analysis") -> dict[str, Any]:
    """The results as they are read back from results.json."""
    return json.loads(json.dumps(results_of(analysis), allow_nan=False))


def _range(rating: Mapping[str, Any]) -> str:
    if not rating["rated"]:
        return "not rated: " + "; ".join(rating["reasons"])
    ends = rating["governed_by"]
    return (
        f"rated for rider masses of {rating['lightest']:.1f} to {rating['heaviest']:.1f} kg; "
        f"light end: {ends['light']}; heavy end: {ends['heavy']}"
    )


def _box(value: float, step: float, description: str) -> w.BoundedFloatText:
    return w.BoundedFloatText(value=value, min=0, max=1000, step=step, description=description)

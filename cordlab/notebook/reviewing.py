"""For whoever signs or reviews: what a report holds and lacks, every value compared, and what one assumption moves."""

import re
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from html import unescape
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import pandas as pd

from cordlab.analysis import analyse
from cordlab.bundle.compare import DIFFERS, EQUAL, Comparison, compare, shown, topics
from cordlab.curves.models import models
from cordlab.notebook.panel import Answer, Panel, probability_slider
from cordlab.report.page import ABOUT, WRITTEN, results_of
from cordlab.report.results_folder import Results
from cordlab.report.tables import sentence

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.campaign import Campaign

EVERY = "all"  # verdicts


def report_entries(campaign: "Campaign") -> tuple[tuple[str, str, str], ...]:
    """Each key that `[report]` of campaign.toml may have: the key, what is asked, and the entry, "" where blank."""
    return tuple((key, word, str(campaign.report.get(key, "")).strip()) for key, (word, _) in ABOUT.items())


def contents(entries: Mapping[str, str], page: str) -> pd.DataFrame:
    """What a test report must hold by ISO/IEC 17025:2017, 7.8, a row a content: whether it is present, and its text."""
    words = _words(page)
    rows = [(f"7.8.2.1 {item}", what, str(entries.get(key, "")).strip()) for key, (what, item) in ABOUT.items()]
    for clause, (what, pattern) in WRITTEN.items():
        match = re.search(pattern, words)
        rows.append((clause, what, match[0] if match else ""))
    table = pd.DataFrame(sorted(rows, key=lambda row: row[0]), columns=["clause", "content", "text"])
    table.insert(2, "state", table["text"].map(lambda text: "present" if text else "BLANK"))
    return table.set_index("clause")


def signing(analysis: "Analysis", contents: pd.DataFrame) -> str:
    """Whether the report can be signed: what it says, and what is still blank."""
    blank = list(contents["content"][contents["state"] == "BLANK"].str.lower())
    held = f"The report holds {len(contents) - len(blank)} of {len(contents)} contents."
    state = f"Not to be signed yet, {len(blank)} are blank: {', '.join(blank)}." if blank else "Nothing is blank."
    answer = "; ".join(" ".join(line.split()) for line in analysis.rating.summary().splitlines())
    return f"{sentence(answer)}.\n{held} {state}\n{analysis.cautions[0]}"


def answer_part(page: str) -> str:
    """The part of a rendered report that answers, as HTML. Raises ValueError where the page has none."""
    match = re.search(r'<section class="answer.*?</section>', page, re.DOTALL)
    if match is None:
        raise ValueError("the page has no answer: it is not a report of cordlab")
    return match[0]


def headings(page: str) -> tuple[str, ...]:
    """The headings of a rendered report, in order."""
    return tuple(_words(heading) for heading in re.findall(r"<h2[^>]*>(.*?)</h2>", page, re.DOTALL))


def _words(page: str) -> str:
    """The text of a page made by the report's own template, without its style."""
    bare = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(bare).split())


def select(comparison: Comparison, *, text: str, verdict: str = EVERY) -> pd.DataFrame:
    """The values whose name holds `text` in any case, with this verdict or with every verdict: one row a value."""
    wanted, rows = text.strip().casefold(), {}
    for line in comparison.lines:
        if wanted in line.name.casefold() and verdict in (EVERY, line.verdict):
            values = line.old, line.new
            cells = ["none" if value is None else shown(value, digits=6, most=80) for value in values]
            numbers = all(isinstance(value, int | float) and not isinstance(value, bool) for value in values)
            change = f"{line.new - line.old:+.3g}" if numbers and line.verdict != EQUAL else ""
            rows[line.name] = [*cells, change, line.verdict]
    table = pd.DataFrame.from_dict(rows, orient="index", columns=["old", "new", "change", "verdict"])
    return table.rename_axis("value")


def comparison_panel(comparison: Comparison) -> Panel:
    """Every value of two results, the old and the new one: part of a name narrows the table, and so does a verdict."""
    verdicts = [(f"{EVERY} ({len(comparison.lines)})", EVERY)]
    verdicts += [(f"{name} ({count})", name) for name, count in comparison.counts.items()]
    controls = {
        "text": w.Text(value="rating", description="name holds"),
        "verdict": w.Dropdown(options=verdicts, description="verdict"),
    }

    def answer(text: str, verdict: str) -> Answer:
        table = select(comparison, text=text, verdict=verdict)
        name = f"whose name holds '{text.strip()}'" if text.strip() else "of any name"
        which = "of any verdict" if verdict == EVERY else f"verdict '{verdict}'"
        return [f"{len(table)} of {len(comparison.lines)} values {name}, {which}"], table

    return Panel(controls, answer)


def assumption_panel(analysis: "Analysis") -> Panel:
    """What if an assumption were another: the whole chain is run again, and every value compared with the first."""
    campaign, decision, published = analysis.campaign, analysis.campaign.decision, results_of(analysis)

    def box(quantity: str, step: float, description: str) -> w.BoundedFloatText:
        value = getattr(campaign.site, quantity).value
        return w.BoundedFloatText(value=value, max=1000, step=step, description=description)

    controls = {
        "tie_height": box("tie_height", 0.5, "tie point above surface [m]"),
        "reach_below_attachment": box("reach_below_attachment", 0.1, "body reach below cord [m]"),
        "drag_area": box("drag_area", 0.05, "drag area of the rider [m²]"),
        "probability": probability_slider(decision.probability),
        "model": w.Dropdown(options=["auto", *models()], value=decision.model, description="model"),
        "text": w.Text(value="rating.", description="name holds"),
    }

    @lru_cache(maxsize=1)  # another filter on the table is not another analysis
    def results(probability: float, model: str, **values: float) -> Results:
        site = {name: replace(getattr(campaign.site, name), value=value) for name, value in values.items()}
        decided = replace(decision, probability=probability, model=model)
        other = replace(campaign, site=replace(campaign.site, **site), decision=decided)
        return published if other == campaign else results_of(analyse(other))

    def answer(text: str, **assumed: Any) -> Answer:
        now = results(**assumed)
        comparison = compare(published, now)
        table = select(comparison, text=text, verdict=DIFFERS)
        lines = [
            f"{len(comparison.differing)} of {len(comparison.lines)} values move",
            f"rated now: {topics(now)['rated']}",
            f"as published: {topics(published)['rated']}",
            *(reason for reason in comparison.reasons if reason.startswith("[")),
            f"{len(table)} of them shown",
        ]
        return lines, table

    return Panel(controls, answer)

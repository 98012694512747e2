"""For whoever signs or reviews: what a report holds and lacks, every value compared, and what one assumption moves."""

import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import partial
from hashlib import sha256
from html import unescape
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import ipywidgets as w
import pandas as pd

from cordlab.bundle.compare import DIFFERS, EQUAL, Comparison, compare, shown, topics
from cordlab.bundle.recheck import FileCheck, Recheck, assume, recheck, review_page
from cordlab.campaign.files import CampaignError
from cordlab.campaign.settings import Criteria, Decision, Site
from cordlab.notebook.panel import Answer, Panel, Work
from cordlab.report.page import ABOUT, WRITTEN
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


def review(bundle: str, changes: Mapping[str, str], anew: bool) -> dict[str, Any]:
    """What JSON holds of the recheck of a bundle (where it is done anew), and of its results with changes."""
    found: dict[str, Any] = {}
    try:
        if anew:
            checked = recheck(bundle)
            found = {name: getattr(checked, name) for name in ("problems", "lacks", "published", "rerun")}
            found["files"] = [vars(file) for file in checked.files]
        return found | ({"assumed": assume(bundle, changes)} if changes else {})
    except CampaignError as error:
        return {"refused": error.problems}


class ReviewPanel(Panel):
    """A bundle that somebody sent: rechecked when asked, with other criteria and assumptions where they are written in.
    An answer stands only beside the inputs that it is of."""

    def __init__(self, bundle: str | Path = "", *, start: Callable[..., Work] = Work) -> None:
        self._start = start
        self._work: Work | None = None
        self._asked: _Inputs | None = None  # what the work is of, while it runs
        self._checked: dict[str, Recheck] = {}  # by SHA-256 of the bundle
        self._found: dict[_Inputs, Mapping[str, Any]] = {}
        kinds = {"criteria": Criteria, "site": Site, "decision": Decision}
        keys = [(section, key.name) for section, kind in kinds.items() for key in fields(kind)]
        boxes = {f"{section}.{name}": w.Text(placeholder="as published", description=name) for section, name in keys}
        self._path = w.Text(value=str(bundle), description="bundle (.zip)")
        controls = {"bundle": self._path, **boxes, "text": w.Text(value="rating.", description="name holds")}
        self._run, self._stop = w.Button(description="Recheck"), w.Button(description="Stop", disabled=True)
        self._run.on_click(lambda button: self.run())
        self._stop.on_click(lambda button: self.stop())
        self._boxes = boxes
        super().__init__(controls, self._answered)
        sections = [w.VBox([boxes[path] for path in boxes if path.startswith(f"{name}.")]) for name in kinds]
        folded = w.Accordion(sections, titles=[f"change [{name}]" for name in kinds])
        self.children = [self._path, folded, w.HBox([self._run, self._stop]), controls["text"], self.text, self.picture]

    @property
    def changes(self) -> dict[str, str]:
        """The keys that are written in, "site.drag_area" → what campaign.toml would have."""
        return {path: box.value.strip() for path, box in self._boxes.items() if box.value.strip()}

    def run(self) -> None:
        """Begin to recheck the bundle with the changes as they are; what ran before is stopped."""
        self.stop()
        inputs = self._inputs()
        if inputs is not None and inputs not in self._found:
            self._asked, anew = inputs, inputs.digest not in self._checked
            done = partial(self._done, inputs)
            self._work = self._start(review, self._path.value, self.changes, anew, done=done)
        self.refresh()

    def stop(self) -> None:
        if self._work is not None and self._asked is not None:
            self._asked = None
            self._work.stop()
            self.refresh()

    def wait(self) -> None:
        """Until what runs has ended: for cells that go on with the answer."""
        if self._work is not None and self._asked is not None:
            self._work.wait()

    def page(self) -> str:
        """The review as one HTML text. Raises ValueError before there is an answer."""
        inputs = self._inputs()
        if inputs not in self._found or inputs.digest not in self._checked:
            raise ValueError("there is nothing to write yet: press Recheck")
        assumed = self._found[inputs].get("assumed")
        name = Path(self._path.value).name
        return review_page(self._checked[inputs.digest], name=name, changes=self.changes, assumed=assumed)

    def refresh(self) -> None:
        super().refresh()
        self._run.disabled, self._stop.disabled = self._asked is not None, self._asked is None
        if self._asked is not None:
            self.picture.value = '<progress aria-label="working"></progress>'

    def _inputs(self) -> "_Inputs | None":
        """What an answer would be of; None where there is no such file."""
        try:
            return _Inputs(sha256(Path(self._path.value).read_bytes()).hexdigest(), tuple(self.changes.items()))
        except OSError:
            return None

    def _done(self, inputs: "_Inputs", found: Mapping[str, Any] | None) -> None:
        if self._asked is not inputs:  # it was stopped, or another call came
            return
        self._asked = None
        if found is not None:
            self._found[inputs] = found
            if "files" in found:
                known = {name: found[name] for name in ("published", "rerun")}
                known |= {name: tuple(found[name]) for name in ("problems", "lacks")}
                comparison = None if found["rerun"] is None else compare(found["published"], found["rerun"])
                files = tuple(FileCheck(**file) for file in found["files"])
                self._checked[inputs.digest] = Recheck(files, comparison, **known)
        self.refresh()

    def _answered(self, bundle: str, text: str, **boxes: str) -> Answer:
        inputs = self._inputs()
        if self._asked not in (None, inputs):
            self.stop()
        if inputs is None:
            return [f"there is no file {bundle}: write where the bundle is"], None
        if self._asked is not None:
            return ["working: the analysis is run again from its inputs; Stop ends it"], None
        if inputs not in self._found:
            return ["not computed for this bundle and these changes: press Recheck"], None
        if refused := self._found[inputs].get("refused"):
            return [f"refused: {len(refused)} problems", *refused], None
        checked, assumed = self._checked[inputs.digest], self._found[inputs].get("assumed")
        lines = checked.summary().splitlines()
        if checked.published is None or checked.rerun is None or checked.comparison is None:
            return lines, None
        lines.append(f"as published: {topics(checked.published)['rated']}")
        if assumed is None:
            return lines, select(checked.comparison, text=text)
        moved = compare(checked.rerun, assumed)
        lines += [f"with {path} = {value}" for path, value in self.changes.items()]
        lines.append(
            f"rated then: {topics(assumed)['rated']}; {len(moved.differing)} of {len(moved.lines)} values move"
        )
        return lines, select(moved, text=text, verdict=DIFFERS)


class _Inputs(NamedTuple):
    """A bundle, by the SHA-256 of its bytes, and the changes."""

    digest: str
    changes: tuple[tuple[str, str], ...]


review_panel = ReviewPanel

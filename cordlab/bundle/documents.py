"""The files of a bundle against what follows from its inputs: words exactly, figures by what they show. What cannot be
compared here is named."""

import json
import re
from base64 import b64decode
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from html import unescape

from cordlab import __version__
from cordlab.bundle.compare import ONE_LAYOUT, SAME, Comparison, layout_of, near, redrawn, shown
from cordlab.bundle.described import CRATE, INPUTS, NOTEBOOKS, PACKAGE, RAN, README, SCHEMAS, described, stated_in
from cordlab.campaign.settings import LAYOUT
from cordlab.report.page import PdfError, pdf, render
from cordlab.report.results_folder import MANIFEST, RESULTS, Results

AGREES, DIFFERS, NOT_COMPARED = "agrees", "differs", "not compared"
REPORT, PDF = "report.html", "report.pdf"
_DESCRIBING = {README, CRATE, PACKAGE, RAN, *SCHEMAS}
_FIGURE = re.compile(r'(<img id="figure-[^>]*>)')
_PARTS = re.compile(r'<img id="figure-([\w-]+)" alt="([^"]*)" src="data:image/svg\+xml;base64,([^"]*)">')


@dataclass(frozen=True)
class FileCheck:
    """What became of one file of a bundle. verdict : agrees, differs, or not compared; why : where it does not agree"""

    name: str
    verdict: str
    why: str = ""

    def summary(self) -> str:
        return f"{self.verdict}: {shown(self.name, most=240)} {self.why}"


def check_files(
    contents: Mapping[str, bytes],
    published: Results,
    rerun: Results,
    *,
    comparison: Comparison,
    figures: Mapping[str, str],
) -> dict[str, FileCheck]:
    """Each file of a bundle (name → bytes) against the results and the figures of the analysis made anew."""
    checks = {name: FileCheck(name, NOT_COMPARED, "is no file that cordlab writes or reads") for name in contents}
    known = [MANIFEST, RESULTS, *(INPUTS + name for name in rerun["campaign"]["digests"])]
    checks |= {name: FileCheck(name, AGREES) for name in known}
    written = [name for name in contents if name in _DESCRIBING | {REPORT, PDF} or name.startswith(NOTEBOOKS)]
    if not comparison.agrees:
        why = f"in {len(comparison.differing)} of {len(comparison.lines)} values"
        follows = f"with what follows from {RESULTS}, which differs itself"
        checks |= {name: FileCheck(name, NOT_COMPARED, follows) for name in written}
        return checks | {RESULTS: FileCheck(RESULTS, DIFFERS, why)}
    if (layout := layout_of(published)) != LAYOUT:
        why = f"with this cordlab, which writes layout {LAYOUT}: the bundle is of layout {layout}"
        checks |= {name: FileCheck(name, NOT_COMPARED, why) for name in written}
        alone = f"in {comparison.counts.get(ONE_LAYOUT, 0)} values: they are {ONE_LAYOUT}"
        return checks | {RESULTS: FileCheck(RESULTS, NOT_COMPARED, alone)}
    if not comparison.alike:
        why = f"with what follows from {RESULTS}: with other random draws it has other judgements here"
        return checks | {name: FileCheck(name, NOT_COMPARED, why) for name in written}
    checks |= {name: FileCheck(name, NOT_COMPARED, "was not run again") for name in written}
    page = contents.get(REPORT, b"").decode(errors="replace")
    checks[REPORT] = _check_report(page, published, rerun, figures)
    foreign = {name for name in contents if name not in known and name not in written}
    of_cordlab = {name: data for name, data in contents.items() if name not in foreign}
    checks |= {check.name: check for check in _check_descriptions(of_cordlab, published)}
    if PDF in contents:
        checks[PDF] = _check_pdf(contents[PDF], page, checks[REPORT])
    return checks


def _check_report(page: str, published: Results, rerun: Results, figures: Mapping[str, str]) -> FileCheck:
    """The words against those that the bundle's own results give, which agree; figures against those drawn anew."""
    rendered = (render(published, figures, second_units=choice) for choice in (None, False, True))
    expected = next((candidate for candidate in rendered if not other_words(page, candidate)), None)
    if expected is None:
        words = other_words(page, render(published, figures))
        return _otherwise(REPORT, f"says what does not follow from {RESULTS}: '{shown(words, most=200)}'", published)
    if not (names := other_figures(page, expected)):
        return FileCheck(REPORT, AGREES)
    drawn_by = [(of.get("versions") or {}).get("matplotlib") for of in (published, rerun)]
    if redrawn(published, rerun) or drawn_by[0] != drawn_by[1]:
        why = "drawn from other random draws or by another matplotlib"
        return FileCheck(REPORT, NOT_COMPARED, f"in all its figures: {', '.join(names)} were {why}")
    return _otherwise(REPORT, f"shows other figures than follow from its inputs: {', '.join(names)}", published)


def _check_pdf(data: bytes, page: str, report: FileCheck) -> FileCheck:
    """A PDF against the one that is made here of the same page: they can only be the same bytes, or not be compared."""
    try:
        if report.verdict == AGREES and pdf(page) == data:
            return FileCheck(PDF, AGREES)
    except PdfError as error:
        return FileCheck(PDF, NOT_COMPARED, f"with {REPORT}: {error}")
    return FileCheck(PDF, NOT_COMPARED, f"with {REPORT}: it is not the PDF that is made of it here")


def _check_descriptions(contents: Mapping[str, bytes], published: Results) -> Iterator[FileCheck]:
    """What says what is in the bundle, against the bundle; who published it, and how, is the publisher's own word."""
    others = {name: data for name, data in contents.items() if name not in _DESCRIBING | {MANIFEST}}
    try:
        expected = described(others, published, stated_in(contents))
    except ValueError as error:
        yield FileCheck(CRATE, DIFFERS, f"is not the metadata of a bundle: {shown(error)}")
        return
    for name, data in expected.items():
        if contents.get(name) == data or (name == CRATE and json.loads(contents[name]) == json.loads(data)):
            yield FileCheck(name, AGREES)
        else:
            yield _otherwise(name, "is not what follows from the other files", published)
    ran = contents.get(RAN, b"").decode(errors="replace").replace(",", "\n").replace("  #", "\n").splitlines()
    ways = "{}=={}", "# {} {}", " {1}", " {} {}"  # a package, Python, the kind of machine, the source
    lacking = [
        " ".join(of)
        for of in (published.get("versions") or {}).items()
        if not {way.format(*of) for way in ways} & {*ran}
    ]
    if lacking:
        yield FileCheck(RAN, DIFFERS, f"does not have what {RESULTS} says it was computed with: {', '.join(lacking)}")


def _otherwise(name: str, why: str, published: Results) -> FileCheck:
    """A file that differs; of another cordlab it may do so, and is not compared."""
    if published["cordlab"] == __version__:
        return FileCheck(name, DIFFERS, why)
    return FileCheck(name, NOT_COMPARED, f"with this cordlab, {__version__}: {published['cordlab']} wrote it; it {why}")


def other_words(old: str, new: str) -> str:
    """The first line of a page that is not in the other page so; "" where all but their figures is the same."""
    texts = [_FIGURE.split(page)[::2] for page in (old, new)]
    if texts[0] == texts[1]:
        return ""
    lines, known = ([_words(line) for text in page for line in text.splitlines()] for page in texts)
    return next((line for line in lines if line and line not in known), "") or "the same words in other marks"


def other_figures(old: str, new: str) -> list[str]:
    """Names of the figures that show something else on the first page than on the second, whose words are the same."""
    figures = [_FIGURE.findall(page) for page in (old, new)]
    pairs = [(before, after) for before, after in zip(*figures, strict=True) if not _same_figure(before, after)]
    return [after.split('"')[1].removeprefix("figure-") for _, after in pairs]


def _words(line: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", line)).split())


def _same_figure(old: str, new: str) -> bool:
    """Whether two figures are the same but for the rounding of another machine's arithmetic."""
    before, after = _PARTS.fullmatch(old), _PARTS.fullmatch(new)
    if old == new or before is None or after is None:
        return old == new
    try:
        x, y = (_plain(b64decode(parts[3], validate=True).decode()) for parts in (before, after))
    except ValueError:
        return False
    return before[1] == after[1] and near(before[2], after[2], SAME) and near(x, y, SAME)


def _plain(svg: str) -> str:
    """An <svg> whose ids, which are hashes of what is drawn, are numbered in their order."""
    order: dict[str, int] = {}
    return re.sub(r"\b[a-z][0-9a-f]{10}\b", lambda match: f"id-{order.setdefault(match[0], len(order))}", svg)

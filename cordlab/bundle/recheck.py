"""A published bundle re-run: its files against their checksums, its numbers against an analysis made anew, its report
and what goes with it against what follows from those numbers: words exactly, figures by what they show. Nothing of it
is run or unpickled: only its inputs are read, as any campaign is. What cannot be compared here is named."""

import json
import re
import tempfile
import zipfile
from base64 import b64decode
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from html import unescape
from importlib.resources import files
from math import isfinite
from pathlib import Path
from typing import Any

from cordlab import __version__
from cordlab.analysis import analyse
from cordlab.bundle import compare
from cordlab.bundle.compare import Comparison, layout_of, shown
from cordlab.bundle.publish import CRATE, INPUTS, NOTEBOOKS, PACKAGE, RAN, README, SCHEMAS, described, stated_in
from cordlab.bundle.unpack import BundleError, unpack
from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.campaign.files import replacing
from cordlab.campaign.settings import LAYOUT, changed, lacks
from cordlab.report.page import PdfError, pdf, render, results_of, vectors_of
from cordlab.report.results_folder import FIRST_LINE, MANIFEST, RESULTS, Results, altered, read_manifest
from cordlab.units import Progress, unwatched

AGREES, DIFFERS, NOT_COMPARED = "agrees", "differs", "not compared"
REPORT, PDF = "report.html", "report.pdf"
BEFORE = "manifest-sha256.txt"
"""The manifest of a bundle of layout 1."""

MOST = 200  # lines of a table of a review; the page says how many more there are
MARK = '<meta name="generator" content="review by cordlab">'
RULE, TYPE_B, CHOICE, BY_HAND = "the rules and the maker", "stated (type B)", "chosen", "settled by hand"
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


@dataclass(frozen=True)
class Recheck:
    """What a bundle, or each of two, turned out to be."""

    files: tuple[FileCheck, ...]  # of one bundle all; of two, those that are not as their manifest says
    comparison: Comparison | None  # with the analysis made anew, or the other bundle; None where it could not be made,
    problems: tuple[str, ...] = ()  # and why
    headlines: tuple[str, ...] = ()  # of two bundles, what changed in words
    published: Results | None = None  # results.json of the bundle, or of the first of two
    lacks: tuple[str, ...] = ()  # keys that today's layout asks for before anything is rated, and the bundle has not
    rerun: Results | None = None  # the results of the analysis made anew, or of the second of two

    @property
    def differing(self) -> tuple[FileCheck, ...]:
        return tuple(file for file in self.files if file.verdict == DIFFERS)

    @property
    def not_compared(self) -> tuple[FileCheck, ...]:
        return tuple(file for file in self.files if file.verdict == NOT_COMPARED)

    @property
    def agrees(self) -> bool:
        """Whether nothing that was compared differs; `not_compared` is the rest."""
        return not self.differing and self.comparison is not None and self.comparison.agrees

    def summary(self) -> str:
        files = [file.summary() for file in (*self.differing, *self.not_compared)]
        rest = [self.comparison.summary()] if self.comparison else [f"not re-run: {text}" for text in self.problems]
        if self.headlines:
            return "\n".join([*files, *self.headlines, *rest])
        files += [f"layout {LAYOUT} asks for {key} before anything is rated; the bundle lacks it" for key in self.lacks]
        head = "the bundle agrees with its inputs" if self.agrees else "THE BUNDLE DIFFERS"
        if self.agrees and self.not_compared:
            head += f", as far as it was compared: {len(self.not_compared)} of {len(self.files)} files were not, wholly"
        return "\n".join([head, *files, *rest])

    def to_dict(self) -> dict[str, object]:
        facts = {"agrees": self.agrees, "files": [vars(file) for file in self.files]}
        texts = {name: list(getattr(self, name)) for name in ("problems", "headlines", "lacks")}
        return facts | texts | {"comparison": self.comparison and self.comparison.to_dict()}


def recheck(bundle: str | Path, *, progress: Progress = unwatched) -> Recheck:
    """Check the files of a bundle, run its analysis again with this cordlab, and compare every number, then the report
    and what describes the bundle.

    progress : as for `analyse`. Raises BundleError where the zip is refused, or is no bundle.
    """
    with tempfile.TemporaryDirectory(prefix="cordlab-recheck-") as place:
        damage, published = _opened(bundle, Path(place))
        try:
            campaign = read_campaign(Path(place) / INPUTS)
            analysis = analyse(campaign, progress=progress)
        except CampaignError as error:
            return Recheck(tuple(damage.values()), None, error.problems, published=published)
        lacking = lacks(campaign, layout_of(published))
        paths = sorted(path for path in Path(place).rglob("*") if path.is_file())
        contents = {path.relative_to(place).as_posix(): path.read_bytes() for path in paths}
        rerun = results_of(analysis, before=published)
        comparison = compare.compare(published, rerun)
        checks = check_files(contents, published, rerun, comparison=comparison, figures=vectors_of(analysis))
        return Recheck(tuple((checks | damage).values()), comparison, published=published, rerun=rerun, lacks=lacking)


def assume(bundle: str | Path, changes: Mapping[str, str], *, progress: Progress = unwatched) -> Results:
    """The results of a bundle's campaign under other assumptions: "site.drag_area" → as campaign.toml would have it.
    Raises CampaignError with every problem of the changes, or of the bundle."""
    with tempfile.TemporaryDirectory(prefix="cordlab-assume-") as place:
        _opened(bundle, Path(place))
        campaign = changed(read_campaign(Path(place) / INPUTS), changes)
        return results_of(analyse(campaign, progress=progress))


def versus(first: str | Path, second: str | Path) -> Recheck:
    """Two published analyses compared, bundles or a results.json each; nothing is run again. Raises BundleError."""
    files: list[FileCheck] = []
    results = []
    for path in map(Path, (first, second)):
        is_zip = path.is_file() and zipfile.is_zipfile(path)
        with tempfile.TemporaryDirectory(prefix="cordlab-versus-") as place:
            damage, published = _opened(path, Path(place)) if is_zip else ({}, read_results(path))
        files += [replace(file, name=f"{path.name}: {file.name}") for file in damage.values()]
        results.append(published)
    old, new = results
    in_words = compare.headlines(old, new)
    return Recheck(tuple(files), compare.compare(old, new), headlines=in_words, published=old, rerun=new)


def _opened(bundle: str | Path, folder: Path) -> tuple[dict[str, FileCheck], Results]:
    """Unpack a bundle into `folder`: files that are not as its manifest says, and its results. Raises BundleError."""
    names = unpack(bundle, folder)
    if MANIFEST not in names and BEFORE in names:  # of layout 1: the same rows under another name, without the first
        data = (folder / BEFORE).read_bytes()
        (folder / BEFORE).rename(folder / MANIFEST).write_bytes(f"{FIRST_LINE}\n".encode() + data)
        names = [MANIFEST if name == BEFORE else name for name in names]
    if MANIFEST not in names:
        raise BundleError((f"there is no {MANIFEST} in it: it is not a bundle, or not a whole one",))
    listed = dict(read_manifest(folder))
    if len((folder / MANIFEST).read_bytes().splitlines()) != len(listed) + 1:
        what = "does not begin as cordlab's do, or not every row is a SHA-256 and the name of another file"
        raise BundleError((f"{MANIFEST}: {what}",))
    unlisted = {name: "is not in the manifest" for name in names if name not in listed and name != MANIFEST}
    damage = {name: FileCheck(name, DIFFERS, why) for name, why in (unlisted | altered(folder, listed)).items()}
    if RESULTS not in names and REPORT in names:
        files = [file.summary() for file in damage.values()] or ["its files are as the manifest says"]
        raise BundleError(("the report alone was published: there are no inputs to analyse again", *files))
    return damage, read_results(folder / RESULTS)


MOST_BYTES, MOST_VALUES, DEEPEST, LONGEST = 4 * 1024**2, 200_000, 20, 200
"""Of results.json: greatest size, number of values, tables in one another, characters of a key. A tenth is usual."""

_NUMBER = float | int
_ENDS = {"lightest": _NUMBER, "heaviest": _NUMBER, "governed_by": {"light": str, "heavy": str}}
_SHAPE = {
    "cordlab": str,
    "versions": (str,),
    "monte_carlo": (_NUMBER | None,),
    "campaign": {"title": str, "batch": str, "decision": dict | None, "digests": (str,)},
    "rating": {"rated": bool, "reasons": [str], "lightest": _NUMBER | None, "heaviest": _NUMBER | None},
    "drops": [{"drop": str, "cord": str, "jumps": int}],
    "predictions": [{"mass": _NUMBER}],
    "wear": dict | None,
    "lot": dict | None,
}
"""What is used of results before they are compared: a type, a table of keys, rows that are all alike, or, where there
is one, a table of any keys."""


def read_results(path: str | Path) -> Results:
    """results.json of an analysis, of this cordlab or of one that wrote the same keys. Raises BundleError."""
    path = Path(path)
    try:
        if path.exists() and not path.is_file():
            raise ValueError("is not a file")
        if path.stat().st_size > MOST_BYTES:
            raise ValueError(f"is longer than {MOST_BYTES} bytes; no analysis writes as much")
        text = path.read_text(encoding="utf-8")
        if text.count(",") > MOST_VALUES:
            raise ValueError(f"has more than {MOST_VALUES} values; no analysis writes as many")
        results = json.loads(
            text, object_pairs_hook=_table, parse_int=_number, parse_float=_number, parse_constant=_number
        )
        _check_shape(results, _SHAPE)
        if sum(len(place) > DEEPEST for place, _ in compare.leaves(results)):
            raise ValueError(f"tables stand in one another deeper than {DEEPEST}")
        if not re.fullmatch(r"[\w.+-]{1,40}", results["cordlab"]):
            raise ValueError(f"'cordlab' is {shown(results['cordlab'])}: that is no version")
        if type(layout := layout_of(results)) is not int or not 1 <= layout <= LAYOUT:  # True is an int, too
            raise ValueError(f"'layout' is {shown(layout)}: this cordlab reads layouts 1 to {LAYOUT}")
        if results["rating"]["rated"]:
            _check_shape(results["rating"], _ENDS)
    except OSError as error:
        raise BundleError((f"{path.name}: cannot be read ({error.strerror})",)) from error
    except (ValueError, RecursionError) as error:
        raise BundleError((f"{path.name}: is not the JSON of an analysis ({shown(error)})",)) from error
    return results


def _number(text: str) -> float:
    number = int(text) if re.fullmatch(r"-?\d{1,18}", text) else float(text)
    if not isfinite(number):
        raise ValueError(f"{shown(text)} is not a number that an analysis writes")
    return number


def _table(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) < len(pairs):
        raise ValueError("a key is there twice in one table")
    if long := [key for key in table if len(key) > LONGEST]:
        raise ValueError(f"a key has {len(long[0])} characters")
    return table


def _check_shape(value: Any, shape: Any, name: str = "it") -> None:
    """Raises ValueError where a value is not of this shape."""
    kinds: dict[type, Any] = {dict: dict, list: list, tuple: dict | None}
    if not isinstance(value, kinds.get(type(shape), shape)):
        raise ValueError(f"'{name}' is {shown(value)}: it is not the results of an analysis")
    if isinstance(shape, dict):
        for key, inner in shape.items():
            _check_shape(value.get(key), inner, key)
    elif isinstance(shape, list):
        for row in value:
            _check_shape(row, shape[0], f"a row of {name}")
    elif isinstance(shape, tuple):
        for inner in (value or {}).values():
            _check_shape(inner, shape[0], f"a value of {name}")


def check_files(
    contents: Mapping[str, bytes],
    published: Results,
    rerun: Results,
    *,
    comparison: Comparison,
    figures: Mapping[str, str],
) -> dict[str, FileCheck]:
    """Each file of a bundle (name → bytes) against the results and the figures of the analysis made anew."""
    known = [MANIFEST, RESULTS, *(INPUTS + name for name in rerun["campaign"]["digests"])]
    written = [name for name in contents if name in _DESCRIBING | {REPORT, PDF} or name.startswith(NOTEBOOKS)]
    checks = {name: FileCheck(name, NOT_COMPARED, "is no file that cordlab writes or reads") for name in contents}
    checks |= {name: FileCheck(name, AGREES) for name in known}
    layout, why = layout_of(published), "was not run again"
    if not comparison.agrees:
        why = f"with what follows from {RESULTS}, which differs itself"
        values = f"in {len(comparison.differing)} of {len(comparison.lines)} values"
        checks[RESULTS] = FileCheck(RESULTS, DIFFERS, values)
    elif layout != LAYOUT:
        why = f"with this cordlab, which writes layout {LAYOUT}: the bundle is of layout {layout}"
        values = f"in {comparison.counts.get(compare.ONE_LAYOUT, 0)} values: they are {compare.ONE_LAYOUT}"
        checks[RESULTS] = FileCheck(RESULTS, NOT_COMPARED, values)
    elif not comparison.alike:
        why = f"with what follows from {RESULTS}: with other random draws it has other judgements here"
    checks |= {name: FileCheck(name, NOT_COMPARED, why) for name in written}
    if not comparison.agrees or layout != LAYOUT or not comparison.alike:
        return checks
    page = contents.get(REPORT, b"").decode(errors="replace")
    checks[REPORT] = _check_report(page, published, rerun, figures)
    of_cordlab = {name: data for name, data in contents.items() if name in known or name in written}
    checks |= _check_descriptions(of_cordlab, published)
    if PDF in contents:  # the same bytes as the PDF of the same page, or not to be compared
        why = "it is not the PDF that is made of it here"
        try:
            if checks[REPORT].verdict == AGREES and pdf(page) == contents[PDF]:
                return checks | {PDF: FileCheck(PDF, AGREES)}
        except PdfError as error:
            why = str(error)
        checks[PDF] = FileCheck(PDF, NOT_COMPARED, f"with {REPORT}: {why}")
    return checks


def _check_report(page: str, published: Results, rerun: Results, figures: Mapping[str, str]) -> FileCheck:
    """The words against those that the bundle's own results give, which agree; figures against those drawn anew."""
    pages = (render(published, figures, second_units=choice) for choice in (None, False, True))
    texts = _FIGURE.split(page)[::2]
    expected = next((candidate for candidate in pages if _FIGURE.split(candidate)[::2] == texts), None)
    if expected is None:
        own = _FIGURE.split(render(published, figures))[::2]
        known = [_words(line) for text in own for line in text.splitlines()]
        lines = (_words(line) for text in texts for line in text.splitlines())
        words = next((line for line in lines if line and line not in known), "the same words in other marks")
        return _otherwise(REPORT, f"says what does not follow from {RESULTS}: '{shown(words, most=200)}'", published)
    pairs = zip(_FIGURE.findall(page), _FIGURE.findall(expected), strict=True)
    changed_figures = [after for before, after in pairs if not _same_figure(before, after)]
    names = ", ".join(figure.split('"')[1].removeprefix("figure-") for figure in changed_figures)
    if not names:
        return FileCheck(REPORT, AGREES)
    drawn_by = [(of.get("versions") or {}).get("matplotlib") for of in (published, rerun)]
    if compare.redrawn(published, rerun) or drawn_by[0] != drawn_by[1]:
        why = "drawn from other random draws or by another matplotlib"
        return FileCheck(REPORT, NOT_COMPARED, f"in all its figures: {names} were {why}")
    return _otherwise(REPORT, f"shows other figures than follow from its inputs: {names}", published)


def _check_descriptions(contents: Mapping[str, bytes], published: Results) -> dict[str, FileCheck]:
    """What says what is in the bundle, against the bundle; who published it, and how, is the publisher's own word."""
    others = {name: data for name, data in contents.items() if name not in _DESCRIBING | {MANIFEST}}
    try:
        expected = described(others, published, stated_in(contents))
    except ValueError as error:
        return {CRATE: FileCheck(CRATE, DIFFERS, f"is not the metadata of a bundle: {shown(error)}")}
    checks = {}
    for name, data in expected.items():
        checks[name] = FileCheck(name, AGREES)
        if contents.get(name) != data and (name != CRATE or json.loads(contents[name]) != json.loads(data)):
            checks[name] = _otherwise(name, "is not what follows from the other files", published)
    ran = contents.get(RAN, b"").decode(errors="replace").replace(",", "\n").replace("  #", "\n").splitlines()
    ways = "{}=={}", "# {} {}", " {1}", " {} {}"  # a package, Python, the kind of machine, the source
    versions = (published.get("versions") or {}).items()
    if lacking := [" ".join(of) for of in versions if not {way.format(*of) for way in ways} & {*ran}]:
        why = f"does not have what {RESULTS} says it was computed with: {', '.join(lacking)}"
        checks[RAN] = FileCheck(RAN, DIFFERS, why)
    return checks


def _otherwise(name: str, why: str, published: Results) -> FileCheck:
    """A file that differs; of another cordlab it may do so, and is not compared."""
    if published["cordlab"] == __version__:
        return FileCheck(name, DIFFERS, why)
    return FileCheck(name, NOT_COMPARED, f"with this cordlab, {__version__}: {published['cordlab']} wrote it; it {why}")


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
    return before[1] == after[1] and compare.near(before[2], after[2]) and compare.near(x, y)


def _plain(svg: str) -> str:
    """An <svg> whose ids, which are hashes of what is drawn, are numbered in their order."""
    order: dict[str, int] = {}
    return re.sub(r"\b[a-z][0-9a-f]{10}\b", lambda match: f"id-{order.setdefault(match[0], len(order))}", svg)


# The page that a reviewer reads: what agrees, what differs and by how much, what was not compared, which assumptions
# are somebody's judgement, and what other ones would change. Nothing in it is fetched or run.


def write_review(page: str, path: Path) -> None:
    """Write a review's page, over none but one of before. Raises ValueError, OSError."""
    if path.exists() and MARK not in path.read_bytes()[:500].decode(errors="replace"):
        raise ValueError(f"{path}: is there already and is no review of cordlab's; choose another name")
    with replacing(path) as part:
        part.write_text(page, encoding="utf-8")


def judgements(results: Results) -> Iterator[tuple[str, str, str]]:
    """What an answer rests on and no drop shows, as (what, value, by whom or how it is known)."""
    campaign = results["campaign"]
    for section, how in (("criteria", RULE), ("site", TYPE_B), ("rig", TYPE_B), ("decision", CHOICE)):
        for key, value in campaign[section].items():
            exact = isinstance(value, dict) and not value["u"]
            if value is not None:
                yield f"[{section}] {key}", said(value), f"{how}, held to be exact" if exact else how
    if campaign["viscosity"] is not None:
        yield "[cord] viscosity", said(campaign["viscosity"]), TYPE_B
    for row in (results.get("by_hand") or {}).get("told", ()):
        yield shown(row["choice"], most=300), shown(row["reason"], most=500), BY_HAND
    for finding in results.get("findings", ()):
        if finding["settled"]:
            yield shown(finding["what"], most=300), shown(finding["settled"], most=500), BY_HAND


def said(value: object) -> str:
    """A value of a campaign with its standard uncertainty, in SI."""
    if isinstance(value, dict) and "value" in value:
        return f"{value['value']:g}" + (f" (u = {value['u']:.3g})" if value["u"] else "")
    return " to ".join(map(shown, value)) if isinstance(value, list) else shown(value)


def review_page(
    checked: Recheck, *, name: str, changes: dict[str, str] | None = None, assumed: Results | None = None
) -> str:
    """The review of a bundle as one HTML text. assumed : its results with `changes`, which are `assume`'s."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["shown"] = shown
    template = environment.from_string((files("cordlab.bundle") / "review.html.j2").read_text(encoding="utf-8"))
    first, now = checked.published, checked.rerun
    moved = compare.compare(now, assumed) if assumed is not None and now is not None else None
    return template.render(
        name=name,
        checked=checked,
        version=__version__,
        most=MOST,
        answers=[compare.topics(of) if of is not None else None for of in (first, now, assumed)],
        differing=compare.differences(checked.comparison, now) if checked.comparison and now is not None else [],
        judgements=list(judgements(now)) if now is not None else [],
        changes=changes or {},
        moved=compare.differences(moved, now) if moved is not None and now is not None else [],
    )

"""A published bundle re-run: its files against their checksums, its numbers against an analysis made anew, its report
and what goes with it against what follows from those numbers. Nothing of it is run or unpickled: only its inputs are
read, as any campaign is."""

import json
import re
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Any

from cordlab.analysis import analyse
from cordlab.bundle.compare import Comparison, compare, headlines, layout_of, leaves, shown
from cordlab.bundle.described import INPUTS
from cordlab.bundle.documents import DIFFERS, NOT_COMPARED, REPORT, FileCheck, check_files
from cordlab.bundle.unpack import BundleError, unpack
from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.campaign.settings import LAYOUT, changed, lacks
from cordlab.report.page import results_of, vectors_of
from cordlab.report.results_folder import FIRST_LINE, MANIFEST, RESULTS, Results, altered, read_manifest
from cordlab.units import Progress, unwatched

BEFORE = "manifest-sha256.txt"
"""The manifest of a bundle of layout 1."""

__all__ = ["BundleError", "FileCheck", "Recheck", "compare", "read_results", "recheck", "versus"]


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
        texts = {name: list(getattr(self, name)) for name in ("problems", "headlines", "lacks")}
        files = [vars(file) for file in self.files]
        return {
            "agrees": self.agrees,
            "files": files,
            **texts,
            "comparison": self.comparison and self.comparison.to_dict(),
        }


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
        rerun, contents = results_of(analysis, before=published), _read(Path(place))
        comparison = compare(published, rerun)
        checks = check_files(contents, published, rerun, comparison=comparison, figures=vectors_of(analysis))
        return Recheck(tuple((checks | damage).values()), comparison, published=published, rerun=rerun, lacks=lacking)


def assume(bundle: str | Path, changes: Mapping[str, str], *, progress: Progress = unwatched) -> Results:
    """The results of a bundle's campaign under other assumptions: "site.drag_area" → as campaign.toml would have it.
    Raises CampaignError with every problem of the changes, or of the bundle."""
    with tempfile.TemporaryDirectory(prefix="cordlab-assume-") as place:
        _opened(bundle, Path(place))
        campaign = changed(read_campaign(Path(place) / INPUTS), changes)
        return results_of(analyse(campaign, progress=progress))


def _read(folder: Path) -> dict[str, bytes]:
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


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
    return Recheck(tuple(files), compare(old, new), headlines=headlines(old, new), published=old, rerun=new)


def _opened(bundle: str | Path, folder: Path) -> tuple[dict[str, FileCheck], Results]:
    """Unpack a bundle into `folder`: files that are not as its manifest says, and its results. Raises BundleError."""
    names = unpack(bundle, folder)
    if MANIFEST not in names and BEFORE in names:  # of layout 1: the same rows under another name, without the first
        data = (folder / BEFORE).read_bytes()
        (folder / BEFORE).rename(folder / MANIFEST).write_bytes(f"{FIRST_LINE}\n".encode() + data)
        names = [MANIFEST if name == BEFORE else name for name in names]
    damage = _altered(folder, names)
    if RESULTS not in names and REPORT in names:
        files = [file.summary() for file in damage.values()] or ["its files are as the manifest says"]
        raise BundleError(("the report alone was published: there are no inputs to analyse again", *files))
    return damage, read_results(folder / RESULTS)


MOST_BYTES, MOST_VALUES, DEEPEST, LONGEST = 4 * 1024**2, 200_000, 20, 200
"""Of results.json: greatest size, number of values, tables in one another, characters of a key. A tenth is usual."""

_SHAPE = {
    "cordlab": str,
    "versions": (str,),
    "monte_carlo": (float | int | None,),
    "campaign": {"title": str, "batch": str, "decision": dict | None, "digests": (str,)},
    "rating": {"rated": bool, "reasons": [str], "lightest": float | int | None, "heaviest": float | int | None},
    "drops": [{"drop": str, "cord": str, "jumps": int}],
    "predictions": [{"mass": float | int}],
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
        if sum(len(place) > DEEPEST for place, _ in leaves(results)):
            raise ValueError(f"tables stand in one another deeper than {DEEPEST}")
        if not re.fullmatch(r"[\w.+-]{1,40}", results["cordlab"]):
            raise ValueError(f"'cordlab' is {shown(results['cordlab'])}: that is no version")
        if type(layout := layout_of(results)) is not int or not 1 <= layout <= LAYOUT:  # True is an int, too
            raise ValueError(f"'layout' is {shown(layout)}: this cordlab reads layouts 1 to {LAYOUT}")
        rating = results["rating"]
        if rating["rated"]:
            _check_shape(
                rating, {"lightest": float | int, "heaviest": float | int, "governed_by": {"light": str, "heavy": str}}
            )
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
    if isinstance(shape, dict):
        _check_shape(value, dict, name)
        for key, inner in shape.items():
            _check_shape(value.get(key), inner, key)
    elif isinstance(shape, list):
        _check_shape(value, list, name)
        for row in value:
            _check_shape(row, shape[0], f"a row of {name}")
    elif isinstance(shape, tuple):
        _check_shape(value, dict | None, name)
        for inner in (value or {}).values():
            _check_shape(inner, shape[0], f"a value of {name}")
    elif not isinstance(value, shape):
        raise ValueError(f"'{name}' is {shown(value)}: it is not the results of an analysis")


def _altered(folder: Path, names: list[str]) -> dict[str, FileCheck]:
    """Files that are not as the manifest says, by name. Raises BundleError where no manifest can be read."""
    if MANIFEST not in names:
        raise BundleError((f"there is no {MANIFEST} in it: it is not a bundle, or not a whole one",))
    listed = dict(read_manifest(folder))
    if len((folder / MANIFEST).read_bytes().splitlines()) != len(listed) + 1:
        what = "does not begin as cordlab's do, or not every row is a SHA-256 and the name of another file"
        raise BundleError((f"{MANIFEST}: {what}",))
    damage = {name: "is not in the manifest" for name in names if name not in listed and name != MANIFEST}
    damage |= altered(folder, listed)
    return {name: FileCheck(name, DIFFERS, why) for name, why in damage.items()}

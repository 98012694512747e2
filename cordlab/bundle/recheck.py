"""A published bundle re-run: its files against their checksums, its numbers against an analysis made anew, its report
and what goes with it against what follows from those numbers. Nothing of it is run or unpickled: only its inputs are
read, as any campaign is."""

import json
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn

from cordlab.analysis import analyse
from cordlab.bundle.compare import Comparison, compare, headlines, layout_of
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
        with tempfile.TemporaryDirectory(prefix="cordlab-versus-") as place:
            damage, published = _opened(path, Path(place)) if zipfile.is_zipfile(path) else ({}, read_results(path))
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


def read_results(path: str | Path) -> Results:
    """results.json of an analysis, of this cordlab or of one that wrote the same keys. Raises BundleError."""
    path = Path(path)
    try:
        results = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse)
    except OSError as error:
        raise BundleError((f"{path.name}: cannot be read ({error.strerror})",)) from error
    except (ValueError, RecursionError) as error:
        raise BundleError((f"{path.name}: is not the JSON of an analysis ({error})",)) from error
    for key, kind in {"cordlab": str, "campaign": dict, "predictions": list, "rating": dict}.items():
        if not isinstance(results, dict) or not isinstance(results.get(key), kind):
            raise BundleError((f"{path.name}: has no '{key}'; it is not the results of an analysis",))
    return results


def _refuse(constant: str) -> NoReturn:
    raise ValueError(f"{constant} is not a number that an analysis writes")


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

"""A published bundle re-run: its files against their checksums, its numbers against an analysis made anew. Nothing of
it is run or unpickled: only its inputs are read, as any campaign is."""

import json
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from cordlab.analysis import analyse
from cordlab.bundle.compare import Comparison, compare, headlines
from cordlab.bundle.publish import INPUTS
from cordlab.bundle.unpack import BundleError, unpack
from cordlab.campaign.campaign import CampaignError, read_campaign
from cordlab.report.page import results_of
from cordlab.report.results_folder import MANIFEST, RESULTS, Results, altered, read_manifest
from cordlab.units import Progress, unwatched

__all__ = ["BundleError", "Recheck", "compare", "read_results", "recheck", "versus"]


@dataclass(frozen=True)
class Recheck:
    """What a bundle, or each of two, turned out to be."""

    altered: tuple[str, ...]  # files that are not what the manifest says, one message each
    comparison: Comparison | None  # with the analysis made anew, or the other bundle; None where it could not be made,
    problems: tuple[str, ...] = ()  # and why
    headlines: tuple[str, ...] = ()  # of two bundles, what changed in words

    @property
    def agrees(self) -> bool:
        return not self.altered and self.comparison is not None and self.comparison.agrees

    def summary(self) -> str:
        files = [f"altered: {message}" for message in self.altered]
        rest = [self.comparison.summary()] if self.comparison else [f"not re-run: {text}" for text in self.problems]
        if self.headlines:
            return "\n".join([*files, *self.headlines, *rest])
        head = "the bundle agrees with its inputs" if self.agrees else "THE BUNDLE DIFFERS"
        return "\n".join([head, *(files or ["every file is as the manifest says"]), *rest])

    def to_dict(self) -> dict[str, object]:
        texts = {name: list(getattr(self, name)) for name in ("altered", "problems", "headlines")}
        return {"agrees": self.agrees, **texts, "comparison": self.comparison and self.comparison.to_dict()}


def recheck(bundle: str | Path, *, progress: Progress = unwatched) -> Recheck:
    """Check the files of a bundle, run its analysis again with this cordlab, and compare every number.

    progress : as for `analyse`. Raises BundleError where the zip is refused, or is no bundle.
    """
    with tempfile.TemporaryDirectory(prefix="cordlab-recheck-") as place:
        damage, published = _opened(bundle, Path(place))
        try:
            campaign = read_campaign(Path(place) / INPUTS)
            new = results_of(analyse(campaign, progress=progress), before=published)
        except CampaignError as error:
            return Recheck(damage, None, error.problems)
        return Recheck(damage, compare(published, new))


def versus(first: str | Path, second: str | Path) -> Recheck:
    """Two published analyses compared, bundles or a results.json each; nothing is run again. Raises BundleError."""
    damage, results = [], []
    for path in map(Path, (first, second)):
        with tempfile.TemporaryDirectory(prefix="cordlab-versus-") as place:
            problems, published = _opened(path, Path(place)) if zipfile.is_zipfile(path) else ((), read_results(path))
        damage += [f"{path.name}: {message}" for message in problems]
        results.append(published)
    return Recheck(tuple(damage), compare(*results), headlines=headlines(*results))


def _opened(bundle: str | Path, folder: Path) -> tuple[tuple[str, ...], Results]:
    """Unpack a bundle into `folder`: which files are not as the manifest says, and its results. Raises BundleError."""
    names = unpack(bundle, folder)
    damage = _altered(folder, names)
    if RESULTS not in names and "report.html" in names:
        files = damage or ("its files are as the manifest says",)
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


def _altered(folder: Path, names: list[str]) -> tuple[str, ...]:
    """Every file against the manifest. Raises BundleError where there is no manifest that can be read."""
    if MANIFEST not in names:
        raise BundleError((f"there is no {MANIFEST} in it: it is not a bundle, or not a whole one",))
    listed = read_manifest(folder)
    if len((folder / MANIFEST).read_bytes().splitlines()) != len(listed):
        raise BundleError((f"{MANIFEST}: not every row is a SHA-256 and the name of another file",))
    unlisted = (f"{name} is not in the manifest" for name in names if name not in listed and name != MANIFEST)
    return (*unlisted, *altered(folder, listed))

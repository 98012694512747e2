"""A published bundle re-run: its files against their checksums, its numbers against an analysis made anew.

Nothing of the bundle is run and nothing unpickled: only the inputs are read, as any campaign is.
"""

import hashlib
import json
import re
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cordlab.analysis import analyse
from cordlab.campaign import CampaignError, read_campaign
from cordlab.compare import Comparison, compare
from cordlab.publish import INPUTS, MANIFEST, RESULTS
from cordlab.report import results_of
from cordlab.unpack import BundleError, unpack

__all__ = ["BundleError", "Recheck", "compare", "read_results", "recheck"]


@dataclass(frozen=True)
class Recheck:
    """What a bundle turned out to be.

    altered : files that are not what the manifest says, one message each
    comparison : the published numbers against those of the analysis made anew; None where it could not be made
    problems : why it could not
    """

    altered: tuple[str, ...]
    comparison: Comparison | None
    problems: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        return not self.altered and self.comparison is not None and self.comparison.agrees

    def summary(self) -> str:
        head = "the bundle agrees with its inputs" if self.agrees else "THE BUNDLE DIFFERS"
        files = [f"altered: {message}" for message in self.altered] or ["every file is as the manifest says"]
        rest = [self.comparison.summary()] if self.comparison else [f"not re-run: {text}" for text in self.problems]
        return "\n".join([head, *files, *rest])

    def to_dict(self) -> dict[str, Any]:
        return {
            "agrees": self.agrees,
            "altered": list(self.altered),
            "problems": list(self.problems),
            "comparison": self.comparison and self.comparison.to_dict(),
        }


def recheck(bundle: str | Path, *, progress: Callable[..., Iterable] | None = None) -> Recheck:
    """Check the files of a bundle, run its analysis again with this cordlab, and compare every number.

    progress : as for `analyse`. Raises BundleError where the zip is refused, or is no bundle.
    """
    with tempfile.TemporaryDirectory(prefix="cordlab-recheck-") as place:
        folder = Path(place)
        names = unpack(bundle, folder)
        altered = _altered(folder, names)
        published = read_results(folder / RESULTS)
        try:
            campaign = read_campaign(folder / INPUTS)
            new = json.loads(json.dumps(results_of(analyse(campaign, progress=progress))))
        except CampaignError as error:
            return Recheck(altered, None, error.problems)
        return Recheck(altered, compare(published, new), ())


def read_results(path: str | Path) -> dict[str, Any]:
    """results.json of an analysis, of this cordlab or of one that wrote the same keys. Raises BundleError."""
    path = Path(path)
    try:
        found = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse)
    except OSError as error:
        raise BundleError((f"{path.name}: cannot be read ({error.strerror})",)) from error
    except (ValueError, RecursionError) as error:
        raise BundleError((f"{path.name}: is not the JSON of an analysis ({error})",)) from error
    needed = {"cordlab": str, "campaign": dict, "predictions": list, "rating": dict}
    for key, kind in needed.items():
        if not isinstance(found, dict) or not isinstance(found.get(key), kind):
            raise BundleError((f"{path.name}: has no '{key}'; it is not the results of an analysis",))
    return found


def _refuse(constant: str) -> Any:
    raise ValueError(f"{constant} is not a number that an analysis writes")


def _altered(folder: Path, names: list[str]) -> tuple[str, ...]:
    """Every file against the manifest. Raises BundleError where there is no manifest that can be read."""
    if MANIFEST not in names:
        raise BundleError((f"there is no {MANIFEST} in it: it is not a bundle, or not a whole one",))
    listed = {}
    lines = (folder / MANIFEST).read_text(encoding="utf-8", errors="replace").splitlines()
    for number, line in enumerate(lines, start=1):
        match = re.fullmatch(r"([0-9a-f]{64})  (.+)", line)
        if match is None:
            raise BundleError((f"{MANIFEST}, row {number}: is not a SHA-256 and a file name",))
        listed[match[2]] = match[1]
    found = []
    for name in names:
        if name == MANIFEST:
            continue
        if name not in listed:
            found.append(f"{name} is not in the manifest")
        elif _digest(folder / name) != listed[name]:
            found.append(f"{name} is not the file that was published")
    found += [f"{name} is missing" for name in listed if name not in names]
    return tuple(found)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()

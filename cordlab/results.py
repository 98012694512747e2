"""The results folder of a campaign: replaced as a whole, and told apart when it is stale, damaged or missing."""

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from cordlab import __version__
from cordlab.campaign import Campaign, optional_inputs
from cordlab.folder import Folder

MANIFEST = "manifest-sha256.txt"
RESULTS = "results.json"


@dataclass(frozen=True)
class ResultsState:
    """Where a results folder stands, and why.

    state : "fresh" (whole, of these very inputs, by this cordlab); "stale" (whole, of other inputs or by another
        cordlab); "damaged" (not the files that were written); "missing"
    """

    path: Path
    state: Literal["fresh", "stale", "damaged", "missing"]
    reasons: tuple[str, ...] = ()

    def summary(self) -> str:
        words = {"stale": "stale, analyse again", "damaged": "damaged, analyse again"}
        return f"{self.path} is {words.get(self.state, self.state)}" + "".join(f"; {text}" for text in self.reasons)


def results_state(campaign: Campaign | str | Path, *, results: str | Path | None = None) -> ResultsState:
    """Where the results of a campaign stand; reads and hashes files, changes nothing, raises nothing.

    campaign : its folder, or the campaign as read (then its inputs are not hashed again)
    results : their folder, if not `results` in the campaign's own
    """
    folder = campaign.folder if isinstance(campaign, Campaign) else Path(campaign)
    path = folder / "results" if results is None else Path(results)
    if not (path / MANIFEST).exists() and not (path / RESULTS).exists():
        return ResultsState(path, "missing")
    try:
        if damage := _damage(path):
            return ResultsState(path, "damaged", damage)
        written = json.loads((path / RESULTS).read_text(encoding="utf-8"))
        version, digests = written["cordlab"], written["campaign"]["digests"]
        found = () if version == __version__ else (f"written by cordlab {version}, this is {__version__}",)
        if isinstance(campaign, Campaign):
            found += _differences(digests, campaign.digests)
        else:
            found += changes(folder, digests)
    except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
        return ResultsState(path, "damaged", (f"cannot be read ({error})",))
    return ResultsState(path, "stale" if found else "fresh", found)


def changes(folder: Path, digests: Mapping[str, str]) -> tuple[str, ...]:
    """What differs between the inputs in a campaign's folder now and those with these digests; one message a file."""
    files = Folder(folder)
    for name in {*digests, *optional_inputs(files)}:
        files.read(name)
    return _differences(digests, files.digests)


def _differences(before: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    found = []
    for name in sorted({*before, *now}):
        if name not in now:
            found.append(f"{name} is gone, or cannot be read")
        elif name not in before:
            found.append(f"{name} is new")
        elif before[name] != now[name]:
            found.append(f"{name} has changed")
    return tuple(found)


def _damage(path: Path) -> tuple[str, ...]:
    """What differs between a results folder and its manifest. Raises OSError."""
    if not (path / MANIFEST).exists():
        return (f"there is no {MANIFEST}: not written to the end, or by a cordlab before there was one",)
    lines = re.findall(r"^([0-9a-f]{64})  (.+)$", (path / MANIFEST).read_text(encoding="utf-8"), re.MULTILINE)
    listed = {name: digest for digest, name in lines}
    if RESULTS not in listed:
        return (f"{MANIFEST} does not list {RESULTS}",)
    found = []
    for name, digest in listed.items():
        if not (path / name).is_file():
            found.append(f"{name} is missing")
        elif hashlib.sha256((path / name).read_bytes()).hexdigest() != digest:
            found.append(f"{name} is not the file that was written with the others")
    return tuple(found)

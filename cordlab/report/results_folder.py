"""The results folder of a campaign, replaced as a whole by two renames: the old one goes aside, the new one takes its
place. Where a run is killed between the two, whoever looks next puts the old one back."""

import glob
import hashlib
import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from cordlab import __version__
from cordlab.campaign.campaign import Campaign
from cordlab.campaign.files import changes, differences, listing

MANIFEST = "manifest-sha256.txt"
RESULTS = "results.json"
Results = Mapping[str, Any]
"""What results.json holds."""
PART, ASIDE = ".part", ".old"
"""Endings of hidden folders beside the results: being written or removed; whole, and aside for a moment."""
ABANDONED = 3600.0
"""Seconds after which a hidden folder that a run left behind is no longer in use: writing takes a few."""


class ResultsError(OSError):
    """Results that cannot be written; the message says where, why, and what became of those of before."""


@dataclass(frozen=True)
class ResultsState:
    """Where a results folder stands. Fresh: whole, of these very inputs, by this cordlab; stale: whole, of other inputs
    or by another cordlab; damaged: not the files that were written."""

    path: Path
    state: Literal["fresh", "stale", "damaged", "missing"]
    reasons: tuple[str, ...] = ()

    def summary(self) -> str:
        advice = ", analyse again" if self.state in ("stale", "damaged") else ""
        return "; ".join((f"{self.path} is {self.state}{advice}", *self.reasons))


def results_state(campaign: Campaign | str | Path, *, results: str | Path | None = None) -> ResultsState:
    """Where the results of a campaign (its folder, or as read: then it is not hashed again) stand, by default those in
    its `results`; those that a killed run moved aside are put back first. Raises nothing."""
    folder = campaign.folder if isinstance(campaign, Campaign) else Path(campaign)
    path = folder / "results" if results is None else Path(results)
    _put_back(Path(os.path.realpath(path)))
    if not (path / MANIFEST).exists() and not (path / RESULTS).exists():
        return ResultsState(path, "missing")
    try:
        listed = read_manifest(path)
        if RESULTS not in listed:
            there = (path / MANIFEST).exists()
            unlike = "not written to the end, or by a cordlab before there was one"
            reason = f"{MANIFEST} does not list {RESULTS}" if there else f"there is no {MANIFEST}: {unlike}"
            return ResultsState(path, "damaged", (reason,))
        if damage := altered(path, listed):
            return ResultsState(path, "damaged", tuple(f"{name} {what}" for name, what in damage.items()))
        written = json.loads((path / RESULTS).read_text(encoding="utf-8"))
        reasons, digests = [], written["campaign"]["digests"]
        if written["cordlab"] != __version__:
            reasons.append(f"written by cordlab {written['cordlab']}, this is {__version__}")
        if isinstance(campaign, Campaign):
            if (cord := written["campaign"].get("decision", {}).get("cord")) != campaign.decision.cord:
                reasons.append(f"they rate {f'cord {cord} by itself' if cord else 'the batch'}")
            reasons += differences(digests, campaign.digests)
        else:
            reasons += changes(folder, digests)
    except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
        return ResultsState(path, "damaged", (f"cannot be read ({error})",))
    return ResultsState(path, "stale" if reasons else "fresh", tuple(reasons))


def altered(folder: Path, listed: Mapping[str, str]) -> dict[str, str]:
    """Files of a manifest (name → SHA-256) that are missing or not the listed ones, and which. Raises OSError."""
    messages = {}
    for name, digest in listed.items():
        if not (folder / name).is_file():
            messages[name] = "is missing"
        elif hashlib.sha256((folder / name).read_bytes()).hexdigest() != digest:
            messages[name] = "is not the file that the manifest lists"
    return messages


def read_manifest(folder: Path) -> dict[str, str]:
    """Name → SHA-256 by the manifest in a folder; nothing where there is none. Raises OSError."""
    if not (folder / MANIFEST).is_file():
        return {}
    text = (folder / MANIFEST).read_text(encoding="utf-8", errors="replace")
    return {name: digest for digest, name in re.findall(r"^([0-9a-f]{64})  (.+)$", text, re.MULTILINE)}


def write_folder(out: str | Path, contents: Mapping[str, bytes]) -> Path:
    """Make the folder `out` hold these files (name → bytes) and a manifest beside what others put there; a run that is
    killed leaves those of before, or damage where the folder `_must_stay`. Raises ResultsError."""
    try:
        digests = {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()}
        _write(Path(os.path.realpath(out)), {**contents, MANIFEST: listing(digests).encode()})
    except ResultsError:
        raise
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        raise ResultsError(f"{out}: cannot be written: {error.strerror}{where}; what was there is unchanged") from error
    return Path(out)


def _write(out: Path, contents: Mapping[str, bytes]) -> None:
    _put_back(out)
    paths = [path for path in out.rglob("*") if path.is_symlink() or not path.is_dir()]
    present = sorted(path.relative_to(out).as_posix() for path in paths)  # as "figures/a.svg"
    ours = {MANIFEST, RESULTS, *read_manifest(out), *contents}
    others = [name for name in present if name not in ours]
    if not {MANIFEST, RESULTS} & {*present} and any(not name.startswith(".") for name in others):
        raise ResultsError(f"{out}: holds {others[0]!r} and no results; choose a new or an empty folder")
    out.parent.mkdir(parents=True, exist_ok=True)
    stays = _must_stay(out)
    place = out if stays else out.parent
    _sweep(place, out.name)
    made = place / f".{out.name}-{secrets.token_hex(8)}{PART}"
    try:
        made.mkdir()
        for name, data in contents.items():
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_bytes(data)
        if stays:
            _replace_each(made, out, list(contents), [name for name in present if name in ours - contents.keys()])
        else:
            for name in others:
                (made / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(out / name, made / name, follow_symlinks=False)
            _take_place(made, out)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _must_stay(out: Path) -> bool:
    """Whether a folder cannot be changed for another: mounted, in a closed place, or somebody's working folder."""
    closed = not os.access(out.parent, os.W_OK) or os.path.ismount(out)
    return out.is_dir() and (closed or Path.cwd().is_relative_to(out))


def _left(place: Path, name: str, ending: str) -> list[tuple[float, Path]]:
    """Hidden folders that runs left in `place`, with when they were written [s], the oldest first."""
    left = []
    for path in place.glob(f".{glob.escape(name)}-*{ending}"):
        with suppress(FileNotFoundError):  # another run removes it
            left.append((path.stat().st_mtime, path))
    return sorted(left)


def _sweep(place: Path, name: str) -> None:
    """Remove what killed runs left: folders aside that were replaced, and half-written ones after an hour."""
    asides = _left(place, name, ASIDE)
    if (place / name).is_dir():  # looked for after they were listed: each of them has a successor
        for _, aside in asides:
            _remove(aside)
    for written, part in _left(place, name, PART):
        if time.time() - written > ABANDONED:
            shutil.rmtree(part, ignore_errors=True)


def _take_place(made: Path, out: Path) -> None:
    """Put the folder `made` in the place of `out`, by two renames."""
    try:
        while made.exists():
            aside = out.with_name(f".{out.name}-{secrets.token_hex(8)}{ASIDE}")
            with suppress(FileNotFoundError):  # there is no `out` yet
                out.rename(aside)
            try:
                made.rename(out)
            except OSError:
                if not out.is_dir():  # or else another run came between: its folder goes aside too
                    raise
    finally:
        _put_back(out)
    _remove(aside)


def _put_back(out: Path) -> None:
    """Where there is no `out`, the newest folder that a run moved aside takes its name again."""
    if not out.exists():
        for _, aside in _left(out.parent, out.name, ASIDE)[-1:]:
            with suppress(OSError):  # another run put it back, or has new results in its place
                aside.rename(out)


def _remove(aside: Path) -> None:
    """Remove a folder that went aside; renamed first, so that half of it is never put back."""
    with suppress(FileNotFoundError):  # another run has put it back, or removed it
        shutil.rmtree(aside.rename(aside.with_suffix(PART)), ignore_errors=True)


def _replace_each(made: Path, out: Path, names: list[str], gone: list[str]) -> None:
    """One file after the other, the manifest last; then those of before that are no more."""
    try:
        for name in names:
            (out / name).parent.mkdir(exist_ok=True)
            os.replace(made / name, out / name)
        for name in gone:
            (out / name).unlink(missing_ok=True)
    except OSError as error:
        message = f"{out}: is half replaced: {error.strerror} ({error.filename}); close what has it open and run again"
        raise ResultsError(message) from error

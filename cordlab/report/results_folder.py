"""The results folder of a campaign: replaced as a whole, and told apart when it is stale, damaged or missing."""

import ctypes
import glob
import hashlib
import json
import os
import re
import secrets
import shutil
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from cordlab import __version__
from cordlab.campaign.campaign import Campaign
from cordlab.campaign.files import changes, differences

MANIFEST = "manifest-sha256.txt"
RESULTS = "results.json"
PART = ".part"
ABANDONED = 3600.0
"""Seconds after which a hidden folder that a run left behind is no longer in use: writing takes a few."""

AT_FDCWD, RENAME_EXCHANGE, RENAME_SWAP = -100, 2, 2  # of Linux <fcntl.h>, <linux/fs.h> and macOS <sys/stdio.h>


class ResultsError(OSError):
    """Results that cannot be written; the message says where, why, and what became of those of before."""


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
        advice = ", analyse again" if self.state in ("stale", "damaged") else ""
        return "; ".join((f"{self.path} is {self.state}{advice}", *self.reasons))


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
        found: tuple[str, ...] = ()
        if version != __version__:
            found += (f"written by cordlab {version}, this is {__version__}",)
        if isinstance(campaign, Campaign):
            found += differences(digests, campaign.digests)
        else:
            found += changes(folder, digests)
    except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
        return ResultsState(path, "damaged", (f"cannot be read ({error})",))
    return ResultsState(path, "stale" if found else "fresh", found)


def _damage(path: Path) -> tuple[str, ...]:
    """What differs between a results folder and its manifest. Raises OSError."""
    if not (path / MANIFEST).exists():
        return (f"there is no {MANIFEST}: not written to the end, or by a cordlab before there was one",)
    listed = _listed(path)
    if RESULTS not in listed:
        return (f"{MANIFEST} does not list {RESULTS}",)
    found = []
    for name, digest in listed.items():
        if not (path / name).is_file():
            found.append(f"{name} is missing")
        elif hashlib.sha256((path / name).read_bytes()).hexdigest() != digest:
            found.append(f"{name} is not the file that was written with the others")
    return tuple(found)


def _listed(path: Path) -> dict[str, str]:
    """Name → SHA-256 by the manifest of a results folder; nothing where there is none. Raises OSError."""
    if not (path / MANIFEST).is_file():
        return {}
    text = (path / MANIFEST).read_text(encoding="utf-8", errors="replace")
    return {name: digest for digest, name in re.findall(r"^([0-9a-f]{64})  (.+)$", text, re.MULTILINE)}


def write_folder(out: str | Path, contents: Mapping[str, bytes]) -> Path:
    """Make the folder `out` hold these files (name → bytes) and a manifest of them: at every moment the old or the new.

    They are made in a hidden folder beside `out`, which changes places with it in one step of the file system. Where
    there is no such step (Windows, a mounted folder, some network disks) files are replaced one by one, the manifest
    last: a run that is killed meanwhile leaves a folder that `results_state` calls damaged. What others put into `out`
    is carried over; of our own files only the new ones stay. Raises ResultsError.
    """
    listing = "".join(f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in sorted(contents.items()))
    try:
        _write(Path(os.path.realpath(out)), {**contents, MANIFEST: listing.encode()})
    except ResultsError:
        raise
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        raise ResultsError(f"{out}: cannot be written: {error.strerror}{where}; what was there is unchanged") from error
    return Path(out)


def _write(out: Path, contents: Mapping[str, bytes]) -> None:
    present = _names(out)
    ours = {MANIFEST, RESULTS, *_listed(out), *contents}
    others = [name for name in present if name not in ours]
    if not {MANIFEST, RESULTS} & {*present} and any(not name.startswith(".") for name in others):
        raise ResultsError(f"{out}: holds {others[0]!r} and no results; choose a new or an empty folder")
    out.parent.mkdir(parents=True, exist_ok=True)
    place = out if _must_stay(out) else out.parent
    _sweep(place, out.name)
    made = place / f".{out.name}-{secrets.token_hex(8)}{PART}"
    try:
        made.mkdir()
        for name, data in contents.items():
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_bytes(data)
        if place == out or not _take_place(made, out, others):
            _replace_each(made, out, list(contents), [name for name in present if name in ours - contents.keys()])
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _names(folder: Path) -> list[str]:
    """The files in a folder and in those inside it, as "figures/a.svg"; none where there is no such folder."""
    found = [path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir()]
    return sorted(path.relative_to(folder).as_posix() for path in found)


def _must_stay(out: Path) -> bool:
    """Whether a folder cannot be changed for another: mounted, in a place that is closed, or somebody's own place."""
    closed = not os.access(out.parent, os.W_OK) or os.path.ismount(out)
    return out.is_dir() and (closed or Path.cwd().is_relative_to(out))


def _sweep(place: Path, name: str) -> None:
    """Remove what runs that were killed left behind an hour ago or more; younger ones may belong to a run."""
    for left in place.glob(f".{glob.escape(name)}-*{PART}"):
        with suppress(FileNotFoundError):  # another run sweeps too
            if time.time() - left.stat().st_mtime > ABANDONED:
                shutil.rmtree(left, ignore_errors=True)


def _take_place(made: Path, out: Path, others: list[str]) -> bool:
    """Put `made` in the place of `out` in one step, with what others left there; False where the system has none."""
    for name in others:
        (made / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(out / name, made / name, follow_symlinks=False)
    try:
        made.rename(out)  # where there is no `out` yet, or an empty one
    except OSError:
        if not out.is_dir():
            raise
        return _exchange(made, out)
    return True


def _exchange(one: Path, other: Path) -> bool:
    """Two folders change places: renameat2 of Linux, renamex_np of macOS. False where the system cannot."""
    if sys.platform not in ("linux", "darwin"):
        return False
    system = ctypes.CDLL(None, use_errno=True)
    names = os.fsencode(one), os.fsencode(other)
    try:
        if sys.platform == "linux":
            failed = system.renameat2(AT_FDCWD, names[0], AT_FDCWD, names[1], RENAME_EXCHANGE)
        else:
            failed = system.renamex_np(*names, RENAME_SWAP)
    except AttributeError:  # a C library without it
        return False
    return not failed


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

"""The results folder of a campaign, replaced as a whole by two renames: the old one goes aside, the new one takes its
place. Where a run is killed between the two, whoever looks next puts the old one back. Only files that the manifest
lists, unchanged since, are replaced or removed: all others stay."""

import glob
import hashlib
import json
import os
import re
import shutil
import time
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from secrets import token_hex
from tempfile import TemporaryDirectory
from typing import Any, Literal

from cordlab import __version__
from cordlab.campaign.campaign import Campaign
from cordlab.campaign.files import Folder, changes, differences, listing

MANIFEST = "cordlab-sha256.txt"
FIRST_LINE = f"# written by cordlab, as are the files below; to find damage: sha256sum -c {MANIFEST}"
RESULTS = "results.json"
Results = Mapping[str, Any]
"""What results.json holds."""
PART, ASIDE, GONE = ".part", ".old", ".gone"
"""Endings of hidden folders beside the results: being written; whole, aside for a moment; replaced, to be removed."""
ABANDONED = 3600.0
"""Seconds after which a hidden folder that a run left behind is no longer in use: writing takes a few."""


class ResultsError(OSError):
    """Results that cannot be written; the message says where, why, and what became of those of before."""


@dataclass(frozen=True)
class ResultsState:
    """Where a results folder stands by its own word: checksums show damage, not who wrote a file. Fresh: whole, of
    these inputs, by this cordlab; stale: whole, of other inputs or by another cordlab; damaged: not as it is listed."""

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
    _tidy(Path(os.path.realpath(path)))
    try:
        rows = read_manifest(path)
        listed = dict(rows)
        if not rows and not (path / RESULTS).exists():
            return ResultsState(path, "missing")
        if RESULTS not in listed or len(listed) < len(rows):
            what = f"lists its {RESULTS}" if RESULTS not in listed else "lists each of its files once"
            return ResultsState(path, "damaged", (f"no {MANIFEST} of cordlab's {what}",))
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
    """Files of a manifest (name → SHA-256) that are missing, links, or not the listed ones, and which."""
    messages, files = {}, Folder(folder)
    for name, digest in listed.items():
        if files.read(name) is None:
            messages[name] = "is missing, no file, or too large"
        elif files.digests[name] != digest:
            messages[name] = "is not the file that the manifest lists"
    return messages


def manifest(files: Iterable[tuple[str, str]]) -> bytes:
    """The text of a manifest of files, each a name and its SHA-256."""
    return f"{FIRST_LINE}\n{listing(files)}".encode()


def read_manifest(folder: Path) -> list[tuple[str, str]]:
    """Name and SHA-256 of each file by cordlab's manifest in a folder, of no file outside; nothing where there is none.
    Raises OSError."""
    data = Folder(folder).read(MANIFEST) or b""
    first, *rest = data.decode(errors="replace").splitlines() or [""]
    rows = [re.fullmatch(r"([0-9a-f]{64})  ([^/].*)", row) for row in rest if first == FIRST_LINE]
    return [(row[2], row[1]) for row in rows if row and not {".", "..", ""} & {*re.split(r"[/\\]", row[2])}]


def read_listed(folder: Path) -> dict[str, bytes]:
    """The files of a results folder as its manifest lists them. Raises CampaignError where one is another by now."""
    listed, files = dict(read_manifest(folder)), Folder(folder)
    contents = {name: files.read(name) or b"" for name in listed}
    for change in differences(listed, files.digests):
        files.problem(str(folder), f"{change} since it was looked at")
    files.stop()
    return contents


def _ours(folder: Path) -> set[str]:
    """Names of the files that cordlab's manifest in a folder lists, and that have not changed since."""
    listed, files = read_manifest(folder), Folder(folder)
    for name in dict(listed):
        files.read(name)
    return {name for name, digest in listed if files.digests.get(name) == digest}


def others(folder: Path) -> list[str]:
    """What a results folder holds that cordlab did not write there, or that has changed since; sorted names."""
    ours = {*_ours(folder), MANIFEST} if read_manifest(folder) else set()
    names = []
    for place, inner, files in os.walk(folder):  # goes on where another run takes the place of the folder meanwhile
        links = [name for name in inner if os.path.islink(os.path.join(place, name))]
        names += [Path(place, name).relative_to(folder).as_posix() for name in (*files, *links)]  # as "figures/a.svg"
    return [name for name in sorted(names) if name not in ours and not name.startswith(f".{folder.name}-")]


def check_place(out: Path, names: Iterable[str]) -> None:
    """Raises ResultsError where files of these names would take the place of what cordlab did not write."""
    advice = "move it away, or choose a new or an empty folder"
    listed, there = read_manifest(out), others(out)
    while listed != (now := read_manifest(out)):  # another run took the place of the folder while it was looked at
        listed, there = now, others(out)
    if not listed and (visible := [name for name in there if not name.startswith(".")]):
        raise ResultsError(f"{out}: holds {visible[0]!r} and no results that this cordlab wrote; {advice}")
    for name in there:
        if any(f"{new}/".startswith(f"{name}/") or name.startswith(f"{new}/") for new in names):
            raise ResultsError(f"{out}: {name!r} is not as cordlab wrote it, and is not replaced; {advice}")


def write_folder(out: str | Path, contents: Mapping[str, bytes]) -> Path:
    """Make the folder `out` hold these files (name → bytes) and a manifest beside what others put there; a run that is
    killed leaves those of before, or damage where the folder `_must_stay`. Raises ResultsError."""
    place = Path(os.path.realpath(out))
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()}
    contents = {**contents, MANIFEST: manifest(digests.items())}
    try:
        _tidy(place)
        check_place(place, contents)
        place.parent.mkdir(parents=True, exist_ok=True)
        stays = _must_stay(place)
        where: Any = {"dir": place if stays else place.parent, "prefix": f".{place.name}-", "suffix": PART}
        for written, part in _left(where["dir"], place.name, "?" * 8 + PART):
            if time.time() - written > ABANDONED:
                shutil.rmtree(part, ignore_errors=True)
        with TemporaryDirectory(**where, ignore_cleanup_errors=True) as scratch:
            made = Path(scratch, place.name)
            for name, data in contents.items():
                (made / name).parent.mkdir(parents=True, exist_ok=True)
                (made / name).write_bytes(data)
            if stays:
                _replace_each(made, place, digests)
            else:
                _take_place(made, place)
    except ResultsError:
        raise
    except OSError as error:
        why = f"{error.strerror} ({error.filename})" if error.filename else str(error.strerror)
        raise ResultsError(f"{out}: cannot be written: {why}; what was there is unchanged") from error
    return Path(out)


def _must_stay(out: Path) -> bool:
    """Whether a folder cannot be changed for another: mounted, in a closed place, or somebody's working folder."""
    closed = not os.access(out.parent, os.W_OK) or os.path.ismount(out)
    return out.is_dir() and (closed or Path.cwd().is_relative_to(out))


def _left(place: Path, name: str, ending: str) -> list[tuple[float, Path]]:
    """Hidden folders that runs left in `place`, with when they were written [s], the oldest first."""
    left = []
    for path in place.glob(f".{glob.escape(name)}-{ending}"):
        with suppress(FileNotFoundError):  # another run removes it
            left.append((path.stat().st_mtime, path))
    return sorted(left)


def _take_place(made: Path, out: Path) -> None:
    """Put the folder `made` in the place of `out`, by two renames."""
    try:
        while made.exists():
            with suppress(FileNotFoundError):  # there is no `out` yet
                out.rename(out.with_name(f".{out.name}-{token_hex(8)}{ASIDE}"))
            try:
                made.rename(out)
            except OSError:
                if not out.is_dir():  # or else another run came between: its folder goes aside too
                    raise
    finally:
        _tidy(out)


def _tidy(out: Path) -> None:
    """Where there is no `out`, the newest folder that a run moved aside takes its name again. The others, and those
    that were replaced, are removed; what is not cordlab's in them goes back into `out` first, beside any file of its
    name."""
    asides, gone = ([path for _, path in _left(out.parent, out.name, "[0-9a-f]" * 16 + end)] for end in (ASIDE, GONE))
    with suppress(OSError):  # another run does the same, or the place is closed
        if asides and not out.exists():
            asides.pop().rename(out)
        for aside in asides:  # `out` was looked for after they were listed: each of them has a successor
            gone.append(aside.rename(aside.with_suffix(GONE)))
        for folder in gone:
            for path in folder.rglob("*"):
                if path.is_dir() and not path.is_symlink():
                    (out / path.relative_to(folder)).mkdir(parents=True, exist_ok=True)
            for name in others(folder):
                free = f"{name}.{token_hex(4)}" if os.path.lexists(out / name) else name
                (folder / name).rename(out / free)
            shutil.rmtree(folder)


def _replace_each(made: Path, out: Path, digests: Mapping[str, str]) -> None:
    """One file after the other, then those of before that are no more; meanwhile the manifest lists all of them."""
    before, gone = read_manifest(out), _ours(out) - digests.keys()
    try:
        (made / "both").write_bytes(manifest({*before, *digests.items()}))
        os.replace(made / "both", out / MANIFEST)
        for name in digests:
            (out / name).parent.mkdir(exist_ok=True)
            os.replace(made / name, out / name)
        for name in gone:
            (out / name).unlink(missing_ok=True)
        os.replace(made / MANIFEST, out / MANIFEST)
    except OSError as error:
        message = f"{out}: is half replaced: {error.strerror} ({error.filename}); close what has it open and run again"
        raise ResultsError(message) from error

"""Unpacking a stranger's zip: nothing outside the folder, no links, no bombs, nothing run; or refused, with why."""

import stat
import struct
import unicodedata
import zipfile
import zlib
from pathlib import Path

from cordlab.bundle.compare import shown
from cordlab.campaign.campaign import CampaignError

MOST_FILES = 5_000
MOST_BYTES = 2 * 1024**3  # unpacked, all files together
MOST_TIMES = 250  # unpacked over packed, of one large file: text of a logger packs 5 to 20 times
_SMALL = 1024**2  # a small file may pack better than that
_CHUNK = 1024**2
_UTF8_FLAG, _ENCRYPTED_FLAG = 0x800, 0x1


class BundleError(CampaignError):
    """A bundle that is not opened; `problems` holds one message each."""


def unpack(bundle: str | Path, folder: str | Path) -> list[str]:
    """Unpack a zip into an empty folder: its names, sorted. Raises BundleError, before writing, with all it refuses."""
    bundle, folder = Path(bundle), Path(folder)
    try:
        _refuse_many(bundle, _count(bundle))
        with zipfile.ZipFile(bundle) as archive:
            _refuse_many(bundle, len(archive.infolist()))
            entries = [entry for entry in archive.infolist() if not entry.is_dir()]
            if problems := _problems(archive.infolist()):
                raise BundleError(tuple(f"{bundle.name}: {problem}" for problem in problems))
            for entry in entries:
                _write(archive, entry, folder)
    except OSError as error:
        raise BundleError((f"{bundle}: cannot be read ({error.strerror or error})",)) from error
    except UnicodeDecodeError as error:
        raise BundleError((f"{bundle.name}: a file name in it is not UTF-8",)) from error
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError, ValueError, zlib.error) as error:
        raise BundleError((f"{bundle.name}: is not a whole zip file ({error}); fetch it again",)) from error
    return sorted(entry.filename for entry in entries)


def _refuse_many(bundle: Path, count: int) -> None:
    if count > MOST_FILES:
        raise BundleError((f"{bundle.name}: {count} entries or more; at most {MOST_FILES} are opened",))


def _count(bundle: Path) -> int:
    """Number of entries as the end record has it, before the directory is read: one of millions is itself a bomb."""
    with bundle.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(size - 65_557, 0))
        tail = file.read()
    place = tail.rfind(b"PK\x05\x06")
    return struct.unpack_from("<H", tail, place + 10)[0] if 0 <= place <= len(tail) - 22 else 0


def _problems(entries: list[zipfile.ZipInfo]) -> list[str]:
    problems: list[str] = []
    seen: dict[str, zipfile.ZipInfo] = {}
    for entry in entries:
        name = shown(entry.filename, most=80)
        if why := _bad_name(entry):
            problems.append(f"the entry '{name}' {why}")
        # names that some file system takes for one
        elif (other := seen.setdefault(unicodedata.normalize("NFC", entry.filename).casefold(), entry)) is not entry:
            problems.append(f"the entry '{name}' is there twice (as '{shown(other.filename, most=80)}')")
        if stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG, stat.S_IFDIR):
            problems.append(f"the entry '{name}' is a link or a device, not a file")
        if entry.flag_bits & _ENCRYPTED_FLAG:
            problems.append(f"the entry '{name}' is encrypted")
        times = entry.file_size / max(entry.compress_size, 1)
        if entry.file_size > _SMALL and times > MOST_TIMES:
            most = f"at most {MOST_TIMES} times is opened"
            problems.append(f"the entry '{name}' unpacks to {int(times)} times its size; {most}")
    total = sum(entry.file_size for entry in entries)
    if total > MOST_BYTES:
        problems.append(f"unpacks to {total} bytes; at most {MOST_BYTES} are opened")
    return problems


def _bad_name(entry: zipfile.ZipInfo) -> str:
    """Why a name is refused, or nothing."""
    name = entry.orig_filename  # as it stands in the zip: the library cuts names at a NUL
    if not name.isascii() and not entry.flag_bits & _UTF8_FLAG:
        return "has a name that is not UTF-8"
    if name.startswith(("/", "\\")) or (len(name) > 1 and name[1] == ":"):
        return "has an absolute path"
    if "\\" in name or any(unicodedata.category(c)[0] == "C" for c in name):
        return "has a character in its name that no path needs"
    parts = name.removesuffix("/").split("/")
    if ".." in parts:
        return "leads out of the folder"
    if "." in parts or "" in parts:
        return "has an empty step in its path"
    if any(part.endswith((".", " ")) or any(c in part for c in '<>:"|?*') for part in parts):
        return "has a name that not every system can hold"
    if len(name) > 240 or max(len(part.encode()) for part in parts) > 200:
        return "has too long a name"
    return ""


def _write(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, folder: Path) -> None:
    """One file, no longer than the directory says; the library checks its CRC."""
    path = folder.joinpath(*entry.filename.split("/"))
    path.parent.mkdir(parents=True, exist_ok=True)
    left = entry.file_size
    with archive.open(entry) as source, path.open("xb") as target:
        while data := source.read(_CHUNK):
            left -= len(data)
            if left < 0:
                raise zipfile.BadZipFile(f"'{shown(entry.filename, most=80)}' is longer than the zip says")
            target.write(data)

"""Unpacking a stranger's zip: nothing outside the folder, no links, no bombs, nothing run; or refused, with why."""

import re
import stat
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from cordlab.bundle.compare import shown
from cordlab.campaign.campaign import CampaignError

MOST_FILES = 5_000
MOST_BYTES = 1024**3  # unpacked, all files together
MOST_TIMES, SMALL = 30, 4 * 1024**2  # unpacked over packed, beyond a few bytes: text of a logger packs 5 to 20 times
_WAYS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)  # of packing, that need no memory of the packer's choice
_CHUNK = 1024**2
_UTF8_FLAG, _ENCRYPTED_FLAG = 0x800, 0x1
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³]|conin\$|conout\$) *(\..*)?", re.IGNORECASE)
"""Names that Windows takes for a device, whatever they end in ("Naming Files, Paths, and Namespaces", from memory)."""


class BundleError(CampaignError):
    """A bundle that is not opened; `problems` holds one message each."""


@contextmanager
def opened(bundle: Path) -> Iterator[zipfile.ZipFile]:
    """A zip of which every entry may be unpacked. Raises BundleError with all that is refused, in reading too."""
    try:
        if not stat.S_ISREG(bundle.stat().st_mode):
            raise BundleError((f"{bundle}: is not a file",))
        with zipfile.ZipFile(bundle) as archive:
            if problems := _problems(archive.infolist(), bundle.stat().st_size):
                raise BundleError(tuple(f"{bundle.name}: {problem}" for problem in problems))
            yield archive
    except OSError as error:
        raise BundleError((f"{bundle}: cannot be read ({error.strerror or error})",)) from error
    except UnicodeDecodeError as error:
        raise BundleError((f"{bundle.name}: a file name in it is not UTF-8",)) from error
    except (zipfile.BadZipFile, RuntimeError, EOFError, ValueError, zlib.error) as error:
        raise BundleError((f"{bundle.name}: is not a whole zip file ({shown(error)}); fetch it again",)) from error


def unpack(bundle: str | Path, folder: str | Path) -> list[str]:
    """Unpack a zip into an empty folder: its names, sorted. Raises BundleError, before writing, with all it refuses."""
    with opened(Path(bundle)) as archive:
        entries = [entry for entry in archive.infolist() if not entry.is_dir()]
        for entry in entries:
            path, left = Path(folder, *entry.filename.split("/")), entry.file_size
            path.parent.mkdir(parents=True, exist_ok=True)
            with archive.open(entry) as source, path.open("xb") as target:  # the library checks the CRC
                while data := source.read(_CHUNK):
                    left -= len(data)
                    if left < 0:
                        raise zipfile.BadZipFile(f"'{shown(entry.filename, most=80)}' is longer than the zip says")
                    target.write(data)
    return sorted(entry.filename for entry in entries)


def _problems(entries: list[zipfile.ZipInfo], packed: int) -> list[str]:
    if len(entries) > MOST_FILES:
        return [f"{len(entries)} entries; at most {MOST_FILES} are opened"]
    problems: list[str] = []
    seen: dict[str, str] = {}
    for entry in entries:
        name = shown(entry.filename, most=240)
        if why := _bad_name(entry):
            problems.append(f"the entry '{name}' {why}")
        # names that some file system takes for one
        elif other := seen.get(_folded(entry.filename)):
            problems.append(f"the entry '{name}' is there twice (as '{other}')")
        seen[_folded(entry.filename)] = name
        if stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG, stat.S_IFDIR):
            problems.append(f"the entry '{name}' is a link or a device, not a file")
        if entry.flag_bits & _ENCRYPTED_FLAG:
            problems.append(f"the entry '{name}' is encrypted")
        if entry.compress_type not in _WAYS:
            problems.append(f"the entry '{name}' is packed in another way than by deflate")
    folders = {_folded(str(place)) for entry in entries for place in PurePosixPath(entry.filename).parents}
    problems += [f"'{name}' is a file and a folder" for folded, name in seen.items() if folded in folders]
    total = sum(entry.file_size for entry in entries)
    if total > min(MOST_BYTES, SMALL + MOST_TIMES * packed):
        most = f"at most {MOST_TIMES} times and {MOST_BYTES} bytes are opened"
        problems.append(f"unpacks to {total} bytes, {total // packed} times its size; {most}")
    return problems


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


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
    if any(_DEVICE.fullmatch(part) for part in parts):
        return "has the name of a device"
    if len(name) > 240 or max(len(part.encode()) for part in parts) > 200:
        return "has too long a name"
    return ""

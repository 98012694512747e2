"""The files of a campaign folder, read once, hashed as read, refused where they are no text; writing them safely."""

import hashlib
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory

SENSORS = {"force": "N", "distance": "m"}  # channels of a record, with the unit of their calibration
OPTIONAL = ("breaks.csv", "jumps.csv", "decisions.csv", "pulls.csv", "maker_curve.csv")


class CampaignError(Exception):
    """A campaign that cannot be read.

    Parameters
    ----------
    problems : tuple of str
        One message a problem, each with its file, and its row and column where it has one.

    Examples
    --------
    >>> import cordlab
    >>> try:
    ...     cordlab.read_campaign("no-such-folder")
    ... except cordlab.CampaignError as error:
    ...     print(*error.problems)
    no-such-folder: there is no such folder
    """

    def __init__(self, problems: tuple[str, ...]) -> None:
        if not problems:
            raise ValueError("an error of a campaign needs a problem: without one it would count as none")
        super().__init__("\n".join(problems))
        self.problems = problems


MOST_PROBLEMS = 20  # of one file that are said one by one; a wrong column in a long file has a thousand


def most_bytes(name: str) -> int:
    """Greatest size of the file `name` of a campaign: beyond it a file is refused unread."""
    path = PurePosixPath(name)
    if path.name == "campaign.toml":
        return 32 * 1024
    is_table = path.suffix == ".csv" and path.parent.name not in ("records", "pulls")
    return 1024**2 * (2 if is_table else 32)


class Folder:
    """The files of one campaign folder, and the problems found in them so far."""

    def __init__(self, path: Path, instead: Mapping[str, bytes] | None = None) -> None:
        self.path = path
        self.instead = instead or {}  # name → bytes that are taken for a file's, whether it is there or not
        self.digests: dict[str, str] = {}  # name of each file that was read → SHA-256 of its bytes
        self.problems: list[str] = []

    def problem(self, where: str, what: str) -> None:
        """Notes a problem."""
        self.problems.append(spelled(f"{where}: {what}"))

    def stop(self) -> None:
        """Raises CampaignError where there are problems."""
        if self.problems:
            raise CampaignError(tuple(self.problems))

    def check_unchanged(self, digests: Mapping[str, str]) -> None:
        """Notes each file that was read and is not the one with the digest it had."""
        for name, digest in self.digests.items():
            if digests.get(name) != digest:
                self.problem(name, "has changed since the campaign was read; read the campaign again")

    def shorten(self, name: str, since: int, most: int = MOST_PROBLEMS) -> None:
        """Leaves the first few of the problems noted `since`, all of one file, and says how many more there are."""
        if (more := len(self.problems) - since - most) > 0:
            del self.problems[since + most :]
            self.problem(name, f"{more} more problem{'s' if more > 1 else ''} like these")

    def has(self, name: str) -> bool:
        return name in self.instead or os.path.lexists(self.path / name)

    def names(self, inner: str) -> list[str]:
        """What a folder inside holds, sorted, hidden files left out; nothing where there is no such folder."""
        path = self.path / inner
        return sorted(name for name in os.listdir(path) if not name.startswith(".")) if path.is_dir() else []

    def read(self, name: str) -> bytes | None:
        """The bytes of the file `name` ("records/a.csv"); None, with a problem noted, where there is no such file."""
        data, path = self.instead.get(name), self.path / name
        home = Path(os.path.realpath(self.path), name).parent
        try:
            if data is not None:
                pass
            elif not self.has(name):
                self.problem(name, "there is no such file; the campaign needs it")
            elif Path(os.path.realpath(path)).parent != home:
                self.problem(name, "is a link to a file elsewhere; put the file itself here")
            elif not path.is_file():
                self.problem(name, "is not a file")
            elif (size := path.stat().st_size) > (most := most_bytes(name)):
                self.problem(name, f"holds {size} bytes; at most {most} are read, so leave out what is not needed")
            else:
                data = path.read_bytes()
        except OSError as error:
            self.problem(name, f"cannot be read ({error.strerror})")
        if data is not None:
            self.digests[name] = hashlib.sha256(data).hexdigest()
        return data

    def read_text(self, name: str) -> str | None:
        """The text of a file in UTF-8; None, with a problem noted, where it is something else."""
        data = self.read(name)
        return None if data is None else self.decode(name, data)

    def decode(self, name: str, data: bytes) -> str | None:
        """The text of these bytes of a file, as `read_text` has it."""
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            self.problem(name, "is UTF-16; save it as UTF-8")
            return None
        place, what = data.find(b"\0"), "holds a NUL byte; it is no text file, or is damaged"
        if place < 0 and (bare := re.search(rb"\r(?!\n)", data)):
            place, what = bare.start(), "has a bare carriage return; end lines with LF or CRLF"
        try:
            if place < 0:
                return data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            data, place = error.object, error.start  # without a byte order mark
            what = f"the byte 0x{data[place]:02x} is not UTF-8; save the file as UTF-8"
        row = data.count(b"\n", 0, place) + 1
        self.problem(f"{name}, row {row}", what)
        return None


def optional_inputs(folder: Folder) -> list[str]:
    """Files that count as input where they are there: calibrations, breaks, jump log, decisions taken, slow pulls."""
    names = (*(f"calibration/{channel}.csv" for channel in SENSORS), *OPTIONAL)
    return [name for name in names if folder.has(name)] + [f"pulls/{name}" for name in folder.names("pulls")]


def listing(files: Iterable[tuple[str, str]]) -> str:
    """Files, each a name and its SHA-256, as `sha256sum` prints and checks them."""
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(files))


def changes(path: Path, digests: Mapping[str, str]) -> tuple[str, ...]:
    """What differs between the inputs in a campaign's folder now and those with these digests; one message a file."""
    folder = Folder(path)
    for name in {*digests, *optional_inputs(folder)}:
        folder.read(name)
    return differences(digests, folder.digests)


def differences(before: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """What differs between two lists of files, name → SHA-256; one message a file."""
    gone = [(name, "is gone, or cannot be read") for name in before.keys() - now.keys()]
    new = [(name, "is new") for name in now.keys() - before.keys()]
    changed = [(name, "has changed") for name in before.keys() & now.keys() if before[name] != now[name]]
    return tuple(f"{name} {what}" for name, what in sorted([*gone, *new, *changed]))


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A name to write to, in a new folder beside `path` that nobody else can open; what is there then takes the place
    of `path` in one step, and a run that fails leaves `path` as it was. A folder takes the place of none, or of an
    empty one. Raises OSError."""
    with TemporaryDirectory(prefix=f".{path.name}-", suffix=".part", dir=path.parent) as place:
        part = Path(place, path.name)
        yield part
        os.replace(part, path)


def spelled(text: str) -> str:
    """A stranger's text in which characters that cannot be seen are spelled out: they never reach a terminal."""
    return "".join(
        c if c.isprintable() else f"\\u{ord(c):04x}" if ord(c) < 0x10000 else f"\\U{ord(c):08x}" for c in text
    )


def offer(near: str | None, otherwise: str = "") -> str:
    """The end of a message about an unknown name."""
    return f"; the nearest known is '{near}'" if near else otherwise

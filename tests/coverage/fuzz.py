"""Bytes changed at random in each file of a campaign: an answer or problems, never a traceback and never a hang.

`python -m tests.coverage fuzz [cases a file] [first seed] [n]`. The campaign is invented and small, but has every file
that one may have. Each case changes one file, reads the campaign as all commands together do, and where it is still
sound reduces its records and asks the ladder; every n-th such case (default 4) is analysed, and with 0 all are read
alone, which is quick. What ends in another error, or in a warning of NumPy's that would reach a terminal, is printed
with its seed and file, and kept; the exit code is 1 then.
"""

import os
import re
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from cordlab.analysis import Analysis, analyse
from cordlab.batch.slow_pulls import read_pulls
from cordlab.campaign.campaign import CampaignError, read_campaign, read_jump_log
from cordlab.campaign.files import Folder
from cordlab.campaign.tables import RECORD, _read_fast, _read_slowly, read_header
from cordlab.rating.ladder import next_mass
from cordlab.report.page import as_json, results_of
from tests.planted import write

LONGEST = 60.0  # s of this process' own time for one case, which takes a few at most
EXTRAS = {
    "decisions.csv": "kind,drop,lowest [s],u(lowest) [s],reason,by\nmark,D002,4.55,0.05,invented,\n"
    "leave out,D009,,,invented,A\n",
    "jumps.csv": "cord,date,jumps,lightest rider [kg],heaviest rider [kg],damage\n"
    "C1,2024-05-30,12,50,90,\nC1,2024-05-31,9,,,cut\n",
    "pulls.csv": "pull,cord,speed [mm/min]\np1,{cord},500\n",
    "pulls/p1.csv": "stretch [m],force [N]\n0,0\n2,300\n5,600\n9,900\n15,1400\n",
    "maker_curve.csv": "stretch ratio,force [N]\n1,0\n1.5,400\n2,650\n3,1000\n4,1500\n",
}
TOKENS = (
    b"0", b"-0", b"1e308", b"-1e308", b"1e-320", b"9" * 40, b"nan", b"inf", b"-1", b"1e5", b"", b" ", b'"', b"''", b",",
    b";", b"\t", b"\r", b"\n", b"\r\n", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\xc2\xa0", b"\xd9\xa3", b"\xe2\x88\x92",
    b"\xe2\x80\xae", b"1_000", b"0x1F", b"1d3", b"1,5", b"1 000", b"+.5", b"5.", b"True", b"#", b"[", b"]", b"[[", b"=",
    b"{}", b"u(", b"../x", b"%s", b"{0}", b"__class__", b"[degF]", b"[lb]", b"[10**9 m]", b"[m**999]", b"[]",
    b"x" * 300,
)  # fmt: skip


def campaign(folder: Path) -> Path:
    """A small invented campaign with every file that one may have."""
    small = {"cords": 3, "masses": (40.0, 80.0), "checks": (), "retests": (100, 200), "worn_masses": (80.0,)}
    write(folder, rate=100.0, decision={"probability": 0.9, "model": "mooney-rivlin"}, **small)
    cord = (folder / "cords.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    (folder / "pulls").mkdir()
    for name, text in EXTRAS.items():
        (folder / name).write_text(text.replace("{cord}", cord), encoding="utf-8")
    return folder


def files(folder: Path) -> list[str]:
    """Every input file, of the records the first alone."""
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    records = [name for name in names if name.startswith("records/")]
    return [name for name in names if name not in records[1:]]


FACTORS = (0.0, -1.0, 1e-9, 1e-3, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0, 1e3, 1e9)


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """The bytes with one number another, or with one to three changes: of bytes, of cells, of lines, or of the length.

    The first is often sound, and so gets as far as an analysis.
    """
    changed = bytearray(data)
    if rng.integers(2):
        numbers = list(re.finditer(rb"-?\d+(?:\.\d+)?", data))
        match = numbers[int(rng.integers(len(numbers)))]
        changed[slice(*match.span())] = b"%.6g" % (float(match[0]) * FACTORS[int(rng.integers(len(FACTORS)))])
        return bytes(changed)
    for _ in range(rng.integers(1, 4)):
        kind, lines = rng.integers(8), bytes(changed).split(b"\n")
        start, span = int(rng.integers(len(changed) + 1)), int(rng.integers(0, 6))
        if kind == 0:
            changed[start : start + span] = rng.bytes(int(rng.integers(0, 4)))
        elif kind == 1 and changed:
            changed[start % len(changed)] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            del changed[start:]
        elif kind == 3:
            changed = bytearray(b"\n".join(rng.permutation(np.array(lines, object)).tolist()))
        elif kind == 4:
            changed = bytearray(b"\n".join([*lines, lines[int(rng.integers(len(lines)))]]))
        else:
            _cell(changed, start, TOKENS[int(rng.integers(len(TOKENS)))], whole=kind != 5)
    return bytes(changed)


def _cell(data: bytearray, start: int, token: bytes, *, whole: bool) -> None:
    """Puts a token in at a place, or in place of the whole cell there."""
    ends = [place for place, byte in enumerate(data) if byte in b',;\t\n="']
    before = max((place + 1 for place in ends if place < start), default=0)
    after = min((place for place in ends if place >= start), default=len(data))
    data[before if whole else start : after if whole else start] = token


def outcome(folder: Path, *, depth: int = 0) -> str:
    """What becomes of a campaign; any error that no command expects is raised.

    depth : 0 read; 1 its records are reduced and the ladder is asked; 2 it is analysed
    """
    try:
        read = read_campaign(folder)
        read_jump_log(folder)
        read_pulls(read)
    except CampaignError as error:
        return _problems("refused", error.problems)
    if not depth:
        return "read"
    try:
        assert Analysis(read).drops is not None
        try:
            next_mass(read)
        except ValueError as error:  # as the command line takes it
            _problems("refused", [f"ladder: {error}"])
        if depth == 1:
            return "read"
        analysis = analyse(read)
    except CampaignError as error:
        return _problems("refused later", error.problems)
    as_json(results_of(analysis))
    return "rated" if analysis.rating.rated else "not rated"


def _problems(how: str, problems: Sequence[str]) -> str:
    """Each problem is a line with its place, and nothing in it commands a terminal."""
    assert problems
    assert all(problem.isprintable() and ": " in problem for problem in problems), problems
    return how


def readers_agree(data: bytes) -> bool:
    """Whether the fast reader of records takes nothing that the careful one refuses, and reads the same numbers."""
    folder = Folder(Path())
    content = folder.decode("r.csv", data)
    header = content and read_header(folder, "r.csv", content, RECORD, remarks=False)
    if not content or not header or folder.problems:
        return True
    fast = _read_fast(data, header)
    if fast is None or len(fast["time"]) < 20 or not (np.diff(fast["time"]) > 0).all():
        return True
    slow = _read_slowly(header, content)
    return not folder.problems and all(np.allclose(fast[key], slow[key], rtol=1e-14, atol=0) for key in slow)


@contextmanager
def in_time(seconds: float) -> Iterator[None]:
    """Raises TimeoutError in what takes longer, by this process' own time."""

    def late(*_: object) -> None:
        raise TimeoutError(f"not done after {seconds:g} s")

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def cases(folder: Path, name: str, count: int, *, seed: int = 0) -> Iterator[tuple[int, bytes]]:
    """Seeds and the changed bytes of a file, written in its place; the file is put back after the last."""
    path = folder / name
    good = path.read_bytes()
    try:
        for number in range(seed, seed + count):
            changed = mutated(good, np.random.default_rng([number, len(name), sum(name.encode())]))
            path.write_bytes(changed)
            yield number, changed
    finally:
        path.write_bytes(good)


def main(count: int = 100, seed: int = 0, every: int = 4) -> None:
    kept, failures = Path(tempfile.mkdtemp(prefix="fuzz-")), 0
    with tempfile.TemporaryDirectory() as scratch:
        folder = campaign(Path(scratch, "campaign"))
        outcomes = ("refused", "refused later", "not rated", "rated", "read", "failed")
        print(f"| file | {' | '.join(outcomes)} | slowest [s] |\n|---|" + "---|" * (len(outcomes) + 1))
        for file in files(folder):
            counts, slowest = Counter[str](), 0.0
            for number, changed in cases(folder, file, count, seed=seed):
                start = time.process_time()
                try:
                    with in_time(LONGEST), warnings.catch_warnings(action="error", category=RuntimeWarning):
                        depth = 0 if not every else 1 if number % every else 2
                        counts[outcome(folder, depth=depth)] += 1
                        assert not file.startswith("records/") or readers_agree(changed), "readers differ"
                except Exception:
                    counts["failed"] += 1
                    failures += 1
                    place = kept / f"{number}-{file.replace('/', '-')}"
                    place.write_bytes(changed)
                    print(f"{file}, seed {number}, kept as {place}\n{traceback.format_exc()}", file=sys.stderr)
                slowest = max(slowest, time.process_time() - start)
            cells = " | ".join(str(counts[name]) for name in outcomes)
            print(f"| {file} | {cells} | {slowest:.1f} |", flush=True)
    if not failures:
        os.rmdir(kept)
    sys.exit(int(failures > 0))

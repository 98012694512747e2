"""Bundles damaged at random, byte by byte: refused with words, or opened and compared; never a traceback.

`python -m tests.coverage bundles [how many] [first seed] [n]`. The bundle is of an invented campaign of one cord. Half
of the cases change the zip itself, the others a file in it with the manifest made to agree. Each is opened and its
results compared with the sound ones; each n-th (default 50; 0: none) is rechecked as the command does, which analyses
it again.
What ends in another error, or takes longer than a minute, is printed with its seed; the exit code is 1 then.
"""

import hashlib
import sys
import time
import traceback
import zipfile
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

import cordlab
from cordlab import cli
from cordlab.bundle.recheck import BundleError, versus
from cordlab.report.results_folder import MANIFEST, manifest
from tests.coverage.fuzz import LONGEST, in_time, mutated
from tests.test_cli import SMALL

WHO = ("--author", "A", "--licence", "CC-BY-4.0", "--date", "2026-05-04", "--quiet")


def damaged(contents: dict[str, bytes], whole: bytes, rng: np.random.Generator) -> bytes | dict[str, bytes]:
    """The zip's bytes changed, or the files of another zip, of which one is changed."""
    if rng.integers(2):
        data = bytearray(whole)
        for _ in range(rng.integers(1, 8)):
            place = int(rng.integers(len(data))) if rng.integers(2) else len(data) - 1 - int(rng.integers(2000))
            data[place] = int(rng.integers(256))
        return bytes(data[: int(rng.integers(len(data)))] if not rng.integers(8) else data)
    name = sorted(contents)[int(rng.integers(len(contents)))]
    changed = contents | {name: mutated(contents[name], rng)}
    rows = [(of, hashlib.sha256(data).hexdigest()) for of, data in changed.items() if of != MANIFEST]
    return changed if name == MANIFEST else changed | {MANIFEST: manifest(rows)}


def outcome(path: Path, good: Path, *, rerun: bool) -> str:
    """What becomes of a bundle; any error that no command expects is raised."""
    if rerun:
        with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
            return f"recheck: exit {cli.main(['recheck', str(path)])}"
    try:
        return "agrees" if versus(path, good).agrees else "differs"
    except BundleError:
        return "refused"


def main(count: int = 500, seed: int = 0, every: int = 50) -> None:
    counts, slowest, failures = Counter[str](), 0.0, 0
    with TemporaryDirectory() as scratch:
        campaign, good, bad = (Path(scratch, name) for name in ("campaign", "good.zip", "bad.zip"))
        cordlab.invent(campaign, truth=Path(scratch, "truth.json"), **SMALL | {"cords": 1})
        assert cli.main(["publish", str(campaign), str(good), *WHO]) == 0
        with zipfile.ZipFile(good) as archive:
            contents = {name: archive.read(name) for name in archive.namelist()}
        for number in range(seed, seed + count):
            change = damaged(contents, good.read_bytes(), np.random.default_rng([21, number]))
            if isinstance(change, bytes):
                bad.write_bytes(change)
            else:
                with zipfile.ZipFile(bad, "w", zipfile.ZIP_DEFLATED) as archive:
                    for name, data in change.items():
                        archive.writestr(name, data)
            start = time.process_time()
            try:
                with in_time(LONGEST):
                    counts[outcome(bad, good, rerun=bool(every) and number % every == 0)] += 1
            except Exception:
                failures += 1
                print(f"seed {number}\n{traceback.format_exc()}", file=sys.stderr, flush=True)
            slowest = max(slowest, time.process_time() - start)
    print(f"{count} bundles: {dict(counts)}, {failures} failed, slowest {slowest:.1f} s")
    sys.exit(int(failures > 0))

"""`cordlab analyse` killed by SIGKILL at random moments: the results stay whole, and the next run works.

`python -m tests.coverage kills [how many]`. One invented campaign; before each run its title changes, so that old
results and new ones differ. A run takes as long as one that was timed first, and is killed at a moment drawn evenly
over that; then as many again from the moment that it begins to write. Nothing is cleaned up in between. Printed: how
often the old and the new results were there afterwards, and everything that went wrong.
"""

import json
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

import cordlab
from cordlab.report.results_folder import results_state
from tests.test_cli import SMALL


def start(folder: Path) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, "-m", "cordlab.cli", "analyse", str(folder), "--quiet"])


def retitle(folder: Path, title: str) -> None:
    lines = (folder / "campaign.toml").read_text(encoding="utf-8").splitlines()
    text = "\n".join(f'title = "{title}"' if line.startswith("title = ") else line for line in lines)
    (folder / "campaign.toml").write_text(text + "\n", encoding="utf-8")


def titled(folder: Path) -> str:
    return json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))["campaign"]["title"]


def begun(folder: Path, process: subprocess.Popen, known: set[Path]) -> None:
    """Wait until the process begins to write."""
    while process.poll() is None and not {*folder.glob(".results-*.part")} - known:
        time.sleep(0.0005)


def killed(folder: Path, before: str, now: str, seconds: float, *, writing: bool) -> tuple[str, list[str]]:
    """What is there after a kill, and what is wrong with it."""
    retitle(folder, now)
    left = {*folder.glob(".results-*.part")}
    process = start(folder)
    if writing:
        begun(folder, process, left)
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    ended = process.wait(60) != -signal.SIGKILL
    state, title = results_state(folder), titled(folder)
    found = "new" if title == now else "old" if title == before else "neither"
    half = " (half-written ones beside them)" if {*folder.glob(".results-*.part")} - left else ""
    wrong = [] if state.state == {"new": "fresh", "old": "stale"}.get(found) else [f"{found}: {state.summary()}"]
    return f"{found}{half}{', the run had ended' if ended else ''}", wrong


def main(kills: int = 50) -> None:
    rng = np.random.default_rng(13)
    with TemporaryDirectory() as scratch:
        folder = Path(scratch, "campaign")
        cordlab.invent(folder, truth=Path(scratch, "truth.json"), **SMALL | {"cords": 1})
        title, wrong = "run 0", list[str]()
        retitle(folder, title)
        begin, process = time.monotonic(), start(folder)
        begun(folder, process, set())
        write = time.monotonic()
        process.wait(600)
        end = time.monotonic()
        spans = {"over the whole run": (end - begin, False), "while it writes": (end - write, True)}
        for name, (span, writing) in spans.items():
            told = Counter[str]()
            for k in range(kills):
                now = f"{name}, {k}"
                found, faults = killed(folder, title, now, rng.uniform(0, span), writing=writing)
                told[found] += 1
                next_run = start(folder).wait(600)
                if next_run not in (0, 1) or results_state(folder).state != "fresh" or titled(folder) != now:
                    faults.append(f"the next run: exit {next_run}, {results_state(folder).summary()}")
                wrong += faults
                title = titled(folder)
                for fault in faults:
                    print(f"{name}, kill {k}: {fault}", flush=True)
            print(f"{kills} kills {name} ({span:.1f} s), what was there then: {dict(told)}", flush=True)
        left = len(list(folder.glob(".results-*.part")))
        print(f"{len(wrong)} faults, next runs among them; hidden folders left by killed runs: {left}")

"""Commands as processes of their own, to be interrupted as a terminal does it."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable

COMMAND = "import sys; from cordlab.cli import main; print('begun', flush=True); sys.exit(main(sys.argv[1:]))"


def interruptible(*arguments: str) -> subprocess.Popen:
    """`cordlab` with these arguments, leader of a process group that gets Ctrl-C as a terminal's foreground does.

    It has begun, so that Ctrl-C no longer meets Python's own start.
    """
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        # a job in the background is born deaf to Ctrl-C; a terminal's is not
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    assert process.stdout
    assert process.stdout.readline() == b"begun\n"
    return process


def wait_for(there: Callable[[], object], process: subprocess.Popen, seconds: float = 120) -> None:
    """Until something is there; AssertionError where the process ends before, or time is up."""
    deadline = time.monotonic() + seconds
    while not there():
        assert process.poll() is None, process.stderr and process.stderr.read()
        assert time.monotonic() < deadline
        time.sleep(0.002)


def gone(group: int, seconds: float = 30) -> bool:
    """Whether no process of a group is left, after a while at the most."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    return False

"""Everything that has to pass, in one command: `python -m tests`. Stops at the first that fails.

`python -m tests NAME` runs one of the checks.
"""

import os
import subprocess
import sys
import time

from cordlab.notebook.choose import DEMO, VARIABLE
from tests.conftest import ROOT

PYTHON = sys.executable
NBVAL = ["--nbval", "--nbval-current-env", "--nbval-cell-timeout=300", "--nbval-sanitize-with=shared/nbval.cfg"]
CHECKS: dict[str, tuple[list[str], int]] = {  # name: command, seconds that it may take at the most
    "style": ([PYTHON, "-m", "ruff", "check", "."], 120),
    "format": ([PYTHON, "-m", "ruff", "format", "--check", "."], 120),
    "layers": ([PYTHON, "-c", "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"], 120),
    "types": ([PYTHON, "-m", "mypy", "cordlab"], 600),
    "tests": ([PYTHON, "-m", "pytest"], 3000),
    # a process takes whole notebooks: they break where the cells of one are spread over several
    "notebooks": ([PYTHON, "-m", "pytest", "-n", "2", "--dist", "loadfile", *NBVAL, "notebooks"], 1800),
    # a process has a server and a browser for its share of the notebooks; skipped where there is no Chromium
    "browser": ([PYTHON, "-m", "pytest", "-n", "2", "-rs", "-m", "browser", "tests/notebook/test_browser.py"], 900),
}


def main(names: list[str]) -> int:
    """Run the checks of these names, by default all of `CHECKS`; returns the exit code."""
    if unknown := [name for name in names if name not in CHECKS]:
        print(f"no check called {', '.join(unknown)}; there are {', '.join(CHECKS)}", file=sys.stderr)
        return 2
    # one thread each: the arrays are small, and two cores are not to be fought over
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    environment[VARIABLE] = str(DEMO)  # whatever campaign is chosen on this machine
    for name in names or CHECKS:
        command, seconds = CHECKS[name]
        print(f"== {name}", flush=True)
        start = time.monotonic()
        try:
            code = subprocess.run(command, cwd=ROOT, env=environment, timeout=seconds).returncode
        except subprocess.TimeoutExpired:
            print(f"{name}: not done after {seconds} s", file=sys.stderr)
            return 1
        if code:
            print(f"{name}: failed", file=sys.stderr)
            return code
        print(f"== {name}: {time.monotonic() - start:.0f} s", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

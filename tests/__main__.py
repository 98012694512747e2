"""Everything that has to pass, in one command: `python -m tests`. Stops at the first that fails."""

import os
import subprocess
import sys

from cordlab.notebook.start import DEMO, VARIABLE
from tests.conftest import ROOT

PYTHON = sys.executable
NBVAL = ["--nbval", "--nbval-current-env", "--nbval-cell-timeout=300", "--nbval-sanitize-with=shared/nbval.cfg"]
CHECKS: dict[str, tuple[list[str], int]] = {  # name: command, seconds that it may take at the most
    "style": ([PYTHON, "-m", "ruff", "check", "."], 120),
    "format": ([PYTHON, "-m", "ruff", "format", "--check", "."], 120),
    "layers": ([PYTHON, "-c", "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"], 120),
    "types": ([PYTHON, "-m", "mypy", "cordlab"], 600),
    "tests": ([PYTHON, "-m", "pytest"], 3000),
    "notebooks": ([PYTHON, "-m", "pytest", *NBVAL, "notebooks"], 1800),
}


def main() -> int:
    # one thread each: the arrays are small, and two cores are not to be fought over
    environment = os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    environment[VARIABLE] = str(DEMO)  # whatever campaign is chosen on this machine
    for name, (command, seconds) in CHECKS.items():
        print(f"== {name}", flush=True)
        try:
            code = subprocess.run(command, cwd=ROOT, env=environment, timeout=seconds).returncode
        except subprocess.TimeoutExpired:
            print(f"{name}: not done after {seconds} s", file=sys.stderr)
            return 1
        if code:
            print(f"{name}: failed", file=sys.stderr)
            return code
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The tests on the lowest versions that pyproject.toml allows: `python -m tests.lowest [FOLDER] [pytest options]`.

Makes an environment in FOLDER (default: a temporary one, removed at the end) with the oldest Python that is allowed,
installs every package of pyproject.toml at its lower bound, and runs the tests there, the published checks among them.
What those packages need in turn is the newest that they allow, so old code meets new names: warnings of what will go
some day are no failures here.
"""

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.conftest import ROOT


def pins(*extras: str) -> list[str]:
    """Every requirement of the package and of these extras at its lower bound, such as "numpy==1.26"."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *(each for extra in extras for each in project["optional-dependencies"][extra])]
    return [text.replace(">=", "==") for text in dict.fromkeys(wanted)]


def python() -> str:
    """The interpreter of the oldest version that is allowed; raises SystemExit where this one is newer."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    oldest = re.fullmatch(r">=(\d+)\.(\d+)", project["requires-python"])
    if oldest is None or sys.version_info[:2] != tuple(map(int, oldest.groups())):
        raise SystemExit(f"run this with Python {project['requires-python'].removeprefix('>=')}, the oldest allowed")
    return sys.executable


def main(arguments: list[str]) -> int:
    with TemporaryDirectory() as scratch:
        place = Path(arguments.pop(0) if arguments and not arguments[0].startswith("-") else scratch)
        if not (place / "bin").exists():
            subprocess.run([python(), "-m", "venv", place], check=True)
        own = place / "bin" / "python"
        tests = [own, "-m", "pytest", "-o", "filterwarnings=default", *arguments]
        subprocess.run([own, "-m", "pip", "install", "--quiet", *pins("fleet", "test"), "-e", f"{ROOT}"], check=True)
        subprocess.run([own, "-m", "pip", "freeze", "--exclude-editable"], check=True)
        return subprocess.run(tests, cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

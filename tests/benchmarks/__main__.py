"""One benchmark: `python -m tests.benchmarks NAME` runs `main()` of the module of that name beside this file."""

import sys
from importlib import import_module
from pathlib import Path

NAMES = sorted(path.stem for path in Path(__file__).parent.glob("[a-z]*.py"))

if __name__ == "__main__":
    if len(sys.argv) != 2 or sys.argv[1] not in NAMES:
        sys.exit(f"usage: python -m tests.benchmarks NAME, NAME one of: {', '.join(NAMES)}")
    import_module(f"tests.benchmarks.{sys.argv[1]}").main()

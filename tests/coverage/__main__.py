"""Coverage studies with known truth, too long for the tests: `python -m tests.coverage NAME [how many]`."""

import sys
from importlib import import_module
from pathlib import Path


def main(arguments: list[str]) -> int:
    names = sorted(path.stem for path in Path(__file__).parent.glob("*.py") if not path.stem.startswith("_"))
    if not arguments or arguments[0] not in names:
        print(f"python -m tests.coverage NAME, one of: {', '.join(names)}", file=sys.stderr)
        return 2
    import_module(f"tests.coverage.{arguments[0]}").main(*map(int, arguments[1:]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

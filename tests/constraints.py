"""Prints the versions installed here of all that cordlab needs, extras included, as pip's constraints:
`python -m tests.constraints > shared/constraints.txt`, after the tests have passed with them.
"""

import sys
from importlib.metadata import PackageNotFoundError, distribution

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

EXTRAS = frozenset({"pdf", "fleet", "test"})


def versions(name: str, extras: frozenset[str], seen: dict[tuple[str, frozenset[str]], str]) -> None:
    """Adds a package, and what it needs on this machine, to `seen`; what is for other machines is not installed."""
    if (name, extras) in seen:
        return
    try:
        found = distribution(name)
    except PackageNotFoundError:
        return
    seen[name, extras] = found.version
    for text in found.requires or ():
        need = Requirement(text)
        if need.marker is None or any(need.marker.evaluate({"extra": extra}) for extra in extras or {""}):
            versions(canonicalize_name(need.name), frozenset(need.extras), seen)


def main() -> None:
    seen: dict[tuple[str, frozenset[str]], str] = {}
    versions("cordlab", EXTRAS, seen)
    held = {name: version for (name, _), version in seen.items() if name != "cordlab"}
    print(f"# The tests passed with these, Python {sys.version_info.major}.{sys.version_info.minor}, Linux.")
    print("# pip install -c shared/constraints.txt -e '.[test,fleet]'")
    print("# Made by: python -m tests.constraints > shared/constraints.txt")
    for name in sorted(held):
        print(f"{name}=={held[name]}")


if __name__ == "__main__":
    main()

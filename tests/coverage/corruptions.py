"""Every single corruption of the demo, what is expected and what becomes of it: `python -m tests.coverage corruptions`.

Of those that are read as the same campaign, the answer is compared too, in the demo without records; "1" as argument
leaves those analyses out. The exit code is 1 where anything is not as expected.
"""

import shutil
import sys
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from cordlab.analysis import analyse
from cordlab.campaign.campaign import read_campaign
from tests.corruptions import CORRUPTIONS, NOT_RATED, SAME, as_expected, demo, found, light


def answer(folder: Path) -> dict[str, Any]:
    """All results but the hashes of the files."""
    results = analyse(read_campaign(folder)).to_dict()
    return results | {"campaign": {key: value for key, value in results["campaign"].items() if key != "sha256"}}


def main(quick: int = 0) -> None:
    counts = Counter[str]()
    with TemporaryDirectory() as scratch:
        plain = {False: demo(Path(scratch, "demo")), True: light(Path(scratch, "light"))}
        before = None if quick else answer(plain[True])
        print("| corruption of the demo | expected | found | said |\n|---|---|---|---|")
        for number, corruption in enumerate(CORRUPTIONS):
            whole = plain[corruption.expected == NOT_RATED]
            folder = Path(shutil.copytree(whole, Path(scratch, f"c{number}")))
            corruption.change(folder)
            result = found(folder, whole, corruption.expected)
            right = as_expected(corruption, result)
            how = result.how
            if how == SAME and before is not None:
                shutil.rmtree(folder)
                folder = Path(shutil.copytree(plain[True], folder))
                try:
                    corruption.change(folder)
                except (OSError, AssertionError):
                    how += ", not applicable without records"
                else:
                    right = right and answer(folder) == before
                    how += ", answer compared"
            counts[f"{corruption.expected}: {'as expected' if right else 'NOT AS EXPECTED'}"] += 1
            shutil.rmtree(folder)
            cells = (corruption.what, corruption.expected, how if right else f"**{how}**", "; ".join(result.said))
            print("| " + " | ".join(cell.replace("|", "\\|").replace("\n", "\\n") for cell in cells) + " |", flush=True)
    print()
    for kind, count in sorted(counts.items()):
        print(f"{kind}: {count}")
    sys.exit(int(any("NOT" in kind for kind in counts)))

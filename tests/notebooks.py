"""Run the notebooks and store their outputs: `python -m tests.notebooks [NAME...]`, all of them by default.

They run on the demo, whatever campaign is chosen on this machine. What differs from run to run is left out: times, ids
of widgets, the state of widgets. The name `figure` draws the README's figure, `sent` publishes the bundle that notebook
10 reviews, and a run of all does both.
"""

import os
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import nbformat
from nbclient import NotebookClient

from cordlab import Analysis, analyse, invent, publish, read_campaign
from cordlab.notebook.choose import DEMO, SENT, VARIABLE, normalised
from cordlab.report.figures import by_mass, svg
from tests.conftest import ROOT

FOLDER = ROOT / "notebooks"
FIGURE = ROOT / "shared" / "demo-limits.svg"


def run(path: Path) -> None:
    """Run one notebook from its first cell and write it back.

    Raises CellExecutionError where a cell raises, ValueError where one warns: nobody is to read past warnings.
    """
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(
        notebook,
        timeout=900,
        kernel_name="python3",
        record_timing=False,
        store_widget_state=False,
        resources={"metadata": {"path": str(path.parent)}},
    ).execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    warned = [output.text for output in outputs if output.get("name") == "stderr"]
    if warned:
        raise ValueError(f"{path.name} writes to stderr: {warned[0]}")
    nbformat.write(normalised(notebook), path)


def draw(analysis: Analysis) -> str:
    """The README's figure: what an analysis says of clearance and g over rider mass, as SVG."""
    return svg(by_mass(analysis.rating, analysis.campaign.criteria), name="demo-limits")


def send() -> None:
    """The bundle that somebody sent: an invented campaign of lowest points, as this cordlab publishes it."""
    os.environ["SOURCE_DATE_EPOCH"] = "1777888800"
    with TemporaryDirectory() as place:
        folder = Path(place) / "sent"
        masses = {"masses": (40.0, 52.0, 66.0, 80.0), "checks": (52.0,), "worn_masses": (52.0, 80.0), "retests": (100,)}
        decision = {"model": "mooney-rivlin", "probability": 0.95, "jumps": 100}
        invent(folder, seed=12, cords=4, records=False, mechanics="waves", decision=decision, **masses)
        who = {"author": "An invented engineer", "licence": "CC0-1.0", "date": "2026-05-04"}
        print(publish(folder, FOLDER / SENT, analysis=analyse(read_campaign(folder)), **who).summary())


def main(names: list[str]) -> int:
    if not names or "figure" in names:
        FIGURE.write_text(draw(analyse(read_campaign(ROOT / "data-demo" / "first-batch"))) + "\n", encoding="utf-8")
        print(f"{FIGURE.relative_to(ROOT)}: {FIGURE.stat().st_size / 1024:.0f} KB", flush=True)
    if not names or "sent" in names:
        send()
    paths = [FOLDER / f"{Path(name).stem}.ipynb" for name in names if name not in ("figure", "sent")]
    paths = paths if names else sorted(FOLDER.glob("*.ipynb"))
    missing = [path.name for path in paths if not path.is_file()]
    if missing:
        print(f"no such notebook in notebooks/: {', '.join(missing)}", file=sys.stderr)
        return 2
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT), VARIABLE: str(DEMO)}
    for path in paths:
        start = time.perf_counter()
        run(path)
        print(f"{path.name}: {time.perf_counter() - start:.0f} s, {path.stat().st_size / 1024:.0f} KB", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

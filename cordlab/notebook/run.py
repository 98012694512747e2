"""The notebooks of the series, run on a campaign; their executed copies stand beside its results."""

import json
import os
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cordlab import __version__
from cordlab.campaign.campaign import Campaign
from cordlab.campaign.files import CampaignError, changes
from cordlab.notebook.choose import CHOICE, VARIABLE, Missing
from cordlab.report.results_folder import write_folder
from cordlab.units import Progress, unwatched

if TYPE_CHECKING:
    from nbformat import NotebookNode

_PACKAGE = Path(__file__).resolve().parents[1]
_PLACES = (_PACKAGE / "notebooks", _PACKAGE.parent / "notebooks")  # installed, or beside the package
NOTEBOOKS = next((place for place in _PLACES if place.is_dir()), _PLACES[0])
SERIES = "[01][0-9]-*.ipynb"
START = "00-start"
WIDGET = "application/vnd.jupyter.widget-view+json"
LONGEST = 900  # seconds that a cell may take


@dataclass(frozen=True)
class Executed:
    """One notebook as it ran."""

    name: str
    content: bytes
    stopped: str | None = None  # what the campaign lacks for it
    failed: str | None = None  # the cell, and its error

    def summary(self) -> str:
        if self.failed:
            return f"{self.name}: FAILED in {self.failed}"
        return f"{self.name}: stops: {self.stopped}" if self.stopped else f"{self.name}: done"


def series() -> tuple[Path, ...]:
    """The notebooks of the chain, in order, wherever cordlab is installed."""
    return tuple(sorted(path for path in NOTEBOOKS.glob(SERIES) if path.stem != START))


def run_series(
    campaign: Campaign, *, out: str | Path | None = None, progress: Progress = unwatched
) -> tuple[Executed, ...]:
    """Run the series on a campaign and replace the folder `out` of executed copies in one step, or else nothing."""
    paths = progress(series(), desc="notebooks", unit="notebook")
    notebooks = tuple(run_notebook(path, campaign) for path in paths)
    if changed := changes(campaign.folder, campaign.digests):
        raise ValueError(f"the campaign changed while its notebooks ran: {'; '.join(changed)}; run them again")
    place = folder_of(campaign) if out is None else Path(out)
    place.mkdir(parents=True, exist_ok=True)
    # opened from there, they work on the same campaign
    home = f"{os.path.relpath(campaign.folder.resolve(), place.resolve())}\n"
    write_folder(place, {notebook.name: notebook.content for notebook in notebooks} | {CHOICE: home.encode()})
    return notebooks


def folder_of(campaign: Campaign) -> Path:
    return campaign.folder / "results" / "notebooks"


def run_notebook(path: Path, campaign: Campaign) -> Executed:
    """One notebook on one campaign, from its first cell, in a kernel of this very Python and its modules."""
    import nbformat
    from jupyter_client.kernelspec import KernelSpecManager
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code":  # nothing of what is stored is kept, should it stop half-way
            cell.outputs, cell.execution_count = [], None
    kernel = AsyncKernelManager(kernel_spec_manager=KernelSpecManager(kernel_dirs=[]))  # no other Python's
    modules = os.pathsep.join(os.path.abspath(place) for place in sys.path)
    environment = os.environ | {VARIABLE: str(campaign.folder.resolve()), "PYTHONPATH": modules}
    error_name, message, stopped, failed = "", "", None, None
    with tempfile.TemporaryDirectory() as empty:  # the kernel's folder: what a notebook writes goes with it
        options = {"timeout": LONGEST, "extra_arguments": ["--log-level=ERROR"], "record_timing": False}
        place = {"metadata": {"path": empty}}
        client = NotebookClient(notebook, km=kernel, store_widget_state=False, resources=place, **options)
        try:
            client.execute(env=environment, cleanup_kc=True)
        except CellExecutionError as error:
            error_name, message = error.ename, error.evalue
        except (CellTimeoutError, DeadKernelError) as error:
            error_name, message = type(error).__name__, str(error).splitlines()[0]
    if error_name == CampaignError.__name__:  # seen only when the records are reduced
        raise CampaignError(tuple(message.splitlines()))
    last = max((k for k, cell in enumerate(notebook.cells) if cell.get("execution_count") is not None), default=0)
    if error_name == Missing.__name__:
        stopped = message
        notebook.cells = notebook.cells[: last + 1]
    elif error_name:
        first_line = notebook.cells[last].source.strip().splitlines()[0]
        failed = f"cell {last + 1} ({first_line}): {error_name}: {message}"
    notebook = normalised(notebook)
    origin = {"version": __version__, "campaign": campaign.sha256, "stopped": stopped, "failed": failed}
    notebook.metadata["cordlab"] = origin
    return Executed(path.name, nbformat.writes(notebook).encode(), stopped, failed)


def normalised(notebook: "NotebookNode") -> "NotebookNode":
    """Without what differs from run to run: times, ids. A panel keeps its picture and words."""
    from nbformat import NotebookNode, from_dict

    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    notebook.metadata = from_dict({"kernelspec": kernel, "language_info": {"name": "python"}})
    for number, cell in enumerate(notebook.cells):
        cell.id = f"cell-{number}"
        if cell.cell_type == "code":
            cell.metadata = NotebookNode()
            for output in cell.outputs:
                output.get("data", {}).pop(WIDGET, None)
    return notebook


def executed(campaign: Campaign) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Executed copies of these very inputs and this cordlab, all of the series or none, and why others are not."""
    paths, problems = sorted(folder_of(campaign).glob(SERIES)), []
    for path in paths:
        try:
            origin = dict(json.loads(path.read_bytes())["metadata"]["cordlab"])
        except (OSError, ValueError, KeyError, TypeError):
            origin = {}
        if origin.get("campaign") != campaign.sha256:
            problems.append(f"{path.name} was run on other inputs")
        elif origin.get("version") != __version__:
            problems.append(f"{path.name} was run by cordlab {origin.get('version')}, this is {__version__}")
        elif origin.get("failed"):
            problems.append(f"{path.name} failed in {origin['failed']}")
    if paths and (lacking := {path.name for path in series()} - {path.name for path in paths}):
        problems.append(f"there is no {', '.join(sorted(lacking))}")
    return (() if problems else tuple(paths)), tuple(problems)

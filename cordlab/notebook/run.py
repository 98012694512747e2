"""The notebooks of the series, run on a campaign; their executed copies stand beside its results."""

import json
import os
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    """One notebook as it ran. stopped : what it needs and the campaign has not. failed : the cell, and what it said."""

    name: str
    content: bytes
    stopped: str | None = None
    failed: str | None = None

    def summary(self) -> str:
        if self.failed:
            return f"{self.name}: FAILED in {self.failed}"
        return f"{self.name}: {f'stops: {self.stopped}' if self.stopped else 'done'}"


def series() -> tuple[Path, ...]:
    """The notebooks of the chain, in order, wherever cordlab is installed."""
    return tuple(sorted(path for path in NOTEBOOKS.glob(SERIES) if path.stem != START))


def run_series(
    campaign: Campaign, *, out: str | Path | None = None, progress: Progress = unwatched
) -> tuple[Executed, ...]:
    """Run the series on a campaign and replace the folder of executed copies in one step.

    out : that folder, if not `results/notebooks` in the campaign's own
    Raises ValueError, and writes nothing, where the campaign's files change meanwhile; ResultsError.
    """
    paths = progress(series(), desc="notebooks", unit="notebook")
    done = tuple(run_notebook(path, campaign) for path in paths)
    if changed := changes(campaign.folder, campaign.digests):
        raise ValueError(f"the campaign changed while its notebooks ran: {'; '.join(changed)}; run them again")
    place = folder_of(campaign) if out is None else Path(out)
    place.mkdir(parents=True, exist_ok=True)
    # opened from there, they work on the same campaign
    home = f"{os.path.relpath(campaign.folder.resolve(), place.resolve())}\n"
    write_folder(place, {each.name: each.content for each in done} | {CHOICE: home.encode()})
    return done


def folder_of(campaign: Campaign) -> Path:
    return campaign.folder / "results" / "notebooks"


def run_notebook(path: Path, campaign: Campaign) -> Executed:
    """One notebook on one campaign, from its first cell, in a kernel of this very Python."""
    import nbformat
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code":  # none of what is stored, should it stop half-way
            cell.outputs, cell.execution_count = [], None
    stopped = failed = None
    with tempfile.TemporaryDirectory() as empty:  # the kernel's folder: what a notebook writes goes with it
        client = NotebookClient(
            notebook,
            timeout=LONGEST,
            kernel_manager_class=_kernel(),
            record_timing=False,
            store_widget_state=False,
            resources={"metadata": {"path": empty}},
        )
        try:
            client.execute(env=os.environ | {VARIABLE: str(campaign.folder.resolve())})
        except CellExecutionError as error:
            if error.ename == CampaignError.__name__:  # found only when the records are reduced
                raise CampaignError(tuple(error.evalue.splitlines())) from None
            if error.ename == Missing.__name__:
                stopped, number = error.evalue, _last_run(notebook)
                notebook.cells = notebook.cells[: number + 1]
            else:
                failed = f"{_last_cell(notebook)}: {error.ename}: {error.evalue}"
        except (CellTimeoutError, DeadKernelError) as error:
            failed = f"{_last_cell(notebook)}: {str(error).splitlines()[0]}"
    notebook = normalised(notebook)
    notebook.metadata["cordlab"] = {
        "version": __version__, "campaign": campaign.sha256, "stopped": stopped, "failed": failed,
    }  # fmt: skip
    return Executed(path.name, nbformat.writes(notebook).encode(), stopped, failed)


def _kernel() -> type:
    """Starts kernels of this Python with the modules of this Python, whatever kernels are installed on the machine."""
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager

    path = [os.path.abspath(each) for each in sys.path]
    start = f"import sys; sys.path[:] = {path!r}; from ipykernel.kernelapp import launch_new_instance as go; go()"

    class ThisPython(AsyncKernelManager):
        @property
        def kernel_spec(self) -> KernelSpec:
            argv = [sys.executable, "-c", start, "-f", "{connection_file}", "--log-level=ERROR"]
            return KernelSpec(argv=argv, language="python")

    return ThisPython


def _last_cell(notebook: "NotebookNode") -> str:
    """The last cell that was run, with its first line."""
    number = _last_run(notebook)
    return f"cell {number + 1} ({notebook.cells[number].source.strip().splitlines()[0]})"


def _last_run(notebook: "NotebookNode") -> int:
    return max((k for k, cell in enumerate(notebook.cells) if cell.get("execution_count") is not None), default=0)


def normalised(notebook: "NotebookNode") -> "NotebookNode":
    """Without what differs from run to run: times, ids. A panel keeps its picture and words."""
    from nbformat import NotebookNode, from_dict

    notebook.metadata = from_dict(
        {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        }
    )
    for number, cell in enumerate(notebook.cells):
        cell.id = f"cell-{number}"
        if cell.cell_type == "code":
            cell.metadata = NotebookNode()
            for output in cell.outputs:
                output.get("data", {}).pop(WIDGET, None)
    return notebook


def executed(campaign: Campaign) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Executed copies beside the results that belong to these very inputs and this cordlab; and why others do not.

    All of the series or none: a part would pass for the whole.
    """
    paths, problems = sorted(folder_of(campaign).glob(SERIES)), []
    for path in paths:
        told = _about(path)
        if told.get("campaign") != campaign.sha256:
            problems.append(f"{path.name} was run on other inputs")
        elif told.get("version") != __version__:
            problems.append(f"{path.name} was run by cordlab {told.get('version')}, this is {__version__}")
        elif told.get("failed"):
            problems.append(f"{path.name} failed in {told['failed']}")
    if paths and (lacking := {path.name for path in series()} - {path.name for path in paths}):
        problems.append(f"there is no {', '.join(sorted(lacking))}")
    return (() if problems else tuple(paths)), tuple(problems)


def _about(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_bytes())["metadata"]["cordlab"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return found if isinstance(found, dict) else {}

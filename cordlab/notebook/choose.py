"""Which campaign the notebooks work on, where its chain stands, the start notebook's panel to choose it by; and the
notebooks of the series run on it, whose executed copies stand beside its results."""

import json
import os
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from glob import glob
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import ipywidgets as w
import numpy as np

from cordlab import __version__
from cordlab.batch.drop_table import retests
from cordlab.batch.slow_pulls import read_pulls
from cordlab.campaign.campaign import Campaign, read_campaign, read_jump_log
from cordlab.campaign.files import CampaignError, changes, replacing
from cordlab.notebook.panel import Answer, Panel
from cordlab.report.results_folder import RESULTS, ResultsState, results_state, write_folder
from cordlab.units import Progress, mass_range, unwatched

if TYPE_CHECKING:
    import pandas as pd
    from nbformat import NotebookNode

_PACKAGE = Path(__file__).resolve().parents[1]
_PLACES = (_PACKAGE / "notebooks", _PACKAGE.parent / "notebooks")  # installed, or beside the package
NOTEBOOKS = next((place for place in _PLACES if place.is_dir()), _PLACES[0])
SERIES = "[01][0-9]-*.ipynb"
START = "00-start"
WIDGET = "application/vnd.jupyter.widget-view+json"
LONGEST = 900  # seconds that a cell may take
VARIABLE = "CORDLAB_CAMPAIGN"
CHOICE = ".campaign"
"""File beside the notebooks that names the chosen campaign's folder in one line; a relative one starts there."""
BUNDLE = "CORDLAB_BUNDLE"
SENT = Path("../data-demo/sent.zip")
DEMO = Path("../data-demo/first-batch")

State = Literal["ready", "missing", "refused", "waits"]


class Missing(ValueError):
    """What a notebook needs and the campaign does not have. A notebook stops at it with one line, no traceback."""

    def _render_traceback_(self) -> list[str]:
        return [f"This notebook stops here: {self}"]


def chosen_folder(notebooks: str | Path = ".") -> Path:
    """The folder of the campaign of these notebooks: by the environment variable, else as chosen, else the demo."""
    if named := os.environ.get(VARIABLE):
        return Path(named)
    choice = Path(notebooks, CHOICE)
    if choice.is_file():
        return Path(notebooks, choice.read_text(encoding="utf-8").strip())
    if not Path(notebooks, DEMO).is_dir():
        raise Missing(f"no campaign is chosen: pick one in 00-start.ipynb, or set {VARIABLE} to its folder")
    return Path(notebooks, DEMO)


def sent_bundle(notebooks: str | Path = ".") -> Path:
    """The bundle to review: the one that the environment variable names, else the demo's. Raises Missing."""
    bundle = Path(os.environ.get(BUNDLE) or Path(notebooks, SENT))
    if not bundle.is_file():
        raise Missing(f"no bundle to review: set {BUNDLE} to the .zip that somebody sent")
    return bundle


def _there(find: Callable[..., Path], notebooks: str | Path = ".") -> Path | None:
    """What is found, or None where it is missing."""
    try:
        return find(notebooks)
    except Missing:
        return None


def chosen_campaign() -> Campaign:
    """The campaign that the notebooks work on, read and checked; see `chosen_folder`. Raises CampaignError, Missing."""
    return read_campaign(chosen_folder())


def choose(folder: str | Path, *, notebooks: str | Path = ".") -> None:
    """Have the notebooks in that folder work on this campaign from now on. Raises OSError."""
    with replacing(Path(notebooks, CHOICE)) as part:
        part.write_text(f"{Path(folder).resolve()}\n", encoding="utf-8")


def campaigns_in(folder: str | Path) -> tuple[Path, ...]:
    """Folders that hold a campaign.toml: this one, those in it, and those in these; hidden ones are left out."""
    # a folder that is not there, or not ours to look into, holds no campaign for us
    names = [name for deep in ("", "*/", "*/*/") for name in glob(f"{deep}campaign.toml", root_dir=folder)]
    return tuple(sorted(Path(folder, name).parent for name in names if Path(folder, name).is_file()))


@dataclass(frozen=True)
class Standing:
    """Where a campaign stands."""

    folder: Path
    campaign: Campaign | None  # None where it is refused,
    problems: tuple[str, ...]  # which say why
    results: ResultsState  # on disk
    steps: "pd.DataFrame"  # a row a notebook: its question, its state, and what is there for it

    def summary(self) -> str:
        if self.campaign is None:
            return "\n".join([f"{len(self.problems)} problems: it is refused", *self.problems])
        why = f" ({'; '.join(self.results.reasons)})" if self.results.reasons else ""
        to_do = "" if self.results.state == "fresh" else ", to be made by `cordlab analyse`"
        return f"{self.campaign.title}\n{self.campaign.batch}; results: {self.results.state}{why}{to_do}"


def stand(folder: str | Path) -> Standing:
    """Where the campaign in `folder` stands: every step, ready or not, and why. It is read, not analysed."""
    import pandas as pd

    results = results_state(folder)
    campaign: Campaign | None = None
    problems: tuple[str, ...] = ()
    states: dict[str, tuple[State, str]] = dict.fromkeys(TAKES, ("waits", "until the campaign is sound"))
    try:
        counts = _counts(campaign := read_campaign(folder))
        states = {name: _ready(counts, least) for name, least in TAKES.items()} | _answers(results)
    except CampaignError as error:
        campaign, problems = None, error.problems
        states["01-campaign"] = "refused", problems[0]
    rows = [(question(name), *state) for name, state in states.items()]
    steps = pd.DataFrame(rows, columns=["question", "state", "what is there"], index=pd.Index(states, name="notebook"))
    return Standing(Path(folder), campaign, problems, results, steps)


def question(notebook: str) -> str:
    """The question that a notebook answers: the first words in bold of its first cell."""
    first = json.loads((NOTEBOOKS / f"{notebook}.ipynb").read_text("utf-8"))["cells"][0]
    return "".join(first["source"]).split("**")[1]


def _ready(counts: Mapping[str, int], least: Mapping[str, int]) -> tuple[State, str]:
    """Whether the campaign has as many of each as a notebook takes, and how many it has."""
    has = ", ".join(f"{counts[what]} {what}" for what in least)
    few = [what for what in least if counts[what] < least[what]]
    if not few:
        return "ready", has
    takes = ", ".join(f"{least[what]} {what}" for what in few)
    return "missing" if any(counts[what] == 0 for what in few) else "refused", f"{has}; it takes {takes}"


def _answers(results: ResultsState) -> dict[str, tuple[State, str]]:
    """Notebook → what the results say, where they belong to what the folder holds now."""
    if results.state != "fresh":
        return {}
    written = json.loads((results.path / RESULTS).read_text("utf-8"))
    rating, masses = written["rating"], len(written["predictions"])
    refused: tuple[State, str] = ("refused", "; ".join(rating["reasons"]))
    answers = {"05-predict": refused, "06-rate": refused}
    if masses:
        answers["05-predict"] = "ready", f"{masses} rider masses predicted"
    if rating["rated"]:
        ends = mass_range(rating["lightest"], rating["heaviest"])
        answers["06-rate"] = "ready", f"rated for rider masses of {ends}"
    return answers


def _counts(campaign: Campaign) -> dict[str, int]:
    """How many there are of what the notebooks take. Raises CampaignError."""
    fit, worn = ([drop for drop in campaign.drops if drop.use == use] for use in ("fit", "wear"))
    recorded = [drop for drop in fit if drop.record is not None]
    noted = [drop for drop in campaign.drops if drop.use in ("fit", "check") and drop.lowest_point is not None]
    jumps = np.array([drop.jumps for drop in worn])
    return {
        "cords": len(campaign.cords),
        "drops": len(campaign.drops),
        "calibrated sensors": len(campaign.calibration),
        "records": sum(drop.record is not None for drop in campaign.drops),
        "recorded `fit` drops": len(recorded),
        "cords among these": len({drop.cord for drop in recorded}),
        "slow pulls": len(read_pulls(campaign)),
        "cords among the `fit` drops": len({drop.cord for drop in fit}),
        "masses among the `fit` drops": len({drop.mass.value for drop in fit}),
        "masses with a lowest point": len({drop.mass.value for drop in noted}),
        "break tests": len(campaign.breaks),
        "retests": np.unique(retests(jumps)).size if worn else 0,
        "cords in the jump log": len({row.cord for row in read_jump_log(campaign.folder)}),
        "entries in [report]": len(campaign.report),
        "bundles to review": int(_there(sent_bundle) is not None),
    } | {f"`{use}` drops": count for use, count in campaign.uses.items()}


_FOR_LIMITS = {"cords among the `fit` drops": 2, "masses among the `fit` drops": 2}
TAKES = {  # notebook → how many of each it takes, and shows
    "01-campaign": {"cords": 1, "drops": 1, "`fit` drops": 0, "`check` drops": 0, "`wear` drops": 0},
    "02-calibrate": {"calibrated sensors": 1},
    "03-reduce": {"records": 1, "recorded `fit` drops": 1},
    "04-fit": {"recorded `fit` drops": 1, "cords among these": 2, "slow pulls": 0},
    "05-predict": _FOR_LIMITS,
    "06-rate": _FOR_LIMITS,
    "07-batch": _FOR_LIMITS | {"break tests": 0},
    "08-wear": _FOR_LIMITS | {"retests": 1, "cords in the jump log": 0},
    "09-report": {"entries in [report]": 0},
    "10-recheck": {"bundles to review": 1},
    "t1-stretch-and-predict": {"masses with a lowest point": 3},
    "t2-what-a-limit-promises": {},
    "t3-a-cord-wears": {"retests": 2},
}
_MARKS = {"ready": "●", "missing": "○", "refused": "✕", "waits": "…"}  # told apart without colour


class StartPanel(Panel):
    """Where to look, which campaign, and whether the notebooks use it, kept in `.campaign`; below, every step."""

    def __init__(self, notebooks: str | Path = ".") -> None:
        self._notebooks = Path(notebooks)
        chosen = _there(chosen_folder, self._notebooks)
        look_in = self._notebooks if chosen is None else chosen.parent
        value = None if chosen is None else str(chosen)
        self._look_in = w.Text(value=str(look_in), description="look in folder")
        self._folder = w.Dropdown(options=_named(look_in, value), value=value, description="campaign")
        self._use = w.Checkbox(value=chosen is not None, description="all notebooks here work on it")
        super().__init__({"look_in": self._look_in, "folder": self._folder, "use": self._use}, self._answered)

    def _settle(self, moved: w.DOMWidget) -> None:
        """Another place has other campaigns, and another campaign is not chosen yet."""
        if moved is self._look_in:
            self._folder.options = _named(Path(moved.value).expanduser())
            self._folder.index = 0
        if moved is not self._use:
            self._use.value = self._is_chosen(self._folder.value)

    def _is_chosen(self, folder: str | None) -> bool:
        chosen = _there(chosen_folder, self._notebooks)
        return folder is not None and chosen is not None and Path(folder).resolve() == chosen.resolve()

    def _answered(self, look_in: str, folder: str | None, use: bool) -> Answer:
        if folder is None:
            return [f"no campaign in {look_in}: type another folder and press Enter"], None
        if use and not self._is_chosen(folder):
            choose(folder, notebooks=self._notebooks)
        used = "all notebooks here work on this campaign"
        if not use:
            used = "only looked at: tick the box to have all notebooks here work on it"
        elif VARIABLE in os.environ and not self._is_chosen(folder):
            used = f"chosen, but {VARIABLE} is set and names another: it wins until JupyterLab is started without it"
        standing = stand(folder)
        marked = standing.steps["state"].map(lambda state: f"{_MARKS[state]} {state}")
        return [*standing.summary().splitlines(), used], standing.steps.assign(state=marked)


def _named(look_in: Path, chosen: str | None = None) -> list[tuple[str, str | None]]:
    """Campaigns below a folder by their names from there on; the chosen one too where it is no campaign any more."""
    paths = campaigns_in(look_in)
    named = [(path.name if path == look_in else path.relative_to(look_in).as_posix(), str(path)) for path in paths]
    if chosen is not None and Path(chosen) not in paths:
        named.insert(0, (Path(chosen).name, chosen))
    return [*named] or [("none in that folder, nor two folders deep", None)]


start_panel = StartPanel


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

"""Which campaign the notebooks work on, and where its chain stands; the start notebook's panel to choose it by."""

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from glob import glob
from pathlib import Path
from typing import Any, Literal

import ipywidgets as w
import numpy as np

from cordlab.batch.slow_pulls import read_pulls
from cordlab.campaign.campaign import Campaign, read_campaign
from cordlab.campaign.files import CampaignError, replacing
from cordlab.campaign.jump_log import read_jump_log
from cordlab.notebook.panel import ONE_LINE, TablePanel, html_table
from cordlab.report.results_folder import RESULTS, ResultsState, results_state
from cordlab.wear.wear import retests

VARIABLE = "CORDLAB_CAMPAIGN"
CHOICE = ".campaign"
"""File beside the notebooks that names the chosen campaign's folder in one line; a relative one starts there."""
DEMO = Path("../data-demo/first-batch")

State = Literal["ready", "missing", "refused", "waits"]


class Missing(ValueError):
    """What a notebook needs and the campaign does not have. A notebook stops at it with one line, no traceback."""

    def _render_traceback_(self) -> list[str]:
        return [f"This notebook stops here: {self}"]


def chosen_folder(beside: str | Path = ".") -> Path:
    """The folder of the campaign that the notebooks in the folder `beside` work on.

    The one that the environment variable CORDLAB_CAMPAIGN names; else the one chosen in the start notebook, kept in the
    file `.campaign` there; else the demo. Raises Missing where there is none of them.
    """
    if named := os.environ.get(VARIABLE):
        return Path(named)
    choice = Path(beside, CHOICE)
    if choice.is_file():
        return Path(beside, choice.read_text(encoding="utf-8").strip())
    if not Path(beside, DEMO).is_dir():
        raise Missing(f"no campaign is chosen: pick one in 00-start.ipynb, or set {VARIABLE} to its folder")
    return Path(beside, DEMO)


def chosen_campaign() -> Campaign:
    """The campaign that the notebooks work on, read and checked; see `chosen_folder`. Raises CampaignError, Missing."""
    return read_campaign(chosen_folder())


def choose(folder: str | Path, *, beside: str | Path = ".") -> None:
    """Have the notebooks in the folder `beside` work on this campaign from now on. Raises OSError."""
    with replacing(Path(beside, CHOICE)) as part:
        part.write_text(f"{Path(folder).resolve()}\n", encoding="utf-8")


def campaigns_in(folder: str | Path) -> tuple[Path, ...]:
    """Folders that hold a campaign.toml: this one, those in it, and those in these; hidden ones are left out."""
    # a folder that is not there, or not ours to look into, holds no campaign for us
    names = [name for deep in ("", "*/", "*/*/") for name in glob(f"{deep}campaign.toml", root_dir=folder)]
    return tuple(sorted(Path(folder, name).parent for name in names if Path(folder, name).is_file()))


@dataclass(frozen=True)
class Step:
    """One notebook's part of the chain: what it has to work with, or why it has nothing."""

    notebook: str
    question: str
    state: State
    has: str

    def summary(self) -> str:
        return f"{self.notebook:<26} {self.state:<8} {self.has}"


@dataclass(frozen=True)
class Standing:
    """Where a campaign stands. campaign : None where it is refused, then `problems` say why. results : on disk."""

    folder: Path
    campaign: Campaign | None
    problems: tuple[str, ...]
    results: ResultsState
    steps: tuple[Step, ...]

    def summary(self) -> str:
        lines = [f"{len(self.problems)} problems: it is refused", *self.problems]
        if self.campaign is not None:
            lines = [self.campaign.title, f"{self.campaign.batch}; results: {_told(self.results)}"]
        return "\n".join(lines)


def _told(results: ResultsState) -> str:
    why = f" ({'; '.join(results.reasons)})" if results.reasons else ""
    return f"{results.state}{why}" + ("" if results.state == "fresh" else ", to be made by `cordlab analyse`")


def stand(folder: str | Path) -> Standing:
    """Where the campaign in `folder` stands: every step, ready or not, and why. It is read, not analysed."""
    folder = Path(folder)
    results = results_state(folder)
    try:
        campaign = read_campaign(folder)
    except CampaignError as error:
        first, *rest = (Step(name, asks, "waits", "until the campaign is sound") for name, asks, _ in _NOTEBOOKS)
        first = replace(first, state="refused", has=error.problems[0])
        return Standing(folder, None, error.problems, results, (first, *rest))
    steps: list[Step] = []
    for name, asks, look in _NOTEBOOKS:
        try:
            state, has = look(campaign, _written(results))
        except CampaignError as error:
            state, has = "refused", "; ".join(error.problems)
        steps.append(Step(name, asks, state, has))
    return Standing(folder, campaign, (), results, tuple(steps))


def _written(results: ResultsState) -> dict[str, Any] | None:
    """results.json, where it belongs to what the folder holds now."""
    return json.loads((results.path / RESULTS).read_text("utf-8")) if results.state == "fresh" else None


Found = tuple[State, str]
Written = dict[str, Any] | None


def _campaign(campaign: Campaign, _: Written) -> Found:
    if not campaign.drops:
        return "ready", f"{len(campaign.cords)} cords; no drop yet: `cordlab ladder` says which weight comes first"
    counted = ", ".join(f"{count} {use}" for use, count in campaign.uses.items() if count)
    masses = sorted(drop.mass.value for drop in campaign.drops)
    return "ready", f"{len(campaign.cords)} cords; drops: {counted}; {masses[0]:g} to {masses[-1]:g} kg"


def _calibrate(campaign: Campaign, _: Written) -> Found:
    if not campaign.calibration:
        return "missing", "no sensor was calibrated: no drop has a record"
    pairs = (f"{name} ({table.reading.size} pairs)" for name, table in campaign.calibration.items())
    return "ready", ", ".join(pairs)


def _reduce(campaign: Campaign, _: Written) -> Found:
    records = sum(drop.record is not None for drop in campaign.drops)
    if not records:
        return "missing", "no drop has a record: lowest points alone"
    return "ready", f"{records} records, {'with' if 'distance' in campaign.calibration else 'without'} distance"


def _fit(campaign: Campaign, written: Written) -> Found:
    slow = len(read_pulls(campaign))
    beside = f"; {slow} slow pulls beside them" if slow else ""
    recorded = [drop for drop in campaign.drops if drop.use == "fit" and drop.record is not None]
    if not recorded:
        return "missing", f"no `fit` drop has a record: the curve comes from lowest points alone{beside}"
    model = f"; {written['curve']['model']}" if written else ""
    return "ready", f"{len(recorded)} recorded `fit` drops of {_number_of_cords(recorded)} cords{beside}{model}"


def _limits(campaign: Campaign, written: Written) -> Found:
    """What limits for the next drop of another cord take; the analysis has the last word."""
    if written and not written["predictions"]:
        return "refused", "; ".join(written["rating"]["reasons"])
    fit = [drop for drop in campaign.drops if drop.use == "fit"]
    for what, count in (("cord", _number_of_cords(fit)), ("mass", len({drop.mass.value for drop in fit}))):
        if count < 2:
            return "refused", f"{count} {what} among the `fit` drops: a limit for the next drop takes at least 2"
    return "ready", f"{len(fit)} `fit` drops" + (f", {len(written['predictions'])} masses predicted" if written else "")


def _rate(campaign: Campaign, written: Written) -> Found:
    if written is None:
        state, has = _limits(campaign, written)
        return state, "criteria and site are given; not analysed yet" if state == "ready" else has
    rating = written["rating"]
    if not rating["rated"]:
        return "refused", "not rated: " + "; ".join(rating["reasons"])
    return "ready", f"rated for rider masses of {rating['lightest']:.1f} to {rating['heaviest']:.1f} kg"


def _batch(campaign: Campaign, _: Written) -> Found:
    cords = _number_of_cords([drop for drop in campaign.drops if drop.use == "fit"])
    broken = f"{len(campaign.breaks)} break tests" if campaign.breaks else "no break tests: nothing is said of the lot"
    return ("ready" if cords > 1 else "missing"), f"{cords} cord{'s' * (cords > 1)} to compare; {broken}"


def _wear(campaign: Campaign, _: Written) -> Found:
    logged = len({row.cord for row in read_jump_log(campaign.folder)})
    log = f"jump log of {logged} cords" if logged else "no jump log"
    counts = _retested(campaign)
    if not counts:
        return "missing", f"no drop has use `wear`: cords as when tested; {log}"
    return "ready", f"retests at {', '.join(map(str, counts))} jumps; {log}"


def _report(campaign: Campaign, _: Written) -> Found:
    given = len(campaign.report)
    return "ready", f"{given} entries in [report]" + ("" if given else ": its lines are blank, to fill in by hand")


def _recheck(campaign: Campaign, _: Written) -> Found:
    return "ready", f"{len(campaign.digests)} input files, identity {campaign.sha256[:16]}…"


def _guess(campaign: Campaign, _: Written) -> Found:
    masses = {drop.mass.value for drop in campaign.drops if drop.use != "wear" and drop.lowest_point is not None}
    return ("ready" if len(masses) > 2 else "missing"), f"{len(masses)} masses with a lowest point; it takes 3"


def _promise(campaign: Campaign, _: Written) -> Found:
    return "ready", "invents its own batches"


def _retire(campaign: Campaign, _: Written) -> Found:
    counts = len(_retested(campaign)) + 1
    return ("ready" if counts > 2 else "missing"), f"{counts} jump counts, the first tests among them; it takes 3"


def _retested(campaign: Campaign) -> list[int]:
    jumps = np.array([drop.jumps for drop in campaign.drops if drop.use == "wear"])
    return np.unique(retests(jumps)).tolist() if jumps.size else []


def _number_of_cords(drops: Sequence[Any]) -> int:
    return len({drop.cord for drop in drops})


_NOTEBOOKS: tuple[tuple[str, str, Callable[[Campaign, Written], Found]], ...] = (
    ("01-campaign", "Is the campaign sound, and may the next weight be dropped?", _campaign),
    ("02-calibrate", "What does a reading mean, and how sure is that?", _calibrate),
    ("03-reduce", "What did the cord do in this drop?", _reduce),
    ("04-fit", "Which curve do these cords follow, and how sure is it?", _fit),
    ("05-predict", "How low does a rider come, how hard is it, how sure is that?", _limits),
    ("06-rate", "Which riders may these cords carry here?", _rate),
    ("07-batch", "Are the cords alike, and may the lot be issued?", _batch),
    ("08-wear", "For how many jumps does the rated range hold?", _wear),
    ("09-report", "What goes into the report, and what does it lack before it is signed?", _report),
    ("10-recheck", "Does a published analysis come out again?", _recheck),
    ("t1-stretch-and-predict", "How low will the next, heavier weight come?", _guess),
    ("t2-what-a-limit-promises", "A limit says 95 %. Of what, and how often is it true?", _promise),
    ("t3-a-cord-wears", "After how many jumps would you stop?", _retire),
)


def as_steps(steps: Sequence[Step]) -> str:
    """The chain at a glance, as an HTML table. What stands in it may come from a stranger's file: it is escaped."""
    rows = [(step.notebook, step.question, f"{_MARKS[step.state]} {step.state}", step.has) for step in steps]
    return html_table(("notebook", "question", "state", "what is there"), rows, {0: ONE_LINE, 2: ONE_LINE})


_MARKS = {"ready": "●", "missing": "○", "refused": "✕", "waits": "…"}  # told apart without colour


class StartPanel(TablePanel):
    """Where to look, which campaign, and whether the notebooks use it; below, every step of the chain.

    Choosing writes the file `.campaign` in the folder `beside`; nothing else is written.
    """

    def __init__(self, beside: Path) -> None:
        self._beside, chosen = beside, _chosen(beside)
        look_in = beside if chosen is None else chosen.parent
        value = None if chosen is None else str(chosen)
        controls = {
            "look_in": w.Text(value=str(look_in), description="look in folder", continuous_update=False),
            "folder": w.Dropdown(options=_named(look_in, value), value=value, description="campaign"),
            "use": w.Checkbox(value=chosen is not None, description="all notebooks here work on it"),
        }
        controls["look_in"].observe(self._look, names="value")
        controls["folder"].observe(self._pick, names="value")
        super().__init__(controls, self._answered, table=as_steps)

    def _look(self, change: dict) -> None:
        options = _named(Path(change["new"]).expanduser())
        self.controls["folder"].options = options
        self.controls["folder"].value = options[0][1]

    def _pick(self, change: dict) -> None:
        self.controls["use"].value = change["new"] is not None and _same(change["new"], self._beside)

    def _answered(self, look_in: str, folder: str | None, use: bool) -> tuple[Sequence[str], Sequence[Step]]:
        if folder is None:
            return [f"no campaign in {look_in}: type another folder and press Enter"], ()
        if use and not _same(folder, self._beside):
            choose(folder, beside=self._beside)
        used = "all notebooks here work on this campaign"
        if not use:
            used = "only looked at: tick the box to have all notebooks here work on it"
        elif VARIABLE in os.environ and not _same(folder, self._beside):
            used = f"chosen, but {VARIABLE} is set and names another: it wins until JupyterLab is started without it"
        standing = stand(folder)
        return [*standing.summary().splitlines(), used], standing.steps


def _chosen(beside: Path) -> Path | None:
    try:
        return chosen_folder(beside)
    except Missing:
        return None


def _same(folder: str, beside: Path) -> bool:
    chosen = _chosen(beside)
    return chosen is not None and Path(folder).resolve() == chosen.resolve()


def _named(look_in: Path, chosen: str | None = None) -> list[tuple[str, str | None]]:
    """Campaigns below a folder by their names from there on; the chosen one too where it is no campaign any more."""
    found = campaigns_in(look_in)
    named: list[tuple[str, str | None]] = [
        (each.name if each == look_in else each.relative_to(look_in).as_posix(), str(each)) for each in found
    ]
    if chosen is not None and chosen not in map(str, found):
        named.insert(0, (Path(chosen).name, chosen))
    return named or [("none in that folder, nor two folders deep", None)]


def start_panel(beside: str | Path = ".") -> StartPanel:
    """Choose the campaign for the notebooks in the folder `beside`."""
    return StartPanel(Path(beside))

"""The start notebook's panel: look for campaigns, see where each stands, and choose the one that all notebooks use."""

import os
from collections.abc import Sequence
from pathlib import Path

import ipywidgets as w

from cordlab.notebook.panels import ONE_LINE, html_table
from cordlab.notebook.reviewing import TablePanel
from cordlab.notebook.start import VARIABLE, Missing, Step, campaigns_in, choose, chosen_folder, stand


def as_steps(steps: Sequence[Step]) -> str:
    """The chain at a glance, as an HTML table. What stands in it may come from a stranger's file: it is escaped."""
    rows = [(step.notebook, step.question, f"{_MARKS[step.state]} {step.state}", step.has) for step in steps]
    return html_table(("notebook", "question", "state", "what is there"), rows, {0: ONE_LINE, 2: ONE_LINE})


_MARKS = {"ready": "●", "missing": "○", "refused": "✕", "waits": "…"}  # told apart without colour


class StartPanel(TablePanel):
    """Where to look, which campaign, and whether the notebooks use it; below, every step of the chain.

    Choosing writes the file `.campaign` in the folder `beside`; nothing else is written.
    """

    @staticmethod
    def _table(rows: Sequence[Step]) -> str:
        return as_steps(rows)

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
        super().__init__(controls, self._answered)

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

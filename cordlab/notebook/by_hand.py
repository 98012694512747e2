"""Panels by which choices are made by hand: events of a record marked, cords left out, each written with its reason.

Nothing is written until the button is pressed. What is refused is said beside it, and nothing is written then.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import numpy as np
from matplotlib.figure import Figure

from cordlab.batch.drop_table import Evidence, SetUp
from cordlab.batch.fit import BatchFit, FitError, fit_batch
from cordlab.batch.lowest_points import energies
from cordlab.campaign.campaign import CampaignError
from cordlab.campaign.decisions import EVENTS, LEFT_OUT, Choice, Decisions, record_decision, take_back
from cordlab.notebook.choose import Missing
from cordlab.notebook.panel import ONE_LINE, Panel, fit_out, html_table
from cordlab.records.calibration import OutsideCalibration
from cordlab.records.reduce import Drop, RecordError, reduce_entry
from cordlab.report import figures as plots
from cordlab.report.raw_figures import raw_record
from cordlab.report.style import RED
from cordlab.units import Measured

if TYPE_CHECKING:
    from cordlab.batch.wave_removal import WaveFit
    from cordlab.campaign.campaign import Campaign
    from cordlab.records.calibration import Calibration

STEP = 0.005  # s, of a slider; the turn that a mark names is found in the record
_NAMES = {"release": "release", "slack_end": "slack ends", "lowest": "lowest point"}


class ChoicePanel(Panel):
    """A panel whose choice can be written to decisions.csv: a reason, who decides, and a button.

    `record` writes, and raises CampaignError where the choice is refused; the button shows that instead.
    """

    def __init__(self, controls: Mapping[str, Any], answer: Callable[..., tuple[Sequence[str], Figure]]) -> None:
        self.reason = w.Text(description="reason, one line [text]", placeholder="required")
        self.by = w.Text(description="decided by [name]", placeholder="may be left blank")
        self.button = w.Button(
            description="Record this choice", tooltip="write this choice with its reason to decisions.csv"
        )
        self.outcome = w.HTML()
        super().__init__(controls, answer)
        for control in (self.reason, self.by):
            fit_out(control)
        self.children: tuple[Any, ...] = (*self.children, self.reason, self.by, self.button, self.outcome)
        self.button.on_click(self._clicked)

    def record(self) -> str:
        """Write the choice and say what was written. Raises CampaignError; then nothing was."""
        reason, by = self.reason.value.strip(), self.by.value.strip() or None
        if not reason:
            raise CampaignError(("give a reason first: whoever reads the report in a year has only that",))
        said = self._write(reason, by)
        self.outcome.value = f'<div role="status">{escape(said)}</div>'
        return said

    def _write(self, reason: str, by: str | None) -> str:
        raise NotImplementedError

    def _clicked(self, _: Any) -> None:
        try:
            self.record()
        except CampaignError as error:
            told = "<br>".join(escape(problem) for problem in error.problems)
            self.outcome.value = f'<div role="alert"><b>not recorded:</b> {told}</div>'


class RecordPanel(ChoicePanel):
    """One record after the other with its events; a moved event is by hand, and the record is reduced with it."""

    def __init__(self, campaign: "Campaign", calibrations: "dict[str, Calibration]") -> None:
        self.campaign, self._calibrations = campaign, calibrations
        entries = {entry.drop: entry for entry in campaign.drops if entry.record is not None}
        if not entries:
            raise Missing("the campaign has no records: its drops count with their lowest points alone")
        labels = [(f"{name}, {entry.cord}, {entry.mass.value:g} kg", name) for name, entry in entries.items()]
        self._entries, self._settling = entries, True
        self._alone: Drop | None = None
        self._found: dict[str, float] = {}
        self.controls = {"drop": w.SelectionSlider(options=labels, description="drop, cord, mass")}
        for name, word in _NAMES.items():
            self.controls[name] = w.FloatSlider(description=f"{word} [s]", step=STEP, readout_format=".3f")
        self._settle()
        super().__init__(self.controls, self._reduced)

    def _changed(self, change: Any) -> None:
        if self._settling:
            return
        if change["owner"] is self.controls["drop"]:
            self._settle()
        super()._changed(change)

    def _settle(self) -> None:
        """The sliders at the events of this drop: those marked in the campaign, else those of the record alone."""
        self._settling = True
        entry = self._entries[self.controls["drop"].value]
        record = self.campaign.read_record(entry)
        start, end = float(record.time[0]), float(record.time[-1])
        try:
            self._alone = alone = reduce_entry(self._with(None), entry, self._calibrations)
            self._found = {name: float(alone.time[getattr(alone, name)]) for name in EVENTS}
        except (RecordError, OutsideCalibration):
            self._alone = None
            self._found = {name: start + share * (end - start) for name, share in zip(EVENTS, _GUESS, strict=True)}
        mark = self.campaign.by_hand.marked(entry.drop)
        marked = {name: at.value for name, at in mark.events.items()} if mark else {}
        for name in EVENTS:
            slider = self.controls[name]
            slider.min, slider.max = min(start, slider.min), max(end, slider.max)  # never crossed on the way
            slider.min, slider.max = start, end
            slider.value = marked.get(name, self._found[name])
        self._settling = False

    def _moved(self) -> dict[str, float]:
        """The events that are not where the record alone has them; all of them where it is refused."""
        at = {name: float(self.controls[name].value) for name in EVENTS}
        return {name: when for name, when in at.items() if self._alone is None or abs(when - self._found[name]) > STEP}

    def _with(self, mark: Choice | None) -> "Campaign":
        return replace(self.campaign, by_hand=Decisions((mark,) if mark else ()))

    def _reduced(self, drop: str, **_: float) -> tuple[list[str], Figure]:
        entry, moved = self._entries[drop], self._moved()
        marks = {name: Measured(at) for name, at in moved.items()}
        mark = Choice(self.reason.value.strip() or "not given yet", drop, times=marks) if marks else None
        found, told = self._alone, []
        if mark is not None:
            try:
                found = reduce_entry(self._with(mark), entry, self._calibrations)
            except (RecordError, OutsideCalibration) as error:
                told = [f"with these marks the record is refused: {error}"]
        if not told and found is not None:
            told = [line.strip() for line in found.summary().splitlines()]
        if found is not None:
            figure = plots.record(found)
        else:
            record = self.campaign.read_record(entry)
            units = {name: table.reading_unit for name, table in self.campaign.calibration.items()}
            figure = raw_record(record, force_unit=units["force"], distance_unit=units.get("distance", ""))
        for name, at in moved.items():
            for ax in figure.axes:
                ax.axvline(at, color=RED, ls=":", lw=1.6, label=f"{_NAMES[name]}, by hand")
        return told, figure

    def _write(self, reason: str, by: str | None) -> str:
        drop, moved, folder = self.controls["drop"].value, self._moved(), self.campaign.folder
        if moved:
            mark = Choice(reason, drop, times={name: Measured(round(at, 4)) for name, at in moved.items()}, by=by)
            try:
                reduce_entry(self._with(mark), self._entries[drop], self._calibrations)
            except (RecordError, OutsideCalibration) as error:  # no mark is written with which its record is refused
                raise CampaignError((str(error),)) from error
            self.campaign = record_decision(folder, mark)
            return f"recorded: drop {drop}, " + ", ".join(f"{_NAMES[name]} {at:.3f} s" for name, at in moved.items())
        before = self.campaign.by_hand.marked(drop)
        if before is None:
            raise CampaignError((f"no event of drop {drop} was moved: there is nothing to record",))
        self.campaign = take_back(folder, before, reason=reason)
        return f"taken back: the marks of drop {drop}"


_GUESS = (0.15, 0.3, 0.5)  # of the record, where its own events cannot be found


record_panel = RecordPanel


class ModelPanel(ChoicePanel):
    """The working surface of the fit: models side by side, cords on and off with a refit at once, the bands by name.

    Cords left out can be recorded.
    drops : every reduced drop of the campaign, waves taken off; fit : of those that count; waves : what was taken off
    """

    def __init__(
        self, campaign: "Campaign", drops: Sequence[Drop], fit: BatchFit, *, waves: "WaveFit | None" = None
    ) -> None:
        self.campaign, self._waves = campaign, waves
        self._uses = {entry.drop: entry.noted_use for entry in campaign.drops}
        alone = {each.drop for each in campaign.by_hand.left_out if each.cord is None}
        self._drops = [drop for drop in drops if drop.name not in alone]
        cords = list(dict.fromkeys(drop.cord for drop in self._drops if self._uses[drop.name] == "fit"))
        off = {each.cord for each in campaign.by_hand.left_out}
        self.cords = {cord: w.Checkbox(value=cord not in off, description=f"cord {cord} counts") for cord in cords}
        self._fits = {frozenset(cord for cord in cords if cord not in off): fit}
        names = [each.model for each in sorted(fit.candidates, key=lambda each: each.aicc) if each.fit is not None]
        bands = w.SelectMultiple(options=plots.BANDS, value=plots.BANDS, rows=3, description="bands of 95 % [name]")
        controls = {
            "model": w.Dropdown(options=names, value=fit.chosen.model.name, description="model"),
            "shown": w.ToggleButtons(options=["curve and bands", "residuals"], description="picture"),
            "bands": bands,
            **{f"cord {cord}": box for cord, box in self.cords.items()},
        }
        self.table = w.HTML()
        self._rows: list[tuple[str, ...]] = []
        super().__init__(controls, self._compared)
        for box in self.cords.values():
            box.indent, box.layout.width = False, "11em"
        wrapped = w.Layout(
            flex_flow="row wrap", margin="0 0 0 20.5em", width="36em", max_height="12em", overflow="auto"
        )
        boxes = w.Box(list(self.cords.values()), layout=wrapped)
        rest = [child for child in self.children if child not in self.cords.values()]
        place = rest.index(self.text)
        self.children = (*rest[:place], boxes, self.text, self.table, *rest[place + 1 :])

    def refresh(self) -> None:
        """Fit where this choice of cords was not fitted yet, and draw."""
        super().refresh()
        self.table.value = html_table(_HEADS, self._rows, {0: ONE_LINE})

    def fit(self) -> BatchFit:
        """The fit of the cords that are on. Raises FitError."""
        on = self.on
        if on not in self._fits:
            check, used = self._counting("check"), self._counting("fit")
            alone = self._lowest_points(on)
            beside = energies(used, alone, rig=SetUp.of(self.campaign.rig), waves=self._waves) if used else None
            self._fits[on] = fit_batch(used, model=self.campaign.decision.model, check=check, energies=beside)
        return self._fits[on]

    def _counting(self, use: str) -> list[Drop]:
        """Reduced drops of the cords that are on."""
        return [drop for drop in self._drops if drop.cord in self.on and self._uses[drop.name] == use]

    def _lowest_points(self, on: frozenset[str]) -> Evidence:
        """Of every `fit` drop of these cords, recorded or not."""
        found = Evidence.of_campaign(self.campaign, self._drops, use=("fit", LEFT_OUT))
        of_fit = [self._uses[name] == "fit" and cord in on for name, cord in zip(found.drop, found.cord, strict=True)]
        return found.take(np.array(of_fit, bool))

    @property
    def on(self) -> frozenset[str]:
        return frozenset(cord for cord, box in self.cords.items() if box.value)

    def _compared(self, model: str, shown: str, bands: Sequence[str], **_: bool) -> tuple[list[str], Figure]:
        self._rows, on = [], self.on
        off = [cord for cord in self.cords if cord not in on]
        try:
            fit = self.fit()
            candidate = fit.candidate(model)
            picked = replace(fit, chosen=candidate.fitted)
        except FitError as error:
            return [f"no fit of {len(on)} cords: {error}"], Figure()
        best = min(each.aicc for each in fit.candidates)
        for each in sorted(fit.candidates, key=lambda each: each.aicc):
            word = "chosen" if each.model == fit.chosen.model.name else "as good" if each.model in fit.equals else ""
            numbers = (_number(each.aicc - best), _number(each.check_rms), f"{each.sensible_to:.2f}")
            self._rows.append((each.model, *numbers, word, each.note))
        word = "chosen" if model == fit.chosen.model.name else "as good" if model in fit.equals else "not chosen"
        parameters = ", ".join(f"{name} = {value:.4g}" for name, value in picked.chosen.parameters.items())
        own = self._counting("fit")
        rms = {drop.name: _rms(drop, picked) for drop in own}
        worst = max(rms, key=lambda name: rms[name])
        told = [
            f"{model}: {word}, {len(on)} of {len(self.cords)} cords count",
            parameters or "no parameters",
            f"AICc {_number(candidate.aicc - best)} above the best; rms of force in {fit.held_back} "
            f"{_number(candidate.check_rms)} N; residual sd {picked.chosen.residual_sd:.1f} N",
            f"greatest residuals: drop {worst}, rms {rms[worst]:.1f} N",
            *([candidate.note] if candidate.note else []),
            *(
                f"cord {each}, off: {100 * self._apart(each, picked):+.1f} % in stiffness from the batch"
                for each in off
            ),
        ]
        drawn = plots.residuals(own, picked) if shown == "residuals" else plots.curves(own, picked, bands=bands)
        return told, drawn

    def _apart(self, cord: str, fit: BatchFit) -> float:
        """Share by which a cord that is off is stiffer than the batch's curve; least squares over its drops."""
        own = [drop for drop in self._drops if drop.cord == cord and self._uses[drop.name] != "wear"]
        curve = np.concatenate([fit.chosen.curve.force(drop.stretch_ratio) for drop in own])
        return float(curve @ np.concatenate([drop.force for drop in own]) / (curve @ curve) - 1)

    def _write(self, reason: str, by: str | None) -> str:
        left = {each.cord: each for each in self.campaign.by_hand.left_out if each.cord is not None}
        out = [cord for cord in self.cords if cord not in self.on and cord not in left]
        back = [cord for cord in self.cords if cord in self.on and cord in left]
        if not out and not back:
            raise CampaignError(("the cords stand as they are recorded: there is nothing to record",))
        for cord in out:
            self.campaign = record_decision(self.campaign.folder, Choice(reason, cord=cord, by=by))
        for cord in back:
            self.campaign = take_back(self.campaign.folder, left[cord], reason=reason)
        told = [
            f"{word}: cord {', '.join(names)}" for word, names in (("left out", out), ("counts again", back)) if names
        ]
        return f"recorded, {'; '.join(told)}. Run the analysis again: it says what would be rated without this choice."


model_panel = ModelPanel


def _rms(drop: Drop, fit: BatchFit) -> float:
    off = drop.force - fit.chosen.scales.get(drop.cord, 1.0) * fit.chosen.curve.force(drop.stretch_ratio)
    return float(np.sqrt(np.mean(off**2)))


def _number(value: float) -> str:
    """With one place, or a dash where too few drops give none."""
    return f"{value:.1f}" if np.isfinite(value) else "–"


_HEADS = ("model", "AICc above the best [1]", "rms held back [N]", "rises to stretch ratio [1]", "use", "note")

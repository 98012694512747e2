"""Panels by which choices are made by hand: events of a record marked, cords left out, each written with its reason
when the button is pressed; a refusal is shown below it, and nothing is written then."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING

import ipywidgets as w
import numpy as np

from cordlab.batch.drop_table import Evidence
from cordlab.batch.fit import BatchFit, CurveFit, FitError, fit_batch
from cordlab.batch.lowest_points import energies
from cordlab.campaign.campaign import CampaignError
from cordlab.campaign.decisions import CAUSES, EVENTS, LEFT_OUT, Choice, Decisions, record_decision, take_back
from cordlab.notebook.choose import Missing
from cordlab.notebook.panel import Answer, Panel, lay_out, table_html
from cordlab.records.calibration import OutsideCalibration
from cordlab.records.campaign_drops import reduce_entry
from cordlab.records.reduce import Drop, RecordError
from cordlab.report import figures as plots
from cordlab.report.style import RED
from cordlab.units import Measured

if TYPE_CHECKING:
    import lmfit

    from cordlab.batch.wave_removal import WaveFit
    from cordlab.campaign.campaign import Campaign
    from cordlab.records.calibration import Calibration

STEP = 0.005  # s, of a slider; the turn that a mark names is found in the record
_NAMES = {"release": "release", "slack_end": "slack ends", "lowest": "lowest point"}
_GUESS = dict(zip(EVENTS, (0.15, 0.3, 0.5), strict=True))  # share of a record in which no events can be found


class ChoicePanel(Panel):
    """A panel whose choice is written to decisions.csv by `record`, or by a button that shows why it is refused."""

    _write: Callable[..., str]  # of each panel: writes its choice with the reason and who decided, and says what

    def __init__(
        self,
        controls: Mapping[str, w.DOMWidget],
        answer: Callable[..., Answer],
        *about: w.DOMWidget,
        above: Sequence[w.Widget] = (),
        between: Sequence[w.Widget] = (),
    ) -> None:
        self.reason = w.Text(description="reason, one line [text]", placeholder="required")
        self.by = w.Text(description="decided by [name]", placeholder="may be left blank")
        tooltip = "write this choice with its reason to decisions.csv"
        self.button = w.Button(description="Record this choice", tooltip=tooltip)
        self.outcome = w.HTML()
        noted = (*about, self.reason, self.by)
        for control in noted:
            lay_out(control)
        below = (*noted, self.button, self.outcome)
        super().__init__(controls, answer, above=above, between=between, below=below)
        self.button.on_click(self._clicked)

    def record(self) -> str:
        """Write the choice and say what was written. Raises CampaignError; then nothing was."""
        reason, by = self.reason.value.strip(), self.by.value.strip() or None
        if not reason:
            raise CampaignError(("give a reason first: whoever reads the report in a year has only that",))
        written = self._write(reason, by)
        self.outcome.value = f'<div role="status">{escape(written)}</div>'
        return written

    def _clicked(self, _: w.Button) -> None:
        try:
            self.record()
        except CampaignError as error:
            problems = "<br>".join(map(escape, error.problems))
            self.outcome.value = f'<div role="alert"><b>not recorded:</b> {problems}</div>'


class RecordPanel(ChoicePanel):
    """One record after the other with its events; a moved event is by hand, and the record is reduced with it."""

    def __init__(self, campaign: "Campaign", calibrations: "dict[str, Calibration]") -> None:
        self.campaign, self._calibrations = campaign, calibrations
        self._entries = {entry.drop: entry for entry in campaign.drops if entry.record is not None}
        if not self._entries:
            raise Missing("the campaign has no records: its drops count with their lowest points alone")
        labels = [(f"{name}, {entry.cord}, {entry.mass.value:g} kg", name) for name, entry in self._entries.items()]
        self._drop = w.SelectionSlider(options=labels, description="drop, cord, mass")
        form = {"step": STEP, "readout_format": ".3f"}
        self._sliders = {event: w.FloatSlider(description=f"{name} [s]", **form) for event, name in _NAMES.items()}
        self._settle(self._drop)
        super().__init__({"drop": self._drop, **self._sliders}, self._reduced)

    def _settle(self, moved: w.DOMWidget) -> None:
        """The sliders at the events of another drop: those marked in the campaign, else those of the record alone."""
        if moved is not self._drop:
            return
        self._record = self.campaign.read_record(self._entries[self._drop.value])
        start, end = float(self._record.time[0]), float(self._record.time[-1])
        self._times = {event: start + share * (end - start) for event, share in _GUESS.items()}
        self._automatic, _ = self._reduce(None)  # what is refused without marks may be sound with them
        if (drop := self._automatic) is not None:
            self._times = {event: float(drop.time[getattr(drop, event)]) for event in EVENTS}
        mark = self.campaign.by_hand.marked(self._drop.value)
        marked = {event: time.value for event, time in mark.events.items()} if mark else {}
        for event, slider in self._sliders.items():
            with slider.hold_trait_notifications():  # or the ends cross on the way
                slider.min, slider.max, slider.value = start, end, marked.get(event, self._times[event])

    def _mark(self, reason: str, by: str | None = None) -> Choice:
        """The events that are not where the record alone has them; all of them where it is refused."""
        times = {event: float(slider.value) for event, slider in self._sliders.items()}
        if self._automatic is not None:
            times = {event: time for event, time in times.items() if abs(time - self._times[event]) > STEP}
        written = {event: Measured(round(time, 4)) for event, time in times.items()}
        return Choice(reason, self._drop.value, times=written, by=by)

    def _reduce(self, mark: Choice | None) -> tuple[Drop | None, str]:
        """The record with this mark and no other choice by hand; or None, and why it is refused."""
        campaign = replace(self.campaign, by_hand=Decisions((mark,) if mark else ()))
        try:
            return reduce_entry(campaign, self._entries[self._drop.value], self._calibrations), ""
        except (RecordError, OutsideCalibration) as error:
            return None, str(error)

    def _reduced(self, drop: str, **_: float) -> Answer:
        mark, reduced, refusal = self._mark(self.reason.value.strip() or "not given yet"), self._automatic, ""
        if mark.times:
            by_mark, refusal = self._reduce(mark)
            reduced = by_mark or reduced
        if reduced is not None:
            figure = plots.record(reduced)
        else:
            units = {name: table.reading_unit for name, table in self.campaign.calibration.items()}
            figure = plots.raw_record(self._record, force_unit=units["force"], distance_unit=units.get("distance", ""))
        for event, time in mark.times.items():
            for ax in figure.axes:
                ax.axvline(time.value, color=RED, ls=":", lw=1.6, label=f"{_NAMES[event]}, by hand")
        if refusal or reduced is None:
            return [f"with these marks the record is refused: {refusal}"], figure
        return [line.strip() for line in reduced.summary().splitlines()], figure

    def _write(self, reason: str, by: str | None) -> str:
        drop, mark, folder = self._drop.value, self._mark(reason, by), self.campaign.folder
        if mark.times:
            _, refusal = self._reduce(mark)
            if refusal:  # no mark is written with which its record is refused
                raise CampaignError((refusal,))
            self.campaign = record_decision(folder, mark)
            marked = [f"{_NAMES[event]} {time.value:.3f} s" for event, time in mark.times.items()]
            return f"recorded: drop {drop}, {', '.join(marked)}"
        before = self.campaign.by_hand.marked(drop)
        if before is None:
            raise CampaignError((f"no event of drop {drop} was moved: there is nothing to record",))
        self.campaign = take_back(folder, before, reason=reason)
        return f"taken back: the marks of drop {drop}"


record_panel = RecordPanel


class ModelPanel(ChoicePanel):
    """The fit at work, from every reduced drop (`waves` taken off): models in one table, cords on and off with a refit
    at once, bands by name, a parameter fixed, another one bounded. Cords left out can be recorded, with the cause: one
    left out for what it is stays in its batch, and the masses that hold with and without it are rated."""

    def __init__(
        self, campaign: "Campaign", drops: Sequence[Drop], fit: BatchFit, *, waves: "WaveFit | None" = None
    ) -> None:
        self.campaign, self._waves = campaign, waves
        self._uses = {entry.drop: entry.noted_use for entry in campaign.drops}
        off = {choice.cord for choice in campaign.by_hand.left_out}
        single = {choice.drop for choice in campaign.by_hand.left_out if choice.cord is None}
        self._drops = [drop for drop in drops if drop.name not in single]
        names = dict.fromkeys(drop.cord for drop in self._drops if self._uses[drop.name] == "fit")
        self.cords = {name: w.Checkbox(value=name not in off, description=f"cord {name} counts") for name in names}
        self._fits = {self.on: fit}
        models = [model for model in fit.table().index if fit.candidate(model).fit is not None]
        self._model = w.Dropdown(options=models, value=fit.chosen.model.name, description="model")
        self._fixed = w.Dropdown(description="fix one parameter")
        self._bounded = w.Dropdown(description="bound one parameter")
        self._settle(self._model)
        bands = {"options": plots.BANDS, "value": plots.BANDS, "rows": 3}
        controls = {
            "model": self._model,
            "shown": w.ToggleButtons(options=["curve and bands", "residuals"], description="picture"),
            "bands": w.SelectMultiple(description="bands of 95 % [name]", **bands),
            "fixed": self._fixed,
            "fixed_at": w.Text(description="fixed at [its unit]", placeholder="blank: as fitted"),
            "bounded": self._bounded,
            "lowest": w.Text(description="lowest [its unit]", placeholder="blank: as the model has it"),
            "highest": w.Text(description="highest [its unit]", placeholder="blank: as the model has it"),
        }
        for box in self.cords.values():
            self.watch(box)
            box.indent, box.layout.width = False, "11em"
        place = {"margin": "0 0 0 20.5em", "width": "36em", "max_height": "12em", "overflow": "auto"}
        boxes = w.Box(list(self.cords.values()), layout=w.Layout(flex_flow="row wrap", **place))
        causes = [(words, cause) for cause, words in reversed(CAUSES.items())]
        self.cause = w.Dropdown(options=causes, description="left out for")
        self.table = w.HTML()
        super().__init__(controls, self._compared, self.cause, above=[boxes], between=[self.table])
        self.cause.tooltip = "a cord left out for what it is stays in its batch; a fault of the measurement does not"

    @property
    def on(self) -> frozenset[str]:
        """The cords that count."""
        return frozenset(cord for cord, box in self.cords.items() if box.value)

    def fit(self) -> BatchFit:
        """The fit of the cords that are on, nothing fixed. Raises FitError."""
        if self.on not in self._fits:
            self._fits[self.on] = self._fit(self.campaign.decision.model)
        return self._fits[self.on]

    def _fit(self, model: str, params: "lmfit.Parameters | None" = None) -> BatchFit:
        drops, check, rig = self._counting("fit"), self._counting("check"), self.campaign.rig
        measured = Evidence.of_campaign(self.campaign, self._drops, use=("fit", LEFT_OUT))
        noted = np.array([self._uses[name] == "fit" for name in measured.drop], bool)
        measured = measured.take(noted & np.isin(measured.cord, list(self.on)))
        noted_alone = energies(drops, measured, rig=rig, waves=self._waves) if drops else None
        alone = None if params is None else [model]
        return fit_batch(drops, model=model, candidates=alone, check=check, energies=noted_alone, params=params)

    def _counting(self, use: str) -> list[Drop]:
        """Reduced drops of the cords that are on."""
        return [drop for drop in self._drops if drop.cord in self.on and self._uses[drop.name] == use]

    def _settle(self, moved: w.DOMWidget) -> None:
        """The parameters of another model, none of them fixed or bounded."""
        if moved is self._model:
            fit = next(iter(self._fits.values())).candidate(self._model.value).fitted
            names = [(f"{p.name} [{p.unit}]", p.name) for p in fit.model.parameters]
            self._fixed.options = self._bounded.options = [("none", None), *names]

    def fit_by_hand(self, model: str) -> BatchFit | None:
        """One model with what is fixed and bounded, about the fit without; None where nothing is. Raises FitError."""
        fixed, bounded, fit = self._fixed.value, self._bounded.value, self.fit().candidate(model).fitted
        if fixed is None and bounded is None:
            return None
        params = fit.model.to_lmfit().make_params(**fit.parameters)
        if bounded is not None:
            p = params[bounded]
            low, high = self._typed("lowest", p.min), self._typed("highest", p.max)
            if not p.min <= low < high <= p.max:
                raise FitError(
                    f"{bounded} cannot be kept from {low:g} to {high:g}: type a lowest value below the highest, within "
                    f"{p.min:g} to {p.max:g}, which {fit.model.name} takes"
                )
            p.set(value=float(np.clip(p.value, low, high)), min=low, max=high)
        if fixed is not None:
            p = params[fixed]
            value = self._typed("fixed_at", p.value)
            if not p.min <= value <= p.max:
                raise FitError(f"{fixed} cannot be fixed at {value:g}: type a value from {p.min:g} to {p.max:g}")
            p.set(value=value, vary=False)
        return self._fit(model, params)

    def _typed(self, name: str, blank: float) -> float:
        """The number in a box, a decimal comma will do; `blank` where the box is. Raises FitError."""
        text = self.controls[name].value.strip()
        try:
            number = float(text.replace(",", ".")) if text else blank
        except ValueError:
            number = np.nan
        if text and not np.isfinite(number):
            raise FitError(f"'{text}' is not a number: type one such as 250, or leave the box blank")
        return number

    def _compared(self, model: str, shown: str, bands: Sequence[str], **_: str | None) -> Answer:
        self.table.value, count = "", len(self.on)
        try:
            free = self.fit()
            by_hand = self.fit_by_hand(model)
        except FitError as error:
            return [f"no fit of {count} cords: {error}"], None
        fit = by_hand or replace(free, chosen=free.candidate(model).fitted)
        table, candidate, least = free.table(), fit.candidate(model), min(entry.aicc for entry in free.candidates)
        choice = "by hand" if by_hand else table["choice"][model] or "not chosen"
        if by_hand:
            table = table.T.assign(**{f"{model}, by hand": by_hand.table().T[model]}).T
        table.insert(0, "AICc above the best [1]", table.pop("AICc [1]").astype(float) - least)
        self.table.value = table_html(table)
        drops, chosen = self._counting("fit"), fit.chosen
        off = [drop.force - chosen.scales[drop.cord] * chosen.curve.force(drop.stretch_ratio) for drop in drops]
        rms, worst = max((float(np.sqrt(np.mean(part**2))), drop.name) for part, drop in zip(off, drops, strict=True))
        lines = [
            f"{model}: {choice}, {count} of {len(self.cords)} cords count",
            ", ".join(f"{name} = {value:.4g}" for name, value in chosen.parameters.items()) or "no parameters",
            f"AICc {_number(candidate.aicc - least)} above the best; rms of force in {fit.held_back} "
            f"{_number(candidate.check_rms)} N; residual sd {chosen.residual_sd:.1f} N",
            f"greatest residuals: drop {worst}, rms {rms:.1f} N",
            *([candidate.note] if candidate.note else []),
        ]
        for cord in self.cords.keys() - self.on:
            lines.append(f"cord {cord}, off: {100 * self._stiffer(cord, chosen):+.1f} % in stiffness from the batch")
        return lines, plots.residuals(drops, fit) if shown == "residuals" else plots.curves(drops, fit, bands=bands)

    def _stiffer(self, cord: str, fit: CurveFit) -> float:
        """Share by which a cord that is off is stiffer than the batch's curve; least squares over its drops."""
        drops = [drop for drop in self._drops if drop.cord == cord and self._uses[drop.name] != "wear"]
        curve = np.concatenate([fit.curve.force(drop.stretch_ratio) for drop in drops])
        return float(curve @ np.concatenate([drop.force for drop in drops]) / (curve @ curve) - 1)

    def _write(self, reason: str, by: str | None) -> str:
        recorded = {choice.cord: choice for choice in self.campaign.by_hand.left_out if choice.cord is not None}
        out = [cord for cord in self.cords if cord not in self.on | recorded.keys()]
        back = [cord for cord in self.cords if cord in self.on & recorded.keys()]
        if not out and not back:
            raise CampaignError(("the cords stand as they are recorded: there is nothing to record",))
        for cord in out:
            choice = Choice(reason, cord=cord, by=by, cause=self.cause.value)
            self.campaign = record_decision(self.campaign.folder, choice)
        for cord in back:
            self.campaign = take_back(self.campaign.folder, recorded[cord], reason=reason)
        changes = ((f"left out for {CAUSES[self.cause.value]}", out), ("counts again", back))
        parts = [f"{what}: cord {', '.join(names)}" for what, names in changes if names]
        return f"recorded, {'; '.join(parts)}. Run the analysis again: it says what would be rated without this choice."


model_panel = ModelPanel


def _number(value: float) -> str:
    """With one place, or a dash where too few drops give none."""
    return f"{value:.1f}" if np.isfinite(value) else "–"

"""Panels: controls over pure functions. A changed control computes anew and draws; nothing is kept between.

Each panel is a `Panel`: its controls by name, and one function from their values to text and figure. An error is shown
in the panel and raised.
"""

from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import numpy as np
from matplotlib.figure import Figure

from cordlab.batch.drop_table import SetUp
from cordlab.mechanics.predict import Trace, predict_drop, trace_drop, unloading_for
from cordlab.notebook.start import Missing
from cordlab.rating.rate import re_rate
from cordlab.report import figures as plots
from cordlab.report.style import png, show, size
from cordlab.wear.service_life import WORN, reassess

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.settings import Decision
    from cordlab.records.reduce import Drop

__all__ = [
    "Panel",
    "drop_panel",
    "html_table",
    "rating_panel",
    "viscosity",
    "wear_panel",
]

PROBABILITIES = (0.9, 0.95, 0.98, 0.99, 0.995, 0.999)
LABEL, WIDE = "20em", "41em"  # of a control: no label is cut off, its unit stands at its end
ONE_LINE = "white-space:nowrap"  # CSS of a column of a table
MOST_VISCOUS = 20.0  # the range in which loads are judged where no viscosity is known  [N·s]


class Panel(w.VBox):
    """Controls, the answer in words, and a picture.

    controls : by the names of `answer`'s arguments; changing the value of one is what a user does
    answer : values of the controls → lines of text, figure or None
    steady : the figures differ in their numbers only, so that axes stay where the first had them: half the time
    """

    def __init__(
        self,
        controls: Mapping[str, Any],
        answer: Callable[..., tuple[Sequence[str], Any]],
        *,
        steady: bool = False,
    ) -> None:
        self.controls, self._answer = dict(controls), answer
        self._steady, self._places = steady, list[Any]()
        self.text, self.picture = w.HTML(), w.HTML()
        self._said: tuple[str, ...] = ()
        self._shown: Any = None
        for control in self.controls.values():
            fit_out(control)
            control.observe(self._changed, names="value")
        super().__init__([*self.controls.values(), self.text, self.picture])
        self.refresh()

    @property
    def said(self) -> str:
        """The answer, as plain text."""
        return "\n".join(self._said)

    def refresh(self) -> None:
        """Compute and draw for the values that the controls have now."""
        lines, figure = self._answer(**{name: control.value for name, control in self.controls.items()})
        picture = "" if figure is None else self._drawn(figure)
        self._said, self._shown = tuple(lines), figure
        head, *rest = (escape(line) for line in lines)
        body = "".join(f"<br>{line}" for line in rest)
        self.text.value = f'<div role="status" style="line-height:1.45;max-width:60em"><b>{head}</b>{body}</div>'
        self.picture.value = picture

    def _drawn(self, figure: Any) -> str:
        """The picture as HTML."""
        if self._steady and len(figure.axes) == len(self._places):
            figure.set_layout_engine("none")
            for ax, place in zip(figure.axes, self._places, strict=True):
                ax.set_position(place)
        told, data = size(figure), b64encode(png(figure)).decode()
        self._places = [ax.get_position() for ax in figure.axes]
        return f'<img width="{told["width"]}" alt="{escape(told["alt"])}" src="data:image/png;base64,{data}">'

    def _changed(self, change: Any) -> None:
        try:
            self.refresh()
        except Exception as error:  # shown to whoever moved the control, and raised for whoever called
            self._said = (f"error: {error}",)
            self.text.value = f'<div role="alert"><b>error:</b> {escape(str(error))}</div>'
            self._shown, self.picture.value = None, ""  # a picture of other values would be taken for these
            raise

    def __repr__(self) -> str:
        return self.said

    def _repr_mimebundle_(self, **kwargs: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        """The live panel, and for viewers without a kernel what it says and shows now."""
        live = super()._repr_mimebundle_(**kwargs) or {}
        if self._shown is None:
            return {**live, "text/plain": self.said}, {}
        still, told = show(self._shown)._repr_mimebundle_()
        return {**live, **still, "text/plain": f"{self.said}\n{still['text/plain']}"}, told


def fit_out(control: Any) -> None:
    """As every control of a panel is; its value counts when it is let go or Enter is pressed: each may cost seconds."""
    control.style.description_width, control.layout.width = LABEL, WIDE
    if isinstance(control, w.ToggleButtons):  # side by side, whatever their number, and beside their label
        control.add_class("widget-inline-hbox")
        control.style.button_width, control.layout.width = "auto", "auto"
    control.tooltip = control.description
    if control.has_trait("continuous_update"):
        control.continuous_update = False


def html_table(heads: Sequence[str], rows: Sequence[Sequence[str]], more: Mapping[int, str] | None = None) -> str:
    """A table whose first column heads its rows; "" without a row. Cells may hold a stranger's text: all are escaped.

    more : column → CSS beside that of every cell
    """
    if not rows:
        return ""
    style = "text-align:left;padding:0.1em 0.8em"
    styles = [";".join(part for part in (style, (more or {}).get(k)) if part) for k in range(len(heads))]
    head = "".join(f'<th scope="col" style="{style}">{escape(word)}</th>' for word in heads)

    def row(cells: Sequence[str]) -> str:
        first, *rest = (f'style="{own}">{escape(cell)}' for own, cell in zip(styles, cells, strict=True))
        return f'<tr><th scope="row" {first}</th>{"".join(f"<td {each}</td>" for each in rest)}</tr>'

    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(map(row, rows))}</tbody></table>"


def drop_panel(analysis: "Analysis") -> Panel:
    """One drop on the rig in time: uniformly strained, with stretch waves, and as recorded where there is a record."""
    if analysis.fit is None:
        raise Missing("there is no curve to drop a mass on: " + "; ".join(analysis.rating.reasons))
    campaign, batch = analysis.campaign, analysis.fit.chosen
    masses = sorted({entry.mass.value for entry in campaign.drops})
    between = np.arange(np.ceil(masses[0]), masses[-1])
    damping, how = viscosity(analysis)
    shares = [drop.energy_returned for drop in analysis.drops if drop.energy_returned is not None]
    returned = float(np.mean(shares)) if shares else 1.0
    controls = {
        "cord": w.Dropdown(options=sorted({entry.cord for entry in campaign.drops}), description="cord"),
        "mass": w.SelectionSlider(
            options=[(f"{mass:g} kg", float(mass)) for mass in np.union1d(masses, between)],
            value=float(masses[len(masses) // 2]), description="mass hung [kg]",
        ),
        "viscosity": w.FloatSlider(
            value=damping, min=0, max=max(MOST_VISCOUS, damping), step=0.5, description=f"viscosity, {how} [N·s]"
        ),
    }  # fmt: skip

    def answer(cord: str, mass: float, viscosity: float) -> tuple[list[str], Figure]:
        entry = campaign.cord(cord)
        curve = batch.curve.scaled(batch.scales.get(cord, 1.0))
        given: dict[str, Any] = {"mass": mass, "slack_length": entry.slack_length.value, "cord_mass": entry.mass.value}
        given |= SetUp.of(campaign.rig).values()
        drop = next((d for d in analysis.drops if d.cord == cord and d.mass == mass and d.use != "wear"), None)
        told = [f"cord {cord}, {mass:g} kg hung, on the rig: {'recorded' if drop else 'this mass was not dropped'}"]
        if drop is not None:
            told.append(
                f"record: lowest point {drop.lowest_point:.2f} m (u = {drop.u_lowest_point:.2f} m), "
                f"peak load {drop.peak_load:.0f} N where the cell sits"
            )
        traces: list[Trace] = []
        for mechanics, damped in (("uniform", 0.0), ("waves", viscosity)):
            found = predict_drop(curve, mechanics=mechanics, viscosity=damped, **given)
            back = unloading_for(curve, float(found.stretch_ratio), returned) if mechanics == "uniform" else 0.0
            told.append(
                f"{mechanics}: lowest point {found.lowest_point:.2f} m, peak load {found.tie_load:.0f} N at the tie "
                f"point, {found.tension:.0f} N at the lower end, greatest g {found.g:.2f}"
            )
            traces.append(
                trace_drop(
                    curve, mechanics=mechanics, viscosity=damped, unloading=back, duration=_duration(drop), **given
                )
            )
        return told, plots.motion(traces, drop=drop, slack_length=entry.slack_length.value)

    return Panel(controls, answer)


def viscosity(analysis: "Analysis") -> tuple[float, str]:
    """Viscosity of the cords to draw waves with [N·s], and how it is known: "given", "measured" or "assumed"."""
    found = analysis.waves.viscosity if analysis.waves else None
    if found is None or found.how == "unknown":
        return MOST_VISCOUS / 4, "assumed"
    return found.value, found.how


def _duration(drop: "Drop | None") -> float:
    """Until the record ends, or past the first rebound of a long cord [s]."""
    return 6.0 if drop is None else float(np.clip(drop.time[-1] - drop.time[drop.release], 2.0, 8.0))


def rating_panel(analysis: "Analysis") -> Panel:
    """What if the site or the criteria were different: the range and what governs it, from the draws that are there."""
    campaign = analysis.campaign
    if analysis.forecast is None:
        raise Missing("there is no forecast to rate: " + "; ".join(analysis.rating.reasons))
    site, criteria, decision = campaign.site, campaign.criteria, campaign.decision
    forecasts = {0: analysis.forecast} | (analysis.service.forecasts if analysis.service else {})
    asked = [jumps for jumps in forecasts if jumps >= (decision.jumps or 0)]
    height, reach = site.tie_height.value, site.reach_below_attachment.value
    controls = {
        "jumps": w.Dropdown(
            options=[("as when tested", 0), *((f"new to {count} jumps", count) for count in forecasts if count)],
            value=min(asked, default=0), description="cords [jumps]",
        ),
        "tie_height": _number(height, round(0.6 * height), round(1.6 * height), 0.5, "tie point above surface [m]"),
        "reach": _number(reach, 0.0, 4.0, 0.1, "body reach below cord [m]"),
        "least_clearance": _number(criteria.least_clearance, 0.0, 15.0, 0.5, "least clearance [m]"),
        "greatest_g": _number(criteria.greatest_g, 1.5, 5.0, 0.05, "greatest g [1]"),
        "least_strength_factor": _number(criteria.least_strength_factor, 1.0, 12.0, 0.5, "least strength factor [1]"),
        "probability": _probability(decision),
    }  # fmt: skip

    def answer(
        jumps: int, tie_height: float, reach: float, probability: float, **bounds: Any
    ) -> tuple[list[str], Figure]:
        judged = replace(criteria, **bounds)
        rating = re_rate(
            forecasts[jumps],
            criteria=judged,
            tie_height=replace(site.tie_height, value=tie_height),
            reach=replace(site.reach_below_attachment, value=reach),
            probability=probability,
            breaking_load=campaign.lowest_break,
            validation=analysis.validation,
        )
        told = ["NOT RATED"]
        if rating.rated:
            ends = rating.governed_by
            told = [
                f"rated for rider masses of {rating.lightest:.1f} to {rating.heaviest:.1f} kg, "
                + (f"cords new to {jumps} jumps" if jumps else "cords as when tested"),
                f"light end: {ends['light']}; heavy end: {ends['heavy']}",
            ]
            if jumps and analysis.rating.governed_by["heavy"] == WORN:
                told.append(f"but by the retests alone, as analysed: no heavier than {analysis.rating.heaviest:.1f} kg")
        return [*told, *rating.reasons, rating.promise], plots.by_mass(rating, judged)

    return Panel(controls, answer, steady=True)


def wear_panel(analysis: "Analysis") -> Panel:
    """What if the rule were stricter, or the cords jumped more often: retirement, forecast and the next retest."""
    service, forecast = analysis.service, analysis.forecast
    if service is None or forecast is None:
        raise Missing("no limits for worn cords: it takes a forecast, and drops with use `wear`")
    criteria, decision = analysis.campaign.criteria, analysis.campaign.decision
    controls = {
        "least_clearance": _number(criteria.least_clearance, 0.0, 15.0, 0.5, "least clearance [m]"),
        "probability": _probability(decision),
        "greatest_jumps": w.BoundedIntText(
            value=criteria.greatest_jumps or 0, min=0, max=100_000, step=50,
            description="cap by maker or rule, 0: none [jumps]",
        ),
        "per_week": w.IntSlider(value=50, min=1, max=500, description="planned use of a cord [jumps a week]"),
    }  # fmt: skip

    def answer(per_week: int, greatest_jumps: int, **asked: Any) -> tuple[list[str], Figure]:
        found = reassess(service, forecast, greatest_jumps=greatest_jumps or None, **asked)
        tested = max((point.jumps for point in found.points if point.kind == "tested"), default=0)
        told = found.summary().splitlines()
        weeks = [
            f"{what} at {count} jumps: {'now' if count <= since else f'in {(count - since) / per_week:.1f} weeks'}"
            for what, count, since in (
                ("a new cord is retired", found.retire_at, 0),
                ("the tested cords are retested", found.next_retest, tested),
            )
            if count is not None
        ]
        stands = analysis.wear.retire_at if analysis.wear else None
        whole = "no retested count" if stands is None else f"{stands} jumps"
        return [
            *told,
            *(f"with {per_week} jumps a week {each}" for each in weeks),
            f"this is by clearance alone; by every criterion as they stand in campaign.toml the range holds to {whole}",
        ], plots.wear(found)

    return Panel(controls, answer)


def _probability(decision: "Decision") -> w.SelectionSlider:
    """The probability of a prediction limit; a tolerance limit's is fixed in its draws."""
    return w.SelectionSlider(
        options=[(f"{100 * p:g} %", p) for p in sorted({*PROBABILITIES, decision.probability})],
        value=decision.probability, description="probability [%]", disabled=decision.limit == "tolerance",
    )  # fmt: skip


def _number(value: float, low: float, high: float, step: float, description: str) -> w.FloatSlider:
    """A slider that can stand at `value` whatever the usual range is."""
    return w.FloatSlider(
        value=value, min=min(low, value), max=max(high, value), step=step, description=description, readout_format=".2f"
    )

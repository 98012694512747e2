"""Every panel, lesson and exercise of the notebooks: `cordlab.panels`. Here are those that show one analysis."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import numpy as np
from matplotlib.figure import Figure

from cordlab.batch.drop_table import SetUp
from cordlab.mechanics.predict import Trace, predict_drop, trace_drop, unloading_for
from cordlab.notebook.by_hand import model_panel, record_panel
from cordlab.notebook.choose import Missing, chosen_folder, stand, start_panel
from cordlab.notebook.lessons import (
    draw_promises,
    guess_panel,
    on_promises,
    on_stretch,
    on_wear,
    promise_panel,
    retest_panel,
)
from cordlab.notebook.panel import PROBABILITIES, Panel
from cordlab.notebook.reviewing import (
    answer_part,
    assumption_panel,
    comparison_panel,
    contents,
    headings,
    report_entries,
    signing,
)
from cordlab.rating.rate import re_rate
from cordlab.report import figures as plots
from cordlab.wear.service_life import WORN, reassess

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.campaign.settings import Decision
    from cordlab.records.reduce import Drop

__all__ = [
    "Panel",
    "answer_part",
    "assumption_panel",
    "chosen_folder",
    "comparison_panel",
    "contents",
    "draw_promises",
    "drop_panel",
    "guess_panel",
    "headings",
    "model_panel",
    "on_promises",
    "on_stretch",
    "on_wear",
    "promise_panel",
    "rating_panel",
    "record_panel",
    "report_entries",
    "retest_panel",
    "signing",
    "stand",
    "start_panel",
    "viscosity",
    "wear_panel",
]

MOST_VISCOUS = 20.0  # the range in which loads are judged where no viscosity is known  [N·s]


def __dir__() -> list[str]:
    return __all__


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

"""Panels that show one analysis: a drop in time, the rated range and the service life under other numbers."""

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import ipywidgets as w
import numpy as np

from cordlab.batch.drop_table import drop_inputs
from cordlab.batch.findings import against_rating
from cordlab.mechanics.fall import DropSetup
from cordlab.mechanics.predict import Trace, predict_drop, trace_drop, unloading_for
from cordlab.notebook.choose import Missing
from cordlab.notebook.panel import Answer, Panel, number_slider, probability_slider
from cordlab.quantities import entries
from cordlab.rating.rate import re_rate
from cordlab.report import figures as plots
from cordlab.units import fixed
from cordlab.wear.service_life import WORN, reassess

if TYPE_CHECKING:
    from cordlab.analysis import Analysis

MOST_VISCOUS = 20.0  # the range in which loads are judged where no viscosity is known  [N·s]


def drop_panel(analysis: "Analysis") -> Panel:
    """One drop on the rig in time: uniformly strained, with stretch waves, and as recorded where there is a record."""
    if analysis.fit is None:
        raise Missing("there is no curve to drop a mass on: " + "; ".join(analysis.rating.reasons))
    campaign, batch, rig = analysis.campaign, analysis.fit.chosen, drop_inputs(analysis.campaign.rig)
    masses = sorted({entry.mass.value for entry in campaign.drops})
    between = np.arange(np.ceil(masses[0]), masses[-1])
    damping, how = viscosity(analysis)
    shares = [drop.energy_returned for drop in analysis.drops if drop.energy_returned is not None]
    returned = float(np.mean(shares)) if shares else 1.0
    hung = {"options": [(f"{mass:g} kg", float(mass)) for mass in np.union1d(masses, between)]}
    controls = {
        "cord": w.Dropdown(options=sorted({entry.cord for entry in campaign.drops}), description="cord"),
        "mass": w.SelectionSlider(value=float(masses[len(masses) // 2]), description="mass hung [kg]", **hung),
        "viscosity": number_slider(damping, 0.0, MOST_VISCOUS, 0.5, f"viscosity, {how} [N·s]"),
        "fall": number_slider(0.0, 0.0, 3.0, 0.1, "centre of mass falls further by [m]"),
    }

    def answer(cord: str, mass: float, viscosity: float, fall: float) -> Answer:
        entry = campaign.cord(cord)
        curve = batch.curve.scaled(batch.scales.get(cord, 1.0))
        rider = {"centre_of_mass_fall": fall, "gear_mass": campaign.site.gear_mass.value}
        setup = rig | {"mass": mass, "slack_length": entry.slack_length.value, "cord_mass": entry.mass.value, **rider}
        recorded = (d for d in analysis.drops if d.cord == cord and d.mass == mass and d.use != "wear")
        drop = next(recorded, None)
        lines = [f"cord {cord}, {mass:g} kg hung, on the rig: {'recorded' if drop else 'this mass was not dropped'}"]
        if brought := float(DropSetup(**setup).rider_energy):
            lines.append(f"drawn is a rider, {brought:.0f} J more when the slack ends; a dead weight turns nobody over")
        duration = 6.0  # past the first rebound of a long cord [s]
        if drop is not None:
            duration = float(np.clip(drop.time[-1] - drop.time[drop.release], 2.0, 8.0))
            lowest = f"{drop.lowest_point:.2f} m (u = {drop.u_lowest_point:.2f} m)"
            lines.append(f"record: lowest point {lowest}, peak load {drop.peak_load:.0f} N where the cell sits")
        traces: list[Trace] = []
        for mechanics, damped in (("uniform", 0.0), ("waves", viscosity)):
            drawn = {"mechanics": mechanics, "viscosity": damped, **setup}
            prediction = predict_drop(curve, **drawn)
            back = unloading_for(curve, float(prediction.stretch_ratio), returned) if mechanics == "uniform" else 0.0
            traces.append(trace_drop(curve, unloading=back, duration=duration, **drawn))
            lines.append(
                f"{mechanics}: lowest point {prediction.lowest_point:.2f} m, peak load {prediction.tie_load:.0f} N at "
                f"the tie point, {prediction.tension:.0f} N at the lower end, greatest g {prediction.g:.2f}"
            )
        return lines, plots.motion(traces, drop=drop, slack_length=entry.slack_length.value)

    return Panel(controls, answer)


def viscosity(analysis: "Analysis") -> tuple[float, str]:
    """Viscosity of the cords to draw waves with [N·s], and how it is known: "given", "measured" or "assumed"."""
    known = analysis.waves.viscosity if analysis.waves else None
    if known is None or known.how == "unknown":
        return MOST_VISCOUS / 4, "assumed"
    return known.value, known.how


def rating_panel(analysis: "Analysis") -> Panel:
    """What if the site or the criteria were different: the range and what governs it, from the draws that are there."""
    campaign = analysis.campaign
    if analysis.forecast is None:
        raise Missing("there is no forecast to rate: " + "; ".join(analysis.rating.reasons))
    site, criteria, decision = campaign.site, campaign.criteria, campaign.decision
    forecasts = {0: analysis.forecast} | (analysis.service.forecasts if analysis.service else {})
    long_enough = [jumps for jumps in forecasts if jumps >= (decision.jumps or 0)]
    height, reach = site.tie_height.value, site.reach_below_attachment.value
    asked = {row.key: (getattr(criteria, key), unit, row) for key, _, unit, row in entries() if row.key == key}
    counts = [("as when tested", 0), *((f"new to {count} jumps", count) for count in forecasts if count)]
    low, high = round(0.6 * height), round(1.6 * height)
    reasons, seen = against_rating(analysis.findings), analysis.validation
    rated_again = partial(re_rate, breaking_load=campaign.lowest_break, validation=seen, reasons=reasons)
    controls = {
        "jumps": w.Dropdown(options=counts, value=min(long_enough, default=0), description="cords [jumps]"),
        "tie_height": number_slider(height, low, high, 0.5, "tie point above surface [m]"),
        "reach": number_slider(reach, 0.0, 4.0, 0.1, "body reach below cord [m]"),
        **{
            key: number_slider(figure, *criterion.slider, f"{key.replace('_', ' ')} [{unit or 1}]")
            for key, (figure, unit, criterion) in asked.items()
            if figure is not None
        },
        "probability": probability_slider(decision.probability, disabled=decision.limit == "tolerance"),
    }

    def answer(jumps: int, tie_height: float, reach: float, probability: float, **bounds: Any) -> Answer:
        judged = replace(criteria, **bounds)
        place = {"tie_height": tie_height, "reach": reach, "probability": probability}
        rating = rated_again(forecasts[jumps], criteria=judged, **place)
        lines = [rating.headline]
        if rating.rated:
            age = f"new to {jumps} jumps" if jumps else "as when tested"
            ends = rating.governed_by
            lines = [f"{rating.headline}, cords {age}", f"light end: {ends['light']}; heavy end: {ends['heavy']}"]
            if jumps and analysis.rating.governed_by["heavy"] == WORN:
                heaviest = fixed(analysis.rating.heaviest or 0.0, 1, "lower")
                lines.append(f"but by the retests alone, as analysed: no heavier than {heaviest} kg")
        return [*lines, *rating.reasons, rating.promise], plots.by_mass(rating, judged)

    return Panel(controls, answer, steady=True)


def wear_panel(analysis: "Analysis") -> Panel:
    """What if the rule were stricter, or the cords jumped more often: retirement, forecast and the next retest."""
    service, forecast = analysis.service, analysis.forecast
    if service is None or forecast is None:
        raise Missing("no limits for worn cords: it takes a forecast, and drops with use `wear`")
    criteria, decision = analysis.campaign.criteria, analysis.campaign.decision
    cap = {"value": criteria.greatest_jumps or 0, "max": 100_000, "step": 50}
    controls = {
        "least_clearance": number_slider(criteria.least_clearance, 0.0, 15.0, 0.5, "least clearance [m]"),
        "probability": probability_slider(decision.probability, disabled=decision.limit == "tolerance"),
        "greatest_jumps": w.BoundedIntText(description="cap by maker or rule, 0: none [jumps]", **cap),
        "per_week": w.IntSlider(value=50, min=1, max=500, description="planned use of a cord [jumps a week]"),
    }
    retired = analysis.wear.retire_at if analysis.wear else None
    holds = "no retested count" if retired is None else f"{retired} jumps"

    def answer(per_week: int, greatest_jumps: int, least_clearance: float, probability: float) -> Answer:
        rule = {"least_clearance": least_clearance, "probability": probability}
        life = reassess(service, forecast, greatest_jumps=greatest_jumps or None, **rule)
        tested = max((point.jumps for point in life.points if point.kind == "tested"), default=0)
        lines = life.summary().splitlines()
        for what, count, since in (
            ("a new cord is retired", life.retire_at, 0),
            ("the tested cords are retested", life.next_retest, tested),
        ):
            if count is not None:
                when = "now" if count <= since else f"in {(count - since) / per_week:.1f} weeks"
                lines.append(f"with {per_week} jumps a week {what} at {count} jumps: {when}")
        by_all = f"by every criterion as they stand in campaign.toml the range holds to {holds}"
        return [*lines, f"this is by clearance alone; {by_all}"], plots.wear(life)

    return Panel(controls, answer)

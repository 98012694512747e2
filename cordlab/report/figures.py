"""Figures, one function each: it takes a result, and your own axes as `ax` (a sequence where there are several panels),
and gives a matplotlib `Figure`. No pyplot: nothing stays open."""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator
from scipy import special

from cordlab.batch.fit import BatchFit
from cordlab.curves.fit import NoBand
from cordlab.quantities import QUANTITIES, bounds
from cordlab.report.style import (
    BLUE,
    BOX,
    DARKER,
    FAINT,
    GREEN,
    INK,
    RED,
    AnyAxes,
    Look,
    canvas,
    describe,
    figure_of,
    forbid,
    hatch,
    label_ends,
    legend_outside,
    note,
    png,
    series,
    show,
    state,
    styled,
    svg,
    tell,
)
from cordlab.units import mass_range

if TYPE_CHECKING:
    from cordlab import Analysis, Calibration, Campaign, Drop, Prediction, Rating, Trace
    from cordlab.batch.cords import Batch
    from cordlab.batch.slow_pulls import PullComparison
    from cordlab.campaign.campaign import CalibrationTable
    from cordlab.campaign.settings import Criteria
    from cordlab.campaign.tables import Record
    from cordlab.limits.budget import Budget
    from cordlab.limits.validation import Validation
    from cordlab.rating.ladder import Rung
    from cordlab.rating.lot import Lot
    from cordlab.rating.range_plan import RangePlan
    from cordlab.wear.wear import Softening, Wear

__all__ = [
    "all_figures", "batch", "branches", "breaks", "budget", "by_mass", "calibration", "calibration_pairs",
    "candidates", "curves", "describe", "ladder", "lowest_points", "mass_range", "motion", "png", "prediction",
    "range_plan", "raw_record", "record", "residuals", "show", "slow_pulls", "softening", "state", "svg", "tell",
    "validation", "wear",
]  # fmt: skip
__dir__ = __all__.copy  # what a notebook offers when a name is begun

BANDS = ("mean curve", "this cord", "another cord")
LEVEL = 0.95
BROKEN = np.array([0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99])  # shares that the probability plot names
DEPTHS = ("mass hung [kg]", "lowest point below the tie point [m]")  # axes of lowest points over mass


@styled
def lowest_points(campaign: "Campaign", *, ax: AnyAxes = None) -> Figure:
    """Every lowest point measured on its own against the mass hung, cord by cord, down to the surface at the rig."""
    (panel,) = canvas(ax, DEPTHS, size=(6.3, 3.6))
    noted = [(d.cord, d.use, d.mass.value, d.lowest_point.value) for d in campaign.drops if d.lowest_point is not None]
    apart = np.diff(np.unique([drop.mass.value for drop in campaign.drops]), prepend=0).min(initial=4.0)
    places = np.linspace(-0.25, 0.25, len(campaign.cords)) * apart  # cords of one mass side by side, else they hide
    first: dict[str, Line2D] = {}  # name → a line of it, for the legend
    for place, (cord, _, look) in zip(places, series([entry.cord for entry in campaign.cords]), strict=True):
        name, filled = look.pop("label"), look["color"]
        for use, word, inside, alpha in (
            ("fit", "to fit", filled, 1),
            ("check", "held back", "none", 1),
            ("wear", "worn cord", "none", 0.45),
        ):
            points = [(mass + place, lowest) for *of, mass, lowest in noted if of == [cord, use]]
            if points:
                look |= {"label": f"{name} ({word})", "mfc": inside, "alpha": alpha}
                (line,) = panel.plot(*zip(*points, strict=True), ls="none", **look)
                first |= {name: line} if use == "fit" else {}
    surface = campaign.rig.tie_height.value
    panel.axhline(surface, color=INK, lw=1.4, label="surface at the rig")
    note(panel, "surface at the rig", (0.02, surface), offset=(0, 3), xycoords=("axes fraction", "data"), va="bottom")
    panel.invert_yaxis()
    legend_outside([panel], list(first.values()), labels=list(first))
    panel.set_title("filled: to fit; open: held back; faint: worn cords; cords of one mass side by side", fontsize=9)
    return figure_of(panel)


@styled
def ladder(
    rungs: Sequence["Rung"], lowest: Mapping[float, Sequence[float]], *, clear_above: float, ax: AnyAxes = None
) -> Figure:
    """Limits that the ladder gave for each heavier mass before it was dropped, and `lowest`, what then came by mass;
    `clear_above` is the lowest point that leaves the least clearance on the rig [m]."""
    (panel,) = canvas(ax, DEPTHS)
    x, y = np.array([(m, depth) for m, depths in lowest.items() for depth in depths]).T
    panel.plot(x, y, "o", color=INK, ms=3.5, mfc="none", label="measured, afterwards")
    x, y = np.array([(rung.mass, rung.lowest_point_limit) for rung in rungs]).T
    panel.plot(x, y, "_--", color=RED, ms=14, mew=2, label="limit, from lighter drops only")
    forbid(panel, clear_above, "upper", unit="m, for the least clearance on this rig")
    panel.invert_yaxis()
    legend_outside([panel], panel.lines[:2])
    return figure_of(panel)


@styled
def calibration_pairs(table: "CalibrationTable", *, ax: AnyAxes = None) -> Figure:
    """Readings against references as they were written down, run by run."""
    labels = (f"reading [{table.reading_unit}]", f"reference [{table.quantity_unit}]")
    (panel,) = canvas(ax, labels, size=(6.3, 3.0))
    for _, at, look in series(table.run, "run"):
        panel.plot(table.reading[at], table.reference[at], ls="none", mfc="none", **look)
    panel.set_title(f"{table.channel} sensor")
    panel.legend(ncols=2)
    return figure_of(panel)


@styled
def calibration(calibration: "Calibration", *, ax: AnyAxes = None) -> Figure:
    """Residuals of the references about the calibration curve, run by run, and the range that it holds for."""
    labels = (f"reading [{calibration.reading_unit}]", f"reference − curve [{calibration.quantity_unit}]")
    (panel,) = canvas(ax, labels)
    residual = calibration.reference - calibration.curve(calibration.reading)[0]
    for _, at, look in series(calibration.run, "run"):
        panel.plot(calibration.reading[at], residual[at], ls="-", **look)
    low, high = calibration.valid
    along = np.linspace(low, high, 100)
    band = special.stdtrit(calibration.dof, 0.975) * calibration.curve(along)[1]
    panel.fill_between(along, -band, band, color=BLUE, alpha=0.2, lw=0, label="95 % confidence of the curve")
    panel.axhline(0, color="0.5", lw=0.8)
    pad = 0.08 * (high - low)
    panel.set_xlim(low - pad, high + pad)
    hatch(panel.axvspan, low - pad, low)
    hatch(panel.axvspan, high, high + pad)
    panel.set_title(f"{calibration.channel} sensor, degree {calibration.degree}; hatched: not calibrated, refused")
    legend_outside([panel], panel.get_legend_handles_labels()[0], ncols=5)
    return figure_of(panel)


@styled
def raw_record(record: "Record", *, force_unit: str, distance_unit: str = "", ax: AnyAxes = None) -> Figure:
    """A record as the logger wrote it, in the units of the sensors; a second panel where it has a distance."""
    channels = {f"force [{force_unit}]": record.force}
    if record.distance is not None:
        channels[f"distance [{distance_unit}]"] = record.distance
    labels = [("", name) for name in channels]
    axes = canvas(ax, *labels, size=(6.3, 1.0 + 1.5 * len(channels)), sharex=True)
    for panel, values in zip(axes, channels.values(), strict=True):
        panel.plot(record.time, values, "-", color=FAINT, lw=0.7, label="as recorded")
    axes[-1].set_xlabel("time [s]")
    return figure_of(axes[0])


@styled
def record(drop: "Drop", *, raw: tuple[np.ndarray, np.ndarray] | None = None, ax: AnyAxes = None) -> Figure:
    """Load and distance of one drop against time, with its events, on two panels; `raw` is time [s] and load [N]."""
    labels = ("", "load [kN]"), ("time [s]", "below the tie point [m]")
    load, place = canvas(ax, *labels, size=(6.3, 4.2), sharex=True)
    if raw is not None:
        load.plot(raw[0], raw[1] / 1000, "-", color="#BBBBBB", lw=0.8, label="as recorded")
    where = "tie point" if drop.load_cell_at == "top" else "lower end"
    load.plot(drop.time, drop.load / 1000, "-", color=BLUE, label=f"load at the {where}, filter {drop.filter}")
    place.plot(drop.time, drop.position, "-", color=BLUE, label="lower end of the cord")
    place.axhline(drop.slack_length, color=FAINT, ls=":", lw=1)
    note(place, "slack length", (drop.time[0], drop.slack_length), offset=(2, 3), bbox=BOX)
    events = [(drop.release, "release"), (drop.slack_end, "slack ends"), (drop.peak, "greatest load")]
    events = sorted([*events, (drop.lowest, "lowest point")], key=lambda event: event[0])
    marks: dict[float, list[str]] = {}
    for index, name in events:  # those that fall together share a mark
        near = [at for at in marks if drop.time[index] - at < 0.02 * (drop.time[-1] - drop.time[0])]
        marks.setdefault(near[0] if near else float(drop.time[index]), []).append(name)
    for k, (at, names) in enumerate(marks.items()):
        note(load, ", ".join(names), (at, 1), offset=(-2, 3 if k % 2 else 14), xycoords=("data", "axes fraction"))
    indices = [index for index, _ in events]
    for panel, values in ((load, drop.load / 1000), (place, drop.position)):
        for at in marks:
            panel.axvline(at, color=INK, ls="--", lw=0.7)
        panel.plot(drop.time[indices], values[indices], "o", color=RED, label="events")
    place.invert_yaxis()
    load.set_title(f"Drop {drop.name}: cord {drop.cord}, {drop.mass:g} kg", pad=26)  # above the events' names
    return figure_of(load)


@styled
def branches(drop: "Drop", *, clear: "Drop | None" = None, ax: AnyAxes = None) -> Figure:
    """The cord's force over its stretch ratio, down and back, and `clear`, the way down without its stretch wave."""
    (panel,) = canvas(ax, ("stretch ratio [1]", "force in the cord [kN]"), size=(6.3, 3.2))
    panel.plot(drop.stretch_ratio, drop.force / 1000, "-", color=BLUE, label="loading")
    if drop.unloading_ratio.size:
        panel.plot(drop.unloading_ratio, drop.unloading_force / 1000, "--", color=RED, label="unloading")
    if clear is not None:
        panel.plot(clear.stretch_ratio, clear.force / 1000, "-", color=INK, lw=2.5, label="loading, wave taken off")
    panel.legend(loc="lower right")  # with waves the two cross, and a name at a line would lie on the other
    if drop.energy_returned is not None:
        panel.set_title(f"energy returned {100 * drop.energy_returned:.1f} %")
    return figure_of(panel)


@styled
def prediction(prediction: "Prediction", *, ax: AnyAxes = None) -> Figure:
    """Lowest point over g: a cloud of draws, or one point; draws without a lowest point are counted."""
    (panel,) = canvas(ax, ("greatest g [1]", "lowest point below the tie point [m]"))
    g, lowest_point = np.ravel(prediction.g), np.ravel(prediction.lowest_point)
    ends = np.isfinite(lowest_point)
    missing = "" if ends.all() else f", {np.sum(~ends)} without a lowest point"
    panel.plot(g[ends], lowest_point[ends], ".", label=prediction.mechanics + missing)
    panel.yaxis.set_inverted(True)
    panel.legend()
    return figure_of(panel)


@styled
def motion(traces: Iterable["Trace"], *, slack_length: float, drop: "Drop | None" = None, ax: AnyAxes = None) -> Figure:
    """Position and loads at tie point and lower end from the release, three panels: by mechanics, and as recorded."""
    depth = ("", "lower end below\nthe tie point [m]")
    loads = ("", "load at the\ntie point [kN]"), ("time from the release [s]", "load at the\nlower end [kN]")
    place, tie, lower = axes = canvas(ax, depth, *loads, size=(6.3, 5.4), sharex=True)
    end = np.inf
    if drop is not None:
        time = drop.time - drop.time[drop.release]
        end, cell = float(time[-1]), tie if drop.load_cell_at == "top" else lower
        for panel, values in ((place, drop.position), (cell, drop.load / 1000)):
            panel.plot(time, values, "-", color="#BBBBBB", lw=4, label="record")
    drawn = (("--", BLUE, "white"), ("-", RED, RED))  # line, colour, and the marker's inside: told apart in grey too
    for trace, (style, colour, inside) in zip(traces, drawn, strict=False):
        end = min(end, float(trace.time[-1]))
        place.plot(trace.time, trace.position, style, color=colour, label=trace.mechanics)
        for panel, values in ((tie, trace.tie_load), (lower, trace.lower_load)):
            panel.plot(trace.time, values / 1000, style, color=colour, label=trace.mechanics)
            k = [int(np.argmax(values))]
            name = f"{trace.mechanics}, greatest"
            panel.plot(trace.time[k], values[k] / 1000, "v", ms=7, color=colour, mfc=inside, label=name)
    place.axhline(slack_length, color=FAINT, ls=":", lw=1)
    note(place, "slack length", (0, slack_length), offset=(2, 3))
    place.set_xlim(0, end)
    place.invert_yaxis()
    lines = {str(line.get_label()): line for panel in axes for line in panel.lines[::-1]}
    named = sorted(lines, key=lambda name: (name != "record", "greatest" in name))
    shown = [lines[name] for name in named if not name.startswith("_")]
    legend_outside(axes, shown, above=True, ncols=len(shown))
    return figure_of(place)


@styled
def residuals(drops: Sequence["Drop"], fit: "BatchFit", *, ax: AnyAxes = None) -> Figure:
    """Force less the cord's curve, a strip a drop: what the shape leaves, cord by cord and from light to heavy."""
    across = "mass hung [kg], a strip a drop from slack to lowest point, by cord"
    (panel,) = canvas(ax, (across, "force − curve [N]"))
    ordered = sorted(drops, key=lambda drop: (drop.cord, drop.mass))
    for cord, at, look in series([drop.cord for drop in ordered]):
        places = np.flatnonzero(at)
        for k in places:
            drop = ordered[k]
            off = drop.force - fit.chosen.scales.get(cord, 1.0) * fit.chosen.curve.force(drop.stretch_ratio)
            panel.plot(k + np.linspace(-0.35, 0.35, off.size), off, ls="none", ms=2, **look)
            look["label"] = "_"  # one drop of a cord has its name
        panel.axvline(places[-1] + 0.5, color="#BBBBBB", lw=0.8)
        above: Look = {"xycoords": ("data", "axes fraction"), "ha": "center", "va": "bottom"}
        note(panel, cord, (float(np.mean(places)), 1), offset=(0, 2), **above)
    panel.axhline(0, color=INK, lw=1)
    panel.set_xticks(range(len(ordered)), [f"{drop.mass:g}" for drop in ordered], rotation=90)
    panel.grid(axis="x", visible=False)
    return figure_of(panel)


@styled
def curves(drops: Sequence["Drop"], fit: BatchFit, *, bands: Sequence[str] = BANDS, ax: AnyAxes = None) -> Figure:
    """Loading curves of all cords with the batch's curve; below, as a share of it, with the bands of these names."""
    labels = ("", "force in the cord [kN]"), ("stretch ratio [1]", "off the batch's curve [%]")
    top, bottom = canvas(ax, *labels, size=(6.3, 5.2), sharex=True, height_ratios=(1.15, 1))
    chosen, reach = fit.chosen.curve, max(float(drop.stretch_ratio.max()) for drop in drops)
    least = 0.1 * float(chosen.force(reach))  # near no load a share of it is only noise
    for _, at, look in series([drop.cord for drop in drops]):
        look |= {"ls": "none", "ms": 3, "mfc": "none", "mew": 0.6}
        for k in np.flatnonzero(at).tolist():
            thin = np.unique(np.linspace(0, drops[k].force.size - 1, 25).astype(int))
            x, f = drops[k].stretch_ratio[thin], drops[k].force[thin]
            top.plot(x, f / 1000, **look)
            look["label"] = "_"  # one drop of a cord has its name
            shape = chosen.force(x)
            seen = shape > least
            bottom.plot(x[seen], 100 * (f[seen] / shape[seen] - 1), **look)
    x = np.linspace(1, reach, 200)
    top.plot(x, chosen.force(x) / 1000, "-", color=INK, lw=2, label=f"curve of the batch ({fit.chosen.model.name})")
    top.legend(ncols=2)
    far = x[chosen.force(x) > least]
    ends, this_cord = [], partial(fit.chosen.prediction_band, this_cord=next(iter(fit.chosen.scales)))
    for name, ask, colour, style in (
        ("mean curve", fit.chosen.confidence_band, BLUE, "-"),
        ("this cord", this_cord, GREEN, "-."),
        ("another cord", fit.chosen.prediction_band, RED, "--"),
    ):
        if name in bands:
            with suppress(NoBand):  # one that the data cannot give is not drawn
                band = ask(far, LEVEL)
                share = 100 * (np.array([band.lower, band.upper]) / band.force - 1)
                bottom.plot(far, share.T, ls=style, color=colour, label=band.label)
                ends.append((share[1, -1], name, colour))
    bottom.axhline(0, color=INK, lw=1)
    label_ends(bottom, far[-1], ends)
    bottom.set_title(f"bands of {100 * LEVEL:g} %, two-sided")
    return figure_of(top)


@styled
def by_mass(
    rating: "Rating", criteria: "Criteria", *, quantities: Sequence[str] = ("clearance", "g"), ax: AnyAxes = None
) -> Figure:
    """Estimates and limits over rider mass, a panel a quantity, the forbidden side hatched, the rated range marked."""
    many, asked = len(quantities), bounds(vars(criteria))
    labels = [("rider mass [kg]", QUANTITIES[quantity].head) for quantity in quantities]
    axes = canvas(ax, *labels, columns=many, size=(3.15 * many, 2.9) if many > 1 else (4.2, 3.0))
    for panel, quantity in zip(axes, quantities, strict=True):
        rows = [prediction for prediction in rating.predictions if prediction.get(quantity) is not None]
        mass = np.array([prediction["mass"] for prediction in rows])
        if not mass.size:
            panel.annotate("no prediction", (0.5, 0.5), xycoords="axes fraction", ha="center")
            continue
        ends = []
        for key, name, words, style, marker, colour in (
            (quantity, "estimate", "estimate", "-", "o", BLUE),
            (f"{quantity}_limit", "limit", f"{100 * rating.probability:g} % {rating.limit} limit", "--", "_", RED),
        ):
            values = np.array([prediction[key] for prediction in rows], float)
            if np.isfinite(values).any():
                panel.plot(mass, values, marker * (mass.size == 1) + style, color=colour, label=words)
                ends.append((values[np.isfinite(values)][-1], name, colour))
        if quantity in asked:
            forbid(panel, asked[quantity], QUANTITIES[quantity].danger)
        if rating.ends is None:
            panel.set_title("not rated", color=DARKER[RED], fontsize=9)
        else:
            panel.axvspan(*rating.ends, ymax=0.03, color=GREEN, label="rated")
            for end in rating.ends:
                panel.axvline(end, color=GREEN, ls=":", lw=1.2)
            panel.set_title(f"rated {mass_range(*rating.ends)}", color=DARKER[GREEN], fontsize=9)
        if mass.size > 1:
            panel.set_xlim(mass[0], mass[-1])
        label_ends(panel, panel.get_xlim()[1], ends)
    return figure_of(axes[0])


@styled
def budget(budget: "Budget", *, ax: AnyAxes = None) -> Figure:
    """Each input's share of the variance of one quantity."""
    shares = [share for share in budget.shares if share.share >= 0.0005][::-1]
    along = f"share of the variance of {budget.quantity.replace('_', ' ')} at {budget.mass:g} kg [%]"
    (panel,) = canvas(ax, (along, ""), size=(6.3, 0.8 + 0.26 * len(shares)))
    percent = [100 * share.share for share in shares]
    bars = panel.barh([share.input for share in shares], percent, color=BLUE, height=0.65)
    panel.bar_label(bars, [f"{100 * share.share:.1f} %, u = {share.u:.2g}" for share in shares], padding=3, fontsize=8)
    panel.set_xlim(0, 1.45 * max(percent, default=1))
    panel.grid(axis="y", visible=False)
    return figure_of(panel)


@styled
def wear(wear: "Wear", *, ax: AnyAxes = None) -> Figure:
    """Every drop over its cord's jump count, each cord's line, the limits where tested and the forecast beyond."""
    quantity = f"{wear.quantity} [{wear.unit}]" if wear.unit else wear.quantity
    (panel,) = canvas(ax, ("jumps of the cord", quantity), size=(6.3, 3.6))
    cords = []
    for name, at, look in series(wear.cord):
        jumps = wear.jumps[at]
        cords += panel.plot(jumps, wear.values[at], ls="none", mfc="none", **look)
        if wear.lines and name in wear.lines.names:
            k, span = wear.lines.names.index(name), np.array([jumps.min(), jumps.max()])
            line = wear.lines.intercepts[k] + wear.lines.slopes[k] * span
            panel.plot(span, line, "-", lw=0.8, color=look["color"], label="_")
    beyond = (*wear.tested[-1:], *wear.forecast)
    for points, style, label in ((wear.tested, "-", "lower limit"), (beyond, "--", "lower forecast, not rated")):
        if len(points) > 1:
            panel.plot([p.jumps for p in points], [p.lower for p in points], style, color=INK, lw=1.8, label=label)
    forbid(panel, wear.least, "lower", room=wear.room, unit=wear.unit)
    if wear.retire_at is not None:
        panel.axvline(wear.retire_at, color=RED, ls="-.", lw=1.4)
        above: Look = {"xycoords": ("data", "axes fraction"), "ha": "right", "va": "top", "color": DARKER[RED]}
        note(panel, f"retire at {wear.retire_at} jumps", (wear.retire_at, 1), offset=(-4, -4), bbox=BOX, **above)
    if wear.points:
        last = wear.points[-1]
        name = "forecast\nlimit" if last.kind == "forecast" else "limit"
        label_ends(panel, last.jumps, [(last.lower, name, INK)])
    legend_outside([panel], cords)
    return figure_of(panel)


@styled
def softening(softening: "Softening", *, ax: AnyAxes = None) -> Figure:
    """Change of stiffness and of slack length of each cord over its jump count, on two panels."""
    labels = ("", "stiffness against\nthe curve [%]"), ("jumps of the cord", "lengthening [m]")
    stiffness, length = axes = canvas(ax, *labels, size=(6.3, 4.2), sharex=True)
    for name, at, look in series(softening.cord):
        jumps, look = softening.jumps[at], look | {"ls": "-", "ms": 4, "lw": 0.8}
        stiffness.plot(jumps, 100 * np.expm1(softening.ln_scale[at]), **look)
        length.plot(jumps, softening.lengthening[at], **look | {"label": f"_ {name}"})
    legend_outside(axes, stiffness.lines)
    return figure_of(stiffness)


@styled
def batch(batch: "Batch", *, ax: AnyAxes = None) -> Figure:
    """Each cord's mean about the batch's, quantity by quantity; cords unlike the others by name."""
    across, rows = "cord mean about the batch mean [sd of cord means]", len(batch.spreads)
    (panel,) = canvas(ax, (across, ""), size=(6.3, 0.9 + 0.3 * rows))
    for row, spread in enumerate(batch.spreads):
        score = (spread.means - spread.means.mean()) / (spread.sd or 1.0)
        unlike = {cord.cord for cord in batch.outlying if cord.quantity == spread.quantity}
        panel.plot(score, np.full(score.size, row), "o", alpha=0.7)
        for cord, x in zip(spread.cords, score, strict=True):
            if cord in unlike:
                note(panel, cord, (x, row), offset=(0, 6), ha="center")
    panel.axvline(0, color="0.6", lw=0.8)
    panel.set_yticks(range(rows), [spread.quantity for spread in batch.spreads])
    panel.set_ylim(-0.5, rows - 0.5)
    return figure_of(panel)


@styled
def range_plan(plan: "RangePlan", *, ax: AnyAxes = None) -> Figure:
    """Both ends of the rated range to expect over the number of cords tested; the cords dropped so far are marked."""
    (panel,) = canvas(ax, ("cords tested", "rider mass [kg]"), size=(6.3, 3.0))
    panel.fill_between(plan.cords, plan.lightest, plan.heaviest, alpha=0.2, lw=0)
    panel.plot(plan.cords, plan.heaviest, "v-", label="heaviest rider")
    panel.plot(plan.cords, plan.lightest, "^-", label="lightest rider")
    for k, mass in enumerate(plan.best or ()):
        panel.axhline(mass, color="0.5", ls=":", lw=1, label="_" if k else "spread known")
    panel.axvline(plan.so_far, color="0.3", lw=1, ls="--", label="dropped so far")
    panel.xaxis.set_major_locator(MaxNLocator(integer=True))
    panel.legend(ncols=2)
    return figure_of(panel)


@styled
def breaks(lot: "Lot", *, ax: AnyAxes = None) -> Figure:
    """Weibull probability plot of the breaking loads, a line for a Weibull lot; dotted: what the criteria ask for."""
    (panel,) = canvas(ax, ("breaking load [kN]", "share broken"), size=(4.2, 3.2))
    panel.plot(lot.loads / 1000, _weibull_height(lot.plotting_positions), "o", label="breaks")
    if lot.weibull is not None:
        shares = np.linspace(0.01, 0.99, 99)
        height, loads = _weibull_height(shares), np.array([lot.weibull.quantile(share) for share in shares])
        panel.plot(loads / 1000, height, "-", lw=1, label="Weibull")
        normal = lot.loads.mean() + lot.loads.std(ddof=1) * special.ndtri(shares)
        panel.plot(normal[normal > 0] / 1000, height[normal > 0], "--", lw=1, label="normal")
    if lot.greatest_load_limit is not None:
        needed = lot.criteria.least_strength_factor * lot.greatest_load_limit / 1000
        panel.axvline(needed, color="0.4", ls=":", label=f"needed, {needed:.1f} kN")
    panel.set_yticks(_weibull_height(BROKEN), [f"{100 * share:g} %" for share in BROKEN])
    panel.set_xscale("log")
    panel.xaxis.set_major_formatter("{x:g}")
    panel.xaxis.set_minor_formatter("{x:g}")
    panel.tick_params(axis="x", which="minor", labelsize=7)
    panel.legend()
    return figure_of(panel)


def _weibull_height(share: np.ndarray) -> np.ndarray:
    """Height of a share broken on Weibull paper."""
    return np.log(-np.log1p(-share))


@styled
def candidates(fit: BatchFit, *, ax: AnyAxes = None) -> Figure:
    """The models side by side, on two panels: AICc above the best, and the error in drops that were held back."""
    models = [model for model in sorted(fit.candidates, key=lambda model: -model.aicc) if model.fit is not None]
    labels = ("AICc above the best [1]", ""), (f"rms of force in {fit.held_back} [N]", "")
    left, right = axes = canvas(ax, *labels, columns=2, size=(6.3, 0.9 + 0.25 * len(models)), sharey=True)
    best = min(model.aicc for model in models)
    for k, model in enumerate(models):
        marker, size = ("*", 9) if model.model == fit.chosen.model.name else ("o", 5)
        colour, inside = (BLUE, BLUE) if model.model in fit.equals else (FAINT, "none")
        for panel, value in ((left, model.aicc - best), (right, model.check_rms)):
            if np.isfinite(value):
                panel.plot([value], [k], marker, ms=size, color=colour, mfc=inside)
    if not np.isfinite(best):
        left.annotate("too few independent values", (0.5, 0.5), xycoords="axes fraction", ha="center")
    left.set_xscale("symlog", linthresh=10)
    right.set_xscale("log")
    for panel in axes:  # the usual formatter writes formulas
        panel.xaxis.set_major_formatter("{x:g}")
        panel.xaxis.set_minor_formatter("")
    left.set_yticks(range(len(models)), [model.model for model in models])
    left.set_title("star: chosen; filled: as good; open: not", fontsize=9)
    return figure_of(left)


@styled
def validation(validation: "Validation", *, ax: AnyAxes = None) -> Figure:
    """Measured lowest points of drops that the limits had not seen, against those limits."""
    rows = sorted(validation.rows, key=lambda row: (row.mass, row.cord))
    (panel,) = canvas(ax, ("mass hung [kg], cord", "lowest point − predicted [m]"))
    for k, row in enumerate(rows):
        panel.plot([k, k], [row.lower - row.predicted, row.upper - row.predicted], "_-", ms=7, color=BLUE, label="_")
    for inside, marker, size, colour, name in ((True, "o", 5, INK, "inside"), (False, "X", 8, RED, "outside")):
        if points := [(k, row.measured - row.predicted) for k, row in enumerate(rows) if row.inside == inside]:
            panel.plot(*zip(*points, strict=True), marker, color=colour, ms=size, label=name)
    panel.axhline(0, color=FAINT, lw=0.8)
    panel.set_xticks(range(len(rows)), [f"{row.mass:g}, {row.cord}" for row in rows], rotation=90)
    panel.grid(axis="x", visible=False)
    panel.set_title(f"bars: {100 * validation.probability:g} % limits, two-sided")
    panel.legend(ncols=2)
    return figure_of(panel)


@styled
def slow_pulls(comparison: "PullComparison", *, ax: AnyAxes = None) -> Figure:
    """Slow force over drop force by stretch ratio, a line a pull."""
    (panel,) = canvas(ax, ("stretch ratio [1]", "slow force over drop force [1]"))
    for row in comparison.rows:
        panel.plot(row.stretch_ratio, row.ratio, label=f"{row.pull.name}, over {row.against}")
    panel.axhline(1.0, color="0.2", lw=1, label="drop curve")
    panel.legend()
    return figure_of(panel)


def all_figures(analysis: "Analysis") -> dict[str, Figure]:
    """Every figure of the report that an analysis can give, by the name of its file."""
    rating, lot, plan, fit = analysis.rating, analysis.lot, analysis.range_plan, analysis.fit
    figures = {f"calibration-{name}": calibration(sensor) for name, sensor in analysis.calibrations.items()}
    measured = [drop for drop in analysis.drops if drop.use == "fit"]
    if measured and isinstance(fit, BatchFit):  # a fit to lowest points alone has no loading curves
        clear = [drop for drop in analysis.waves.drops if drop.use == "fit"] if analysis.waves else measured
        figures |= {"record": record(measured[0]), "curves": curves(clear, fit)}
        figures |= {"residuals": residuals(clear, fit), "candidates": candidates(fit)}
    if analysis.pulls is not None and analysis.pulls.rows:
        figures["pulls"] = slow_pulls(analysis.pulls)
    if rating.predictions:
        criteria = analysis.campaign.criteria
        others = [name for name in bounds(vars(criteria)) if name not in ("clearance", "g")]
        figures |= {"limits": by_mass(rating, criteria), "strength": by_mass(rating, criteria, quantities=others)}
    if analysis.validation is not None and analysis.validation.rows:
        figures["validation"] = validation(analysis.validation)
    figures |= {f"budget-{name}": budget(part) for name, part in analysis.budget.items()}
    if lot is not None and lot.loads.size:
        figures["breaks"] = breaks(lot)
    if analysis.batch is not None:
        figures["batch"] = batch(analysis.batch)
    if plan is not None and np.isfinite(plan.lightest).any():
        figures["range-plan"] = range_plan(plan)
    return figures if analysis.wear is None else figures | {"wear": wear(analysis.wear)}

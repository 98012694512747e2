"""Figures for notebook, report and file, in one style: each function takes a result and gives a matplotlib `Figure`.

A figure becomes bytes by `svg` or `png`, the same bytes each time. `state` tells what is drawn as text, so that a
notebook can be compared; `describe` tells it to those who cannot see it. No pyplot: nothing to close, nothing global.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import cycle
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from cordlab.batch.fit import BatchFit
from cordlab.curves.fit import Band, NoBand
from cordlab.report.raw_figures import alike, range_plan, residuals
from cordlab.report.style import (
    BLUE,
    DARKER,
    FAINT,
    GREEN,
    INK,
    MARKERS,
    RED,
    describe,
    forbid,
    label_ends,
    looks,
    png,
    state,
    styled,
    svg,
)  # fmt: skip

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.batch.slow_pulls import PullComparison
    from cordlab.campaign.settings import Criteria
    from cordlab.limits.budget import Budget
    from cordlab.limits.validation import Validation
    from cordlab.rating.lot import Lot
    from cordlab.rating.rate import Rating
    from cordlab.records.calibration import Calibration
    from cordlab.records.reduce import Drop
    from cordlab.wear.wear import Wear

__all__ = [
    "breaks", "budget", "by_mass", "calibration", "candidates", "curves", "describe", "figures", "png", "pulls",
    "record", "residuals", "state", "svg", "validation", "wear",
]  # fmt: skip


@styled
def record(drop: "Drop", *, raw: tuple[np.ndarray, np.ndarray] | None = None) -> Figure:
    """Load and distance of one drop against time, with its events.

    raw : time [s] and load [N] as recorded, drawn faintly behind what the filter leaves.
    """
    fig = Figure(figsize=(6.3, 4.2))
    load, place = fig.subplots(2, sharex=True)
    if raw is not None:
        load.plot(raw[0], raw[1] / 1000, "-", color="#BBBBBB", lw=0.8, label="as recorded")
    where = "tie point" if drop.load_cell_at == "top" else "lower end"
    load.plot(drop.time, drop.load / 1000, "-", color=BLUE, label=f"load at the {where}, filter {drop.filter}")
    place.plot(drop.time, drop.position, "-", color=BLUE, label="lower end of the cord")
    place.axhline(drop.slack_length, color=FAINT, ls=":", lw=1)
    place.annotate(
        "slack length", (drop.time[0], drop.slack_length), xytext=(2, 3), textcoords="offset points",
        bbox={"fc": "white", "ec": "none", "pad": 1},
    )  # fmt: skip
    _mark_events(drop, load, place)
    for ax, values in ((load, drop.load / 1000), (place, drop.position)):
        at = [drop.release, drop.slack_end, drop.peak, drop.lowest]
        ax.plot(drop.time[at], values[at], "o", color=RED, label="events")
    place.invert_yaxis()
    load.set(ylabel="load [kN]")
    place.set(xlabel="time [s]", ylabel="below the tie point [m]")
    fig.suptitle(f"Drop {drop.name}: cord {drop.cord}, {drop.mass:g} kg", x=0.01, ha="left", fontsize=10)
    return fig


def _mark_events(drop: "Drop", *axes: Axes) -> None:
    """A line at each event, its name above the first axes; events that fall together share one."""
    near = 0.02 * (drop.time[-1] - drop.time[0])
    marks: list[tuple[float, list[str]]] = []
    named = (("release", drop.release), ("slack ends", drop.slack_end), ("greatest load", drop.peak))
    for name, index in sorted((*named, ("lowest point", drop.lowest)), key=lambda event: event[1]):
        at = float(drop.time[index])
        if marks and at - marks[-1][0] < near:
            marks[-1][1].append(name)
        else:
            marks.append((at, [name]))
    for k, (at, names) in enumerate(marks):
        axes[0].annotate(
            ", ".join(names), (at, 1), xycoords=("data", "axes fraction"), xytext=(-2, 3 if k % 2 else 14),
            textcoords="offset points",
        )  # fmt: skip
        for ax in axes:
            ax.axvline(at, color=INK, ls="--", lw=0.7)


@styled
def calibration(calibration: "Calibration") -> Figure:
    """Residuals of the references about the calibration curve, run by run, and the range that it holds for."""
    fig = Figure()
    ax = fig.subplots()
    calibration.plot(ax)
    for line, marker in zip(ax.lines[:-1], cycle(MARKERS), strict=False):
        line.set(marker=marker)
    low, high = calibration.valid
    pad = 0.08 * (high - low)
    ax.set_xlim(low - pad, high + pad)
    for start, end in ((low - pad, low), (high, high + pad)):
        ax.axvspan(start, end, facecolor="none", edgecolor="#999999", hatch="////", lw=0)
    ax.set_title(f"{calibration.channel} sensor, degree {calibration.degree}; hatched: not calibrated, refused")
    if own := ax.get_legend():
        own.remove()
    fig.legend(loc="outside lower center", ncols=5)
    return fig


BANDS = ("mean curve", "this cord", "another cord")
LEVEL = 0.95


@styled
def curves(drops: Sequence["Drop"], fit: BatchFit, *, bands: Sequence[str] = BANDS) -> Figure:
    """Loading curves of all cords with the batch's curve; below, as a share of it, with the bands by name.

    bands : which of `BANDS`
    """
    fig = Figure(figsize=(6.3, 5.2))
    top, bottom = fig.subplots(2, sharex=True, height_ratios=(1.15, 1))
    chosen, reach = fit.chosen.curve, max(float(drop.stretch_ratio.max()) for drop in drops)
    for cord, marker, colour in looks(drop.cord for drop in drops):
        own = [drop for drop in drops if drop.cord == cord]
        for k, drop in enumerate(own):
            x, f = _thin(drop.stretch_ratio, 25), _thin(drop.force, 25)
            look = {"ls": "none", "marker": marker, "ms": 3, "mfc": "none", "mew": 0.6, "color": colour}
            top.plot(x, f / 1000, label=f"cord {cord}" if k == 0 else "_", **look)
            shape = chosen.force(x)
            seen = shape > 0.1 * float(chosen.force(reach))  # near no load a share of it is only noise
            bottom.plot(x[seen], 100 * (f[seen] / shape[seen] - 1), label="_", **look)
    x = np.linspace(1, reach, 200)
    top.plot(x, chosen.force(x) / 1000, "-", color=INK, lw=2, label=f"curve of the batch ({fit.chosen.model.name})")
    top.legend(ncols=2)
    far = x[chosen.force(x) > 0.1 * float(chosen.force(reach))]
    labels = []
    for band, colour, style in _bands(fit, far):
        name = band.kind.replace("confidence", "mean curve")
        if name not in bands:
            continue
        share = [100 * (edge / chosen.force(far) - 1) for edge in (band.lower, band.upper)]
        for edge in share:
            bottom.plot(far, edge, ls=style, color=colour, label=band.label)
        labels.append((share[1][-1], name, colour))
    bottom.axhline(0, color=INK, lw=1)
    label_ends(bottom, far[-1], labels)
    bottom.set_title(f"bands of {100 * LEVEL:g} %, two-sided")
    top.set(ylabel="force in the cord [kN]")
    bottom.set(xlabel="stretch ratio [1]", ylabel="off the batch's curve [%]")
    return fig


def _bands(fit: BatchFit, x: np.ndarray) -> Iterable[tuple[Band, str, Any]]:
    """The bands that the data can give; a band that they cannot is not drawn."""
    first = next(iter(fit.chosen.scales))
    # the band of one tested cord is drawn about the batch's curve, where the others are
    for ask, colour, style in (
        (lambda: fit.chosen.confidence_band(x, LEVEL), BLUE, "-"),
        (lambda: _recentred(fit.chosen.prediction_band(x, LEVEL, this_cord=first), fit), GREEN, "-."),
        (lambda: fit.chosen.prediction_band(x, LEVEL), RED, "--"),
    ):
        try:
            yield ask(), colour, style
        except NoBand:
            continue


def _recentred(band: Band, fit: BatchFit) -> Band:
    by = fit.chosen.curve.force(band.stretch_ratio) / band.force
    return replace(band, force=band.force * by, lower=band.lower * by, upper=band.upper * by)


_QUANTITIES = {
    "clearance": ("clearance [m]", "least_clearance", "lower"),
    "g": ("greatest g [1]", "greatest_g", "upper"),
    "strength_factor": ("strength factor [1]", "least_strength_factor", "lower"),
    "stretch_ratio": ("stretch ratio [1]", "greatest_stretch_ratio", "upper"),
}


@styled
def by_mass(rating: "Rating", criteria: "Criteria", *, quantities: Sequence[str] = ("clearance", "g")) -> Figure:
    """Estimates and limits over rider mass, a panel a quantity, the forbidden side hatched, the rated range marked."""
    fig = Figure(figsize=(6.3, 2.9) if len(quantities) > 1 else (4.2, 3.0))
    for ax, quantity in zip(fig.subplots(1, len(quantities), squeeze=False)[0], quantities, strict=True):
        label, key, side = _QUANTITIES[quantity]
        _over_mass(ax, rating, quantity, getattr(criteria, key), side)
        ax.set(xlabel="rider mass [kg]", ylabel=label)
    return fig


def _over_mass(ax: Axes, rating: "Rating", quantity: str, criterion: float | None, side: str) -> None:
    rows = [row for row in rating.predictions if row[quantity] is not None]
    mass = np.array([row["mass"] for row in rows])
    if not mass.size:
        ax.annotate("no prediction", (0.5, 0.5), xycoords="axes fraction", ha="center")
        return
    kind = f"{100 * rating.probability:g} % {rating.limit} limit"
    labels = []
    for key, name, style, colour in ((quantity, "estimate", "-", BLUE), (f"{quantity}_limit", "limit", "--", RED)):
        values = np.array([np.nan if row[key] is None else row[key] for row in rows], float)
        if np.isfinite(values).any():
            mark = ("o" if name == "estimate" else "_") if mass.size == 1 else ""  # a line would not show
            ax.plot(mass, values, mark + style, color=colour, label="estimate" if name == "estimate" else kind)
            last = np.flatnonzero(np.isfinite(values))[-1]
            labels.append((values[last], name, colour))
    if criterion is not None:
        forbid(ax, criterion, side)
    if rating.lightest is not None and rating.heaviest is not None:
        ax.axvspan(rating.lightest, rating.heaviest, ymax=0.03, color=GREEN, label="rated")
        for end in (rating.lightest, rating.heaviest):
            ax.axvline(end, color=GREEN, ls=":", lw=1.2)
        ax.set_title(f"rated {rating.lightest:.1f} to {rating.heaviest:.1f} kg", color=DARKER[GREEN], fontsize=9)
    else:
        ax.set_title("not rated", color=DARKER[RED], fontsize=9)
    if mass.size > 1:
        ax.set_xlim(mass[0], mass[-1])
    label_ends(ax, ax.get_xlim()[1], labels)


@styled
def budget(budget: "Budget") -> Figure:
    """Each input's share of the variance of one quantity."""
    shares = [share for share in budget.shares if share.share >= 0.0005][::-1]
    fig = Figure(figsize=(6.3, 0.8 + 0.26 * len(shares)))
    ax = fig.subplots()
    bars = ax.barh([share.input for share in shares], [100 * share.share for share in shares], color=BLUE, height=0.65)
    ax.bar_label(bars, [f"{100 * share.share:.1f} %, u = {share.u:.2g}" for share in shares], padding=3, fontsize=8)
    ax.set_xlim(0, 1.45 * max((100 * share.share for share in shares), default=1))
    ax.grid(axis="y", visible=False)
    ax.set(xlabel=f"share of the variance of {budget.quantity.replace('_', ' ')} at {budget.mass:g} kg [%]")
    return fig


@styled
def wear(wear: "Wear") -> Figure:
    """Every drop over its cord's jump count, each cord's line, the limits where tested and the forecast beyond."""
    fig = Figure(figsize=(6.3, 3.6))
    ax = fig.subplots()
    for name, marker, colour in looks(wear.cord.tolist()):
        of = wear.cord == name
        ax.plot(wear.jumps[of], wear.values[of], marker, color=colour, mfc="none", label=f"cord {name}")
        if wear.lines and name in wear.lines.groups:
            k, span = wear.lines.groups.index(name), np.array([wear.jumps[of].min(), wear.jumps[of].max()])
            ax.plot(span, wear.lines.intercepts[k] + wear.lines.slopes[k] * span, "-", lw=0.8, color=colour, label="_")
    tested = [point for point in wear.points if point.kind == "tested"]
    beyond = [*tested[-1:], *wear.forecast]
    labels = []
    for side in ("lower", "upper"):
        for points, style, word in ((tested, "-", "limit"), (beyond, "--", "forecast, not rated")):
            shown = [(point.jumps, getattr(point, side)) for point in points if getattr(point, side) is not None]
            if len(shown) > 1:
                ax.plot(*zip(*shown, strict=True), style, color=INK, lw=1.8, label=f"{side} {word}")
        limited = [point for point in wear.points if getattr(point, side) is not None]
        if limited:
            name = "forecast\nlimit" if limited[-1].kind == "forecast" else "limit"
            labels.append((getattr(limited[-1], side), name, INK))
    for bound, side in ((wear.least, "lower"), (wear.greatest, "upper")):
        if bound is not None:
            forbid(ax, bound, side, room=wear.room, unit=wear.unit)
    if wear.retire_at is not None:
        ax.axvline(wear.retire_at, color=RED, ls="-.", lw=1.4)
        ax.annotate(
            f"retire at {wear.retire_at} jumps", (wear.retire_at, 1), xycoords=("data", "axes fraction"),
            xytext=(-4, -4), textcoords="offset points", ha="right", va="top", color=DARKER[RED],
            bbox={"fc": "white", "ec": "none", "pad": 1},
        )  # fmt: skip
    if labels:
        label_ends(ax, max(point.jumps for point in wear.points), labels)
    ax.set(xlabel="jumps of the cord", ylabel=f"{wear.quantity} [{wear.unit}]" if wear.unit else wear.quantity)
    cords = [line for line in ax.lines if str(line.get_label()).startswith("cord ")]
    fig.legend(handles=cords, loc="outside lower center", ncols=6)
    return fig


@styled
def breaks(lot: "Lot") -> Figure:
    """Probability plot of the breaking loads, with the load that the criteria ask for."""
    fig = Figure(figsize=(4.2, 3.2))
    ax = fig.subplots()
    lot.plot(ax)
    ax.xaxis.set_major_formatter("{x:g}")
    ax.xaxis.set_minor_formatter("{x:g}")
    ax.tick_params(axis="x", which="minor", labelsize=7)
    return fig


@styled
def candidates(fit: BatchFit) -> Figure:
    """The models side by side: AICc above the best, and the error in drops that were held back."""
    table = [each for each in sorted(fit.candidates, key=lambda each: -each.aicc) if each.fit is not None]
    fig = Figure(figsize=(6.3, 0.9 + 0.25 * len(table)))
    left, right = fig.subplots(1, 2, sharey=True)
    best = min(each.aicc for each in table)
    for k, each in enumerate(table):
        chosen, equal = each.model == fit.chosen.model.name, each.model in fit.equals
        look = {"color": BLUE if equal else FAINT, "marker": "*" if chosen else "o", "ms": 9 if chosen else 5}
        look["mfc"] = look["color"] if equal else "none"
        if np.isfinite(each.aicc):
            left.plot([each.aicc - best], [k], ls="none", **look)
        if np.isfinite(each.check_rms):
            right.plot([each.check_rms], [k], ls="none", **look)
    if not np.isfinite(best):
        left.annotate("too few independent values", (0.5, 0.5), xycoords="axes fraction", ha="center")
    left.set_xscale("symlog", linthresh=10)
    right.set_xscale("log")
    for ax in (left, right):  # the usual formatter writes formulas
        ax.xaxis.set_major_formatter("{x:g}")
        ax.xaxis.set_minor_formatter("")
    left.set_yticks(range(len(table)), [each.model for each in table])
    left.set(xlabel="AICc above the best [1]")
    right.set(xlabel=f"rms of force in {fit.held_back} [N]")
    fig.suptitle("star: chosen; filled: as good; open: not", x=0.01, ha="left", fontsize=9)
    return fig


@styled
def validation(validation: "Validation") -> Figure:
    """Measured lowest points of drops that the limits had not seen, against those limits."""
    rows = sorted(validation.rows, key=lambda row: (row.mass, row.cord))
    fig = Figure()
    ax = fig.subplots()
    for k, row in enumerate(rows):
        ax.plot([k, k], [row.lower - row.predicted, row.upper - row.predicted], "_-", ms=7, color=BLUE, label="_")
    for inside, marker, name in ((True, "o", "inside"), (False, "X", "outside")):
        found = [(k, row.measured - row.predicted) for k, row in enumerate(rows) if row.inside == inside]
        if found:
            ax.plot(*zip(*found, strict=True), marker, color=INK if inside else RED, ms=5 if inside else 8, label=name)
    ax.axhline(0, color=FAINT, lw=0.8)
    ax.set_xticks(range(len(rows)), [f"{row.mass:g}, {row.cord}" for row in rows], rotation=90)
    ax.grid(axis="x", visible=False)
    ax.set(xlabel="mass hung [kg], cord", ylabel="lowest point − predicted [m]")
    ax.set_title(f"bars: {100 * validation.probability:g} % limits, two-sided")
    ax.legend(ncols=2)
    return fig


@styled
def pulls(found: "PullComparison") -> Figure:
    """Slow force over drop force by stretch ratio, a line a pull."""
    fig = Figure()
    found.plot(fig.subplots())
    return fig


def figures(analysis: "Analysis") -> dict[str, Figure]:
    """Every figure that an analysis can give, by the name of its file."""
    drawn = {f"calibration-{name}": calibration(found) for name, found in analysis.calibrations.items()}
    measured = [drop for drop in analysis.drops if drop.use == "fit"]
    if measured and isinstance(analysis.fit, BatchFit):  # a fit to lowest points alone has no loading curves
        clear = [drop for drop in analysis.waves.drops if drop.use == "fit"] if analysis.waves else measured
        drawn |= {"record": record(measured[0]), "curves": curves(clear, analysis.fit)}
        drawn |= {"residuals": residuals(clear, analysis.fit), "candidates": candidates(analysis.fit)}
    if analysis.pulls is not None and analysis.pulls.rows:
        drawn["pulls"] = pulls(analysis.pulls)
    criteria = analysis.campaign.criteria
    if analysis.rating.predictions:
        drawn["limits"] = by_mass(analysis.rating, criteria)
        drawn["strength"] = by_mass(analysis.rating, criteria, quantities=("strength_factor", "stretch_ratio"))
    if analysis.validation is not None and analysis.validation.rows:
        drawn["validation"] = validation(analysis.validation)
    drawn |= {f"budget-{name}": budget(found) for name, found in analysis.budgets.items()}
    if analysis.lot is not None and analysis.lot.loads.size:
        drawn["breaks"] = breaks(analysis.lot)
    if analysis.batch is not None:
        drawn["batch"] = alike(analysis.batch)
    if analysis.range_plan is not None and np.isfinite(analysis.range_plan.lightest).any():
        drawn["range-plan"] = range_plan(analysis.range_plan)
    if analysis.wear is not None:
        drawn["wear"] = wear(analysis.wear)
    return drawn


def _thin(values: np.ndarray, count: int) -> np.ndarray:
    return values[np.unique(np.linspace(0, values.size - 1, count).astype(int))]

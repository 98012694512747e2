"""Figures, one function each, in one style: a function takes a result and gives a matplotlib `Figure`.

Every function has `ax=None`: pass your own axes to draw on them (a sequence of axes where a figure has several panels).
A figure becomes bytes by `svg` or `png`, the same bytes each time. `state` writes what is drawn as text, so that a
notebook can be compared; `describe` says it in words for those who cannot see it. No pyplot: nothing stays open.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from scipy import special

from cordlab.batch.fit import BatchFit
from cordlab.curves.fit import Band, NoBand
from cordlab.quantities import QUANTITIES, bounded
from cordlab.report.raw_figures import (
    branches,
    calibration,
    calibration_pairs,
    ladder,
    lowest_points,
    motion,
    prediction,
    raw_record,
    record,
    residuals,
)
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
    label_ends,
    legend_outside,
    looks,
    note,
    png,
    show,
    state,
    styled,
    svg,
    tell,
)

if TYPE_CHECKING:
    from cordlab.analysis import Analysis
    from cordlab.batch.cords import Batch
    from cordlab.batch.slow_pulls import PullComparison
    from cordlab.campaign.settings import Criteria
    from cordlab.limits.budget import Budget
    from cordlab.limits.validation import Validation
    from cordlab.rating.lot import Lot
    from cordlab.rating.range_plan import RangePlan
    from cordlab.rating.rate import Rating
    from cordlab.records.reduce import Drop
    from cordlab.wear.softening import Softening
    from cordlab.wear.wear import Wear

__all__ = [
    "all_figures", "batch", "branches", "breaks", "budget", "by_mass", "calibration", "calibration_pairs",
    "candidates", "curves", "describe", "ladder", "lowest_points", "motion", "png", "prediction", "range_plan",
    "raw_record", "record", "residuals", "show", "slow_pulls", "softening", "state", "svg", "tell", "validation",
    "wear",
]  # fmt: skip


def __dir__() -> list[str]:
    return __all__


BANDS = ("mean curve", "this cord", "another cord")
LEVEL = 0.95


@styled
def curves(drops: Sequence["Drop"], fit: BatchFit, *, bands: Sequence[str] = BANDS, ax: AnyAxes = None) -> Figure:
    """Loading curves of all cords with the batch's curve; below, as a share of it, with the bands by name.

    bands : which of "mean curve", "this cord", "another cord". ax : two axes, one above the other
    """
    top, bottom = axes = canvas(ax, rows=2, size=(6.3, 5.2), sharex=True, height_ratios=(1.15, 1))
    chosen, reach = fit.chosen.curve, max(float(drop.stretch_ratio.max()) for drop in drops)
    for cord, marker, colour in looks(drop.cord for drop in drops):
        for k, drop in enumerate(drop for drop in drops if drop.cord == cord):
            x, f = _thin(drop.stretch_ratio, 25), _thin(drop.force, 25)
            look: Look = {"ls": "none", "marker": marker, "ms": 3, "mfc": "none", "mew": 0.6, "color": colour}
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
    return figure_of(axes[0])


def _bands(fit: BatchFit, x: np.ndarray) -> Iterable[tuple[Band, str, str]]:
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


@styled
def by_mass(
    rating: "Rating", criteria: "Criteria", *, quantities: Sequence[str] = ("clearance", "g"), ax: AnyAxes = None
) -> Figure:
    """Estimates and limits over rider mass, a panel a quantity, the forbidden side hatched, the rated range marked.

    quantities : names of the table of quantities, such as "clearance" or "peak_load". ax : one axes a quantity
    """
    size = (6.3, 2.9) if len(quantities) > 1 else (4.2, 3.0)
    axes = canvas(ax, columns=len(quantities), size=size)
    for panel, quantity in zip(axes, quantities, strict=True):
        row = QUANTITIES[quantity]
        bound = getattr(criteria, row.criterion.key) if row.criterion else None
        _over_mass(panel, rating, quantity, bound, row.danger)
        panel.set(xlabel="rider mass [kg]", ylabel=row.head)
    return figure_of(axes[0])


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
def budget(budget: "Budget", *, ax: AnyAxes = None) -> Figure:
    """Each input's share of the variance of one quantity."""
    shares = [share for share in budget.shares if share.share >= 0.0005][::-1]
    (panel,) = canvas(ax, size=(6.3, 0.8 + 0.26 * len(shares)))
    percent = [100 * share.share for share in shares]
    bars = panel.barh([share.input for share in shares], percent, color=BLUE, height=0.65)
    panel.bar_label(bars, [f"{100 * share.share:.1f} %, u = {share.u:.2g}" for share in shares], padding=3, fontsize=8)
    panel.set_xlim(0, 1.45 * max(percent, default=1))
    panel.grid(axis="y", visible=False)
    panel.set(xlabel=f"share of the variance of {budget.quantity.replace('_', ' ')} at {budget.mass:g} kg [%]")
    return figure_of(panel)


@styled
def wear(wear: "Wear", *, ax: AnyAxes = None) -> Figure:
    """Every drop over its cord's jump count, each cord's line, the limits where tested and the forecast beyond."""
    (panel,) = canvas(ax, size=(6.3, 3.6))
    for name, marker, colour in looks(wear.drops.cord.tolist()):
        of = wear.drops.cord == name
        jumps = wear.drops.jumps[of]
        panel.plot(jumps, wear.drops.values[of], marker, color=colour, mfc="none", label=f"cord {name}")
        if wear.lines and name in wear.lines.names:
            k, span = wear.lines.names.index(name), np.array([jumps.min(), jumps.max()])
            line = wear.lines.intercepts[k] + wear.lines.slopes[k] * span
            panel.plot(span, line, "-", lw=0.8, color=colour, label="_")
    beyond = (*wear.tested[-1:], *wear.forecast)
    for points, style, label in ((wear.tested, "-", "lower limit"), (beyond, "--", "lower forecast, not rated")):
        if len(points) > 1:
            panel.plot([p.jumps for p in points], [p.lower for p in points], style, color=INK, lw=1.8, label=label)
    forbid(panel, wear.least, "lower", room=wear.room, unit=wear.unit)
    if wear.retire_at is not None:
        panel.axvline(wear.retire_at, color=RED, ls="-.", lw=1.4)
        look: Look = {
            "xycoords": ("data", "axes fraction"),
            "ha": "right",
            "va": "top",
            "color": DARKER[RED],
            "bbox": BOX,
        }
        note(panel, f"retire at {wear.retire_at} jumps", (wear.retire_at, 1), offset=(-4, -4), **look)
    if wear.points:
        last = wear.points[-1]
        name = "forecast\nlimit" if last.kind == "forecast" else "limit"
        label_ends(panel, last.jumps, [(last.lower, name, INK)])
    panel.set(xlabel="jumps of the cord", ylabel=f"{wear.quantity} [{wear.unit}]" if wear.unit else wear.quantity)
    cords = [line for line in panel.lines if str(line.get_label()).startswith("cord ")]
    legend_outside([panel], cords)
    return figure_of(panel)


@styled
def softening(softening: "Softening", *, ax: AnyAxes = None) -> Figure:
    """Change of stiffness and of slack length of each cord over its jump count.

    ax : two axes, stiffness and slack length
    """
    stiffness, length = axes = canvas(ax, rows=2, size=(6.3, 4.2), sharex=True)
    for name, marker, colour in looks(softening.cord.tolist()):
        of = softening.cord == name
        look: Look = {"marker": marker, "ls": "-", "ms": 4, "lw": 0.8, "color": colour}
        stiffness.plot(softening.jumps[of], 100 * np.expm1(softening.ln_scale[of]), label=f"cord {name}", **look)
        length.plot(softening.jumps[of], softening.lengthening[of], label="_", **look)
    stiffness.set(ylabel="stiffness against\nthe curve [%]")
    length.set(xlabel="jumps of the cord", ylabel="lengthening [m]")
    legend_outside(axes, stiffness.lines)
    return figure_of(axes[0])


@styled
def batch(batch: "Batch", *, ax: AnyAxes = None) -> Figure:
    """Each cord's mean about the batch's, quantity by quantity; cords unlike the others by name."""
    (panel,) = canvas(ax, size=(6.3, 0.9 + 0.3 * len(batch.spreads)))
    for row, spread in enumerate(batch.spreads):
        score = (spread.means - spread.means.mean()) / (spread.sd or 1.0)
        unlike = {cord.cord for cord in batch.outlying if cord.quantity == spread.quantity}
        panel.plot(score, np.full(score.size, row), "o", alpha=0.7)
        for cord, x in zip(spread.cords, score, strict=True):
            if cord in unlike:
                note(panel, cord, (x, row), offset=(0, 6), ha="center")
    panel.axvline(0, color="0.6", lw=0.8)
    panel.set_yticks(range(len(batch.spreads)), [spread.quantity for spread in batch.spreads])
    panel.set(xlabel="cord mean about the batch mean [sd of cord means]", ylim=(-0.5, len(batch.spreads) - 0.5))
    return figure_of(panel)


@styled
def range_plan(plan: "RangePlan", *, ax: AnyAxes = None) -> Figure:
    """Both ends of the rated range to expect over the number of cords tested; the cords dropped so far are marked."""
    (panel,) = canvas(ax, size=(6.3, 3.0))
    panel.fill_between(plan.cords, plan.lightest, plan.heaviest, alpha=0.2, lw=0)
    panel.plot(plan.cords, plan.heaviest, "v-", label="heaviest rider")
    panel.plot(plan.cords, plan.lightest, "^-", label="lightest rider")
    for k, mass in enumerate(plan.best or ()):
        panel.axhline(mass, color="0.5", ls=":", lw=1, label="_" if k else "spread known")
    panel.axvline(plan.so_far, color="0.3", lw=1, ls="--", label="dropped so far")
    panel.set(xlabel="cords tested", ylabel="rider mass [kg]")
    panel.xaxis.set_major_locator(MaxNLocator(integer=True))
    panel.legend(ncols=2)
    return figure_of(panel)


BROKEN = np.array([0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 0.95, 0.99])  # shares that the probability plot names


@styled
def breaks(lot: "Lot", *, ax: AnyAxes = None) -> Figure:
    """Weibull probability plot of the breaking loads: a Weibull lot lies on a straight line.

    Dotted: the load that the criteria ask for.
    """
    (panel,) = canvas(ax, size=(4.2, 3.2))
    panel.plot(lot.loads / 1000, _weibull_height(lot.plotting_positions), "o", label="breaks")
    if lot.weibull is not None:
        shares = np.linspace(0.01, 0.99, 99)
        height = _weibull_height(shares)
        loads = np.array([lot.weibull.quantile(share) for share in shares])
        panel.plot(loads / 1000, height, "-", lw=1, label="Weibull")
        normal = lot.loads.mean() + lot.loads.std(ddof=1) * special.ndtri(shares)
        panel.plot(normal[normal > 0] / 1000, height[normal > 0], "--", lw=1, label="normal")
    if lot.greatest_load_limit is not None:
        needed = lot.criteria.least_strength_factor * lot.greatest_load_limit / 1000
        panel.axvline(needed, color="0.4", ls=":", label=f"needed, {needed:.1f} kN")
    panel.set_yticks(_weibull_height(BROKEN), [f"{100 * share:g} %" for share in BROKEN])
    panel.set(xscale="log", xlabel="breaking load [kN]", ylabel="share broken")
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
    """The models side by side: AICc above the best, and the error in drops that were held back.

    Star: the model chosen. Filled: models as good. Open: the others. ax : two axes side by side
    """
    models = [model for model in sorted(fit.candidates, key=lambda model: -model.aicc) if model.fit is not None]
    left, right = axes = canvas(ax, columns=2, size=(6.3, 0.9 + 0.25 * len(models)), sharey=True)
    best = min(model.aicc for model in models)
    for k, model in enumerate(models):
        chosen = model.model == fit.chosen.model.name
        colour = BLUE if model.model in fit.equals else FAINT
        inside = colour if model.model in fit.equals else "none"
        look: Look = {"ls": "none", "color": colour, "mfc": inside} | ({"marker": "*", "ms": 9} if chosen else _DOT)
        if np.isfinite(model.aicc):
            left.plot([model.aicc - best], [k], **look)
        if np.isfinite(model.check_rms):
            right.plot([model.check_rms], [k], **look)
    if not np.isfinite(best):
        left.annotate("too few independent values", (0.5, 0.5), xycoords="axes fraction", ha="center")
    left.set_xscale("symlog", linthresh=10)
    right.set_xscale("log")
    for panel in axes:  # the usual formatter writes formulas
        panel.xaxis.set_major_formatter("{x:g}")
        panel.xaxis.set_minor_formatter("")
    left.set_yticks(range(len(models)), [model.model for model in models])
    left.set(xlabel="AICc above the best [1]")
    left.set_title("star: chosen; filled: as good; open: not", fontsize=9)
    right.set(xlabel=f"rms of force in {fit.held_back} [N]")
    return figure_of(axes[0])


_DOT: Look = {"marker": "o", "ms": 5}


@styled
def validation(validation: "Validation", *, ax: AnyAxes = None) -> Figure:
    """Measured lowest points of drops that the limits had not seen, against those limits."""
    rows = sorted(validation.rows, key=lambda row: (row.mass, row.cord))
    (panel,) = canvas(ax)
    for k, row in enumerate(rows):
        panel.plot([k, k], [row.lower - row.predicted, row.upper - row.predicted], "_-", ms=7, color=BLUE, label="_")
    for inside, marker, size, colour, name in ((True, "o", 5, INK, "inside"), (False, "X", 8, RED, "outside")):
        points = [(k, row.measured - row.predicted) for k, row in enumerate(rows) if row.inside == inside]
        if points:
            panel.plot(*zip(*points, strict=True), marker, color=colour, ms=size, label=name)
    panel.axhline(0, color=FAINT, lw=0.8)
    panel.set_xticks(range(len(rows)), [f"{row.mass:g}, {row.cord}" for row in rows], rotation=90)
    panel.grid(axis="x", visible=False)
    panel.set(xlabel="mass hung [kg], cord", ylabel="lowest point − predicted [m]")
    panel.set_title(f"bars: {100 * validation.probability:g} % limits, two-sided")
    panel.legend(ncols=2)
    return figure_of(panel)


@styled
def slow_pulls(comparison: "PullComparison", *, ax: AnyAxes = None) -> Figure:
    """Slow force over drop force by stretch ratio, a line a pull."""
    (panel,) = canvas(ax)
    for row in comparison.rows:
        panel.plot(row.stretch_ratio, row.ratio, label=f"{row.pull.name}, over {row.against}")
    panel.axhline(1.0, color="0.2", lw=1, label="drop curve")
    panel.set(xlabel="stretch ratio [1]", ylabel="slow force over drop force [1]")
    panel.legend()
    return figure_of(panel)


def all_figures(analysis: "Analysis") -> dict[str, Figure]:
    """Every figure of the report that an analysis can give, by the name of its file."""
    figures = {f"calibration-{name}": calibration(sensor) for name, sensor in analysis.calibrations.items()}
    measured = [drop for drop in analysis.drops if drop.use == "fit"]
    if measured and isinstance(analysis.fit, BatchFit):  # a fit to lowest points alone has no loading curves
        clear = [drop for drop in analysis.waves.drops if drop.use == "fit"] if analysis.waves else measured
        figures |= {"record": record(measured[0]), "curves": curves(clear, analysis.fit)}
        figures |= {"residuals": residuals(clear, analysis.fit), "candidates": candidates(analysis.fit)}
    if analysis.pulls is not None and analysis.pulls.rows:
        figures["pulls"] = slow_pulls(analysis.pulls)
    criteria = analysis.campaign.criteria
    if analysis.rating.predictions:
        figures["limits"] = by_mass(analysis.rating, criteria)
        others = [quantity.name for quantity, _ in bounded() if quantity.name not in ("clearance", "g")]
        figures["strength"] = by_mass(analysis.rating, criteria, quantities=others)
    if analysis.validation is not None and analysis.validation.rows:
        figures["validation"] = validation(analysis.validation)
    figures |= {f"budget-{name}": budget(part) for name, part in analysis.budget.items()}
    if analysis.lot is not None and analysis.lot.loads.size:
        figures["breaks"] = breaks(analysis.lot)
    if analysis.batch is not None:
        figures["batch"] = batch(analysis.batch)
    if analysis.range_plan is not None and np.isfinite(analysis.range_plan.lightest).any():
        figures["range-plan"] = range_plan(analysis.range_plan)
    if analysis.wear is not None:
        figures["wear"] = wear(analysis.wear)
    return figures


def _thin(values: np.ndarray, count: int) -> np.ndarray:
    return values[np.unique(np.linspace(0, values.size - 1, count).astype(int))]

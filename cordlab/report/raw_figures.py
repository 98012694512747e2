"""Figures of what was measured, before anything is concluded from it, and of the motion of a drop in time."""

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import cycle
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from cordlab.report.style import BLUE, FAINT, INK, MARKERS, RED, describe, forbid, looks, png, state, styled

if TYPE_CHECKING:
    from cordlab.batch.cords import Batch
    from cordlab.batch.fit import BatchFit
    from cordlab.campaign.campaign import CalibrationTable, Campaign
    from cordlab.campaign.loggers import Record
    from cordlab.mechanics.trace import Trace
    from cordlab.rating.ladder import Rung
    from cordlab.rating.range_plan import RangePlan
    from cordlab.records.reduce import Drop
    from cordlab.wear.softening import Softening

__all__ = [
    "Shown", "alike", "branches", "ladder", "lowest_points", "motion", "pairs", "range_plan", "raw", "show",
    "size", "softening", "tell",
]  # fmt: skip


@dataclass(frozen=True)
class Shown:
    """A figure as the last line of a notebook's cell: the picture, and its numbers as text for those who compare."""

    figure: Figure

    def __repr__(self) -> str:
        return state(self.figure)

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> tuple[dict[str, Any], dict[str, Any]]:
        return {"image/png": png(self.figure), "text/plain": state(self.figure)}, {"image/png": size(self.figure)}


show = Shown


def size(figure: Figure) -> dict[str, Any]:
    """For whoever shows its PNG: width on a screen [px], and words for those who cannot see it."""
    return {"width": round(96 * figure.get_figwidth()), "alt": describe(figure)}


def tell(*texts: str) -> None:
    """Print each text, broken between words where a notebook's page ends."""
    for text in texts:
        print(textwrap.fill(text, 100, subsequent_indent="  " * text.startswith("•")))


@styled
def lowest_points(campaign: "Campaign") -> Figure:
    """Every lowest point measured on its own against the mass hung, cord by cord, down to the surface at the rig."""
    fig = Figure(figsize=(6.3, 3.6))
    ax = fig.subplots()
    uses: dict[str, tuple[str, dict[str, Any]]] = {
        "fit": ("to fit", {}),
        "check": ("held back", {"mfc": "none"}),
        "wear": ("worn cord", {"mfc": "none", "alpha": 0.45}),
    }
    apart = np.diff(np.unique([drop.mass.value for drop in campaign.drops]), prepend=0).min(initial=4.0)
    places = np.linspace(-0.25, 0.25, len(campaign.cords)) * apart  # cords of one mass side by side, else they hide
    for place, (cord, marker, colour) in zip(places, looks(entry.cord for entry in campaign.cords), strict=True):
        for use, (word, look) in uses.items():
            points = [(drop.mass.value + place, drop.lowest_point.value) for drop in campaign.drops
                      if drop.cord == cord and drop.use == use and drop.lowest_point is not None]  # fmt: skip
            if points:
                ax.plot(*zip(*points, strict=True), marker, color=colour, label=f"cord {cord} ({word})", **look)
    surface = campaign.rig.tie_height.value
    ax.axhline(surface, color=INK, lw=1.4, label="surface at the rig")
    ax.annotate(
        "surface at the rig", (0.02, surface), xycoords=("axes fraction", "data"), xytext=(0, 3),
        textcoords="offset points", va="bottom",
    )  # fmt: skip
    ax.invert_yaxis()
    ax.set(xlabel="mass hung [kg]", ylabel="lowest point below the tie point [m]")
    first = [line for line in ax.lines if "to fit" in str(line.get_label())]
    fig.legend(first, [str(line.get_label()).split(" (")[0] for line in first], loc="outside lower center", ncols=6)
    ax.set_title("filled: to fit; open: held back; faint: worn cords; the cords of one mass side by side", fontsize=9)
    return fig


@styled
def ladder(rungs: Sequence["Rung"], lowest: Mapping[float, Sequence[float]], *, clear_above: float) -> Figure:
    """Limits that the ladder gave for each heavier mass before it was dropped, and what then came.

    lowest : mass hung [kg] → its lowest points, those of masses that were dropped [m]. clear_above : lowest point that
    leaves the least clearance on the rig [m]
    """
    fig = Figure(figsize=(6.3, 3.4))
    ax = fig.subplots()
    mass, limit = [rung.mass for rung in rungs], [rung.lowest_point_limit for rung in rungs]
    x, y = np.array([(m, each) for m, values in lowest.items() for each in values]).T
    ax.plot(x, y, "o", color=INK, ms=3.5, mfc="none", label="measured, afterwards")
    ax.plot(mass, limit, "_--", color=RED, ms=14, mew=2, label="limit, from lighter drops only")
    forbid(ax, clear_above, "upper", unit="m, for the least clearance on this rig")
    ax.invert_yaxis()
    ax.set(xlabel="mass hung [kg]", ylabel="lowest point below the tie point [m]")
    fig.legend(handles=ax.lines[:2], loc="outside lower center", ncols=2)
    return fig


@styled
def pairs(table: "CalibrationTable") -> Figure:
    """Readings against references as they were written down, run by run."""
    fig = Figure(figsize=(6.3, 3.0))
    ax = fig.subplots()
    for run, marker, colour in looks(np.unique(table.run).tolist()):
        of = table.run == run
        ax.plot(table.reading[of], table.reference[of], marker, color=colour, mfc="none", label=f"run {run}")
    ax.set(xlabel=f"reading [{table.reading_unit}]", ylabel=f"reference [{table.quantity_unit}]")
    ax.set_title(f"{table.channel} sensor")
    ax.legend(ncols=2)
    return fig


@styled
def raw(record: "Record", *, force_unit: str, distance_unit: str = "") -> Figure:
    """A record as the logger wrote it, in the units of the sensors."""
    channels = [("force", record.force, force_unit)]
    if record.distance is not None:
        channels.append(("distance", record.distance, distance_unit))
    fig = Figure(figsize=(6.3, 1.0 + 1.5 * len(channels)))
    axes = fig.subplots(len(channels), sharex=True, squeeze=False)[:, 0]
    for ax, (name, values, unit) in zip(axes, channels, strict=True):
        ax.plot(record.time, values, "-", color=FAINT, lw=0.7, label="as recorded")
        ax.set_ylabel(f"{name} [{unit}]")
    fig.axes[-1].set_xlabel("time [s]")
    return fig


@styled
def branches(drop: "Drop", *, clear: "Drop | None" = None) -> Figure:
    """The cord's force over its stretch ratio: the way down, the way back, and the energy between them.

    clear : the same drop with its stretch wave taken off the way down
    """
    fig = Figure(figsize=(6.3, 3.2))
    ax = fig.subplots()
    ax.plot(drop.stretch_ratio, drop.force / 1000, "-", color=BLUE, label="loading")
    if drop.unloading_ratio.size:
        ax.plot(drop.unloading_ratio, drop.unloading_force / 1000, "--", color=RED, label="unloading")
    if clear is not None:
        ax.plot(clear.stretch_ratio, clear.force / 1000, "-", color=INK, lw=2.5, label="loading, wave taken off")
    ax.legend(loc="lower right")  # with waves the two cross, and a name at a line would lie on the other
    ax.set(xlabel="stretch ratio [1]", ylabel="force in the cord [kN]")
    if drop.energy_returned is not None:
        ax.set_title(f"energy returned {100 * drop.energy_returned:.1f} %")
    return fig


@styled
def alike(batch: "Batch") -> Figure:
    """Each cord's mean about the batch's, quantity by quantity: is one unlike the others?"""
    fig = Figure(figsize=(6.3, 0.9 + 0.3 * len(batch.spreads)))
    batch.plot(fig.subplots())
    return fig


@styled
def range_plan(plan: "RangePlan") -> Figure:
    """The rated range to expect over the number of cords tested."""
    fig = Figure(figsize=(6.3, 3.0))
    ax = plan.plot(fig.subplots())
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    return fig


@styled
def softening(softening: "Softening") -> Figure:
    """Stiffness and slack length of each cord over its jump count."""
    fig = Figure(figsize=(6.3, 4.2))
    axes = fig.subplots(2, sharex=True)
    softening.plot(axes)
    for ax in axes:
        for line, marker in zip(ax.lines, cycle(MARKERS), strict=False):
            line.set(marker=marker)
    fig.legend(handles=axes[0].lines, loc="outside lower center", ncols=6)
    return fig


@styled
def motion(traces: Iterable["Trace"], *, drop: "Drop | None" = None, slack_length: float) -> Figure:
    """Position and loads of one drop on one time axis from the release: by each mechanics, and as recorded.

    drop : its reduced record, or None where this mass was not dropped
    """
    fig = Figure(figsize=(6.3, 5.4))
    place, tie, lower = fig.subplots(3, sharex=True)
    end, wide = np.inf, {"color": "#BBBBBB", "lw": 4}
    if drop is not None:
        time = drop.time - drop.time[drop.release]
        end = float(time[-1])
        place.plot(time, drop.position, "-", label="record", **wide)
        (tie if drop.load_cell_at == "top" else lower).plot(time, drop.load / 1000, "-", label="record", **wide)
    drawn = (("--", BLUE, "white"), ("-", RED, RED))  # line, colour, and the marker's inside: told apart in grey too
    for trace, (style, colour, inside) in zip(traces, drawn, strict=False):
        end = min(end, float(trace.time[-1]))
        place.plot(trace.time, trace.position, style, color=colour, label=trace.mechanics)
        for ax, values in ((tie, trace.tie_load), (lower, trace.lower_load)):
            ax.plot(trace.time, values / 1000, style, color=colour, label=trace.mechanics)
            k = int(np.argmax(values))
            look = {"ms": 7, "color": colour, "mfc": inside, "label": f"{trace.mechanics}, greatest"}
            ax.plot([trace.time[k]], [values[k] / 1000], "v", **look)
    place.axhline(slack_length, color=FAINT, ls=":", lw=1)
    place.annotate("slack length", (0, slack_length), xytext=(2, 3), textcoords="offset points")
    place.set_xlim(0, end)
    place.invert_yaxis()
    place.set_ylabel("lower end below\nthe tie point [m]")
    tie.set_ylabel("load at the\ntie point [kN]")
    lower.set(xlabel="time from the release [s]", ylabel="load at the\nlower end [kN]")
    named = {str(line.get_label()): line for ax in (place, tie, lower) for line in ax.lines[::-1]}
    shown = [name for name in ("record", "even", "waves", "even, greatest", "waves, greatest") if name in named]
    fig.legend([named[name] for name in shown], shown, loc="outside upper left", ncols=len(shown))
    return fig


@styled
def residuals(drops: Sequence["Drop"], fit: "BatchFit") -> Figure:
    """Force less the cord's own curve, a strip a drop: what the shape leaves, cord by cord and from light to heavy."""
    fig = Figure()
    ax = fig.subplots()
    ordered = sorted(drops, key=lambda drop: (drop.cord, drop.mass))
    for cord, marker, colour in looks(drop.cord for drop in ordered):
        places = [k for k, drop in enumerate(ordered) if drop.cord == cord]
        for k in places:
            drop = ordered[k]
            off = drop.force - fit.chosen.scales.get(cord, 1.0) * fit.chosen.curve.force(drop.stretch_ratio)
            spread = k + np.linspace(-0.35, 0.35, off.size)
            ax.plot(spread, off, marker, ms=2, color=colour, label=f"cord {cord}" if k == places[0] else "_")
        ax.axvline(places[-1] + 0.5, color="#BBBBBB", lw=0.8)
        ax.annotate(
            cord, (np.mean(places), 1), xycoords=("data", "axes fraction"), xytext=(0, 2),
            textcoords="offset points", ha="center", va="bottom",
        )  # fmt: skip
    ax.axhline(0, color=INK, lw=1)
    ax.set_xticks(range(len(ordered)), [f"{drop.mass:g}" for drop in ordered], rotation=90)
    ax.grid(axis="x", visible=False)
    ax.set(xlabel="mass hung [kg], a strip a drop from slack to lowest point, by cord", ylabel="force − curve [N]")
    return fig

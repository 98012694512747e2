"""Figures of what was measured, before anything is concluded from it, and of the motion of one drop.

They are offered by `cordlab.figures`, with those of the results.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy import special

from cordlab.report.style import (
    BLUE,
    BOX,
    FAINT,
    INK,
    RED,
    AnyAxes,
    Look,
    canvas,
    figure_of,
    forbid,
    hatch,
    legend_outside,
    looks,
    note,
    styled,
)

if TYPE_CHECKING:
    from cordlab.batch.fit import BatchFit
    from cordlab.campaign.campaign import CalibrationTable, Campaign
    from cordlab.campaign.loggers import Record
    from cordlab.mechanics.predict import Prediction
    from cordlab.mechanics.trace import Trace
    from cordlab.rating.ladder import Rung
    from cordlab.records.calibration import Calibration
    from cordlab.records.reduce import Drop


@styled
def lowest_points(campaign: "Campaign", *, ax: AnyAxes = None) -> Figure:
    """Every lowest point measured on its own against the mass hung, cord by cord, down to the surface at the rig."""
    (panel,) = canvas(ax, size=(6.3, 3.6))
    uses: tuple[tuple[str, str, dict], ...] = (
        ("fit", "to fit", {}),
        ("check", "held back", {"mfc": "none"}),
        ("wear", "worn cord", {"mfc": "none", "alpha": 0.45}),
    )
    apart = np.diff(np.unique([drop.mass.value for drop in campaign.drops]), prepend=0).min(initial=4.0)
    places = np.linspace(-0.25, 0.25, len(campaign.cords)) * apart  # cords of one mass side by side, else they hide
    for place, (cord, marker, colour) in zip(places, looks(entry.cord for entry in campaign.cords), strict=True):
        for use, word, look in uses:
            points = [(drop.mass.value + place, drop.lowest_point.value) for drop in campaign.drops
                      if drop.cord == cord and drop.use == use and drop.lowest_point is not None]  # fmt: skip
            if points:
                panel.plot(*zip(*points, strict=True), marker, color=colour, label=f"cord {cord} ({word})", **look)
    surface = campaign.rig.tie_height.value
    panel.axhline(surface, color=INK, lw=1.4, label="surface at the rig")
    note(panel, "surface at the rig", (0.02, surface), offset=(0, 3), xycoords=("axes fraction", "data"), va="bottom")
    panel.invert_yaxis()
    panel.set(xlabel="mass hung [kg]", ylabel="lowest point below the tie point [m]")
    first = [line for line in panel.lines if "to fit" in str(line.get_label())]
    legend_outside([panel], first, labels=[str(line.get_label()).split(" (")[0] for line in first])
    panel.set_title("filled: to fit; open: held back; faint: worn cords; cords of one mass side by side", fontsize=9)
    return figure_of(panel)


@styled
def ladder(
    rungs: Sequence["Rung"], lowest: Mapping[float, Sequence[float]], *, clear_above: float, ax: AnyAxes = None
) -> Figure:
    """Limits that the ladder gave for each heavier mass before it was dropped, and what then came.

    lowest : mass hung [kg] → its lowest points, those of masses that were dropped [m]. clear_above : lowest point that
    leaves the least clearance on the rig [m]
    """
    (panel,) = canvas(ax)
    mass, limit = [rung.mass for rung in rungs], [rung.lowest_point_limit for rung in rungs]
    x, y = np.array([(m, depth) for m, depths in lowest.items() for depth in depths]).T
    panel.plot(x, y, "o", color=INK, ms=3.5, mfc="none", label="measured, afterwards")
    panel.plot(mass, limit, "_--", color=RED, ms=14, mew=2, label="limit, from lighter drops only")
    forbid(panel, clear_above, "upper", unit="m, for the least clearance on this rig")
    panel.invert_yaxis()
    panel.set(xlabel="mass hung [kg]", ylabel="lowest point below the tie point [m]")
    legend_outside([panel], panel.lines[:2])
    return figure_of(panel)


@styled
def calibration_pairs(table: "CalibrationTable", *, ax: AnyAxes = None) -> Figure:
    """Readings against references as they were written down, run by run."""
    (panel,) = canvas(ax, size=(6.3, 3.0))
    for run, marker, colour in looks(np.unique(table.run).tolist()):
        of = table.run == run
        panel.plot(table.reading[of], table.reference[of], marker, color=colour, mfc="none", label=f"run {run}")
    panel.set(xlabel=f"reading [{table.reading_unit}]", ylabel=f"reference [{table.quantity_unit}]")
    panel.set_title(f"{table.channel} sensor")
    panel.legend(ncols=2)
    return figure_of(panel)


@styled
def calibration(calibration: "Calibration", *, ax: AnyAxes = None) -> Figure:
    """Residuals of the references about the calibration curve, run by run, and the range that it holds for."""
    (panel,) = canvas(ax)
    for run, marker, colour in looks(np.unique(calibration.run).tolist()):
        of = calibration.run == run
        residual = calibration.reference[of] - calibration.curve(calibration.reading[of])[0]
        panel.plot(calibration.reading[of], residual, f"{marker}-", color=colour, label=f"run {run}")
    low, high = calibration.valid
    along = np.linspace(low, high, 100)
    band = special.stdtrit(calibration.dof, 0.975) * calibration.curve(along)[1]
    panel.fill_between(along, -band, band, color=BLUE, alpha=0.2, lw=0, label="95 % confidence of the curve")
    panel.axhline(0, color="0.5", lw=0.8)
    pad = 0.08 * (high - low)
    panel.set_xlim(low - pad, high + pad)
    hatch(panel.axvspan, low - pad, low)
    hatch(panel.axvspan, high, high + pad)
    panel.set(xlabel=f"reading [{calibration.reading_unit}]", ylabel=f"reference − curve [{calibration.quantity_unit}]")
    panel.set_title(f"{calibration.channel} sensor, degree {calibration.degree}; hatched: not calibrated, refused")
    legend_outside([panel], panel.get_legend_handles_labels()[0], ncols=5)
    return figure_of(panel)


@styled
def raw_record(record: "Record", *, force_unit: str, distance_unit: str = "", ax: AnyAxes = None) -> Figure:
    """A record as the logger wrote it, in the units of the sensors.

    ax : one axes for the force, a second where the record has a distance
    """
    channels = [("force", record.force, force_unit)]
    if record.distance is not None:
        channels.append(("distance", record.distance, distance_unit))
    axes = canvas(ax, rows=len(channels), size=(6.3, 1.0 + 1.5 * len(channels)), sharex=True)
    for panel, (name, values, unit) in zip(axes, channels, strict=True):
        panel.plot(record.time, values, "-", color=FAINT, lw=0.7, label="as recorded")
        panel.set_ylabel(f"{name} [{unit}]")
    axes[-1].set_xlabel("time [s]")
    return figure_of(axes[0])


@styled
def record(drop: "Drop", *, raw: tuple[np.ndarray, np.ndarray] | None = None, ax: AnyAxes = None) -> Figure:
    """Load and distance of one drop against time, with its events.

    raw : time [s] and load [N] as recorded, drawn faintly behind what the filter leaves. ax : two axes, load and place
    """
    load, place = axes = canvas(ax, rows=2, size=(6.3, 4.2), sharex=True)
    if raw is not None:
        load.plot(raw[0], raw[1] / 1000, "-", color="#BBBBBB", lw=0.8, label="as recorded")
    where = "tie point" if drop.load_cell_at == "top" else "lower end"
    load.plot(drop.time, drop.load / 1000, "-", color=BLUE, label=f"load at the {where}, filter {drop.filter}")
    place.plot(drop.time, drop.position, "-", color=BLUE, label="lower end of the cord")
    place.axhline(drop.slack_length, color=FAINT, ls=":", lw=1)
    note(place, "slack length", (drop.time[0], drop.slack_length), offset=(2, 3), bbox=BOX)
    _mark_events(drop, load, place)
    for panel, values in zip(axes, (drop.load / 1000, drop.position), strict=True):
        at = [drop.release, drop.slack_end, drop.peak, drop.lowest]
        panel.plot(drop.time[at], values[at], "o", color=RED, label="events")
    place.invert_yaxis()
    load.set(ylabel="load [kN]")
    load.set_title(f"Drop {drop.name}: cord {drop.cord}, {drop.mass:g} kg", pad=26)  # above the events' names
    place.set(xlabel="time [s]", ylabel="below the tie point [m]")
    return figure_of(axes[0])


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
        note(axes[0], ", ".join(names), (at, 1), offset=(-2, 3 if k % 2 else 14), xycoords=("data", "axes fraction"))
        for ax in axes:
            ax.axvline(at, color=INK, ls="--", lw=0.7)


@styled
def branches(drop: "Drop", *, clear: "Drop | None" = None, ax: AnyAxes = None) -> Figure:
    """The cord's force over its stretch ratio: the way down, the way back, and the energy between them.

    clear : the same drop with its stretch wave taken off the way down
    """
    (panel,) = canvas(ax, size=(6.3, 3.2))
    panel.plot(drop.stretch_ratio, drop.force / 1000, "-", color=BLUE, label="loading")
    if drop.unloading_ratio.size:
        panel.plot(drop.unloading_ratio, drop.unloading_force / 1000, "--", color=RED, label="unloading")
    if clear is not None:
        panel.plot(clear.stretch_ratio, clear.force / 1000, "-", color=INK, lw=2.5, label="loading, wave taken off")
    panel.legend(loc="lower right")  # with waves the two cross, and a name at a line would lie on the other
    panel.set(xlabel="stretch ratio [1]", ylabel="force in the cord [kN]")
    if drop.energy_returned is not None:
        panel.set_title(f"energy returned {100 * drop.energy_returned:.1f} %")
    return figure_of(panel)


@styled
def prediction(prediction: "Prediction", *, ax: AnyAxes = None) -> Figure:
    """Lowest point over g: a cloud of draws, or one point; draws without a lowest point are counted."""
    (panel,) = canvas(ax)
    g, lowest_point = np.ravel(prediction.g), np.ravel(prediction.lowest_point)
    ends = np.isfinite(lowest_point)
    missing = "" if ends.all() else f", {np.sum(~ends)} without a lowest point"
    panel.plot(g[ends], lowest_point[ends], ".", label=f"{prediction.mechanics}{missing}")
    panel.set(xlabel="greatest g [1]", ylabel="lowest point below the tie point [m]")
    panel.yaxis.set_inverted(True)
    panel.legend()
    return figure_of(panel)


@styled
def motion(traces: Iterable["Trace"], *, slack_length: float, drop: "Drop | None" = None, ax: AnyAxes = None) -> Figure:
    """Position and loads of one drop on one time axis from the release: by each mechanics, and as recorded.

    slack_length [m]. drop : its reduced record, or None where this mass was not dropped. ax : three axes: place, load
    at the tie point, load at the lower end
    """
    place, tie, lower = axes = canvas(ax, rows=3, size=(6.3, 5.4), sharex=True)
    end = np.inf
    wide: Look = {"color": "#BBBBBB", "lw": 4}
    if drop is not None:
        time = drop.time - drop.time[drop.release]
        end = float(time[-1])
        place.plot(time, drop.position, "-", label="record", **wide)
        (tie if drop.load_cell_at == "top" else lower).plot(time, drop.load / 1000, "-", label="record", **wide)
    drawn = (("--", BLUE, "white"), ("-", RED, RED))  # line, colour, and the marker's inside: told apart in grey too
    for trace, (style, colour, inside) in zip(traces, drawn, strict=False):
        end = min(end, float(trace.time[-1]))
        place.plot(trace.time, trace.position, style, color=colour, label=trace.mechanics)
        for panel, values in ((tie, trace.tie_load), (lower, trace.lower_load)):
            panel.plot(trace.time, values / 1000, style, color=colour, label=trace.mechanics)
            k = int(np.argmax(values))
            look: Look = {"ms": 7, "color": colour, "mfc": inside, "label": f"{trace.mechanics}, greatest"}
            panel.plot([trace.time[k]], [values[k] / 1000], "v", **look)
    place.axhline(slack_length, color=FAINT, ls=":", lw=1)
    note(place, "slack length", (0, slack_length), offset=(2, 3))
    place.set_xlim(0, end)
    place.invert_yaxis()
    place.set_ylabel("lower end below\nthe tie point [m]")
    tie.set_ylabel("load at the\ntie point [kN]")
    lower.set(xlabel="time from the release [s]", ylabel="load at the\nlower end [kN]")
    by_name = {str(line.get_label()): line for panel in axes for line in panel.lines[::-1]}
    named = [name for name in by_name if not name.startswith("_")]
    ordered = sorted(named, key=lambda name: (name != "record", "greatest" in name))
    legend_outside(axes, [by_name[name] for name in ordered], above=True, ncols=len(ordered))
    return figure_of(axes[0])


@styled
def residuals(drops: Sequence["Drop"], fit: "BatchFit", *, ax: AnyAxes = None) -> Figure:
    """Force less the cord's curve, a strip a drop: what the shape leaves, cord by cord and from light to heavy."""
    (panel,) = canvas(ax)
    ordered = sorted(drops, key=lambda drop: (drop.cord, drop.mass))
    for cord, marker, colour in looks(drop.cord for drop in ordered):
        places = [k for k, drop in enumerate(ordered) if drop.cord == cord]
        for k in places:
            drop = ordered[k]
            off = drop.force - fit.chosen.scales.get(cord, 1.0) * fit.chosen.curve.force(drop.stretch_ratio)
            spread = k + np.linspace(-0.35, 0.35, off.size)
            panel.plot(spread, off, marker, ms=2, color=colour, label=f"cord {cord}" if k == places[0] else "_")
        panel.axvline(places[-1] + 0.5, color="#BBBBBB", lw=0.8)
        above: Look = {"offset": (0, 2), "xycoords": ("data", "axes fraction")}
        note(panel, cord, (float(np.mean(places)), 1), ha="center", va="bottom", **above)
    panel.axhline(0, color=INK, lw=1)
    panel.set_xticks(range(len(ordered)), [f"{drop.mass:g}" for drop in ordered], rotation=90)
    panel.grid(axis="x", visible=False)
    panel.set(xlabel="mass hung [kg], a strip a drop from slack to lowest point, by cord", ylabel="force − curve [N]")
    return figure_of(panel)

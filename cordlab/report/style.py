"""What every figure shares: the style, names written at the lines, criteria with the forbidden side hatched, and what a
figure becomes: bytes, the same each time, and text that says what is drawn.
"""

import io
import re
import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import wraps
from html import escape
from itertools import cycle
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

import matplotlib.style
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import ArrayLike

INK, FAINT, BLUE, RED, GREEN = "#000000", "#6B6B6B", "#0072B2", "#D55E00", "#009E73"
COLOURS = (BLUE, RED, GREEN, "#CC79A7", "#56B4E9", "#8A6D00", INK)
DARKER = {BLUE: "#005A91", RED: "#A04600", GREEN: "#00664B"}  # for words: contrast of 4.5 and more on white
MARKERS = "os^Dv<>PX*"
_PACKAGE = Path(__file__).resolve().parents[1]
# installed, or beside the package
_PLACES = (_PACKAGE / "cordlab.mplstyle", _PACKAGE.parent / "shared" / "cordlab.mplstyle")
STYLE = next((place for place in _PLACES if place.is_file()), _PLACES[0])
BOX = {"fc": "white", "ec": "none", "pad": 1}  # behind words that lie on lines

AnyAxes = Axes | Sequence[Axes] | None  # the caller's axes to draw on; None: a new figure
Look = dict[str, Any]  # how something is drawn, in matplotlib's keywords
Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")


def styled(draw: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
    """Draws in cordlab's style, whatever the user's settings are, and leaves those as they were."""

    @wraps(draw)
    def in_style(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
        with matplotlib.style.context(["default", str(STYLE)]):
            return draw(*args, **kwargs)

    return in_style


@styled
def canvas(
    ax: AnyAxes, *labels: tuple[str, str], columns: int = 1, size: tuple[float, float] = (6.3, 3.4), **layout: Any
) -> list[Axes]:
    """The axes to draw on, row by row: the caller's, as many as there are panels, or new ones.
    labels : of each panel, what is along it and what is up it"""
    axes = ax
    if axes is None:
        axes = Figure(figsize=size).subplots(len(labels) // columns, columns, **layout)
    axes = list(np.ravel(np.asarray(axes, dtype=object)))
    if len(axes) != len(labels):
        raise ValueError(f"this figure has {len(labels)} panels, and ax holds {len(axes)} axes: pass one a panel")
    for panel, (x, y) in zip(axes, labels, strict=True):
        panel.set(xlabel=x, ylabel=y)
    return axes


def series(names: ArrayLike, word: str = "cord") -> Iterator[tuple[str, np.ndarray, Look]]:
    """Each name once, in order: the name, where it stands in `names`, and its marker, colour and label."""
    names = np.asarray(names)
    for name, marker, colour in zip(dict.fromkeys(names.tolist()), cycle(MARKERS), cycle(COLOURS), strict=False):
        yield name, names == name, {"marker": marker, "color": colour, "label": f"{word} {name}"}


def figure_of(panel: Axes) -> Figure:
    """The figure, or part of a figure, that holds a panel."""
    return cast(Figure, panel.figure)


def legend_outside(
    panels: Sequence[Axes],
    handles: Sequence[Artist],
    *,
    labels: Sequence[str] = (),
    above: bool = False,
    ncols: int = 6,
) -> None:
    """One legend outside the panels; inside the first of them where the caller's figure shows other things too."""
    figure = figure_of(panels[0])
    words = labels or [str(handle.get_label()) for handle in handles]
    if figure.axes == list(panels) and figure.get_layout_engine() is not None:
        figure.legend(handles, words, loc="outside upper left" if above else "outside lower center", ncols=ncols)
    else:
        panels[0].legend(handles, words, ncols=2)


@styled
def svg(fig: Figure, *, name: str = "figure") -> str:
    """The figure as one <svg> element with its description as title, the same bytes each time; `name` is in its ids."""
    out = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": name}):
        fig.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue().decode()
    text = re.sub(r"(?s)\s*<metadata>.*?</metadata>", "", text[text.index("<svg") :])
    title = f'role="img">\n <title>{escape(describe(fig))}</title>'
    text = re.sub(r"(?s)^(<svg[^>]*?)>", lambda head: f"{head[1]} {title}", text)
    return re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{name}-", text)


@styled
def png(fig: Figure, *, dpi: int = 150) -> bytes:
    """The figure as PNG, the same bytes each time."""
    out, before = io.BytesIO(), fig.dpi
    try:
        fig.set_dpi(dpi)
        FigureCanvasAgg(fig).print_png(out, metadata={"Software": None})  # `savefig` would draw everything twice
    finally:
        fig.set_dpi(before)
    return out.getvalue()


def state(fig: Figure) -> str:
    """What is drawn, as text: axes, limits, lines with their ranges and means, bars, words."""
    rows = []
    for k, ax in enumerate(fig.axes):
        limits = " ".join(_short(v) for v in (*ax.get_xlim(), *ax.get_ylim()))
        rows.append(f"axes {k}: {ax.get_xlabel()} | {ax.get_ylabel()} | limits {limits}")
        for line in ax.lines:
            x, y = (np.asarray(values, float) for values in (line.get_xdata(), line.get_ydata()))
            name = "" if str(line.get_label()).startswith("_") else f" '{line.get_label()}'"
            seen = y[np.isfinite(y)]
            mean = _short(seen.mean()) if seen.size else "not known"
            rows.append(f"  line{name}: n={y.size} x {_range(x)} y {_range(y)} mean {mean}")
        rows += [f"  bar: {_short(bar.get_width())} at {_short(bar.get_y())}" for bar in _bars(ax)]
        rows += [f"  text: {text.get_text()!r}" for text in ax.texts if text.get_text()]
    return "\n".join(rows)


def describe(fig: Figure) -> str:
    """What is drawn, in words, for readers who cannot see it."""
    sentences = []
    for ax in fig.axes:
        named = [line for line in ax.lines if not str(line.get_label()).startswith("_")]
        parts = [f"{line.get_label()} {_range(line.get_ydata())}" for line in named[:8]]
        if bars := _bars(ax):
            names = [tick.get_text() for tick in ax.get_yticklabels()]
            parts += [f"{name} {_short(bar.get_width())}" for name, bar in zip(names, bars, strict=True)][::-1]
        axes = " against ".join(part for part in (ax.get_ylabel(), ax.get_xlabel()) if part)
        sentences.append(f"{axes}: {'; '.join(parts)}" if parts else axes)
    return ". ".join(sentences).replace("\n", " ")


def _bars(ax: Axes) -> list[Rectangle]:
    return [bar for container in ax.containers for bar in container]


@dataclass(frozen=True)
class Shown:
    """A figure as the last line of a notebook's cell: the picture, and its numbers as text for those who compare."""

    figure: Figure

    def __repr__(self) -> str:
        return state(self.figure)

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> tuple[dict, dict]:
        return {"image/png": png(self.figure), "text/plain": state(self.figure)}, {"image/png": size(self.figure)}


show = Shown


def size(figure: Figure) -> Look:
    """For whoever shows its PNG: width on a screen [px], and words for those who cannot see it."""
    return {"width": round(96 * figure.get_figwidth()), "alt": describe(figure)}


def tell(*texts: str) -> None:
    """Print each text, broken between words where a notebook's page ends."""
    for text in texts:
        print(textwrap.fill(text, 100, subsequent_indent="  " * text.startswith("•")))


def _range(values: ArrayLike) -> str:
    finite = np.asarray(values, float)[np.isfinite(np.asarray(values, float))]
    ends = dict.fromkeys((finite.min(), finite.max()) if finite.size else ())
    return " to ".join(map(_short, ends)) or "not known"


def _short(value: float) -> str:
    return f"{float(value):.4g}"


def note(ax: Axes, text: str, place: tuple[float, float], *, offset: tuple[float, float] = (0, 0), **look: Any) -> None:
    """Writes a few words beside a place, so many points away from it."""
    ax.annotate(text, place, xytext=offset, textcoords="offset points", **look)


def label_ends(ax: Axes, x: float, labels: Sequence[tuple[float, str, str]]) -> None:
    """Writes names at the right ends of lines, pushed apart where they would lie on one another."""
    low, high = ax.get_ylim()
    gap, last = 0.075, -np.inf
    look: Look = {"textcoords": "axes fraction", "va": "center", "annotation_clip": False, "fontsize": 8}
    for y, name, colour in sorted(labels, key=lambda label: (label[0] - low) / (high - low)):
        height = max((y - low) / (high - low), last + gap)
        last = height + gap * name.count("\n")
        ax.annotate(name, (x, y), xytext=(1.01, height), color=DARKER.get(colour, colour), **look)


def hatch(span: Callable[..., object], start: float, end: float) -> None:
    """Hatches where nobody may be. span : `axhspan` or `axvspan` of the axes"""
    span(start, end, facecolor="none", edgecolor="#999999", hatch="////", lw=0)


def forbid(ax: Axes, bound: float, side: str, *, room: float = 0.0, unit: str = "") -> None:
    """Draws a criterion and hatches beyond it; `side` is its dangerous one, `room` what is left for the unsure."""
    # the words stand where what is drawn so far keeps further from the bound
    ends = [np.asarray(line.get_ydata(), float)[[0, -1]] for line in ax.lines if np.size(line.get_ydata()) > 2]
    at_left, at_right = np.abs(np.array(ends).reshape(-1, 2) - bound).min(axis=0, initial=np.inf)
    right = at_right > at_left
    low, high = np.minimum(ax.get_ylim(), bound)[0], np.maximum(ax.get_ylim(), bound)[1]  # shown where all is forbidden
    pad = 0.18 * (high - low)
    least = side == "lower"
    low, high = (min(low, bound - pad), high) if least else (low, max(high, bound + pad))
    ax.set_ylim(low, high)
    ax.axhline(bound, color=INK, ls="-", lw=1.4, label="criterion")
    hatch(ax.axhspan, *((low, bound) if least else (bound, high)))
    text = f"at {'least' if least else 'most'} {bound:.3g} {unit}".rstrip()
    if room:
        text += f": {bound - room:.3g} asked for, {room:.2g} for what is unsure besides cords and drops"
    place = {"ha": "right" if right else "left", "va": "top" if least else "bottom"}
    at = (0.98 if right else 0.02, bound)
    note(ax, text, at, offset=(0, -4 if least else 4), xycoords=("axes fraction", "data"), bbox=BOX, **place)

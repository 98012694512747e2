"""What every panel is: controls over one pure function. A changed control computes anew; nothing is kept between."""

import json
from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from html import escape
from multiprocessing import get_context
from threading import Thread
from typing import TYPE_CHECKING, Any

import ipywidgets as w
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from cordlab.report.style import png, show, size

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    import pandas as pd

Answer = tuple[Sequence[str], "Figure | pd.DataFrame | None"]
"""What a panel says, line by line, and what it shows below."""

MOST_ROWS = 40  # of a table, shown at once; the text says how many more there are
PROBABILITIES = (0.9, 0.95, 0.98, 0.99, 0.995, 0.999)


class Panel(w.VBox):
    """Controls, by the names of `answer`'s arguments, the answer in words, and a picture, a table or nothing below.
    `steady`: figures differ in their numbers only, so that axes stay where the first had them, in half the time.
    above, between, below : what else stands above the words, between these and the picture, and below it"""

    def __init__(
        self,
        controls: Mapping[str, w.DOMWidget],
        answer: Callable[..., Answer],
        *,
        steady: bool = False,
        above: Sequence[w.Widget] = (),
        between: Sequence[w.Widget] = (),
        below: Sequence[w.Widget] = (),
    ) -> None:
        self.controls, self._answer = dict(controls), answer
        self._steady, self._places, self._settling = steady, list[Bbox](), False
        self.text, self.picture = w.HTML(), w.HTML()
        for control in self.controls.values():
            self.watch(control)
        super().__init__([*self.controls.values(), *above, self.text, *between, self.picture, *below])
        self.refresh()

    @property
    def words(self) -> str:
        """The answer, as plain text."""
        return "\n".join(self._lines)

    def watch(self, control: w.DOMWidget) -> None:
        """Lay out a control, and answer anew whenever its value changes."""
        lay_out(control)
        control.observe(self._changed, names="value")

    def refresh(self) -> None:
        """Compute and draw for the values that the controls have now."""
        lines, shown = self._answer(**{name: control.value for name, control in self.controls.items()})
        picture = ""
        if isinstance(shown, Figure):
            if self._steady and len(shown.axes) == len(self._places):
                shown.set_layout_engine("none")
                for ax, place in zip(shown.axes, self._places, strict=True):
                    ax.set_position(place)
            image, about = b64encode(png(shown)).decode(), size(shown)
            self._places = [ax.get_position() for ax in shown.axes]
            alt = escape(about["alt"])
            picture = f'<img width="{about["width"]}" alt="{alt}" src="data:image/png;base64,{image}">'
        elif shown is not None:
            picture = table_html(shown)
        self._lines, self._shown = tuple(lines), shown
        head, *rest = (escape(line) for line in lines)
        body = "".join(f"<br>{line}" for line in rest)
        self.text.value = f'<div role="status" style="line-height:1.45;max-width:60em"><b>{head}</b>{body}</div>'
        self.picture.value = picture

    def _settle(self, moved: w.DOMWidget) -> None:
        """Set the controls that follow from the one that was moved, where a panel has such controls."""

    def _changed(self, change: Mapping) -> None:
        if self._settling:
            return
        try:
            self._settling = True
            self._settle(change["owner"])
            self.refresh()
        except Exception as error:  # shown to whoever moved the control, and raised for whoever called
            self._lines, self._shown = (f"error: {error}",), None
            self.text.value = f'<div role="alert"><b>error:</b> {escape(str(error))}</div>'
            self.picture.value = ""  # a picture of other values would be taken for these
            raise
        finally:
            self._settling = False

    def __repr__(self) -> str:
        return self.words

    def _repr_mimebundle_(self, **kwargs: object) -> tuple[dict, dict]:
        """The live panel, and for viewers without a kernel what it shows now, without HTML: that would replace it."""
        live, still, about = super()._repr_mimebundle_(**kwargs) or {}, {"text/plain": ""}, dict[str, dict]()
        if isinstance(self._shown, Figure):
            still, about = show(self._shown)._repr_mimebundle_()
        elif self._shown is not None:
            still["text/plain"] = self._shown.head(MOST_ROWS).to_string()
        return {**live, **still, "text/plain": f"{self.words}\n{still['text/plain']}".removesuffix("\n")}, about


class Work:
    """A call in a process of its own, which can be stopped: the notebook stays alive. It gives what JSON holds."""

    def __init__(self, call: Callable[..., object], *arguments: object, done: Callable[[Any], None]) -> None:
        processes = get_context("spawn")  # a fork would share the kernel's threads
        self._answer, answer = processes.Pipe(duplex=False)
        self._process = processes.Process(target=_answer, args=(answer, call, *arguments), daemon=True)
        self._process.start()
        answer.close()
        self._waiting = Thread(target=self._wait, args=(done,), daemon=True)
        self._waiting.start()

    def _wait(self, done: Callable[[Any], None]) -> None:
        try:
            result = json.loads(self._answer.recv_bytes())
        except (EOFError, OSError):  # it was stopped
            result = None
        self._process.join()
        done(result)

    def stop(self) -> None:
        self._process.terminate()

    def wait(self) -> None:
        """Until it has ended, and `done` was called with its result, or with None where it was stopped."""
        self._waiting.join()


def _answer(answer: "Connection", call: Callable[..., object], *arguments: object) -> None:
    answer.send_bytes(json.dumps(call(*arguments)).encode())


def lay_out(control: w.DOMWidget) -> None:
    """As every control is: wide enough for its label; its value counts when it is let go, for each may cost seconds."""
    control.style.description_width, control.layout.width = "20em", "41em"
    if isinstance(control, w.ToggleButtons):  # side by side, whatever their number, and beside their label
        control.add_class("widget-inline-hbox")
        control.style.button_width, control.layout.width = "auto", "auto"
    control.tooltip = control.description
    if control.has_trait("continuous_update"):
        control.continuous_update = False


def probability_slider(
    value: float, choices: Sequence[float] = PROBABILITIES, *, disabled: bool = False
) -> w.SelectionSlider:
    """The probability of a limit; `disabled` where it is fixed, such as a tolerance limit's in its draws."""
    options = [(f"{100 * p:g} %", p) for p in sorted({*choices, value})]
    return w.SelectionSlider(options=options, value=value, description="probability [%]", disabled=disabled)


def number_slider(value: float, low: float, high: float, step: float, description: str) -> w.FloatSlider:
    """A slider that can stand at `value` whatever the usual range is; its unit ends the description."""
    ends = {"min": min(low, value), "max": max(high, value)}
    return w.FloatSlider(value=value, **ends, step=step, description=description, readout_format=".2f")


def table_html(table: "pd.DataFrame") -> str:
    """The first rows of a table as HTML. Cells may hold a stranger's text: all are escaped."""
    import pandas as pd

    if table.empty:
        return "<p>no value to show</p>"
    shown = table.head(MOST_ROWS).rename_axis(index=None, columns=table.index.name)  # one row of heads
    with pd.option_context("display.max_colwidth", None):  # nothing is cut off
        html = shown.to_html(border=0, justify="left", float_format="{:.1f}".format, na_rep="–")
    more = len(table) - MOST_ROWS
    html = html.replace("<th>", '<th style="text-align:left">')  # a cell holds none: its brackets are escaped
    return html + (f"<p>and {more} more: narrow the choice to see them</p>" if more > 0 else "")

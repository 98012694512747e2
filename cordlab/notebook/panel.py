"""What every panel is: controls over one pure function. A changed control computes anew; nothing is kept between.

Each panel is a `Panel`: its controls by name, and one function from their values to text and figure. An error is shown
in the panel and raised.
"""

from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from html import escape
from typing import Any

import ipywidgets as w

from cordlab.report.style import png, show, size

LABEL, WIDE = "20em", "41em"  # of a control: no label is cut off, its unit stands at its end
ONE_LINE = "white-space:nowrap"  # CSS of a column of a table
MOST_ROWS = 40  # of a table, shown at once; the text says how many more there are
PROBABILITIES = (0.9, 0.95, 0.98, 0.99, 0.995, 0.999)


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


class TablePanel(Panel):
    """Controls, the answer in words, and a table in place of a picture.

    answer : values of the controls → lines of text, rows, each with a `summary()`
    table : rows → HTML
    """

    def __init__(
        self,
        controls: Mapping[str, Any],
        answer: Callable[..., tuple[Sequence[str], Any]],
        *,
        table: Callable[[Sequence[Any]], str],
    ) -> None:
        self._table = table
        super().__init__(controls, answer)

    def _drawn(self, rows: Sequence[Any]) -> str:
        return self._table(rows)

    def _repr_mimebundle_(self, **kwargs: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        """The live table, and for viewers without a kernel its first rows as text: HTML would hide the controls."""
        live = w.VBox._repr_mimebundle_(self, **kwargs) or {}
        rows = [row.summary() for row in (self._shown or ())[:MOST_ROWS]]
        return {**live, "text/plain": "\n".join([self.said, *rows])}, {}


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

"""How a result shows itself in a notebook: a card in HTML, a picture in given axes, columns of a frame."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields
from html import escape
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from analysis.doubt.quantity import Quantity
from analysis.say.table import Row, interval_title
from analysis.say.words import count_words, plain_text
from logger.base.errors import BenchError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

StrPath = str | PathLike[str]
SIMULATED: Final = "SIMULATED: no hardware was there."
# Unit of a quantity to the end of a column's name; a plain number has none.
_ENDINGS: Final = {"": "", "1": "", "%": "percent"}


def paths_of(source: StrPath | Sequence[StrPath]) -> list[Path]:
    """One path or several, as a list."""
    several = [source] if isinstance(source, str | PathLike) else source
    return [Path(item) for item in several]


def fields_of(result: Any) -> dict[str, Any]:
    """A dataclass's own fields by name, not copied: to make the result that shows itself of the plain one."""
    return {item.name: getattr(result, item.name) for item in fields(result)}


def text_of(sentences: Sequence[str], *, simulated: bool, more: str = "") -> str:
    """The answer, a line per sentence; ``more``: that there is something else to know."""
    lines = [plain_text(text) for text in sentences]
    if simulated:
        lines[0] = f"SIMULATED. {lines[0]}"
    return "\n".join([*lines, f"({more})"] if more else lines)


def warned(count: int) -> str:
    """``2 warnings: see .warnings``; nothing for none."""
    return f"{count_words(count, 'warning')}: see .warnings" if count else ""


def card(
    sentences: Sequence[str],
    rows: Sequence[Row] = (),
    *,
    warnings: Sequence[str] = (),
    cautions: Sequence[str] = (),
    simulated: bool = False,
) -> str:
    """HTML: the answer first, warnings and cautions in sight, the numbers folded away. Text is escaped."""
    first, *others = sentences or ("",)
    parts = [f"<p><b>{SIMULATED}</b></p>"] if simulated else []
    parts.append(f"<p><b>{_html(first)}</b></p>")
    parts += [f"<p>{_html(text)}</p>" for text in others]
    parts += [f"<p>! {_html(text)}</p>" for text in dict.fromkeys(warnings)]
    parts += [f"<p><i>Caution: {_html(text)}</i></p>" for text in cautions]
    if rows:
        heads = ("", "", interval_title(rows))
        parts.append(
            "<details><summary>All results</summary><table><thead><tr>"
            + "".join(
                f'<th style="text-align:left;padding:0 0.6em">{_html(head)}</th>' for head in heads
            )
            + "</tr></thead><tbody>"
            + "".join(_html_row(row) for row in rows)
            + "</tbody></table></details>"
        )
    return f'<div style="max-width:46em">{"".join(parts)}</div>'


def _html_row(row: Row) -> str:
    cells = (row.label, row.value, row.interval)
    sides = zip(("left", "right", "left"), cells, strict=True)
    inside = (
        f'<td style="text-align:{side};padding:0 0.6em">{_html(cell)}</td>' for side, cell in sides
    )
    return f"<tr>{''.join(inside)}</tr>"


def _html(text: str) -> str:
    return escape(plain_text(text))


@contextmanager
def drawing(ax: "Axes | None", size_in: tuple[float, float] | None = None) -> Iterator["Axes"]:
    """The axes given, or those of a new figure in the project's look; drawn within."""
    if ax is None:
        with new_figure(size_in) as figure:
            yield figure.add_subplot()
    else:
        from analysis.say.figures import figure_style

        with figure_style():
            yield ax


@contextmanager
def new_figure(size_in: tuple[float, float] | None = None) -> Iterator["Figure"]:
    """An empty figure that a notebook shows and ``pyplot.show`` finds, in the project's look; drawn within."""
    from matplotlib import pyplot

    from analysis.say.figures import SIZES, figure_style

    # Before the look is set: what a notebook switches on with its first figure would be undone with the look.
    figure = pyplot.figure(
        figsize=size_in or SIZES["page"], layout="constrained", facecolor="white"
    )
    try:
        with figure_style():
            yield figure
    except BenchError:  # no empty picture beside the error
        pyplot.close(figure)
        raise


def columns(name: str, quantity: Quantity | None) -> dict[str, float | None]:
    """``charge`` in mAh as ``charge_mah``, ``charge_lower_mah``, ``charge_upper_mah``; None: not known."""
    if quantity is None:
        return {}
    ending = _ENDINGS.get(quantity.unit, quantity.unit.lower())
    ends = {"": quantity.value, "_lower": quantity.lower, "_upper": quantity.upper}
    return {f"{name}{part}{ending and f'_{ending}'}": value for part, value in ends.items()}


def frame_row(quantities: Mapping[str, Quantity | None]) -> dict[str, float | None]:
    """One row of a frame: the columns of every quantity in turn."""
    return {
        column: value
        for name, quantity in quantities.items()
        for column, value in columns(name, quantity).items()
    }

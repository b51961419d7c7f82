"""One look for every picture: style, colours, sizes, thinning of long runs, saving.

Readable in colour, by colour-blind readers and in grey print: lines that share a picture
differ in lightness and in line style, and are labelled where they are, not in a legend.
"""

import re
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import numpy.typing as npt

from analysis.say.glyphs import FONT, draw_any_sign
from logger.base.clean_text import visible
from logger.base.safe_files import replace_file

# Imported where it is needed: sizes and looks are known without it.
if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Inches. "page" fills a phone held upright with text still readable, and half a printed page;
# "slide" is small, so that its letters are large (17 pt) once it fills a slide of 13.3 inches.
SIZES: Final = {"page": (5.6, 3.6), "slide": (8.0, 4.5), "phone": (4.2, 4.2)}
# Bold letters of a title that fit beside the axis' name.
_TITLE_SIGNS: Final = {"page": 46, "slide": 70, "phone": 31}
SizeName = Literal["page", "slide", "phone"]
INK: Final = "#1f2328"
FAINT: Final = "#6a7178"
GRID: Final = "#d9dde1"
_IN_BRACKETS: Final = re.compile(r"\([^)]{,30}\)")
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=[^\d\s(])")


@dataclass(frozen=True)
class Look:
    """How one line is drawn; ``band`` is the pale tone for its spread."""

    colour: str
    band: str
    line: str | tuple[float, tuple[float, ...]]
    marker: str


# Each quantity keeps its look in every picture.
VOLTAGE: Final = Look("#0b3c6f", "#b9cfe6", "-", "o")
CURRENT: Final = Look("#b34700", "#f3cfae", "-", "s")
CHARGE: Final = Look("#1d6b4f", "#bfe0d2", "-", "D")
# For several runs or groups in one picture: dark to light, each with a line and a marker of its own.
SERIES: Final = (
    Look("#0b3c6f", "#b9cfe6", "-", "o"),
    Look("#b34700", "#f3cfae", "--", "s"),
    Look("#3f9ac9", "#cfe6f2", "-.", "^"),
    Look("#7a4f8f", "#dccbe4", ":", "D"),
    Look("#8a8f00", "#e3e5a8", (0, (6, 1, 1, 1, 1, 1)), "v"),
)

_STYLE: Final[Any] = {
    # Ships with matplotlib: the same picture on every machine.
    "font.family": FONT,
    "font.size": 10.5,
    "axes.titlesize": 11.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelcolor": INK,
    "axes.edgecolor": FAINT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.titlepad": 16.0,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "lines.linewidth": 1.7,
    "hatch.linewidth": 0.6,
    "figure.dpi": 100,
    "savefig.dpi": 200,
    "savefig.facecolor": "white",
    # Letters as outlines in SVG, embedded in PDF: looks the same without the font.
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    # Fixed names inside the file: the same run gives the same bytes.
    "svg.hashsalt": "drawbench",
    # A dollar sign in a name is a dollar sign.
    "text.parse_math": False,
}


@contextmanager
def figure_style() -> Iterator[None]:
    """Draw and save inside this context; leaves matplotlib's settings as they were."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def new_figure(size: SizeName = "page") -> "tuple[Figure, Axes]":
    """Figure with one pair of axes, without any global state; call inside ``figure_style``."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZES[size], layout="constrained")
    return figure, figure.add_subplot()


def set_title(axes: "Axes", text: str, size: SizeName = "page") -> None:
    """Title broken into lines where the picture is too narrow for it; numbers keep their units, intervals stay whole."""
    kept = _IN_BRACKETS.sub(lambda found: found[0].replace(" ", "\u00a0"), text)
    kept = _BEFORE_UNIT.sub("\u00a0", kept)
    lines = textwrap.wrap(kept, _TITLE_SIGNS[size], break_long_words=False)
    axes.set_title("\n".join(lines).replace("\u00a0", " "))


_METADATA: Final[dict[str, dict[str, str | None]]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": "drawbench"},
    "pdf": {"CreationDate": None, "Creator": "drawbench"},
}


def save_figure(figure: "Figure", path_stem: Path, formats: Sequence[str] = ("png", "svg")) -> None:
    """Write ``path_stem`` in each of ``formats`` (png, svg, pdf), free of dates: the same figure gives the same bytes."""
    with figure_style():
        _clean(figure)
        draw_any_sign(figure)
        for name in formats:
            drawn = BytesIO()
            figure.savefig(drawn, format=name, metadata=_METADATA[name])
            figure.set_layout_engine(
                "none"
            )  # laid out once, it stands in the other formats as well
            replace_file(path_stem.with_suffix(f".{name}"), drawn.getvalue(), durable=False)


def _clean(figure: "Figure") -> None:
    """Nothing that acts in any text: a title may be a stranger's."""
    from matplotlib.text import Text
    from matplotlib.ticker import FixedFormatter, FuncFormatter

    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            names = axis.get_major_formatter()
            if isinstance(names, FixedFormatter):
                names.seq = [visible(name) for name in names.seq]
            elif isinstance(names, FuncFormatter):
                names.func = partial(_visible_name, names.func)
    for found in figure.findobj(Text):
        if isinstance(found, Text):
            found.set_text(visible(found.get_text()))


def _visible_name(named: Callable[..., str], value: float, position: int | None = None) -> str:
    return visible(named(value, position))


def mark_simulated(axes: "Axes", below_pt: float = 25) -> None:
    """The picture says so by itself: it will be pasted without the page around it."""
    axes.annotate(
        "SIMULATED", (1, 0), xycoords="axes fraction", xytext=(0, -below_pt), fontsize=9.5,
        textcoords="offset points", ha="right", va="top", fontweight="bold", color=INK,
    )  # fmt: skip


def end_label(axes: "Axes", x: float, y: float, text: str, look: Look, **options: Any) -> None:
    """Label at a line's end, in the line's own colour."""
    axes.annotate(
        text,
        (x, y),
        xytext=options.pop("offset", (5, 0)),
        textcoords="offset points",
        color=look.colour,
        fontweight="bold",
        va=options.pop("va", "center"),
        **options,
    )


@dataclass(frozen=True)
class Envelope:
    """Thinned course of a quantity, each of shape (m,): least, mean and greatest per step; NaN at gaps."""

    time_s: Floats
    low: Floats
    mean: Floats
    high: Floats


def envelope(
    time_s: Floats, mean: Floats, low: Floats, high: Floats, gap: Mask, steps: int = 700
) -> Envelope:
    """Thin to at most ``steps`` equal steps of time, keeping the least and greatest of each.

    No peak is lost, however long the run. ``time_s`` never decreases; all of shape (n,).
    ``gap`` marks rows before which the line must break.
    """
    if len(time_s) <= 2 * steps:
        at = np.flatnonzero(gap)
        arrays = [np.insert(values, at, np.nan) for values in (low, mean, high)]
        return Envelope(np.insert(time_s, at, time_s[at]), *arrays)
    edges = np.linspace(time_s[0], time_s[-1], steps + 1)
    starts = np.searchsorted(time_s, edges[:-1])
    counts = np.diff(starts, append=len(time_s))
    filled = counts > 0
    where = starts[filled]
    thin = [
        np.minimum.reduceat(low, where),
        np.add.reduceat(mean, where) / counts[filled],
        np.maximum.reduceat(high, where),
    ]
    whole = [np.full(steps, np.nan) for _ in thin]
    for target, values in zip(whole, thin, strict=True):
        target[filled] = values
    at = np.flatnonzero(gap)
    if not (time_s[at] - time_s[np.maximum(at - 1, 0)] > edges[1] - edges[0]).any():
        # Steps are empty only because the rows lie uneven: no break there.
        whole = [values[filled] for values in whole]
        return Envelope(((edges[:-1] + edges[1:]) / 2)[filled], *whole)
    return Envelope((edges[:-1] + edges[1:]) / 2, *whole)


def time_unit(duration_s: float) -> tuple[float, str]:
    """Divisor and unit for a time axis of this length."""
    if duration_s > 2 * 3600:
        return 3600.0, "h"
    return (60.0, "min") if duration_s > 180 else (1.0, "s")

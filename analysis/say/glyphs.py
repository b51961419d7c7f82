"""Which signs can this machine draw? Letters of any language and emoji draw; what no font has is shown as �.

Our own font has Latin, Greek, Cyrillic, Arabic letters and many symbols. Only for what it lacks the machine's other
fonts are looked through, so that a usual picture is the same everywhere.
"""

import functools
import logging
import unicodedata
from collections.abc import Callable, Iterable
from functools import partial
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from matplotlib.text import Text

FONT: Final = "DejaVu Sans"  # ships with matplotlib
# Comes with newer versions of matplotlib: a box for each script, no letters.
_NO_FONT: Final = "Last Resort"
LACKING: Final = "\ufffd"
# Fonts that are opened at most in search of a sign; each takes about a millisecond.
_LOOKED_THROUGH: Final = 400


def draw_any_sign(figure: "Figure") -> None:
    """Give every text of the figure a font for each of its signs, else a sign that says one is lacking."""
    from matplotlib.text import Text

    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            _draw_any_name(axis)
    for found in figure.findobj(Text):
        if isinstance(found, Text):
            text, fonts = drawable(found.get_text())
            found.set_text(text)
            _add_fonts(found, fonts)


def _draw_any_name(axis: "Axis") -> None:
    """The same for names along an axis, which are put into its texts only when it is drawn."""
    from matplotlib.ticker import FixedFormatter, FuncFormatter

    names = axis.get_major_formatter()
    if isinstance(names, FixedFormatter):
        fonts = [font for name in names.seq for font in drawable(name)[1]]
        names.seq = [drawable(name)[0] for name in names.seq]
    elif isinstance(names, FuncFormatter):
        fonts = [
            font for label in axis.get_majorticklabels() for font in drawable(label.get_text())[1]
        ]
        names.func = partial(_drawable_name, names.func)
    else:
        return
    for tick in axis.get_major_ticks():
        _add_fonts(tick.label1, fonts)


def _drawable_name(named: Callable[..., str], value: float, position: int | None = None) -> str:
    return drawable(named(value, position))[0]


def _add_fonts(text: "Text", more: Iterable[str]) -> None:
    wanted = list(dict.fromkeys((*text.get_fontfamily(), *more)))
    if len(wanted) > len(text.get_fontfamily()):
        text.set_fontfamily(wanted)


def drawable(text: str) -> tuple[str, list[str]]:
    """The text with what cannot be drawn replaced, and the fonts besides ours that it needs."""
    if text.isascii():
        return text, []
    # A font without a bold cut would be told on the error output, at every text.
    logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)
    own = _signs_of(FONT)
    found = {sign: _font_with(sign) for sign in sorted(set(text) - {"\n"}) if ord(sign) not in own}
    signs = [sign if found.get(sign, FONT) else _lacking(sign) for sign in text]
    return "".join(signs), sorted({font for font in found.values() if font})


def _lacking(sign: str) -> str:
    """Joiners and variants change the sign before them and have no room of their own."""
    return "" if unicodedata.category(sign) in ("Mn", "Me", "Cf", "Sk") else LACKING


@functools.cache
def _font_with(sign: str) -> str:
    """Family of a font of this machine that has the sign; empty if none has."""
    from matplotlib.font_manager import fontManager

    families = dict.fromkeys(entry.name for entry in fontManager.ttflist[:_LOOKED_THROUGH])
    usual = (name for name in families if not name.startswith(_NO_FONT))
    return next((name for name in usual if ord(sign) in _signs_of(name)), "")


@functools.cache
def _signs_of(family: str) -> frozenset[int]:
    """Signs that a family can draw as outlines, upright and bold."""
    from matplotlib.font_manager import FontProperties, findfont
    from matplotlib.ft2font import FT2Font

    signs = []
    try:
        for weight in ("normal", "bold"):
            wanted = FontProperties(family=family, weight=weight)
            font = FT2Font(findfont(wanted, fallback_to_default=False))
            signs.append(frozenset(font.get_charmap()) if font.scalable else frozenset())
    except (OSError, RuntimeError, ValueError):  # a font that this library cannot read
        return frozenset()
    return signs[0] & signs[1]

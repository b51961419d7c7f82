"""What may leave for a terminal, a page or a picture? Foreign text, but nothing in it that acts.

Titles, notes, marks, names of files, columns of other meters and a board's own words come from strangers. Escape
sequences would write over what stands on the screen, signs for the direction of writing would turn it round. So text
is cleaned where it leaves: ``clean_streams`` stands between the program and its terminal, ``visible`` is what pages,
tables and pictures ask. Letters of all languages and pictures (emoji) stay.
"""

import re
import sys
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final, TextIO

if TYPE_CHECKING:
    from rich.console import Console

# Control signs (C0 without tab and ends of lines, DEL, those from 80h to 9Fh); marks and embeddings of direction; separators of lines; halves of letters.
_ACTING: Final = re.compile(
    "\r(?!\n)|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


def visible(text: str) -> str:
    r"""The text with each sign that acts written out, as ``\u001b``: inside JSON that is the same text still."""
    return _ACTING.sub(lambda sign: f"\\u{ord(sign[0]):04x}", text)


def visible_in(document: Any) -> Any:
    """A JSON document whose texts are all ``visible``, for who shows them without another look."""
    if isinstance(document, str):
        return visible(document)
    if isinstance(document, Mapping):
        return {visible_in(key): visible_in(value) for key, value in document.items()}
    if isinstance(document, list | tuple):
        return [visible_in(item) for item in document]
    return document


class CleanStream:
    """A text stream that lets only ``visible`` text through. ``trusted``: the stream itself, for what we draw."""

    def __init__(self, trusted: TextIO) -> None:
        self.trusted = trusted

    def write(self, text: str) -> int:
        if not isinstance(text, str):  # how click asks whether a stream takes bytes
            raise TypeError("text is needed")
        self.trusted.write(visible(text))
        return len(text)

    def writelines(self, lines: Iterable[str]) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":  # bytes would go past; click on Windows takes them if it can
            raise AttributeError(name)
        return getattr(self.trusted, name)


def clean_streams() -> None:
    """From now on, all that this program prints is ``visible``."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is not None and not isinstance(stream, CleanStream):
            setattr(sys, name, CleanStream(stream))


def trusted(stream: TextIO) -> TextIO:
    """The stream behind a clean one: for signs of our own that move the cursor or ring the bell."""
    return stream.trusted if isinstance(stream, CleanStream) else stream


def ring() -> None:
    """The terminal's bell."""
    stream = trusted(sys.stdout)
    stream.write("\a")
    stream.flush()


def clean_console() -> "Console":
    """A rich console on standard output that draws with escapes of its own and shows none of anybody else's.

    What acts is left out, not written out: it has no width, and so a picture keeps its columns.
    """
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    class _Clean(Console):
        def render(
            self, renderable: RenderableType, options: ConsoleOptions | None = None
        ) -> Iterable[Segment]:
            for segment in super().render(renderable, options):
                if segment.control or not _ACTING.search(segment.text):
                    yield segment
                else:
                    yield Segment(_ACTING.sub("", segment.text), segment.style)

    return _Clean(file=trusted(sys.stdout))

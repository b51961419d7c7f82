"""A part of a report: what any analysis hands over to be printed."""

from dataclasses import dataclass

from analysis.doubt.quantity import Quantity


@dataclass(frozen=True)
class FigureFile:
    """A picture saved as ``stem`` + ``.png`` and ``.svg`` in the report's folder.

    ``alt``: what it shows, in words, for who cannot see it. ``caption``: one line below it; may be empty.
    ``photo``: it is ``stem`` + ``.jpg`` instead.
    """

    stem: str
    alt: str
    caption: str
    photo: bool = False


@dataclass(frozen=True)
class Section:
    """Heading, plain text, results, pictures, cautions. All text is plain: the report escapes it.

    ``method``: how it was reckoned, to be printed last.
    """

    title: str
    paragraphs: tuple[str, ...] = ()
    quantities: tuple[tuple[str, Quantity], ...] = ()
    figures: tuple[FigureFile, ...] = ()
    cautions: tuple[str, ...] = ()
    method: tuple[str, ...] = ()

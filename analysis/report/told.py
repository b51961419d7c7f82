"""The answer of one run as every screen and page tells it: the answer, and below it what it covers."""

from typing import TYPE_CHECKING

from analysis.report.digest import Digest
from analysis.report.same_piece import Together, together

# Imported where they are needed: what is kept beside a run is shown without them, at once.
if TYPE_CHECKING:
    from analysis.run.rundown import Rundown
    from logger.run.reader import Run


def paragraphs(result: "Rundown", run: "Run") -> tuple[str, ...]:
    """The answer, and of several runs of the piece what all say, of a single one what its verdict covers."""
    from analysis.forecast.verdict_words import covers_words
    from analysis.report.answer import answer
    from analysis.run.rundown import Rundown as Plain

    piece = together(run.folder, run.description, Plain.as_json(result))
    return _with(answer(result), covers_words(result, run.description), piece)


def paragraphs_of(kept: Digest, piece: Together | None) -> tuple[str, ...]:
    """The same from a digest."""
    return _with(kept.answer, kept.covers, piece)


def _with(answered: str, covers: str, piece: Together | None) -> tuple[str, ...]:
    return tuple(text for text in (answered, covers if piece is None else piece.words) if text)

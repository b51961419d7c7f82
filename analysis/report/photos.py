"""What do piece and wiring look like, in a report and on a sheet?"""

import io
from pathlib import Path
from typing import Final

import numpy as np
from matplotlib.figure import Figure

from analysis.say.render import Part
from analysis.say.section import FigureFile
from analysis.say.words import count_words, plain_text
from logger.edit.words import history_words
from logger.run.edited.photo_files import photo_bytes
from logger.run.reader import Run

_TITLE: Final = "The piece and its wiring"
_SEEN: Final = 4
_CHANGES_TOLD: Final = 50
_ON_SHEET: Final = 2
_SHEET_HEIGHT: Final = (0.11, 0.16)  # share of the page, least and most
_GAP: Final = 0.012


def photo_part(run: Run, made: Path) -> Part | None:
    """The photos, put into ``made`` as ``photo-1.jpg`` and so on; None without any. More than four are folded."""
    figures, lost = [], 0
    for number, photo in enumerate(run.description.photos, start=1):
        data = photo_bytes(run.folder, photo)
        if data is None:
            lost += 1
            continue
        (made / f"photo-{number}.jpg").write_bytes(data)
        caption = plain_text(photo.caption)
        alt = caption or f"Photo {number} of the piece, without a caption"
        figures.append(FigureFile(f"photo-{number}", alt, caption, photo=True))
    if not figures and not lost:
        return None
    missing = f"{count_words(lost, 'photo')} of the run cannot be read any more." if lost else ""
    return Part(
        _TITLE,
        paragraphs=(missing,) if missing else (),
        figures=tuple(figures),
        folded=len(figures) > _SEEN,
    )


def corrections_part(run: Run) -> Part | None:
    """What was said otherwise after the recording, from what to what; None if nothing was."""
    told = history_words(run.description.history)
    if not told:
        return None
    lead = "The rows are as they were recorded. Changed since in what the run says of itself, who cannot be known:"
    older = len(told) - _CHANGES_TOLD
    paragraphs = (lead, f"{count_words(older, 'older change')}: drawbench edit RUN --history.") if older > 0 else (lead,)  # fmt: skip
    return Part(
        "Corrected after the recording", paragraphs=paragraphs, items=tuple(told[-_CHANGES_TOLD:])
    )


def photos_on_sheet(
    figure: Figure, run: Run, across: tuple[float, float], top: float, bottom: float
) -> float:
    """The first photos side by side from ``top`` down, in shares of the page, as high as the room to ``bottom``.

    Gives where they end; ``top`` without any.
    """
    shown = [photo_bytes(run.folder, photo) for photo in run.description.photos]
    pictures = [pixels for pixels in map(_pixels, shown) if pixels is not None][:_ON_SHEET]
    if not pictures:
        return top
    height = min(max(top - _GAP - bottom, _SHEET_HEIGHT[0]), _SHEET_HEIGHT[1])
    paper = figure.get_figwidth() / figure.get_figheight()
    room = (across[1] - across[0]) / len(pictures) - _GAP
    at, lowest = across[0], top
    for pixels in pictures:
        slope = pixels.shape[0] / pixels.shape[1] * paper
        width = min(height / slope, room)
        axes = figure.add_axes((at, top - _GAP - width * slope, width, width * slope))
        axes.imshow(pixels, aspect="auto")
        axes.set_axis_off()
        at, lowest = at + width + _GAP, min(lowest, top - _GAP - width * slope)
    return lowest


def _pixels(data: bytes | None) -> np.ndarray | None:
    """Pixels of shape (height, width, 3), no more than the paper shows; None if a stranger's file is no picture."""
    if data is None:
        return None
    from PIL import Image

    try:
        with Image.open(io.BytesIO(data), formats=("JPEG",)) as picture:
            picture.draft("RGB", (700, 700))
            picture.thumbnail((700, 700))
            return np.asarray(picture.convert("RGB"))
    except Exception:  # noqa: BLE001 (a decoder of foreign bytes may raise anything)
        return None

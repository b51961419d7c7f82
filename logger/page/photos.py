"""Which photos of a run does the page show, and what does it answer when a browser asks for one? By number, never by name."""

import re
from pathlib import Path
from typing import Any, Final

from logger.run.description import Description
from logger.run.edited.photo_files import photo_bytes

_NUMBER: Final = re.compile(r"[1-9]\d?")


def photo_list(description: Description) -> list[dict[str, Any]]:
    """Number, caption, and a mark that changes with the photo, so that a browser asks again."""
    return [
        {"number": number, "caption": photo.caption, "mark": photo.file[6:14]}
        for number, photo in enumerate(description.photos, start=1)
    ]


def photo_asked(folder: Path, description: Description, number: str) -> bytes | None:
    """The JPEG of that number; None if there is none."""
    if not _NUMBER.fullmatch(number) or int(number) > len(description.photos):
        return None
    return photo_bytes(folder, description.photos[int(number) - 1])

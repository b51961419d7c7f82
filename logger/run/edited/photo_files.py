"""The files of a run's photos, as a stranger could have prepared them: read in bounds, and only what was kept as such."""

import hashlib
from pathlib import Path
from typing import Final

from logger.base.safe_files import Folder
from logger.run.edited.statements import Photo, is_photo_name

FOLDER_NAME: Final = "photos"
# The longest side has 1600 pixels: a picture of noise takes 2.5 MB.
PHOTO_MOST: Final = 8 * 1024 * 1024
_JPEG: Final = b"\xff\xd8\xff"


def photo_name(data: bytes) -> str:
    """The name under which these bytes are kept."""
    return f"photo-{hashlib.sha256(data).hexdigest()[:16]}.jpg"


def photo_bytes(folder: Path, photo: Photo) -> bytes | None:
    """A photo's JPEG; None if it is not there, or not what was kept under that name."""
    if not is_photo_name(photo.file):
        return None
    try:
        with (
            Folder(folder / FOLDER_NAME, follow=False) as inside,
            inside.open_to_read(photo.file) as stream,
        ):
            data = stream.read(PHOTO_MOST + 1)
    except OSError:
        return None
    sound = len(data) <= PHOTO_MOST and data.startswith(_JPEG) and photo_name(data) == photo.file
    return data if sound else None

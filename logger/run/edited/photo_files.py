"""The files of a run's photos, as a stranger could have prepared them: read in bounds, and only what was kept as such."""

import hashlib
import re
import struct
from pathlib import Path
from typing import Final

from logger.base.safe_files import Folder
from logger.run.edited.statements import Photo, is_photo_name

FOLDER_NAME: Final = "photos"
SIDE_MOST: Final = 1600
# A picture of noise with such sides takes 2.5 MB.
PHOTO_MOST: Final = 8 * 1024 * 1024
_JPEG: Final = b"\xff\xd8\xff"
# Markers before the picture's own: each but the frame's is passed over by its length (ITU-T T.81, B.1 and B.2.2).
_MARKER: Final = re.compile(rb"\xff+([\xc0-\xfe])")
_FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


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
    # A file of one colour and a megabyte may have so many pixels that showing it takes a gigabyte.
    return data if sound and 0 < max(_sides(data)) <= SIDE_MOST else None


def _sides(data: bytes) -> tuple[int, int]:
    """Height and width of a JPEG, pixels, by the header of its frame; 0 where there is none."""
    at = 2
    while (marker := _MARKER.match(data, at)) and len(data) >= marker.end() + 7:
        length, _, height, width = struct.unpack_from(">HBHH", data, marker.end())
        if marker[1][0] in _FRAMES:
            return height, width
        at = marker.end() + max(length, 2)
    return 0, 0

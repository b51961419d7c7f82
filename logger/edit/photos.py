"""Photos of the piece and its wiring, beside a run: nothing of the camera, the place or its owner stays in them.

A photo is decoded and its pixels alone are written anew, upright, as JPEG: what is no pixel cannot come along.
"""

import contextlib
import io
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import Folder, is_leftover, read_whole
from logger.run.edited.photo_files import FOLDER_NAME, SIDE_MOST, photo_name
from logger.run.edited.statements import (
    CAPTION_MOST,
    PHOTOS_MOST,
    Photo,
    is_photo_name,
    photos_from_json,
)

if TYPE_CHECKING:
    from PIL.Image import Image

FILE_MOST: Final = 64 * 1024 * 1024
# JPEG is decoded small at once, but for one whose details come last; all else whole, four bytes a pixel, up to three times.
PIXELS_MOST: Final = {"JPEG": 220_000_000, "MPO": 220_000_000}
PIXELS_MOST_ELSE: Final = 60_000_000
_FORMATS: Final = ("JPEG", "PNG", "WEBP", "GIF")
_QUALITY: Final = 88
_AT_IT_S: Final = 60.0
_HEIC: Final = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif")


def scaled(path: Path) -> bytes:
    """The photo as a small, upright JPEG without anything else in it. Raises BenchError."""
    try:
        data = read_whole(path, FILE_MOST)
    except OSError as error:
        raise BenchError(
            f"The photo {path} cannot be read.",
            evidence=spoken(error),
            next_step="give a JPEG, PNG, WebP or GIF file of at most 64 MiB.",
        ) from error
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC:
        raise BenchError(
            f"The photo {path} is HEIC or AVIF, which cannot be read here.",
            evidence=f"it begins as {data[8:12].decode('ascii', 'replace')}",
            next_step="on the phone, share or export it as JPEG (camera settings: most compatible), and give that.",
        )
    return _without_all_else(data, path)


def _without_all_else(data: bytes, path: Path) -> bytes:
    from PIL import Image

    try:
        with _our_limit(), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_FORMATS) as opened:
                most = PIXELS_MOST.get(opened.format or "", PIXELS_MOST_ELSE)
                if opened.info.get("progressive"):
                    most = PIXELS_MOST_ELSE
                if opened.width * opened.height > most:
                    raise _too_many(path, opened.width, opened.height, most)
                if min(opened.size) < 1:
                    raise ValueError("no pixels")
                made = _upright(opened)
            kept = io.BytesIO()
            made.save(kept, "JPEG", quality=_QUALITY, optimize=True)
    except BenchError:
        raise
    except Exception as error:  # a decoder of foreign bytes may raise anything
        raise BenchError(
            f"The photo {path} cannot be read.",
            evidence=_why_not(error),
            next_step="open it in a picture program and save it anew as JPEG or PNG.",
        ) from error
    return kept.getvalue()


def _why_not(error: Exception) -> str:
    from PIL import UnidentifiedImageError

    if isinstance(error, UnidentifiedImageError):
        return "it is none of JPEG, PNG, WebP and GIF"
    return str(error)[:120] or type(error).__name__


def _upright(opened: "Image") -> "Image":
    """The first picture of the file, RGB, small, turned as the camera was held."""
    from PIL import Image, ImageOps

    profile = opened.info.get("icc_profile")
    if opened.format in ("JPEG", "MPO"):
        opened.draft(
            "RGB", (SIDE_MOST, SIDE_MOST)
        )  # decoded small at once: an eighth of the memory
    opened.load()
    turned = _turned(opened)  # PNG may have it behind the pixels
    picture: Image.Image = opened
    if picture.mode.startswith(("I", "F")):
        picture = _of_16_bits(picture)
    if picture.mode in ("RGB", "RGBA", "CMYK", "L"):
        picture.thumbnail((SIDE_MOST, SIDE_MOST), Image.Resampling.LANCZOS)
    picture = _in_srgb(picture, profile)
    if "A" in picture.mode or "transparency" in picture.info:
        picture = picture.convert("RGBA")
        white = Image.new("RGBA", picture.size, "white")
        picture = Image.alpha_composite(white, picture)
    picture = picture.convert("RGB")
    picture.thumbnail((SIDE_MOST, SIDE_MOST), Image.Resampling.LANCZOS)
    # Pixels into an empty picture: nothing that hangs on the old one goes along.
    plain = Image.new("RGB", picture.size)
    plain.paste(picture)
    plain.getexif()[0x0112] = turned
    upright = ImageOps.exif_transpose(plain)
    assert upright is not None
    bare = Image.new("RGB", upright.size)
    bare.paste(upright)
    return bare


def _turned(opened: "Image") -> int:
    """How the camera was held, 1 to 8 (EXIF, tag 0112h); 1 where it does not say so in earnest."""
    try:
        told = opened.getexif().get(0x0112, 1)
    except Exception:  # noqa: BLE001 (foreign bytes; the pixels are sound)
        return 1
    return told if isinstance(told, int) and 1 <= told <= 8 else 1


def _of_16_bits(picture: "Image") -> "Image":
    """The upper 8 of 16 bits; conversion alone would cut everything bright to white."""
    return picture.convert("I").point(lambda value: value / 256).convert("L")


def _in_srgb(picture: "Image", profile: bytes | None) -> "Image":
    """Colours as they were meant where the file says how; a profile that is none is passed over."""
    if not profile or picture.mode not in ("RGB", "CMYK", "L"):
        return picture
    from PIL import ImageCms

    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        made = ImageCms.profileToProfile(picture, own, ImageCms.createProfile("sRGB"), outputMode="RGB")  # fmt: skip
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return picture
    return picture if made is None else made


@contextlib.contextmanager
def _our_limit() -> Iterator[None]:
    """Its limit on pixels refuses big photos before their format is known; ours is looked at before any is decoded."""
    from PIL import Image

    before, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
    try:
        yield
    finally:
        Image.MAX_IMAGE_PIXELS = before


def _too_many(path: Path, width: int, height: int, most: int) -> BenchError:
    return BenchError(
        f"The photo {path} is too big.",
        evidence=f"{width} x {height} pixels; at most {most // 1_000_000} million",
        next_step="make it smaller in a picture program first.",
    )


def listed(
    now: Sequence[Photo], made: Sequence[tuple[bytes, str]], remove: Sequence[int]
) -> list[dict[str, Any]]:
    """The list as it stands in the description afterwards. Raises BenchError."""
    for number in remove:
        if not 1 <= number <= len(now):
            raise BenchError(
                f"There is no photo {number} to take away.",
                evidence=f"the run has {len(now)}",
                next_step="see their numbers with: drawbench edit RUN",
            )
    kept = {photo.file: photo for number, photo in enumerate(now, 1) if number not in remove}
    for data, caption in made:
        words = " ".join(caption.split())
        if len(words) > CAPTION_MOST:
            raise BenchError(
                "The caption of a photo is too long.",
                evidence=f"{len(words)} signs, at most {CAPTION_MOST}",
                next_step="say in a line what it shows.",
            )
        kept[photo_name(data)] = Photo(photo_name(data), words)
    if len(kept) > PHOTOS_MOST:
        raise BenchError(
            f"A run keeps at most {PHOTOS_MOST} photos.",
            evidence=f"there would be {len(kept)}",
            next_step="take some away with --no-photo NUMBER.",
        )
    return [asdict(photo) for photo in kept.values()]


def keep(folder: Path, made: Sequence[bytes]) -> None:
    """Put the photos into the run's folder. Raises BenchError."""
    if not made:
        return
    try:
        with Folder(folder) as run, run.inside(FOLDER_NAME) as inside:
            for data in made:
                inside.replace(photo_name(data), data)
    except OSError as error:
        raise BenchError(
            f"The photos cannot be written to {folder / FOLDER_NAME}; nothing was changed.",
            evidence=spoken(error),
            next_step="look what stands there, make room on its disk, and the folder writable.",
        ) from error


def refuse_lost(folder: Path, wanted: object) -> None:
    """Photos that an undoing would bring back must still be there. Raises BenchError."""
    for photo in photos_from_json(wanted)[0]:
        if not (folder / FOLDER_NAME / photo.file).is_file():
            raise BenchError(
                "The last change cannot be taken back: a photo that was taken away is deleted for good.",
                evidence=f"{photo.file} ({photo.caption or 'no caption'})",
                next_step="add it again with: drawbench edit RUN --photo FILE; what was changed before, set anew: --history tells it.",
            )


def tidy(folder: Path, now: Sequence[Photo], now_s: float) -> None:
    """Delete photos of ours that the description does not list any more, and what killed programs left half-made.

    ``now_s``: the time, UTC since 1970: what is younger than a minute may be somebody's who is still at it. Raises OSError.
    """
    names = {photo.file for photo in now}
    with Folder(folder) as run:
        _take_leftovers(run, now_s)
        if not (folder / FOLDER_NAME).is_dir():
            return
        with run.inside(FOLDER_NAME) as inside:
            _take_leftovers(inside, now_s)
            for item in inside.path.iterdir():
                if is_photo_name(item.name) and item.name not in names:
                    inside.unlink(item.name)


def _take_leftovers(folder: Folder, now_s: float) -> None:
    for item in folder.path.iterdir():
        found = folder.kind(item.name) if is_leftover(item.name) else None
        if found is not None and found.st_mtime < now_s - _AT_IT_S:
            folder.unlink(item.name)

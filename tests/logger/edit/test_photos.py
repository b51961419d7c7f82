"""A photo that is kept holds its pixels, upright, and nothing else that the camera wrote."""

import io
import os
import random
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms
from PIL.PngImagePlugin import PngInfo

from logger.base.errors import BenchError
from logger.edit.changes import Changes
from logger.edit.edit import Photos, description_now, edit_run, undo
from logger.edit.photos import scaled
from logger.run.description import from_document, to_document
from logger.run.edited.photo_files import photo_name
from logger.run.edited.statements import CAPTION_MOST, PHOTOS_MOST, Photo
from tests.support.page_bench import make_run

RED, GREEN, BLUE, WHITE = (220, 20, 20), (20, 160, 20), (20, 20, 220), (250, 250, 250)
PLACE = b"SECRET-PLACE-48.2082N-16.3738E"
CAMERA = b"SERIAL-0042-OF-THE-CAMERA"


def corners(width: int = 64, height: int = 32) -> Image.Image:
    """A picture wider than high, a colour in each quarter: red, green above; blue, white below."""
    pixels = np.zeros((height, width, 3), np.uint8)
    pixels[: height // 2, : width // 2], pixels[: height // 2, width // 2 :] = RED, GREEN
    pixels[height // 2 :, : width // 2], pixels[height // 2 :, width // 2 :] = BLUE, WHITE
    return Image.fromarray(pixels)


def quarters(data: bytes) -> list[str]:
    """Names of the colours: upper left and right, lower left and right."""
    picture = Image.open(io.BytesIO(data)).convert("RGB")
    names = {"red": RED, "green": GREEN, "blue": BLUE, "white": WHITE}
    found = []
    for down in (0.25, 0.75):
        for across in (0.25, 0.75):
            at = picture.getpixel((int(across * picture.width), int(down * picture.height)))
            assert isinstance(at, tuple)
            found.append(min(names, key=lambda name: sum((a - b) ** 2 for a, b in zip(names[name], at, strict=True))))  # fmt: skip
    return found


def put(folder: Path, picture: Image.Image, name: str, **options: object) -> Path:
    path = folder / name
    picture.save(path, **options)  # type: ignore[arg-type]
    return path


# SOURCES.md H1: which side of the scene row 0 and column 0 of the file are. So where the file's
# quarters (red, green, blue, white) come to stand: written here from the standard's words, not from the library.
UPRIGHT = {
    1: ["red", "green", "blue", "white"],  # row 0 top, column 0 left
    2: ["green", "red", "white", "blue"],  # top, right
    3: ["white", "blue", "green", "red"],  # bottom, right
    4: ["blue", "white", "red", "green"],  # bottom, left
    5: ["red", "blue", "green", "white"],  # left, top
    6: ["blue", "red", "white", "green"],  # right, top
    7: ["white", "green", "blue", "red"],  # right, bottom
    8: ["green", "white", "red", "blue"],  # left, bottom
}


@pytest.mark.parametrize("told", UPRIGHT)
@pytest.mark.parametrize("ending", ["jpg", "png", "webp"])
def test_it_stands_upright(tmp_path: Path, told: int, ending: str) -> None:
    exif = Image.Exif()
    exif[0x0112] = told
    kept = scaled(put(tmp_path, corners(), f"shot.{ending}", exif=exif))
    assert quarters(kept) == UPRIGHT[told]
    assert Image.open(io.BytesIO(kept)).size == ((64, 32) if told < 5 else (32, 64))


@pytest.mark.parametrize("odd", [0, 9, 65535])
def test_an_odd_orientation_is_none(tmp_path: Path, odd: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = odd
    assert quarters(scaled(put(tmp_path, corners(), "shot.png", exif=exif))) == UPRIGHT[1]


def loaded_exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F] = exif[0x0131] = CAMERA.decode()
    exif.get_ifd(0x8769)[0x927C] = CAMERA  # maker note
    exif.get_ifd(0x8769)[0x9286] = PLACE  # user comment
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[29] = "N", (48.0, 12.0, 29.0), PLACE.decode()
    return exif


def _loaded(folder: Path, ending: str) -> Path:
    """With a place and a serial number wherever the format has room for them."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes() + PLACE
    xmp = b"<x:xmpmeta>" + PLACE + b"</x:xmpmeta>"
    if ending == "png":
        text = PngInfo()
        text.add_text("Comment", PLACE.decode())
        text.add_itxt("Location", PLACE.decode(), zip=True)
        path = put(folder, corners(), "in.png", exif=loaded_exif(), icc_profile=profile, pnginfo=text)  # fmt: skip
    elif ending == "webp":
        path = put(folder, corners(), "in.webp", exif=loaded_exif(), icc_profile=profile, xmp=xmp)
    elif ending == "gif":
        path = put(folder, corners(), "in.gif", comment=PLACE)
    else:
        path = put(folder, corners(), "in.jpg", exif=loaded_exif(), icc_profile=profile, xmp=xmp, comment=PLACE)  # fmt: skip
    with path.open("ab") as stream:
        stream.write(b"\0" * 100 + PLACE + CAMERA)
    return path


@pytest.mark.parametrize("ending", ["jpg", "png", "webp", "gif"])
def test_nothing_of_place_and_camera_is_left(tmp_path: Path, ending: str) -> None:
    path = _loaded(tmp_path, ending)
    assert PLACE in path.read_bytes()
    kept = scaled(path)
    assert quarters(kept) == UPRIGHT[1]
    for secret in (PLACE, CAMERA):
        assert secret not in kept
        assert secret.decode().encode("utf-16-le") not in kept
    # The segments of the file, by its own marks (SOURCES.md H2): picture data and the 16 bytes of JFIF alone.
    assert segments(kept) <= {0xE0, 0xDB, 0xC0, 0xC4, 0xDA}
    assert b"ICC_PROFILE" not in kept
    assert kept.endswith(b"\xff\xd9")


def segments(data: bytes) -> set[int]:
    assert data[:2] == b"\xff\xd8"
    found, at = set(), 2
    while True:
        assert data[at] == 0xFF
        mark, (length,) = data[at + 1], struct.unpack(">H", data[at + 2 : at + 4])
        found.add(mark)
        if mark == 0xE0:
            assert length == 16
        if mark == 0xDA:
            return found
        at += 2 + length


@pytest.mark.slow
def test_long_sides_are_scaled_and_small_ones_left(tmp_path: Path) -> None:
    assert Image.open(io.BytesIO(scaled(put(tmp_path, corners(4000, 1000), "a.jpg")))).size == (
        1600,
        400,
    )
    assert Image.open(io.BytesIO(scaled(put(tmp_path, corners(900, 2000), "a.png")))).size == (
        720,
        1600,
    )
    assert Image.open(io.BytesIO(scaled(put(tmp_path, corners(8, 2), "b.png")))).size == (8, 2)
    assert Image.open(io.BytesIO(scaled(put(tmp_path, corners(9000, 4), "c.png")))).size == (
        1600,
        1,
    )


@pytest.mark.parametrize("mode", ["RGB", "L", "P", "1", "CMYK", "RGBA", "LA", "I;16", "YCbCr"])
def test_every_kind_of_pixels(tmp_path: Path, mode: str) -> None:
    if mode == "I;16":
        picture = Image.fromarray((np.asarray(corners().convert("L")).astype(np.uint16) << 8) + 7)
    else:
        picture = corners().convert(mode)
    ending = "jpg" if mode in ("CMYK", "YCbCr") else "png"
    kept = scaled(put(tmp_path, picture, f"shot.{ending}"))
    grey = np.asarray(Image.open(io.BytesIO(kept)).convert("L"), dtype=int)
    wanted = np.asarray(
        (picture.convert("RGB") if mode == "P" else corners()).convert("L"), dtype=int
    )
    if mode != "1":
        assert abs(grey[8::16, 16::32] - wanted[8::16, 16::32]).max() <= 12
    if mode in ("RGB", "P", "CMYK", "RGBA", "YCbCr"):
        assert quarters(kept) == UPRIGHT[1]


def test_what_is_see_through_is_white(tmp_path: Path) -> None:
    picture = Image.new("RGBA", (8, 8), (0, 0, 0, 0))
    kept = scaled(put(tmp_path, picture, "clear.png"))
    assert Image.open(io.BytesIO(kept)).getpixel((4, 4)) == (255, 255, 255)


def test_of_a_film_the_first_picture(tmp_path: Path) -> None:
    frames = [corners(), Image.new("RGB", (64, 32), "black")]
    for ending in ("gif", "webp", "png"):
        path = put(tmp_path, frames[0], f"film.{ending}", save_all=True, append_images=frames[1:])
        assert quarters(scaled(path)) == UPRIGHT[1]


def test_the_name_of_the_file_does_not_matter(tmp_path: Path) -> None:
    path = put(tmp_path, corners(), "shot.png")
    assert quarters(scaled(path.rename(tmp_path / "shot.jpg"))) == UPRIGHT[1]


def _png_of(width: int, height: int, data: bytes) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))  # fmt: skip

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def test_a_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.png"
    path.write_bytes(_png_of(60_000, 60_000, zlib.compress(b"\0" * 100_000)))
    with pytest.raises(BenchError, match="too big"):
        scaled(path)


@pytest.mark.parametrize("cut", [1, 20, 200, 600])
def test_a_torn_file_is_refused(tmp_path: Path, cut: int) -> None:
    path = put(tmp_path, corners(), "torn.jpg")
    path.write_bytes(path.read_bytes()[:cut])
    with pytest.raises(BenchError, match="cannot be read"):
        scaled(path)


@pytest.mark.slow
def test_noise_is_refused_or_read_and_never_raises_anything_else(tmp_path: Path) -> None:
    source = random.Random(21)
    sound = [_loaded(tmp_path, ending).read_bytes() for ending in ("jpg", "png", "webp", "gif")]
    path = tmp_path / "noise"
    for number in range(80):
        data = bytearray(sound[number % 4])
        for _ in range(source.randint(1, 30)):
            data[source.randrange(len(data))] = source.randrange(256)
        path.write_bytes(bytes(data))
        try:
            kept = scaled(path)
        except BenchError:
            continue
        assert PLACE not in kept


def test_what_phones_make_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "IMG_0042.HEIC"
    path.write_bytes(b"\0\0\0\x18ftypheic" + bytes(100))
    with pytest.raises(BenchError, match="HEIC") as caught:
        scaled(path)
    assert "JPEG" in caught.value.next_step


@pytest.mark.parametrize(
    "content",
    [b"", b"hello", b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"%PDF-1.4", b"BM" + bytes(60)],
)
def test_what_is_no_photo_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "shot.jpg"
    path.write_bytes(content)
    with pytest.raises(BenchError, match="cannot be read") as caught:
        scaled(path)
    assert caught.value.evidence == "it is none of JPEG, PNG, WebP and GIF"


@pytest.mark.slow
def test_a_jpeg_whose_details_come_last_may_have_fewer_pixels(tmp_path: Path) -> None:
    """It cannot be decoded small: 14000 x 14000 pixels took 1.2 GB, the same picture line by line 0.1 GB."""
    big = Image.new("RGB", (8000, 8000), "white")
    assert scaled(put(tmp_path, big, "lines.jpg"))
    with pytest.raises(BenchError, match="too big") as caught:
        scaled(put(tmp_path, big, "last.jpg", progressive=True))
    assert "8000 x 8000 pixels; at most 60 million" in str(caught.value.evidence)


def test_two_pictures_in_one_as_some_cameras_write(tmp_path: Path) -> None:
    other = Image.new("RGB", (64, 32), "black")
    path = put(tmp_path, corners(), "shot.jpg", format="MPO", save_all=True, append_images=[other])
    assert quarters(scaled(path)) == UPRIGHT[1]


def test_photos_of_a_run(tmp_path: Path) -> None:
    run = make_run(tmp_path / "run", state="ended")
    one, two = put(tmp_path, corners(), "one.jpg"), put(tmp_path, corners(32, 64), "two.png")
    done = edit_run(run, Changes(), Photos(((one, " the  vest\nin front "), (two, ""))))
    first, second = done.description.photos
    assert first == Photo(photo_name(scaled(one)), "the vest in front")
    assert (run / "photos" / first.file).read_bytes() == scaled(one)
    # The same once more is the same photo, with another caption.
    edit_run(run, Changes(), Photos(((one, "front"),)))
    assert description_now(run)[1].photos == (Photo(first.file, "front"), second)
    edit_run(run, Changes(), Photos(remove=(1,)))
    assert description_now(run)[1].photos == (second,)
    assert not (run / "photos" / first.file).exists()
    with pytest.raises(BenchError, match="deleted for good"):
        undo(run)
    with pytest.raises(BenchError, match="no photo 2"):
        edit_run(run, Changes(), Photos(remove=(2,)))
    assert [item.name for item in (run / "photos").iterdir()] == [second.file]


def test_a_photo_that_cannot_be_deleted_is_told(tmp_path: Path) -> None:
    run = make_run(tmp_path / "run", state="ended")
    edit_run(run, Changes(), Photos(((put(tmp_path, corners(), "one.jpg"), ""),)))
    (kept,) = (run / "photos").iterdir()
    kept.unlink()
    kept.mkdir()
    with pytest.raises(BenchError, match="lists the photo no more") as caught:
        edit_run(run, Changes(), Photos(remove=(1,)))
    assert str(run / "photos") in caught.value.next_step
    assert description_now(run)[1].photos == ()


def test_taking_back_a_photo_deletes_it(tmp_path: Path) -> None:
    run = make_run(tmp_path / "run", state="ended")
    edit_run(run, Changes(), Photos(((put(tmp_path, corners(), "one.jpg"), ""),)))
    undo(run)
    assert list((run / "photos").iterdir()) == []


def test_what_a_killed_edit_left_is_taken_away(tmp_path: Path) -> None:
    run = make_run(tmp_path / "run", state="ended")
    (run / "photos").mkdir()
    old = [run / f".drawbench-{n:016x}.new" for n in range(2)]
    old += [
        run / "photos" / ".drawbench-0123456789abcdef.new",
        run / "photos" / "photo-0123456789abcdef.jpg",
    ]
    theirs = [
        run / "photos" / "mine.jpg",
        run / "notes.txt",
        run / ".drawbench-0000000000000005.new",
    ]
    for path in (*old, *theirs):
        path.write_text("x")
    for path in (*old, *theirs[:2]):
        os.utime(path, (1e9, 1e9))
    edit_run(run, Changes(title="x"))
    assert not any(path.exists() for path in old)
    assert all(path.exists() for path in theirs)


def test_too_many_photos_and_too_long_a_caption(tmp_path: Path) -> None:
    run = make_run(tmp_path / "run", state="ended")
    many = tuple((put(tmp_path, corners(2 * n + 8, 8), f"{n}.png"), "") for n in range(PHOTOS_MOST + 1))  # fmt: skip
    for pictures in (Photos(many), Photos(((many[0][0], "x" * (CAPTION_MOST + 1)),))):
        with pytest.raises(BenchError, match=r"at most|too long"):
            edit_run(run, Changes(), pictures)
    assert not (run / "photos").exists()


@pytest.mark.parametrize(
    "photos",
    [
        "x", [{"file": "../../.ssh/id"}], [{"file": "photo-0123456789abcdef.jpg/../../x"}], [{"file": "/etc/passwd"}],
        [{"file": 5}], [{}], [None], [{"file": "photo-0123456789abcdef.jpg", "caption": {}}] * 3,
        [{"file": f"photo-{n:016x}.jpg", "caption": "\x1b[2J" * 999} for n in range(99)],
    ],
    ids=lambda item: repr(item)[:30],
)  # fmt: skip
def test_a_strangers_list_names_files_of_ours_only(photos: object) -> None:
    from logger.run.description import Description
    from logger.run.format import RUN_KEY

    document = to_document(Description(), ["time_s"])
    document[RUN_KEY]["photos"] = photos
    found, _ = from_document(document)
    assert len(found.photos) <= PHOTOS_MOST
    for photo in found.photos:
        assert photo.file.startswith("photo-")
        assert "/" not in photo.file
        assert len(photo.caption) <= CAPTION_MOST

"""Photos of a run in its report and on its sheet: those that were kept, by their own bytes, and no others."""

import base64
import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from analysis.report.build import report_page
from analysis.report.photos import corrections_part, photo_part, photos_on_sheet
from analysis.report.told import paragraphs
from analysis.run.rundown import rundown
from analysis.say.publish import publish
from analysis.say.render import render_html, render_markdown
from logger.edit.changes import Changes
from logger.edit.edit import Photos, edit_run
from logger.run.edited.photo_files import photo_bytes, photo_name
from logger.run.edited.statements import Photo
from logger.run.reader import Run, read_run
from tests.support.hostile_runs import sound_run

RED = (220, 20, 20)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """With a high red photo and a wide one whose caption is hostile."""
    folder = sound_run(tmp_path / "run")
    Image.new("RGB", (30, 60), RED).save(tmp_path / "high.png")
    Image.new("RGB", (80, 20), "blue").save(tmp_path / "wide.png")
    caption = '<script>alert(1)</script>"](x) | *wiring* \x1b[2J'
    edit_run(folder, Changes(), Photos(((tmp_path / "high.png", ""), (tmp_path / "wide.png", caption))))  # fmt: skip
    return read_run(folder)


def test_they_stand_in_page_and_markdown(run: Run, tmp_path: Path) -> None:
    made = tmp_path / "made"
    made.mkdir()
    result = rundown(run, None)
    part = photo_part(run, made)
    page = report_page(run, result, paragraphs(result, run), [], [], "", [], part)
    html, markdown = render_html(page, made), render_markdown(page)
    inside = re.findall(r'src="data:image/jpeg;base64,([^"]+)" alt="([^"]*)"', html)
    assert [base64.b64decode(data) for data, _ in inside] == [
        photo_bytes(run.folder, photo) for photo in run.description.photos
    ]
    assert inside[0][1] == "Photo 1 of the piece, without a caption"
    assert "<script>" not in html
    assert "\x1b" not in html + markdown
    assert "](photo-1.jpg)" in markdown
    assert "<script>" not in markdown
    assert sorted(item.name for item in made.iterdir()) == ["photo-1.jpg", "photo-2.jpg"]
    assert "Corrected after the recording" in html


def test_a_photo_that_was_taken_away_leaves_the_report_folder(run: Run, tmp_path: Path) -> None:
    target = tmp_path / "report"
    for count, names in ((2, ["photo-1.jpg", "photo-2.jpg"]), (1, ["photo-1.jpg"])):
        made = tmp_path / f"made-{count}"
        made.mkdir()
        photos = run.description.photos[:count]
        photo_part(replace(run, description=replace(run.description, photos=photos)), made)
        publish(made, target)
        assert sorted(item.name for item in target.glob("*.jpg")) == names
    (target / "photo-9.jpg").write_text("theirs")
    (tmp_path / "none").mkdir()
    publish(tmp_path / "none", target)
    assert sorted(item.name for item in target.glob("*.jpg")) == ["photo-9.jpg"]


def test_a_file_that_is_not_what_was_kept_is_not_shown(run: Run, tmp_path: Path) -> None:
    photo = run.description.photos[0]
    path = run.folder / "photos" / photo.file
    sound = path.read_bytes()
    for content in (b"", b"<svg/>", sound[:-1], sound + b"more", b"\xff\xd8\xff" + bytes(9_000_000)):  # fmt: skip
        path.write_bytes(content)
        assert photo_bytes(run.folder, photo) is None
    path.unlink()
    if os.name == "posix":
        (tmp_path / "elsewhere.jpg").write_bytes(sound)
        path.symlink_to(tmp_path / "elsewhere.jpg")
        assert photo_bytes(run.folder, photo) is None
        path.unlink()
        os.mkfifo(path)
        assert photo_bytes(run.folder, photo) is None
    assert photo_bytes(run.folder, Photo("../../etc/passwd")) is None
    part = photo_part(run, tmp_path)
    assert part is not None
    assert part.paragraphs == ("1 photo of the run cannot be read any more.",)
    assert [figure.stem for figure in part.figures] == ["photo-2"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("size", "shown"), [((1600, 1600), True), ((1601, 8), False), ((8, 1601), False), ((9000, 9000), False)]
)  # fmt: skip
@pytest.mark.parametrize("progressive", [True, False])
def test_no_more_pixels_than_we_keep(
    tmp_path: Path, size: tuple[int, int], shown: bool, progressive: bool
) -> None:
    """A stranger's file of one colour is short, and takes a gigabyte to be shown."""
    (tmp_path / "photos").mkdir()
    path = tmp_path / "photos" / "made.jpg"
    Image.new("RGB", size, RED).save(path, progressive=progressive, comment=b"x" * 300, exif=b"Exif\0\0" + bytes(90))  # fmt: skip
    photo = Photo(photo_name(path.read_bytes()))
    path.rename(path.with_name(photo.file))
    assert (photo_bytes(tmp_path, photo) is not None) is shown


def test_the_first_two_stand_on_the_sheet_with_their_own_shape(run: Run) -> None:
    figure = Figure(figsize=(8.27, 11.69))
    lowest = photos_on_sheet(figure, run, (0.07, 0.56), 0.6, 0.5)
    assert 0.35 < lowest < 0.6
    shapes = []
    for axes in figure.axes:
        box = axes.get_position()
        assert 0.07 <= box.x0 < box.x1 <= 0.56
        assert lowest - 1e-9 <= box.y0 < box.y1 <= 0.6
        shapes.append(box.height * 11.69 / (box.width * 8.27))
        (image,) = axes.get_images()
        assert np.asarray(image.get_array()).shape[2] == 3
    assert shapes == pytest.approx([2.0, 0.25], rel=0.01)


def test_without_any_nothing_is_there(tmp_path: Path) -> None:
    run = read_run(sound_run(tmp_path / "run"))
    assert photo_part(run, tmp_path) is None
    assert corrections_part(run) is None
    assert photos_on_sheet(Figure(), run, (0.07, 0.56), 0.6, 0.5) == 0.6

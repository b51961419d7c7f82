"""Photos on the page: for whoever may look, by number, and as another decoder than the writer's sees them."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from logger.edit.changes import Changes
from logger.edit.edit import Photos, edit_run
from logger.page.serve import PageServer
from logger.run.edited.photo_files import photo_bytes
from tests.support.browser import Browser, running_browser, violations
from tests.support.page_bench import Client, make_run, page_run, serving

browser = pytest.fixture(scope="module")(running_browser)


@pytest.fixture
def run(tmp_path: Path) -> Path:
    run = make_run(tmp_path / "run", state="ended")
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was held upright
    picture = Image.new("RGB", (80, 40), "blue")
    picture.paste("red", (0, 0, 40, 40))
    picture.save(tmp_path / "shot.jpg", exif=exif, quality=95)
    edit_run(run, Changes(), Photos(((tmp_path / "shot.jpg", '<b>front</b> "'),)))
    return run


@pytest.fixture
def client(run: Path) -> Iterator[Client]:
    with serving(page_run(run)) as found:
        yield found


@pytest.mark.real_time
def test_a_photo_is_for_whoever_may_look(client: Client, run: Path) -> None:
    assert client.ask("GET", "/photo?run=r1&number=1")[0] == 401
    client.enter(client.server.keys.look)
    document = client.wait_for(lambda state: state["run"]["photos"])
    (photo,) = document["run"]["photos"]
    assert photo["number"] == 1
    status, headers, content = client.ask("GET", "/photo?run=r1&number=1&mark=x")
    assert status == 200
    assert headers["content-type"] == "image/jpeg"
    assert headers["x-content-type-options"] == "nosniff"
    (kept,) = (run / "photos").iterdir()
    assert content == kept.read_bytes()
    for query in (
        "", "run=r1", "number=1", "run=r1&number=0", "run=r1&number=2", "run=r1&number=-1", "run=r2&number=1",
        "run=r1&number=1&number=1", "run=r1&number=%2e%2e%2fsamples.csv", f"run=r1&number={kept.name}",
    ):  # fmt: skip
        assert client.ask("GET", f"/photo?{query}")[0] == 404, query
    kept.write_bytes(b"<script>")
    assert client.ask("GET", "/photo?run=r1&number=1")[0] == 404


@pytest.mark.browser
def test_the_browser_sees_it_upright_with_its_caption(
    browser: Browser, client: Client, run: Path
) -> None:
    context = browser.new_context(viewport={"width": 360, "height": 740})
    page = context.new_page()
    assert isinstance(client.server, PageServer)
    page.goto(client.server.address)
    image = page.locator("#photos img")
    image.wait_for()
    image.scroll_into_view_if_needed()
    page.wait_for_function("document.querySelector('#photos img').naturalWidth > 0")
    assert image.evaluate("i => [i.naturalWidth, i.naturalHeight]") == [40, 80]
    assert image.get_attribute("alt") == '<b>front</b> "'
    assert page.locator("#photos figcaption").inner_text() == '<b>front</b> "'
    # Red was on the camera's left, held upright: it is above.
    pixels = image.evaluate(
        "i => { const c = document.createElement('canvas'); c.width = 40; c.height = 80; const g = c.getContext('2d');"
        "g.drawImage(i, 0, 0); return [...g.getImageData(20, 20, 1, 1).data, ...g.getImageData(20, 60, 1, 1).data]; }"
    )
    assert pixels[0] > 200 > 60 > pixels[2]
    assert pixels[6] > 200 > 60 > pixels[4]
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert violations(page) == []
    context.close()


def test_nothing_is_answered_for_a_number_that_is_none(run: Path) -> None:
    from logger.edit.edit import description_now
    from logger.page.photos import photo_asked

    description = description_now(run)[1]
    assert photo_asked(run, description, "1") == photo_bytes(run, description.photos[0])
    for number in ("", "0", "2", "01", "1 ", "٣", "999999999999"):
        assert photo_asked(run, description, number) is None

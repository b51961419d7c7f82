"""The pages of a class as a teacher sees them: every link opened, pictures as PNG, in grey, on a phone, on paper."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Final
from urllib.parse import unquote, urlparse

from PIL import Image

from tests.support.browser import PHONE_HEIGHT, PHONE_WIDTH, Browser, Page, running_browser

WIDE: Final = (1200, 900)
DPI: Final = 60
EMPTY_PX: Final = 8
SHEETS: Final = 4


def looked_at(folder: Path, overview: Path, out: Path) -> list[str]:
    """Write PNGs of overview, some reports and sheets into ``out``; give what is wrong with links and pictures."""
    Image.MAX_IMAGE_PIXELS = None  # a page of thirty is long
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    wrong: list[str] = []
    for browser in running_browser():
        for page_file in sorted(overview.rglob("*.html")):
            wrong += _page(browser, page_file, out, f"overview-{page_file.stem}", follow=True)
        for report in sorted(folder.glob("*/report/report.html"))[:2]:
            wrong += _page(browser, report, out, f"report-{report.parts[-3]}", follow=False)
    for number, sheet in enumerate(_sheets(folder, overview)):
        if number < SHEETS:
            name = out / f"sheet-{sheet.parts[-3]}"
            subprocess.run(["pdftoppm", "-r", str(DPI), "-png", str(sheet), str(name)], check=True)
    for picture in sorted(out.glob("*.png")):
        grey = picture.with_name(f"grey-{picture.name}")
        with Image.open(picture) as seen:
            seen.convert("L").save(grey)
    return wrong


def _sheets(folder: Path, overview: Path) -> Iterator[Path]:
    yield from sorted(overview.rglob("*.pdf"))
    yield from sorted(folder.glob("*/sheet/*.pdf"))


def _page(browser: Browser, file: Path, out: Path, name: str, *, follow: bool) -> list[str]:
    """Pictures of one page, wide, on a phone and printed; links and pictures that are not there."""
    page = browser.new_page(viewport={"width": WIDE[0], "height": WIDE[1]})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto(file.as_uri())
    page.screenshot(path=out / f"{name}.png", full_page=True)
    wrong = [f"{name}: the browser says {text}" for text in said]
    wrong += [f"{name}: an empty picture {source}" for source in _empty_pictures(page)]
    wrong += [f"{name}: {link} leads nowhere" for link in _dead_links(page)] if follow else []
    page.pdf(path=out / f"{name}-printed.pdf", format="A4")
    page.set_viewport_size({"width": PHONE_WIDTH, "height": PHONE_HEIGHT})
    page.screenshot(path=out / f"{name}-phone.png", full_page=True)
    too_wide = page.evaluate("document.documentElement.scrollWidth")
    if too_wide > PHONE_WIDTH:
        wrong.append(f"{name}: {too_wide} px wide on a phone of {PHONE_WIDTH}")
    page.close()
    printed = str(out / f"{name}-printed.pdf")
    subprocess.run(["pdftoppm", "-r", str(DPI), "-png", printed, printed[:-4]], check=True)
    return wrong


def _empty_pictures(page: Page) -> list[str]:
    """Pictures that did not load or have no size; those that wait to be scrolled to are made to load."""
    page.evaluate("document.querySelectorAll('img').forEach(i => i.loading = 'eager')")
    page.wait_for_timeout(300)
    found = page.evaluate(
        f"[...document.images].filter(i => !i.complete || i.naturalWidth < {EMPTY_PX}).map(i => i.src.slice(0, 80))"
    )
    return [str(source) for source in found]


def _dead_links(page: Page) -> list[str]:
    """Addresses of files that are not there, places in the page that it does not have."""
    wrong = []
    for link in page.evaluate("[...document.links].map(a => a.href)"):
        parts = urlparse(link)
        if parts.scheme == "file" and not Path(unquote(parts.path)).exists():
            wrong.append(str(link))
        elif parts.fragment and link.split("#")[0] == page.url.split("#")[0]:
            known = page.evaluate("f => !!document.getElementById(f)", unquote(parts.fragment))
            wrong += [] if known else [str(link)]
    return wrong

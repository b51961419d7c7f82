"""The report in a real browser: two screens of a phone before anything is opened, all of it on paper.

Needs Chromium as tests/logger/page/test_browser.py does. Accessibility rules: axe-core, WCAG 2.2 A and AA
and its best practices.
"""

import os
import shutil
from collections.abc import Iterator

import pytest

from analysis.door.runs import read_run, rundown
from analysis.report.parts import write_whole_report
from tests.support.places import SAMPLES, VEST_BUDGET

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
REQUIRED = os.environ.get("DRAWBENCH_REQUIRE_BROWSER") == "1"
if not REQUIRED:
    pytest.importorskip(
        "playwright.sync_api", reason="the Python package playwright is not installed"
    )
    if CHROMIUM is None:
        pytest.skip("no Chromium here (Debian package chromium)", allow_module_level=True)

from axe_playwright_python.sync_playwright import Axe  # noqa: E402
from playwright.sync_api import Browser, expect, sync_playwright  # noqa: E402

pytestmark = pytest.mark.browser

WIDTH, HEIGHT = 360, 740
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Reports of all sample runs, the night's with its budget and a test of its joints."""
    found = {}
    for path in sorted(SAMPLES.glob("*/samples.csv")):
        run = read_run(path.parent)
        folder = tmp_path_factory.mktemp(path.parent.name)
        night = path.parent.name == "night-ride-vest"
        result = rundown(run)
        write_whole_report(
            run, result, folder, hold_s=result.hold.value or 0.0,
            budget_file=VEST_BUDGET if night else None,
            flex_sources=[SAMPLES / "vest-joints-by-hand.csv"] if night else [],
        )  # fmt: skip
        found[path.parent.name] = (folder / "report.html").as_uri()
    return found


def test_what_is_seen_first_fits_on_two_screens_of_a_phone(
    browser: Browser, addresses: dict[str, str]
) -> None:
    page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
    for name, address in addresses.items():
        page.goto(address)
        ends = page.evaluate("scrollY + document.querySelector('details').getBoundingClientRect().top")  # fmt: skip
        assert ends <= 2 * HEIGHT, name
        assert page.evaluate("document.documentElement.scrollWidth") <= WIDTH, name
    page.close()


def test_contents_open_the_part_they_lead_to(browser: Browser, addresses: dict[str, str]) -> None:
    page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
    page.goto(addresses["night-ride-vest"])
    folded = page.locator("details")
    links = page.locator("nav a")
    assert folded.count() == links.count() >= 10
    assert links.all_inner_texts() == folded.locator("summary").all_inner_texts()
    links.nth(2).focus()
    page.keyboard.press("Enter")
    expect(folded.nth(2)).to_have_attribute("open", "")
    expect(folded.nth(2).locator("summary")).to_be_in_viewport()
    assert folded.nth(1).get_attribute("open") is None
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [WIDTH, 1280])
def test_no_violation_folded_or_open(
    browser: Browser, addresses: dict[str, str], width: int, scheme: str
) -> None:
    page = browser.new_page(
        viewport={"width": width, "height": HEIGHT},
        color_scheme="dark" if scheme == "dark" else "light",
        bypass_csp=True,
    )
    page.goto(addresses["night-ride-vest"])
    for opened in (False, True):
        page.evaluate(f"document.querySelectorAll('details').forEach(d => d.open = {str(opened).lower()})")  # fmt: skip
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
        assert len(found.response["passes"]) > 15, "the rules did not run"
        assert found.response["violations"] == []
    page.close()


def test_all_of_it_is_on_paper(browser: Browser, addresses: dict[str, str]) -> None:
    page = browser.new_page()
    page.goto(addresses["night-ride-vest"])
    last = page.locator("details > div > *").last
    visible = "all => all.map(e => e.checkVisibility() && e.getBoundingClientRect().height > 0)"
    parts = page.locator("details > div")
    assert not any(parts.evaluate_all(visible))
    expect(last).not_to_be_in_viewport()
    page.emulate_media(media="print")
    assert all(parts.evaluate_all(visible))
    expect(page.locator("nav")).to_be_hidden()
    page.close()

"""The report in a real browser: two screens of a phone before anything is opened, all of it on paper.

Needs what tests/support/browser.py says. Accessibility rules: axe-core, WCAG 2.2 A and AA and its best practices.
"""

import pytest

from analysis.door.runs import read_run, rundown
from analysis.report.overview import write_overview
from analysis.report.parts import write_whole_report
from analysis.report.pieces import pieces_of
from analysis.report.run_table import read_lines
from tests.support.browser import (
    PHONE_HEIGHT,
    PHONE_WIDTH,
    TAGS,
    Browser,
    expect,
    running_browser,
    violations,
)
from tests.support.places import SAMPLES, VEST_BUDGET

pytestmark = pytest.mark.browser

# The narrower phone is the harder one; the bench asks for 390 x 844.
PHONES = [(PHONE_WIDTH, PHONE_HEIGHT), (390, 844)]
WIDTH, HEIGHT = PHONES[0]


browser = pytest.fixture(scope="module")(running_browser)


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Reports of all sample runs, the night's with its budget and a test of its joints; each with a need as well."""
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
        needed = folder / "needed"
        write_whole_report(
            run, rundown(run, need_s=3 * 3600.0), needed, hold_s=result.hold.value or 0.0
        )
        found[f"{path.parent.name}, needed"] = (needed / "report.html").as_uri()
    return found


@pytest.fixture(scope="module")
def overview(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The sample runs on one page, with a need."""
    folder = tmp_path_factory.mktemp("overview")
    places = [path.parent for path in sorted(SAMPLES.glob("*/samples.csv"))]
    lines = read_lines(places, need_s=6 * 3600.0)
    write_overview(lines, folder, pieces_of(lines))
    return (folder / "overview.html").as_uri()


@pytest.mark.parametrize(("width", "height"), PHONES)
def test_what_is_seen_first_fits_on_two_screens_of_a_phone(
    browser: Browser, addresses: dict[str, str], overview: str, width: int, height: int
) -> None:
    page = browser.new_page(viewport={"width": width, "height": height})
    for name, address in {**addresses, "overview": overview}.items():
        page.goto(address)
        ends = page.evaluate("scrollY + document.querySelector('details').getBoundingClientRect().top")  # fmt: skip
        assert ends <= 2 * height, name
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
    page.close()


def test_the_verdict_is_seen_without_a_turn_of_the_thumb(
    browser: Browser, addresses: dict[str, str], overview: str
) -> None:
    page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
    needed = [address for name, address in addresses.items() if name.endswith("needed")]
    for address in needed:
        page.goto(address)
        expect(page.locator(".answer")).to_contain_text("Needed 3\u00a0h.")
        expect(page.locator(".answer")).to_be_in_viewport(ratio=1)
    page.goto(overview)
    expect(page.locator(".answer")).to_contain_text("Last as needed: Night-ride vest.")
    expect(page.locator(".answer")).to_be_in_viewport(ratio=1)
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
@pytest.mark.parametrize("which", ["report", "overview"])
def test_no_violation_folded_or_open(
    browser: Browser, addresses: dict[str, str], overview: str, width: int, scheme: str, which: str
) -> None:
    page = browser.new_page(
        viewport={"width": width, "height": HEIGHT},
        color_scheme="dark" if scheme == "dark" else "light",
        bypass_csp=True,
    )
    page.goto(overview if which == "overview" else addresses["night-ride-vest"])
    for opened in (False, True):
        page.evaluate(f"document.querySelectorAll('details').forEach(d => d.open = {str(opened).lower()})")  # fmt: skip
        assert violations(page, TAGS) == []
    page.close()


def test_all_of_the_overview_is_on_paper(browser: Browser, overview: str) -> None:
    page = browser.new_page()
    page.goto(overview)
    visible = "all => all.map(e => e.checkVisibility() && e.getBoundingClientRect().height > 0)"
    parts = page.locator("details > div")
    assert parts.count() == 2
    assert not any(parts.evaluate_all(visible))
    page.emulate_media(media="print")
    assert all(parts.evaluate_all(visible))
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

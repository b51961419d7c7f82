"""The page of a class in a real browser: phone, dark, rules of access, links, paper."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.report.overview import write_overview
from analysis.report.pieces import pieces_of
from analysis.report.run_table import read_lines
from tests.support.browser import (
    PHONE_HEIGHT,
    PHONE_WIDTH,
    TAGS,
    Browser,
    running_browser,
    violations,
)
from tests.support.class_of_runs import write_class
from tests.support.runs_by_formula import sampled_run, stored

pytestmark = [pytest.mark.browser]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    yield from running_browser()


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("class in browser")
    runs = write_class(folder / "runs", 14, step_s=300.0)
    for made in ("report/report.html", "sheet/run-sheet.pdf"):
        (runs[0] / made).parent.mkdir()
        (runs[0] / made).write_text("<!doctype html><title>made</title>made")
    wordy = "many words " * 60
    run = sampled_run(
        [0.0, 600.0, 1200.0], [4.4, 4.0, 3.6], title=wordy, load=wordy, notes=wordy, author=wordy
    )
    runs.append(stored(folder / "runs" / "wordy", run))
    lines = read_lines(runs)
    write_overview(lines, folder / "page", pieces_of(lines), "drawbench report runs")
    return folder / "page"


@pytest.mark.parametrize("name", ["overview.html", "hand-outs.html"])
def test_it_fits_a_phone_and_breaks_no_rule(browser: Browser, place: Path, name: str) -> None:
    # The overview in light is looked at in test_build_in_browser; the hand-outs have no dark.
    page = browser.new_page(
        viewport={"width": PHONE_WIDTH, "height": PHONE_HEIGHT},
        color_scheme="dark" if name == "overview.html" else "light",
        bypass_csp=True,
    )
    page.goto((place / name).as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE_WIDTH
    # The pages are all alike: three of them, for axe takes its time.
    page.evaluate("document.querySelectorAll('section:nth-of-type(n+4)').forEach(s => s.remove())")
    assert violations(page, TAGS) == []
    page.close()


def test_it_obeys_its_own_policy_and_its_links_lead_somewhere(
    browser: Browser, place: Path
) -> None:
    page = browser.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto((place / "overview.html").as_uri())
    links = page.locator("a").evaluate_all("all => all.map(a => a.href)")
    assert len([link for link in links if "/runs/" in link]) == 2
    for link in {link.partition("#")[0] for link in links if "run-sheet.pdf" not in link}:
        page.goto(link)
        assert page.title()
    page.goto((place / "overview.html").as_uri())
    targets = [link.partition("#")[2] for link in links if "#" in link]
    assert targets
    assert all(page.locator(f"#{target}").count() == 1 for target in targets)
    assert said == []
    page.close()


def test_each_piece_comes_out_on_one_sheet_of_paper(browser: Browser, place: Path) -> None:
    page = browser.new_page()
    page.goto((place / "hand-outs.html").as_uri())
    sections = page.locator("section").count()
    made = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", made)) == sections == 12
    page.close()

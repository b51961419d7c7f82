"""A real browser for tests: Chromium (Debian package ``chromium``, or CHROMIUM set to its path), and axe-core.

A test file that imports this is skipped without them, unless DRAWBENCH_REQUIRE_BROWSER=1.
"""

import os
import shutil
from collections.abc import Iterator

import pytest

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium")
REQUIRED = os.environ.get("DRAWBENCH_REQUIRE_BROWSER") == "1"
if not REQUIRED:
    pytest.importorskip(
        "playwright.sync_api", reason="the Python package playwright is not installed"
    )
    if CHROMIUM is None:
        pytest.skip("no Chromium here (Debian package chromium)", allow_module_level=True)

from axe_playwright_python.sync_playwright import Axe  # noqa: E402
from playwright.sync_api import Browser, Page, expect, sync_playwright  # noqa: E402

__all__ = [
    "PHONE_HEIGHT",
    "PHONE_WIDTH",
    "TAGS",
    "Browser",
    "Page",
    "expect",
    "running_browser",
    "violations",
]

PHONE_WIDTH, PHONE_HEIGHT = 360, 740
# WCAG 2.2 A and AA and axe-core's best practices.
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def running_browser() -> Iterator[Browser]:
    """The browser; to be made a fixture of a module's."""
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


def violations(page: Page, tags: list[str] | None = None) -> list[str]:
    """Rules of axe-core that the page breaks, all of them or those with ``tags``, each with its first place."""
    options = {} if tags is None else {"runOnly": {"type": "tag", "values": tags}}
    found = Axe().run(page, options=options).response
    assert len(found["passes"]) > 15, "the rules did not run"
    return [f"{item['id']}: {item['nodes'][0]['html'][:120]}" for item in found["violations"]]

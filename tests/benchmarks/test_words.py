"""Words on each screen, before and now.

Run with ``python -m pytest tests/benchmarks/test_words.py -s``; it prints Markdown. Where DRAWBENCH_BEFORE
names the command of an earlier state, its screens stand beside today's. Every caution is at full length.
The report's words: all of its text, and what is seen before anything is unfolded.
"""

import os
import re
import shlex
import subprocess
import sys
from contextlib import suppress
from html.parser import HTMLParser
from pathlib import Path

from tests.support.places import ROOT
from tests.support.word_counts import NEEDED, SCREENS, bench_folder, screen, words


class _Words(HTMLParser):
    """Text of the page's body, whole and without what is folded below a summary."""

    def __init__(self) -> None:
        super().__init__()
        self.whole, self.seen = "", ""
        self._open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("main", "details", "summary"):
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self._open:
            self._open.remove(tag)

    def handle_data(self, data: str) -> None:
        if "main" in self._open:
            self.whole += f"{data} "
            if "details" not in self._open or "summary" in self._open:
                self.seen += f"{data} "


def page_words(folder: Path) -> tuple[int, int]:
    parser = _Words()
    text = (folder / "report" / "report.html").read_text(encoding="utf-8")
    parser.feed(re.sub(r'src="data:[^"]*"', "", text))
    return words(parser.whole), words(parser.seen)


def test_words_on_each_screen(tmp_path: Path) -> None:
    before = shlex.split(os.environ.get("DRAWBENCH_BEFORE", ""))
    print("\n| screen | before | now |\n|---|---:|---:|")
    states = {"before": before, "now": [sys.executable, str(ROOT / "drawbench.py")]}
    counted: dict[str, dict[str, int]] = {}
    for state, command in states.items():
        if not command:
            continue
        folder = bench_folder(tmp_path / state)
        for name, arguments in SCREENS.items():
            counted.setdefault(name, {})[state] = words(screen(command, arguments, folder))
        for name, arguments in NEEDED.items():
            with suppress(
                subprocess.CalledProcessError
            ):  # an earlier state may not know the option
                counted.setdefault(name, {})[state] = words(screen(command, arguments, folder))
        whole, seen = page_words(folder)
        counted.setdefault("the report, all of it", {})[state] = whole
        counted.setdefault("the report, before anything is opened", {})[state] = seen
    for name, count in counted.items():
        print(f"| {name} | {count.get('before', 'not known')} | {count['now']} |")
        assert count["now"] > 0

"""Every command and every file for people, with text that acts in each field that a stranger fills: none of it leaves."""

import io
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from matplotlib.figure import Figure

import drawbench
from analysis.commands.watch import Found
from logger.page.bench import Bench, Known
from logger.run.format import DESCRIPTION_NAME, RUN_KEY
from tests.support.hostile_runs import sound_run
from tests.support.places import VEST_BUDGET

# The pictures' font has no emoji, and so long a name leaves no room: neither is in question here.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore::UserWarning")]

# Erase, title of the window, override and isolate of direction, 80h to 9Fh's own escape, new lines of other kinds, half a letter.
ACTS = "\x1b[2J\x1b]0;owned\x07\x9b31m\u202e\u2066\u200f\u200e\u061c\u2028\x85\r\udc80"
A, B = "runs/a" + ACTS.replace("\udc80", ""), "runs/b"
READ = "Ümläut 🔋 مصباح נורה"
HOSTILE = f"{READ}{ACTS}end"
ACTING = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)
# Words that the program itself knows; anything else in a description is somebody's text.
_KNOWN_WORDS = {"state", "source", "chemistry", "started_utc", "ended_utc"}


class Terminal(io.StringIO):
    """What a person sees: nothing is stripped on the way, as click does into files."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def spoiled(value: Any, name: str = "") -> Any:
    """The same document with text that acts at the end of every text of a stranger's."""
    if isinstance(value, dict):
        return {key: spoiled(item, key) for key, item in value.items()}
    if isinstance(value, list):
        return [spoiled(item, name) for item in value]
    return value + HOSTILE if isinstance(value, str) and name not in _KNOWN_WORDS else value


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two runs, a budget, a table of joints, another meter's file: all of them hostile."""
    folder = tmp_path_factory.mktemp("bench")
    for name in (A, B):
        run = sound_run(folder / name)
        path = run / DESCRIPTION_NAME
        document = json.loads(path.read_bytes())
        own = document[RUN_KEY]
        own |= {
            "load": "lamp",
            "author": "me",
            "notes": "note",
            "title": "vest",
            "end_text": "over",
        }
        own["board"] = {
            "board": "E1A100C0",
            "boot": 1,
            "firmware": "1",
            "port": "p",
            "usb_serial": "u",
        }
        own["sensor"] = {"kind": "INA226", "shunt_ohm": 0.1, "range_ma": 819.2}
        own["imported"] = {"file": "f.txt", "sha256": "x", "warnings": ["w"], "rows_read": 4}
        document[RUN_KEY] = spoiled(own)
        path.write_text(json.dumps(document), encoding="utf-8")
    acting = "".join(f"\\u{ord(sign):04X}" for sign in ACTS if not 0xD800 <= ord(sign) < 0xE000)
    budget = VEST_BUDGET.read_text(encoding="utf-8")
    text = re.sub(r'(?m)^name = "[^"]*', lambda m: m[0] + acting, budget)
    for name in ("LEDs", "microcontroller", "motion sensor"):
        text = text.replace(f'carries = ["{name}"', f'carries = ["{name}{acting}"')
        text = re.sub(
            rf'(?m)^parts\."?{name}"?', lambda m: f'parts."{m[0][6:].strip(chr(34))}{acting}"', text
        )
    assert text.count("u001B") > 10
    (folder / "vest.toml").write_text(text, encoding="utf-8")
    (folder / "bad.toml").write_text(f'[piece]\nname = "x"\n["{acting}"]\n', encoding="utf-8")
    table = "".join(
        f'"S{n}\u202e\u2066\u200f",{READ}\u061c\u2028,{900 + 40 * n},yes\n' for n in range(6)
    )
    (folder / "joints.csv").write_text(f"specimen,group,cycles,failed\n{table}", encoding="utf-8")
    rows = "".join(f"{n};4.{50 - n};12{n}\n" for n in range(20))
    (folder / "meter.txt").write_text(
        f"t (s);Voltage \x1b[2J\u202e\x9b31m(V);Current (mA)\n{rows}", encoding="utf-8", newline=""
    )
    return folder


@pytest.fixture(autouse=True)
def _plain(monkeypatch: pytest.MonkeyPatch, bench: Path) -> None:
    monkeypatch.chdir(bench)
    monkeypatch.setenv("TERM", "dumb")  # the tables' own colours are another matter
    save = Figure.savefig

    def save_text(figure: Figure, stream: Any, *, format: str, **given: Any) -> None:
        if (
            format == "svg"
        ):  # the others hold no text that could be searched, and take most of the time
            save(figure, stream, format=format, **given)

    monkeypatch.setattr(Figure, "savefig", save_text)


def printed(monkeypatch: pytest.MonkeyPatch, words: list[str], refused: bool) -> str:
    """What the command prints, to standard output and error."""
    out = Terminal()
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", out)
        patch.setattr(sys, "stderr", out)
        patch.setattr(sys, "argv", ["drawbench", *words])
        code: object = 0
        try:
            drawbench.main()
        except SystemExit as ended:
            code = ended.code
    assert code == (2 if refused else 0), out.getvalue()
    return out.getvalue()


COMMANDS = {
    "list": ["list", "runs"],
    "list --csv -": ["list", "runs", "--csv", "-"],
    "list --csv": ["list", "runs", "--csv", "out.csv"],
    "list --json": ["list", "runs", "--json"],
    "list --overview": ["list", "runs", "--overview", "overview"],
    "check": ["check", "{a}"],
    "rundown": ["rundown", "{a}"],
    "rundown --details": ["rundown", "{a}", "--details"],
    "rundown --json": ["rundown", "{b}", "--json"],
    "forecast": ["forecast", "{a}"],
    "compare": ["compare", "{a}", "{b}"],
    "report": ["report", "{a}", "--budget", "vest.toml"],
    "sheet of several": ["sheet", "runs"],
    "budget": ["budget", "vest.toml"],
    "budget --details": ["budget", "vest.toml", "--details"],
    "budget RUN": ["budget", "vest.toml", "{b}", "--pictures", "budget-pictures"],
    "bad budget": ["budget", "bad.toml"],
    "flex life": ["flex", "life", "joints.csv", "--cycles", "1000", "--report", "flex-report"],
    "import --dry-run": ["import", "meter.txt", "--dry-run"],
    "import": ["import", "meter.txt", "imported", "--title", HOSTILE, "--notes", HOSTILE],
    "no such run": ["rundown", "no" + ACTS],
    "no such option": ["rundown", "--" + ACTS],
    "no such command": ["x" + ACTS],
    "no such number": ["rundown", "{b}", "--cutoff", "3" + ACTS],
}


@pytest.mark.parametrize("command", list(COMMANDS))
def test_nothing_that_acts_reaches_the_terminal(
    monkeypatch: pytest.MonkeyPatch, bench: Path, command: str
) -> None:
    words = [word.replace("{a}", A).replace("{b}", B) for word in COMMANDS[command]]
    text = printed(monkeypatch, words, refused=command.startswith(("no such", "bad")))
    assert text.strip()
    assert not ACTING.findall(text.replace("\r\n", "\n")), command
    assert "fault of the program itself" not in text


def test_files_for_people_hold_none(bench: Path) -> None:
    """What the commands above have written."""
    found: dict[str, str] = {}
    for path in bench.rglob("*"):
        if path.suffix in (".html", ".md", ".svg", ".csv", ".txt") and path.name not in (
            "joints.csv", "meter.txt",
        ):  # fmt: skip
            text = path.read_bytes().decode()
            found[path.name] = text
            assert not ACTING.findall(text.replace("\r\n", "\n")), path
    assert {"report.html", "report.md", "overview.html", "overview.md", "out.csv"} <= set(found)
    for name in ("report.html", "overview.html"):
        assert "مصباح" in found[name], "letters stay"
        assert "🔋" in found[name]


def test_the_pages_texts_hold_none(bench: Path) -> None:
    page = Bench(Found((bench / "runs",)).look())
    page.watched = dict.fromkeys(page.runs, 1)
    page.poll()
    for run in page.runs.values():
        for text in texts(json.loads(page.message(run, Known()))):
            assert not ACTING.findall(text), text


def texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        yield from (text for item in value.values() for text in texts(item))
    elif isinstance(value, list):
        yield from (text for item in value for text in texts(item))

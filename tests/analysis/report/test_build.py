"""The report: complete, self-contained, escaped, repeatable, and never over somebody's files."""

import json
import re
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from markdown_it import MarkdownIt
from markdown_it.token import Token

from analysis.commands.report import report_command
from analysis.doubt.quantity import Quantity
from analysis.report.build import write_report
from analysis.run.rundown import rundown
from analysis.say.events import listed_events
from analysis.say.figures import figure_style, new_figure, save_figure
from analysis.say.section import FigureFile, Section
from logger.base.errors import BenchError
from logger.run.description import Board, Event
from logger.run.reader import Run
from tests.support.runs_by_formula import Floats, board_run, sampled_run, stop_at, stored

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "[click](javascript:alert(1)) ![x](http://example.org/x.png)",
    "| a | b |\n|---|---|\n| c | d |",
    "# not a heading\n\n- not a list\n\n```\ncode",
    "{{ 7*7 }} {% raw %} $\\alpha$ **bold** _it_ ~~gone~~ `code` www.example.org &lt;b&gt; &amp;",
    "\x1b[31mred\x07 \u202ebackwards",
    "1. one",
    "--- ",
    "</style></title><svg onload=alert(1)>",
)


FOLDED = (
    "Results",
    "The other pictures",
    "What happened during the run",
    "What the probe itself did",
    "Where the doubt comes from",
    "How it was measured",
    "What it was made with",
)


def falling(time_s: Floats) -> Floats:
    return 4.5 - 1.8 * time_s / 7200


def pulsed(time_s: Floats) -> Floats:
    return np.where(time_s % 1.6 < 0.4, 150.0, 60.0)


def vest(**changes: Any) -> Run:
    return board_run(falling, pulsed, 7200, window_s=2.0, **changes)


def write(run: Run, folder: Path, cutoff_v: float | None = 3.0) -> tuple[Path, ...]:
    return write_report(run, rundown(run, cutoff_v), folder)


@dataclass
class Seen(HTMLParser):
    """What a browser would find on the page."""

    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    text: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        HTMLParser.__init__(self)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def named(self, *names: str) -> list[tuple[str, dict[str, str | None]]]:
        return [tag for tag in self.tags if tag[0] in names]


def seen(path: Path) -> Seen:
    parser = Seen()
    parser.feed(path.read_text(encoding="utf-8"))
    parser.close()
    return parser


def markdown_tokens(path: Path) -> list[Token]:
    renderer = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    tokens: list[Token] = []
    for token in renderer.parse(path.read_text(encoding="utf-8")):
        tokens += [token, *(token.children or [])]
    return tokens


@pytest.mark.slow
def test_page_is_complete_and_stands_alone(tmp_path: Path) -> None:
    write(vest(), tmp_path)
    page = seen(tmp_path / "report.html")
    assert page.named("html")[0][1]["lang"] == "en"
    assert [tag for tag, _ in page.named("h1", "h2", "h3")] == ["h1"] + ["h2"] * 8
    folded, links = page.named("details"), [attributes for _, attributes in page.named("a")]
    assert len(folded) == len(links) == 7
    assert {attributes["href"] for attributes in links} == {
        f"#{attributes['id']}" for _, attributes in page.named("div")
    }
    images = page.named("img")
    assert len(images) == 4
    for _, attributes in images:
        assert (attributes["src"] or "").startswith("data:image/svg+xml;base64,")
        assert len(attributes["alt"] or "") > 40
    # Nothing is fetched from anywhere.
    assert not page.named("script", "link", "iframe", "object")
    text = "".join(page.text).replace("\u00a0", " ")
    assert "The pack fell to 3 V after 1 h 40 min" in text
    assert "Local codes and licensed practice come first." in text
    assert "Recorded: 2026-01-10 18:00 UTC" in text
    assert "SIMULATED" not in text


@pytest.mark.slow
def test_answer_comes_before_picture_before_caution_before_table(tmp_path: Path) -> None:
    write(vest(), tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    order = [
        text.index(mark) for mark in ('class="answer"', "<img", "Cautions", "<details", "<table")
    ]
    assert order == sorted(order)


@pytest.mark.slow
def test_simulated_run_says_so_everywhere(tmp_path: Path) -> None:
    write(vest(board=Board("7F3A91C2", 17, firmware="simulated-0.1.0")), tmp_path)
    assert "SIMULATED" in "".join(seen(tmp_path / "report.html").text)
    assert "**SIMULATED." in (tmp_path / "report.md").read_text(encoding="utf-8")
    assert seen(tmp_path / "report.html").named("title")


@pytest.mark.slow
@pytest.mark.parametrize("text", HOSTILE)
def test_text_from_a_file_stays_text(text: str, tmp_path: Path) -> None:
    run = vest(
        title=text,
        notes=text,
        author=text,
        load=text,
        end_text=text,
        events=(Event(60.0, "mark", text), Event(70.0, text, text)),
    )
    run = replace(run, problems=(text,))
    write(run, tmp_path)
    plain = seen_plain(text)

    page = seen(tmp_path / "report.html")
    assert {tag for tag, _ in page.tags} <= {
        "html", "head", "meta", "title", "style", "body", "main", "header", "h1", "h2", "p",
        "figure", "img", "figcaption", "table", "thead", "tbody", "tr", "th", "td", "span",
        "ul", "li", "code", "br", "caption", "nav", "a", "details", "summary", "div",
    }  # fmt: skip
    assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on")]
    assert plain in " ".join("".join(page.text).split())
    for name in ("report.html", "report.md"):
        assert not re.search("[\x00-\x08\x0b-\x1f\u202e]", (tmp_path / name).read_text("utf-8"))

    tokens = markdown_tokens(tmp_path / "report.md")
    kinds = {token.type for token in tokens}
    # The only HTML is what folds the parts; their titles are our own.
    blocks = [token.content for token in tokens if token.type == "html_block"]
    assert blocks == [
        block
        for title in FOLDED
        for block in (f"<details>\n<summary>{title}</summary>\n", "</details>\n")
    ]
    assert not kinds & {"html_inline", "fence", "s_open", "ordered_list_open", "hr"}
    assert not kinds & {"code_inline", "em_open"}
    titles = [
        after.children or []
        for before, after in pairwise(tokens)
        if before.type == "heading_open" and before.tag == "h1"
    ]
    assert ["".join(child.content for child in title) for title in titles] == [plain]
    cells = [token.type for token in tokens if token.type in {"tr_open", "th_open", "td_open"}]
    rows = " ".join(cells).split("tr_open")[1:]
    assert {len(row.split()) for row in rows} == {3, 4}
    links = [str(token.attrs["href"]) for token in tokens if token.type == "link_open"]
    images = [str(token.attrs["src"]) for token in tokens if token.type == "image"]
    assert images == ["voltage.png", "current.png", "charge.png", "current-histogram.png"]
    assert links == [name.replace(".png", ".svg") for name in images]


def seen_plain(text: str) -> str:
    """The text as it should be read: one line, signs that act written out."""
    return " ".join(re.sub("[\x1b\x07\u202e]", lambda sign: f"\\u{ord(sign[0]):04x}", text).split())


@pytest.mark.slow
def test_markdown_points_at_pictures_that_are_there(tmp_path: Path) -> None:
    write(vest(), tmp_path)
    for token in markdown_tokens(tmp_path / "report.md"):
        if token.type == "image":
            assert (tmp_path / str(token.attrs["src"])).is_file()
            assert len(token.content) > 40
        if token.type == "link_open":
            assert (tmp_path / str(token.attrs["href"])).is_file()


@pytest.mark.slow
def test_same_run_gives_the_same_bytes(tmp_path: Path) -> None:
    one, other = (write(vest(), tmp_path / name) for name in ("one", "other"))
    assert [path.name for path in one] == [path.name for path in other]
    for a, b in zip(one, other, strict=True):
        assert a.read_bytes() == b.read_bytes(), a.name


@pytest.mark.slow
def test_earlier_report_is_replaced_and_foreign_files_are_not(tmp_path: Path) -> None:
    write(vest(title="first"), tmp_path)
    (tmp_path / "my-notes.txt").write_text("mine")
    write(vest(title="second"), tmp_path)
    assert "second" in (tmp_path / "report.md").read_text(encoding="utf-8")
    assert (tmp_path / "my-notes.txt").read_text() == "mine"

    with (tmp_path / "report.md").open("a", encoding="utf-8") as stream:
        stream.write("what I found out\n")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(BenchError, match="changed since") as error:
        write(vest(title="third"), tmp_path)
    assert error.value.evidence == "report.md"
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.slow
def test_folder_with_somebodys_picture_is_refused(tmp_path: Path) -> None:
    (tmp_path / "voltage.png").write_bytes(b"a photograph")
    with pytest.raises(BenchError, match="did not write"):
        write(vest(), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["voltage.png"]


@pytest.mark.slow
def test_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(BenchError, match="cannot be written"):
        write(vest(), tmp_path / "file" / "report")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("run", "cutoff_v", "stems"),
    [
        (sampled_run(range(100), np.linspace(4, 3, 100)), 3.5, ["voltage"]),
        (sampled_run(range(100), None, np.full(100, 7.0)), None, ["current", "charge", "current-histogram"]),
        (sampled_run([0, 1], [4, 3.9], [0, 0]), None, ["voltage", "current", "charge", "current-histogram"]),
        (sampled_run(range(9), np.full(9, 4.0), -np.arange(9.0)), None, ["voltage", "current", "charge", "current-histogram"]),
    ],
    ids=["voltage alone", "current alone", "two rows", "backwards current"],
)  # fmt: skip
def test_poor_runs_still_get_a_report(
    run: Run, cutoff_v: float | None, stems: list[str], tmp_path: Path
) -> None:
    files = write(run, tmp_path, cutoff_v)
    assert sorted(path.stem for path in files if path.suffix == ".svg") == sorted(stems)
    assert "nan" not in "".join(seen(tmp_path / "report.html").text).lower().split()


@pytest.mark.slow
def test_further_sections_bring_their_own_pictures(tmp_path: Path) -> None:
    def joints(folder: Path) -> Section:
        with figure_style():
            figure, axes = new_figure()
            axes.plot([0, 1], [1, 0])
        save_figure(figure, folder / "joints")
        return Section(
            "Wire joints <b>",
            paragraphs=("Solid wire broke first.",),
            quantities=(("cycles", Quantity(4200, "cycles", 3100, None, 0.9, "lower bound")),),
            figures=(FigureFile("joints", "Survival of six joints, falling from all to none.", "Joints"),),
            cautions=("Sharp ends.",),
        )  # fmt: skip

    run = vest()
    write_report(run, rundown(run, 3.0), tmp_path, [joints])
    assert (tmp_path / "joints.png").is_file()
    page = seen(tmp_path / "report.html")
    assert len(page.named("img")) == 5
    text = "".join(page.text)
    markdown = (tmp_path / "report.md").read_text(encoding="utf-8")
    assert "<summary>Wire joints &lt;b&gt;</summary>" in markdown
    assert "Wire joints <b>" in text
    assert "at least 3100 cycles" in text
    assert "Wire joints &lt;b&gt;" in (tmp_path / "report.md").read_text(encoding="utf-8")


def test_lost_lines_do_not_bury_a_mark() -> None:
    noise = [Event(float(at), "noise", f"lost {at}", {"rows": float(at % 7)}) for at in range(300)]
    events, unlisted = listed_events([*noise, Event(150.5, "mark", "pattern B")])
    assert [event.kind for event in events] == ["noise", "noise", "noise", "mark"]
    assert [event.number for event in events] == [1, 2, 3, 4]
    assert unlisted.startswith("Not listed: 297 of noise.")


@pytest.mark.slow
def test_warm_piece_is_cautioned_and_a_cool_one_is_not(tmp_path: Path) -> None:
    hot = board_run(falling, lambda t: np.full_like(t, 900.0), 600)
    write(hot, tmp_path / "hot", None)
    write(vest(), tmp_path / "cool")
    assert "43 °C" in (tmp_path / "hot" / "report.md").read_text(encoding="utf-8")
    assert "°C for" not in (tmp_path / "cool" / "report.md").read_text(encoding="utf-8")


@pytest.mark.slow
def test_command_writes_beside_the_run_and_says_where(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = vest(stop=stop_at(3.0, 5.0))
    stored(tmp_path / "night", run)
    monkeypatch.chdir(tmp_path)
    answer = CliRunner().invoke(report_command, ["night"])
    assert answer.exit_code == 0, answer.output
    assert "  night/report/report.html\n" in answer.stdout.replace("\\", "/")
    markdown = (tmp_path / "night" / "report" / "report.md").read_text(encoding="utf-8")
    assert "    drawbench report night --cutoff 3 --hold 5s\n" in markdown
    assert "SHA-256 of samples.csv: " in markdown
    assert json.loads((tmp_path / "night" / "report" / "report-files.json").read_text("utf-8"))
    assert CliRunner().invoke(report_command, ["night"]).exit_code == 0

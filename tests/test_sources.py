"""Every code that a comment or docstring cites stands in SOURCES.md, and is cited so that it can be found."""

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

import pytest

from tests.support.places import ROOT

TABLE: Final = ROOT / "tests" / "SOURCES.md"
PLACES: Final = ("drawbench.py", "logger", "analysis", "firmware_probe", "tests", "sample_runs")
KINDS: Final = {".py", ".md", ".c", ".h", ".ino"}
ROW: Final = re.compile(r"^\|\s*([A-Z]\d+)\s*\|(.*)\|\s*$", re.MULTILINE)
CITED: Final = re.compile(
    r"SOURCES\.md\s+(?:(?:#|//|\*)\s+)?([A-Z]\d+\b(?:(?:, (?:and )?| and )[A-Z]\d+\b)*)"
)
CODE: Final = re.compile(r"\b[A-Z]\d+\b")
# Codes that mean something else as a rule: a size of paper, the life that 10 % have not reached.
OTHER_MEANING: Final = {"A4", "B10"}
# Ways of citing that lead nowhere; in prose of every kind, also where a code has another meaning.
BY_OTHER_WORDS: Final = re.compile(r"\b(?:[Rr]eferences?|[Ss]ources?|[Tt]able) ([A-E]\d{1,2})\b")
VERIFIED: Final = re.compile(r"\b(read|reproduced|from memory|no source)\b")


class Source(NamedTuple):
    value: str
    source: str
    verified: str


class Citation(NamedTuple):
    """``place``: file and line."""

    place: str
    code: str


def sources(text: str) -> dict[str, Source]:
    """Rows of SOURCES.md by their code. Raises ValueError for a row that is not whole, or a code twice."""
    found: dict[str, Source] = {}
    for code, rest in ROW.findall(text):
        cells = [cell.strip() for cell in rest.split(" | ")]
        if len(cells) != 3 or not all(cells):
            raise ValueError(f"{code}: {len(cells)} cells beside the code, not 3, or an empty one")
        if not VERIFIED.search(cells[2]):
            raise ValueError(f"{code}: {cells[2]!r} does not say how far it was verified")
        if code in found:
            raise ValueError(f"{code} stands there twice")
        found[code] = Source(*cells)
    return found


def files(root: Path) -> Iterator[Path]:
    """What may cite a source: texts of the tree, without what was built."""
    for place in PLACES:
        path = root / place
        for file in [path] if path.is_file() else sorted(path.rglob("*")):
            if (
                file.suffix in KINDS
                and "build" not in file.parts
                and file != root / TABLE.relative_to(ROOT)
            ):
                yield file
    yield from root.glob("*.md")


def citations(root: Path) -> Iterator[Citation]:
    """Every code that is cited as it should be."""
    for file in files(root):
        text = file.read_text(encoding="utf-8")
        for match in CITED.finditer(text):
            place = f"{file.relative_to(root)}:{text.count(chr(10), 0, match.start()) + 1}"
            yield from (Citation(place, code) for code in CODE.findall(match[1]))


def strays(root: Path, known: set[str]) -> Iterator[Citation]:
    """Codes in the comments and docstrings of python, and cited by other words anywhere, that no check can find."""
    for file in files(root):
        text = file.read_text(encoding="utf-8")
        prose = _prose(text) if file.suffix == ".py" else list(enumerate(text.splitlines(), 1))
        for line, words in prose:
            place = f"{file.relative_to(root)}:{line}"
            rest = CITED.sub("", words)
            wanted = set(BY_OTHER_WORDS.findall(rest))
            if file.suffix == ".py":
                wanted |= set(CODE.findall(rest)) & (known - OTHER_MEANING)
            yield from (Citation(place, code) for code in sorted(wanted))


def _prose(text: str) -> list[tuple[int, str]]:
    """Comments, and docstrings whole, with the line on which each begins."""
    found = [
        (token.start[0], token.string)
        for token in tokenize.generate_tokens(io.StringIO(text).readline)
        if token.type == tokenize.COMMENT
    ]
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            words = ast.get_docstring(node, clean=False)
            if words is not None:
                found.append((node.body[0].lineno, words))
    return found


def missing(root: Path, known: set[str]) -> list[str]:
    return [f"{item.place} cites {item.code}" for item in citations(root) if item.code not in known]


def test_no_cited_code_is_missing() -> None:
    known = set(sources(TABLE.read_text(encoding="utf-8")))
    assert missing(ROOT, known) == []
    # The check looks where the citations are: tests and the code that they judge.
    folders = {item.place.partition("/")[0] for item in citations(ROOT)}
    assert {"analysis", "firmware_probe", "logger", "tests"} <= folders


@pytest.mark.slow
def test_no_code_is_cited_where_the_check_does_not_see_it() -> None:
    """Write ``SOURCES.md`` before the code; or, where it is no source, add it to ``OTHER_MEANING``."""
    known = set(sources(TABLE.read_text(encoding="utf-8")))
    assert [f"{item.place}: {item.code}" for item in strays(ROOT, known)] == []


def test_every_row_is_whole() -> None:
    text = TABLE.read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if re.match(r"\| ?[A-Z]\d", line)]
    assert len(sources(text)) == len(rows) > 40


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    (tmp_path / "logger" / "base").mkdir(parents=True)
    return tmp_path


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("# by rote ({} B3)", []),
        ("# by rote ({} Z99)", ["logger/base/cell.py:2 cites Z99"]),
        ("x = 1  # {} B3, B77", ["logger/base/cell.py:2 cites B77"]),
        ('"""{} B3 and E55: as written."""', ["logger/base/cell.py:2 cites E55"]),
        ("# sheets {}\n# C123: read there", ["logger/base/cell.py:2 cites C123"]),
        ("# {} B3, A4 paper: only what follows a comma", []),
    ],
)
def test_a_planted_unknown_code_is_found(tree: Path, words: str, wanted: list[str]) -> None:
    planted = "\n" + words.format(TABLE.name) + "\n"
    (tree / "logger/base/cell.py").write_text(planted, encoding="utf-8")
    assert missing(tree, {"A4", "B3"}) == wanted


def test_a_planted_unknown_code_is_found_in_sketch_and_prose(tree: Path) -> None:
    for name in ("firmware_probe/pins.h", "tests/benchmarks/NOTE.md", "README.md"):
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_text(f"// {TABLE.name} C99\n", encoding="utf-8")
    assert [words.partition(":")[0] for words in missing(tree, {"C1"})] == [
        "firmware_probe/pins.h",
        "tests/benchmarks/NOTE.md",
        "README.md",
    ]


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("# sheets (reference {})", ["B3"]),
        ("# sheets ({})", ["B3"]),
        ('"""{}: a bench table."""', ["B3"]),
        ("# SOURCES.md {}: sheets", []),
        ("pin = '{}'", []),
        ("# 0x{}F, V{} and {}_v are no codes", []),
    ],
)
def test_a_code_cited_otherwise_is_found(tree: Path, words: str, wanted: list[str]) -> None:
    (tree / "logger/base/cell.py").write_text(words.replace("{}", "B3") + "\n", encoding="utf-8")
    assert [item.code for item in strays(tree, {"B3", "B10"})] == wanted


def test_a_life_and_a_sheet_of_paper_are_no_sources(tree: Path) -> None:
    words = "# B10 life on one page, A4; E0 in volts, D99 the pin\n"
    (tree / "logger/base/cell.py").write_text(words, encoding="utf-8")
    assert list(strays(tree, {"A4", "B10", "B3"})) == []
    (tree / "logger/base/cell.py").write_text("# sheets, reference " + "B10\n", encoding="utf-8")
    assert [item.code for item in strays(tree, {"A4", "B10", "B3"})] == ["B10"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("| B3 | 2.13 Ah | a table |", "2 cells"),
        ("| B3 | 2.13 Ah |  | read |", "empty"),
        ("| B3 | 2.13 Ah | a table | surely |", "how far"),
        ("| B3 | 1 | a | read |\n| B3 | 2 | b | read |", "twice"),
    ],
)
def test_a_row_that_is_not_whole_is_refused(row: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        sources(row + "\n")

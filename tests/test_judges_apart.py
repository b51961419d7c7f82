"""The judge of a number shares no code with what it judges: read from the imports, followed through the tests' own modules."""

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from tests.support.places import ROOT

JUDGED: Final = {"analysis", "logger", "firmware_probe", "drawbench"}
# Where a judge meets the tool; only a command's own function may load one.
ADAPTERS: Final = {
    "tests.benchmarks.lifetime_detector",
    "tests.benchmarks.joints_adapter",
    "tests.benchmarks.import_adapter",
    "tests.benchmarks.typed_adapter",
    "tests.benchmarks.command_line_adapter",
    "tests.support.unseen",
}
# The board's lines are the contract; this test reads the generated ones with the tool's decoder.
MEETS_THE_CONTRACT: Final = "tests.benchmarks.measurement_judge.test_windows"
SUPPORT: Final = (
    "known_budgets", "true_pieces", "limited_pieces", "drawn_budgets", "hazard_pieces", "washed_pieces",
)  # fmt: skip


def judges() -> list[Path]:
    benchmarks, support = ROOT / "tests" / "benchmarks", ROOT / "tests" / "support"
    return [
        *(path for folder in sorted(benchmarks.glob("*_judge")) for path in folder.rglob("*.py")),
        *(support / "datasheet_boards").rglob("*.py"),
        *(support / f"{name}.py" for name in SUPPORT),
    ]


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(path: Path, *, inside: bool) -> Iterator[str]:
    """Modules that a file imports when it is loaded, or with ``inside`` those that its functions import."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    own = name_of(path).split(".")
    package = own if path.name == "__init__.py" else own[:-1]
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
    within = {id(child) for function in functions for child in ast.walk(function)}
    for node in ast.walk(tree):
        if (id(node) in within) != inside:
            continue
        if isinstance(node, ast.Import):
            yield from (item.name for item in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield module
            yield from (f"{module}.{item.name}" for item in node.names)


def file_of(module: str) -> Path | None:
    place = ROOT.joinpath(*module.split("."))
    return next(
        (path for path in (place.with_suffix(".py"), place / "__init__.py") if path.is_file()), None
    )


def reached(path: Path) -> dict[str, str]:
    """Every module that comes along when this file is loaded, and what imported it."""
    found: dict[str, str] = {}
    waiting = [path]
    while waiting:
        source = waiting.pop()
        for module in imported(source, inside=False):
            if module in found:
                continue
            found[module] = name_of(source)
            own = file_of(module) if module.startswith("tests.") else None
            if own is not None:
                waiting.append(own)
    return found


def test_there_are_judges() -> None:
    assert len(judges()) > 40
    assert all(path.is_file() for path in judges())


@pytest.mark.slow
def test_no_judge_loads_what_it_judges() -> None:
    met = {
        f"{name_of(path)}: {module} (by {source})"
        for path in judges()
        if name_of(path) != MEETS_THE_CONTRACT
        for module, source in reached(path).items()
        if module.split(".")[0] in JUDGED
    }
    assert met == set()


@pytest.mark.slow
def test_only_adapters_are_loaded_by_a_judges_commands() -> None:
    met = {
        f"{name_of(path)}: {module}"
        for path in judges()
        for module in imported(path, inside=True)
        if module.split(".")[0] in JUDGED
        or (module.startswith("tests.") and not any(module.startswith(a) for a in ADAPTERS))
    }
    assert met == set()


@pytest.mark.slow
def test_the_look_finds_an_import() -> None:
    """Through a module of the tests' own, too."""
    adapter = ROOT / "tests" / "benchmarks" / "joints_adapter.py"
    assert any(module.startswith("analysis.") for module in reached(adapter))

"""The order of the rooms: a file uses only files of its own room and of rooms below it, without a circle."""

import ast
import functools
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final, NamedTuple

import pytest

from tests.support.places import ROOT

# From the ground up: a room uses only rooms on a lower floor; those of one floor do not use each other.
FLOORS: Final = (
    ("firmware_probe",),
    ("firmware_probe.micropython",),
    ("firmware_probe.twin",),
    ("firmware_probe.interpreter",),
    ("firmware_probe.commands",),
    ("logger.base",),
    ("logger.run",),
    ("logger.board",),
    ("logger.calibration", "logger.conform", "logger.flex", "logger.text"),
    ("logger.recording",),
    ("logger.edit",),
    ("logger.page",),
    ("logger.commands",),
    ("analysis.doubt", "analysis.life"),
    ("analysis.say",),
    ("analysis.run",),
    ("analysis.curve",),
    ("analysis.forecast",),
    ("analysis.electric",),
    ("analysis.listed",),
    ("analysis.budget", "analysis.flex"),
    ("analysis.report",),
    ("analysis.door",),
    ("analysis.commands",),
    ("drawbench",),
)
# What the layers above take from the board's package: the contract of the line, never its simulation.
LINE_CONTRACT: Final = "firmware_probe.line_format"
MOST_MODULES: Final = 22

FLOOR_OF: Final = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}


class Import(NamedTuple):
    """``place``: file and line; ``used``: the module that is imported there."""

    place: str
    module: str
    used: str


@functools.cache
def _parsed(path: Path, state: int) -> ast.Module:
    """Of a file in this state; several tests look at the same."""
    return ast.parse(path.read_text(encoding="utf-8"))


def parsed(path: Path) -> ast.Module:
    return _parsed(path, path.stat().st_mtime_ns)


def modules(root: Path) -> dict[str, Path]:
    """Dotted names of all modules of the packages and of the front door."""
    found = {"drawbench": root / "drawbench.py"}
    for package in ("firmware_probe", "logger", "analysis"):
        for path in sorted((root / package).rglob("*.py")):
            name = ".".join(path.relative_to(root).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


def imports(found: Mapping[str, Path], root: Path) -> Iterator[Import]:
    """Every import of one of ``found``, also those inside of functions and for types only."""
    for module, path in found.items():
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [f"{node.module}.{alias.name}" for alias in node.names]
            else:
                continue
            place = f"{path.relative_to(root)}:{node.lineno}"
            for name in names:
                used = name if name in found else name.rpartition(".")[0]
                if used in found and used != module:
                    yield Import(place, module, used)


def room_of(module: str) -> str:
    """Package and folder; a file directly in ``firmware_probe`` is on the ground floor."""
    parts = module.split(".")
    return (
        parts[0]
        if len(parts) == 1
        else next((room for room in (".".join(parts[:2]), parts[0]) if room in FLOOR_OF), module)
    )


def upward(found: Mapping[str, Path], root: Path) -> list[str]:
    """Imports into a room that is not below, as ``file:line imports module``."""
    wrong = []
    for item in imports(found, root):
        room, below = room_of(item.module), room_of(item.used)
        if room == below or item.used == LINE_CONTRACT:
            continue
        if room not in FLOOR_OF or below not in FLOOR_OF or FLOOR_OF[below] >= FLOOR_OF[room]:
            wrong.append(f"{item.place} imports {item.used}: {below} is not below {room}")
    return wrong


def circle(found: Mapping[str, Path], root: Path) -> list[str]:
    """One circle of files that import each other, in order; empty where there is none."""
    uses: dict[str, set[str]] = {module: set() for module in found}
    for item in imports(found, root):
        uses[item.module].add(item.used)
    done: set[str] = set()

    def search(module: str, way: list[str]) -> list[str]:
        if module in way:
            return way[way.index(module) :]
        if module in done:
            return []
        for used in sorted(uses[module]):
            if ring := search(used, [*way, module]):
                return ring
        done.add(module)
        return []

    return next((ring for module in uses if (ring := search(module, []))), [])


def test_every_module_stands_in_a_room() -> None:
    homeless = [
        name
        for name, path in modules(ROOT).items()
        if room_of(name) not in FLOOR_OF and path.name != "__init__.py"
    ]
    assert homeless == []


def test_a_room_uses_only_rooms_below_it() -> None:
    assert upward(modules(ROOT), ROOT) == []


@pytest.mark.slow
def test_no_circle_of_files() -> None:
    assert circle(modules(ROOT), ROOT) == []


@pytest.mark.slow
def test_the_simulated_board_is_used_by_nothing_above_but_the_demo() -> None:
    """The twin plays the board in tests and in the demo; a measurement never rests on it."""
    users = {
        item.module
        for item in imports(modules(ROOT), ROOT)
        if item.used.startswith("firmware_probe.") and item.used != LINE_CONTRACT
    }
    assert {user for user in users if not user.startswith("firmware_probe.")} == {"drawbench"}


def test_every_room_says_which_question_it_answers() -> None:
    silent = [name for name, path in modules(ROOT).items() if not ast.get_docstring(parsed(path))]
    assert silent == []


def test_no_folder_is_too_full_to_look_through() -> None:
    full = {
        str(folder): count
        for folder, count in Counter(
            path.parent.relative_to(ROOT)
            for path in modules(ROOT).values()
            if path.name != "__init__.py"
        ).items()
        if count > MOST_MODULES
    }
    assert full == {}


def test_the_tests_of_a_file_are_found_by_its_path() -> None:
    """``tests/logger/run/test_reader*.py`` tests ``logger/run/reader.py``; a topic of a whole room is its own file."""
    lost = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        place = path.relative_to(ROOT / "tests").parent
        if place.parts and place.parts[0] not in {"benchmarks", "support", "fuzz"}:
            room = ROOT / place
            topics = {item.stem.lstrip("_") for item in room.glob("*")} | TOPICS.get(
                str(place), set()
            )
            name = path.stem.removeprefix("test_")
            if not any(name == topic or name.startswith(f"{topic}_") for topic in topics):
                lost.append(str(path.relative_to(ROOT)))
    assert lost == []


# Tests of a whole room, not of one file.
TOPICS: Final = {
    "firmware_probe/sketch": {"headers", "fuzz", "ports"},
    "firmware_probe/simulator": {
        "boards", "bursts", "clock", "faults", "flex", "load_switch", "logger", "probe", "sensors", "sums",
    },
    "logger/page": {"browser"},
}  # fmt: skip


@pytest.fixture
def small_tree(tmp_path: Path) -> Path:
    for name, text in {
        "drawbench.py": "import logger.run.store\n",
        "logger/run/store.py": "from logger.base import errors\n",
        "logger/base/errors.py": "",
        "analysis/run/rundown.py": "def f():\n    from analysis.run import cutoff\n",
        "analysis/run/cutoff.py": "",
    }.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text)
    return tmp_path


def test_an_import_upward_is_named(small_tree: Path) -> None:
    assert upward(modules(small_tree), small_tree) == []
    (small_tree / "logger/base/errors.py").write_text("\nfrom logger.run.store import keep\n")
    assert upward(modules(small_tree), small_tree) == [
        "logger/base/errors.py:2 imports logger.run.store: logger.run is not below logger.base"
    ]


def test_a_circle_is_named(small_tree: Path) -> None:
    assert circle(modules(small_tree), small_tree) == []
    (small_tree / "analysis/run/cutoff.py").write_text("import analysis.run.rundown\n")
    assert sorted(circle(modules(small_tree), small_tree)) == [
        "analysis.run.cutoff",
        "analysis.run.rundown",
    ]


@pytest.mark.slow
def test_starting_a_recording_imports_nothing_heavy() -> None:
    """``drawbench log`` must be up at once: no pandas, scipy or matplotlib in its imports."""
    code = (
        "import sys, drawbench; drawbench.cli.get_command(None, 'log'); "
        "print(sorted({'pandas', 'scipy', 'matplotlib', 'numpy'} & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert result.stdout.strip() == "[]"

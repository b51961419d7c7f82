"""Nobody's file is touched: whatever a stranger has planted under a name that the program writes.

The names come from the program (``safe_files.MADE``). Here a few of all pairs of name and planted thing; all of them:
``python -m tests.benchmarks.planted_names``.
"""

import ast
import os
import random
from pathlib import Path
from typing import Final

import pytest

from tests.support.places import ROOT
from tests.support.planting import DOINGS, KINDS, Doing, Trace, names_of, planted
from tests.test_layers import modules, parsed

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="plants links, pipes and devices"),
]

HELPER: Final = "logger.base.safe_files"
_QUICK: Final = [doing for doing in DOINGS if not doing.slow]
_WRITERS: Final = {"Folder", "make_folder", "replace_file", "replacing_file", "create_file"}
# Modules that write, and are not among the doings: why.
_ELSEWHERE: Final = {
    "drawbench": "the demo writes into folders that it made itself, empty, a moment before",
    "logger.run.writer": "by logger.run.open_file",
    "logger.run.run_folder": "holds the folder; what is made in it is heard from those that ask",
    "logger.recording.description_keeper": "by logger.run.store",
    "logger.run.edited.photo_files": "holds the folder to read from it alone",
}
# Ways past the helper, and why each is none.
_DIRECT: Final = {
    ("analysis.commands.makers", "write_bytes"): "a temporary folder of our own",
    ("analysis.report.build", "write_text"): "a temporary folder of our own",
    ("analysis.report.photos", "write_bytes"): "a temporary folder of our own",
    ("analysis.report.overview", "write_text"): "a temporary folder of our own",
    ("analysis.flex.report", "write_text"): "a temporary folder of our own",
    ("analysis.say.figures", "savefig"): "into memory",
    ("logger.run.rescue", "mkstemp"): "makes a name that nobody knows, exclusively",
    ("logger.run.rescue", "fdopen"): "of what mkstemp made",
    ("logger.run.run_folder", "rename"): "in a folder that is held open, of names in it",
    ("logger.run.open_file", "rename"): "by run_folder",
    ("logger.run.pieces", "rename"): "by run_folder",
    ("logger.run.two_copies", "rename"): "by run_folder",
    (
        "logger.edit.rename",
        "rename",
    ): "of the run's folder itself, in the folder above, never over anything",
    (HELPER, "open"): "the helper itself",
    (HELPER, "fdopen"): "the helper itself",
    (HELPER, "rename"): "the helper itself",
}
_CALLS: Final = {
    "write_text", "write_bytes", "touch", "symlink_to", "hardlink_to", "symlink", "rename", "renames",
    "savefig", "mkstemp", "mktemp", "NamedTemporaryFile", "copy2", "copyfile", "copytree", "move", "to_csv", "tofile",
    "savetxt", "mknod", "mkfifo", "truncate",
}  # fmt: skip


def _modules() -> dict[str, ast.Module]:
    paths = {
        name: path for name, path in modules(ROOT).items() if not name.startswith("firmware_probe")
    }
    return {name: parsed(path) for name, path in paths.items()}


@pytest.fixture(scope="module")
def traces(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Trace]:
    """What each doing makes in peace, by its name."""
    work = tmp_path_factory.mktemp("peace") / "work"
    return {doing.name: names_of(doing, work) for doing in _QUICK}


def _opens_to_write(call: ast.Call) -> bool:
    """``open(...)``, ``path.open(...)``, ``os.open(...)`` with anything but reading in view."""
    is_os = isinstance(call.func, ast.Attribute) and ast.unparse(call.func.value) == "os"
    if is_os:
        return True
    modes = [
        arg.value
        for arg in (*call.args, *(k.value for k in call.keywords))
        if isinstance(arg, ast.Constant)
    ]
    return any(isinstance(mode, str) and len(mode) <= 3 and set(mode) & set("wax+") for mode in modes)  # fmt: skip


def _direct(module: str, tree: ast.Module) -> set[tuple[str, str]]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name in _CALLS or (name in ("open", "fdopen") and _opens_to_write(node)):
                found.add((module, name))
    return found


def test_no_file_is_made_past_the_helper() -> None:
    found = {item for module, tree in _modules().items() for item in _direct(module, tree)}
    assert found == set(_DIRECT)


def test_every_module_that_writes_is_asked(traces: dict[str, Trace]) -> None:
    """So that a new one is covered: its doing belongs into tests/support/planting.py."""
    writing = {
        module
        for module, tree in _modules().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == HELPER
        if _WRITERS & {alias.name for alias in node.names}
    }
    heard = {module for trace in traces.values() for module in trace.modules}
    assert writing - heard == set(_ELSEWHERE)


@pytest.mark.parametrize("doing", _QUICK, ids=lambda doing: doing.name)
def test_one_of_all(traces: dict[str, Trace], tmp_path: Path, doing: Doing) -> None:
    """Another one in every run of the test."""
    name, kind = random.choice(traces[doing.name].paths), random.choice(list(KINDS))
    outcome = planted(doing, name, kind, tmp_path)
    assert outcome.is_clean, outcome


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_digest_and_a_resumed_recording_by_every_kind(tmp_path: Path, kind: str) -> None:
    by_name = {doing.name: doing for doing in _QUICK}
    for doing, name in (
        ("rundown", "shelf/run/.digest.json"),
        ("recording resumed", "run/samples.csv"),
        ("recording resumed", "run/.reserve"),
        ("request", "shelf/run/.requests.jsonl"),
        ("calibration attached", "run/samples.csv-metadata.json"),
    ):
        outcome = planted(by_name[doing], name, kind, tmp_path)
        assert outcome.is_clean, outcome

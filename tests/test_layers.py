"""Data flows one way: firmware_probe -> logger -> run -> analysis; nothing imports upward."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LAYERS = ("firmware_probe", "logger", "analysis", "drawbench")


def _imported(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module.split(".")[0])
    return names


@pytest.mark.parametrize("layer", LAYERS[:-1])
def test_nothing_imports_upward(layer: str) -> None:
    above = set(LAYERS[LAYERS.index(layer) + 1 :])
    files = list((ROOT / layer).rglob("*.py"))
    assert files
    upward = {
        str(path.relative_to(ROOT)): sorted(_imported(path) & above)
        for path in files
        if _imported(path) & above
    }
    assert upward == {}


def test_starting_a_recording_imports_nothing_heavy() -> None:
    """``drawbench log`` must be up at once: no pandas, scipy or matplotlib in its imports."""
    import subprocess
    import sys

    code = (
        "import sys, drawbench; drawbench.cli.get_command(None, 'log'); "
        "print(sorted({'pandas', 'scipy', 'matplotlib', 'numpy'} & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert result.stdout.strip() == "[]"

"""The hooks before a commit run what CI runs for style, and fetch nothing."""

import re

import pytest

from tests.support.places import ROOT

STYLE = re.compile(r"^ *\.venv/bin/((?:ruff|mypy)\b.*)$", re.MULTILINE)


def test_hooks_and_ci_run_the_same_commands() -> None:
    script = ROOT / ".ci" / "run"
    if not script.exists():
        pytest.skip("not a clone: CI's script is not here")
    in_ci = STYLE.findall(script.read_text(encoding="utf-8"))
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert re.findall(r"exec ([^']+)'", hooks) == in_ci
    assert in_ci == ["ruff check .", "ruff format --check .", "mypy"]
    assert set(re.findall(r"repo: (\S+)", hooks)) == {"local"}
    assert set(re.findall(r"language: (\S+)", hooks)) == {"system"}

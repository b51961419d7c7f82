"""Completion by click's own means, through our clean streams and without importing the commands."""

import os
import subprocess
import sys

import pytest

from tests.support.places import ROOT


def asked(kind: str, words: str = "", at: int = 0, *code: str) -> str:
    more = {"COMP_WORDS": words, "COMP_CWORD": str(at), "_DRAWBENCH_COMPLETE": kind}
    done = subprocess.run(
        [sys.executable, *(code or ("-m", "drawbench"))], cwd=ROOT, env={**os.environ, **more}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@pytest.mark.real_time
def test_a_shell_gets_its_script_and_its_answers() -> None:
    for shell in ("bash", "zsh", "fish"):
        assert "_DRAWBENCH_COMPLETE" in asked(f"{shell}_source").upper()
    assert asked("bash_complete", "drawbench ru", 1) == "plain,rundown\n"
    assert asked("bash_complete", "drawbench rundown --cu", 2) == "plain,--cutoff\n"
    assert "elbow" in asked("bash_complete", "drawbench flex life x --at ", 5)
    code = (
        "import atexit, sys, drawbench\n"
        "loaded = lambda: print(sorted({'numpy', 'serial', 'rich'} & set(sys.modules)))\n"
        "atexit.register(loaded)\n"
        "drawbench.main()"
    )
    assert asked("bash_complete", "drawbench r", 1, "-c", code) == "plain,rundown\nplain,report\n[]\n"  # fmt: skip

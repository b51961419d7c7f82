"""Compiles small programs around the firmware's headers for this computer, and talks to them."""

import os
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import pytest

from tests.support.places import ROOT

_HERE: Final = Path(__file__).parent
_HEADERS: Final = ROOT / "firmware_probe"
_FLAGS: Final = (
    "-std=c++11",
    "-Wall",
    "-Wextra",
    "-Werror",
    "-O2",
    "-fsanitize=address,undefined",
    "-fno-sanitize-recover=all",
)


def build(name: str, folder: Path) -> Path:
    """Program from ``name``.cpp with the headers, checked by the sanitizers while it runs.

    Without a compiler the test is skipped, or fails if DRAWBENCH_REQUIRE_FIRMWARE is 1.
    """
    compiler = shutil.which("g++")
    if compiler is None:
        reason = "no C++ compiler: install g++ (Debian: sudo apt-get install g++)"
        if os.environ.get("DRAWBENCH_REQUIRE_FIRMWARE") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    program = folder / name
    command = [compiler, *_FLAGS, f"-I{_HEADERS}", str(_HERE / f"{name}.cpp"), "-o", str(program)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.fail(f"{' '.join(command)} failed:\n{done.stderr}")
    return program


class Headers:
    """The headers as a set of questions: see ``check.cpp`` for the words of each."""

    def __init__(self, program: Path) -> None:
        self._program = program

    def ask(self, questions: Iterable[str]) -> list[str]:
        """One answer line for each question line."""
        text = "".join(f"{question}\n" for question in questions)
        done = subprocess.run(
            [str(self._program)], input=text, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr[-2000:]
        return done.stdout.splitlines()

    def numbers(self, question: str) -> list[int]:
        """Answer of one question, as integers."""
        return [int(word) for word in self.ask([question])[0].split()]

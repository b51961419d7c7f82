"""Commands that come out of the shell as they went in: a POSIX shell itself, and the C runtime's rule on Windows."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.base.next_step import command_line, next_words

NAMES = ("plain", "with space", "it's", 'a "b"', "$HOME", "a;b&c|d", "*", "new~1", "", "ä", "-x")


@pytest.mark.skipif(os.name == "nt", reason="asks a POSIX shell")
@pytest.mark.parametrize("name", NAMES)
def test_a_posix_shell_gives_the_name_back(name: str) -> None:
    line = command_line("rundown", name, windows=False).removeprefix("drawbench ")
    script = f"{sys.executable} -c 'import sys; print(ascii(sys.argv[1:]))' {line}"
    said = subprocess.run(["sh", "-c", script], capture_output=True, text=True, check=True).stdout
    assert said.strip() == ascii(["rundown", name])


def parsed_on_windows(line: str) -> list[str]:
    """Arguments as Microsoft's C runtime documents it ("Parsing C command-line arguments"; from memory)."""
    found, current, quoted, begun, slashes = [], "", False, False, 0
    for sign in [*line, " "]:
        if sign == "\\":
            slashes += 1
            continue
        if sign == '"':
            current += "\\" * (slashes // 2)
            if slashes % 2:
                current += '"'
            else:
                quoted, begun = not quoted, True
        elif sign == " " and not quoted:
            current += "\\" * slashes
            if current or begun:
                found.append(current)
            current, begun = "", False
        else:
            current += "\\" * slashes + sign
        slashes = 0
    return found


@pytest.mark.slow
@given(st.lists(st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]) | st.sampled_from(' \\"')), max_size=4))  # fmt: skip
def test_windows_gives_the_arguments_back(names: list[str]) -> None:
    assert parsed_on_windows(command_line(*names, windows=True)) == ["drawbench", *names]


def test_a_path_is_no_option_and_drives_no_terminal() -> None:
    assert command_line("rundown", Path("-x"), windows=False).endswith(f" .{os.sep}-x")
    assert "\x1b" not in command_line(Path("a\x1b[2J"), windows=False)
    assert next_words(("Next", ["list"])) == "Next:\n  drawbench list"

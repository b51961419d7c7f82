"""Commands ready to paste: how every command says what to do next."""

import os
import re
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import Final

# Safe bare in the command prompt and in PowerShell alike.
_PLAIN_ON_WINDOWS: Final = re.compile(r"[A-Za-z0-9_./:\\=+-]+")


def command_line(*parts: str | Path, windows: bool = os.name == "nt") -> str:
    """``drawbench`` and these arguments as one line for the shell; a ``Path`` is never taken for an option.

    On Windows in double quotes, which the command prompt and PowerShell both understand; a name
    with ``%``, ``$`` or a backtick in it is safe only in one of them.
    """
    quote = _quoted_on_windows if windows else shlex.quote
    return " ".join(["drawbench", *(quote(_argument(part)) for part in parts)])


def next_words(*steps: tuple[str, Sequence[str | Path]]) -> str:
    """Each step: what it is for, and its command on a line of its own."""
    return "\n".join(f"{what}:\n  {command_line(*parts)}" for what, parts in steps)


def _argument(part: str | Path) -> str:
    # Control characters would drive the terminal that shows the line.
    text = "".join(sign if sign.isprintable() else "\ufffd" for sign in str(part))
    return f".{os.sep}{text}" if isinstance(part, Path) and text.startswith("-") else text


def _quoted_on_windows(text: str) -> str:
    if _PLAIN_ON_WINDOWS.fullmatch(text):
        return text
    # Backslashes count before a quote only (the C runtime's rule), so the last ones are doubled.
    inside = re.sub(r'(\\*)"', r'\1\1\\"', text)
    return '"' + re.sub(r"(\\+)$", r"\1\1", inside) + '"'

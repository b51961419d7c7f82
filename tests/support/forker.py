"""Starts many loggers fast: imports once, then forks a real process for each.

Run as a program it reads a JSON list of arguments per line and answers with a process id. Of another command than
`log` with its name: ``python -m tests.support.forker edit``.
"""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

from tests.support.log_process import environment
from tests.support.places import ROOT


class Forker:
    """``start`` gives the process id of a new ``drawbench log``."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.forker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment(),
            cwd=ROOT,
        )

    def __enter__(self) -> "Forker":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()

    def start(self, output: Path, *arguments: str | Path) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps([str(output), *map(str, arguments)]) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


def is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def main() -> None:
    import click
    import wakepy  # noqa: F401  # imported late by the logger; here once for all

    import drawbench

    command = sys.argv[1] if len(sys.argv) > 1 else "log"
    drawbench.cli.get_command(click.Context(drawbench.cli), command)  # loads it
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for line in sys.stdin:
        output, *arguments = json.loads(line)
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            log = os.open(output, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            null = os.open(os.devnull, os.O_RDONLY)
            for target, source in ((0, null), (1, log), (2, log)):
                os.dup2(source, target)
            sys.argv = ["drawbench", command, *arguments]
            drawbench.main()
            os._exit(0)
        sys.stdout.write(f"{child}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()

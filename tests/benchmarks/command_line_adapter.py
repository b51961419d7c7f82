"""The command line asked in this process: words in, exit code and all that it printed out."""

from collections.abc import Sequence

from click.testing import CliRunner

import drawbench


def run(words: Sequence[str]) -> tuple[int, str]:
    result = CliRunner().invoke(drawbench.cli, list(words), prog_name="drawbench")
    return result.exit_code, result.output

"""The command that a screen ends with: can it be read back?"""

import shlex

import drawbench


def read_back(line: str) -> list[str]:
    """The arguments of a command line, once its command has understood them."""
    assert line.startswith("  drawbench "), line
    name, *arguments = shlex.split(line)[1:]
    context = drawbench.cli.make_context("drawbench", [name])
    command = drawbench.cli.get_command(context, name)
    assert command is not None, line
    command.make_context(name, list(arguments), parent=context)
    return [name, *arguments]

"""Where the compiler put the sketch's variables: for poking them before the program begins."""

import re
import subprocess
from pathlib import Path


def symbol(elf: Path, name: str) -> str:
    """Linker's name of a variable of the sketch, ``name`` as it is written there."""
    done = subprocess.run(["avr-nm", str(elf)], capture_output=True, text=True, check=True)
    # Of file scope: _ZL, the length of the name, the name, maybe what the optimiser added.
    wanted = re.compile(rf"\S+ [bBdD] (_ZL{len(name)}{name}(?:\.\S+)?|{name})$")
    found = [match[1] for line in done.stdout.splitlines() if (match := wanted.match(line))]
    assert len(found) == 1, f"{name}: {found}"
    return found[0]

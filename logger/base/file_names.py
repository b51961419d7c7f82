"""Which names does Windows not take, or takes for something else without a word?

Rules: Microsoft, "Naming Files, Paths, and Namespaces" (from memory). The devices count with any ending (``nul.csv``)
and in any case; a dot or space at the end is dropped without a word; a colon makes a stream that no folder shows.
"""

import re
from pathlib import Path
from typing import Final

_DEVICES: Final = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³]) *(\..*)?", re.I)
_SIGNS: Final = frozenset('<>:"|?*') | {chr(code) for code in range(32)}


def why_not_on_windows(path: Path) -> str:
    """Why a part of this path cannot be the name of a file or folder there; empty if all can."""
    for name in path.parts:
        if name == path.anchor or name in (".", ".."):
            continue
        if _DEVICES.fullmatch(name):
            return f"{name} is the name of a device"
        if name[-1] in ". ":
            return f"{name!r} ends with a dot or a space, which Windows drops"
        if wrong := sorted(_SIGNS.intersection(name)):
            return f"{name!r} has a {wrong[0]!r} in it"
    return ""

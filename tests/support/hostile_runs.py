"""Runs as a stranger's stick could hold them: what should be a file is none, and what should be a number is none."""

import json
import os
import shutil
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

from logger.base.pack import Pack
from logger.run.description import Stop
from logger.run.format import DESCRIPTION_NAME, RUN_KEY, SAMPLES_NAME
from tests.support.page_bench import make_run

IS_ROOT: Final = hasattr(os, "geteuid") and os.geteuid() == 0
# What JSON can hold where something else is due.
ODD: Final[tuple[Any, ...]] = (
    None, True, -1, 0, 1e308, 10**400, float("nan"), float("-inf"), "", "x", "\u202e\x1b[2J", [], [1], ["x", {}],
    {}, {"x": 1}, [[[]]], [None, None, None],
)  # fmt: skip


def sound_run(folder: Path) -> Path:
    """A short run that every command takes."""
    make_run(
        folder,
        rows=400,
        state="ended",
        pack=Pack("alkaline", 3, "AA"),
        stop=Stop(cutoff_v=3.0, hold_s=1.0),
        marks=("lights on",),
        need_s=3600.0,
    )
    return folder


def _socket(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # a socket's path may have 108 letters
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(path.name)
    finally:
        os.chdir(here)


def _device(path: Path) -> None:
    if IS_ROOT:
        os.mknod(path, 0o600 | 0o020000, os.makedev(1, 5))  # zeros without end
    else:
        path.symlink_to("/dev/zero")


# What is no plain file, by name.
STRANGE: Final[dict[str, Callable[[Path], None]]] = {
    "pipe": os.mkfifo,
    "folder": os.mkdir,
    "socket": _socket,
    "device": _device,
    "link-to-device": lambda path: path.symlink_to("/dev/zero"),
    "link-to-nothing": lambda path: path.symlink_to(path.parent / "not-there"),
    "link-to-itself": lambda path: path.symlink_to(path),
}

_DESCRIPTIONS: Final[dict[str, bytes]] = {
    "empty": b"",
    "nul": b"\0" * 4096,
    "latin": '{"title": "Lampe für die Nacht"}'.encode("latin-1"),
    "cut": b'{"@con',
    "list": b"[]",
    "null": b"null",
    "number": b"12",
    "deep-lists": b"[" * 100_000,
    "deep-objects": b'{"a":' * 100_000,
    "long-number": b'{"a": ' + b"9" * 5000 + b"}",
    "own-is-a-list": json.dumps({RUN_KEY: []}).encode(),
    "own-is-text": json.dumps({RUN_KEY: "x"}).encode(),
    "schema-is-text": json.dumps({"tableSchema": "x", RUN_KEY: {}}).encode(),
    "columns-are-odd": json.dumps({"tableSchema": {"columns": [1, {}, {"name": 2}]}}).encode(),
}
_SAMPLES: Final[dict[str, bytes]] = {
    "empty": b"",
    "nul": b"\0" * 4096,
    "header": b"time_s,pack_v,current_ma\r\n",
    "text": b"what,is,this\r\n" * 50,
    "huge": b"time_s,pack_v,current_ma\r\n0,4.5,1e308\r\n1e308,4.4,-1e308\r\n1e309,1e999,nan\r\n",
    "not-numbers": b"time_s,pack_v,current_ma\r\n" + b"nan,inf,-inf\r\n" * 50,
    "one-row": b"time_s,pack_v,current_ma\r\n0,4.5,10\r\n",
    "same-time": b"time_s,pack_v,current_ma\r\n" + b"5,4.5,10\r\n" * 50,
    "long-line": b"time_s,pack_v,current_ma\r\n" + b"1" * 300_000 + b"\r\n",
    "quotes": b'time_s,pack_v,current_ma\r\n"0,4.5,10\r\n1,4.4,10\r\n' * 3,
    "utf-16": "time_s,pack_v\r\n0,4.5\r\n1,4.4\r\n".encode("utf-16"),
}


def hostile_runs(shelf: Path, sound: Path) -> Iterator[Path]:
    """Make one bad run after the other in ``shelf``, copies of ``sound`` with one thing wrong each."""

    def copy(name: str, spoiled: str) -> Path:
        folder = shelf / name
        shutil.copytree(sound, folder)
        (folder / spoiled).unlink()
        return folder / spoiled

    for name, plant in STRANGE.items():
        for spoiled in (DESCRIPTION_NAME, SAMPLES_NAME):
            path = copy(f"{spoiled}-{name}", spoiled)
            plant(path)
            yield path.parent
    for spoiled, contents in ((DESCRIPTION_NAME, _DESCRIPTIONS), (SAMPLES_NAME, _SAMPLES)):
        for name, content in contents.items():
            path = copy(f"{spoiled}-{name}", spoiled)
            path.write_bytes(content)
            yield path.parent
    path = copy("sparse", DESCRIPTION_NAME)
    with path.open("wb") as stream:
        stream.truncate(1 << 40)
    yield path.parent
    path = copy("sparse-samples", SAMPLES_NAME)
    with path.open("wb") as stream:
        stream.truncate(1 << 40)
    yield path.parent


def odd_descriptions(sound: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """The sound run's description with one field, or one field of a part of it, replaced by each of ``ODD``."""
    document = json.loads((sound / DESCRIPTION_NAME).read_bytes())
    own = document[RUN_KEY]
    places: list[tuple[Any, ...]] = [(key,) for key in own]
    places += [
        (key, inner) for key, part in own.items() if isinstance(part, dict) for inner in part
    ]
    places += [("events", 0, inner) for inner in own["events"][0]]
    for place in places:
        for value in ODD:
            changed = json.loads(json.dumps(document))
            part: Any = changed[RUN_KEY]
            for key in place[:-1]:
                part = part[key]
            part[place[-1]] = value
            yield f"{'.'.join(map(str, place))}={value!r}"[:80], changed

"""`drawbench edit` killed at random moments: are the samples what they were, and the description old or new, never half?

``python -m tests.benchmarks.faults_judge.edits [--kills 20] [--seed N]``. Half of the kills come at a moment drawn over the command's usual
length, half just after something in the run's folder changed, where a half-written file would be. The judge reads the files with
json alone.
"""

import argparse
import contextlib
import hashlib
import json
import os
import random
import resource
import shutil
import signal
import statistics
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests.benchmarks.faults_judge.fault import Fault, shown

ROOT: Final = Path(__file__).resolve().parents[3]
SAMPLE: Final = ROOT / "sample_runs"
KILLS: Final = 20
PATIENCE_S: Final = 60.0
SAMPLES: Final = "samples.csv"
DESCRIPTION: Final = "samples.csv-metadata.json"
NAMES: Final = (".digest.json", "photos")
OURS: Final = "urn:drawbench:run"


class Forks:
    """A program that has loaded the tool and forks an `edit` for each line: an interpreter's start is a second."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.forker", "edit"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )

    def __enter__(self) -> "Forks":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()

    def start(self, output: Path, *words: str) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps([str(output), *words]) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


@dataclass(frozen=True)
class State:
    """A run's folder as bytes say it."""

    samples: str
    description: bytes

    @property
    def ours(self) -> dict[str, Any] | None:
        """Our part of the description, or None if it is not whole."""
        try:
            told = json.loads(self.description)[OURS]
        except (ValueError, KeyError, TypeError):
            return None
        return told if isinstance(told, dict) else None


def look(run: Path) -> State:
    return State(
        hashlib.sha256((run / SAMPLES).read_bytes()).hexdigest(), (run / DESCRIPTION).read_bytes()
    )


def ended(process: int) -> bool:
    with contextlib.suppress(ProcessLookupError):
        os.kill(process, 0)
        return False
    return True


def wait_until(so: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not so() and time.monotonic() < end_s:
        pass


def edits_of(number: int) -> tuple[str, ...]:
    """One edit after another, each of which leaves another description behind."""
    at_min = 1 + number % 7
    return (
        ("--title", f"Edited {number}"),
        ("--trim", f"{at_min}min..{at_min + 20}min"),
        ("--notes", f"note {number} " + "x" * (200 * (number % 5))),
        ("--need", f"{2 + number % 9}h"),
        ("--undo",),
    )[number % 5]


def kill(process: int, run: Path, chance: random.Random, usual_s: float, *, aimed: bool) -> None:
    begun = run.stat().st_mtime_ns
    if aimed:
        wait_until(lambda: ended(process) or run.stat().st_mtime_ns != begun)
        time.sleep(chance.choice((0.0, chance.uniform(0.0, 0.001), chance.uniform(0.0, 0.004))))
    else:
        time.sleep(chance.uniform(0.0, 1.2 * usual_s))
    with contextlib.suppress(ProcessLookupError):
        os.kill(process, signal.SIGKILL)
    wait_until(lambda: ended(process))


def usual_length_s(forks: Forks, run: Path, said: Path) -> float:
    """How long an edit takes that nobody kills. Raises RuntimeError if it does nothing."""
    lengths = []
    for number in range(3):
        before, begun = look(run), time.monotonic()
        process = forks.start(said, str(run), "--title", f"Trial {number}")
        wait_until(lambda process=process: ended(process))  # type: ignore[misc]
        lengths.append(time.monotonic() - begun)
        if look(run).description == before.description:
            raise RuntimeError(f"edit does nothing: {said.read_text()[-500:]}")
    return statistics.median(lengths)


def wrong_with(run: Path, before: State, intended: bytes | None) -> str:
    """What is not as it may be after a kill, or nothing. ``intended``: the description of an undisturbed edit."""
    after = look(run)
    if after.samples != before.samples:
        return "samples changed"
    if after.description == before.description:
        return ""
    if after.ours is None:
        return "half a description"
    if intended is not None and without_times(after.ours) != without_times(intended_part(intended)):
        return "a description neither old nor new"
    return ""


def intended_part(description: bytes) -> Any:
    return json.loads(description)[OURS]


def without_times(part: Any) -> Any:
    """Moments of the edits themselves differ between a disturbed and an undisturbed one."""
    if isinstance(part, dict):
        return {k: without_times(v) for k, v in part.items() if k != "utc"}
    return [without_times(item) for item in part] if isinstance(part, list) else part


def killed(count: int = KILLS, seed: int = 1) -> Fault:
    """Each turn: the edit is done to a copy for what it should leave, then to the run, and killed."""
    chance = random.Random(seed)
    found: list[str] = []
    new = 0
    with tempfile.TemporaryDirectory() as place, Forks() as forks:
        run, said = Path(place) / "run", Path(place) / "said"
        said.touch()
        shutil.copytree(a_run(), run)
        usual_s = usual_length_s(forks, run, said)
        for number in range(count):
            copy = Path(place) / f"copy-{number}"
            shutil.copytree(run, copy)
            words = edits_of(number)
            process = forks.start(said, str(copy), *words)
            wait_until(lambda process=process: ended(process))  # type: ignore[misc]
            before = look(run)
            process = forks.start(said, str(run), *words)
            kill(process, run, chance, usual_s, aimed=number % 2 == 0)
            found.append(wrong_with(run, before, look(copy).description))
            new += look(run).description != before.description
            shutil.rmtree(copy)
        last = forks.start(said, str(run), "--title", "After all")
        wait_until(lambda: ended(last))
        if look(run).ours is None or b"After all" not in look(run).description:
            found.append("no edit possible afterwards: " + said.read_text()[-200:])
        left = sorted({item.name for item in run.iterdir()} - {*NAMES, *map_names(a_run())})
    return fault("edits killed", found, new, left)


def fault(name: str, found: list[str], new: int, left: list[str]) -> Fault:
    bad = [one for one in found if one]
    lost = sum(one == "samples changed" for one in bad)
    tried = len(found)
    note = f"new {new}, old {tried - new}; files left over after the next edit: {len(left)}"
    note += "".join(f"; {one}" for one in sorted(set(bad)))
    return Fault(name, tried, lost, len(bad) - lost, 0, "the next edit works", note)


def map_names(folder: Path) -> set[str]:
    return {item.name for item in folder.iterdir()}


def photo(number: int) -> bytes:
    """A PNG of one grey, 400 by 300, by the format's own rules."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        whole = kind + data
        return struct.pack(">I", len(data)) + whole + struct.pack(">I", zlib.crc32(whole))

    rows = (b"\x00" + bytes([number * 9 % 256]) * 400) * 300
    head = struct.pack(">IIBBBBB", 400, 300, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")  # fmt: skip


def named_photos(part: Any) -> Iterator[str]:
    """Every file name of a picture in the description's present part."""
    if isinstance(part, dict):
        for key, value in part.items():
            if key != "history":
                yield from named_photos(value)
    elif isinstance(part, list):
        for item in part:
            yield from named_photos(item)
    elif isinstance(part, str) and part.endswith((".jpg", ".jpeg", ".png", ".webp")):
        yield Path(part).name


def photos_killed(count: int = KILLS // 2, seed: int = 1) -> Fault:
    """A photo is in the description only if its file is there and whole."""
    chance = random.Random(seed)
    found: list[str] = []
    new = 0
    with tempfile.TemporaryDirectory() as place, Forks() as forks:
        run, said, picture = Path(place) / "run", Path(place) / "said", Path(place) / "wiring.png"
        said.touch()
        shutil.copytree(a_run(), run)
        usual_s = usual_length_s(forks, run, said)
        for number in range(count):
            picture.write_bytes(photo(number))
            before = look(run)
            process = forks.start(said, str(run), "--photo", str(picture), "--caption", f"No {number}")  # fmt: skip
            kill(process, run, chance, 1.5 * usual_s, aimed=number % 2 == 0)
            new += look(run).description != before.description
            there = {item.name: item.stat().st_size for item in run.rglob("*") if item.is_file()}
            named = set(named_photos(look(run).ours))
            missing = [name for name in named if not there.get(name)]
            found.append(
                wrong_with(run, before, None) or ("a photo named and not there" if missing else "")
            )
        process = forks.start(said, str(run), "--photo", str(picture), "--caption", "After all")
        wait_until(lambda: ended(process))
        if not named_photos_of(run):
            found.append("no photo possible afterwards: " + said.read_text()[-200:])
        kept = {item.name for item in run.rglob("*") if item.is_file()}
        left = sorted(kept - {*NAMES, *map_names(a_run())} - named_photos_of(run))
    return fault("photos killed", found, new, left)


def named_photos_of(run: Path) -> set[str]:
    return set(named_photos(look(run).ours))


def names_killed(count: int = KILLS // 2, seed: int = 1) -> Fault:
    """The folder has the old name or the new, and all of the run is in it."""
    chance = random.Random(seed)
    found: list[str] = []
    new = 0
    with tempfile.TemporaryDirectory() as place, Forks() as forks:
        home, said = Path(place) / "home", Path(place) / "said"
        said.touch()
        run = home / "run"
        shutil.copytree(a_run(), run)
        usual_s = usual_length_s(forks, run, said)
        for number in range(count):
            before, target = look(run), home / f"name-{number}"
            process = forks.start(said, str(run), "--name", target.name)
            kill(process, home, chance, 0.6 * usual_s, aimed=number % 2 == 0)
            there = [path for path in (run, target) if (path / SAMPLES).is_file()]
            if len(there) != 1 or len(list(home.iterdir())) != 1:
                found.append(f"{len(there)} folders of {sorted(map_names(home))}")
                break
            new += there[0] == target
            run = there[0]
            found.append(wrong_with(run, before, None))
    return fault("names killed", found, new, [])


def at_once(count: int = KILLS // 2) -> Fault:
    """Two edits of one run at the same moment: both are kept, or one is refused in words; none is lost unsaid."""
    lost, refused = 0, 0
    with tempfile.TemporaryDirectory() as place, Forks() as forks:
        run = Path(place) / "run"
        shutil.copytree(a_run(), run)
        for number in range(count):
            both = ("--title", f"Title {number}"), ("--author", f"Author {number}")
            said = [Path(place) / f"said-{number}-{which}" for which in "ab"]
            processes = [forks.start(out, str(run), *words) for out, words in zip(said, both, strict=True)]  # fmt: skip
            for process in processes:
                wait_until(lambda process=process: ended(process))  # type: ignore[misc]
            history = json.dumps((look(run).ours or {}).get("history"))
            for out, (_, value) in zip(said, both, strict=True):
                told = "drawbench: " in out.read_text()
                refused += told
                lost += not told and value not in history
    note = f"{2 * count - refused - lost} kept, {refused} refused in words"
    return Fault("two edits at once", 2 * count, lost, 0, 0, "each kept or refused", note)


def a_run() -> Path:
    """A sample run with samples and description of its own."""
    return next(path.parent for path in sorted(SAMPLE.rglob(DESCRIPTION)))


def rows(few: bool, seed: int) -> Iterator[Fault]:
    yield killed(8 if few else KILLS, seed)
    yield photos_killed(4 if few else KILLS // 2, seed)
    yield names_killed(4 if few else KILLS // 2, seed)
    yield at_once(4 if few else KILLS // 2)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=KILLS)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    half = asked.kills // 2
    judges = (killed, asked.kills), (photos_killed, half), (names_killed, half)
    return shown([*(judge(many, asked.seed) for judge, many in judges), at_once(half)])


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    sys.exit(main())

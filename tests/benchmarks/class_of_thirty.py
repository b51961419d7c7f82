"""A class of thirty through one command to reports, sheets, pictures and the overview: times, memory, links, and what a teacher sees.

``python -m tests.benchmarks.class_of_thirty [--kept FOLDER] [--hours 8] [--look FOLDER] [--loop 30] [--pictures]``. The folder of runs is made once (20 minutes of one
core for 8 h each; `class_pieces`) and kept in FOLDER. Then, each on a copy of its own without digests: a plain loop over
`drawbench report` (of ``--loop`` runs, evenly taken; 0: none), and the one command for all. Wall time, processor time of all processes, and the most memory that all of
them together had (psutil, looked at every quarter of a second). ``--look``: pictures of the pages, also in grey and 360 px wide, and of the sheets.
Ratios and times are printed; the exit code is 1 if a sound run was left out, a broken one not named, or a link of the overview leads nowhere.
"""

import argparse
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import psutil

from tests.benchmarks.class_pieces import HOURS, PIECES, TORN, make_class
from tests.support.places import ROOT

LOOKED_EVERY_S: Final = 0.25
ALL: Final = "report --overview"
NAMING: Final = (ALL, "list --overview")
LOOP: Final = "loop over report"
BROKEN: Final = {"damaged", "killed"}


@dataclass(frozen=True)
class Cost:
    """``processor_s``: of all processes; ``memory_mb``: the most that they had together; ``said``: their output."""

    wall_s: float
    processor_s: float
    memory_mb: float
    code: int
    said: str


def cost_of(commands: Sequence[Sequence[str]]) -> Cost:
    """Commands of `drawbench`, one after the other, each in a Python of its own."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    most_mb, code, said = 0.0, 0, []
    for words in commands:
        with tempfile.TemporaryFile("w+") as output:
            process = subprocess.Popen([sys.executable, "-m", "drawbench", *words], cwd=ROOT, stdout=output, stderr=subprocess.STDOUT)  # fmt: skip
            watched: list[float] = [0.0]
            watcher = threading.Thread(target=_watch, args=(process.pid, watched))
            watcher.start()
            code = max(code, process.wait())
            watcher.join()
            output.seek(0)
            said.append(output.read())
        most_mb = max(most_mb, *watched)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(time.monotonic() - begun, used_s, most_mb, code, "\n".join(said))


def _watch(pid: int, seen: list[float]) -> None:
    """Memory of a process and its children, without what they share with others where the system tells it."""
    try:
        top = psutil.Process(pid)
        while top.is_running() and top.status() != psutil.STATUS_ZOMBIE:
            seen.append(sum(_memory_mb(one) for one in (top, *top.children(recursive=True))))
            time.sleep(LOOKED_EVERY_S)
    except psutil.Error:
        return


def _memory_mb(process: psutil.Process) -> float:
    try:
        told = process.memory_info()
        return float(told.rss - getattr(told, "shared", 0)) / 1e6
    except psutil.Error:
        return 0.0


def fresh(kept: Path, place: Path) -> Path:
    """A copy of the class without anything that was reckoned before."""
    copied = place / "class"
    skip = shutil.ignore_patterns(".digest.json", "report", "sheet", "pictures", "overview")
    shutil.copytree(kept, copied, ignore=skip)
    return copied


def ways(folder: Path, overview: Path) -> dict[str, list[list[str]]]:
    return {
        "report --overview": [["report", str(folder), "--overview", str(overview)]],
        "report again": [["report", str(folder), "--overview", str(overview)]],
        "list --overview": [["list", str(folder), "--overview", str(overview)]],
        "list again": [["list", str(folder)]],
    }


def loop(kept: Path, place: Path, many: int) -> Cost:
    """`drawbench report` of so many runs, one after the other, scaled to all."""
    alone = fresh(kept, place / "loop")
    taken = PIECES[:: max(len(PIECES) // many, 1)][:many]
    cost = cost_of([["report", str(alone / piece.name)] for piece in taken])
    scale = len(PIECES) / len(taken)
    return replace(cost, wall_s=cost.wall_s * scale, processor_s=cost.processor_s * scale)


def measured(
    kept: Path, place: Path, loop_of: int, *, pictures: bool
) -> tuple[dict[str, Cost], Path, Path]:
    """Every way's cost; loop and one command on copies of their own, one after the other."""
    found: dict[str, Cost] = {}
    if loop_of:
        found[f"{LOOP} of {loop_of}"] = loop(kept, place, loop_of)
    together, overview = fresh(kept, place / "together"), place / "overview"
    for name, commands in ways(together, overview).items():
        found[name] = cost_of(commands)
        _print_screen(name, found[name])
    if pictures:
        found["pictures FOLDER"] = cost_of([["pictures", str(together)]])
    return found, together, overview


def _print_screen(name: str, cost: Cost) -> None:
    print(f"---- {name} (exit code {cost.code})\n{cost.said.rstrip()}\n")


def table(costs: dict[str, Cost]) -> Iterator[str]:
    yield f"{'way':24} {'wall s':>8} {'processor s':>12} {'on two cores':>13} {'memory MB':>10} {'code':>5}"
    for name, cost in costs.items():
        yield f"{name:24} {cost.wall_s:>8.1f} {cost.processor_s:>12.1f} {cost.processor_s / 2:>12.1f} {cost.memory_mb:>11.0f} {cost.code:>5}"
    for name, alone in costs.items():
        if name.startswith(LOOP):
            together = costs[ALL]
            yield f"{ALL}, sheets and overview in it, against the {name}: {together.wall_s / alone.wall_s:.2f} of the wall time, {together.processor_s / alone.processor_s:.2f} of the processor time"
    whole = costs[ALL]
    yield f"reports, sheets and the overview: {whole.wall_s:.1f} s here, {whole.processor_s / 2:.1f} s on two idle cores (wanted: under 60 s)"


def _findings(said: str) -> str:
    """Lines that speak of rows left out, of damage or gaps."""
    return "\n".join(line for line in said.splitlines() if re.search(r"left out|damage|gap|missing", line))  # fmt: skip


def left_out(folder: Path, costs: dict[str, Cost]) -> list[str]:
    """Sound runs without report or sheet, broken ones that nobody named."""
    wrong = []
    for piece in PIECES:
        run = folder / piece.name
        if piece.fate not in BROKEN:
            if not list(run.glob("report/report.html")):
                wrong.append(f"{piece.name}: no report")
            if not list(run.rglob("*.pdf")):
                wrong.append(f"{piece.name}: no sheet")
        elif piece.fate == "damaged":
            wrong += [f"{piece.name}, damaged, is not named by {name}" for name in NAMING if piece.name not in _findings(costs[name].said)]  # fmt: skip
    wrong += [f"{TORN}, torn, is not named by {name}" for name in NAMING if TORN not in costs[name].said]  # fmt: skip
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kept", type=Path, help="where the class is, or is made")
    parser.add_argument("--hours", type=float, default=HOURS)
    parser.add_argument("--look", type=Path, help="where pictures of all pages go")
    parser.add_argument("--pictures", action="store_true", help="`drawbench pictures` as well")
    parser.add_argument("--loop", type=int, default=len(PIECES), help="runs in the plain loop")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place_name:
        place = Path(place_name)
        kept = asked.kept or place / "kept"
        if not kept.exists() or (kept / ".made.json").exists():
            make_class(kept, hours=asked.hours, say=print)
        costs, folder, overview = measured(kept, place, asked.loop, pictures=asked.pictures)
        print("\n".join(table(costs)))
        wrong = left_out(folder, costs)
        if asked.look is not None:
            from tests.benchmarks.class_looks import looked_at

            wrong += looked_at(folder, overview, asked.look)
    print("\n".join(wrong) or "nothing left out, no link that leads nowhere")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())

"""A class's folder of thirty runs, 8 h at 2 rows a second: recorded from the simulated board through the real port, decoder and files.

Invented: lit night-ride vests and sashes of one course, named after pieces. Fifteen last, six are too short, three go dark (their converter
gives up above the cutoff), one is damaged in the middle, one came from another meter's text, one was never ended, two pieces
have three runs each, one title has an emoji. Beside them a 31st folder whose description is torn. ``python -m tests.benchmarks.class_pieces FOLDER NUMBER`` records one.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from firmware_probe.twin import vest
from firmware_probe.twin.links import best_link
from firmware_probe.twin.load import LoadProgramme
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.pack import parse_pack
from logger.recording.plan import Plan, prepare
from logger.recording.screen import choose_screen
from logger.recording.side_by_side import record
from tests.support.board_runs import run_of_board
from tests.support.places import ROOT

HOURS: Final = 8.0
WINDOW_US: Final = 500_000
CUTOFF_V: Final = 2.7
NEED_S: Final = 7.5 * 3600.0
PACK: Final = "3x AA alkaline"
KILLED_AFTER: Final = 0.55
BLOCK: Final = 4096
TORN, TORN_FROM = "ink-vest", "signal-vest"


@dataclass(frozen=True)
class Piece:
    """``brightness``: of the ride pattern; ``gives_up_v``: where its converter stops and stays off, None: below the cutoff.

    ``fate``: what became of its run: recorded, damaged, imported, killed.
    """

    name: str
    title: str
    brightness: float
    gives_up_v: float | None = None
    fate: str = "recorded"


def _nights(name: str, title: str, *brightness: float) -> tuple[Piece, ...]:
    return tuple(
        Piece(f"{name}-night-{n}", title, share) for n, share in enumerate(brightness, start=1)
    )


PIECES: Final = (
    *_nights("comet-sash", "Comet sash", 0.62, 0.64, 0.60),
    *_nights("owl-vest", "Owl vest", 1.02, 1.0, 1.05),
    Piece("fox-vest", "Fox vest 🦊", 0.7),
    Piece("lantern-vest", "Lantern vest", 0.66),
    Piece("moth-vest", "Moth vest", 0.72),
    Piece("heron-sash", "Heron sash", 0.58),
    Piece("beacon-vest", "Beacon vest", 0.75),
    Piece("tram-vest", "Tram vest, second wiring", 0.68),
    Piece("ember-vest", "Ember vest", 0.5),
    Piece("tide-sash", "Tide sash", 0.63),
    Piece("glass-vest", "Glass vest", 0.71),
    Piece("otter-vest", "Otter vest", 0.67),
    Piece("signal-vest", "Signal vest", 0.55),
    Piece("willow-sash", "Willow sash", 0.6),
    Piece("kite-vest", "Kite vest", 1.62),
    Piece("furnace-vest", "Furnace vest", 1.4),
    Piece("carnival-vest", "Carnival vest", 1.55),
    Piece("prism-vest", "Prism vest, all colours", 1.48),
    Piece("torch-sash", "Torch sash", 1.5),
    Piece("bonfire-vest", "Bonfire vest", 1.7),
    Piece("raven-vest", "Raven vest", 0.9, gives_up_v=3.3),
    Piece("eclipse-vest", "Eclipse vest", 0.8, gives_up_v=3.4),
    Piece("cellar-sash", "Cellar sash", 1.0, gives_up_v=3.2),
    Piece("harbour-vest", "Harbour vest", 0.7, fate="damaged"),
    Piece("meadow-vest", "Meadow vest", 0.65, fate="imported"),
    Piece("comet-vest", "Comet vest", 0.7, fate="killed"),
)  # fmt: skip


def programme(piece: Piece, number: int) -> LoadProgramme:
    made = vest.dimmed(vest.vest_programme(number), piece.brightness)
    if piece.gives_up_v is None:
        return made
    stays_off = replace(vest.CONVERTER, minimum_v=piece.gives_up_v, restart_v=4.6)
    return replace(made, converter=stays_off)


def board(piece: Piece, number: int) -> SimulatedBoard:
    return SimulatedBoard(
        vest.vest_pack(),
        programme(piece, number),
        vest.vest_sensor(number),
        seed=number,
        window_us=WINDOW_US,
    )


def record_one(folder: Path, number: int, hours: float) -> None:
    """Recorded as `drawbench log` records, the board played as fast as it can be read."""
    piece = PIECES[number]
    with BoardServer(board(piece, number), best_link(), time_factor=0.0) as served:
        plan = Plan(
            folder / piece.name,
            (served.port,),
            pack=PACK,
            cutoff_v=CUTOFF_V,
            need_s=NEED_S * hours / HOURS,
            duration_s=hours * 3600.0,
            title=piece.title,
            author="course in wearable electronics",
            load_note="24 addressable LEDs behind a 5 V boost converter",
            calibration=False,
        )
        record(prepare(plan, lambda _: None), choose_screen(plain=True))


def _start(folder: Path, number: int, hours: float) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "tests.benchmarks.class_pieces", str(folder), str(number), str(hours)]  # fmt: skip
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _killed(folder: Path, number: int, hours: float) -> None:
    """The computer went off in the middle: nothing says that the run is over."""
    process, samples = _start(folder, number, hours), folder / PIECES[number].name / "samples.csv"
    enough = int(KILLED_AFTER * hours * 7200)
    while process.poll() is None and _rows(samples) < enough:
        time.sleep(0.05)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()


def _rows(samples: Path) -> int:
    return samples.read_bytes().count(b"\n") if samples.exists() else 0


def _imported(folder: Path, number: int, hours: float) -> None:
    """What another meter wrote of this piece: semicolons, decimal commas, amperes, a row every half second."""
    piece = PIECES[number]
    samples = run_of_board(board(piece, number), hours * 3600.0, parse_pack(PACK)).samples
    lines = ["Time [s];Voltage [V];Current [A]"] + [
        f"{t:.1f};{v:.3f};{ma / 1000:.5f}".replace(".", ",")
        for t, v, ma in samples[["time_s", "pack_v", "current_ma"]].itertuples(index=False)
    ]
    text = folder / f"{piece.name}-meter.txt"
    text.write_text("\n".join(lines) + "\n", encoding="utf-8")
    command = ["-m", "drawbench", "import", str(text), str(folder / piece.name), "--pack", PACK, "--title", piece.title]  # fmt: skip
    subprocess.run([sys.executable, *command], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)


def damage(run: Path) -> None:
    """A block in the middle of the samples is zero, as after a power failure of the computer: some forty rows are gone."""
    samples = run / "samples.csv"
    data = bytearray(samples.read_bytes())
    middle = len(data) // 2 // BLOCK * BLOCK
    data[middle : middle + BLOCK] = bytes(min(BLOCK, len(data) - middle))
    samples.write_bytes(data)


def tear(run: Path, torn: Path) -> None:
    """A copy whose description ends in the middle: no longer a run that can be read."""
    shutil.copytree(run, torn)
    description = torn / "samples.csv-metadata.json"
    data = description.read_bytes()
    description.write_bytes(data[: len(data) // 2])


def make_class(
    folder: Path, *, hours: float = HOURS, say: Callable[[str], None] = lambda _: None
) -> None:
    """Record all of it; a run that is there already is kept, so that a stopped making goes on."""
    folder.mkdir(parents=True, exist_ok=True)
    done = folder / ".made.json"
    made: list[str] = json.loads(done.read_text()) if done.exists() else []
    for number, piece in enumerate(PIECES):
        if piece.name in made:
            continue
        say(f"{number + 1} of {len(PIECES)}: {piece.name} ({piece.fate})")
        if piece.fate == "killed":
            _killed(folder, number, hours)
        elif piece.fate == "imported":
            _imported(folder, number, hours)
        else:
            process = _start(folder, number, hours)
            if process.wait():
                raise RuntimeError(f"{piece.name}: exit code {process.returncode}")
        if piece.fate == "damaged":
            damage(folder / piece.name)
        made.append(piece.name)
        done.write_text(json.dumps(made))
    tear(folder / TORN_FROM, folder / TORN)
    done.unlink()


if __name__ == "__main__":
    record_one(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]))

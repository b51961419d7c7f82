"""A class's runs by formula: pieces of one make on three alkaline AA, most of them sound, some planted otherwise."""

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.base.pack import Pack
from tests.support.runs_by_formula import Floats, board_run, sampled_run, stop_at, stored

NEED_S: Final = 6 * 3600.0
CUTOFF_V: Final = 3.0
_NAMES: Final = (
    "Ember", "Comet", "Otter", "Lantern", "Firefly", "Heron", "Beacon", "Juniper", "Marble", "Willow", "Cobalt", "Tinsel",
)  # fmt: skip
# Where in the class something else happens.
DARK, DAMAGED, IMPORTED, SHORT, UNFINISHED, FIRST_OF_THREE = 1, 2, 3, 4, 6, 7


def falling_v(time_s: Floats, life_s: float) -> Floats:
    """4.7 V at first, the cutoff after ``life_s``: a quick drop, a long slope, a knee. From no data sheet."""
    part = time_s / life_s
    return np.asarray(4.7 - 0.35 * (1 - np.exp(-part / 0.03)) - 0.75 * part - 0.6 * part**8)


def sound_lives_s(count: int, seed: int, spread: float = 0.06) -> list[float]:
    """Lifetimes of sound pieces, mean 6 h 40 min, normal."""
    return [
        float(life)
        for life in 6.67 * 3600 * (1 + spread * np.random.default_rng(seed).normal(size=count))
    ]


def write_class(folder: Path, count: int, seed: int = 1, step_s: float = 60.0) -> list[Path]:
    """``count`` runs below ``folder``; from 12 on with the planted ones, one piece with three runs; some simulated from 20 on."""
    folders = []
    for number, life_s in enumerate(sound_lives_s(count, seed)):
        title = f"Vest {_NAMES[number % 12]}{'' if number < 12 else f' {number // 12 + 1}'}"
        planted = number if count >= 12 else -1
        if planted in range(FIRST_OF_THREE, FIRST_OF_THREE + 3):
            title = "Vest Juniper"
        changes: dict[str, Any] = {
            "title": title,
            "need_s": NEED_S,
            "stop": stop_at(CUTOFF_V, 60.0),
            "end_reason": "cutoff",
            "started_utc": f"2026-11-{1 + number % 28:02d}T18:00:00Z",
        }
        out = folder / f"vest-{number + 1:02d}"
        if planted == SHORT:
            life_s *= 0.55
        if planted == UNFINISHED:
            changes["end_reason"] = "user"
        if planted == IMPORTED:
            time_s = np.arange(0.0, 1.02 * life_s, step_s)
            kept = {key: changes[key] for key in ("title", "need_s", "stop")}
            run = sampled_run(
                time_s, falling_v(time_s, life_s), pack=Pack("alkaline", 3, "AA"), **kept
            )
        else:
            dark_s = 0.6 * life_s if planted == DARK else np.inf
            seen = 0.7 if planted in (DARK, UNFINISHED) else 1.02

            def volts(t: Floats, life_s: float = life_s, dark_s: float = float(dark_s)) -> Floats:
                return falling_v(np.minimum(t, dark_s), life_s) + np.where(t > dark_s, 0.25, 0.0)

            def draw(t: Floats, dark_s: float = float(dark_s)) -> Floats:
                return np.where(t > dark_s, 0.5, 190.0)

            run = board_run(volts, draw, seen * life_s, step_s, parts=2, **changes)
            if number >= 20 and number % 2 == 0 and run.description.board is not None:
                board = replace(run.description.board, firmware="simulated-1.0")
                run = replace(run, description=replace(run.description, board=board))
        folders.append(stored(out, run))
        if planted == DAMAGED:
            samples = out / "samples.csv"
            samples.write_bytes(b"\0" * 300 + samples.read_bytes()[:200])
    return folders

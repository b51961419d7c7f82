"""Text files as other meters and sketches write them."""

from pathlib import Path

import numpy as np
import pandas as pd


def write(folder: Path, text: str | bytes, name: str = "bench.txt") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def night_text(rows: int = 44_000) -> tuple[str, pd.DataFrame]:
    """Invented night of a sketch: raw, volts over 3.5 ohm, raw, pack volts, raw, milliseconds.

    13 h with one gap of 12 minutes and one loose contact; numbers padded with zeros.
    """
    rng = np.random.default_rng(20)
    steps = rng.integers(1040, 1052, rows)
    steps[0], steps[rows * 9 // 22] = 0, 720_000
    millis = 328_048 + np.cumsum(steps)
    pack_v = 1.471436 - 0.5 * np.linspace(0, 1, rows) ** 3 + rng.normal(0, 1e-3, rows)
    pack_v[rows * 15 // 22 :][:3] = 0.0
    shunt_v = pack_v * 0.2623
    raw = np.round(shunt_v / 0.000708).astype(int)
    raw_pack = np.round(pack_v / 0.000726).astype(int)
    lines = [
        f"{a:05d}\t{b:.6f}\t{c:05d}\t{d:.6f}\t{a:05d}\t{e}"
        for a, b, c, d, e in zip(raw, shunt_v, raw_pack, pack_v, millis, strict=True)
    ]
    truth = pd.DataFrame(
        {
            "time_s": (millis - millis[0]) / 1e3,
            "pack_v": np.round(pack_v, 6),
            "current_ma": np.round(np.round(shunt_v, 6) / 3.5 * 1e3, 4),
        }
    )
    return "\r\n".join(lines) + "\r\n", truth

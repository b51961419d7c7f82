"""A run that another meter wrote, within what its manual states: a share of the reading and some counts.

Gain and zero are the meter's own, the same in all its readings, uniform within the manual's limits (JCGM 100 4.3.7);
the display rounds to its count. Clock: crystal or resonator, as of ``datasheet_boards.errors``.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from tests.benchmarks.measurement_judge.cases import draw_load, draw_pack
from tests.support.datasheet_boards.errors import CRYSTAL, RESONATOR
from tests.support.datasheet_boards.packs import CHEMISTRIES, make_world

Floats = npt.NDArray[np.float64]

RUN_S: Final = 600.0
EVERY_S: Final = 1.0
SHARE_V, DIGITS_V, COUNT_V = 0.005, 2, 0.001
SHARE_A, DIGITS_A, COUNT_MA = 0.01, 3, 0.1
MANUAL: Final = (
    f"V: {100 * SHARE_V:g}% + {DIGITS_V} digits, A: {100 * SHARE_A:g}% + {DIGITS_A} digits"
)
_BOARDS: Final = 20_000


@dataclass(frozen=True)
class ForeignRun:
    """``text``: the meter's file; ``true``: by the names of ``score``; ``ideal``: least widths for the same errors."""

    text: str
    chemistry: str
    true: dict[str, float]
    ideal: dict[str, float]


def foreign_run(seed: int) -> ForeignRun:
    """A steady load on a pack for ten minutes, read once a second."""
    rng = np.random.default_rng([seed, 18])
    chemistry = CHEMISTRIES[seed % len(CHEMISTRIES)]
    load = draw_load("constant", rng)
    pack, _ = draw_pack(chemistry, load, rng)
    world = make_world(load, pack, RUN_S)
    shares, zeros, clock = _errors(rng, 1)
    at_s = np.arange(0.0, RUN_S, EVERY_S)
    true_v, true_ma = world.pack_v(at_s, at_s + 1e-3), np.full(len(at_s), 1e3 * load.mean_a)
    volts = np.round((true_v * (1 + shares[0]) + zeros[0]) / COUNT_V) * COUNT_V
    amps = np.round((true_ma * (1 + shares[1]) + zeros[1]) / COUNT_MA) * COUNT_MA
    told_s = at_s * (1 + clock)
    rows = [f"{t:.3f},{v:.3f},{a:.1f}" for t, v, a in zip(told_s, volts, amps, strict=True)]
    seconds, mean_ma = float(at_s[-1]), 1e3 * load.mean_a
    true = {
        "charge": mean_ma * seconds / 3600,
        "energy": float(world.energy_ws(np.array([seconds]))[0]) / 3.6,
        "mean": mean_ma,
    }
    return ForeignRun(
        "\n".join(["time (s),voltage (V),current (mA)", *rows]) + "\n",
        chemistry.label,
        true,
        _ideal(true, float(true_v.mean())),
    )


def _errors(rng: np.random.Generator, n: int) -> tuple[Floats, Floats, Floats]:
    """Shares of V and mA, zeros of both, clock; (2, n), (2, n), (n,)."""
    shares = rng.uniform(-1, 1, (2, n)) * np.array([[SHARE_V], [SHARE_A]])
    zeros = rng.uniform(-1, 1, (2, n)) * np.array([[DIGITS_V * COUNT_V], [DIGITS_A * COUNT_MA]])
    clock = rng.uniform(-1, 1, n) * np.where(rng.uniform(size=n) < 0.5, CRYSTAL, RESONATOR)
    return shares, zeros, clock


def _ideal(true: dict[str, float], mean_v: float) -> dict[str, float]:
    """Central 95 % of the errors of many such meters."""
    shares, zeros, clock = _errors(np.random.default_rng(3), _BOARDS)
    current = shares[1] + zeros[1] / true["mean"]
    power = current + shares[0] + zeros[0] / mean_v
    errors = {"charge": current + clock, "energy": power + clock, "mean": current}
    low_high = {name: np.percentile(error, (2.5, 97.5)) for name, error in errors.items()}
    return {name: float(high - low) * true[name] for name, (low, high) in low_high.items()}

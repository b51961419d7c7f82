"""Pairs of runs before and after a wash, from closed forms: to judge whether a piece is dry. Imports nothing of the tool.

- Leak: a wet film between two conductors, R0 = g / (sigma h l): gap 0.5 to 3 mm, film 0.05 to 0.5 mm thick and 5 to 30 mm
  long; sigma 0.05 S/m tap water, 0.2 rinse with some detergent left, 1 S/m sweat (all from memory). It dries:
  R = R0 exp(t / tau), tau 1 min to 1 h. Water conducts little below its decomposition voltage, about 1.4 V with
  overvoltage (from memory): I = (V - 1.4) / R.
- Loads: constant current, resistor, plain LEDs (V - Vf) / R, boost P / V; with a lamp's or LED's warming-up, the same in both runs.
- Pack: V0 - a (1 - exp(-t / 60 s)) - b t: recovers and sags like cells at the beginning of a load (from memory).
- Board: one, or two unlike ones: offset within 100 uV over the shunt, gain within 0.5 % and the shunt within 1 %
  (TI SBOS448, tests/SOURCES.md C3; 1 % shunts are common practice).
All pieces are invented.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
ROW_S: Final = 1.0
WATER_V: Final = 1.4
SIGMA_S_M: Final = {"tap water": 0.05, "rinse": 0.2, "sweat": 1.0}
LOADS: Final = ("current", "resistor", "leds", "boost")
CONTROLS: Final = ("same", "other voltage", "other mode", "other board", "mode changes")


@dataclass(frozen=True)
class Measured:
    """One run: time at each row's end, voltage and current as the board shows them; shape (rows,)."""

    time_s: Array
    volts: Array
    current_ma: Array


@dataclass(frozen=True)
class Washed:
    """``leak_ma``: mean leak of the first minute, 0 where it is dry; ``same_board``: one board measured both."""

    name: str
    leak_ma: float
    draw_ma: float
    same_board: bool
    before: Measured
    after: Measured


@dataclass(frozen=True)
class _Piece:
    load: str
    nominal_v: float
    draw_ma: float
    forward_v: float
    warm: float
    noise: float

    def current_ma(self, volts: Array, time_s: Array) -> Array:
        base = self.draw_ma * (1 + self.warm * np.exp(-time_s / 90))
        if self.load == "resistor":
            return base * volts / self.nominal_v
        if self.load == "leds":
            over = np.clip(volts - self.forward_v, 0, None)
            return base * over / (self.nominal_v - self.forward_v)
        return base * self.nominal_v / volts if self.load == "boost" else base + 0 * volts


def leak_ohm(rng: np.random.Generator) -> tuple[float, str]:
    water = str(rng.choice(list(SIGMA_S_M)))
    gap, thick, wide = rng.uniform(0.5, 3), rng.uniform(0.05, 0.5), rng.uniform(5, 30)
    # All in millimetres: 1000 / mm is 1 / m.
    return 1000 * gap / (SIGMA_S_M[water] * thick * wide), water


def dry_pair(kind: str, seed: int) -> Washed:
    rng = np.random.default_rng([seed, CONTROLS.index(kind)])
    return _pair(rng, kind, np.inf, 1.0, f"dry, {kind}")


def wet_pair(seed: int) -> Washed:
    """The same pack and mode, mostly the same board: what remains is the leak."""
    rng = np.random.default_rng([seed, 99])
    ohm, water = leak_ohm(rng)
    tau_s = float(np.exp(rng.uniform(np.log(60), np.log(3600))))
    kind = "other board" if rng.random() < 0.3 else "same"
    return _pair(rng, kind, ohm, tau_s, f"{water}, {kind}")


def _pair(rng: np.random.Generator, kind: str, ohm: float, tau_s: float, name: str) -> Washed:
    load = str(rng.choice(LOADS))
    nominal_v = float(rng.choice([3.0, 3.7, 4.5]))
    piece = _Piece(
        load,
        nominal_v,
        float(np.exp(rng.uniform(np.log(5), np.log(300)))),
        nominal_v - rng.uniform(1.0, 1.8),
        rng.uniform(0, 0.02),
        rng.uniform(0.001, 0.01),
    )
    seconds = float(rng.choice([120, 300, 600]))
    board, second = _board(rng), _board(rng)
    same_board = kind != "other board"
    ratio = (
        rng.uniform(0.87, 1.13) if kind == "other voltage" else 1 + 0.004 * rng.standard_normal()
    )
    factor = rng.choice([0.3, 0.6, 1.7, 3.0]) if kind == "other mode" else 1.0
    before, _ = _measured(rng, piece, nominal_v, board, seconds)
    mode = (float(rng.uniform(15, 100)), float(rng.choice([0.4, 2.0]))) if kind == "mode changes" else (np.inf, 1.0)  # fmt: skip
    changed = _Piece(
        load, nominal_v, factor * piece.draw_ma, piece.forward_v, piece.warm, piece.noise
    )
    after, leak = _measured(
        rng,
        changed,
        ratio * nominal_v,
        board if same_board else second,
        seconds,
        (ohm, tau_s),
        mode,
    )
    return Washed(f"{name}, {load}", leak, piece.draw_ma, same_board, before, after)


def _board(rng: np.random.Generator) -> tuple[float, float]:
    """Offset in mA over 0.1 ohm, and gain."""
    return 1.0 * float(np.clip(rng.normal(0, 0.33), -1, 1)), 1 + float(
        np.clip(rng.normal(0, 0.004), -0.015, 0.015)
    )


def _measured(
    rng: np.random.Generator,
    piece: _Piece,
    start_v: float,
    board: tuple[float, float],
    seconds: float,
    leak: tuple[float, float] = (np.inf, 1.0),
    mode: tuple[float, float] = (np.inf, 1.0),
) -> tuple[Measured, float]:
    """What the board shows, and the true mean leak of the first minute, mA."""
    parts = 10
    inner_s = (np.arange(round(seconds) * parts) + 0.5) / parts
    sag, slope = rng.uniform(0.0, 0.02), rng.uniform(0, 0.01) / 600
    volts = start_v * (1 - sag * (1 - np.exp(-inner_s / 60)) - slope * inner_s)
    drawn = piece.current_ma(volts, inner_s) * np.where(inner_s >= mode[0], mode[1], 1.0)
    leaked = 1000 * np.clip(volts - WATER_V, 0, None) / (leak[0] * np.exp(inner_s / leak[1]))
    rows = (round(seconds), parts)
    true_ma = (drawn + leaked).reshape(rows).mean(axis=1)
    scatter = piece.noise * piece.draw_ma * rng.standard_normal(len(true_ma)) + 0.05 * rng.standard_normal(len(true_ma))  # fmt: skip
    offset, gain = board
    shown = gain * (true_ma + scatter) + offset
    return (
        Measured(
            np.arange(1.0, round(seconds) + 1),
            volts.reshape(rows).mean(axis=1) + 0.002 * rng.standard_normal(rows[0]),
            shown,
        ),
        float(leaked[inner_s < 60].mean()),
    )

"""Budgets drawn at random, so that nothing fits thirty by heart: other figures, hours, boards and faults from each seed.

The fault is one that its run can show: at least so much more than its tolerance, and than what the board's
zero may be off. Figures that no run can tell apart, as they are on in the same modes, are all right answers.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from tests.support.known_budgets import HAT, NOT_LISTED, PENDANT, VEST, KnownBudget
from tests.support.true_pieces import (
    EFFICIENCY,
    Piece,
    jittered,
    mode_ma,
    nominal_v,
    with_ma,
    with_use,
)

KINDS: Final = ("figure", "figure", "figure", "part missing", "efficiency", "sound")
# Beyond the tolerance by this factor; of a mode's current; beyond the zero of a board as bought, in mA.
_BEYOND: Final = 2.5
_SHARE_LEAST: Final = 0.08
_SHIFT_LEAST_MA: Final = {"INA219": 6.0, "INA226": 1.5}


def patterns(piece: Piece) -> dict[str, tuple[float, ...]]:
    """Share of time of each figure in each mode, scaled to a greatest of 1: ``part: state`` -> shares."""
    found: dict[str, tuple[float, ...]] = {}
    for part, states in piece.parts.items():
        for state in states:
            shares = []
            for mode in piece.modes.values():
                use = mode.use.get(part, {})
                shares.append(float(use == state) if isinstance(use, str) else use.get(state, 0.0))
            if max(shares) > 0:
                found[f"{part}: {state}"] = tuple(share / max(shares) for share in shares)
    return found


def alike(piece: Piece, pattern: tuple[float, ...]) -> frozenset[str]:
    """Figures that are on in these modes and no others."""
    return frozenset(label for label, own in patterns(piece).items() if np.allclose(own, pattern))


def drawn_piece(rng: np.random.Generator) -> Piece:
    """One of the three pieces with its own figures, hours and converter."""
    base = (VEST, PENDANT, HAT)[rng.integers(3)]
    parts = {
        name: {
            state: round(ma * float(np.exp(rng.normal(0, 0.3))), 2) for state, ma in states.items()
        }
        for name, states in base.parts.items()
    }
    modes = {
        name: replace(
            mode, hours=round(float(rng.uniform(0.3, 4)), 1), seconds=float(rng.integers(120, 300))
        )
        for name, mode in base.modes.items()
    }
    piece = replace(base, parts=parts, modes=modes)
    return replace(piece, efficiency=float(rng.uniform(0.8, 0.92))) if base is VEST else piece


def _fault(piece: Piece, kind: str, rng: np.random.Generator) -> tuple[Piece, frozenset[str]]:
    """The true piece, and what is right to name."""
    if kind == "sound":
        return piece, frozenset()
    if kind == "efficiency":
        return replace(piece, efficiency=piece.efficiency * rng.uniform(0.6, 0.85)), frozenset(
            {EFFICIENCY}
        )
    if kind == "part missing":
        ma = {"on": float(rng.uniform(4, 30))}
        true = replace(
            piece, parts={**piece.parts, "other": ma}, tolerance={**piece.tolerance, "other": 0}
        )
        for mode in piece.modes:
            true = with_use(true, mode, "other", "on")
        return true, alike(piece, (1.0,) * len(piece.modes)) | {NOT_LISTED}
    used = patterns(piece)
    label = sorted(used)[rng.integers(len(used))]
    part, state = label.split(": ")
    more = rng.uniform() < 0.7
    share = np.exp(rng.uniform(np.log(0.25), np.log(3.0))) if more else -rng.uniform(0.25, 0.7)
    true = with_ma(piece, part, state, piece.parts[part][state] * (1 + float(share)))
    return true, alike(piece, used[label])


def _can_be_seen(believed: Piece, true: Piece, chip: str) -> bool:
    """Some mode draws clearly other than its tolerances and the board's zero allow."""
    volts = nominal_v(true.chemistry)
    for mode in believed.modes:
        own, other = mode_ma(believed, mode, volts), mode_ma(true, mode, volts)
        tolerance = max(believed.tolerance.values()) / 100
        least = max(_SHIFT_LEAST_MA[chip], own * max(_SHARE_LEAST, _BEYOND * tolerance))
        if abs(other - own) >= least:
            return True
    return False


def drawn_budgets(count: int, seed: int = 0) -> Iterator[KnownBudget]:
    """So many, one after the other; the same for the same seed."""
    rng, made = np.random.default_rng([seed, 2718]), 0
    while made < count:
        piece = drawn_piece(rng)
        kind = KINDS[rng.integers(len(KINDS))]
        if kind == "efficiency" and piece.converter != "boost":
            kind = "figure"
        chip = ("INA219", "INA226")[rng.integers(2)]
        true, culprits = _fault(piece, kind, rng)
        if kind != "sound" and not _can_be_seen(piece, true, chip):
            continue
        made += 1
        shown = jittered(true, culprits, 1000 * seed + made)
        label = next(iter(sorted(culprits)), "nothing")
        name = f"drawn {seed}-{made}, {label.replace(':', '')}"
        yield KnownBudget(name, kind, piece, shown, culprits, chip=chip)

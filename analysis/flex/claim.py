"""What a flex test is to show, and what counting alone, or a stated shape, shows of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.doubt.quantity import Quantity
from analysis.flex.bend import Acceleration
from analysis.life.data import Lives
from analysis.life.demonstration import (
    check_share,
    reliability_lower,
    reliability_lower_stated_shape,
    reliability_upper,
    specimens_needed,
)
from analysis.life.interval import Method
from logger.base.errors import BenchError


@dataclass(frozen=True)
class Claim:
    """What is to be shown: ``reliability`` after ``target_cycles`` at ``confidence`` (shares).

    ``target_words``: the target as the user thinks of it, e.g. ``12 evenings (4,800 bends)``.
    ``target_cycles`` None: no target given. ``shape``: a stated Weibull shape, an assumption.
    ``acceleration``: with it ``target_cycles`` are bends on the bench.
    """

    target_cycles: float | None = None
    target_words: str = ""
    reliability: float = 0.9
    confidence: float = 0.9
    coverage: float = 0.9
    method: Method = "calibrated"
    shape: float | None = None
    acceleration: Acceleration | None = None

    def __post_init__(self) -> None:
        check_share(self.reliability, "reliability")
        check_share(self.confidence, "confidence")
        check_share(self.coverage, "coverage")
        if self.confidence <= 0.5:
            raise BenchError(
                f"A confidence of {self.confidence * 100:g} % is a coin's toss.",
                next_step="give more than 50 %, usually 90.",
            )
        if self.target_cycles is not None and not 0 < self.target_cycles < 1e12:
            raise BenchError(
                f"A target of {self.target_cycles:g} cycles cannot be reckoned with.",
                next_step="give the bends it must survive, e.g. --cycles 4800.",
            )


@dataclass(frozen=True)
class Count:
    """What counting alone shows: ``failures`` of ``specimens`` that were run to the target or broke before.

    ``strips``: how many they were cut from, 0 where each stands by itself; then strips are counted,
    ``effective`` of them, a strip of which a part failed as that part. ``flattered``: counted as single joints it would be shown.
    """

    specimens: int
    failures: int
    reliability_lower: Quantity
    reliability_upper: float | None
    needed: int
    needed_clean: int
    strips: int
    effective: float
    flattered: bool

    @property
    def upper(self) -> float:
        """Upper bound of the share that survives; 1 where no specimen counts."""
        return 1.0 if self.reliability_upper is None else self.reliability_upper

    @property
    def more(self) -> int:
        """Further specimens (or strips) without a failure that would show it."""
        return max(self.needed - int(self.effective), 0)


def count_shown(lives: Lives, claim: Claim, strips: Sequence[str] = ()) -> Count:
    """Binomial count at the target. A piece that stopped whole before it does not count, one that may
    have broken before it does as broken; for the upper bound only one that surely has.

    ``strips``: of each piece, in the order of ``lives``; empty words stand by themselves.
    """
    assert claim.target_cycles is not None
    target, sure = claim.target_cycles, claim.confidence
    failed = np.isfinite(lives.upper)
    broken = failed & ((lives.upper <= target) | (lives.lower < target))
    survived = (lives.lower >= target) & ~broken
    certain = failed & (lives.upper <= target)
    failures, specimens = int(broken.sum()), int((broken | survived).sum())
    shared = _strips_of(strips, broken | survived)
    if shared:
        bad = sum(float(broken[members].mean()) for members in shared)
        surely = sum(float(certain[members].mean()) for members in shared)
        effective = float(len(shared))
    else:
        bad, surely, effective = float(failures), float(certain.sum()), float(specimens)
    lower = reliability_lower(effective, bad, sure) if specimens else 0.0
    plain = reliability_lower(specimens, failures, sure) if specimens else 0.0
    counted = f"counted: {failures} of {specimens} failed before the target (Clopper-Pearson)"
    return Count(
        specimens,
        failures,
        Quantity(
            (specimens - failures) / specimens if specimens else None,
            "",
            lower,
            None,
            sure,
            f"one-sided lower bound, {counted}"
            + (f", {len(shared)} strips as one each" if shared else ""),
        ),
        reliability_upper(effective, surely, sure) if specimens else None,
        specimens_needed(claim.reliability, sure, int(np.ceil(bad - 1e-9))),
        specimens_needed(claim.reliability, sure),
        len(shared),
        effective,
        bool(shared) and plain >= claim.reliability,
    )


def _strips_of(strips: Sequence[str], counts: NDArray[np.bool_]) -> list[list[int]]:
    """Places of the pieces that count, by strip; nothing where no strip holds two."""
    members: dict[str, list[int]] = {}
    for place, strip in enumerate(strips):
        if counts[place]:
            members.setdefault(strip or f"\0{place}", []).append(place)
    return list(members.values()) if any(len(places) > 1 for places in members.values()) else []


def stated_shape_shown(lives: Lives, claim: Claim) -> Quantity | None:
    """Reliability at the target if the Weibull shape is the one that the user states; None without both."""
    if claim.shape is None or claim.target_cycles is None or lives.lower.max() <= 0:
        return None
    lower = reliability_lower_stated_shape(
        np.repeat(lives.lower, lives.weights.astype(int)),
        int(lives.failures),
        claim.shape,
        claim.confidence,
        claim.target_cycles,
    )
    return Quantity(
        lower,
        "",
        lower,
        None,
        claim.confidence,
        f"one-sided lower bound if the Weibull shape is {claim.shape:g}, which is an assumption",
    )

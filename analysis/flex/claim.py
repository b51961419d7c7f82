"""What a flex test is to show, and what counting alone, or a stated shape, shows of it."""

from dataclasses import dataclass

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.life.data import Lives
from analysis.life.demonstration import (
    check_share,
    reliability_lower,
    reliability_lower_stated_shape,
    specimens_needed,
)
from analysis.life.interval import Method
from logger.base.errors import BenchError


@dataclass(frozen=True)
class Claim:
    """What is to be shown: ``reliability`` after ``target_cycles`` at ``confidence`` (shares).

    ``target_words``: the target as the user thinks of it, e.g. ``12 evenings (4,800 bends)``.
    ``target_cycles`` None: no target given. ``shape``: a stated Weibull shape, an assumption.
    """

    target_cycles: float | None = None
    target_words: str = ""
    reliability: float = 0.9
    confidence: float = 0.9
    coverage: float = 0.9
    method: Method = "calibrated"
    shape: float | None = None

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
    """What counting alone shows: ``failures`` of ``specimens`` that were run to the target or broke before."""

    specimens: int
    failures: int
    reliability_lower: Quantity
    needed: int

    @property
    def more(self) -> int:
        """Further specimens without a failure that would show it."""
        return max(self.needed - self.specimens, 0)


def count_shown(lives: Lives, claim: Claim) -> Count:
    """Binomial count at the target. A piece that stopped whole before it does not count, one that may
    have broken before it does as broken."""
    assert claim.target_cycles is not None
    target = claim.target_cycles
    failed = np.isfinite(lives.upper)
    broken = failed & ((lives.upper <= target) | (lives.lower < target))
    survived = lives.lower >= target
    survived &= ~broken
    failures, specimens = int(broken.sum()), int((broken | survived).sum())
    lower = reliability_lower(specimens, failures, claim.confidence) if specimens else 0.0
    return Count(
        specimens,
        failures,
        Quantity(
            (specimens - failures) / specimens if specimens else None,
            "",
            lower,
            None,
            claim.confidence,
            f"one-sided lower bound, counted: {failures} of {specimens} failed before the target (Clopper-Pearson)",
        ),
        specimens_needed(claim.reliability, claim.confidence, failures),
    )


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

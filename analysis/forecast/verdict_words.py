"""The verdict on a run that goes on, the forecast beside the lifetime, and what one run's verdict covers."""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.curve.rate import USUAL_EXPONENT, runtime_in_cold
from analysis.doubt.quantity import Quantity
from analysis.forecast.chemistry_prior import capacity_prior, families
from analysis.forecast.forecast import FORESEEN, Forecast
from analysis.forecast.words import forecast_words
from analysis.run.lifetime import End, Lifetime
from analysis.run.rundown import Rundown
from analysis.run.verdict import Ahead, Answer, Verdict, verdict, verdict_ahead
from analysis.say.words import span_words
from logger.base.pack import RECHARGEABLE, Pack
from logger.base.wall_clock import wall_clock
from logger.run.description import Description

# Two packs of the spread that one is believed to come from: their difference is wider by the root of two.
_NINE_IN_TEN: Final = 1.645 * math.sqrt(2)
_STEP_S: Final = 1800.0


def with_life(found: Forecast, life: Lifetime) -> Forecast:
    """The forecast, or what stands in its place where the piece has given up, or may have."""
    found = replace(found, life=life)
    if life.end in (End.RUNNING, End.CUTOFF):
        return found
    if life.ended:
        nothing_left = np.full(1, life.time.value)
        return replace(
            found, basis="ended", why=f"{life.end}: {life.evidence}", draws_s=nothing_left, fan=None, at_least_s=None,
            cutoff_time=(life.time, life.time),
        )  # fmt: skip
    if life.end is End.UNSURE and any(item.end is End.RUNNING for item in life.readings):
        return replace(
            found,
            warnings=(
                f"It may have given up after {_after(life)}: {life.evidence}.",
                *found.warnings,
            ),
        )
    nothing = Quantity(None, "s", note=life.evidence)
    return replace(
        found, basis="unclear", why=life.evidence, cutoff_time=(nothing, nothing), draws_s=np.empty(0), fan=None,
        at_least_s=None,
    )  # fmt: skip


def _after(life: Lifetime) -> str:
    return span_words(life.least_s)


def live_verdict(
    found: Forecast, description: Description, need_s: float | None = None, earlier: str = ""
) -> Verdict | None:
    """The verdict on a run as of now; None where nothing was needed and nothing is foreseen.

    ``need_s``: None: the run's own. ``earlier``: what earlier runs of the piece say.
    """
    need_s = description.need_s if need_s is None else need_s
    clock = wall_clock(description.started_utc, simulated=description.simulated)
    life = found.life
    if life is not None and (life.ended or found.basis == "unclear" or _in_doubt(life, need_s)):
        return None if need_s is None else verdict(need_s, life, clock)
    chance = None if need_s is None else found.chance_beyond(need_s)
    return verdict_ahead(need_s, Ahead(found.now_s, found.cutoff_time[1], chance), clock, earlier)


def _in_doubt(life: Lifetime, need_s: float | None) -> bool:
    """Whether it may have given up before it was needed no more."""
    return life.end is End.UNSURE and need_s is not None and life.least_s < need_s


def told_words(
    found: Forecast, description: Description, need_s: float | None = None, earlier: str = ""
) -> list[str]:
    """A forecast in a few plain paragraphs, the verdict first where a need is known; ``earlier`` as above.

    While it is too early to say no number of the forecast is told: a fresh pack's first hour frightens for nothing.
    """
    need_s = description.need_s if need_s is None else need_s
    now = live_verdict(found, description, need_s, earlier)
    if now is not None and now.answer is Answer.EARLY and found.basis in FORESEEN:
        return [f"{now.words.rstrip('.')}.", *([found.load_text] if found.load_text else [])]
    answer = None if need_s is None else now
    first = [] if answer is None else [f"{answer.words.rstrip('.')}."]
    doubted = found.life is not None and _in_doubt(found.life, need_s)
    told = [*first, *forecast_words(found, None if doubted else need_s)]
    return [*told, *_weak_cell_words(found, description.pack)]


def _weak_cell_words(found: Forecast, pack: Pack | None) -> list[str]:
    """What no forecast can see before it comes: the pack's voltage is a sum, and a charge makes unlike cells look full."""
    if (
        pack is None
        or pack.cells == 1
        or found.basis not in FORESEEN
        or not families(pack.chemistry)
    ):
        return []
    if pack.chemistry in RECHARGEABLE:
        return [
            "This holds if all cells are alike; a weak cell in the row would end it earlier: measure each cell after charging."
        ]
    return ["This holds if all cells are alike; an old cell among new ones would end it earlier."]


def covers_words(result: Rundown, description: Description) -> str:
    """What one run's verdict covers, and what another pack or a cold night would do to it; empty where it says nothing."""
    pack, lasted_s = description.pack, result.lifetime.time.value
    if pack is None or result.verdict is None:
        return ""
    warm = (
        "temperature not noted"
        if description.temperature_c is None
        else f"at {description.temperature_c:g} °C"
    )
    if lasted_s is None or not result.lifetime.ended or not result.mean_current.value:
        if result.verdict.answer is not Answer.YES:
            return ""
        return "Another pack, or a cold night, may end sooner."
    if not result.lifetime.by_pack:
        return f"One pack, {warm}, far from empty: another would not have made it last."
    spread = math.exp(-_NINE_IN_TEN * capacity_prior(pack, result.mean_current.value).log_sd)
    least_s = round(spread * lasted_s / _STEP_S) * _STEP_S
    told = f"One pack, {warm}; 1 in 20 others lasts under {span_words(least_s)}"
    if pack.chemistry in USUAL_EXPONENT and (description.temperature_c or 20.0) > 15.0:
        cold = runtime_in_cold(lasted_s / 3600, 0.0, pack.chemistry)
        low_s, high_s = (
            round(3600 * (end or 0.0) / _STEP_S) * _STEP_S for end in (cold.lower, cold.upper)
        )
        told += f", at 0 °C expect {span_words(low_s)} to {span_words(high_s)}"
    return f"{told}."

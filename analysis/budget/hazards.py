"""What burns, hurts or wears out at this draw: wires, thread, a linear regulator, and what holder, switch and pack are made for.

Each at the worst voltage of the pack's way down, with the number, the limit and where the limit comes from. These are
orders of magnitude to stop at and think, not a design rule: local codes and licensed practice come first.
"""

from collections.abc import Iterator
from typing import Final

from analysis.budget.file import Budget
from analysis.budget.worst import (
    Worst,
    worst_lasting_ma,
    worst_peak_ma,
    worst_regulator_mw,
)
from analysis.electric.ampacity import ampacity_ma
from analysis.electric.regulator import USUAL_MW
from analysis.electric.thread import THREAD_W_PER_M, heat_w_per_m
from analysis.listed.wire import Wire
from analysis.say.words import and_words
from logger.base.numbers import digits_text
from logger.base.pack import SAFETY_CLOSING

_WIRE_SOURCE: Final = "a space agency's derating, scaled to this insulation at 40 °C, from memory"


def hazard_warnings(budget: Budget) -> tuple[str, ...]:
    """Everything over its limit, wires first."""
    told = [
        *(text for wire in budget.wires for text in _wire(wire, worst_lasting_ma(budget, wire))),
        *_regulator(budget),
        *_ratings(budget),
    ]
    return (*(f"{text} {SAFETY_CLOSING}" for text in told[:1]), *told[1:])


def _wire(wire: Wire, worst: Worst) -> Iterator[str]:
    if wire.ohm_per_m is not None:
        heat = heat_w_per_m(wire.ohm_per_m, worst.value)
        if heat > THREAD_W_PER_M:
            yield (
                f"The thread {wire.name!r} turns {heat:.2g} W into heat in every metre at {worst.value:.0f} mA ({_where(worst)}), "
                f"over {THREAD_W_PER_M:g} W: hot on the skin, and it ages (own estimate: 10 K over the skin). "
                "Take several threads side by side, or wire."
            )
        return
    assert wire.gauge_awg is not None
    limit_ma = ampacity_ma(wire.gauge_awg, wire.insulation, wire.bundle)
    if worst.value > limit_ma:
        yield (
            f"The wire {wire.name!r} ({wire.gauge_awg:g} AWG, {wire.insulation}, {wire.bundle} together) carries "
            f"{_ampere(worst.value)} in {_where(worst)}, over its limit of {_ampere(limit_ma)} ({_WIRE_SOURCE}). Take it thicker."
        )


def _regulator(budget: Budget) -> Iterator[str]:
    """A linear regulator turns into heat what stands across it times what flows through it."""
    if budget.converter.kind != "linear":
        return
    worst, stated_mw = worst_regulator_mw(budget), budget.ratings.regulator_mw
    limit_mw = USUAL_MW if stated_mw is None else stated_mw
    if worst.value > limit_mw:
        source = (
            "usual for a small one without heat sink, from memory: its data sheet decides, state regulator_max_mw"
            if stated_mw is None
            else "as the budget states"
        )
        yield (
            f"The linear regulator turns {_watt(worst.value)} into heat in {_where(worst)}, over the {_watt(limit_mw)} that it "
            f"is made for ({source}): it burns skin or switches off. Take fewer cells or a buck converter."
        )


def _ratings(budget: Budget) -> Iterator[str]:
    """The peak against what holder, switch and pack are stated to carry."""
    worst, ratings = worst_peak_ma(budget), budget.ratings
    over = [
        (name, limit_ma)
        for name, limit_ma in (
            ("pack", ratings.pack_ma),
            ("battery holder", ratings.holder_ma),
            ("switch", ratings.switch_ma),
        )
        if limit_ma is not None and worst.value > limit_ma
    ]
    if over:
        names = and_words([f"the {name}" for name, _ in over])
        limits = and_words([_ampere(limit_ma) for _, limit_ma in over])
        yield (
            f"At the peak of {_where(worst)}{',' if worst.when else ''} {names} {'carries' if len(over) == 1 else 'carry'} {_ampere(worst.value)}, over the "
            f"{limits} that the budget states for {'it' if len(over) == 1 else 'them'}: contacts and springs heat and wear out. "
            "Take one that is made for more."
        )


def _where(worst: Worst) -> str:
    """``lit``, or set between commas with the voltage that matters: ``lit, with the pack down to 2.4 V``."""
    return f"{worst.mode}, {worst.when}" if worst.when else worst.mode


def _ampere(current_ma: float) -> str:
    return f"{current_ma / 1000:.2g} A" if current_ma >= 1000 else f"{current_ma:.0f} mA"


def _watt(heat_mw: float) -> str:
    return f"{digits_text(heat_mw / 1000, 2)} W"

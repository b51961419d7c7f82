"""What burns, hurts or wears out at this draw: wires, thread, a linear regulator, and what holder, switch and pack are made for.

Each at the worst voltage of the pack's way down, with the number, the limit and where the limit comes from. These are
orders of magnitude to stop at and think, not a design rule: local codes and licensed practice come first.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from analysis.budget.file import Budget
from analysis.budget.worst import (
    Worst,
    worst_lasting_ma,
    worst_peak_ma,
    worst_regulator_mw,
)
from analysis.electric.ampacity import ampacity_ma
from analysis.electric.fuse import FuseChoice, current_words, fuse_for
from analysis.electric.regulator import USUAL_MW
from analysis.electric.thread import THREAD_W_PER_M, heat_w_per_m
from analysis.listed.wire import Wire
from analysis.say.words import and_words
from logger.base.numbers import digits_text
from logger.base.pack import SAFETY_CLOSING, Pack

_FUSE_RULE: Final = (
    "The fuse is the next value of IEC 60127-2 over 1.5 times the peak (common practice), at most 0.69 of what the thinnest "
    "wire carries (2.1 times the fuse for half an hour is an overload of 1.45: IEC 60364-4-43), no more than the cells give, "
    "and the pack can melt it; a resettable one keeps 0.85 of its hold at 40 °C, and trips slowly. Rated for direct voltage, "
    f"the full pack's or more. From memory. {SAFETY_CLOSING}"
)
_WIRE_SOURCE: Final = "a space agency's derating, scaled to this insulation at 40 °C, from memory"


@dataclass(frozen=True)
class _Hazard:
    """``what`` is over its limit; ``text``: the warning; ``brief``: the same of another pack, in a clause."""

    what: str
    text: str
    brief: str


def hazard_warnings(budget: Budget) -> tuple[str, ...]:
    """Everything over its limit, wires first."""
    told = [*(item.text for item in _lasting(budget)), *_ratings(budget)]
    return (*(f"{text} {SAFETY_CLOSING}" for text in told[:1]), *told[1:])


def new_hazards(budget: Budget, pack: Pack) -> tuple[str, ...]:
    """What another pack brings over its limit that the budget's own does not; its holder would be another one, too."""
    other = replace(budget, pack=pack)
    own = {item.what for item in _lasting(budget)}
    found = [item.brief for item in _lasting(other) if item.what not in own]
    limit_ma = budget.ratings.switch_ma
    worst = worst_peak_ma(other)
    if limit_ma is not None and worst_peak_ma(budget).value <= limit_ma < worst.value:
        found.append(
            f"at the peak the switch carries {_ampere(worst.value)}, over the {_ampere(limit_ma)} that the budget states"
        )
    return tuple(found)


def _lasting(budget: Budget) -> list[_Hazard]:
    """What is over a limit of heat."""
    return [
        *(item for wire in budget.wires for item in _wire(wire, worst_lasting_ma(budget, wire))),
        *_regulator(budget),
    ]


def _wire(wire: Wire, worst: Worst) -> Iterator[_Hazard]:
    if wire.ohm_per_m is not None:
        heat = heat_w_per_m(wire.ohm_per_m, worst.value)
        if heat > THREAD_W_PER_M:
            yield _Hazard(
                wire.name,
                f"The thread {wire.name!r} turns {heat:.2g} W into heat in every metre at {worst.value:.0f} mA ({_where(worst)}), "
                f"over {THREAD_W_PER_M:g} W: hot on the skin, and it ages (own estimate: 10 K over the skin). "
                "Take several threads side by side, or wire.",
                f"the thread {wire.name!r} turns {heat:.2g} W into heat in every metre, over {THREAD_W_PER_M:g} W",
            )
        return
    assert wire.gauge_awg is not None
    limit_ma = ampacity_ma(wire.gauge_awg, wire.insulation, wire.bundle)
    if worst.value > limit_ma:
        yield _Hazard(
            wire.name,
            f"The wire {wire.name!r} ({wire.gauge_awg:g} AWG, {wire.insulation}, {wire.bundle} together) carries "
            f"{_ampere(worst.value)} in {_where(worst)}, over its limit of {_ampere(limit_ma)} ({_WIRE_SOURCE}). Take it thicker.",
            f"the wire {wire.name!r} carries {_ampere(worst.value)}, over its limit of {_ampere(limit_ma)}",
        )


def _regulator(budget: Budget) -> Iterator[_Hazard]:
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
        yield _Hazard(
            "regulator",
            f"The linear regulator turns {_watt(worst.value)} into heat in {_where(worst)}, over the {_watt(limit_mw)} that it "
            f"is made for ({source}): it burns skin or switches off. Take fewer cells or a buck converter.",
            f"the linear regulator turns {_watt(worst.value)} into heat, over {_watt(limit_mw)}",
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


def fuse_of(budget: Budget) -> FuseChoice | None:
    """The fuse next to the pack; None: the pack limits its current itself (a power bank)."""
    copper = [
        ampacity_ma(wire.gauge_awg, wire.insulation, wire.bundle)
        for wire in budget.wires
        if wire.gauge_awg is not None
    ]
    return fuse_for(
        budget.pack,
        worst_peak_ma(budget).value,
        wire_ma=min(copper, default=None),
        stated_ma=(budget.ratings.pack_ma, budget.ratings.holder_ma),
    )


def fuse_sentences(budget: Budget) -> tuple[str, str]:
    """Which fuse, or why none; and by which rule (details)."""
    fuse = fuse_of(budget)
    if fuse is None:
        return "No fuse: a power bank limits its current itself.", ""
    peak = f"peak {current_words(fuse.peak_ma)}"
    reset = f"a resettable one that holds {current_words(fuse.hold_ma)}" if fuse.hold_ma else ""
    if fuse.rated_ma is None:
        other = f"{reset[0].upper()}{reset[1:]} would do." if reset else ""
        return f"Fuse next to the pack: none of the usual values fits: {fuse.why_not}. {other}".rstrip(), _FUSE_RULE  # fmt: skip
    other = f", or resettable, holding {current_words(fuse.hold_ma)}" if fuse.hold_ma else ""
    thread = any(wire.ohm_per_m is not None for wire in budget.wires)
    not_thread = " It protects the wires, not the conductive thread." if thread else ""
    wires = "" if budget.wires else " State your wires: whether they bear it is not known."
    return (
        f"Fuse next to the pack: {current_words(fuse.rated_ma)}, quick-acting ({peak}){other}.{not_thread}{wires}",
        _FUSE_RULE,
    )


def _where(worst: Worst) -> str:
    """``lit``, or set between commas with the voltage that matters: ``lit, with the pack down to 2.4 V``."""
    return f"{worst.mode}, {worst.when}" if worst.when else worst.mode


def _ampere(current_ma: float) -> str:
    return f"{current_ma / 1000:.2g} A" if current_ma >= 1000 else f"{current_ma:.0f} mA"


def _watt(heat_mw: float) -> str:
    return f"{digits_text(heat_mw / 1000, 2)} W"

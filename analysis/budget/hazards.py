"""What burns, hurts or wears out at this draw: wires, thread, and what the pack, its holder and a switch are made for.

Each with the number, the limit and where the limit comes from. These are orders of magnitude to stop
at and think, not a design rule: local codes and licensed practice come first.
"""

from collections.abc import Iterator
from typing import Final

from analysis.budget.estimate import estimate_mode, steady_ma
from analysis.budget.file import Budget, Mode
from analysis.electric.ampacity import ampacity_ma
from analysis.electric.thread import THREAD_W_PER_M, heat_w_per_m
from analysis.listed.wire import Wire
from logger.base.pack import SAFETY_CLOSING

_WIRE_SOURCE: Final = "a space agency's derating, scaled to this insulation at 40 °C, from memory"


def hazard_warnings(budget: Budget, pack_v: float) -> tuple[str, ...]:
    """Everything over its limit, wires first; ``pack_v``: at which the draw is reckoned."""
    told = [*_wires(budget, pack_v), *_ratings(budget, pack_v)]
    return (*(f"{text} {SAFETY_CLOSING}" for text in told[:1]), *told[1:])


def _wires(budget: Budget, pack_v: float) -> Iterator[str]:
    for wire in budget.wires:
        mode, current_ma = _worst(budget, wire, pack_v)
        if wire.ohm_per_m is not None:
            heat = heat_w_per_m(wire.ohm_per_m, current_ma)
            if heat > THREAD_W_PER_M:
                yield (
                    f"The thread {wire.name!r} turns {heat:.2g} W into heat in every metre at {current_ma:.0f} mA ({mode.name}), "
                    f"over {THREAD_W_PER_M:g} W: hot on the skin, and it ages (own estimate: 10 K over the skin). "
                    "Take several threads side by side, or wire."
                )
            continue
        assert wire.gauge_awg is not None
        limit_ma = ampacity_ma(wire.gauge_awg, wire.insulation, wire.bundle)
        if current_ma > limit_ma:
            yield (
                f"The wire {wire.name!r} ({wire.gauge_awg:g} AWG, {wire.insulation}, {wire.bundle} together) carries "
                f"{_ampere(current_ma)} in {mode.name}, over its limit of {_ampere(limit_ma)} ({_WIRE_SOURCE}). Take it thicker."
            )


def _worst(budget: Budget, wire: Wire, pack_v: float) -> tuple[Mode, float]:
    """Mode with the greatest lasting current through a wire, and that current."""
    currents = {mode.name: steady_ma(budget, wire, mode, pack_v) for mode in budget.modes}
    mode = max(budget.modes, key=lambda item: currents[item.name])
    return mode, currents[mode.name]


def _ratings(budget: Budget, pack_v: float) -> Iterator[str]:
    """The peak against what holder, switch and pack are stated to carry."""
    peak = max(
        (estimate_mode(budget, mode, pack_v) for mode in budget.modes),
        key=lambda item: item.peak_ma,
    )
    ratings = budget.ratings
    for name, limit_ma in (
        ("pack", ratings.pack_ma),
        ("battery holder", ratings.holder_ma),
        ("switch", ratings.switch_ma),
    ):
        if limit_ma is not None and peak.peak_ma > limit_ma:
            yield (
                f"At the peak of {peak.mode} the {name} carries {_ampere(peak.peak_ma)}, over the {_ampere(limit_ma)} that the budget "
                "states for it: contacts and springs heat and wear out. Take one that is made for more."
            )


def _ampere(current_ma: float) -> str:
    return f"{current_ma / 1000:.2g} A" if current_ma >= 1000 else f"{current_ma:.0f} mA"

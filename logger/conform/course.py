"""The whole test of one board, from its first hello to the settings it was found with."""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from firmware_probe.line_format import command
from logger.base.errors import BenchError
from logger.board.port import ASK_AGAIN_S, PATIENCE_S, LinkLostError
from logger.conform.bench import Bench
from logger.conform.boots import try_reset
from logger.conform.commands import try_commands
from logger.conform.contract import Contract
from logger.conform.ledger import Finding, Ledger
from logger.conform.measure import try_bursts, try_windows
from logger.conform.passive import check_lines
from logger.conform.switch import SWITCH_RULES, close, try_cutoff, try_switch
from logger.conform.talk import Talk

WRAP_US: Final = 2**32
_LOOK_S: Final = 20.0
_STILL_PLUGGED: Final = (
    "the load switch was left alone: unplug the piece and say so with --unplugged"
)


@dataclass(frozen=True)
class Conformance:
    """What was found on one board. ``hello``: the first, as it said it. ``spent_s``: how long it took."""

    hello: dict[str, str]
    findings: tuple[Finding, ...]
    spent_s: float

    def of(self, result: str) -> tuple[Finding, ...]:
        return tuple(item for item in self.findings if item.result == result)

    @property
    def holds(self) -> bool:
        return not self.of("broken")


def try_board(
    talk: Talk,
    contract: Contract,
    *,
    may_switch: bool,
    wait_wrap: bool = False,
    ask_reset: Callable[[], bool] = lambda: False,
    say: Callable[[str], None] = lambda words: None,
) -> Conformance:
    """Try every rule. Raises BenchError if nothing that looks like our board answers, LinkLostError if it goes away."""
    ledger = Ledger(contract.rules)
    bench = Bench(talk, ledger, contract, may_switch, wait_wrap, ask_reset, say)
    begun_s = talk.now()
    found = _first_hello(bench)
    if found is not None:
        try:
            _course(bench)
        except BaseException:
            with contextlib.suppress(LinkLostError):  # what went wrong first is what is told
                _put_back(bench, found)
            raise
        _put_back(bench, found)
    check_lines(ledger, contract, talk.lines)
    return Conformance(found or {}, ledger.findings(), talk.now() - begun_s)


def _first_hello(bench: Bench) -> dict[str, str] | None:
    """What it says of itself; None if it says hello in a form that makes no line."""
    talk = bench.talk
    sent, end_s = b"\n" + command("identify"), talk.now() + PATIENCE_S
    while talk.now() < end_s:
        exchange = talk.say(sent, wait_s=ASK_AGAIN_S, ends=lambda line: line.kind == "hello")
        if exchange.hellos:
            bench.pairs = exchange.hellos[-1].pairs
            return dict(bench.pairs)
    seen = b"\n".join([*(line.raw for line in talk.lines[-2:]), talk.tail[:300]])
    if b"hello" not in seen:
        raise BenchError(
            "No board answered, or none that speaks this protocol."
            if not talk.heard
            else "Something speaks, but it says no hello.",
            evidence=f"{talk.heard} bytes{f', the last {talk.recent!r}' if talk.heard else ''} in {PATIENCE_S:g} s",
            next_step="check port and --baud, and that it answers `identify` typed into a serial monitor.",
        )
    bench.ledger.check("characters", False, "an LF at the end of the hello", seen=seen, sent=sent)
    return None


def _course(bench: Bench) -> None:
    say = bench.say
    bench.quiet()
    say("commands")
    try_commands(bench)
    if bench.may_switch or not bench.has_switch:
        say("load switch: it is opened and closed")
        try_switch(bench)
    else:
        for rule in (*SWITCH_RULES, "load-fitted"):
            bench.ledger.skip(rule, _STILL_PLUGGED)
    say("windows")
    try_windows(bench)
    try_bursts(bench)
    _wrap(bench)
    if bench.may_switch and bench.has_switch:
        say("cutoff: the board opens the switch")
        try_cutoff(bench)
    say("reset")
    try_reset(bench)
    for rule in ("fault-form", "fault-pause"):
        bench.ledger.skip(rule, "nothing went wrong meanwhile: no fault was told")


def _wrap(bench: Bench) -> None:
    """Board time beyond 2^32 us, which takes 72 minutes without a reset."""
    time_us = bench.time_us()
    if bench.wait_wrap and not bench.is_simulated:
        if time_us < WRAP_US:
            bench.say(
                f"waiting {(WRAP_US - time_us) * 1e-6 / 60:.0f} min for its clock to pass 2^32 us"
            )
        last_us, end_s = time_us, bench.talk.now() + max(WRAP_US - time_us, 0) * 1.05e-6 + _LOOK_S
        while time_us < WRAP_US and time_us >= last_us and bench.talk.now() < end_s:
            last_us = time_us
            bench.talk.listen(_LOOK_S)
            time_us = bench.time_us()
    elif time_us < WRAP_US:
        bench.ledger.skip(
            "time-wrap",
            f"it has been on for {time_us * 1e-6 / 60:.0f} min, 72 are needed: --wrap waits for them",
        )
        return
    bench.ledger.check(
        "time-wrap", time_us >= WRAP_US, f"time_us above {WRAP_US}", seen=bench.talk.lines[-1].raw
    )


def _put_back(bench: Bench, found: dict[str, str]) -> None:
    """As it was found; the switch is never closed where it was open."""
    talk = bench.talk
    talk.ask("stop")
    if bench.may_switch and found.get("load") in ("0", "1"):
        talk.ask("cutoff", found.get("cutoff_v", "0.000000"), found.get("hold_ms", "0"))
        if found["load"] == "1":
            close(bench)
        else:
            talk.ask("load", "0")
    talk.ask("window", found.get("window_us", "100000"))
    if found.get("running") == "1":
        talk.ask("start")

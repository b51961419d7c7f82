"""A reset, by the port or by a person's finger: what must be new after it, and what must be as before."""

from typing import Final

from logger.conform.bench import Bench
from logger.conform.lines import Line
from logger.conform.rows import Row
from logger.conform.switch import try_trip

BOOT_S: Final = 4.0
_PERSON_S: Final = 30.0
_QUIET_S: Final = 0.6
_BOOT_RULES: Final = ("hello-after-boot", "boot-counts", "from-zero", "quiet-after-boot", "load-survives", "cutoff-survives")  # fmt: skip
_KEPT: Final = {"load": "load-survives", "cutoff_v": "cutoff-survives", "hold_ms": "cutoff-survives"}
_NO_RESET: Final = "the port cannot reset this board, and nobody pressed its button"


def try_reset(bench: Bench) -> bool:
    """Reset it in the state it is in, and see what it says; gives whether it was reset."""
    before = dict(bench.look())
    rows = _two_rows(bench)
    sent_s = bench.talk.now()
    if not _reset(bench, before):
        for rule in _BOOT_RULES:
            bench.ledger.skip(rule, _NO_RESET)
        return False
    lines = [line for line in bench.talk.lines if line.boot == bench.talk.boot]
    lines += bench.talk.listen(_QUIET_S)
    _judge_hello(bench, lines)
    after = bench.look()
    ledger, hello = bench.ledger, bench.talk.lines[-1].raw
    boot = (int(before.get("boot", "0")) + 1) % 65536
    ledger.check(
        "boot-counts",
        after.get("board") == before.get("board") and after.get("boot") == str(boot),
        f"board={before.get('board')}, boot={boot}",
        seen=hello,
    )
    spent_s = bench.talk.now() - sent_s
    if not bench.is_simulated:
        time_us = int(after.get("time_us", "0"))
        ledger.check(
            "from-zero",
            time_us <= (spent_s + 1.0) * 1e6,
            f"time_us below {round(spent_s + 1)}000000: it was reset {spent_s:.1f} s ago",
            seen=hello,
        )
    _judge_kept(bench, before, after)
    _judge_counters(bench, rows)
    if before.get("opened") == "cutoff":
        try_trip(bench)
    return True


def _reset(bench: Bench, before: dict[str, str]) -> bool:
    """DTR, then the port opened again, then a person."""
    talk = bench.talk

    def is_hello(line: Line) -> bool:
        return line.kind == "hello" and line.pairs.get("boot") != before.get("boot")

    def came(seconds: float) -> bool:
        if any(is_hello(line) for line in talk.listen(seconds, is_hello)):
            return True
        # It may have started without a word.
        return bench.look().get("boot") != before.get("boot")

    talk.begin_boot()
    if talk.wire.pulse_reset() and came(BOOT_S):
        return True
    talk.open_again()
    if came(BOOT_S):
        return True
    return bench.ask_reset() and came(_PERSON_S)


def _judge_hello(bench: Bench, lines: list[Line]) -> None:
    """One hello that nobody asked for; our own question comes after these lines."""
    hellos = [line for line in lines if line.kind == "hello"]
    told = b"\n".join(line.raw for line in lines[:4])
    bench.ledger.check(
        "hello-after-boot", len(hellos) == 1, "one hello, unasked", seen=told or bench.talk.tail
    )
    windows = [line for line in lines if line.kind == "w"]
    running = [line.pairs.get("running") for line in hellos]
    bench.ledger.check(
        "quiet-after-boot",
        not windows and set(running) <= {"0"},
        "running=0 and no w line",
        seen=told,
    )


def _judge_kept(bench: Bench, before: dict[str, str], after: dict[str, str]) -> None:
    if not bench.has_switch or not bench.may_switch:
        return
    for key, rule in _KEPT.items():
        bench.ledger.check(
            rule,
            after.get(key) == before.get(key),
            f"{key}={before.get(key)}, as before the reset",
            seen=bench.talk.lines[-1].raw,
        )


def _two_rows(bench: Bench) -> list[Row]:
    bench.talk.ask("start")
    rows = bench.collect(2, 2.0)
    bench.quiet()
    return rows


def _judge_counters(bench: Bench, before: list[Row]) -> None:
    """Sequence from 0; charge and energy no greater than the time since the boot allows."""
    rows = _two_rows(bench)
    if not before or not rows:
        return
    row = rows[0]
    bench.ledger.check("from-zero", row.sequence == 0, "sequence 0", seen=row.line.raw)
    greatest = max(
        abs(value) for item in (*before, *rows) for value in (item.current_min, item.current_max)
    )
    most = 2.0 * greatest * row.time_us / 36_000_000 + 50
    bench.ledger.check(
        "from-zero",
        abs(row.charge) <= most,
        f"charge_mah at most {most / 1e6:.6f}, {row.time_us} us after the boot",
        seen=row.line.raw,
    )

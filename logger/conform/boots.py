"""A reset, by the port or by a person's finger: what must be new after it, and what must be as before."""

from typing import Final, Literal

from logger.board.port import LinkLostError
from logger.conform.bench import Bench, time_us_of
from logger.conform.lines import Line
from logger.conform.rows import Row
from logger.conform.switch import try_trip
from logger.conform.windows import CHARGE_STEP

# ``away``: its port went with it, and what it said meanwhile nobody could hear.
Came = Literal["unasked", "asked", "away"]

BOOT_S: Final = 4.0
_PERSON_S: Final = 30.0
_QUIET_S: Final = 0.6
_BOOT_RULES: Final = ("hello-after-boot", "boot-counts", "from-zero", "quiet-after-boot", "load-survives", "cutoff-survives")  # fmt: skip
_KEPT: Final = {
    "load": "load-survives",
    "cutoff_v": "cutoff-survives",
    "hold_ms": "cutoff-survives",
}
_AWAY: Final = "its port went away with the reset: what it said meanwhile nobody could hear"
_NO_RESET: Final = "the port cannot reset this board, and nobody pressed its button"


def try_reset(bench: Bench) -> None:
    """Reset it in the state it is in, and see what it says."""
    before = dict(bench.look())
    rows = _two_rows(bench)
    sent_s = bench.talk.now()
    came = _reset(bench, before)
    if came is None:
        for rule in _BOOT_RULES:
            bench.ledger.skip(rule, _NO_RESET)
        return
    if came == "unasked":
        bench.talk.listen(_QUIET_S)
    told = [line for line in bench.talk.lines if line.boot == bench.talk.boot]
    _judge_hello(bench, told, came)
    first = next((line for line in told if line.kind == "hello"), None)
    after = first.pairs if first else bench.look()
    ledger, hello = bench.ledger, first.raw if first else b""
    boot = (int(before["boot"]) + 1) % 65536 if before.get("boot", "").isdigit() else 0
    ledger.check(
        "boot-counts",
        after.get("board") == before.get("board") and after.get("boot") == str(boot),
        f"board={before.get('board')}, boot={boot}",
        seen=hello,
    )
    spent_s = bench.talk.now() - sent_s
    if not bench.is_simulated:
        time_us = time_us_of(after)
        ledger.check(
            "from-zero",
            time_us <= (spent_s + 1.0) * 1e6,
            f"time_us below {round(spent_s + 1)}000000: it was reset {spent_s:.1f} s ago",
            seen=hello,
        )
    _judge_kept(bench, before, after, hello)
    bench.look()
    _judge_counters(bench, rows)
    if before.get("opened") == "cutoff":
        try_trip(bench)


def _reset(bench: Bench, before: dict[str, str]) -> Came | None:
    """DTR, then the port opened again, then a person; how its hello came, None: it was not reset."""
    talk = bench.talk

    def is_hello(line: Line) -> bool:
        return line.kind == "hello"

    def came(seconds: float) -> Came | None:
        try:
            return heard(seconds)
        except LinkLostError:
            talk.open_again()
            return "away" if heard(seconds) else None

    def heard(seconds: float) -> Came | None:
        if any(is_hello(line) for line in talk.listen(seconds, is_hello)):
            return "unasked"
        # It may have started without a word: another boot, or its clock has gone back.
        after = bench.look()
        again = after.get("boot") != before.get("boot") or time_us_of(after) < time_us_of(before)
        return "asked" if again else None

    # What was said in vain before one way worked belongs to the boot before.
    talk.begin_boot()
    if talk.wire.pulse_reset() and (how := came(BOOT_S)):
        return how
    talk.begin_boot()
    talk.open_again()
    if how := came(BOOT_S):
        return how
    talk.begin_boot()
    return came(_PERSON_S) if bench.ask_reset() else None


def _judge_hello(bench: Bench, told: list[Line], came: Came) -> None:
    """One hello that nobody asked for, and no window."""
    hellos = [line for line in told if line.kind == "hello"]
    seen = b"\n".join(line.raw for line in told[:4])
    if came == "away":
        bench.ledger.skip("hello-after-boot", _AWAY)
    else:
        _judge_unasked(bench, hellos, came, seen)
    windows = [line for line in told if line.kind == "w"]
    bench.ledger.check(
        "quiet-after-boot",
        not windows and {line.pairs.get("running") for line in hellos} <= {"0"},
        "running=0 and no w line",
        seen=seen,
    )


def _judge_unasked(bench: Bench, hellos: list[Line], came: Came, seen: bytes) -> None:
    bench.ledger.check(
        "hello-after-boot",
        came == "unasked" and len(hellos) == 1,
        "one hello, unasked" if came == "unasked" else "one hello, unasked; this one was asked for",
        seen=seen,
    )


def _judge_kept(bench: Bench, before: dict[str, str], after: dict[str, str], hello: bytes) -> None:
    if not bench.has_switch or not bench.may_switch:
        return
    for key, rule in _KEPT.items():
        bench.ledger.check(
            rule,
            after.get(key) == before.get(key),
            f"{key}={before.get(key)}, as before the reset",
            seen=hello,
        )


def _two_rows(bench: Bench) -> list[Row]:
    """The first two; short ones come before the answer to ``start`` has been waited for."""
    return bench.sample(2, 2.0)[:2]


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
    most = 2.0 * greatest * row.time_us / CHARGE_STEP + 50
    bench.ledger.check(
        "from-zero",
        abs(row.charge) <= most,
        f"charge_mah at most {most / 1e6:.6f}, {row.time_us} us after the boot",
        seen=row.line.raw,
    )

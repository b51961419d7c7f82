"""Windows at two lengths, a change between, a pause: do they come as asked, and do their numbers agree?"""

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import Final

from firmware_probe.line_format import command
from logger.conform.bench import Bench
from logger.conform.lines import Line, told_faults
from logger.conform.rows import Row, check_row, moved, rows_of
from logger.conform.talk import Exchange
from logger.conform.windows import (
    AVERAGES,
    check_charge,
    check_clock,
    check_conversions,
    check_lengths,
    check_pause,
    check_sequence,
    pair_us_of,
)

# A board of the Uno class gets a line out every 20 to 30 ms.
SHORT_US: Final = 40_000
LONG_US: Final = 100_000
_SHORT_COUNT: Final = 40
_LONG_COUNT: Final = 25
_FEW: Final = 8
_PATIENCE_S: Final = 3.0
_PAUSE_S: Final = 0.8
_BURST_US: Final = 100_000
_BURST_LINE: Final = 32  # bursts between two lines
_NO_CURRENT: Final = "no current flowed: put a resistor in the piece's place, 100 ohm at three AA"
_DEAF: Final = ("sensor", "bus")
_WINDOW_RULES: Final = (
    "sequence", "window-length", "board-clock", "conversions", "least-and-mean", "pack-and-bus", "counts",
    "charge", "energy", "counters-go-on", "window-next", "start-stop",
)  # fmt: skip


def try_windows(bench: Bench) -> None:
    """All about window lines."""
    if bench.sensor is None:
        for rule in _WINDOW_RULES:
            bench.ledger.skip(rule, "the board has no sensor")
        return
    bench.obeyed("window", str(SHORT_US))
    # The window that was under way when it changed.
    bench.talk.listen(2 * LONG_US * 1e-6)
    short = _started(bench, _SHORT_COUNT, SHORT_US)
    if len(short) < _FEW:
        bench.quiet()
        return
    _judge(bench, short, SHORT_US)
    after = _lengthened(bench)
    _judge(bench, after, LONG_US)
    last = _stopped(bench, after)
    again = _started(bench, _FEW, LONG_US)
    if last and again:
        check_pause(bench.ledger, last, again)
    _stopped(bench, again)


def _started(bench: Bench, count: int, window_us: int) -> list[Row]:
    """``start``, and so many windows; none, if they do not come."""
    begun = len(bench.talk.lines)
    exchange = bench.obeyed("start")
    want = count - len(rows_of(exchange.lines))
    bench.collect(max(want, 1), _PATIENCE_S + 2.0 * count * window_us * 1e-6)
    rows = rows_of(bench.talk.lines[begun:])
    deaf = told_faults(bench.talk.lines[begun:], *_DEAF)
    if not rows and deaf:
        for rule in _WINDOW_RULES:
            bench.ledger.skip(rule, f"its sensor does not answer: {deaf[0].body}")
        return []
    bench.ledger.check(
        "start-stop",
        len(rows) >= min(count, _FEW),
        f"{count} w lines of {window_us} us",
        sent=exchange.sent,
        seen=exchange.seen + b"\n" + bench.talk.tail[:200],
    )
    return rows


def _judge(bench: Bench, rows: Sequence[Row], window_us: int) -> None:
    """One length, without anything in between."""
    sensor, ledger = bench.sensor, bench.ledger
    if sensor is None or len(rows) < _FEW:
        return
    first, last = (bench.talk.lines.index(row.line) for row in (rows[0], rows[-1]))
    lines = bench.talk.lines[first : last + 1]
    check_sequence(ledger, rows)
    if not told_faults(lines, *_DEAF, "missed"):
        most_us = max(sensor.steps.pairs_us) * max(AVERAGES)
        check_lengths(ledger, rows, window_us, min(pair_us_of(rows), most_us))
    else:
        ledger.skip("window-length", "conversions were missed meanwhile, and windows end with one")
    check_conversions(ledger, rows, sensor, lines)
    for row in rows:
        check_row(ledger, row, sensor)
    if not check_charge(ledger, rows):
        for rule in ("charge", "energy", "pack-and-bus"):
            ledger.skip(rule, _NO_CURRENT)
    if not moved(rows):
        ledger.skip("counts", "every conversion was the same")
    if bench.is_simulated:
        ledger.skip("board-clock", "a simulated board whose time runs at another rate")
    else:
        check_clock(ledger, rows)


def _lengthened(bench: Bench) -> list[Row]:
    """Change the length while windows are sent; the rows of the new one."""
    exchange = bench.obeyed("window", str(LONG_US))
    answered = exchange.answers[:1]
    begun = bench.talk.lines.index(answered[0]) if answered else len(bench.talk.lines)
    bench.collect(_LONG_COUNT + 3, _PATIENCE_S + 2.0 * _LONG_COUNT * LONG_US * 1e-6)
    rows = rows_of(bench.talk.lines[begun:])
    # Up to two old ones end after the answer: one on its way out, the one under way.
    new = rows[2:]
    spans = [after.time_us - row.time_us for row, after in pairwise(rows[2:6])]
    bench.ledger.check(
        "window-next",
        bool(spans) and abs(median(spans) - LONG_US) < LONG_US // 4,
        f"windows of {LONG_US} us, at the latest the third after the answer; here {spans} us",
        sent=exchange.sent,
        seen=b"\n".join(row.line.raw for row in rows[:5]),
    )
    return new


def _stopped(bench: Bench, before: Sequence[Row]) -> list[Row]:
    """``stop``: no line after its answer but the one on its way. Gives the last rows of all."""
    begun = len(bench.talk.lines)
    exchange = bench.talk.say(
        command("stop"), wait_s=_PATIENCE_S, ends=lambda line: line.body == "ok,stop"
    )
    bench.ledger.expect("answered", exchange, "ok,stop")
    lines = bench.talk.listen(_PAUSE_S)
    late = [line for line in lines if line.kind == "w"]
    bench.ledger.check(
        "start-stop",
        len(late) <= 1,
        "no w line after ok,stop",
        sent=exchange.sent,
        seen=b"\n".join(line.raw for line in late[:3]),
    )
    bench.tells({"running": "0"})
    return [*before, *rows_of(bench.talk.lines[begun:])]


def try_bursts(bench: Bench) -> None:
    """Only on a board that says it has them."""
    if "burst_us" not in bench.pairs:
        exchange = bench.talk.ask("burst", str(_BURST_US))
        bench.ledger.check(
            "answered",
            exchange.told in (("no,burst,unknown",), ("no,burst,fitted",)),
            "no,burst,unknown or no,burst,fitted: there is no burst_us in hello",
            sent=exchange.sent,
            seen=exchange.seen,
        )
        bench.ledger.skip("burst-line", "the board has no bursts: burst_us is missing in hello")
        return
    least, _ = bench.contract.limits["burst"]
    bench.ledger.expect(
        "out-of-range", bench.talk.ask("burst", str(int(least) - 1)), "no,burst,range"
    )
    exchange = bench.obeyed("burst", str(_BURST_US))
    bench.tells({"burst_us": str(_BURST_US)})
    bench.talk.ask("start")
    most_s = _PATIENCE_S + 1.6 * _BURST_LINE * _BURST_US * 1e-6
    lines = bench.talk.listen(most_s, lambda line: line.kind == "burst")
    bursts = [line for line in lines if line.kind == "burst"]
    if not bursts and told_faults(lines, *_DEAF):
        bench.ledger.skip("burst-line", "its sensor does not answer")
    else:
        _judge_bursts(bench, exchange, bursts, most_s)
    bench.quiet()
    bench.obeyed("burst", "0")


def _judge_bursts(bench: Bench, exchange: Exchange, bursts: Sequence[Line], most_s: float) -> None:
    counts = [
        int(line.fields[1]) for line in bursts if line.fields[1:2] and line.fields[1].isdigit()
    ]
    bench.ledger.check(
        "burst-line",
        bool(counts) and all(0 < count <= _BURST_LINE for count in counts),
        f"burst,time_us,{_BURST_LINE},within,between in {most_s:.0f} s",
        sent=exchange.sent,
        seen=b"\n".join(line.raw for line in bursts) or b"(no burst line)",
    )

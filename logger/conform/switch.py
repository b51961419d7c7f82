"""Load switch and the board's own cutoff. The piece is unplugged: what flows, flows through a resistor in its place."""

from typing import Final

from firmware_probe.line_format import command
from logger.conform.bench import Bench
from logger.conform.rows import Row
from logger.conform.talk import Exchange

SWITCH_RULES: Final = ("load-answer", "load-opens", "load-survives", "cutoff-opens", "cutoff-survives", "cutoff-trips")  # fmt: skip
_OPEN_AFTER_S: Final = 0.6
# What may be left over the shunt once the switch is open (section ``fault``, code ``switch``).
_OPEN_NV: Final = 400_000.0
_TELLING_NV: Final = 1_500_000.0
_HOLD_MS: Final = 400
_ABOVE_V: Final = 0.3
_TRIP_LATE_S: Final = 1.0
_LEAST_PACK_V: Final = 0.5
_COUNT: Final = 8


def try_switch(bench: Bench) -> None:
    """Closes, opens, closes; leaves it closed."""
    if not bench.has_switch:
        _without(bench)
        return
    bench.ledger.skip("load-fitted", "a load switch is fitted")
    close(bench)
    closed = _rows(bench)
    _move(bench, "0")
    bench.talk.listen(_OPEN_AFTER_S)
    opened = _rows(bench)
    _judge_open(bench, closed, opened)
    _move(bench, "0")  # said again: answered all the same
    close(bench)


def _without(bench: Bench) -> None:
    for rule in SWITCH_RULES:
        bench.ledger.skip(rule, "no load switch is fitted")
    for name, fields in (("load", ("1",)), ("load", ("0",)), ("cutoff", ("1.000000", "100"))):
        bench.ledger.expect("load-fitted", bench.talk.ask(name, *fields), f"no,{name},fitted")


def close(bench: Bench) -> None:
    """Closed, also where a cutoff had opened it: a person has said yes."""
    exchange = _load(bench, "1")
    if any(line.body == "no,load,tripped" for line in exchange.lines):
        exchange = _load(bench, "1", "1")
    _judge_answer(bench, exchange, "1")


def _move(bench: Bench, state: str) -> None:
    _judge_answer(bench, _load(bench, state), state)


def _load(bench: Bench, *fields: str) -> Exchange:
    return bench.talk.say(command("load", *fields), ends=lambda line: line.kind in ("load", "no"))


def _judge_answer(bench: Bench, exchange: Exchange, state: str) -> None:
    told = [
        line.body if line.kind == "ok" else ",".join((line.kind, *line.fields[1:2]))
        for line in exchange.lines
        if line.kind in ("ok", "no", "load")
    ]
    bench.ledger.check(
        "load-answer",
        told == ["ok,load", f"load,{state}"],
        f"ok,load and then load,time_us,{state},reason",
        sent=exchange.sent,
        seen=exchange.seen,
    )
    bench.tells({"load": state}, "load-answer")


def _rows(bench: Bench) -> list[Row]:
    """A few windows of the present state; empty without a sensor."""
    if bench.sensor is None:
        return []
    # Those begun before may hold both states.
    return bench.sample(_COUNT, 3.0)[2:]


def _judge_open(bench: Bench, closed: list[Row], opened: list[Row]) -> None:
    sensor = bench.sensor
    if sensor is None or not closed or not opened:
        bench.ledger.skip("load-opens", "no windows came")
        return
    flowing_nv = abs(sensor.drop_nv(sum(row.current for row in closed) // len(closed)))
    if flowing_nv < _TELLING_NV:
        bench.ledger.skip(
            "load-opens",
            f"closed, less than {_TELLING_NV / sensor.tenth_mohm / 100:.0f} mA flowed; a resistor in the piece's "
            "place shows it",
        )
        return
    left_nv = abs(sensor.drop_nv(sum(row.current for row in opened) // len(opened)))
    bench.ledger.check(
        "load-opens",
        left_nv <= _OPEN_NV,
        f"less than {_OPEN_NV / sensor.tenth_mohm / 100:.1f} mA {_OPEN_AFTER_S:g} s after load,0",
        sent=b"load,0",
        seen=opened[-1].line.raw,
    )


def try_cutoff(bench: Bench) -> None:
    """A cutoff just above the pack: it opens after the hold, and not before. Leaves it tripped."""
    rows = _rows(bench)
    if not rows or min(row.pack for row in rows) < _LEAST_PACK_V * 1e6:
        for rule in ("cutoff-opens", "cutoff-trips"):
            bench.ledger.skip(rule, "there is no pack, or no sensor sees it")
        _set_cutoff(bench, "1.000000", "5000")
        _move(bench, "0")
        return
    volts = f"{min(max(row.pack for row in rows) / 1e6 + _ABOVE_V, 40.0):.6f}"
    before_us = bench.time_us()
    sent = _set_cutoff(bench, volts, str(_HOLD_MS))
    lines = [*sent.lines, *bench.talk.listen(3.0, lambda line: line.kind == "load")]
    opened = [line for line in lines if line.kind == "load"]
    times_us = [int(line.fields[0]) - before_us for line in opened if line.fields[0].isdigit()]
    bench.ledger.check(
        "cutoff-opens",
        [line.fields[1:3] for line in opened] == [("0", "cutoff")]
        and _HOLD_MS * 1000 <= times_us[0] <= _HOLD_MS * 1000 + _TRIP_LATE_S * 1e6,
        f"load,time_us,0,cutoff {_HOLD_MS} ms after cutoff,{volts},{_HOLD_MS}; here after {times_us} us",
        sent=sent.sent,
        seen=b"\n".join(line.raw for line in opened) or b"(no load line)",
    )
    bench.tells({"load": "0"}, "cutoff-opens")
    try_trip(bench)


def try_trip(bench: Bench) -> None:
    """``load,1`` is refused once the cutoff has opened the switch."""
    if "opened" not in bench.pairs:
        bench.ledger.skip("cutoff-trips", "an older firmware: `opened` is missing in its hello")
        return
    bench.tells({"opened": "cutoff"}, "cutoff-trips")
    bench.ledger.expect("cutoff-trips", bench.talk.ask("load", "1"), "no,load,tripped")


def _set_cutoff(bench: Bench, volts: str, hold_ms: str) -> Exchange:
    exchange = bench.obeyed("cutoff", volts, hold_ms)
    bench.tells({"cutoff_v": volts, "hold_ms": hold_ms})
    return exchange

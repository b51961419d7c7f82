"""Commands, right and wrong, whole and in pieces, and what must be answered to each. Nothing is switched here."""

from typing import Final

from firmware_probe.line_format import COMMAND_MAX_BYTES, command
from logger.conform.bench import Bench
from logger.conform.talk import Exchange

# Shorter than a reset takes, longer than bytes of one line are apart.
CUT_PAUSE_S: Final = 0.02
LONG_CUT_S: Final = 1.5
_UNKNOWN: Final = "sing-a-song"
# All but LF, CR and the letters of a command; begins with what ends no line.
_GARBAGE: Final = (
    bytes([0xFF, 0x00, 0x2A, 0x41, 0x80, 0x2C, 0x07, 0x2A, 0x30, 0x30, 0x7F, 0xFE]) * 3
)


def try_commands(bench: Bench) -> None:
    """Everything that can be asked of a board that sends no windows."""
    _identify(bench)
    _refusals(bench)
    _limits(bench)
    _ends(bench)
    _pieces(bench)
    _garbage(bench)
    _flex(bench)


def _identify(bench: Bench) -> None:
    for rule, sent in (("answered", command("identify")), ("bare-identify", b"identify\n")):
        exchange = bench.talk.say(sent)
        bench.ledger.check(
            rule,
            len(exchange.hellos) == 1 and not exchange.answers,
            "one hello",
            sent=sent,
            seen=exchange.seen,
        )


def _refusals(bench: Bench) -> None:
    talk, ledger = bench.talk, bench.ledger
    ledger.expect("unknown-command", talk.ask(_UNKNOWN), f"no,{_UNKNOWN},unknown")
    window = _other_window(bench)
    good = command("window", window)
    for sent in (
        good[:-5] + _wrong(good[-5:-1]) + b"\n",
        good.replace(b"w", b"W", 1),
        good[: good.index(b"*")] + b"\n",
        b"start\n",
    ):
        ledger.expect("wrong-crc", talk.say(sent), "no,?,crc")
    _unchanged(bench, "wrong-crc")
    looks: list[tuple[str, tuple[str, ...]]] = [
        ("window", ()),
        ("window", ("soon",)),
        ("window", ("1e5",)),
    ]
    if bench.has_switch:
        looks += [("load", ()), ("cutoff", ("3.300000",)), ("cutoff", ("3.3", "100"))]
    for name, fields in looks:
        ledger.expect("missing-field", talk.ask(name, *fields), f"no,{name},field")
    _optional(bench)


def _optional(bench: Bench) -> None:
    """Commands that a board may lack; where it has them, they are not to take anything."""
    for name, field, reason, rule in (
        ("sensor", "banana", "field", "missing-field"),
        ("address", "20", "range", "out-of-range"),
    ):
        exchange = bench.talk.ask(name, field)
        if exchange.told != (f"no,{name},unknown",):
            bench.ledger.expect(rule, exchange, f"no,{name},{reason}")


def _wrong(digits: bytes) -> bytes:
    return (b"0" if digits[:1] != b"0" else b"1") + digits[1:]


def _other_window(bench: Bench) -> str:
    return "90000" if bench.pairs.get("window_us") != "90000" else "80000"


def _unchanged(bench: Bench, rule: str) -> None:
    bench.tells({key: bench.pairs.get(key, "") for key in ("window_us", "running")}, rule)


def _limits(bench: Bench) -> None:
    """The least is taken, one beyond either limit is not. The greatest would hold the board for a minute."""
    name = "window"
    least, greatest = bench.contract.limits[name]
    bench.obeyed(name, least, rule="out-of-range")
    bench.tells({"window_us": least})
    for value in (str(int(least) - 1), str(int(greatest) + 1), "0", "4294967296"):
        bench.ledger.expect("out-of-range", bench.talk.ask(name, value), f"no,{name},range")
    bench.tells({"window_us": least}, "out-of-range")
    if bench.has_switch:
        bench.ledger.expect("out-of-range", bench.talk.ask("load", "2"), "no,load,range")
        volts = f"{float(bench.contract.limits['cutoff'][1]) + 1:.6f}"
        bench.ledger.expect(
            "out-of-range", bench.talk.ask("cutoff", volts, "100"), "no,cutoff,range"
        )
    bench.obeyed(name, "100000")


def _ends(bench: Bench) -> None:
    """Fields beyond, CR, empty lines."""
    bench.obeyed("window", "90000", "7", rule="more-fields")
    bench.tells({"window_us": "90000"}, "more-fields")
    sent = command("window", "80000").replace(b"\n", b"\r\n")
    bench.ledger.expect("cr-before-lf", bench.talk.say(sent), "ok,window")
    for sent in (b"\n\n", b"\r\n"):
        exchange = bench.talk.say(sent, wait_s=0.2)
        bench.ledger.check(
            "empty-line",
            not (exchange.answers or exchange.hellos),
            "no answer",
            sent=sent,
            seen=exchange.seen,
        )


def _pieces(bench: Bench) -> None:
    talk, ledger = bench.talk, bench.ledger
    for cut in range(1, len(command("window", "70000"))):
        window = str(70_000 + cut)  # another value each time: it shows which was obeyed
        line = command("window", window)
        exchange = talk.say(line[:cut], line[cut:], pause_s=CUT_PAUSE_S)
        ledger.expect("split-command", _cut(exchange, cut), "ok,window")
        if cut % 6 == 0:
            bench.tells({"window_us": window}, "split-command")
    line = command("window", "60000")
    exchange = talk.say(line[:9], line[9:], pause_s=LONG_CUT_S)
    ledger.expect("split-command", _cut(exchange, 9), "ok,window")
    exchange = talk.say(*(line[at : at + 1] for at in range(len(line))), pause_s=CUT_PAUSE_S / 4)
    ledger.expect("split-command", exchange, "ok,window")
    two = command("window", "50000") + command("stop")
    exchange = talk.say(two, ends=lambda line: line.body == "ok,stop")
    ledger.expect("joined-commands", exchange, "ok,window", "ok,stop")
    bench.tells({"window_us": "50000"}, "joined-commands")


def _cut(exchange: Exchange, cut: int) -> Exchange:
    """With the place of the cut shown in what was sent."""
    sent = exchange.sent[:cut] + b"|" + exchange.sent[cut:]
    return Exchange(sent, exchange.lines, exchange.tail)


def _garbage(bench: Bench) -> None:
    talk, ledger = bench.talk, bench.ledger
    ledger.expect("garbage", talk.say(_GARBAGE + b"\n"), "no,?,crc")
    bench.obeyed("window", "40000", rule="garbage")
    half = command("window", "30000")[:12] + b"\n"
    ledger.expect("garbage", talk.say(half), "no,?,crc")
    bench.tells({"window_us": "40000"}, "garbage")
    for length in (COMMAND_MAX_BYTES, 4 * COMMAND_MAX_BYTES):
        # Ends like a good command: nothing of it may be obeyed.
        sent = b"x" * length + command("window", "30000")
        exchange = talk.say(sent)
        ledger.expect("overlong-command", exchange, "no,?,crc")
        bench.tells({"window_us": "40000"}, "overlong-command")
    bench.obeyed("window", "50000", rule="overlong-command")


def _flex(bench: Bench) -> None:
    """Only what must be refused: a rig that bends is for nobody to be surprised by."""
    name = "flex-start"
    exchange = bench.talk.ask(name, "leap", "1", "1000", "0", "0", "90", "1", "0")
    if exchange.told in ((f"no,{name},unknown",), (f"no,{name},fitted",)):
        bench.ledger.skip("flex-refused", "the board has no flex rig")
        return
    bench.ledger.expect("flex-refused", exchange, f"no,{name},field")
    for fields, reason in (
        (("servo", "0", "1000", "0", "0", "90", "1", "0"), "range"),
        (("servo", "1", "1000", "0", "0", "181", "1", "0"), "range"),
        (("servo", "1", "1000"), "field"),
    ):
        bench.ledger.expect("flex-refused", bench.talk.ask(name, *fields), f"no,{name},{reason}")

"""Bytes in chunks of any size -> checked lines of the protocol (firmware_probe/PROTOCOL.md).

One regular expression per window line checks its form and takes it apart in C;
the CRC decides. Numbers of a window that go into the run unchanged stay text:
that, and reading in chunks, is why this keeps up with any cable.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from firmware_probe.line_format import DECIMALS, FLEX_FIELDS, LINE_MAX_BYTES, WINDOW_FIELDS, crc16


class Window(NamedTuple):
    """One window line. ``passed`` is the text from ``conversions`` to ``current_max_ma`` as sent.

    ``charge_umah`` and ``energy_umwh`` are the board's running counters in
    millionths of mAh and mWh. A NamedTuple because a night has a million of them.
    """

    sequence: int
    time_us: int
    passed: bytes
    pack_v: float
    current_max_ma: float
    charge_umah: int
    energy_umwh: int

    @property
    def current_ma(self) -> float:
        return float(self.passed.split(b",")[4])


@dataclass(frozen=True)
class Hello:
    """Who the board is; ``load`` is ``1`` closed, ``0`` open, ``-`` no switch; ``opened``: why it is open
    (``new``, ``host``, ``cutoff``, ``sensor``; ``-``: it is not, or an older sketch).

    ``time_factor``: board seconds per host second of a simulated board (0: as
    fast as it can), None on a real one, whose clock can be compared with ours.
    ``burst_us``: usual time between bursts of short conversions, 0: none; None: it cannot.
    ``identity``: how the board knows the sensor: ``number``, ``behaviour``, ``told``, ``-``; empty: it does not say.
    ``ids``: what its identification registers held (``0000.0000``: nothing).
    """

    protocol: int
    firmware: str
    board: str
    boot: int
    time_us: int
    window_us: int
    cause: str = "unknown"
    sensor: str = "none"
    address: str = ""
    shunt_ohm: float | None = None
    range_ma: float | None = None
    bus_range_v: float | None = None
    load: str = "-"
    opened: str = "-"
    cutoff_v: float = 0.0
    hold_ms: int = 0
    running: bool = False
    time_factor: float | None = None
    burst_us: int | None = None
    identity: str = ""
    ids: str = ""


@dataclass(frozen=True)
class SensorKnown:
    """How the board knows its sensor; comes right before a ``hello``, whose fields it becomes."""

    identity: str
    ids: str


_SENSOR_UNKNOWN: Final = SensorKnown("", "")


@dataclass(frozen=True)
class Own:
    """What an INA228 counted itself, read right after the window ``sequence``; ``clears``: how often it began anew.

    ``charge`` (signed), ``energy``, ``die``: as its registers have them.
    """

    sequence: int
    clears: int
    charge: int
    energy: int
    die: int


@dataclass(frozen=True)
class Burst:
    """Sums of squared differences, in counts squared, of ``bursts`` bursts of short conversions since the last line."""

    time_us: int
    bursts: int
    within: int
    between: int


@dataclass(frozen=True)
class Load:
    """State of the load switch (``1`` closed, ``0`` open, ``-`` none) and why it changed."""

    time_us: int
    state: str
    reason: str


@dataclass(frozen=True)
class Fault:
    """Something is wrong on the board; ``detail`` depends on ``code``."""

    time_us: int
    code: str
    detail: str


@dataclass(frozen=True)
class Flex:
    """One flex cycle of one joint; resistances are None where the joint was open all the time."""

    cycle: int
    time_us: int
    joint: int
    current_min_ma: float
    current_max_ma: float
    resistance_min_ohm: float | None
    resistance_max_ohm: float | None
    opens: int
    longest_open_us: int


@dataclass(frozen=True)
class FlexEnd:
    """A flex run is over: after how many cycles, and why."""

    cycle: int
    time_us: int
    reason: str


@dataclass(frozen=True)
class Answer:
    """The board's ``ok`` or ``no`` to a command; ``reason`` is empty for ``ok``."""

    command: str
    accepted: bool
    reason: str = ""


@dataclass(frozen=True)
class Void:
    """A line that was not taken. ``position``: bytes since the stream began; ``reason``: ``length``,
    ``characters`` (or no CRC), ``crc``, ``fields``."""

    position: int
    length: int
    reason: str


Item = Window | Hello | Own | Burst | Load | Fault | Flex | FlexEnd | Answer | Void


def _number(name: str) -> bytes:
    decimals = DECIMALS.get(name, 0)
    return b"-?[0-9]{1,12}\\.[0-9]{%d}" % decimals if decimals else b"[0-9]{1,20}"


_NUMBER: Final = {name: _number(name) for name in (*WINDOW_FIELDS, *FLEX_FIELDS, *DECIMALS)}
_MORE: Final = rb"(?:,[ -)+-~]*)?"  # fields of later versions
_WINDOW: Final = re.compile(
    b"(w,(%(sequence)b),(%(time_us)b),(%(conversions)b,(%(pack_v)b),%(pack_min_v)b,%(bus_v)b,"
    b"%(current_ma)b,%(current_min_ma)b,(%(current_max_ma)b)),(%(charge_mah)b),(%(energy_mwh)b)"
    b"%(more)b)\\*([0-9A-F]{4})\r?"
    % {**{name.encode(): text for name, text in _NUMBER.items()}, b"more": _MORE}
).fullmatch
_HELLO: Final = b"hello,protocol="
_LINE: Final = re.compile(rb"([ -)+-~]*)\*([0-9A-F]{4})\r?").fullmatch


class LineDecoder:
    """Takes chunks, gives checked lines in their order; keeps less than one line between chunks.

    Counters: ``bytes_in``, ``lines`` (taken), ``unknown`` (right CRC, kind not
    known, ignored), ``voids`` by reason. The piece of a line that stands at the very
    beginning, or after ``restart``, is not counted as void: the port was opened in its middle.
    """

    def __init__(self) -> None:
        self.bytes_in = 0
        self.lines = 0
        self.unknown = 0
        self.voids: dict[str, int] = {}
        self._pending = b""
        self._overlong = 0  # bytes of an overlong line so far
        self._fresh = True
        self._sensor = _SENSOR_UNKNOWN

    def restart(self) -> None:
        """The link was opened again: what is pending will never be completed."""
        self._pending = b""
        self._overlong = 0
        self._fresh = True

    def feed(self, chunk: bytes) -> list[Item]:
        """Checked lines and void ones that this chunk completes; one per LF at most, two where half a line glues to a hello."""
        self.bytes_in += len(chunk)
        lines = (self._pending + chunk).split(b"\n")
        position = self.bytes_in - len(chunk) - len(self._pending)
        rest = lines.pop()
        items: list[Item] = []
        if lines and self._overlong:
            length = len(lines.pop(0)) + 1
            items += self._void(position - self._overlong, self._overlong + length, "length")
            position += length
            self._overlong = 0
        if lines and self._fresh:
            items += self._first(position, lines[0])
            position += len(lines.pop(0)) + 1
        self._decode(lines, position, items)
        if self._overlong or len(rest) >= LINE_MAX_BYTES:
            self._overlong += len(rest)
            rest = b""
        self._pending = rest
        return items

    def _decode(self, lines: list[bytes], position: int, items: list[Item]) -> None:
        """The hot loop: everything that is not a plain window goes to ``_other``."""
        append = items.append
        taken = 0
        for line in lines:
            match = _WINDOW(line)
            if match is None or len(line) >= LINE_MAX_BYTES:
                items += self._other(position, line)
            else:
                body, sequence, time_us, passed, pack_v, peak, charge, energy, crc = match.groups()
                if b"%04X" % crc16(body) != crc:
                    items += self._void(position, len(line) + 1, "crc")
                else:
                    taken += 1
                    append(
                        Window(
                            int(sequence),
                            int(time_us),
                            passed,
                            float(pack_v),
                            float(peak),
                            int(charge.replace(b".", b"")),
                            int(energy.replace(b".", b"")),
                        )
                    )
            position += len(line) + 1
        self.lines += taken

    def _first(self, position: int, line: bytes) -> list[Item]:
        """The first line after opening: whole, or the rest of one and then no void."""
        items: list[Item] = []
        before = dict(self.voids)
        self._fresh = False
        self._decode([line], position, items)
        if items and isinstance(items[0], Void):
            self.voids = before
            return []
        return items

    def _other(self, position: int, line: bytes) -> list[Item]:
        if line in (b"", b"\r"):
            return []
        length = len(line) + 1
        if length > LINE_MAX_BYTES:
            return self._void(position, length, "length")
        glued = line.rfind(_HELLO)
        if glued > 0 and _is_whole(line[glued:]):
            # Half a line, then a reset of a board whose hello begins without an LF.
            half = self._void(position, glued, "characters")
            return half + self._other(position + glued, line[glued:])
        match = _LINE(line)
        if match is None:
            return self._void(position, length, "characters")
        body, crc = match.groups()
        if b"%04X" % crc16(body) != crc:
            return self._void(position, length, "crc")
        kind, *parts = body.decode("ascii").split(",")
        reader = _READERS.get(kind)
        if reader is None:
            self.unknown += 1
            return []
        try:
            item = reader(parts)
        except (ValueError, IndexError, KeyError):
            return self._void(position, length, "fields")
        self.lines += 1
        if isinstance(item, SensorKnown):
            self._sensor = item
            return []
        if isinstance(item, Hello):
            item = replace(item, identity=self._sensor.identity, ids=self._sensor.ids)
            self._sensor = _SENSOR_UNKNOWN
        return [item]

    def _void(self, position: int, length: int, reason: str) -> list[Item]:
        self.voids[reason] = self.voids.get(reason, 0) + 1
        return [Void(position, length, reason)]


def _is_whole(line: bytes) -> bool:
    match = _LINE(line)
    return match is not None and b"%04X" % crc16(match[1]) == match[2]


_WHOLE = re.compile(r"[0-9]{1,20}").fullmatch
_DECIMAL = re.compile(r"-?[0-9]{1,12}(?:\.[0-9]{1,9})?").fullmatch
_BOARD = re.compile(r"[0-9A-F]{8}").fullmatch
_WORD = re.compile(r"[0-9a-z?_-]{1,24}").fullmatch


def _whole(text: str) -> int:
    if not _WHOLE(text):
        raise ValueError(text)
    return int(text)


def _signed(text: str) -> int:
    return -_whole(text[1:]) if text.startswith("-") else _whole(text)


def _decimal(text: str) -> float:
    if not _DECIMAL(text):
        raise ValueError(text)
    return float(text)


def _optional(pairs: Mapping[str, str], key: str) -> float | None:
    return _decimal(pairs[key]) if pairs.get(key) else None


def _word(text: str) -> str:
    if not _WORD(text):
        raise ValueError(text)
    return text


def _hello(parts: list[str]) -> Hello:
    pairs = dict(part.split("=", 1) for part in parts if "=" in part)
    if not _BOARD(pairs["board"]) or pairs.get("load", "-") not in ("0", "1", "-"):
        raise ValueError(pairs["board"])
    return Hello(
        protocol=_whole(pairs["protocol"]),
        firmware=pairs.get("firmware", ""),
        board=pairs["board"],
        boot=_whole(pairs["boot"]),
        time_us=_whole(pairs["time_us"]),
        window_us=_whole(pairs["window_us"]),
        cause=pairs.get("cause", "unknown"),
        sensor=pairs.get("sensor", "none"),
        address=pairs.get("address", ""),
        shunt_ohm=_optional(pairs, "shunt_ohm"),
        range_ma=_optional(pairs, "range_ma"),
        bus_range_v=_optional(pairs, "bus_range_v"),
        load=pairs.get("load", "-"),
        opened=pairs.get("opened", "-"),
        cutoff_v=_optional(pairs, "cutoff_v") or 0.0,
        hold_ms=_whole(pairs.get("hold_ms", "0")),
        running=pairs.get("running") == "1",
        time_factor=_optional(pairs, "time_factor"),
        burst_us=_whole(pairs["burst_us"]) if "burst_us" in pairs else None,
    )


def _own(parts: list[str]) -> Own:
    sequence, clears, energy = (_whole(parts[at]) for at in (0, 1, 3))
    charge, die = (_signed(parts[at]) for at in (2, 4))
    return Own(sequence, clears, charge, energy, die)


def _burst(parts: list[str]) -> Burst:
    time_us, bursts, within, between = (_whole(part) for part in parts[:4])
    if not 0 < bursts < 2**16:
        raise ValueError(parts)
    return Burst(time_us, bursts, within, between)


def _load(parts: list[str]) -> Load:
    if parts[1] not in ("0", "1", "-"):
        raise ValueError(parts[1])
    return Load(_whole(parts[0]), parts[1], _word(parts[2]))


def _flex(parts: list[str]) -> Flex:
    return Flex(
        cycle=_whole(parts[0]),
        time_us=_whole(parts[1]),
        joint=_whole(parts[2]),
        current_min_ma=_decimal(parts[3]),
        current_max_ma=_decimal(parts[4]),
        resistance_min_ohm=_decimal(parts[5]) if parts[5] else None,
        resistance_max_ohm=_decimal(parts[6]) if parts[6] else None,
        opens=_whole(parts[7]),
        longest_open_us=_whole(parts[8]),
    )


_READERS: Final[dict[str, Callable[[list[str]], Item | SensorKnown]]] = {
    "hello": _hello,
    "burst": _burst,
    "own": _own,
    "sensor": lambda parts: SensorKnown(_word(parts[0]), parts[1]),
    "load": _load,
    "fault": lambda parts: Fault(
        _whole(parts[0]), _word(parts[1]), parts[2] if len(parts) > 2 else ""
    ),
    "flex": _flex,
    "flex-end": lambda parts: FlexEnd(_whole(parts[0]), _whole(parts[1]), _word(parts[2])),
    "ok": lambda parts: Answer(_word(parts[0]), True),
    "no": lambda parts: Answer(_word(parts[0]), False, _word(parts[1])),
    # A window line whose numbers are not in the protocol's form, though its CRC is right.
    "w": lambda parts: _refuse(parts),
}


def _refuse(parts: list[str]) -> Item:
    raise ValueError(parts)

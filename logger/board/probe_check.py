"""Is the board wired up right? A few seconds of its lines, and what they say in words."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Final, Protocol

from firmware_probe.line_format import command
from logger.base.sensor_identity import unknown_words
from logger.board.stream import Answer, Fault, Hello, Item, Window
from logger.board.switch_watch import limit_ma
from logger.board.wiring_sense import NO_VOLTAGE_V, Row, sense_wiring, senses_of
from logger.run.switch_test import STUCK_ADVICE

LISTEN_S: Final = 5.0
WINDOW_US: Final = 100_000
PATIENCE_S: Final = (
    3.0  # beyond the time to listen: for the first window, and for a sensor that has to be found
)
READ_WAIT_S: Final = 0.1
SET_BACK_S: Final = 1.0
SET_BACK_TRIES: Final = 2

# An open input of these sensors floats up to about 1 V (common practice, no source).
FLOATING_V: Final = 1.2
# Absolute maximum at the inputs: INA219 26 V (TI SBOS448G), INA226 36 V (TI SBOS547B), INA228 85 V (SOURCES.md C25).
INPUT_MAX_V: Final = {"INA219": 26.0, "INA226": 36.0, "INA228": 85.0}
# A conversion below this share of the mean is a contact that opened, not a load that pulled.
CONTACT_SHARE: Final = 0.5


class LineSource(Protocol):
    """Port and decoder, as ``logger.board.port.Link`` and ``logger.board.stream.LineDecoder`` give them."""

    def read(self, wait_s: float) -> bytes: ...

    def write(self, data: bytes) -> None: ...


@dataclass(frozen=True)
class Seen:
    """What was seen in ``span_s`` of board time. Means and scatter are over windows (V, mA).

    ``*_scatter``: standard deviation of the windows' means; 0 if there is only one.
    """

    windows: int
    conversions: int
    span_s: float
    pack_v: float
    pack_min_v: float
    pack_scatter_v: float
    bus_v: float
    current_ma: float
    current_min_ma: float
    current_max_ma: float
    current_scatter_ma: float


@dataclass(frozen=True)
class Heard:
    """What came in: ``seen`` is None if no window did; ``faults``: the codes of fault lines, each once; ``rows``: the windows."""

    seen: Seen | None
    faults: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()


@dataclass(frozen=True)
class Verdict:
    """One sentence on the wiring, and what to do; ``good``: nothing to do; ``stuck``: current flows through an open load switch."""

    good: bool
    words: str
    next_step: str = ""
    stuck: bool = False


def listen(
    link: LineSource,
    decode: Callable[[bytes], Sequence[Item]],
    hello: Hello,
    listen_s: float = LISTEN_S,
    now: Callable[[], float] = time.monotonic,
) -> Heard:
    """Have the board send windows for a while.

    A board that was sending already is left as it is. Otherwise its window is set to
    0.1 s for as long, then set back and stopped. Load switch and cutoff are not touched.
    """
    if hello.sensor == "none":
        return Heard(None)
    ours = not hello.running
    if ours:
        link.write(command("window", str(WINDOW_US)) + command("start"))
    windows: list[Window] = []
    faults: list[str] = []
    end_s = now() + PATIENCE_S
    try:
        while now() < end_s and _span_s(windows) < listen_s:
            for item in decode(link.read(READ_WAIT_S)):
                if isinstance(item, Window):
                    windows.append(item)
                    end_s = now() + PATIENCE_S
                elif isinstance(item, Fault) and item.code not in faults:
                    faults.append(item.code)
    finally:
        if ours:
            set_back(link, decode, hello.window_us, now)
    rows = tuple(Row(*map(float, window.passed.split(b","))) for window in windows)
    return Heard(summary(windows) if windows else None, tuple(faults), rows)


def set_back(
    link: LineSource,
    decode: Callable[[bytes], Sequence[Item]],
    window_us: int,
    now: Callable[[], float],
) -> None:
    """Stop the board and give it its window back; said again if it does not confirm."""
    for _ in range(SET_BACK_TRIES):
        link.write(command("stop") + command("window", str(window_us)))
        end_s = now() + SET_BACK_S
        while now() < end_s:
            for item in decode(link.read(READ_WAIT_S)):
                if isinstance(item, Answer) and item.command == "window" and item.accepted:
                    return


def _span_s(windows: Sequence[Window]) -> float:
    return (windows[-1].time_us - windows[0].time_us) * 1e-6 if windows else 0.0


def summary(windows: Sequence[Window]) -> Seen:
    """Means, extremes and scatter of some windows (at least one)."""
    # conversions, pack_v, pack_min_v, bus_v, current_ma, current_min_ma, current_max_ma
    columns = list(zip(*([float(x) for x in w.passed.split(b",")] for w in windows), strict=True))
    conversions, pack, pack_min, bus, current, current_min, current_max = columns
    return Seen(
        windows=len(windows),
        conversions=int(sum(conversions)),
        span_s=_span_s(windows),
        pack_v=fmean(pack),
        pack_min_v=min(pack_min),
        pack_scatter_v=stdev(pack) if len(windows) > 1 else 0.0,
        bus_v=fmean(bus),
        current_ma=fmean(current),
        current_min_ma=min(current_min),
        current_max_ma=max(current_max),
        current_scatter_ma=stdev(current) if len(windows) > 1 else 0.0,
    )


def judge(hello: Hello, heard: Heard, zero_ma: float) -> Verdict:
    """What the readings say about the wiring; currents below ``zero_ma`` cannot be told from none."""
    if hello.sensor == "none":
        unknown = unknown_words(hello.address, hello.ids)
        if unknown:
            return Verdict(
                False,
                unknown,
                "if you know which sensor it is, say so: drawbench probe --sensor INA226 (or another kind); its doubt "
                "is then that of such a chip as bought, until it was compared with a meter.",
            )
        return Verdict(
            False,
            "The board answers, but it finds no sensor.",
            "check the sensor's four wires: VCC to 5V, GND to GND, SDA to A4, SCL to A5.",
        )
    if "overflow" in heard.faults:
        return _overflow(hello)
    seen = heard.seen
    if seen is None:
        return Verdict(
            False,
            f"The board found its {hello.sensor}, but no reading comes from it.",
            "say what it really is, or have it looked for again: drawbench probe --sensor auto."
            if hello.identity == "told"
            else "check the wires SDA and SCL for a loose end, then press the board's reset button.",
        )
    return (
        _too_much(hello, seen)
        or _current(hello, seen, zero_ma)
        or _contact(seen)
        or _pattern(hello, heard.rows)
        or _RIGHT
    )


_RIGHT: Final = Verdict(
    True, "Voltage and current are there, and the current flows out of the pack."
)


def _overflow(hello: Hello) -> Verdict:
    range_text = f" of {hello.range_ma:g} mA" if hello.range_ma else ""
    return Verdict(
        False,
        f"The current goes beyond the sensor's range{range_text}; what is beyond it is not counted.",
        "look for a short circuit; a piece that really draws so much needs a smaller shunt.",
    )


def _too_much(hello: Hello, seen: Seen) -> Verdict | None:
    limit_v = INPUT_MAX_V.get(hello.sensor)
    if limit_v is None or seen.pack_v <= limit_v:
        return None
    return Verdict(
        False,
        f"The pack has more than the {limit_v:g} V that the {hello.sensor} stands.",
        "take it off at once; this probe is for smaller packs.",
    )


def _current(hello: Hello, seen: Seen, zero_ma: float) -> Verdict | None:
    if seen.current_ma < -zero_ma:
        return Verdict(
            False,
            "The current flows backwards, into the pack.",
            "change VIN+ and VIN\N{MINUS SIGN} over: VIN+ goes to the pack, VIN\N{MINUS SIGN} to your piece.",
        )
    vbus = (
        f"; on an {hello.sensor} breakout VBS (VBUS) must be joined to VIN\N{MINUS SIGN}"
        if hello.sensor in ("INA226", "INA228")
        else ""
    )
    if seen.current_ma > zero_ma:
        if hello.load == "0" and seen.current_ma > limit_ma(hello, seen.pack_v):
            return Verdict(
                False,
                f"The load switch is open, and {seen.current_ma:.0f} mA flow all the same.",
                f"{STUCK_ADVICE}.",
                stuck=True,
            )
        if seen.bus_v < NO_VOLTAGE_V:
            return Verdict(
                False,
                "Current flows, but there is no voltage at the sensor.",
                f"join the pack's minus to the board's GND{vbus}.",
            )
        return None
    if seen.pack_v < NO_VOLTAGE_V:
        return Verdict(
            False,
            "There is neither voltage nor current.",
            f"check that the pack is in and switched on, its fuse, and the lead to VIN+{vbus}.",
        )
    if seen.pack_v < FLOATING_V:
        return Verdict(
            False,
            f"{seen.pack_v:.2f} V and no current: a sensor that nothing is connected to reads like this.",
            f"check that the pack is in and switched on, its fuse, and the lead to VIN+{vbus}.",
        )
    if hello.load == "0" and hello.opened == "cutoff":
        return Verdict(
            True,
            "The pack's voltage is there; the board opened the load switch at its cutoff, and only a person closes it.",
            "put a fresh or charged pack in.",
        )
    if hello.load == "0":
        return Verdict(
            True,
            "The pack's voltage is there; the load switch is open until a run closes it, so no current flows.",
        )
    return Verdict(
        False,
        "The pack's voltage is there, but no current that the sensor could see.",
        "switch your piece on; if it is on, it must hang on VIN\N{MINUS SIGN}, not on the pack itself.",
    )


def _pattern(hello: Hello, rows: Sequence[Row]) -> Verdict | None:
    """Bad contact, hum and noise, as a run is told of them (``wiring_sense``)."""
    senses = senses_of(hello.sensor, hello.shunt_ohm, hello.range_ma)
    for finding in sense_wiring(rows, senses) if senses else ():
        if finding.code in ("contact", "hum", "noise"):
            return Verdict(False, finding.text, finding.advice)
    return None


def _contact(seen: Seen) -> Verdict | None:
    if seen.pack_min_v >= CONTACT_SHARE * seen.pack_v:
        return None
    return Verdict(
        False,
        f"The voltage drops out for moments, down to {seen.pack_min_v:.2f} V: a loose contact.",
        "press on each plug, clip and battery spring in turn and look which one does it.",
    )

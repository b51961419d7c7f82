"""Before a night: do voltage and current look like the pack and the piece that were named?"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from firmware_probe.line_format import command
from logger.pack import CHEMISTRIES, Pack
from logger.port import Found, LinkLostError
from logger.stream import LineDecoder, Load, Window

LISTEN_S: Final = 3.0
_WRONG_WAY_MA: Final = -1.0
_NOTHING_MA: Final = 0.5
_NO_VOLT_V: Final = 0.3
_FULL_SLACK: Final = 1.05


@dataclass(frozen=True)
class Seen:
    """What the board measured in a moment before the run; None: no window came."""

    pack_v: float | None
    current_ma: float | None
    load: str


def look(found: Found, now: Callable[[], float] = time.monotonic) -> Seen:
    """Let the board measure for a moment, then stop it again; the load switch is left as it is."""
    decoder, window, load = LineDecoder(), None, found.hello.load
    end_s = now() + max(LISTEN_S, 2.5 * found.hello.window_us / 1e6)
    try:
        if not found.hello.running:
            found.link.write(command("start"))
        while window is None and now() < end_s:
            for item in decoder.feed(found.link.read(0.1)):
                if isinstance(item, Window):
                    window = item
                elif isinstance(item, Load):
                    load = item.state
        if not found.hello.running:
            found.link.write(command("stop"))
    except LinkLostError:
        return Seen(None, None, load)
    if window is None:
        return Seen(None, None, load)
    return Seen(window.pack_v, window.current_ma, load)


def verdict(seen: Seen, pack: Pack, cutoff_v: float) -> tuple[str, list[str]]:
    """What was seen in a sentence, and what looks wrong with it, in words."""
    if seen.pack_v is None or seen.current_ma is None:
        return "The board answers but sends no measurement.", [
            "The sensor is not read: check its four wires to the board (supply, ground, data, clock)."
        ]
    volt_v, current_ma = seen.pack_v, seen.current_ma
    said = f"The board sees {volt_v:.2f} V and {current_ma:.1f} mA."
    doubts = []
    full_v = pack.full_v * _FULL_SLACK
    if volt_v < _NO_VOLT_V:
        doubts.append(
            "No voltage: the pack is not connected, is switched off, or its ground is not the board's ground."
        )
    elif volt_v > full_v:
        cells = round(volt_v / CHEMISTRIES[pack.chemistry].nominal_v)
        doubts.append(
            f"That is more than {pack} can have ({pack.full_v:.2f} V when full): another pack, or {cells} cells?"
        )
    elif volt_v < cutoff_v:
        doubts.append(
            f"That is below the cutoff of {cutoff_v:g} V already: fresh or charged cells?"
        )
    elif volt_v < pack.nominal_v * 0.9:
        doubts.append(f"{pack} has {pack.nominal_v:.1f} V when it is fresh: these cells look used.")
    if current_ma < _WRONG_WAY_MA:
        doubts.append("The current runs backwards: swap the two thick wires at the sensor.")
    elif abs(current_ma) < _NOTHING_MA and seen.load != "0" and volt_v >= _NO_VOLT_V:
        doubts.append(
            "No current: is the piece switched on, and does its supply go through the sensor?"
        )
    return said, doubts

"""What each command of the host does to the board (PROTOCOL.md, "Host to board")."""

from collections.abc import Callable
from typing import Final, Protocol

from firmware_probe.twin.board_commands import (
    CUTOFF_MAX_UV,
    HOLD_MAX_MS,
    WINDOW_MAX_US,
    WINDOW_MIN_US,
    Command,
    Refused,
    flex_order,
    parse_command,
)
from firmware_probe.twin.flex_rig import FlexRig
from firmware_probe.twin.load_switch import LoadSwitch
from firmware_probe.twin.sensor import KINDS, CurrentSensor
from firmware_probe.twin.window_grid import WindowGrid
from firmware_probe.twin.window_sums import BURST_MIN_US, BurstRecord, can_burst


class Ordered(Protocol):
    """The board as its commands see it; ``simulated_us``: now, ``boot_us``: its last boot, on one clock."""

    flex: FlexRig
    switch: LoadSwitch
    windows: WindowGrid
    bursts: BurstRecord
    simulated_us: int
    boot_us: int

    @property
    def sensor(self) -> CurrentSensor: ...

    def say(self, body: str) -> None: ...
    def greet(self) -> None: ...
    def move_switch(self, closed: bool, reason: str) -> None: ...
    def look_for_sensor(self, kind: str | None, address: int | None) -> None: ...
    def set_cutoff(self, cutoff_uv: int, hold_ms: int) -> None: ...


def obey(board: Ordered, line: bytes) -> bool:
    """Do what a line says and answer it; gives whether it was obeyed."""
    try:
        command = parse_command(line)
        order = _ORDERS.get(command.name)
        if order is None:
            raise Refused(command.name, "unknown")
        order(board, command)
    except Refused as refused:
        board.say(f"no,{refused.name},{refused.reason}")
        return False
    return True


def _ok(board: Ordered, command: Command) -> None:
    board.say(f"ok,{command.name}")


def _identify(board: Ordered, command: Command) -> None:
    command.expect(0)
    board.greet()


def _window(board: Ordered, command: Command) -> None:
    command.expect(1)
    board.windows.next_window_us = command.whole(0, WINDOW_MIN_US, WINDOW_MAX_US)
    _ok(board, command)


def _burst(board: Ordered, command: Command) -> None:
    command.expect(1)
    period_us = command.whole(0, 0, WINDOW_MAX_US)
    if 0 < period_us < BURST_MIN_US:
        raise Refused(command.name, "range")
    if not can_burst(board.sensor):
        raise Refused(command.name, "fitted")
    board.bursts.set(period_us, board.simulated_us)
    _ok(board, command)


def _start(board: Ordered, command: Command) -> None:
    command.expect(0)
    board.windows.start(board.simulated_us)
    _ok(board, command)


def _stop(board: Ordered, command: Command) -> None:
    command.expect(0)
    board.windows.stop()
    _ok(board, command)


def _load(board: Ordered, command: Command) -> None:
    command.expect(1)
    closed = command.whole(0, 0, 1) == 1
    if not board.switch.is_fitted:
        raise Refused(command.name, "fitted")
    by_person = command.fields[1:2] == ("1",)
    if closed and board.switch.is_tripped and not by_person:
        raise Refused(command.name, "tripped")
    _ok(board, command)
    board.move_switch(closed, "host")


def _cutoff(board: Ordered, command: Command) -> None:
    command.expect(2)
    cutoff_uv = command.microvolts(0, CUTOFF_MAX_UV)
    hold_ms = command.whole(1, 0, HOLD_MAX_MS)
    if cutoff_uv and not board.switch.is_fitted:
        raise Refused(command.name, "fitted")
    board.set_cutoff(cutoff_uv, hold_ms)
    _ok(board, command)


def _sensor(board: Ordered, command: Command) -> None:
    command.expect(1)
    kind = command.fields[0]
    if kind != "auto" and kind not in KINDS:
        raise Refused(command.name, "field")
    _not_while_running(board, command)
    _ok(board, command)
    board.look_for_sensor("" if kind == "auto" else kind, None)


def _address(board: Ordered, command: Command) -> None:
    command.expect(1)
    address = command.address(0)
    _not_while_running(board, command)
    _ok(board, command)
    board.look_for_sensor(None, address)


def _not_while_running(board: Ordered, command: Command) -> None:
    if board.windows.is_running:
        raise Refused(command.name, "busy")


def _flex_start(board: Ordered, command: Command) -> None:
    order = flex_order(command)
    if board.flex.is_running:
        raise Refused(command.name, "busy")
    if len(board.flex.joints) < order.joints:
        raise Refused(command.name, "fitted")
    board.flex.start(order, board.simulated_us)
    _ok(board, command)


def _flex_stop(board: Ordered, command: Command) -> None:
    command.expect(0)
    _ok(board, command)
    for body in board.flex.stop(board.simulated_us - board.boot_us, "host"):
        board.say(body)


_ORDERS: Final[dict[str, Callable[[Ordered, Command], None]]] = {
    "identify": _identify,
    "window": _window,
    "burst": _burst,
    "start": _start,
    "stop": _stop,
    "load": _load,
    "cutoff": _cutoff,
    "sensor": _sensor,
    "address": _address,
    "flex-start": _flex_start,
    "flex-stop": _flex_stop,
}

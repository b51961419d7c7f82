"""A board on a wire without a port, its time passing as fast as the test runs; players that spoil what it says."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

from firmware_probe.twin.bench_text import load_from_text, pack_from_text, sensor_from_text
from firmware_probe.twin.eeprom import Eeprom
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.conform.contract import contract
from logger.conform.course import Conformance, try_board
from logger.conform.talk import Talk, Wire

_STEP_US: Final = 5_000


class AnyBoard(Protocol):
    """What is played: the simulated board, or one that spoils what that says."""

    def receive(self, data: bytes) -> None: ...
    def advance(self, duration_us: int) -> bytes: ...
    def reset(self, cause: str = "reset") -> None: ...


def twin(
    sensor: str = "ina219",
    *,
    load: str = "100ohm",
    seed: int = 7,
    perfect: bool = False,
    switch_fitted: bool = True,
    eeprom: Eeprom | None = None,
    make: type[SimulatedBoard] = SimulatedBoard,
    **more: Any,
) -> SimulatedBoard:
    """The simulated board with a resistor in the piece's place."""
    return make(
        pack_from_text("3x AA alkaline"),
        load_from_text(load, seed),
        sensor_from_text(sensor, 0.1, seed, perfect=perfect),
        seed=seed,
        switch_fitted=switch_fitted,
        eeprom=eeprom,
        **more,
    )


@dataclass
class PlayedWire:
    """``read`` lets the board's time pass. ``resets``: DTR resets it."""

    board: AnyBoard
    resets: bool = True
    now_s: float = 0.0

    def read(self, wait_s: float) -> bytes:
        left_us = max(round(wait_s * 1e6), 1)
        while left_us > 0:
            step_us = min(_STEP_US, left_us)
            left_us -= step_us
            self.now_s += step_us * 1e-6
            if data := self.board.advance(step_us):
                return data
        return b""

    def write(self, data: bytes) -> None:
        self.board.receive(data)

    def close(self) -> None:
        pass

    def pulse_reset(self) -> bool:
        if self.resets:
            self.board.reset("reset")
        return self.resets


def conform(
    board: AnyBoard,
    *,
    resets: bool = True,
    may_switch: bool = True,
    wait_wrap: bool = False,
    ask_reset: Callable[[], bool] = lambda: False,
) -> Conformance:
    """The whole test on a played board."""
    wire = PlayedWire(board, resets)

    def reopen(old: Wire) -> Wire:
        return old

    return try_board(
        Talk(wire, reopen, lambda: wire.now_s),
        contract(),
        may_switch=may_switch,
        wait_wrap=wait_wrap,
        ask_reset=ask_reset,
    )

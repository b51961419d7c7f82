"""The firmware in Python on MicroPython, on the simulated bench: pack, load and sensor of the twin, lines of the real core.

Unlike ``SimulatedBoard`` nothing of the board itself is a model but its clock and bus: conversions
of the bench go in as the sensor's registers, bytes and the load switch come out.
"""

from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from firmware_probe.interpreter.process import Interpreter, Told
from firmware_probe.twin.bench_circuit import RIGHT_WIRING, BenchCircuit
from firmware_probe.twin.faults import FaultPlayer
from firmware_probe.twin.load import LoadProgramme
from firmware_probe.twin.pack import PackModel
from firmware_probe.twin.sensor import CurrentSensor

_STEP_US: Final = 1_000_000
_BATCH: Final = 1000  # conversions that the board's memory holds beside its program


def _chip_name(sensor: CurrentSensor) -> str:
    """As the bench knows it: a clone says not who it is."""
    name = sensor.kind.name
    return name if sensor.is_named or name == "INA219" else name.replace("INA", "CLONE")


class InterpreterBoard:
    """For ``serve.BoardServer``. ``memory``: folder of what the board remembers; to be closed.

    Raises InterpreterMissing where there is no MicroPython, InterpreterFailed when its program ends.
    """

    def __init__(
        self,
        pack: PackModel,
        load: LoadProgramme,
        sensor: CurrentSensor,
        memory: Path,
        *,
        seed: int = 0,
        switch_fitted: bool = True,
        window_us: int = 100_000,
    ) -> None:
        self.faults = FaultPlayer()
        self.link_down_left_us = 0
        self.time_factor = 1.0  # stands in the board's hello: to be set before the first start
        self._fitted = switch_fitted
        self._window_us = window_us
        self._board = Interpreter(memory)
        self._board.setting("settings", "SHUNT_STEPS", round(sensor.shunt_ohm * 10_000))
        self._board.setting("windows", "WINDOW_US", window_us)
        self._board.chip(_chip_name(sensor), sensor.address)
        self._board.set("fitted", int(switch_fitted))
        self._target_us = self._now_us = 0
        self._told: Told | None = None
        self._sent = b""
        streams = np.random.SeedSequence(seed).spawn(1)
        self.circuit = BenchCircuit(pack, load, sensor, RIGHT_WIRING, streams[0])

    def close(self) -> None:
        self._board.close()

    # ---- what a server needs

    @property
    def is_idle(self) -> bool:
        return self._told is None or not self._told.running

    @property
    def window_us(self) -> int:
        return self._told.window_us if self._told else self._window_us

    def receive(self, data: bytes) -> None:
        """Bytes from the host; answers come with a later ``advance``."""
        self._board.host(data)

    def reset(self, cause: str = "reset") -> None:
        self._sent = b""
        self._boot(cause)

    def advance(self, duration_us: int) -> bytes:
        """Let time pass; returns what the board sent."""
        if self._told is None:
            self._boot("power")
        self._target_us += duration_us
        while self._now_us < self._target_us:
            self._play_stretch()
        sent, self._sent = self._sent, b""
        return sent

    # ---- what the truth is asked for

    @property
    def pack(self) -> PackModel:
        """The pack, with its true sums."""
        return self.circuit.pack

    @property
    def life_us(self) -> int:
        return self._target_us

    @property
    def load_closed(self) -> bool:
        """Can current flow?"""
        return not self._fitted or (self._told is not None and self._told.closed)

    # ---- time

    def _boot(self, cause: str) -> None:
        self._hear(
            self._board.boot(
                cause=cause,
                prefix="simulated-micropython-",
                more=f",time_factor={self.time_factor:g}",
            )
        )
        self.circuit.load.restart()

    def _hear(self, told: Told) -> None:
        if self._told and told.closed and not self._told.closed:
            self.circuit.load.restart()
        # The sensor converts as the firmware set it up.
        value = told.configuration_value
        if value != self.circuit.sensor.configuration_value:
            self.circuit.sensor = replace(self.circuit.sensor, configuration_value=value)
        self._told = told
        self._sent += told.sent

    def _play_stretch(self) -> None:
        """To the next thing that changes: the load's mode, the switch, the time asked for."""
        pair_ns = self.circuit.sensor.pair_time_ns
        start_us = self._now_us
        states, left_s = self.circuit.plan(self.load_closed)
        end_us = min(self._target_us, start_us + _STEP_US, start_us + pair_ns * _BATCH // 1000)
        if left_s < _STEP_US * 1e-6:
            end_us = min(end_us, start_us + max(round(left_s * 1e6), 1))
        first = start_us * 1000 // pair_ns + 1
        count = end_us * 1000 // pair_ns + 1 - first
        if count > 0:
            first_start_s = ((first - 1) * pair_ns / 1000 - start_us) * 1e-6
            shunt, bus = self.circuit.convert(states, first_start_s, count)
            ends_us = np.arange(first, first + count, dtype=np.int64) * pair_ns // 1000
            self._board.pairs(ends_us, shunt, bus)
        told = self._board.run(end_us, stop_at_switch=True)
        self._now_us = min(max(told.now_us, start_us + 1), end_us)
        self.circuit.draw(states, (self._now_us - start_us) * 1e-6)
        self._hear(told)

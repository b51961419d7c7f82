"""Simulated chips with errors from anywhere within the data sheets' limits, and readings of them."""

from dataclasses import dataclass, field, replace

import numpy as np

from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.sensor import SHUNT_TOLERANCE, CurrentSensor, PlantedErrors, SensorKind
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.sensor_limits import (
    SHUNT_PER_C,
    SUPPLY_APART_V,
    SensorLimits,
    sensor_limits,
)
from logger.board.wiring_sense import Row
from logger.calibration.steps import Reading, reading_of
from tests.support.simulated_runs import record

WINDOW_S = 0.5
APART_C = 5.0


@dataclass
class FallingPack:
    """Falls in a straight line, so that the truth is a formula; ``lead_s``: middle of a stretch."""

    start_v: float
    fall_v_per_s: float
    resistance_ohm: float = 0.3
    lead_s: float = WINDOW_S / 2
    charge_out_mah: float = field(default=0.0, init=False)
    energy_out_mwh: float = field(default=0.0, init=False)
    time_s: float = field(default=0.0, init=False)

    def source(self) -> tuple[float, float]:
        return self.start_v - self.fall_v_per_s * (self.time_s + self.lead_s), self.resistance_ohm

    def advance(self, current_a: float, power_w: float, duration_s: float) -> None:
        self.charge_out_mah += current_a * duration_s / 3.6
        self.energy_out_mwh += power_w * duration_s / 3.6
        self.time_s += duration_s


def any_chip(kind: SensorKind, rng: np.random.Generator) -> PlantedErrors:
    """Errors from anywhere within the limits, all equally likely."""

    def within(limit: float) -> float:
        return float(rng.uniform(-limit, limit))

    return PlantedErrors(
        shunt_gain=within(kind.shunt_gain_max),
        shunt_offset_uv=tuple(within(limit) for limit in kind.shunt_offset_max_uv),
        bus_gain=within(kind.bus_gain_max),
        bus_offset_v=within(kind.bus_offset_max_v),
        shunt_ohm_error=within(SHUNT_TOLERANCE),
        clock=1.0 + within(kind.clock_max - 1.0),
        common_uv_per_v=within(1e6 * sheet_of(kind).common_v_per_v),
    )


def sheet_of(kind: SensorKind) -> SensorLimits:
    sheet = sensor_limits(kind.name)
    assert sheet is not None
    return sheet


def drifted(errors: PlantedErrors, kind: SensorKind, rng: np.random.Generator) -> PlantedErrors:
    """The same chip at another temperature, up to ``APART_C`` away."""
    sheet = sensor_limits(kind.name)
    assert sheet is not None
    span_c = float(rng.uniform(-APART_C, APART_C))

    def within(per_c: float) -> float:
        return float(rng.uniform(-per_c, per_c)) * span_c

    supply_v = float(rng.uniform(-SUPPLY_APART_V, SUPPLY_APART_V))
    offset_uv = within(1e6 * sheet.current_offset_v_per_c) + 1e6 * sheet.supply_v_per_v * supply_v
    return replace(
        errors,
        shunt_gain=errors.shunt_gain + within(sheet.current_gain_per_c + SHUNT_PER_C),
        shunt_offset_uv=tuple(old + offset_uv for old in errors.shunt_offset_uv),
        bus_gain=errors.bus_gain + within(sheet.voltage_gain_per_c),
        bus_offset_v=errors.bus_offset_v + within(sheet.voltage_offset_v_per_c),
    )


def board_of(
    sensor: CurrentSensor, pack: FallingPack, current_a: float, seed: int, ppm: float = 0.0
) -> SimulatedBoard:
    load = constant_load(ConstantCurrent(current_a))
    return SimulatedBoard(
        pack, load, sensor, seed=seed, window_us=round(WINDOW_S * 1e6), clock_ppm=ppm
    )


def read_at(sensor: CurrentSensor, volt: float, current_a: float, seed: int) -> Reading:
    """What a calibration reads: ten seconds at a steady voltage and current."""
    sheet = sensor_limits(sensor.kind.name)
    assert sheet is not None
    run = record(board_of(sensor, FallingPack(volt, 0.0, 0.0), current_a, seed), 10.0)
    columns = run.samples[list(Row._fields)].to_numpy()
    return reading_of([Row(*map(float, row)) for row in columns], sheet, sensor.shunt_ohm)

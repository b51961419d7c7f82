"""The demo's scenario, invented: a lit night-ride vest on three alkaline AA.

24 addressable LEDs, a microcontroller and a motion sensor hang on 5 V from a boost
converter. Currents per colour of an addressable LED are a measured power model
(SOURCES.md E1: red 16, green 11, blue 15, dark 1 mA at 5 V, from an open LED library); everything
else is invented.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from firmware_probe.twin.load import (
    ConstantCurrent,
    Converter,
    LoadProgramme,
    Mode,
    Part,
    Pulsed,
    Step,
)
from firmware_probe.twin.pack import ALKALINE_AA, CellPack
from firmware_probe.twin.sensor import INA219, CurrentSensor, SensorKind, draw_errors
from firmware_probe.twin.simulated_board import SimulatedBoard

LEDS: Final = 24
LED_RED_A: Final = 0.016
LED_GREEN_A: Final = 0.011
LED_BLUE_A: Final = 0.015
LED_DARK_A: Final = 0.001
CONTROLLER_A: Final = 0.019
CONTROLLER_SLEEP_A: Final = 0.006
MOTION_SENSOR_A: Final = 0.0035
# Pulse-width dimming inside the LEDs, and what is left of it at the converter.
DIMMING_HZ: Final = 430.0
LED_RIPPLE: Final = 0.25
CONVERTER: Final = Converter(
    output_v=5.0,
    efficiency=0.86,
    quiescent_a=0.0008,
    minimum_v=2.35,
    restart_v=3.25,
    restart_delay_s=5.0,
)
# Where the vest is called empty: its LEDs lose colour just before the converter gives up.
# 0.9 V per cell, above the alkaline floor of 0.8 V. Held longer than braking lasts, or the
# dip of one braking would end the run.
CUTOFF_V: Final = 2.7
# Three evenings of three and a half hours on one set of cells.
NEED_S: Final = 3 * 3.5 * 3600.0
CUTOFF_HOLD_S: Final = 10.0


def leds(count: int, red: float, green: float, blue: float) -> tuple[Part, ...]:
    """``count`` LEDs lit at shares (0 to 1) of full red, green and blue.

    Each LED dims itself by pulses, but they start unsynchronised and the converter's
    capacitor smooths the sum: a ripple of a quarter of the mean is left (invented).
    """
    mean_a = count * (red * LED_RED_A + green * LED_GREEN_A + blue * LED_BLUE_A)
    ripple = Pulsed(ConstantCurrent(2.0 * LED_RIPPLE * mean_a), DIMMING_HZ, 0.5)
    return ConstantCurrent((1.0 - LED_RIPPLE) * mean_a), ripple


def _base(controller_a: float) -> tuple[Part, ...]:
    return (
        ConstantCurrent(LEDS * LED_DARK_A),
        ConstantCurrent(controller_a),
        ConstantCurrent(MOTION_SENSOR_A),
    )


PARKED: Final = Mode("parked", _base(CONTROLLER_SLEEP_A))
GLOW: Final = Mode("glow", (*_base(CONTROLLER_A), *leds(LEDS, 0.10, 0.03, 0.0)))
RIDE_COLOUR: Final = (0.16, 0.06, 0.05)
RIDE: Final = Mode("ride", (*_base(CONTROLLER_A), *leds(LEDS, *RIDE_COLOUR)))
TURN: Final = Mode(
    "turn",
    (
        *_base(CONTROLLER_A),
        Pulsed(ConstantCurrent(8 * (0.8 * LED_RED_A + 0.4 * LED_GREEN_A)), 1.5, 0.5),
    ),
)
BRAKE: Final = Mode("brake", (*_base(CONTROLLER_A), *leds(LEDS, 0.35, 0.0, 0.0)))


def vest_programme(seed: int = 0) -> LoadProgramme:
    """Half an hour on the road, over and over: riding, braking, turning, waiting at lights."""
    rng = np.random.default_rng([seed, 24])
    steps: list[Step] = []
    left_s = 1500.0
    while left_s > 0.0:
        ride_s = float(rng.uniform(20.0, 90.0))
        steps.append(Step(RIDE, round(ride_s, 1)))
        steps.append(Step(BRAKE, round(float(rng.uniform(1.0, 4.0)), 1)))
        if rng.random() < 0.4:
            steps.append(Step(TURN, round(float(rng.uniform(4.0, 9.0)), 1)))
        if rng.random() < 0.5:
            steps.append(Step(GLOW, round(float(rng.uniform(10.0, 45.0)), 1)))
        left_s = 1500.0 - sum(step.duration_s for step in steps)
    steps.append(Step(PARKED, 300.0))
    return LoadProgramme(tuple(steps), converter=CONVERTER)


def dimmed(programme: LoadProgramme, brightness: float) -> LoadProgramme:
    """The programme with its ride pattern at this share (0 to 1) of its brightness."""
    red, green, blue = (brightness * share for share in RIDE_COLOUR)
    ride = Mode("ride", (*_base(CONTROLLER_A), *leds(LEDS, red, green, blue)))
    steps = tuple(
        Step(ride, step.duration_s) if step.mode is RIDE else step for step in programme.steps
    )
    return replace(programme, steps=steps)


def vest_pack(temperature_c: float = 20.0) -> CellPack:
    """Three alkaline AA in a holder; springs and leads 0.12 ohm (invented)."""
    return CellPack(ALKALINE_AA, cells=3, wire_ohm=0.12, temperature_c=temperature_c)


def vest_sensor(seed: int = 0, kind: SensorKind = INA219) -> CurrentSensor:
    """Breakout with 0.1 ohm and the errors of one chip, drawn by the seed."""
    errors = draw_errors(kind, np.random.default_rng([seed, 219]))
    return replace(CurrentSensor(kind, shunt_ohm=0.1), errors=errors)


def vest_board(
    seed: int = 0, *, window_us: int = 1_000_000, brightness: float = 1.0, **options: Any
) -> SimulatedBoard:
    """The vest on the bench, riding at this share of its brightness; ``options`` go to ``SimulatedBoard``."""
    return SimulatedBoard(
        vest_pack(),
        dimmed(vest_programme(seed), brightness),
        vest_sensor(seed),
        seed=seed,
        window_us=window_us,
        **options,
    )


def budget_text() -> str:
    """The budget as the vest's maker wrote it before measuring; one figure of it is wrong."""
    return Path(__file__).with_name("vest_budget.toml").read_text(encoding="utf-8")

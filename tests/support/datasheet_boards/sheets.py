"""What the data sheets say of the three chips: steps, ranges, times, errors.

TI SBOS448 (INA219, grade A: what cheap boards carry; common practice, no source) and SBOS547 (INA226), SBOSA20 (INA228).
Offsets, gains, steps and times: tests/SOURCES.md C1, C3, C4, C5. Rejections, drifts and pin currents:
tests/SOURCES.md C20, C21, from memory.

Limits of offset and gain hold at a supply of 3.3 V, 12 V on the inputs and 25 degrees.
"""

from dataclasses import dataclass
from typing import Final

SHEET_SUPPLY_V: Final = 3.3
SHEET_COMMON_V: Final = 12.0
SHEET_C: Final = 25.0


@dataclass(frozen=True)
class Figure:
    """A typical and a greatest value, either side of zero; one of them may be missing from a sheet."""

    typical: float | None
    most: float | None

    def __post_init__(self) -> None:
        assert self.typical is not None or self.most is not None


def _db(least: float, typical: float) -> Figure:
    """Rejection in dB as volts at the input per volt of what is rejected."""
    return Figure(10 ** (-typical / 20), 10 ** (-least / 20))


@dataclass(frozen=True)
class ChipSheet:
    """One chip; volts at its input, gains as shares, per-degree figures as such.

    ``gains``: full scale of the shunt in V -> greatest offset. ``*_low``, ``*_high``: end stops of the
    register in counts. ``pin_a``: current into VIN- that comes through the shunt, at the sheet's common
    voltage, typical; ``pin_ohm``: resistance from the same node to ground (VIN- of the INA219, VBUS of the
    INA226, which boards tie to VIN-). ``settings_s``: times that one conversion of shunt or bus can be set
    to, the sketch's own first. ``averages``: how many the chip itself can average; ``interleaved``: by turns of
    shunt and bus, else first all of the shunt; ``averaged_s``: the sheet's own times for that, where it has a
    table. ``clock``: that the chip's time base may be off. ``noise_*_v``: least and greatest standard deviation of one conversion.
    """

    kind: str
    shunt_step_v: float
    bus_step_v: float
    offsets: dict[float, Figure]
    offset_per_c: Figure
    gain: Figure
    gain_per_c: Figure
    common: Figure
    supply: Figure
    bus_gain: Figure
    bus_gain_per_c: Figure
    bus_offset: Figure
    bus_offset_per_c: Figure
    bus_supply: Figure
    bus_ranges_v: tuple[float, ...]
    pin_a: float
    pin_ohm: float
    settings_s: tuple[float, ...]
    averages: tuple[int, ...]
    averaged_s: dict[int, float]
    interleaved: bool
    clock: float
    noise_shunt_v: tuple[float, float]
    noise_bus_v: tuple[float, float]


NONE: Final = Figure(None, 0.0)
INA219: Final = ChipSheet(
    kind="INA219",
    shunt_step_v=10e-6,
    bus_step_v=4e-3,
    offsets={
        0.04: Figure(10e-6, 100e-6),
        0.08: Figure(20e-6, 125e-6),
        0.16: Figure(30e-6, 150e-6),
        0.32: Figure(40e-6, 200e-6),
    },
    offset_per_c=Figure(0.1e-6, None),
    # The sheet's "current measurement error"; its gain error by itself is typically 0.04 %.
    gain=Figure(0.002, 0.005),
    gain_per_c=Figure(10e-6, None),
    common=_db(100.0, 120.0),
    supply=Figure(10e-6, None),
    bus_gain=Figure(0.002, 0.005),
    bus_gain_per_c=Figure(10e-6, None),
    bus_offset=NONE,
    bus_offset_per_c=NONE,
    bus_supply=NONE,
    bus_ranges_v=(16.0, 32.0),
    pin_a=20e-6,
    pin_ohm=320e3,
    settings_s=(532e-6,),
    averages=(1, 2, 4, 8, 16, 32, 64, 128),
    averaged_s={2: 1.06e-3, 4: 2.13e-3, 8: 4.26e-3, 16: 8.51e-3, 32: 17.02e-3, 64: 34.05e-3}
    | {128: 68.10e-3},
    interleaved=False,
    # 532 us typical, 586 us at most; the least is not stated, taken as far to the other side.
    clock=586 / 532 - 1,
    # No sheet limits it; about half a step, no source.
    noise_shunt_v=(3e-6, 8e-6),
    noise_bus_v=(0.5e-3, 2e-3),
)
INA226: Final = ChipSheet(
    kind="INA226",
    shunt_step_v=2.5e-6,
    bus_step_v=1.25e-3,
    offsets={0.08192: Figure(2.5e-6, 10e-6)},
    offset_per_c=Figure(0.02e-6, 0.1e-6),
    gain=Figure(0.0002, 0.001),
    gain_per_c=Figure(10e-6, 50e-6),
    common=_db(126.0, 140.0),
    supply=Figure(2.5e-6, None),
    bus_gain=Figure(0.0002, 0.001),
    bus_gain_per_c=Figure(10e-6, 50e-6),
    bus_offset=Figure(1.25e-3, 7.5e-3),
    bus_offset_per_c=Figure(10e-6, 40e-6),
    bus_supply=Figure(0.5e-3, None),
    bus_ranges_v=(40.96,),
    pin_a=10e-6,
    pin_ohm=830e3,
    settings_s=(588e-6, 140e-6, 204e-6, 332e-6, 1.1e-3, 2.116e-3, 4.156e-3, 8.244e-3),
    averages=(1, 4, 16, 64, 128, 256, 512, 1024),
    averaged_s={},
    # SBOS547, basic ADC functions: shunt, then bus, "until the number of averages is reached" (from memory).
    interleaved=True,
    # 588 us typical, 646 us at most, as above (the greatest from memory).
    clock=646 / 588 - 1,
    # From memory of the sheet's figure of noise against conversion time, read wide.
    noise_shunt_v=(2.5e-6, 7.5e-6),
    noise_bus_v=(0.4e-3, 1.2e-3),
)
# TI SBOSA20, all from memory: tests/SOURCES.md C25. In its wide range; the 50 us that its temperature takes are left out.
INA228: Final = ChipSheet(
    kind="INA228",
    shunt_step_v=312.5e-9,
    bus_step_v=195.3125e-6,
    offsets={0.16384: Figure(0.3e-6, 1e-6)},
    offset_per_c=Figure(2e-9, 10e-9),
    gain=Figure(0.0001, 0.0005),
    gain_per_c=Figure(None, 20e-6),
    common=_db(154.0, 170.0),
    supply=Figure(0.05e-6, 0.5e-6),
    bus_gain=Figure(0.0001, 0.0005),
    bus_gain_per_c=Figure(None, 20e-6),
    bus_offset=Figure(1e-3, 2.5e-3),
    bus_offset_per_c=Figure(4e-6, 20e-6),
    bus_supply=Figure(0.25e-3, None),
    bus_ranges_v=(85.0,),
    pin_a=0.1e-9,
    pin_ohm=1e6,
    settings_s=(540e-6, 50e-6, 84e-6, 150e-6, 280e-6, 1.052e-3, 2.074e-3, 4.12e-3),
    averages=(1, 4, 16, 64, 128, 256, 512, 1024),
    averaged_s={},
    interleaved=True,
    clock=0.01,
    # Some 15 of 20 bits at 540 us (the sheet's table of resolutions, from memory), read wide.
    noise_shunt_v=(1.5e-6, 5e-6),
    noise_bus_v=(0.4e-3, 1.5e-3),
)
SHEETS: Final = {sheet.kind: sheet for sheet in (INA219, INA226, INA228)}

"""The sensor's own sums, in exact fractions, against the lines of the board."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
import numpy.typing as npt

from firmware_probe.line_format import DECIMALS, fixed
from tests.support.firmware_sim.bench import READ, Outcome

REG_SHUNT, REG_BUS = 1, 2
Pairs = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Units:
    """Worth of one count: TI SBOS448 (INA219), TI SBOS547 (INA226), TI SBOSA20 (INA228; SOURCES.md C25)."""

    shunt_pv: int
    bus_pv: int


INA219: Final = Units(shunt_pv=10_000_000, bus_pv=4_000_000_000)
INA226: Final = Units(shunt_pv=2_500_000, bus_pv=1_250_000_000)
INA228: Final = Units(shunt_pv=312_500, bus_pv=195_312_500)


def half_away(value: Fraction) -> int:
    """To the nearest integer, halves away from zero."""
    doubled = abs(value) * 2
    magnitude = (doubled.numerator + doubled.denominator) // (2 * doubled.denominator)
    return magnitude if value >= 0 else -magnitude


def converted_pairs(outcome: Outcome) -> Pairs:
    """Every conversion of the sensor, as rows of shunt and bus counts."""
    found = outcome.conversions
    return np.stack([found["value"], found["bus"]], axis=1).astype(np.int64)


def read_pairs(outcome: Outcome, *, bursts: bool = False) -> Pairs:
    """Pairs as an INA219 handed them out: each shunt value with the bus value read right before it.

    ``bursts``: there may be shunt values without one, which are left out.
    """
    reads = outcome.records[outcome.records["kind"] == READ]
    reads = reads[np.argsort(reads["cycle"], kind="stable")]
    at = np.flatnonzero(reads["reg"] == REG_SHUNT)
    paired = reads["reg"][at - 1] == REG_BUS
    assert bursts or paired.all()
    at = at[paired]
    shunt = reads["value"][at].astype(np.uint16).astype(np.int16)
    return np.stack([shunt, reads["value"][at - 1] >> 3], axis=1).astype(np.int64)


@dataclass(frozen=True)
class Step:
    """What one window adds to the running counters, in steps of 1e-6 mAh and 1e-6 mWh, unrounded."""

    charge: Fraction
    energy: Fraction


def expected_fields(pairs: Pairs, units: Units, shunt_steps: int) -> dict[str, str]:
    """Fields of a window line that follow from its pairs alone; the shunt in steps of 0.0001 Ohm."""
    shunt, bus = pairs[:, 0], pairs[:, 1]
    count = len(pairs)
    # pV / (1e-4 Ohm) = 1e-8 A, a tenth of a step of 1e-4 mA
    current = Fraction(units.shunt_pv, 10 * shunt_steps)
    pack_pv = bus * units.bus_pv + shunt * units.shunt_pv
    values = {
        "pack_v": Fraction(int(pack_pv.sum()), 10**6 * count),
        "pack_min_v": Fraction(int(pack_pv.min()), 10**6),
        "bus_v": Fraction(int(bus.sum()) * units.bus_pv, 10**6 * count),
        "current_ma": current * int(shunt.sum()) / count,
        "current_min_ma": current * int(shunt.min()),
        "current_max_ma": current * int(shunt.max()),
    }
    return {name: fixed(half_away(value), DECIMALS[name]) for name, value in values.items()}


def step_of(pairs: Pairs, span_us: int, units: Units, shunt_steps: int) -> Step:
    """Mean current times span, and mean of pack voltage times current of each pair times span."""
    shunt, bus = pairs[:, 0], pairs[:, 1]
    # In shunt counts, a whole number, so that the product fits 64 bits.
    pack = bus * (units.bus_pv // units.shunt_pv) + shunt
    mean_na = Fraction(int(shunt.sum()) * units.shunt_pv * 10, len(pairs) * shunt_steps)
    mean_nv_nv = Fraction(int((pack * shunt).sum()) * units.shunt_pv**2, 10**6 * len(pairs))
    # nA us = 1e-15 C; 1e-6 mAh = 3.6e-6 C. nV^2 / (1e-4 Ohm) us = 1e-20 J; 1e-6 mWh = 3.6e-6 J.
    return Step(
        charge=mean_na * span_us / 3_600_000_000,
        energy=mean_nv_nv * span_us / shunt_steps / 360_000_000_000_000,
    )


def find_window(
    pairs: Pairs, window: dict[str, str], units: Units, shunt_steps: int, start: int = 0
) -> int:
    """Index of the pair, from ``start`` on, with which a window begins; fails if no place fits."""
    count = int(window["conversions"])
    total = np.concatenate([[0], np.cumsum(pairs[:, 0])])
    mean_ma = (total[count:] - total[:-count]) * (units.shunt_pv / 1e5 / shunt_steps / count)
    near = np.abs(mean_ma - float(window["current_ma"])) < 1e-4
    for begin in np.flatnonzero(near[start:]) + start:
        expected = expected_fields(pairs[begin : begin + count], units, shunt_steps)
        if all(window[name] == text for name, text in expected.items()):
            return int(begin)
    raise AssertionError(f"no run of {count} conversions gives window {window['sequence']}")


def check_windows(
    pairs: Pairs, windows: Sequence[dict[str, str]], units: Units, shunt_steps: int = 1000
) -> tuple[int, int]:
    """Each window's fields, charge and energy are the sensor's own, to the last digit.

    Windows must follow on each other without a pair between them, but for lines that
    the sequence number says were lost. Gives the indices of the first pair and behind the
    last. The counters' unknown fraction before the first window (and before one that
    follows a lost one) may be anything, but one and the same for all after it.
    """
    begin = at = find_window(pairs, windows[0], units, shunt_steps)
    before: dict[str, str] | None = None
    running = _Running()
    for window in windows:
        if before is not None and int(window["sequence"]) != int(before["sequence"]) + 1:
            at = find_window(pairs, window, units, shunt_steps, at)
            before, running = None, _Running()
        part = pairs[at : at + int(window["conversions"])]
        at += len(part)
        for name, text in expected_fields(part, units, shunt_steps).items():
            assert window[name] == text, f"window {window['sequence']}: {name}"
        if before is not None:
            span_us = int(window["time_us"]) - int(before["time_us"])
            running.add(step_of(part, span_us, units, shunt_steps))
        running.check(window)
        before = window
    return begin, at


class _Running:
    """Bounds that the printed counters put on their unknown fraction; they must leave room for one."""

    # A millionth of a step for fractions that the board cuts off.
    slack: Final = Fraction(1, 10**6)

    def __init__(self) -> None:
        self.total = {"charge_mah": Fraction(0), "energy_mwh": Fraction(0)}
        self.low = dict.fromkeys(self.total, Fraction(-(10**15)))
        self.high = dict.fromkeys(self.total, Fraction(10**15))

    def add(self, step: Step) -> None:
        self.total["charge_mah"] += step.charge
        self.total["energy_mwh"] += step.energy

    def check(self, window: dict[str, str]) -> None:
        for name, total in self.total.items():
            offset = Fraction(window[name]) * 10**6 - total
            self.low[name] = max(self.low[name], offset - Fraction(1, 2))
            self.high[name] = min(self.high[name], offset + Fraction(1, 2))
            assert self.low[name] <= self.high[name] + self.slack, (
                f"window {window['sequence']}: {name} drifts"
            )

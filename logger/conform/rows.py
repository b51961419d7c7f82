"""Window lines as whole numbers, and what must hold between the numbers of one line."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from firmware_probe.line_format import DECIMALS, WINDOW_FIELDS, fixed
from logger.conform.contract import Steps
from logger.conform.ledger import Ledger
from logger.conform.lines import Line

# Below so many steps of the line a quotient says nothing on what was divided.
_POWER_STEPS: Final = 2


@dataclass(frozen=True)
class Row:
    """Voltages in uV, currents in 1e-4 mA, charge and energy in 1e-6 mAh and mWh."""

    line: Line
    sequence: int
    time_us: int
    conversions: int
    pack: int
    pack_min: int
    bus: int
    current: int
    current_min: int
    current_max: int
    charge: int
    energy: int


@dataclass(frozen=True)
class Sensor:
    """``steps``: of its kind; ``tenth_mohm``: of its shunt, in 1e-4 ohm."""

    steps: Steps
    tenth_mohm: int

    def drop_nv(self, current: int) -> float:
        """Drop over the shunt in nV, of a current in 1e-4 mA."""
        return current * self.tenth_mohm / 100.0


def row_of(line: Line) -> Row | None:
    """None where a field is missing or no number."""
    if line.kind != "w" or len(line.fields) < len(WINDOW_FIELDS):
        return None
    try:
        numbers = [
            round(float(text) * 10 ** DECIMALS[name]) if name in DECIMALS else int(text)
            for name, text in zip(WINDOW_FIELDS, line.fields, strict=False)
        ]
    except (ValueError, OverflowError):
        return None
    return Row(line, *numbers)


def rows_of(lines: Iterable[Line]) -> list[Row]:
    return [row for line in lines if (row := row_of(line)) is not None]


def check_row(ledger: Ledger, row: Row, sensor: Sensor) -> None:
    """Least, mean and greatest; pack and bus; whole counts."""
    raw = row.line.raw
    current, pack = (fixed(value, places) for value, places in ((row.current, 4), (row.pack, 6)))
    ledger.check(
        "least-and-mean",
        row.current_min <= row.current <= row.current_max and row.pack_min <= row.pack,
        f"current_min_ma <= {current} <= current_max_ma, pack_min_v <= {pack}",
        seen=raw,
    )
    # Each voltage is rounded to 1 uV, the current to 1e-4 mA.
    drop_nv = sensor.drop_nv(row.current)
    slack_nv = 1100.0 + sensor.drop_nv(1)
    if abs(drop_nv) > 20 * slack_nv:
        ledger.check(
            "pack-and-bus",
            abs(1000 * (row.pack - row.bus) - drop_nv) <= slack_nv,
            f"pack_v - bus_v = {drop_nv / 1e9:.6f} V, {current} mA over the shunt",
            seen=raw,
        )
    if row.conversions > 0:
        _check_counts(ledger, row, sensor)


def _check_counts(ledger: Ledger, row: Row, sensor: Sensor) -> None:
    count, ohm = row.conversions, sensor.tenth_mohm
    shunt, bus = sensor.steps.shunt, sensor.steps.bus
    # One count as numerator and denominator, in steps of the field: tenths of a nV; 1e-4 mA = 100 nV / 1e-4 ohm.
    amp, volt = (10 * shunt, ohm), (shunt, 10_000)
    looks = (
        ("current_ma", row.current, amp, count),
        ("current_min_ma", row.current_min, amp, 1),
        ("current_max_ma", row.current_max, amp, 1),
        ("pack_v", row.pack, volt, count),
        ("pack_min_v", row.pack_min, volt, 1),
        ("bus_v", row.bus, (bus, 10_000), count),
    )
    for name, value, (over, under), parts in looks:
        if over > _POWER_STEPS * under * parts:
            near = whole_count(value, over, under * parts)
            ledger.check(
                "counts",
                near == value,
                f"{name} {fixed(near, DECIMALS[name])}: the nearest sum of whole counts over {parts}",
                seen=row.line.raw,
            )


def shunt_sum(row: Row, sensor: Sensor) -> int | None:
    """Sum of the window's shunt counts, as its mean tells it; None where the mean is too coarse for that."""
    over, under = 10 * sensor.steps.shunt, sensor.tenth_mohm * row.conversions
    if row.conversions <= 0 or over <= _POWER_STEPS * under:
        return None
    return rounded(row.current * under, over)


def whole_count(value: int, over: int, under: int) -> int:
    """The value nearest to ``value`` that is a whole count times over / under, rounded half away from zero."""
    counts = rounded(value * under, over)
    return min(
        (rounded(near * over, under) for near in (counts - 1, counts, counts + 1)),
        key=lambda found: abs(found - value),
    )


def rounded(numerator: int, denominator: int) -> int:
    """Quotient, halves away from zero; ``denominator`` > 0."""
    sign = -1 if numerator < 0 else 1
    return sign * ((2 * abs(numerator) + denominator) // (2 * denominator))


def moved(rows: Sequence[Row]) -> bool:
    """Did anything change from one conversion to the next: else a wrong count of them cannot be seen."""
    return any(row.current_min != row.current_max for row in rows)

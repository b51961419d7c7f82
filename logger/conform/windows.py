"""What must hold from one window line to the next: number, time, charge, energy, conversions."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from firmware_probe.line_format import fixed
from logger.conform.ledger import Ledger
from logger.conform.lines import Line, told_faults
from logger.conform.rows import Row, Sensor, shunt_sum

# A window ends with a conversion; a busy board reads it a little late.
_LATE_PAIRS: Final = 2
# Data sheets: a conversion takes at most a tenth longer than usual (SBOS448, SBOS547); as much is left for faster ones.
_FASTER: Final = 1.12
_SLOWER: Final = 0.86
# Conversions that the sensor may average.
AVERAGES: Final = (1, 2, 4, 8, 16)
_CLOCK_SHARE: Final = 0.03
_CLOCK_S: Final = 0.25
# So many even sums in a row come by chance once in 65536 runs.
_PARITY_ROWS: Final = 16
# (1e-4 mA x us) in a millionth of a mAh; with uV once more 1e6.
CHARGE_STEP: Final = 36_000_000
# Fewer steps than these in all, and it cannot be told from rounding.
_TELLING_STEPS: Final = 40


def check_sequence(ledger: Ledger, rows: Sequence[Row], rule: str = "sequence") -> None:
    """Numbers go up by one. The rule's name differs where something else came between."""
    for before, row in pairwise(rows):
        ledger.check(
            rule,
            row.sequence == (before.sequence + 1) % 2**32,
            f"sequence {(before.sequence + 1) % 2**32}",
            seen=_two(before, row),
        )


def check_lengths(ledger: Ledger, rows: Sequence[Row], window_us: int, pair_us: float) -> None:
    """Every window's length, and all together: the grid does not drift. ``pair_us``: between two conversions."""
    slack_us = round(_LATE_PAIRS * pair_us) + 200
    for before, row in pairwise(rows):
        span_us = row.time_us - before.time_us
        ledger.check(
            "window-length",
            abs(span_us - window_us) <= slack_us,
            f"{window_us} us, at most {slack_us} us off; here {span_us} us",
            seen=_two(before, row),
        )
    if len(rows) > 1:
        span_us, wanted_us = rows[-1].time_us - rows[0].time_us, window_us * (len(rows) - 1)
        ledger.check(
            "window-length",
            abs(span_us - wanted_us) <= slack_us,
            f"{wanted_us} us for {len(rows) - 1} windows, at most {slack_us} us off; here {span_us} us",
            seen=_two(rows[0], rows[-1]),
        )


def pair_us_of(rows: Sequence[Row]) -> float:
    """Time from one conversion to the next, as they were counted."""
    made = sum(row.conversions for row in rows[1:])
    return (rows[-1].time_us - rows[0].time_us) / max(made, 1)


def check_clock(ledger: Ledger, rows: Sequence[Row]) -> None:
    """Board time against the host's, over all of these."""
    board_s = (rows[-1].time_us - rows[0].time_us) * 1e-6
    host_s = rows[-1].line.heard_s - rows[0].line.heard_s
    ledger.check(
        "board-clock",
        abs(board_s - host_s) <= _CLOCK_SHARE * host_s + _CLOCK_S,
        f"{host_s:.1f} s went by here, {board_s:.3f} s by time_us",
        seen=_two(rows[0], rows[-1]),
    )


def check_conversions(
    ledger: Ledger, rows: Sequence[Row], sensor: Sensor, lines: Sequence[Line]
) -> None:
    """As many as the sensor makes, less those told in ``lines`` as missed or beyond the range; each once."""
    span_us = rows[-1].time_us - rows[0].time_us
    told = sum(_told(line) for line in told_faults(lines, "missed", "overflow"))
    made = sum(row.conversions for row in rows[1:])
    usual = [span_us / pair_us / many for pair_us in sensor.steps.pairs_us for many in AVERAGES]
    ledger.check(
        "conversions",
        any(_SLOWER * many <= made + told and made <= _FASTER * many + len(rows) for many in usual),
        f"about {min(usual, key=lambda many: abs(many - made - told)):.0f} in {span_us} us; counted "
        f"{made}, told as lost {told}",
        seen=_two(rows[0], rows[-1]),
    )
    sums = [(row.conversions, shunt_sum(row, sensor)) for row in rows]
    telling = [(count, total) for count, total in sums if total is not None and total % count]
    if len(telling) >= _PARITY_ROWS:
        ledger.check(
            "conversions",
            any(count % 2 or total % 2 for count, total in telling),
            f"odd counts and sums among {len(telling)} windows; all are even: each conversion counted twice",
            seen=rows[-1].line.raw,
        )


def _told(line: Line) -> int:
    text = line.fields[2] if len(line.fields) > 2 else ""
    return int(text) if text.isdigit() else 0


def check_charge(ledger: Ledger, rows: Sequence[Row]) -> bool:
    """Charge and energy grow as the windows say; gives whether enough flowed to tell."""
    total = sum(abs(row.current) * (row.time_us - before.time_us) for before, row in pairwise(rows))
    if total < _TELLING_STEPS * CHARGE_STEP:
        return False
    for before, row in pairwise(rows):
        _check_step(ledger, before, row)
    if len(rows) > 2:
        # Over all windows, where a small part of every one adds up.
        parts = [row.current * (row.time_us - before.time_us) for before, row in pairwise(rows)]
        _check_charge(ledger, rows[0], rows[-1], sum(parts), f" over {len(rows) - 1} windows")
    return True


def _check_step(ledger: Ledger, before: Row, row: Row) -> None:
    span_us = row.time_us - before.time_us
    _check_charge(
        ledger,
        before,
        row,
        row.current * span_us,
        f": {fixed(row.current, 4)} mA for {span_us} us",
    )
    wanted, slack = _energy(row, span_us)
    step = row.energy - before.energy
    ledger.check(
        "energy",
        abs(step - wanted) <= slack,
        f"energy_mwh {_signed(wanted)}, to {fixed(round(slack), 6)}; here {_signed(step)}",
        seen=_two(before, row),
    )


def _check_charge(ledger: Ledger, before: Row, row: Row, flowed: int, words: str) -> None:
    """``flowed``: in 1e-4 mA x us between the two."""
    wanted = flowed / CHARGE_STEP
    slack = 1.1 + (row.time_us - before.time_us) / CHARGE_STEP
    step = row.charge - before.charge
    ledger.check(
        "charge",
        abs(step - wanted) <= slack,
        f"charge_mah {_signed(wanted)}{words}; here {_signed(step)}",
        seen=_two(before, row),
    )


def _energy(row: Row, span_us: int) -> tuple[float, float]:
    """Energy of a window from its means, and how far pulses may take it from that, in millionths of a mWh.

    The mean of a product differs from the product of the means by the covariance: at most half the span of
    the current times that of the voltage, of which the least is known; above its mean as much is granted. Then
    rounding, and a thousandth: the project's own figure.
    """
    wanted = row.current * row.pack * span_us / CHARGE_STEP / 1e6
    swing = (row.current_max - row.current_min) * 2.0 * (row.pack - row.pack_min) / 2.0
    slack = abs(swing) * span_us / CHARGE_STEP / 1e6
    return wanted, slack + 1.1 + 1e-3 * abs(wanted) + span_us * row.pack / CHARGE_STEP / 1e6


def check_pause(ledger: Ledger, before: Sequence[Row], after: Sequence[Row]) -> None:
    """Over ``stop`` and ``start`` nothing begins anew: number, charge, energy."""
    last, first = before[-1], after[0]
    check_sequence(ledger, (last, first), "counters-go-on")
    around = [*before[-10:], *after[:10]]
    low, high = min(row.current_min for row in around), max(row.current_max for row in around)
    span_us = first.time_us - last.time_us
    if low * span_us < _TELLING_STEPS * CHARGE_STEP:
        return  # hardly any current, or out of and into the pack
    step = first.charge - last.charge
    least, most = 0.5 * low * span_us / CHARGE_STEP, 2.0 * high * span_us / CHARGE_STEP
    ledger.check(
        "counters-go-on",
        least <= step <= most,
        f"charge_mah {_signed(least)} to {fixed(round(most), 6)} in {span_us} us; "
        f"here {_signed(step)}",
        seen=_two(last, first),
    )
    volts = [row.pack for row in around]
    energy = first.energy - last.energy
    least, most = least * min(volts) / 1e6, most * max(volts) / 1e6
    ledger.check(
        "counters-go-on",
        least <= energy <= most,
        f"energy_mwh {_signed(least)} to {fixed(round(most), 6)}; here {_signed(energy)}",
        seen=_two(last, first),
    )


def _signed(step: float) -> str:
    """A change in millionths, as what is added to a counter."""
    return f"{'-' if step < 0 else '+'} {fixed(abs(round(step)), 6)}"


def _two(before: Row, row: Row) -> bytes:
    return before.line.raw + b"\n" + row.line.raw

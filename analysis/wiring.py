"""Wiring sense over a whole run: the same questions as while recording, asked of many short pieces."""

from collections import Counter
from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.trace import Floats, Mask, Trace
from analysis.words import span_words
from logger.calibration import Line
from logger.description import Description
from logger.wiring_sense import CONTACT_SHARE, Finding, Row, Senses, sense_wiring, senses_of

_BLOCK_ROWS: Final = 100
_BLOCKS: Final = 40
_SUSPECTS: Final = 100
_STATIC: Final = frozenset({"dead", "no-voltage", "no-current", "swapped"})


def wiring_findings(trace: Trace, description: Description) -> tuple[Finding, ...]:
    """What is wrong with the wiring by the whole run; empty where sensor or columns are not known.

    Faults that hold all the time must show in rows from all over the run; hum and noise in half
    of the pieces looked at; a bad contact in any.
    """
    senses = run_senses(trace, description)
    if senses is None or trace.current_ma is None or trace.voltage_v is None:
        return ()
    alive = np.flatnonzero(~trace.dead)
    table = _table(trace)[alive]
    spread = np.unique(np.linspace(0, len(table) - 1, 4 * _BLOCK_ROWS).astype(np.intp))
    static = [f for f in sense_wiring(_rows(table[spread]), senses) if f.code in _STATIC]
    if static:
        return tuple(static)
    seen: Counter[str] = Counter()
    found: dict[str, Finding] = {}
    blocks = 0
    for block in _even_blocks(table):
        blocks += 1
        for finding in sense_wiring(_rows(block), senses):
            if finding.code not in _STATIC | {"contact"}:
                seen[finding.code] += 1
                found.setdefault(finding.code, finding)
    lasting = [found[code] for code, count in seen.items() if 2 * count >= blocks]
    return (*_contact(trace, table, alive, senses), *lasting)


def run_senses(trace: Trace, description: Description) -> Senses | None:
    """Abilities of the run's sensor for corrected values."""
    sensor, calibration = description.sensor, description.calibration
    if sensor is None:
        return None
    zero = None
    if trace.calibrated and calibration is not None and calibration.current is not None:
        zero = Line(zero_standard=calibration.current.zero_standard)
    return senses_of(sensor.kind, sensor.shunt_ohm, sensor.range_ma, zero)


def _table(trace: Trace) -> Floats:
    """Columns of ``Row``, shape (n, 7); extremes that the run lacks are the mean."""
    voltage_v, current_ma = trace.voltage_v, trace.current_ma
    assert voltage_v is not None
    assert current_ma is not None

    def given(column: Floats | None, instead: Floats) -> Floats:
        return instead if column is None else column

    return np.column_stack(
        (
            given(trace.conversions, np.ones_like(voltage_v)),
            voltage_v,
            given(trace.voltage_min_v, voltage_v),
            given(trace.bus_v, voltage_v),
            current_ma,
            given(trace.current_min_ma, current_ma),
            given(trace.current_max_ma, current_ma),
        )
    )


def _rows(table: Floats) -> list[Row]:
    return [Row(*values) for values in table.tolist()]


def _even_blocks(table: Floats) -> Iterator[Floats]:
    """At most ``_BLOCKS`` pieces of rows in a row, evenly over the run."""
    count = min(_BLOCKS, max(1, len(table) // _BLOCK_ROWS))
    for start in np.linspace(0, max(len(table) - _BLOCK_ROWS, 0), count).astype(int):
        yield table[start : start + _BLOCK_ROWS]


def _contact(
    trace: Trace, table: Floats, alive: np.ndarray[tuple[int], np.dtype[np.intp]], senses: Senses
) -> list[Finding]:
    """Bad contacts: only pieces in which the voltage dips are looked at closely."""
    whole = len(table) // _BLOCK_ROWS * _BLOCK_ROWS
    starts = [*range(0, whole, _BLOCK_ROWS)]
    if len(table) - whole >= _BLOCK_ROWS // 4 or not starts:
        starts.append(max(0, len(table) - _BLOCK_ROWS))
    least_v = table[:, 2]
    suspects = [
        start
        for start in starts
        if least_v[start : start + _BLOCK_ROWS].min()
        < (1 - CONTACT_SHARE) * np.median(least_v[start : start + _BLOCK_ROWS])
    ]
    found: list[tuple[float, Finding]] = []
    for start in suspects[:_SUSPECTS]:
        block = table[start : start + _BLOCK_ROWS]
        found += [
            (float(trace.time_s[alive[start]] - trace.begin_s), finding)
            for finding in sense_wiring(_rows(block), senses)
            if finding.code == "contact"
        ]
    if not found:
        return []
    first_s, first = found[0]
    places = "" if len(found) == 1 else f"; {len(found)} stretches of the run show it"
    return [
        Finding(
            first.code,
            f"{first.text} First about {span_words(first_s, 1.0)} into the run{places}.",
            first.advice,
        )
    ]


def gapless(trace: Trace, most_rows: int) -> Mask:
    """The longest stretch without a gap and with contact, cut to ``most_rows``, shape (n,)."""
    broken = trace.gap | trace.restarted | trace.dead
    edges = np.flatnonzero(np.concatenate(([True], broken[1:] | trace.dead[:-1], [True])))
    longest = int(np.argmax(np.diff(edges)))
    chosen = np.zeros(len(trace.time_s), dtype=bool)
    chosen[edges[longest] : min(edges[longest + 1], edges[longest] + most_rows)] = True
    return chosen & ~trace.dead

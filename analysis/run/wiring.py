"""Wiring sense over a whole run: the same questions as while recording, asked of many short pieces."""

from collections import Counter
from typing import Final

import numpy as np

from analysis.run.trace import Chosen, Floats, Mask, Rows, Trace, blocks
from analysis.say.words import span_words
from logger.board.wiring_sense import (
    CONTACT_SHARE,
    Finding,
    Row,
    Senses,
    backwards,
    contact_finding,
    contact_levels,
    lasting_findings,
    senses_of,
    static_finding,
)
from logger.run.calibration import Line
from logger.run.description import Description

_BLOCK_ROWS: Final = 100
_BLOCKS: Final = 40
_APART_ROWS: Final = 300
_SPREAD_ROWS: Final = 200
_PIECES: Final = 400
_SUSPECTS: Final = 100
_BACKWARDS_SHARE: Final = 0.9


def wiring_findings(trace: Trace, description: Description) -> tuple[Finding, ...]:
    """What is wrong with the wiring by the whole run; without a known sensor only a current that runs backwards.

    Faults that hold all the time must show in rows from all over the run; hum and noise in half
    of the pieces looked at; a bad contact in any.
    """
    senses = run_senses(trace, description)
    if senses is None and trace.current_ma is not None:
        return _of_unknown_sensor(trace.alive.values(trace.current_ma))
    if senses is None or trace.current_ma is None or trace.voltage_v is None:
        return ()
    alive = trace.alive
    spread = np.unique(np.linspace(0, alive.count - 1, _SPREAD_ROWS).astype(np.intp))
    static = static_finding(_rows(trace, alive.at(spread)), senses)
    if static:
        return (static,)
    seen: Counter[str] = Counter()
    found: dict[str, Finding] = {}
    starts = _even_starts(alive.count)
    for start in starts:
        block = _rows(trace, _piece(alive, start))
        lasting = lasting_findings(block, senses)
        # Rows under a static fault tell nothing else; rarely asked, as it takes as long.
        if lasting and static_finding(block, senses):
            continue
        for finding in lasting:
            seen[finding.code] += 1
            found.setdefault(finding.code, finding)
    often = [found[code] for code, count in seen.items() if 2 * count >= len(starts)]
    return (*_contact(trace, senses), *often)


def run_senses(trace: Trace, description: Description) -> Senses | None:
    """Abilities of the run's sensor for corrected values."""
    sensor, calibration = description.sensor, description.calibration
    if sensor is None:
        return None
    zero = None
    if trace.calibrated and calibration is not None and calibration.current is not None:
        zero = Line(zero_standard=calibration.current.zero_standard)
    return senses_of(sensor.kind, sensor.shunt_ohm, sensor.range_ma, zero)


def _of_unknown_sensor(current_ma: Floats) -> tuple[Finding, ...]:
    """What (n,) currents in mA say without knowing the sensor's zero: nearly all backwards."""
    if not len(current_ma) or (current_ma < 0).mean() < _BACKWARDS_SHARE:
        return ()
    return (backwards(float(np.median(current_ma))),)


def _rows(trace: Trace, at: Rows) -> list[Row]:
    """Chosen rows; extremes that the run lacks are the mean."""
    voltage_v, current_ma = trace.voltage_v, trace.current_ma
    assert voltage_v is not None
    assert current_ma is not None

    def given(column: Floats | None, instead: Floats) -> list[float]:
        listed: list[float] = (instead if column is None else column)[at].tolist()
        return listed

    columns = (
        [1.0] * len(at) if trace.conversions is None else given(trace.conversions, voltage_v),
        given(voltage_v, voltage_v),
        given(trace.voltage_min_v, voltage_v),
        given(trace.bus_v, voltage_v),
        given(current_ma, current_ma),
        given(trace.current_min_ma, current_ma),
        given(trace.current_max_ma, current_ma),
    )
    return list(map(Row._make, zip(*columns, strict=True)))


def _even_starts(rows: int) -> list[int]:
    """Where at most ``_BLOCKS`` pieces of rows begin, evenly over the run."""
    count = min(_BLOCKS, max(1, rows // _APART_ROWS))
    starts: list[int] = np.linspace(0, max(rows - _BLOCK_ROWS, 0), count).astype(int).tolist()
    return starts


def _piece(alive: Chosen, start: int) -> Rows:
    """Rows of the piece that begins at this place among the rows that are alive."""
    return alive.at(np.arange(start, min(start + _BLOCK_ROWS, alive.count)))


def _contact(trace: Trace, senses: Senses) -> list[Finding]:
    """Bad contacts: only pieces in which the voltage dips are looked at closely."""
    column = trace.voltage_v if trace.voltage_min_v is None else trace.voltage_min_v
    currents_ma = trace.current_ma if trace.current_min_ma is None else trace.current_min_ma
    assert column is not None
    assert currents_ma is not None
    alive = trace.alive
    whole = alive.count // _BLOCK_ROWS * _BLOCK_ROWS
    pieces = alive.values(column)[:whole].reshape(-1, _BLOCK_ROWS)
    dips = np.zeros(len(pieces), dtype=bool)
    for part in blocks(len(pieces), _PIECES):
        some = pieces[part]
        dips[part] = some.min(axis=1) < (1 - CONTACT_SHARE) * np.median(some, axis=1)
    # The last piece overlaps the one before, so that no row is left out.
    suspects = [
        *(np.flatnonzero(dips)[:_SUSPECTS] * _BLOCK_ROWS),
        max(0, alive.count - _BLOCK_ROWS),
    ]
    found: list[tuple[float, Finding]] = []
    for start in dict.fromkeys(int(start) for start in suspects):
        at = _piece(alive, start)
        piece_v, piece_ma = column[at], currents_ma[at]
        least_v, least_ma = contact_levels(
            float(np.median(piece_v)), float(np.median(piece_ma)), senses
        )
        if not ((piece_v < least_v) & (piece_ma < least_ma)).any():
            continue
        rows = _rows(trace, at)
        finding = contact_finding(rows, senses)
        if finding and not static_finding(rows, senses):
            found.append((float(trace.time_s[at[0]] - trace.begin_s), finding))
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

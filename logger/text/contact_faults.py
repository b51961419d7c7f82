"""Contact faults in a recorded voltage and current: what looks like a loose plug, not like a pack.

Nothing is changed; the findings become events of the run. Thresholds are common
practice, no source.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.numbers import digits_text
from logger.run.description import Event

Floats = npt.NDArray[np.float64]

_WINDOW_ROWS: Final = 21  # a drop-out of up to ten rows does not move the median of so many
_DROP_SHARE: Final = 0.5  # voltage below this share of the rows around: a drop-out
_JUMP_SHARE: Final = 0.03  # least jump of the voltage, as a share of it
_JUMP_NOISE: Final = 8.0  # least jump, in usual differences between rows
_SIDE_ROWS: Final = 5  # rows on each side that a jump must hold for
EVENTS_MAX: Final = 100


def find_contact_faults(
    time_s: Floats, voltage_v: Floats, current_ma: Floats | None
) -> tuple[list[Event], list[str]]:
    """Events and warnings for drop-outs of the voltage, and for voltage and current that jump together.

    A contact that fails lowers voltage and current at once; a load that takes
    more lowers the voltage and raises the current, and is no fault. Arrays (n,); NaN: not known.
    """
    known = np.isfinite(voltage_v)
    time_s, voltage_v = time_s[known], voltage_v[known]
    current_ma = current_ma[known] if current_ma is not None else None
    if len(voltage_v) < _WINDOW_ROWS:
        return [], []
    import pandas as pd

    around = pd.Series(voltage_v).rolling(_WINDOW_ROWS, center=True, min_periods=1).median()
    low = voltage_v < _DROP_SHARE * around.to_numpy()
    drops = _drop_outs(time_s, voltage_v, low)
    jumps = []
    if current_ma is not None and not low.all():
        jumps = _common_jumps(time_s[~low], voltage_v[~low], current_ma[~low])
    warnings: list[str] = []
    events: list[Event] = []
    for found, one, more in (
        (drops, "drop-out of the voltage", "drop-outs of the voltage"),
        (jumps, "common jump of voltage and current", "common jumps of voltage and current"),
    ):
        if found:
            listed = f"; the first {EVENTS_MAX} are events" if len(found) > EVENTS_MAX else ""
            words = one if len(found) == 1 else more
            warnings.append(f"{len(found)} {words}, as from a loose contact: kept as read{listed}")
        events += found[:EVENTS_MAX]
    return events, warnings


def _drop_outs(time_s: Floats, voltage_v: Floats, low: npt.NDArray[np.bool_]) -> list[Event]:
    """Stretches of low rows that came back, as events."""
    edges = np.diff(np.concatenate(([0], low.astype(np.int8), [0])))
    events = []
    for start, end in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        if start == 0 or end == len(voltage_v):
            continue  # the run may begin or end with it: no drop-out that came back
        rows = int(end - start)
        least = float(voltage_v[start:end].min())
        span_s = float(time_s[end] - time_s[start])
        events.append(
            Event(
                float(time_s[start]),
                "fault",
                f"voltage fell to {digits_text(least, 3)} V for {rows} row{'s' * (rows > 1)} ({digits_text(span_s, 3)} s) and came back: loose contact?",
            )
        )
    return events


def _common_jumps(time_s: Floats, voltage_v: Floats, current_ma: Floats) -> list[Event]:
    """Places where voltage and current step the same way and stay there."""
    steps_v, steps_ma = np.diff(voltage_v), np.diff(current_ma)
    if len(steps_v) == 0:
        return []
    noise_v = float(np.median(np.abs(steps_v)))
    noise_ma = float(np.nanmedian(np.abs(steps_ma))) if np.isfinite(steps_ma).any() else 0.0
    least_v = np.maximum(_JUMP_SHARE * np.abs(voltage_v[:-1]), _JUMP_NOISE * noise_v)
    least_ma = np.maximum(_JUMP_SHARE * np.abs(current_ma[:-1]), _JUMP_NOISE * noise_ma)
    with np.errstate(invalid="ignore"):
        both = (np.abs(steps_v) > least_v) & (np.abs(steps_ma) > least_ma)
    events: list[Event] = []
    for place in np.flatnonzero(both & (np.sign(steps_v) == np.sign(steps_ma))).tolist():
        before = slice(max(0, place + 1 - _SIDE_ROWS), place + 1)
        after = slice(place + 1, place + 1 + _SIDE_ROWS)
        step_v = float(np.median(voltage_v[after]) - np.median(voltage_v[before]))
        held = np.sign(step_v) == np.sign(steps_v[place]) and abs(step_v) > least_v[place]
        full = place + 1 >= _SIDE_ROWS and place + 1 + _SIDE_ROWS <= len(voltage_v)
        if held and full:
            ends = f"{digits_text(voltage_v[place], 3)} to {digits_text(voltage_v[place + 1], 3)} V and {digits_text(current_ma[place], 3)} to {digits_text(current_ma[place + 1], 3)} mA"
            events.append(
                Event(
                    float(time_s[place + 1]),
                    "fault",
                    f"voltage and current jump together, {ends}: contact changed?",
                )
            )
    return events

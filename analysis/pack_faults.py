"""Runs that are not what they seem: charging, crossed wires, swapped packs, bad contacts, full-scale readings."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.history import History
from analysis.trace import Trace
from analysis.words import count_words, span_words
from logger.description import Description

Array = NDArray[np.float64]

_BACKWARD_SHARE: Final = 0.02
_SWAP_RISE: Final = 0.06
_SWAP_LOAD_LEAST: Final = 0.7
_JUMP_SHARE: Final = 0.12
_JUMP_ROWS: Final = 5
_FULL_SCALE_SHARE: Final = 0.995


@dataclass(frozen=True)
class PackFaults:
    """What was found. ``flow``: ``out``, ``reversed`` (signs must be turned), ``charging``.

    ``start_row``: first row of the pack that is in now. ``bad``: rows with a contact fault.
    """

    flow: str
    start_row: int
    bad: NDArray[np.bool_]
    warnings: tuple[str, ...]


def pack_faults(trace: Trace, description: Description) -> PackFaults:
    """Look through a run that has voltage and current; never raises."""
    assert trace.voltage_v is not None
    assert trace.current_ma is not None
    volts, current = trace.voltage_v, trace.current_ma
    warnings: list[str] = []
    flow = _flow(trace, volts, current, warnings)
    current = -current if flow == "reversed" else current
    bad = _jumps(volts, current) | trace.dead
    jumps = int((bad & ~trace.dead).sum())
    if jumps:
        warnings.append(
            f"The voltage jumps down and back without more current in {count_words(jumps, 'row')}: "
            "a bad contact at the pack or the probe. Those rows are left out of the forecast."
        )
    start_row = _swap(trace, volts, current, bad, warnings)
    _full_scale(trace, description, warnings)
    return PackFaults(flow, start_row, bad, tuple(warnings))


def _flow(trace: Trace, volts: Array, current: Array, warnings: list[str]) -> str:
    weights = np.maximum(trace.weight_s, 0.0)
    inward = float((np.maximum(-current, 0.0) * weights).sum())
    outward = float((np.maximum(current, 0.0) * weights).sum())
    if inward + outward == 0:
        return "out"
    tenth = max(len(volts) // 10, 1)
    rise_v = float(np.median(volts[-tenth:]) - np.median(volts[:tenth]))
    if inward > outward:
        if rise_v > 0.005 * abs(float(np.median(volts))):
            warnings.append(
                "The current flows into the pack and its voltage rises: this is a charging run, "
                "not a discharge. There is nothing to forecast."
            )
            return "charging"
        warnings.append(
            "The current reads negative all along although the pack empties: the two wires of the "
            "current sensor are crossed. The signs were turned for the analysis."
        )
        return "reversed"
    if inward > _BACKWARD_SHARE * outward:
        warnings.append(
            f"In parts of the run current flowed back into the pack ({100 * inward / outward:.0f} % of the charge): "
            "it was charged in between, or the circuit feeds back. The forecast counts what came out on balance."
        )
    return "out"


def _jumps(volts: Array, current: Array) -> NDArray[np.bool_]:
    """Short falls of the voltage by more than ``_JUMP_SHARE`` while the current did not rise."""
    if len(volts) < 4 * _JUMP_ROWS:
        return np.zeros(len(volts), dtype=bool)
    around = _JUMP_ROWS + 1
    before = np.concatenate([np.full(around, volts[0]), volts[:-around]])
    after = np.concatenate([volts[around:], np.full(around, volts[-1])])
    draw_before = np.concatenate([np.full(around, current[0]), current[:-around]])
    least = np.minimum(before, after)
    jumped = (volts < (1 - _JUMP_SHARE) * least) & (current <= 1.1 * np.abs(draw_before) + 0.5)
    jumped[-around:] = False  # the end of a pack is no contact fault
    return np.asarray(jumped)


def _swap(
    trace: Trace, volts: Array, current: Array, bad: NDArray[np.bool_], warnings: list[str]
) -> int:
    """First row after the last lasting rise of the voltage under an undiminished load."""
    history = History(begin_s=trace.begin_s)
    good = ~bad
    if good.sum() < 20:
        return 0
    history.add(trace.time_s[good], volts[good], current[good])
    bins = history.bins()
    reach = 4
    found: float | None = None
    for at in range(reach, len(bins.end_s) - reach):
        before, after = slice(at - reach, at), slice(at, at + reach)
        rise = np.median(bins.mean_v[after]) / max(np.median(bins.mean_v[before]), 1e-9) - 1
        sharp = bins.mean_v[at] - bins.mean_v[at - 1] > 0.5 * _SWAP_RISE * bins.mean_v[at]
        same_load = np.median(bins.mean_ma[after]) > _SWAP_LOAD_LEAST * np.median(
            bins.mean_ma[before]
        )
        if rise > _SWAP_RISE and sharp and same_load:
            found = float(bins.end_s[at - 1])
    if found is None:
        return 0
    warnings.append(
        f"The voltage rose for good {span_words(found - trace.begin_s)} into the run under the same load: "
        "another pack was put in, or this one was charged. The forecast looks only at what came after."
    )
    return int(np.searchsorted(trace.time_s, found, side="right"))


def _full_scale(trace: Trace, description: Description, warnings: list[str]) -> None:
    sensor = description.sensor
    peak = trace.current_max_ma if trace.current_max_ma is not None else trace.current_ma
    if sensor is None or not sensor.range_ma or peak is None:
        return
    rows = int((np.abs(peak) >= _FULL_SCALE_SHARE * sensor.range_ma).sum())
    if rows:
        warnings.append(
            f"The current sensor was at the end of its range ({sensor.range_ma:g} mA) in {count_words(rows, 'row')}: "
            "more was drawn than it could see, so charge is too low and the forecast too long. Use a smaller shunt."
        )

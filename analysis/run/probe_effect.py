"""What the probe itself does to the piece: voltage lost in the shunt, and the board's own draw."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.doubt.beyond import bounded
from analysis.doubt.propagation import propagate
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import COVERAGE
from analysis.run.cutoff import Fall, first_held
from analysis.run.draw import Draw, mean_current, peak_current
from analysis.run.trace import sum_of_products
from logger.base.numbers import digits_text
from logger.run.description import Description

_Z: Final = 1.96
# A board's draw as the user states it: within a tenth (the project's own figure).
_STATED_LIMIT: Final = 0.1


@dataclass(frozen=True)
class ProbeEffect:
    """Effects of shunt and board; a quantity whose value is None does not exist.

    ``loss_share``: share of the pack's energy that the shunt takes (0 to 1).
    """

    shunt_drop_peak: Quantity
    shunt_loss: Quantity
    loss_share: float
    cutoff_time_at_piece: Quantity
    cutoff_time_without_probe: Quantity
    piece_current: Quantity

    def named(self) -> tuple[tuple[str, str, Quantity], ...]:
        """(name in JSON, label, quantity) of what exists."""
        rows = (
            ("shunt_drop_peak", "voltage lost in the shunt at the peak", self.shunt_drop_peak),
            ("shunt_loss", "energy lost in the shunt", self.shunt_loss),
            ("piece_current", "mean current of the piece alone", self.piece_current),
            (
                "cutoff_time_at_piece",
                "time until the piece itself saw the cutoff voltage",
                self.cutoff_time_at_piece,
            ),
            (
                "cutoff_time_without_probe",
                "time to cutoff without the probe",
                self.cutoff_time_without_probe,
            ),
        )
        return tuple(row for row in rows if row[2].value is not None)


def probe_effect(
    draw: Draw, fall: Fall, cutoff_time: Quantity, hold_s: float, description: Description
) -> ProbeEffect | None:
    """Effects in this run; None where shunt or current is not known."""
    trace, sensor = draw.trace, description.sensor
    if sensor is None or not sensor.shunt_ohm or trace.current_ma is None:
        return None
    ohm = sensor.shunt_ohm
    drop = _times(peak_current(draw), ohm / 1e3, "V", f"greatest current over {ohm:g} Ω")
    squares = sum_of_products(trace.current_ma, trace.current_ma, trace.weight_s)
    loss_mwh = ohm * squares / 3600 / 1e3
    share = 0.0
    if draw.energy is not None and draw.energy.total > 0:
        share = min(1.0, loss_mwh / draw.energy.total)
    board_ma = description.board_draw_ma
    return ProbeEffect(
        shunt_drop_peak=drop,
        shunt_loss=bounded(
            Quantity(loss_mwh, "mWh", note=f"{digits_text(100 * share, 2)} % of the pack's energy"),
            draw.beyond_for_long,
        ),
        loss_share=share,
        cutoff_time_at_piece=_at_piece(draw, fall, hold_s),
        cutoff_time_without_probe=_without_probe(draw, cutoff_time, share, board_ma),
        piece_current=_piece_current(draw, board_ma),
    )


def _at_piece(draw: Draw, fall: Fall, hold_s: float) -> Quantity:
    """When the voltage behind the shunt fell to the cutoff: earlier than at the pack."""
    trace = draw.trace
    if fall.crossing is None or fall.cutoff_v is None or trace.bus_v is None:
        return Quantity(None, "s", note="cutoff not reached, or no voltage behind the shunt")
    held = first_held(
        trace.alive_middle_s,
        trace.alive.values(trace.bus_v),
        fall.cutoff_v,
        hold_s,
        end_s=trace.end_s,
        slack_s=trace.usual_step_s if trace.windowed else 0.0,
    )
    if held is None:
        return Quantity(None, "s", note="not reached")
    at_s = min(held.time_s, fall.crossing.time_s)
    value = at_s - trace.begin_s
    if fall.lower_s is None or fall.upper_s is None:
        return Quantity(value, "s", note="with the probe in line")
    earlier_s = fall.crossing.time_s - at_s
    return Quantity(
        value,
        "s",
        max(0.0, fall.lower_s - trace.begin_s - earlier_s),
        fall.upper_s - trace.begin_s - earlier_s,
        COVERAGE,
        "with the probe in line",
    )


def _without_probe(
    draw: Draw, cutoff_time: Quantity, share: float, board_ma: float | None
) -> Quantity:
    """Runtime to the cutoff at the pack's terminals with neither shunt nor board.

    A converter draws less current without the shunt's drop, a resistive load more: up to the share of
    the energy that the shunt took, either way. Without the board the pack lasts I / (I - I_board) times
    as long at the same charge.
    """
    if cutoff_time.value is None:
        return Quantity(None, "s", note=cutoff_time.note)
    low = cutoff_time.value if cutoff_time.lower is None else cutoff_time.lower
    high = cutoff_time.value if cutoff_time.upper is None else cutoff_time.upper
    value, longer = cutoff_time.value, 1.0
    mean = mean_current(draw)
    words = "either way by what the shunt took"
    if board_ma and mean.value is not None and mean.value > 1.5 * board_ma:
        doubt_ma = (mean.value - (mean.lower or mean.value)) / _Z
        factor, spread = propagate(
            lambda x: x[0] / (x[0] - x[1]),
            (mean.value, board_ma),
            np.diag((doubt_ma**2, (_STATED_LIMIT * board_ma) ** 2 / 3)),
        )
        longer = float(factor[0])
        doubt_s = _Z * float(np.sqrt(spread[0, 0])) * value
        low, high = value - np.hypot(value - low, doubt_s), value + np.hypot(high - value, doubt_s)
        words += f", and without the board's {board_ma:g} mA at the same charge"
    if cutoff_time.lower is None:
        return Quantity(value * longer, "s", note=words)
    return Quantity(
        value * longer,
        "s",
        float(low) * longer * (1 - share),
        float(high) * longer * (1 + share),
        COVERAGE,
        words,
    )


def _piece_current(draw: Draw, board_ma: float | None) -> Quantity:
    mean = mean_current(draw)
    if not board_ma or mean.value is None:
        return Quantity(None, "mA", note="the board does not hang on the pack")
    off_ma = _STATED_LIMIT * board_ma
    return replace(
        mean,
        value=mean.value - board_ma,
        lower=None if mean.lower is None else mean.lower - board_ma - off_ma,
        upper=None if mean.upper is None else mean.upper - board_ma + off_ma,
        note=f"without the board's own {board_ma:g} mA, as stated, taken as within 10 %",
    )


def _times(quantity: Quantity, factor: float, unit: str, note: str) -> Quantity:
    if quantity.value is None:
        return Quantity(None, unit, note=quantity.note)
    return Quantity(
        quantity.value * factor,
        unit,
        None if quantity.lower is None else quantity.lower * factor,
        None if quantity.upper is None else quantity.upper * factor,
        quantity.coverage,
        quantity.note if quantity.at_least else note,
        quantity.at_least,
    )

"""What was left in the cells when the circuit gave up above their floor."""

from dataclasses import replace
from typing import Final

from analysis.doubt.quantity import Quantity
from analysis.run.cutoff import Fall, first_held
from analysis.run.draw import Draw, charge_between
from logger.base.pack import Pack

# A rest smaller than this share of the charge is the tail of the hold, not a measurement.
_REST_LEAST: Final = 0.01


def left_in_cells(draw: Draw, fall: Fall, pack: Pack | None) -> Quantity:
    """Charge between the cutoff and the cells' floor, in mAh.

    Measured if the run went on to the floor; a lower bound if it went on part of the way;
    the label's capacity less what was drawn if it stopped at the cutoff; else none.
    """
    if fall.crossing is None or draw.charge is None or draw.trace.voltage_v is None:
        return _none("cutoff not reached, or current not measured")
    if pack is None:
        return _none("the pack is not stated, so its floor is not known")
    if not pack.floor_v:
        return _none("down to where cells of another kind may go is not known")
    assert fall.cutoff_v is not None
    if fall.cutoff_v <= pack.floor_v:
        return _none("the circuit works down to the cells' floor")
    drawn = draw.charge_at(fall.crossing.time_s)
    trace, voltage_v = draw.trace, draw.trace.voltage_v
    floor = first_held(
        trace.alive_middle_s, trace.alive.values(voltage_v), pack.floor_v, 0.0, end_s=trace.end_s
    )
    if floor is not None and floor.time_s > fall.crossing.time_s:
        rest = charge_between(draw, fall, floor.time_s)
        where = f"measured in this run, from the cutoff to {pack.floor_v:.2f} V at this run's draw"
        return replace(rest, note=where)
    seen = charge_between(draw, fall, trace.end_s)
    if seen.value is not None and seen.value > _REST_LEAST * drawn:
        return Quantity(
            seen.value,
            "mAh",
            lower=seen.value if seen.lower is None else seen.lower,
            note=f"at least this much: the run ended above the cells' floor of {pack.floor_v:.2f} V",
        )
    if pack.capacity_mah is not None and pack.capacity_mah > drawn:
        return Quantity(
            pack.capacity_mah - drawn,
            "mAh",
            note="estimate: the label's capacity less the charge drawn, assuming the label holds at this draw; labels are measured at a light one",
        )
    return _none(
        f"not measured: the run ended at the cutoff; one that goes on to {pack.floor_v:.2f} V would tell"
    )


def _none(why: str) -> Quantity:
    return Quantity(None, "mAh", note=why)

"""What supply and wires leave for the parts: converter, USB limits and the drop in the wires."""

from typing import Final

from analysis.budget.estimate import estimate_mode
from analysis.budget.file import Budget
from analysis.electric.pack_table import USB_DEVICE_LEAST_V, USB_SOURCE_LEAST_V
from analysis.listed.wire import Wire

# A wire that takes more than this share of the supply is worth a thicker one: common practice, no source.
WIRE_SHARE: Final = 0.05


def supply_warnings(budget: Budget) -> tuple[str, ...]:
    """A converter of the wrong kind, wires that take too much at the peak (the worst mode of each), USB too low."""
    supply_v = budget.converter.output_v
    warnings = _converter(budget)
    for wire in budget.wires:
        drops = {
            mode.name: estimate_mode(budget, mode, budget.pack.nominal_v).wire_drop_v[wire.name]
            for mode in budget.modes
        }
        mode, drop_v = max(drops.items(), key=lambda item: item[1])
        if budget.pack.chemistry == "usb-bank" and budget.converter.kind == "none":
            warnings += _usb(wire, mode, drop_v)
        elif supply_v > 0 and drop_v > WIRE_SHARE * supply_v:
            warnings.append(
                f"The wire {wire.name!r} loses {drop_v:.2f} V of {supply_v:g} V at the peak of {mode}: "
                "take it thicker or shorter, or feed the far end too."
            )
    return tuple(warnings)


def _converter(budget: Budget) -> list[str]:
    """A converter that only steps down, fed from a pack that does not reach its output."""
    kind, output_v = budget.converter.kind, budget.converter.output_v
    if kind not in ("linear", "buck") or budget.pack.nominal_v > output_v:
        return []
    word = "linear regulator" if kind == "linear" else "buck converter"
    return [
        f"A {word} only steps down: it cannot make {output_v:g} V of a pack of {budget.pack.nominal_v:.1f} V. "
        "Take a boost converter, or a pack with more cells; what is reckoned here does not hold."
    ]


def _usb(wire: Wire, mode: str, drop_v: float) -> list[str]:
    left_v = USB_SOURCE_LEAST_V - drop_v
    if left_v >= USB_DEVICE_LEAST_V:
        return []
    return [
        f"The wire {wire.name!r} loses {drop_v:.2f} V at the peak of {mode}: a USB source may give {USB_SOURCE_LEAST_V:g} V, "
        f"which leaves {left_v:.2f} V, under the {USB_DEVICE_LEAST_V:g} V that a USB device must stand (USB 2.0, 7.2.2)."
    ]

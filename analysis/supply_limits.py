"""What supply and wires leave for the parts: USB limits and the drop in the wires.

USB 2.0, 7.2.2 (as cited second-hand): 4.75 to 5.25 V at the source, down to 4.4 V at the device.
"""

from typing import Final

from analysis.budget_estimate import estimate_mode
from analysis.budget_file import Budget, Wire

USB_SOURCE_LEAST_V: Final = 4.75
USB_DEVICE_LEAST_V: Final = 4.4
# A port's current once the device is configured, USB 2.0: from memory.
USB_PORT_MA: Final = 500.0
# A wire that takes more than this share of the supply is worth a thicker one: common practice, no source.
WIRE_SHARE: Final = 0.05


def supply_warnings(budget: Budget) -> tuple[str, ...]:
    """Wires that take too much at the peak, the worst mode of each, and USB under its limit at the end of one."""
    supply_v = budget.converter.output_v
    warnings = []
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


def _usb(wire: Wire, mode: str, drop_v: float) -> list[str]:
    left_v = USB_SOURCE_LEAST_V - drop_v
    if left_v >= USB_DEVICE_LEAST_V:
        return []
    return [
        f"The wire {wire.name!r} loses {drop_v:.2f} V at the peak of {mode}: a USB source may give {USB_SOURCE_LEAST_V:g} V, "
        f"which leaves {left_v:.2f} V, under the {USB_DEVICE_LEAST_V:g} V that a USB device must stand (USB 2.0, 7.2.2)."
    ]

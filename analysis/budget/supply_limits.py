"""What supply and wires leave for the parts: converter, USB limits and the drop in the wires."""

from typing import Final

from analysis.budget.file import Budget
from analysis.budget.worst import Worst, worst_drop_v
from analysis.electric.pack_table import USB_DEVICE_LEAST_V, USB_SOURCE_LEAST_V
from analysis.listed.wire import Wire
from logger.base.numbers import digits_text

# A wire that takes more than this share of the supply is worth a thicker one: common practice, no source.
WIRE_SHARE: Final = 0.05


def supply_warnings(budget: Budget) -> tuple[str, ...]:
    """A converter of the wrong kind, wires that take too much at the peak (the worst mode of each), USB too low."""
    on_usb = budget.pack.chemistry == "usb-bank" and budget.converter.kind == "none"
    drops = _usb if on_usb else _drop
    return (
        *_converter(budget),
        *(
            text
            for wire in budget.wires
            for text in drops(budget, wire, worst_drop_v(budget, wire))
        ),
    )


def _drop(budget: Budget, wire: Wire, worst: Worst) -> list[str]:
    supply_v = worst.pack_v if wire.of_pack else budget.converter.output_v
    if worst.value >= supply_v:
        return [
            f"The wire {wire.name!r} cannot carry the peak of mode {worst.mode!r} at all: its {digits_text(wire.loop_ohm, 2)} Ω would take "
            f"more than the {supply_v:g} V there are. Take it thicker or shorter, or feed the far end too."
        ]
    if worst.value <= WIRE_SHARE * supply_v:
        return []
    return [
        f"The wire {wire.name!r} loses {worst.value:.2f} V of {supply_v:g} V at the peak of mode {worst.mode!r}: "
        "take it thicker or shorter, or feed the far end too."
    ]


def _converter(budget: Budget) -> list[str]:
    """A converter that only steps down, fed from a pack that does not reach its output."""
    output_v = budget.converter.output_v
    if not budget.converter.steps_down or budget.pack.nominal_v > output_v:
        return []
    return [
        f"A {budget.converter.words} only steps down: it cannot make {output_v:g} V of a pack of {budget.pack.nominal_v:.1f} V. "
        "Take a boost converter, or a pack with more cells; what is reckoned here does not hold."
    ]


def _usb(budget: Budget, wire: Wire, worst: Worst) -> list[str]:
    left_v = USB_SOURCE_LEAST_V - worst.value
    if left_v >= USB_DEVICE_LEAST_V:
        return []
    return [
        f"The wire {wire.name!r} loses {worst.value:.2f} V at the peak of mode {worst.mode!r}: a USB source may give {USB_SOURCE_LEAST_V:g} V, "
        f"which leaves {left_v:.2f} V, under the {USB_DEVICE_LEAST_V:g} V that a USB device must stand (USB 2.0, 7.2.2)."
    ]

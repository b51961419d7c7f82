"""Pack, load and joints of a simulated bench from the words of a command line."""

import re
from dataclasses import replace
from typing import Final

import numpy as np

from firmware_probe.twin.joints import JOINT_KINDS, Joint, new_joints
from firmware_probe.twin.load import (
    ConstantCurrent,
    ConstantPower,
    Converter,
    LoadProgramme,
    Part,
    Resistor,
    constant_load,
)
from firmware_probe.twin.pack import (
    ALKALINE_AA,
    ALKALINE_AAA,
    LI_ION,
    NIMH_AA,
    CellPack,
    PackModel,
    PowerBank,
)
from firmware_probe.twin.sensor import KINDS, NO_ERRORS, CurrentSensor, draw_errors
from firmware_probe.twin.vest import vest_programme

_CELLS: Final = {
    "aa alkaline": ALKALINE_AA,
    "aaa alkaline": ALKALINE_AAA,
    "aa nimh": NIMH_AA,
    "li-ion": LI_ION,
}
_PACK = re.compile(r"^\s*(?:(?P<cells>\d{1,2})\s*[x×*]\s*)?(?P<cell>[A-Za-z -]+?)\s*$")
_LOAD = re.compile(r"^\s*(?P<value>\d+(?:\.\d+)?)\s*(?P<unit>mA|A|ohm|mW|W)\s*$")
# Springs and leads of a holder, per pack (invented).
_HOLDER_OHM: Final = 0.12


def pack_from_text(text: str, capacity_mah: float | None = None) -> PackModel:
    """Pack of words such as ``3x AA alkaline``, ``2x AA nimh``, ``li-ion`` or ``usb-bank``.

    ``capacity_mah``: of one cell, or on the power bank's label; None: the model's own.
    Raises ValueError with what is possible.
    """
    match = _PACK.match(text)
    words = " ".join(match["cell"].lower().split()) if match else ""
    cells = int(match["cells"] or 1) if match else 0
    if words == "usb-bank" and cells == 1:
        return PowerBank(label_mah=capacity_mah or 5000.0)
    if words not in _CELLS or not 1 <= cells <= 24:
        known = ", ".join((*_CELLS, "usb-bank"))
        raise ValueError(f'pack {text!r}: write it like "3x AA alkaline"; cells: {known}')
    kind = _CELLS[words]
    if capacity_mah:
        kind = replace(kind, capacity_mah=capacity_mah)
    return CellPack(kind, cells, wire_ohm=_HOLDER_OHM)


def load_from_text(text: str, seed: int = 0) -> LoadProgramme:
    """Load of words: ``vest``, ``200mA``, ``22ohm``, ``0.5W`` (behind a converter that gives up at 2.7 V).

    Raises ValueError with what is possible.
    """
    if text.strip().lower() == "vest":
        return vest_programme(seed)
    match = _LOAD.match(text)
    if match is None or float(match["value"]) <= 0.0:
        raise ValueError(
            f"load {text!r}: vest, or a current (200mA), a resistance (22ohm) or a power (0.5W)"
        )
    value = float(match["value"]) * (1e-3 if match["unit"].startswith("m") else 1.0)
    if match["unit"].endswith("W"):
        # Power is meant at the input: a converter without loss, with the usual end of its input.
        lossless = Converter(efficiency=1.0, quiescent_a=0.0)
        return replace(constant_load(ConstantPower(value)), converter=lossless)
    part: Part = Resistor(value) if match["unit"] == "ohm" else ConstantCurrent(value)
    return constant_load(part)


def sensor_from_text(kind: str, shunt_ohm: float, seed: int, *, perfect: bool) -> CurrentSensor:
    """Sensor with errors drawn by the seed, or a ``perfect`` one; ``-clone``: without identification."""
    name, _, clone = kind.upper().partition("-")
    chip = KINDS[name]
    errors = NO_ERRORS if perfect else draw_errors(chip, np.random.default_rng([seed, 219]))
    ids = "0000.0000" if clone else ""
    return CurrentSensor(chip, shunt_ohm=shunt_ohm, errors=errors, ids=ids)


def joints_from_text(text: str, seed: int = 0) -> tuple[Joint, ...]:
    """Up to four joints of kinds with commas between: ``solid,stranded,stranded-relief``.

    Raises ValueError with what is possible.
    """
    names = [name.strip().lower() for name in text.split(",") if name.strip()]
    unknown = [name for name in names if name not in JOINT_KINDS]
    if unknown or len(names) > 4:
        raise ValueError(f"joints {text!r}: at most four of {', '.join(JOINT_KINDS)}")
    return tuple(
        joint
        for index, name in enumerate(names)
        for joint in new_joints(JOINT_KINDS[name], 1, seed * 4 + index)
    )

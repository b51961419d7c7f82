"""What is plausible of voltage and current on this bench, and the questions where two readings are.

Bounds are common practice, no source: one button cell under load to two dozen cells in series; a sleeping sensor to
a vest of LEDs.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.numbers import digits_text
from logger.text.number_form import NumberForm
from logger.text.question import Question, Reading, some
from logger.text.table import Table
from logger.text.units import plain_unit

Floats = npt.NDArray[np.float64]

VOLTS: Final = (0.3, 60.0)
_USUAL_VOLTS: Final = (0.7, 30.0)
MILLIAMPERES: Final = (1e-3, 20_000.0)
_RANGES: Final = {"pack_v": VOLTS, "bus_v": VOLTS, "current_ma": MILLIAMPERES}


def middle_of(values: Floats) -> float:
    known = np.abs(values[np.isfinite(values)])
    return float(np.median(known)) if len(known) else 0.0


def _within(values: Floats, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= middle_of(values) <= bounds[1]


def ask_current_unit(name: str, values: Floats) -> Question:
    """The question which unit an unnamed current has; ``values`` (n,) as they stand in the file."""
    first = [digits_text(float(value), 3) for value in values[:3]]
    factors = {"A": 1e3, "mA": 1.0, "uA": 1e-3}
    units = [unit for unit, factor in factors.items() if _within(values * factor, MILLIAMPERES)]
    return Question(
        f"The unit of the current in {name} cannot be told.",
        f"values such as {some(first)}",
        [
            Reading(unit, some([f"{text} {unit}" for text in first]), ("--current-unit", unit))
            for unit in units or factors
        ],
    )


_OTHER_UNITS: Final[dict[str, dict[str, float]]] = {
    "voltage": {"V": 1.0, "mV": 1e-3},
    "bus-voltage": {"V": 1.0, "mV": 1e-3},
    "current": {"A": 1e3, "mA": 1.0, "uA": 1e-3},
}


def ask_unit(name: str, word: str, unit: str, values: Floats) -> None:
    """Raises Question where the unit that a column names gives values beyond the bench, and another does not.

    ``values`` (n,): in the run's unit. Small currents are never beyond it: much sleeps.
    """
    units = _OTHER_UNITS.get(word, {})
    named = next((known for known in units if plain_unit(known) == plain_unit(unit)), None)
    middle = middle_of(values)
    if named is None or middle == 0.0:
        return
    if word == "current":
        least, most = 0.0, MILLIAMPERES[1]
    else:
        least, most = VOLTS
    if least <= middle <= most:
        return
    as_written = values / units[named]
    usual = [
        other
        for other, factor in units.items()
        if other != named
        and _within(as_written * factor, VOLTS if word != "current" else MILLIAMPERES)
    ]
    if not usual:
        return
    first = [digits_text(float(value), 4) for value in as_written[:3]]
    raise Question(
        f"The {word} in {name} would be beyond the bench in {named}; is that its unit?",
        f"values such as {some(first)}",
        [
            Reading(other, some([f"{text} {other}" for text in first]), (f"--{word}-unit", other))
            for other in (named, *usual)
        ],
    )


def are_plausible(values: Mapping[str, Floats]) -> bool:
    """Whether all these are usual on a bench; by column of the run, in its unit."""
    return all(_within(found, _RANGES.get(name, (0.0, np.inf))) for name, found in values.items())


def ask_form(cells: Sequence[str], forms: Sequence[NumberForm]) -> Question:
    """The question what the sign in numbers such as ``1.234`` means."""
    signed = [cell for cell in cells if "," in cell or "." in cell]
    signs = [sign for sign in ",." if any(sign in cell for cell in signed)]
    shown = [next(cell for cell in reversed(signed) if sign in cell) for sign in signs]
    words = {".": "point", ",": "comma"}
    readings = []
    for form in forms:
        read = [form.read(cell) for cell in shown]
        told = " and ".join(f"{number[0]:.10g}" for number in read if number is not None)
        thousands = (
            f" and the {words[form.thousands]} stands between thousands" if form.thousands else ""
        )
        option = ("--thousands", words[form.thousands]) if form.thousands else ()
        readings.append(
            Reading(
                f"the {words[form.decimal]} is the decimal sign{thousands}",
                told,
                ("--decimal", words[form.decimal], *option),
            )
        )
    return Question(
        f"What does the {' and the '.join(words[sign] for sign in signs)} in numbers mean?",
        f"all have three digits behind it: {some(signed)}",
        readings,
    )


def ask_swapped(
    table: Table,
    places: tuple[int, int],
    pack_v: Floats,
    current_ma: Floats,
    other_v: Floats,
    other_ma: Floats,
) -> None:
    """Raises Question where the header's voltage is no usual one, and the current column's numbers would be.

    ``other_v`` and ``other_ma``: values with the two columns swapped.
    """
    if _within(pack_v, _USUAL_VOLTS) or not _within(other_v, _USUAL_VOLTS):
        return
    if not _within(other_ma, MILLIAMPERES):
        return
    voltage, current = places
    raise Question(
        "The columns of voltage and current may be swapped.",
        f"by their names, the voltage is around {digits_text(middle_of(pack_v), 3)} V and the current around {digits_text(middle_of(current_ma), 3)} mA",
        [
            Reading(
                "as they are named",
                _pair(pack_v, current_ma),
                ("--voltage", str(voltage + 1), "--current", str(current + 1)),
            ),
            Reading(
                "swapped",
                _pair(other_v, other_ma),
                _swap(table, voltage, current),
            ),
        ],
    )


def _swap(table: Table, voltage: int, current: int) -> tuple[str, ...]:
    volts = table.read[voltage].unit_of("voltage") or "V"
    amperes = table.read[current].unit_of("current") or "mA"
    return (
        *("--voltage", str(current + 1), "--voltage-unit", volts),
        *("--current", str(voltage + 1), "--current-unit", amperes),
    )


def _pair(volts: Floats, milliamperes: Floats) -> str:
    if not len(volts) or not len(milliamperes):
        return ""
    return f"{digits_text(float(volts[0]), 3)} V, {digits_text(float(milliamperes[0]), 3)} mA, ..."


def sign_words(current_ma: Floats, pack_v: Floats | None, wanted: str | None) -> tuple[float, str]:
    """Factor 1 or -1 for a current (n,), and that in words. Raises Question where both signs carry charge."""
    if wanted is not None:
        return (
            (-1.0, "the sign of the current was turned, as you said")
            if wanted == "turned"
            else (1.0, "")
        )
    known = current_ma[np.isfinite(current_ma)]
    out, back = float(known[known > 0].sum()), float(-known[known < 0].sum())
    if back <= 0.01 * out:
        return 1.0, ""
    course = None if pack_v is None else falls(pack_v)
    if out <= 0.01 * back and course:
        return (
            -1.0,
            "the current is negative throughout: its sign was turned, so that out of the pack is positive",
        )
    low, high = digits_text(float(known.min()), 3), digits_text(float(known.max()), 3)
    seen = f"currents from {low} to {high} mA"
    if out <= 0.01 * back:
        why = (
            "the voltage rises"
            if course is False
            else "no falling voltage shows that the pack gives"
        )
        seen = f"{seen}, and {why}"
    raise Question(
        "Which sign of the current is out of the pack?",
        seen,
        [
            Reading(
                "positive is out of the pack, negative charges it",
                "",
                ("--current-sign", "as-read"),
            ),
            Reading("negative is out of the pack", "", ("--current-sign", "turned")),
        ],
    )


def falls(volts: Floats) -> bool | None:
    """Whether a voltage (n,) falls from its first tenth to its last; None if that cannot be said."""
    known = volts[np.isfinite(volts)]
    if len(known) < 2:
        return None
    tenth = max(1, len(known) // 10)
    first, last = float(np.median(known[:tenth])), float(np.median(known[-tenth:]))
    steps = np.diff(known)
    noise = float(np.median(np.abs(steps - np.median(steps)))) / math.sqrt(tenth)
    if abs(last - first) <= max(4 * noise, 5e-4 * abs(first)):
        return None
    return last < first

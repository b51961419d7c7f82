"""What is plausible of voltage and current on this bench, and the questions where two readings are.

Bounds are common practice, no source: one button cell under load to two dozen cells in series; a sleeping sensor to
a vest of LEDs.
"""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.numbers import digits_text
from logger.text.question import Question, Reading, some
from logger.text.table import Table

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


def ask_sign_meaning(
    table: Table, sign: str, values: Mapping[str, Floats], places: Sequence[int]
) -> None:
    """Raises Question unless only one meaning of the sign in ``1.234`` gives plausible values.

    ``values``: by column of the run, in its unit, with the sign as decimal sign.
    """
    word, other = ("comma", "point") if sign == "," else ("point", "comma")
    meanings = {
        "decimal": all(
            _within(found, _RANGES.get(name, (0, np.inf))) for name, found in values.items()
        ),
        "thousands": all(
            _within(found * 1e3, _RANGES.get(name, (0, np.inf))) for name, found in values.items()
        ),
    }
    if meanings["decimal"] and not meanings["thousands"]:
        return
    cell = next(row[place] for row in table.rows for place in places if sign in row[place])
    as_thousands = Reading(
        "it stands between thousands",
        cell.replace(sign, ""),
        ("--decimal", other, "--thousands", word),
    )
    as_decimal = Reading("it is the decimal sign", cell.replace(sign, "."), ("--decimal", word))
    raise Question(
        f"What does the {word} in {cell} mean?",
        f"all numbers with a {word} have three digits behind it: "
        + some([row[place] for row in table.rows for place in places if sign in row[place]]),
        [as_decimal, as_thousands],
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
    rises = pack_v is not None and _rises(pack_v)
    if out <= 0.01 * back and not rises:
        return (
            -1.0,
            "the current is negative throughout: its sign was turned, so that out of the pack is positive",
        )
    low, high = digits_text(float(known.min()), 3), digits_text(float(known.max()), 3)
    seen = (
        "all currents are negative while the voltage rises"
        if rises and not out
        else f"currents from {low} to {high} mA"
    )
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


def _rises(volts: Floats) -> bool:
    """Whether the last tenth lies clearly above the first."""
    known = volts[np.isfinite(volts)]
    tenth = len(known) // 10
    if tenth < 2:
        return False
    first, last = float(np.median(known[:tenth])), float(np.median(known[-tenth:]))
    return last > 1.01 * first


def falls(volts: Floats) -> bool | None:
    """Whether a voltage (n,) falls from first to last; None if that cannot be said."""
    known = volts[np.isfinite(volts)]
    tenth = max(1, len(known) // 10)
    if len(known) < 2:
        return None
    first, last = float(np.median(known[:tenth])), float(np.median(known[-tenth:]))
    noise = float(np.median(np.abs(np.diff(known))))
    if abs(last - first) <= max(3 * noise, 0.002 * abs(first)):
        return None
    return last < first

"""Results as rows of a table, in words: label, value, interval."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analysis.doubt.quantity import Quantity
from analysis.say.words import quantity_words, value_words

# At the end of a label: the result has no interval, and its row says so.
NO_INTERVAL: Final = " (no interval)"


@dataclass(frozen=True)
class Row:
    """One line of a table of results."""

    label: str
    value: str
    interval: str
    coverage: float | None = None
    note: str = ""


def rows_of(quantities: Sequence[tuple[str, Quantity]], notes: bool = False) -> tuple[Row, ...]:
    """Table rows of results; ``notes`` adds each quantity's own note."""
    coverages = {q.coverage for _, q in quantities if q.coverage is not None}
    rows = []
    for label, quantity in quantities:
        words = interval_words(quantity)
        if len(coverages) > 1 and quantity.coverage is not None:
            words += f" ({100 * quantity.coverage:g} %)"
        if label.endswith(NO_INTERVAL):
            label, words = label.removesuffix(NO_INTERVAL), "no interval"
        note = quantity.note if notes else ""
        rows.append(Row(label, value_words(quantity), words, quantity.coverage, note))
    return tuple(rows)


def interval_title(rows: Sequence[Row]) -> str:
    """``95 % sure to lie in`` where all rows agree on it."""
    coverages = {row.coverage for row in rows if row.coverage is not None}
    if len(coverages) == 1:
        return f"{100 * coverages.pop():g} % sure to lie in"
    return "interval" if any(row.interval for row in rows) else ""


def interval_words(quantity: Quantity) -> str:
    """The interval alone: ``7 h 10 min to 7 h 16 min``; empty where there is none."""
    if quantity.at_least:
        return "a lower bound"
    text = quantity_words(quantity)
    if " (" not in text:
        return ""
    inside = text.split(" (", 1)[1].rstrip(")").split(" at ")[0]
    if quantity.upper is None:
        return f"at least {inside.split(' to ')[0]} {quantity.unit_text}".rstrip()
    return inside if quantity.unit == "s" else f"{inside} {quantity.unit_text}".rstrip()

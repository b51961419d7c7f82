"""A meter's accuracy as its manual writes it: "0.5% + 3 digits", or "V: 0.5% + 2 digits, A: 1% + 3 digits".

Percent are of the reading; digits (counts) are steps of the last place that the meter shows, which a file
does not say: it is guessed from how its numbers are written.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from logger.base.errors import BenchError
from logger.base.numbers import digits_text
from logger.run.description import Meter
from logger.text.number_form import NumberForm
from logger.text.plan import ColumnPlan

_NUMBER: Final = r"(\d+(?:[.,]\d+)?)"
_PERCENT: Final = re.compile(
    _NUMBER + r"\s*%\s*(?:(?:of\s+)?(?:rdg|reading|value|v\.?\s?m\.?)\.?)?", re.I
)
_DIGITS: Final = re.compile(_NUMBER + r"\s*(?:digits?|dgts?|dig|counts?|cts?|lsd|d)?\.?", re.I)
_AMOUNT: Final = re.compile(_NUMBER + r"\s*(mV|V|[uµμ]A|mA|A)")
_LABEL: Final = re.compile(r"\s*([A-Za-zµμ]+)\s*[:=]")
_QUANTITIES: Final = {
    **dict.fromkeys(("v", "mv", "volt", "volts", "voltage", "u"), "voltage"),
    **dict.fromkeys(("a", "ma", "ua", "µa", "μa", "amp", "amps", "current", "i"), "current"),
}
# Amounts in the run's units, V and mA.
_UNITS: Final = {
    "V": ("voltage", 1.0),
    "mV": ("voltage", 1e-3),
    "A": ("current", 1e3),
    "mA": ("current", 1.0),
    "uA": ("current", 1e-3),
}
_TARGETS: Final = {"voltage": ("pack_v", "bus_v"), "current": ("current_ma",)}
_MOST_PERCENT: Final = 50.0


@dataclass(frozen=True)
class Stated:
    """One quantity's accuracy: share of the reading, steps of the last place, and an amount in V or mA."""

    share: float = 0.0
    digits: float = 0.0
    amount: float = 0.0


def parse_accuracy(text: str) -> dict[str, Stated]:
    """Accuracy by quantity, ``voltage`` and ``current``; one without a name holds for both.

    Raises BenchError for anything else than a manual's form.
    """
    parts = re.split(
        r"[,;]\s*(?=[A-Za-zµμ]+\s*[:=])", text.strip().replace("±", "").replace("+/-", "")
    )
    found: dict[str, Stated] = {}
    for part in parts:
        label = _LABEL.match(part)
        if label is None:
            if len(parts) > 1:
                raise _not_understood(text)
            return dict.fromkeys(_TARGETS, _stated(part, text, None))
        quantity = _QUANTITIES.get(label[1].lower())
        if quantity is None or quantity in found:
            raise _not_understood(text)
        found[quantity] = _stated(part[label.end() :], text, quantity)
    return found


def _stated(part: str, text: str, quantity: str | None) -> Stated:
    share = digits = amount = 0.0
    for place, term in enumerate(part.strip().strip("()").split("+")):
        term = term.strip()
        if percent := _PERCENT.fullmatch(term):
            share += _value(percent[1]) / 100
        elif given := _AMOUNT.fullmatch(term):
            of, factor = _UNITS[given[2].replace("µ", "u").replace("μ", "u")]
            if of != quantity:
                raise _not_understood(text)
            amount += factor * _value(given[1])
        elif (place > 0 and (counted := _DIGITS.fullmatch(term))) or (
            counted := re.fullmatch(_DIGITS.pattern.replace(")?\\.?", ")\\.?"), term, re.I)
        ):
            digits += _value(counted[1])
        else:
            raise _not_understood(text)
    if share > _MOST_PERCENT / 100 or not share + digits + amount > 0:
        raise _not_understood(text)
    return Stated(share, digits, amount)


def _value(text: str) -> float:
    return float(text.replace(",", "."))


def _not_understood(text: str) -> BenchError:
    return BenchError(
        f"The accuracy {text!r} is not understood.",
        next_step='write it as the manual does: "0.5% + 3 digits", or by quantity "V: 0.5% + 2 digits, A: 1% + 3 digits".',
    )


def resolutions(
    rows: Sequence[Sequence[str]], columns: Sequence[ColumnPlan], form: NumberForm
) -> dict[str, float]:
    """Worth of the last place that was written, in the run's units, by column of the run."""
    found = {}
    for column in columns:
        cells = [form.decimals(row[column.place]) for row in rows if column.place < len(row)]
        places = [count for count in cells if count is not None]
        if places:
            found[column.target] = abs(column.scale * column.factor) * 10.0 ** -max(places)
    return found


def meter_of(
    text: str, columns: Sequence[ColumnPlan], steps: Mapping[str, float]
) -> tuple[Meter, tuple[str, ...]]:
    """The meter's greatest errors in the run's units, and in words what was guessed.

    Raises BenchError if the text is not understood, or says nothing of a quantity that was measured.
    """
    stated = parse_accuracy(text)
    targets = {column.target for column in columns}
    told, offsets = [], {}
    for quantity, names in _TARGETS.items():
        target = next((name for name in names if name in targets), None)
        if target is None:
            continue
        if quantity not in stated:
            raise BenchError(
                f"The accuracy says nothing of the {quantity}, which the file has.",
                evidence=f"--accuracy {text!r}",
                next_step='name both, such as "V: 0.5% + 2 digits, A: 1% + 3 digits".',
            )
        one = stated[quantity]
        offsets[quantity] = one.amount
        if one.digits:
            step = steps.get(target)
            if step is None:
                raise BenchError(
                    f"How much a digit of the {quantity} is worth cannot be told from the file.",
                    evidence=f"--accuracy {text!r}",
                    next_step='give an amount instead of digits: "V: 0.5% + 5 mV, A: 1% + 0.3 mA".',
                )
            offsets[quantity] += one.digits * step
            unit = "V" if quantity == "voltage" else "mA"
            told.append(
                f"a digit of the {quantity} is taken as {digits_text(step, 3)} {unit}, by how the file writes it"
            )
    return (
        Meter(
            text=text.strip(),
            voltage_share=stated["voltage"].share if "voltage" in offsets else None,
            voltage_offset_v=offsets.get("voltage"),
            current_share=stated["current"].share if "current" in offsets else None,
            current_offset_ma=offsets.get("current"),
        ),
        tuple(told),
    )

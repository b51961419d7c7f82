"""Uncertainty budgets as tables: where the doubt of each result comes from, and how much of it.

Rounding (GUM 7.2.6): standard and expanded uncertainties to two significant digits, shares to whole
percent; JSON has the numbers unrounded.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import (
    COVERAGE,
    Budget,
    Component,
    combined,
    coverage_factor,
    effective_dof,
)
from analysis.say.words import value_words

ROUNDING_RULE: Final = "Uncertainties here are rounded to two significant digits (JCGM 100, 7.2.6), intervals to one or two and values to the same place; components below half a percent of the variance are added up in one line."
KINDS_WORDS: Final = (
    "Each source with its kind (A: from the scatter of this run, B: from data sheets, calibration or assumption), its standard "
    "uncertainty, and its share of the whole, which is the sum of squares."
)
_LEAST_SHARE: Final = 0.005


@dataclass(frozen=True)
class DoubtTable:
    """Budget of one result. ``name``: as in the JSON; ``label``: for people."""

    name: str
    label: str
    quantity: Quantity
    components: Budget

    @property
    def standard(self) -> float:
        return combined(self.components)

    @property
    def factor(self) -> float:
        return coverage_factor(self.components)

    def as_json(self) -> dict[str, Any]:
        """Standard and expanded uncertainty, coverage factor, and every component, greatest first."""
        total = self.standard
        dof = effective_dof(self.components)
        return {
            "value": self.quantity.as_json()["value"],
            "unit": self.quantity.unit,
            "standard": total,
            "expanded": self.factor * total,
            "coverage": COVERAGE,
            "coverage_factor": self.factor,
            "degrees_of_freedom": dof if math.isfinite(dof) else None,
            "components": [
                {
                    "source": part.source,
                    "kind": part.kind,
                    "distribution": part.shape,
                    "standard": part.standard,
                    "degrees_of_freedom": part.dof if math.isfinite(part.dof) else None,
                    "share": _share(part.standard, total),
                }
                for part in sorted(self.components, key=lambda part: -part.standard)
            ],
        }

    def rows(self) -> tuple[tuple[str, str, str, str], ...]:
        """(source, kind, size, share) as text, greatest first; crumbs in one last row."""
        total = self.standard
        shown: list[Component] = []
        crumbs: list[Component] = []
        for part in sorted(self.components, key=lambda part: -part.standard):
            (shown if _share(part.standard, total) >= _LEAST_SHARE else crumbs).append(part)
        rows = [
            (part.source, part.kind, self._size(part.standard), _percent(part.standard, total))
            for part in shown
        ]
        if crumbs:
            rest = combined(tuple(crumbs))
            kinds = "/".join(sorted({part.kind for part in crumbs}))
            rows.append(("all others", kinds, self._size(rest), _percent(rest, total)))
        return tuple(rows)

    def caption(self) -> str:
        """The result in words, with its standard and expanded uncertainty."""
        value = value_words(self.quantity)
        return (
            f"{self.label}: {value}, standard uncertainty {self._size(self.standard)}, expanded "
            f"{self._size(self.factor * self.standard)} (k = {self.factor:.2f}, {100 * COVERAGE:g} %)"
        )

    def _size(self, number: float) -> str:
        return f"{two_digits(number)} {self.quantity.unit}"


def doubt_table(
    name: str, label: str, quantity: Quantity, components: Budget | None
) -> DoubtTable | None:
    """Table of a result; None where it does not exist or its doubt is not known."""
    if quantity.value is None or not components:
        return None
    return DoubtTable(name, label, quantity, components)


def two_digits(number: float) -> str:
    """``0.0034``, ``12``, ``1200``: two significant digits without an exponent."""
    if number == 0 or not math.isfinite(number):
        return f"{number:g}"
    exponent = int(f"{number:.1e}".split("e")[1])
    return f"{round(number, 1 - exponent):.{max(0, 1 - exponent)}f}"


def _share(part: float, total: float) -> float:
    return part**2 / total**2 if total > 0 else 0.0


def _percent(part: float, total: float) -> str:
    share = 100 * _share(part, total)
    return f"{share:.0f} %" if share >= 0.5 else "under 1 %"

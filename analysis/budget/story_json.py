"""Everything a budget says in the usual object form."""

from typing import TYPE_CHECKING, Any, Final

from analysis.budget.estimate import ModeEstimate
from analysis.doubt.quantity import Quantity
from analysis.electric.pack_choice import PackAnswer

if TYPE_CHECKING:
    from analysis.budget.story import BudgetStory

_PEAK_NOTE: Final = "every part at its highest used state at once; no interval"
_WIRE_NOTE: Final = "copper at 20 C, or as the thread is stated; at the peak; no interval"


def budget_json(story: "BudgetStory") -> dict[str, Any]:
    """Results of a budget, each quantity as ``Quantity.as_json``."""
    compared = () if story.comparison is None else story.comparison.modes
    measured = {item.estimate.mode: item.measured for item in compared}
    return {
        "estimated_current": {item.mode: item.current.as_json() for item in story.estimates},
        "worst_case_current": {item.mode: _worst(item).as_json() for item in story.estimates},
        "peak_current": {
            item.mode: Quantity(item.peak_ma, "mA", note=_PEAK_NOTE).as_json()
            for item in story.estimates
        },
        "wire_drop": {
            item.mode: {
                wire: Quantity(volts, "V", note=_WIRE_NOTE).as_json()
                for wire, volts in item.wire_drop_v.items()
            }
            for item in story.estimates
        },
        "measured_current": {name: value.as_json() for name, value in measured.items()},
        "differences": {
            item.estimate.mode: item.difference.as_json() | {"explained": item.explained}
            for item in compared
        },
        "evening": {
            "mean_current": story.evening.mean_current.as_json(),
            "charge": story.evening.charge.as_json(),
            "energy": story.evening.energy.as_json(),
        },
        "parts": _parts_json(story),
        "inseparable": []
        if story.comparison is None
        else [list(s) for s in story.comparison.inseparable],
        "culprits": [story.figure_rows()[index][0] for index in story.culprits],
        "all_clear": story.all_clear,
        "unresolved": [item.words for item in story.unresolved],
        "packs": [_pack_json(answer) for answer in story.packs],
        "own_pack_run": story.own_run or None,
        "changes": [
            {
                "change": item.words,
                "runtime": item.runtime.as_json(),
                "gained": item.gained.as_json(),
            }
            for item in story.changes
        ],
        "warnings": list(story.warnings),
    }


def _parts_json(story: "BudgetStory") -> list[dict[str, Any]]:
    return [
        {"figure": label, "prior": before.as_json(), "posterior": after.as_json()}
        for label, before, after in story.figure_rows()
    ]


def _pack_json(answer: PackAnswer) -> dict[str, Any]:
    sag = zip(("fresh", "end"), answer.sag_v, strict=True)
    return {
        "pack": answer.name,
        "runtime": answer.runtime.as_json(),
        "serves": answer.serves,
        "reasons": list(answer.reasons),
        "cautions": list(answer.cautions),
        "mass": Quantity(answer.mass_g, "g", note="typical, from memory").as_json(),
        "rechargeable": answer.rechargeable,
        "half_light": answer.half_light.as_json(),
        "sag_at_peak": {
            when: Quantity(sag_v, "V", note="typical resistance, from memory").as_json()
            for when, sag_v in sag
        },
    }


def _worst(estimate: ModeEstimate) -> Quantity:
    low, high = estimate.worst_ma
    return Quantity(
        estimate.current.value, "mA", low, high, note="every part at its limit at once: no coverage"
    )

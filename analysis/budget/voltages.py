"""What may stand on the pack's terminals: the least of what piece, converter and parts are said to stand.

A boost converter lets through what lies above its output, so the parts behind it count as well; a
linear regulator or a buck keeps it from them.
"""

from typing import Final

from analysis.budget.file import Budget
from analysis.budget.suspects import UNLISTED
from analysis.electric.demand import Ceiling, over_ceiling
from analysis.listed.part import Part

# A boost converter passes its input through once it lies this far over the output: common practice, no source.
BOOST_MARGIN_V: Final = 0.3


def ceilings(budget: Budget) -> tuple[Ceiling, ...]:
    """Every limit at the pack's terminals, the lowest first; where nothing is said, the pack's own fresh voltage."""
    converter, found = budget.converter, []
    if budget.max_v is not None:
        found.append(Ceiling(budget.max_v, f"the {budget.max_v:g} V that the piece stands"))
    if converter.max_v is not None:
        found.append(
            Ceiling(converter.max_v, f"the {converter.max_v:g} V that the {converter.words} stands")
        )
    found += [_of_part(part) for part in budget.parts if budget.on_pack(part) and part.max_v]
    if converter.kind == "boost":
        found.append(
            Ceiling(
                converter.output_v + BOOST_MARGIN_V,
                f"the {converter.output_v:g} V output of the boost converter, which lets through what lies above it",
            )
        )
        found += [_of_part(part) for part in budget.parts if part.after_converter and part.max_v]
    if not _all_said(budget):
        found.append(
            Ceiling(
                budget.pack.full_v,
                f"the {budget.pack.full_v:.2f} V of {budget.pack}, and nothing says that the circuit stands more: state max_v",
            )
        )
    return tuple(sorted(found, key=lambda item: item.most_v))


def _of_part(part: Part) -> Ceiling:
    assert part.max_v is not None
    usual = (
        " (usual for addressable LEDs; state max_v if yours stand more)" if part.max_v_usual else ""
    )
    return Ceiling(part.max_v, f"the {part.max_v:g} V that {part.name} stands{usual}")


def _all_said(budget: Budget) -> bool:
    """Whether everything that the pack's voltage reaches has a limit."""
    if budget.max_v is not None:
        return True
    if budget.converter.steps_down and budget.converter.max_v is None:
        return False
    return all(
        part.max_v is not None or part.name.startswith(UNLISTED)
        for part in budget.parts
        if budget.on_pack(part)
    )


def voltage_warnings(budget: Budget) -> tuple[str, ...]:
    """The budget's own pack over a limit, and a give-up voltage under what a part needs."""
    pack, told = budget.pack, []
    over = over_ceiling(pack, ceilings(budget))
    if over is not None:
        told.append(
            f"Do not connect {pack}: fresh it gives up to {pack.full_v:.2f} V, more than {over.words}. "
            "Take fewer cells, or a converter that stands the pack and keeps its output under the limit."
        )
    for part in budget.parts:
        if (
            budget.on_pack(part)
            and part.min_v is not None
            and budget.give_up_v is not None
            and part.min_v > budget.give_up_v
        ):
            told.append(
                f"{part.name} is made for {part.min_v:g} V and more, but the piece is said to run down to {budget.give_up_v:g} V: "
                "below its limit it may fail before it stops."
            )
    return tuple(told)

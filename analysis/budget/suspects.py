"""What else than a figure may be wrong in a budget: a draw that it does not list, and how long a state is on.

Each is a column of the modes' design, in the same terms as the figures: what one unit of it adds to
the current of every measured mode.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.budget.estimate import reach
from analysis.budget.file import Budget, Mode
from analysis.listed.part import Part
from analysis.say.words import and_words

Array = npt.NDArray[np.float64]
UNLISTED: Final = "not listed"
# How often a budget forgets a part, or misjudges how long one is on: our own judgement.
UNLISTED_SHARE: Final = 0.05
DUTY_SHARE: Final = 0.03
# A part that draws in the quietest mode alone is rarer than a sleep that is none: our own judgement.
QUIETEST: Final = 0.25
# A forgotten part draws about so much of the quietest mode it is on in: our own judgement.
_UNLISTED_SIZE: Final = 0.5
_DUTY_SIZE: Final = 0.3
_MOST_SUBSETS: Final = 4


@dataclass(frozen=True)
class Suspect:
    """One more unknown, 0 as the budget is written.

    ``column``: what a unit of it adds to each measured mode, mA; shape (modes,). A unit is a mA, or
    all of the time for a ``duty``. ``modes``: in which it is on. ``wide_std``, ``share``: see ``Slips``.
    ``part``, ``state``: whose duty it is.
    """

    label: str
    column: Array
    wide_std: float
    share: float
    modes: tuple[str, ...]
    part: str = ""
    state: str = ""
    everywhere: bool = False

    @property
    def where(self) -> str:
        """The modes it is on in, in words."""
        return "in every mode" if self.everywhere else f"in {and_words(self.modes)}"

    @property
    def duty(self) -> bool:
        return bool(self.part)


def suspects(
    budget: Budget, modes: Sequence[Mode], current_ma: Array, pack_v: Array
) -> tuple[Suspect, ...]:
    """All that may be wrong besides the figures; ``current_ma``, ``pack_v``: measured, shape (modes,)."""
    return (*_unlisted(modes, current_ma), *_duties(budget, modes, pack_v))


def _unlisted(modes: Sequence[Mode], current_ma: Array) -> list[Suspect]:
    """A draw that nothing lists: in every mode, or in some only."""
    count = len(modes)
    sizes = range(1, count + 1) if count <= _MOST_SUBSETS else (1, count)
    subsets = [subset for size in sizes for subset in combinations(range(count), size)]
    found = []
    for subset in subsets:
        everywhere = len(subset) == count
        names = tuple(modes[index].name for index in subset)
        column = np.zeros(count)
        column[list(subset)] = 1.0
        part = 0.5 if everywhere else 0.5 / max(len(subsets) - 1, 1)
        if not everywhere and subset == (int(np.argmin(current_ma)),):
            part *= QUIETEST
        found.append(
            Suspect(
                UNLISTED,
                column,
                _UNLISTED_SIZE * float(np.abs(current_ma[list(subset)]).min()),
                UNLISTED_SHARE * part,
                names,
                everywhere=everywhere and count > 1,
            )
        )
    return found


def _duties(budget: Budget, modes: Sequence[Mode], pack_v: Array) -> list[Suspect]:
    """A state that is on for part of a mode only: longer or shorter than said, in this mode alone."""
    found = []
    for place, mode in enumerate(modes):
        for part in budget.parts:
            shares = [mode.shares.get((item.part, item.state), 0.0) for item in part.figures]
            used = [index for index, share in enumerate(shares) if share > 0]
            if not used or len(used) > 2 or max(shares) >= 1:
                continue
            currents = np.array([_at_pack_ma(budget, part, i, float(pack_v[place])) for i in used])
            column = np.zeros(len(modes))
            # Of two states one is on while the other is not.
            column[place] = currents[0] if len(used) == 1 else currents[0] - currents[1]
            if abs(column[place]) < 1e-6:
                continue
            figure = part.figures[used[0]]
            found.append(
                Suspect(
                    f"{figure.label}, how long in {mode.name}",
                    column,
                    _DUTY_SIZE,
                    DUTY_SHARE,
                    (mode.name,),
                    part.name,
                    figure.state,
                )
            )
    return found


def _at_pack_ma(budget: Budget, part: Part, index: int, pack_v: float) -> float:
    figure, converter = part.figures[index], budget.converter
    return (
        part.quantity
        * figure.current_ma
        * budget.at_pack(part, figure, pack_v)
        * reach(converter, pack_v, part.after_converter)
    )

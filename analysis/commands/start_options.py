"""What a budget tells the recording, as options of ``drawbench start``."""

from dataclasses import replace
from typing import Final

from analysis.budget.story import BudgetStory
from logger.base.numbers import digits_text
from logger.base.pack import PACK_DEFAULT
from logger.base.typed.number import number_text

# A draw below this share of the greatest might be taken for a piece gone dark.
_QUIET_SHARE: Final = 0.3


def start_options(story: BudgetStory) -> list[str]:
    """Pack, cutoff and quiet modes, so that nobody has to type them again."""
    return [*_its_pack(story), *_quiet_modes(story)]


def _its_pack(story: BudgetStory) -> list[str]:
    """Options that say what the budget file says already."""
    pack, give_up_v = story.budget.pack, story.budget.give_up_v
    words = str(replace(pack, used=False))
    options = [] if words == PACK_DEFAULT else ["--pack", words]
    options += [] if pack.capacity_mah is None else ["--capacity", number_text(pack.capacity_mah)]
    options += ["--used"] if pack.used else []
    # Under the cells' floor no run is begun.
    stops = give_up_v is not None and pack.floor_v <= give_up_v < pack.full_v
    return [*options, "--cutoff", number_text(give_up_v or 0.0)] if stops else options


def _quiet_modes(story: BudgetStory) -> list[str]:
    """Options that tell the recording which low draws are modes of the piece."""
    draws_ma = [item.current.value for item in story.estimates if item.current.value]
    quiet = [draw_ma for draw_ma in draws_ma if draw_ma < _QUIET_SHARE * max(draws_ma)]
    return [text for draw_ma in quiet for text in ("--mode-draw", digits_text(draw_ma, 2))]

"""How did a specimen end? The words of the column ``how``, sorted into the trade's kinds."""

import re
from collections.abc import Sequence
from typing import Final, Literal

from analysis.life.data import Specimen

Ending = Literal["joint", "wire", "insulation", "connector", "not said"]

WORDS: Final[dict[Ending, str]] = {
    "joint": "the joint",
    "wire": "the wire beside the joint",
    "insulation": "the insulation",
    "connector": "the connector",
    "not said": "not said",
}
# The first that fits counts: "wire broke beside the joint" is the wire.
_KINDS: Final[tuple[tuple[Ending, str], ...]] = (
    ("insulation", r"insulat|jacket|sheath|isolier|mantel"),
    ("connector", r"connector|plug|socket|\bpins?\b|header|stecker|buchse"),
    ("wire", r"beside|next to the|near the|along the|\bwire\b|strand|\bthread\b|neben|\bdraht|litze"),
    ("joint", r"joint|solder|crimp|snap|glue|weld|\bpad\b|eyelet|knot|löt|kleb|geklebt"),
)
_WEAR: Final = r"fray|crack|loose|thin|worn|half broken|nearly|looked bad|about to|ausgefranst"


def ending(how: str) -> Ending:
    """Which part gave up, by the words; ``not said`` where they name none."""
    text = how.lower()
    return next((kind for kind, words in _KINDS if re.search(words, text)), "not said")


def taken_out_worn(item: Specimen) -> bool:
    """Taken out whole because it looked worn: its end was near, so its stop is no plain stop."""
    return not item.failed and re.search(_WEAR, item.how.lower()) is not None


def endings(specimens: Sequence[Specimen]) -> dict[Ending, int]:
    """Failures by the part that gave up, in the order in which they first came."""
    found: dict[Ending, int] = {}
    for item in specimens:
        if item.failed:
            kind = ending(item.how)
            found[kind] = found.get(kind, 0) + 1
    return found

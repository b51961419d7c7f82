"""Before a night: is the voltage that the board sees that of the pack that was named?"""

from typing import Final

from logger.base.pack import CHEMISTRIES, Pack

_FULL_SLACK: Final = 1.05
_USED_SHARE: Final = 0.9  # of the nominal voltage


def above_full(pack_v: float, pack: Pack) -> str:
    """A voltage that such a pack cannot have, in words; empty if it can."""
    if pack_v <= pack.full_v * _FULL_SLACK:
        return ""
    cells = round(pack_v / CHEMISTRIES[pack.chemistry].nominal_v)
    fits = f"; {cells} cells would fit" if cells > pack.cells else ""
    return f"Not the pack that was stated: {pack_v:.2f} V is more than {pack} can have ({pack.full_v:.2f} V when full){fits}."


def pack_doubts(pack_v: float, pack: Pack, cutoff_v: float) -> list[str]:
    """What does not fit, in words; nothing if all does."""
    above = above_full(pack_v, pack)
    if above:
        return [above]
    if pack_v < cutoff_v:
        return [f"{pack_v:.2f} V is below the cutoff of {cutoff_v:g} V already: fresh cells?"]
    if pack_v < pack.nominal_v * _USED_SHARE:
        return [
            f"{pack} has {pack.nominal_v:.1f} V or more when fresh; {pack_v:.2f} V: used cells?"
        ]
    return []

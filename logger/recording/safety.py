"""What must be said, or refused, before cells are left alone with a load."""

from collections.abc import Callable, Sequence
from typing import Final

from logger.base.errors import BenchError
from logger.base.numbers import digits_text
from logger.base.pack import CHEMISTRIES, SAFETY_CLOSING, Pack
from logger.base.sensor_limits import is_pack_on
from logger.board.stream import Hello

Sure = Callable[[str], bool]

HARDWARE_CUTOFF_NEEDED: Final = ("li-ion", "lifepo4")


def check_cutoff(pack: Pack | None, cutoff_v: float | None, *, below_floor: bool | None) -> None:
    """Raises BenchError for a cutoff that a full pack stands under, and for one under the cells' own
    floor, unless that is wanted expressly. ``below_floor``: None where the command has no such option."""
    if pack is None or cutoff_v is None:
        return
    if cutoff_v >= pack.full_v:
        raise BenchError(
            f"A cutoff of {cutoff_v:g} V is {'above' if cutoff_v > pack.full_v else 'as high as'} a full pack of {pack}: {digits_text(pack.full_v, 3)} V.",
            evidence="the run would be over at once",
            next_step=f"{_perhaps(cutoff_v, pack.floor_v, pack.full_v)}give the voltage at which the circuit gives up, for the "
            "whole pack in series.",
        )
    if below_floor or cutoff_v >= pack.floor_v - 1e-9:
        return
    per_cell_v = CHEMISTRIES[pack.chemistry].floor_v
    option = "drawbench log --below-floor" if below_floor is None else "--below-floor"
    raise BenchError(
        f"A cutoff of {cutoff_v:g} V is below the floor of {pack}: {pack.floor_v:g} V ({per_cell_v:g} V per cell).",
        evidence=pack.caution,
        next_step=f"give --cutoff {pack.floor_v:g} or more; {option} if these cells are to be sacrificed, watched and in the open.",
    )


def check_measured(cutoff_v: float, pack_v: float) -> None:
    """Raises BenchError for a cutoff that the pack stands under already, as measured, V."""
    if cutoff_v < pack_v or not is_pack_on(pack_v):
        return
    raise BenchError(
        f"A cutoff of {cutoff_v:g} V is above what the pack has now: {pack_v:.2f} V.",
        evidence="the run would be over at once",
        next_step=f"{_perhaps(cutoff_v, _LEAST_SHARE * pack_v, pack_v)}give the voltage at which the circuit gives up, or put a fresh pack in.",
    )


def _perhaps(cutoff_v: float, floor_v: float, below_v: float) -> str:
    """The cutoff that was meant, where a decimal sign or a unit was lost: 27 or 2700 for 2.7."""
    meant = [cutoff_v / lost for lost in (10, 100, 1000) if floor_v <= cutoff_v / lost < below_v]
    return (
        f"{digits_text(meant[0], 4)} V perhaps? Then --cutoff {digits_text(meant[0], 4)}; else "
        if meant
        else ""
    )


def guard_v(
    pack: Pack | None, cutoff_v: float | None, *, keep_load: bool, below_floor: bool
) -> float:
    """Cutoff for the board to watch by itself, so that the cells are safe when the computer dies.

    0: none; what an earlier run left on the board is taken off, for it was meant for another pack.
    """
    if keep_load:
        return 0.0
    if cutoff_v is not None:
        return cutoff_v
    return 0.0 if pack is None or below_floor else pack.floor_v


# A circuit gives up above this share of what its pack has: under it nothing is guessed.
_LEAST_SHARE: Final = 0.3
RELIES_ON_CELLS: Final = (
    "Nothing of this bench will stop these cells: you rely on the protection circuit inside of them, which is "
    "meant for accidents. Fireproof surface, nothing that burns beside it, out of bedrooms; stop on swelling, smell "
    f"or heat. {SAFETY_CLOSING}"
)
RELIES_ON_YOU: Final = (
    "Nothing of this bench will stop these cells: stay with them all the time, on a fireproof surface, and pull "
    f"the pack at the cutoff. Stop at once on swelling, smell or heat. {SAFETY_CLOSING}"
)


def unattended(pack: Pack, why: str) -> BenchError:
    """The refusal of lithium cells that nothing was seen to stop; ``why``: what is known of the switch."""
    return BenchError(
        f"A night with nobody there needs something that stops {pack}: a load switch that was seen to open, or "
        "cells with a protection circuit.",
        evidence=f"{why}; run down too far, lithium cells can catch fire when they are charged again",
        next_step="switch the piece on and add --test-switch (it goes dark for a second). --protected if the cells' "
        f"label or sheet names a protection circuit; --attended if you stay with it all the time. {SAFETY_CLOSING}",
    )


def may_close(boards: Sequence[Hello], wanted: bool, sure: Sure | None) -> bool:
    """Whether a person wants the load switches closed that the boards' cutoff opened; BenchError if nobody does.

    ``sure``: asks a person; None: nobody is there to be asked.
    """
    tripped = [hello for hello in boards if hello.opened == "cutoff"]
    if not tripped or wanted:
        return wanted
    words = " and ".join(
        f"Board {hello.board} opened its load switch at its cutoff of {hello.cutoff_v:g} V"
        for hello in tripped
    )
    question = f"{words}. Is a fresh or charged pack in, and may the switch be closed?"
    if sure is not None and sure(question):
        return True
    raise BenchError(
        f"{words}; it stays open until a person closes it.",
        evidence="load=0, opened=cutoff: closed again, the same cells would be run down further",
        next_step="put a fresh or charged pack in, then say so with --close-load.",
    )


def danger(pack: Pack | None, *, load_switch: bool) -> str:
    """What must not be overlooked for as long as the run lasts; empty if there is no such thing."""
    if pack is None or pack.chemistry not in HARDWARE_CUTOFF_NEEDED or load_switch:
        return ""
    return f"DANGER OF FIRE: {pack.chemistry} without a load switch: do not leave it alone."


def cautions(
    pack: Pack | None,
    cutoff_v: float | None,
    *,
    load_switch: bool,
    opens_load: bool,
    seen_to_open: bool = False,
    told: bool = False,
) -> list[str]:
    """Cautions for this run, in plain words; ``seen_to_open``: the load switch was tested today;
    ``told``: the caution for these cells, and what stops them, were said just before."""
    words = []
    if pack is None:
        words.append(
            'No pack was named (--pack "3x AA alkaline"): nobody checks that the cells stop in time.'
        )
    elif not told:
        words.append(f"{pack}: {pack.caution}")
    fire = danger(pack, load_switch=load_switch)
    fire_prone = pack is not None and pack.chemistry in HARDWARE_CUTOFF_NEEDED
    if fire:
        words.append(
            f"{fire} The logger can only note the cutoff, it cannot stop the discharge. Stay with "
            "it, on a fireproof surface, or fit the switch."
        )
    elif not (load_switch and opens_load):
        why = "has no load switch" if not load_switch else "keeps the load on"
        end = f" at {cutoff_v:g} V" if cutoff_v is not None else ""
        words.append(
            f"The board {why}: the discharge goes on after the run ends{end}. Take the cells out then."
        )
    elif fire_prone and not told and not seen_to_open:
        words.append(
            "Nobody has seen this board's load switch open (drawbench probe --test-switch, the piece on): "
            "stay with it, on a fireproof surface, unless the cells have their own protection."
        )
    return words

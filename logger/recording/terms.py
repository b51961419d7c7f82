"""Words of a recording: its phases, what the user wants of the board, what a screen may show, how the command ends."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logger.run.format import COLUMNS

COLUMN_NAMES: Final = tuple(column.name for column in COLUMNS)
# The board gives the host so much longer than the hold before it opens the load by itself.
GUARD_HOLD_S: Final = 5.0
REACHED: Final = ("cutoff", "charge", "duration")  # ends that were asked for as a condition
EXIT_OK: Final = 0
EXIT_NOT_BEGUN: Final = 2
EXIT_ENDED_EARLY: Final = 3
EXIT_LOAD_UNCONFIRMED: Final = 4
EXIT_CODES_HELP: Final = (
    "Exit code: 0 the run ended as asked, or you ended it; 2 it could not begin, or the pack stood under the cutoff from the first row on; 3 it ended early (disk full, "
    "board gone, error), with everything kept; 4 the load switch did not confirm that it opened, or current flowed although it was open."
)


class Phase(StrEnum):
    """What the recording is about; the words are shown."""

    SEEKING = "looking for board"
    GREETING = "waiting for board"
    SETTING = "setting board up"
    RUNNING = "recording"
    CLOSING = "ending"
    ENDED = "ended"


class LoadAtEnd(StrEnum):
    """Whether the load switch is opened when the run ends."""

    AT_CUTOFF = "at-cutoff"
    AT_END = "at-end"
    NEVER = "never"

    def opens(self, reason: str) -> bool:
        """Whether the load is to be opened at an end for this reason."""
        if self is LoadAtEnd.AT_END:
            return reason in REACHED
        return self is LoadAtEnd.AT_CUTOFF and reason == "cutoff"


@dataclass(frozen=True)
class Wishes:
    """What the user wants of the board. ``window_us`` None: leave it as the board has it.

    ``board``: the one board to record from, empty for whichever answers first. ``guard_v``: the
    cutoff that the board is to watch by itself, None: leave its own. ``give_up_s``: end
    the run when the link has been down so long, None: never. ``close_load``: a person wants the load switch
    closed although the board's cutoff opened it.
    """

    window_us: int | None = None
    board: str = ""
    load_at_end: LoadAtEnd = LoadAtEnd.AT_CUTOFF
    guard_v: float | None = None
    guard_hold_s: float = GUARD_HOLD_S
    give_up_s: float | None = None
    close_load: bool = False


@dataclass(frozen=True)
class LastRow:
    """The last whole row of a run that is to go on; ``peak_ma`` and ``rows`` are of the whole run."""

    time_s: float
    sequence: int
    boot: int
    charge_mah: float
    energy_mwh: float
    peak_ma: float = 0.0
    rows: int = 0


@dataclass(frozen=True)
class Status:
    """What a screen shows; None: not known yet. ``trouble``: what the disk says, ``alarm``: that the load switch
    did not open; empty if all is well."""

    phase: Phase
    port: str
    board: str
    time_s: float
    rows: int
    rows_missing: int
    pack_v: float | None
    current_ma: float | None
    charge_mah: float
    energy_mwh: float
    below_since_s: float | None
    end_reason: str
    end_text: str
    load: str
    trouble: str
    alarm: str = ""

"""Which cutoff and hold are looked for: those asked for, else the run's own."""

from typing import TYPE_CHECKING, SupportsFloat

from logger.base.durations import HOLD_DEFAULT_S
from logger.base.errors import BenchError
from logger.run.description import Stop

if TYPE_CHECKING:
    from logger.run.reader import FoundRun, Run


def cutoff_of(
    run: "Run | FoundRun", cutoff_v: float | None, hold_s: float | None
) -> tuple[float | None, float]:
    """Cutoff in V and hold in s as asked for, else as the run's description asks for them.

    Raises BenchError for what is no number at all.
    """
    for name, given in (("cutoff", cutoff_v), ("hold", hold_s)):
        if given is not None and not isinstance(given, SupportsFloat):
            raise BenchError(
                f"The {name} is a number.",
                evidence=f"{given!r}",
                next_step="give a cutoff in V such as 3.0 and a hold in s such as 10.",
            )
    own_v, own_s = own_cutoff(run.description.asked)
    return own_v if cutoff_v is None else cutoff_v, own_s if hold_s is None else hold_s


def own_cutoff(stop: Stop) -> tuple[float | None, float]:
    """Cutoff in V and hold in s as a run's own stop condition had them."""
    held = stop.cutoff_v is not None and stop.hold_s > 0
    return stop.cutoff_v, stop.hold_s if held else HOLD_DEFAULT_S

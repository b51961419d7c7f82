"""Which cutoff and hold are looked for: those asked for, else the run's own."""

from typing import TYPE_CHECKING, SupportsFloat

from logger.base.durations import HOLD_DEFAULT_S
from logger.base.errors import BenchError

if TYPE_CHECKING:
    from logger.run.reader import FoundRun, Run


def cutoff_of(
    run: "Run | FoundRun", cutoff_v: float | None, hold_s: float | None
) -> tuple[float | None, float]:
    """Cutoff in V and hold in s as asked for, else as the run's own stop condition had them.

    Raises BenchError for what is no number at all.
    """
    for name, given in (("cutoff", cutoff_v), ("hold", hold_s)):
        if given is not None and not isinstance(given, SupportsFloat):
            raise BenchError(
                f"The {name} is a number.",
                evidence=f"{given!r}",
                next_step="give a cutoff in V such as 3.0 and a hold in s such as 10.",
            )
    stop = run.description.stop
    if cutoff_v is None:
        cutoff_v = stop.cutoff_v
    if hold_s is None:
        hold_s = stop.hold_s if stop.cutoff_v is not None and stop.hold_s > 0 else HOLD_DEFAULT_S
    return cutoff_v, hold_s

"""Which cutoff and hold are looked for: those asked for, else the run's own."""

from typing import TYPE_CHECKING

from logger.base.durations import HOLD_DEFAULT_S

if TYPE_CHECKING:
    from logger.run.reader import FoundRun, Run


def cutoff_of(
    run: "Run | FoundRun", cutoff_v: float | None, hold_s: float | None
) -> tuple[float | None, float]:
    """Cutoff in V and hold in s as asked for, else as the run's own stop condition had them."""
    stop = run.description.stop
    if cutoff_v is None:
        cutoff_v = stop.cutoff_v
    if hold_s is None:
        hold_s = stop.hold_s if stop.cutoff_v is not None and stop.hold_s > 0 else HOLD_DEFAULT_S
    return cutoff_v, hold_s

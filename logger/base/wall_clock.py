"""When on the clock on the wall a moment of a run is, also past midnight and over a change of summer time."""

from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from logger.base.durations import utc_moment

# A night's clock times need no day beside them; further off ones do.
_SAME_NIGHT_S = 20 * 3600.0


@dataclass(frozen=True)
class WallClock:
    """Clock of a run that began at ``started`` (with its zone). ``zone`` None: this computer's, with its own rules."""

    started: datetime
    zone: tzinfo | None = None

    def at(self, seconds: float) -> str:
        """``05:40``; with the weekday when more than a night away, with the zone's name in the hour that comes twice."""
        moment = (self.started + timedelta(seconds=round(seconds))).astimezone(self.zone)
        text = f"{moment:%H:%M}"
        if self._comes_twice(moment):
            text += f" {moment.tzname()}"
        return f"{moment:%a} {text}" if abs(seconds) >= _SAME_NIGHT_S else text

    def _comes_twice(self, moment: datetime) -> bool:
        if self.zone is not None:
            plain = moment.replace(tzinfo=self.zone)
            return plain.replace(fold=0).utcoffset() != plain.replace(fold=1).utcoffset()
        plain = moment.replace(tzinfo=None)
        offsets = {plain.replace(fold=fold).astimezone().utcoffset() for fold in (0, 1)}
        return len(offsets) > 1


def wall_clock(started_utc: str, *, simulated: bool = False) -> WallClock | None:
    """Clock of a run by its description; None where it does not say when it began, or its hours are not ours."""
    moment = utc_moment(started_utc) if started_utc and not simulated else None
    return None if moment is None else WallClock(moment)

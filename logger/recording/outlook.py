"""How far is a run, and how long will it take? Rough, for the screen only."""

from dataclasses import dataclass
from typing import Final

from logger.base.pack import Pack
from logger.recording.terms import Status
from logger.run.description import Stop

POINTS_MAX: Final = 240
SLOPE_FROM_S: Final = (
    1800.0  # a fresh pack falls steeply at first: its slope then frightens for nothing
)
_USUAL_SHARE: Final = 0.9  # past that the usual time tells nothing of what is left
LEFT_MAX_S: Final = 100 * 3600.0


class History:
    """Voltage and current over the whole run, evenly thinned to at most ``POINTS_MAX`` points."""

    def __init__(self) -> None:
        self.points: list[tuple[float, float, float]] = []
        self._step_s = 0.5

    def add(self, status: Status) -> None:
        if status.pack_v is None or status.current_ma is None:
            return
        if self.points and status.time_s - self.points[-1][0] < self._step_s:
            return
        self.points.append((status.time_s, status.pack_v, status.current_ma))
        if len(self.points) >= POINTS_MAX:
            del self.points[1::2]
            span_s = self.points[-1][0] - self.points[0][0]
            self._step_s = span_s / len(self.points)


@dataclass(frozen=True)
class Foreseen:
    """A forecast of the end, on the run's axis: middle and ends of nine in ten; None while it knows too little.

    ``text``: in words, ``verdict``: whether that is as long as needed. ``early``: it knows too little yet; then
    ``usual_s`` is how long such a piece lasts, ``usual_by`` its budget or earlier runs; None: nobody knows.
    """

    as_of_s: float
    end_s: float | None
    lower_s: float | None
    upper_s: float | None
    text: str
    verdict: str = ""
    early: bool = False
    usual_s: float | None = None
    usual_by: str = ""


@dataclass(frozen=True)
class Outlook:
    """``share`` of the run done (0 to 1) and seconds left; None: cannot be told. ``rough``: a guess.

    ``within_s``: seconds left at the ends of a forecast's interval (nine in ten), where there is one. ``by``: whose
    number it is where it is not this run's own.
    """

    share: float | None
    left_s: float | None
    rough: bool
    within_s: tuple[float, float] | None = None
    by: str = ""


def outlook(
    status: Status,
    history: History,
    stop: Stop,
    pack: Pack | None,
    foreseen: Foreseen | None = None,
) -> Outlook:
    """The nearest of the ends that were asked for; the cutoff as foreseen, else by a rough guess."""
    ends = [
        item
        for item in (
            _by_duration(status, stop),
            _by_charge(status, stop.charge_mah),
            _as_foreseen(status, foreseen) or _by_cutoff(status, history, stop.cutoff_v, pack),
        )
        if item is not None
    ]
    known = [item for item in ends if item.left_s is not None]
    if known:
        return min(known, key=lambda item: item.left_s or 0.0)
    return ends[0] if ends else Outlook(None, None, True)


def _as_foreseen(status: Status, foreseen: Foreseen | None) -> Outlook | None:
    if foreseen is None:
        return None
    if foreseen.end_s is None or foreseen.lower_s is None or foreseen.upper_s is None:
        usual_s = foreseen.usual_s
        if usual_s is not None and status.time_s < _USUAL_SHARE * usual_s:
            left_s = usual_s - status.time_s
            return Outlook(status.time_s / usual_s, left_s, True, by=foreseen.usual_by)
        return Outlook(None, None, True)  # it knows too little, and a rough guess knows less
    if foreseen.end_s <= status.time_s:
        return None
    ends = (foreseen.lower_s - status.time_s, foreseen.upper_s - status.time_s)
    within_s = (max(ends[0], 0.0), max(ends[1], 0.0))
    return Outlook(status.time_s / foreseen.end_s, foreseen.end_s - status.time_s, False, within_s)


def _by_duration(status: Status, stop: Stop) -> Outlook | None:
    if stop.duration_s is None:
        return None
    left_s = max(stop.duration_s - status.time_s, 0.0)
    return Outlook(min(status.time_s / stop.duration_s, 1.0), left_s, False)


def _by_charge(status: Status, charge_mah: float | None) -> Outlook | None:
    if charge_mah is None:
        return None
    share = min(max(status.charge_mah / charge_mah, 0.0), 1.0)
    if status.time_s < 10 or status.charge_mah <= 0:
        return Outlook(share, None, True)
    left_s = (charge_mah - status.charge_mah) / status.charge_mah * status.time_s
    return Outlook(share, max(left_s, 0.0), True)


def _by_cutoff(
    status: Status, history: History, cutoff_v: float | None, pack: Pack | None
) -> Outlook | None:
    """From the label's capacity if it is known, else from the last third of the voltage's way down."""
    if cutoff_v is None:
        return None
    if pack is not None and pack.capacity_mah:
        by_label = _by_charge(status, pack.capacity_mah)
        if by_label is not None and (by_label.share or 0.0) < 0.9:
            return by_label
    slope = _slope(history)
    if slope is None or slope >= 0 or status.pack_v is None:
        return Outlook(None, None, True)
    left_s = max(status.pack_v - cutoff_v, 0.0) / -slope
    if left_s > LEFT_MAX_S:
        return Outlook(None, None, True)
    return Outlook(status.time_s / (status.time_s + left_s), left_s, True)


def _slope(history: History) -> float | None:
    """Volts per second over the last third of the run, as a least-squares line; None if too short."""
    points = history.points
    if not points or points[-1][0] < SLOPE_FROM_S:
        return None
    last_s = points[-1][0]
    late = [(time_s, volt) for time_s, volt, _ in points if time_s >= last_s * 2 / 3]
    if len(late) < 5:
        return None
    mean_s = sum(time_s for time_s, _ in late) / len(late)
    mean_v = sum(volt for _, volt in late) / len(late)
    spread = sum((time_s - mean_s) ** 2 for time_s, _ in late)
    return sum((time_s - mean_s) * (volt - mean_v) for time_s, volt in late) / spread

"""Which events of a run a report lists and a plot marks, and under which number."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analysis.say.words import plain_text
from logger.run.description import Event

_LISTED: Final = 20
# A person's marks first; lost lines come by the hundred, so only the worst of them are listed.
_ORDER: Final = (
    "mark", "wiring", "warning", "boot", "load", "fault", "link", "clock", "disk", "forecast", "gap", "noise",
)  # fmt: skip
_CROWDED: Final = frozenset({"gap", "noise"})
_CROWDED_LISTED: Final = 3
_MARKED_KINDS: Final = frozenset({"mark", "boot", "load", "fault"})


@dataclass(frozen=True)
class ListedEvent:
    """An event with its number in list and plots."""

    number: int
    time_s: float
    kind: str
    text: str


def listed_events(events: Sequence[Event]) -> tuple[tuple[ListedEvent, ...], str]:
    """At most twenty events in order of time, numbered from 1; and in words what is not listed.

    Of gaps and noise the three that cost most rows are listed.
    """
    seen: Counter[str] = Counter()
    wanted: list[Event] = []
    rest: list[Event] = []
    for event in sorted(events, key=lambda event: (_rank(event.kind), -event.lost.get("rows", 0))):
        seen[event.kind] += 1
        crowded = event.kind in _CROWDED and seen[event.kind] > _CROWDED_LISTED
        (rest if crowded or len(wanted) >= _LISTED else wanted).append(event)
    listed = tuple(
        ListedEvent(number, event.time_s, plain_text(event.kind), plain_text(event.text))
        for number, event in enumerate(sorted(wanted, key=lambda event: event.time_s), start=1)
    )
    if not rest:
        return listed, ""
    kinds = ", ".join(
        f"{count} of {plain_text(kind)}" for kind, count in Counter(e.kind for e in rest).items()
    )
    return listed, f"Not listed: {kinds}. All of them stand in the run's description."


def numbered_events(events: Sequence[ListedEvent], end_s: float) -> list[ListedEvent]:
    """Those that a picture of a run that lasts until ``end_s`` marks.

    How the load switch was found, and that it opened after the last row, are no marks in it.
    """
    return [
        event
        for event in events
        if event.kind in _MARKED_KINDS and (event.kind != "load" or 0 < event.time_s < end_s)
    ]


def _rank(kind: str) -> int:
    return _ORDER.index(kind) if kind in _ORDER else len(_ORDER)

"""Which events of a run a report lists and a plot marks, and under which number."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analysis.words import count_words, plain_text
from logger.description import Event

_LISTED: Final = 20
# A person's marks first; lost lines come by the hundred and last.
_ORDER: Final = (
    "mark", "boot", "load", "fault", "noise", "link", "clock", "disk", "forecast", "gap",
)  # fmt: skip
MARKED_KINDS: Final = frozenset({"mark", "boot", "load", "fault"})


@dataclass(frozen=True)
class ListedEvent:
    """An event with its number in list and plots."""

    number: int
    time_s: float
    kind: str
    text: str


def listed_events(events: Sequence[Event]) -> tuple[tuple[ListedEvent, ...], str]:
    """At most twenty events in order of time, numbered from 1; and in words what is not listed."""
    ranked = sorted(events, key=lambda event: _rank(event.kind))
    chosen = sorted(ranked[:_LISTED], key=lambda event: event.time_s)
    rest = Counter(event.kind for event in ranked[_LISTED:])
    listed = tuple(
        ListedEvent(number, event.time_s, plain_text(event.kind), plain_text(event.text))
        for number, event in enumerate(chosen, start=1)
    )
    if not rest:
        return listed, ""
    kinds = ", ".join(count_words(count, plain_text(kind)) for kind, count in rest.items())
    return listed, f"Not listed: {kinds}. All of them stand in the run's description."


def _rank(kind: str) -> int:
    return _ORDER.index(kind) if kind in _ORDER else len(_ORDER)

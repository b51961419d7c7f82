"""Events of a run, joined so that a bad night cannot make the description grow without bound."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from logger.run.description import Event

EVENTS_PER_KIND_MAX: Final = 100
JOIN_S: Final = 60.0
TEXT_MAX: Final = 300


@dataclass
class _Trouble:
    """Damaged lines and missing rows that belong together."""

    index: int
    first_s: float
    last_s: float
    lines: int = 0
    rows: int = 0


class EventLog:
    """Adds events; beyond ``EVENTS_PER_KIND_MAX`` of a kind the last one takes up the rest.

    ``news`` holds the texts not shown yet (bounded); ``changed`` is set by every
    addition and cleared by whoever wrote the events down.
    """

    def __init__(self, events: tuple[Event, ...] = ()) -> None:
        self._events = list(events)
        self._counts: dict[str, int] = {}
        self._last_of_kind: dict[str, int] = {}
        self._taken_up: dict[str, int] = {}
        self._trouble: _Trouble | None = None
        self._faults: dict[str, tuple[int, float, int]] = {}
        self.news: deque[Event] = deque(maxlen=50)
        self.changed = False
        for index, event in enumerate(self._events):
            self._counts[event.kind] = self._counts.get(event.kind, 0) + 1
            self._last_of_kind[event.kind] = index

    def all(self) -> tuple[Event, ...]:
        return tuple(self._events)

    def add(
        self, time_s: float, kind: str, text: str, lost: Mapping[str, float] | None = None
    ) -> int:
        """Note an event; gives its index."""
        event = Event(round(time_s, 6), kind, text[:TEXT_MAX], dict(lost or {}))
        self.changed = True
        self.news.append(event)
        if self._counts.get(kind, 0) >= EVENTS_PER_KIND_MAX:
            return self._take_up(event)
        self._events.append(event)
        index = len(self._events) - 1
        self._counts[kind] = self._counts.get(kind, 0) + 1
        self._last_of_kind[kind] = index
        return index

    def trouble(
        self, time_s: float, *, lines: int = 0, rows: int = 0, join_s: float = JOIN_S
    ) -> None:
        """Damaged lines or single missing rows; one event for as long as they keep coming."""
        trouble = self._trouble
        full = self._counts.get("noise", 0) >= EVENTS_PER_KIND_MAX
        if trouble is None or (time_s - trouble.last_s > join_s and not full):
            index = self.add(time_s, "noise", "lines arrive damaged or not at all")
            trouble = self._trouble = _Trouble(index, time_s, time_s)
        trouble.last_s = max(time_s, trouble.last_s)
        trouble.lines += lines
        trouble.rows += rows
        self._events[trouble.index] = replace(
            self._events[trouble.index],
            text=f"{trouble.lines} damaged lines, {trouble.rows} rows missing until "
            f"{trouble.last_s:.1f} s; charge and energy are not affected (the board counts on)",
            lost={"lines": trouble.lines, "rows": trouble.rows, "charge_mah": 0.0},
        )
        self.changed = True

    def fault(
        self, time_s: float, code: str, text: str, lost: Mapping[str, float] | None = None
    ) -> None:
        """A fault line of the board; the same code within ``JOIN_S`` of the last is counted, not added.

        ``lost``: what it cost, such as ``conversions``; of the same code it is added up.
        """
        index, last_s, count = self._faults.get(code, (-1, float("-inf"), 0))
        if index >= 0 and time_s - last_s <= JOIN_S:
            count += 1
            first = self._events[index].text.split(" (so ")[0]
            self._events[index] = replace(
                self._events[index],
                text=f"{first} (so {count} times until {time_s:.1f} s)",
                lost=_add_costs(self._events[index].lost, lost or {}),
            )
            self.changed = True
        else:
            index, count = self.add(time_s, "fault", text, lost), 1
        if len(self._faults) > EVENTS_PER_KIND_MAX:
            self._faults.clear()
        self._faults[code] = (index, time_s, count)

    def _take_up(self, event: Event) -> int:
        index = self._last_of_kind[event.kind]
        count = self._taken_up[event.kind] = self._taken_up.get(event.kind, 0) + 1
        last = self._events[index]
        text = f"{count} more of this kind until {event.time_s:.1f} s, costs added up; the last: {event.text}"
        self._events[index] = replace(
            last, text=text[:TEXT_MAX], lost=_add_costs(last.lost, event.lost)
        )
        return index


def _add_costs(first: Mapping[str, float], second: Mapping[str, float]) -> dict[str, float]:
    """Sum by name; a charge without an upper bound leaves the sum without one."""
    total = {key: first.get(key, 0.0) + second.get(key, 0.0) for key in (*first, *second)}
    for cost in (first, second):
        if "charge_lower_mah" in cost and "charge_upper_mah" not in cost:
            total.pop("charge_upper_mah", None)
    return total

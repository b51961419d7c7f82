"""How a lifetime may end, and the answer that every screen shows."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from analysis.doubt.quantity import Quantity
from logger.base.durations import span_words

NO_RESTART: Final = "no restart was seen"
NOT_DIMMED: Final = "the draw did not sink to half"


class End(StrEnum):
    """How a lifetime ended; the words are shown and stand in JSON."""

    CUTOFF = "cutoff"
    DARK = "went dark"
    BACK = "went dark and came back"
    REBOOTS = "restarted"
    PROTECTION = "protection circuit"
    OFF = "switched off"
    RUNNING = "still running"
    UNSURE = "cannot be told"


# By these the piece itself gave up.
GAVE_UP: Final = frozenset({End.CUTOFF, End.DARK, End.BACK, End.REBOOTS, End.PROTECTION})


@dataclass(frozen=True)
class Reading:
    """One way to read a run: how it ended and when, in s from the run's begin (None: it had not ended)."""

    end: End
    time_s: float | None


@dataclass(frozen=True)
class Lifetime:
    """The answer. ``time``: s from the run's begin; no value where the run shows no end: it lasted at least ``seen_s``.

    ``readings``: where it cannot be told, the ways to read it, the earliest end first. ``reboots``: restarts
    seen, ``first_reboot``: the first. ``dimmed``: when the draw had sunk to half, slowly. ``evidence``: in words.
    ``cautions``: what else was seen on the way. ``by_pack``: whether the pack stood where packs give up.
    """

    end: End
    time: Quantity
    seen_s: float
    evidence: str
    readings: tuple[Reading, ...] = ()
    reboots: int = 0
    first_reboot: Quantity = field(default_factory=lambda: Quantity(None, "s", note=NO_RESTART))
    dimmed: Quantity = field(default_factory=lambda: Quantity(None, "s", note=NOT_DIMMED))
    cautions: tuple[str, ...] = ()
    by_pack: bool = True

    @property
    def ended(self) -> bool:
        """Whether the piece gave up for certain."""
        return self.end in GAVE_UP

    @property
    def least_s(self) -> float:
        """It lasted so long at the least, whichever reading is right."""
        known = [item.time_s for item in self.readings if item.time_s is not None]
        if self.time.value is not None:
            known.append(self.time.value)
        return min(known, default=self.seen_s)

    @property
    def either(self) -> str:
        """``4 h 3 min or 5 h 54 min``: where it can be read in two ways that have times of their own; else empty."""
        if self.end is not End.UNSURE:
            return ""
        times = [item.time_s for item in self.readings if item.end is not End.RUNNING]
        words = list(dict.fromkeys(span_words(time, 60.0) for time in times if time is not None))
        longer = ["longer"] if any(item.end is End.RUNNING for item in self.readings) else []
        told = len(words) == 2 or (len(words) == 1 and longer)
        return " or ".join([*words, *longer]) if told else ""

    def as_json(self) -> dict[str, Any]:
        return {
            **self.time.as_json(),
            "end": str(self.end),
            "evidence": self.evidence,
            "readings": [{"end": str(r.end), "time_s": r.time_s} for r in self.readings],
            "restarts": self.reboots,
        }

    @classmethod
    def from_json(cls, document: Mapping[str, Any], seen_s: float) -> "Lifetime":
        """The inverse of ``as_json``, which does not tell how long the run was seen."""
        names = ("value", "unit", "lower", "upper", "coverage")
        return cls(
            End(document["end"]),
            Quantity(
                **{name: document[name] for name in names},
                at_least=document.get("bound") == "at_least",
            ),
            seen_s,
            document["evidence"],
            tuple(Reading(End(item["end"]), item["time_s"]) for item in document["readings"]),
            document["restarts"],
        )

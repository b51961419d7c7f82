"""When did a joint fail? Three criteria, followed cycle by cycle; what each would have said.

- ``open``: one interruption at least so long (whole open cycles in a row add up),
- ``resistance``: greatest resistance of the cycle above a multiple of the joint's own
  baseline for so many cycles in a row; the failure is the first of them,
- ``break``: open from some cycle on and never conducting again.

The baseline is the median of the first cycles that conduct. Interruptions that heal are
kept, not smoothed. Used while recording (to stop) and afterwards (to judge).
"""

from dataclasses import dataclass, field
from statistics import median
from typing import Final, Literal

from logger.base.errors import BenchError

CriterionName = Literal["open", "resistance", "break"]
CRITERIA: Final[tuple[CriterionName, ...]] = ("open", "resistance", "break")


@dataclass(frozen=True)
class Criterion:
    """What counts as failed; ``name`` decides, the others are told beside it."""

    name: CriterionName = "open"
    open_s: float = 0.010
    resistance_factor: float = 2.0
    cycles_in_a_row: int = 10
    baseline_cycles: int = 20

    def __post_init__(self) -> None:
        if self.open_s <= 0 or self.resistance_factor <= 1 or self.cycles_in_a_row < 1:
            raise BenchError(
                "The failure criterion cannot be used.",
                evidence=f"open {self.open_s * 1000:g} ms, {self.resistance_factor:g} times the baseline, "
                f"{self.cycles_in_a_row} cycles in a row",
                next_step="an open time above 0 ms, a factor above 1, at least one cycle.",
            )

    def __str__(self) -> str:
        if self.name == "open":
            return f"an interruption of {self.open_s * 1000:g} ms or longer"
        if self.name == "resistance":
            return (
                f"resistance above {self.resistance_factor:g} times the joint's own first value "
                f"for {self.cycles_in_a_row} cycles in a row"
            )
        return "open for good"


# What failed means for each kind of joint: common practice, no source. A crimp, a snap or a soldered wire
# opens; conductive thread and glue wear off, so their own first value is the measure.
BY_KIND: Final[dict[str, Criterion]] = {
    "soldered": Criterion(),
    "crimp": Criterion(),
    "snap": Criterion(),
    "glued": Criterion("resistance"),
    "thread": Criterion("resistance", resistance_factor=1.5),
}


@dataclass(frozen=True)
class CycleSeen:
    """One flex cycle of one joint; ``resistance_max_ohm`` None: open all the cycle."""

    cycle: int
    resistance_max_ohm: float | None
    opens: int
    longest_open_s: float


@dataclass
class JointWatch:
    """Follows one joint; feed its cycles in order, then ``close``."""

    criterion: Criterion
    first_cycle: dict[CriterionName, int | None] = field(
        default_factory=lambda: dict.fromkeys(CRITERIA)
    )
    healed: list[CycleSeen] = field(default_factory=list)
    cycles_run: int = 0
    rows: int = 0
    baseline_ohm: float | None = None
    _waiting: list[CycleSeen] = field(default_factory=list)
    _conducting: list[float] = field(default_factory=list)
    _unhealed: list[CycleSeen] = field(default_factory=list)
    _stretch_s: float = 0.0
    _dark_since: int | None = None
    _dark_cycles: int = 0
    _high_since: int | None = None
    _high_cycles: int = 0

    def feed(self, seen: CycleSeen) -> None:
        """Next cycle; a cycle that is not later than the last one is ignored."""
        if seen.cycle <= self.cycles_run:
            return
        self.cycles_run = seen.cycle
        self.rows += 1
        self._open(seen)
        if self.baseline_ohm is not None:
            self._resistance(seen)
            return
        self._waiting.append(seen)
        if seen.resistance_max_ohm is not None:
            self._conducting.append(seen.resistance_max_ohm)
        if len(self._conducting) >= self.criterion.baseline_cycles:
            self._take_baseline()

    def close(self) -> None:
        """No more cycles: what was held back for the baseline is judged."""
        if self.baseline_ohm is None and self._conducting:
            self._take_baseline()
        if self._dark_since is not None:
            self.first_cycle["break"] = self._dark_since
            # Stopped while open: it would not have come back before the count was full.
            if self.first_cycle["resistance"] is None and self._high_since is not None:
                self.first_cycle["resistance"] = self._high_since
        if self.baseline_ohm is None and self._waiting:
            self.first_cycle["resistance"] = self._waiting[0].cycle

    @property
    def failed(self) -> bool:
        """By the chosen criterion, while it is running."""
        if self.criterion.name == "break":
            return self._dark_cycles >= self.criterion.cycles_in_a_row
        return self.first_cycle[self.criterion.name] is not None

    def _open(self, seen: CycleSeen) -> None:
        dark = seen.resistance_max_ohm is None
        was_dark = self._dark_since is not None
        self._stretch_s = seen.longest_open_s + (self._stretch_s if dark and was_dark else 0.0)
        if self._stretch_s >= self.criterion.open_s and self.first_cycle["open"] is None:
            self.first_cycle["open"] = seen.cycle
        if dark:
            self._dark_since = seen.cycle if self._dark_since is None else self._dark_since
            self._dark_cycles += 1
            self._unhealed.append(seen)
            return
        self._dark_since, self._dark_cycles = None, 0
        self.healed += self._unhealed  # it conducts again: what was open before has healed
        self._unhealed = [seen] if seen.opens else []

    def _take_baseline(self) -> None:
        self.baseline_ohm = median(self._conducting[: self.criterion.baseline_cycles])
        for seen in self._waiting:
            self._resistance(seen)
        self._waiting.clear()

    def _resistance(self, seen: CycleSeen) -> None:
        assert self.baseline_ohm is not None
        ohm = seen.resistance_max_ohm
        if ohm is not None and ohm <= self.criterion.resistance_factor * self.baseline_ohm:
            self._high_since, self._high_cycles = None, 0
            return
        self._high_since = seen.cycle if self._high_since is None else self._high_since
        self._high_cycles += 1
        if (
            self._high_cycles >= self.criterion.cycles_in_a_row
            and self.first_cycle["resistance"] is None
        ):
            self.first_cycle["resistance"] = self._high_since

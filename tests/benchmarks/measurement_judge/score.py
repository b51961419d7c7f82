"""From answers and truths to the table: how often each interval holds, how wide it is beside the ideal one."""

from dataclasses import dataclass, field
from statistics import median
from typing import Final

from scipy.stats import beta

QUANTITIES: Final = ("charge", "energy", "mean", "p5", "p50", "p95", "peak", "cutoff")
HOLDS_LEAST: Final = 0.93
HOLDS_MOST: Final = 0.99
WIDTH_MOST: Final = 1.3
# A cell is called wrong when so small a share of judges would see worse by chance.
CHANCE: Final = 0.005


@dataclass(frozen=True)
class Interval:
    """What the tool says; one end None: a bound. ``value`` None: it says that there is no answer."""

    value: float | None
    lower: float | None
    upper: float | None

    def holds(self, true: float) -> bool:
        return (self.lower is None or self.lower <= true) and (
            self.upper is None or true <= self.upper
        )

    @property
    def width(self) -> float | None:
        """None of a bound."""
        return None if self.lower is None or self.upper is None else self.upper - self.lower

    @property
    def says_anything(self) -> bool:
        return self.lower is not None or self.upper is not None


@dataclass
class Cell:
    """Tally of one chip, state, load and quantity. ``ratios``: width over the ideal one. ``errors``: value over truth less one.

    ``width_counts``: off where the chips keep to a law that no user of their sheet can know.
    """

    width_counts: bool = True
    asked: int = 0
    held: int = 0
    silent: int = 0
    bounds: int = 0
    ratios: list[float] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)

    def add(self, said: Interval | None, true: float, ideal: float | None) -> None:
        self.asked += 1
        if said is None or not said.says_anything:
            self.silent += 1
            return
        self.held += said.holds(true)
        if said.value is not None:
            self.errors.append(said.value / true - 1)
        if said.width is None:
            self.bounds += 1
        elif ideal:
            self.ratios.append(said.width / ideal)

    @property
    def answered(self) -> int:
        return self.asked - self.silent

    @property
    def share(self) -> float | None:
        return self.held / self.answered if self.answered else None

    @property
    def ratio(self) -> float | None:
        return median(self.ratios) if self.ratios else None

    @property
    def faults(self) -> list[str]:
        """Why the cell misses its goal; empty: nothing that chance would not do."""
        told = []
        if self.silent > self.asked / 2:
            told.append("silent")
        if not self.answered:
            return told
        n, k = self.answered, self.held
        at_most = 1.0 if k == n else float(beta.ppf(1 - CHANCE, k + 1, n - k))
        if at_most < HOLDS_LEAST:
            told.append("too narrow")
        if self.width_counts and self.ratio is not None and self.ratio > WIDTH_MOST:
            told.append("too wide")
        return told

    def text(self) -> str:
        """98 % x1.2; b: bounds; -: nothing said; ! behind what misses the goal."""
        if self.share is None:
            return "-"
        words = f"{100 * self.share:.0f} %"
        words += (
            f" x{self.ratio:.2g}" if self.ratio is not None else " bound" if self.bounds else ""
        )
        if self.silent:
            words += f" ({self.silent} silent)"
        return words + (" !" if self.faults else "")

"""A rundown with its truth, and the part of it that a forecast may see."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Fault:
    """A contact fault from `start_s` to `end_s`; `open` breaks the circuit, else a resistance."""

    start_s: float
    end_s: float
    open: bool


@dataclass(frozen=True, eq=False)
class Rundown:
    """One pack run down; the arrays have one value per row and are of equal length.

    `end_s` is the truth: start of the first stay of the true voltage (no noise, no contact fault)
    below `cutoff_v` that lasts `hold_s`. Before `settled_s` the load changed in a way that nobody
    could foresee (a step, a single pause, a contact fault): a forecast made earlier is not to
    blame. `record` names what rundowns have in common that are cut from one recording or one make:
    they are not independent. `start_used` (0 to 1 of the run's full charge to the cutoff) and all
    that follows it are for the judge only.
    """

    name: str
    group: str
    chemistry_said: str
    cells: int
    time_s: Floats
    current_ma: Floats
    pack_v: Floats
    temperature_c: Floats
    cutoff_v: float
    hold_s: float
    rated_mah: float
    end_s: float
    regulated: bool = False
    said_fresh: bool | None = None
    start_used: float = 0.0
    settled_s: float = 0.0
    faults: tuple[Fault, ...] = ()
    load: str = "current"
    pattern: str = "steady"
    record: str = ""

    def __post_init__(self) -> None:
        lengths = {len(a) for a in (self.time_s, self.current_ma, self.pack_v, self.temperature_c)}
        if len(lengths) != 1:
            raise ValueError(f"{self.name}: arrays of unequal length: {sorted(lengths)}")
        if not self.time_s[0] < self.end_s <= self.time_s[-1]:
            raise ValueError(
                f"{self.name}: end {self.end_s:g} s outside the rows "
                f"({self.time_s[0]:g} to {self.time_s[-1]:g} s)"
            )

    def moment_s(self, fraction: float) -> float:
        """Time from the run's start at this fraction of its life, s."""
        return float(self.time_s[0] + fraction * (self.end_s - self.time_s[0]))


@dataclass(frozen=True, eq=False)
class Seen:
    """What a forecast at `at_s` may know: rows up to then, and what the user said."""

    name: str
    at_s: float
    chemistry_said: str
    cells: int
    time_s: Floats
    current_ma: Floats
    pack_v: Floats
    temperature_c: Floats
    cutoff_v: float
    hold_s: float
    rated_mah: float
    said_fresh: bool | None
    earlier: tuple[Rundown, ...] = ()


def seen_until(rundown: Rundown, at_s: float, earlier: tuple[Rundown, ...] = ()) -> Seen:
    """The rundown as it is known at `at_s` (s from the run's start); `earlier`: own past runs.

    The name carries neither group nor truth.
    """
    rows = int(np.searchsorted(rundown.time_s, at_s, side="right"))
    return Seen(
        name=rundown.name,
        at_s=at_s,
        chemistry_said=rundown.chemistry_said,
        cells=rundown.cells,
        time_s=rundown.time_s[:rows].copy(),
        current_ma=rundown.current_ma[:rows].copy(),
        pack_v=rundown.pack_v[:rows].copy(),
        temperature_c=rundown.temperature_c[:rows].copy(),
        cutoff_v=rundown.cutoff_v,
        hold_s=rundown.hold_s,
        rated_mah=rundown.rated_mah,
        said_fresh=rundown.said_fresh,
        earlier=earlier,
    )

"""Pack, load and supervisor solved row by row, with fine steps where something happens."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.lifetime_judge.loads import Load, meet
from tests.benchmarks.lifetime_judge.packs import Pack

FLOATS = NDArray[np.float64]
FINE_S: Final = 0.25


@dataclass
class Supervisor:
    """What turns the piece off by itself. Voltages at the pack's terminals.

    Off below `off_v` (also at `peaks` of the draw); on again after `restart_s` above `on_v`, never
    when `on_v` is None. While off it draws `off_a`; `inrush` multiplies the level for `inrush_s`
    after it comes back. `disconnects`: the terminals read `dead_v` while off (protection circuit).
    """

    label: str = "none"
    off_v: float = -1.0
    on_v: float | None = None
    restart_s: float = 0.0
    off_a: float = 0.0
    inrush: float = 1.0
    inrush_s: float = 0.0
    disconnects: bool = False
    dead_v: float = 0.0
    on: bool = True
    since_s: float = -1e9
    off_times_s: list[float] = field(default_factory=list)
    on_times_s: list[float] = field(default_factory=list)

    def settle(self, time_s: float, v_v: float) -> None:
        """Change state from the voltage at this moment."""
        if self.on:
            if v_v < self.off_v:
                self.turn_off(time_s)
        elif self.on_v is not None and time_s - self.since_s >= self.restart_s and v_v >= self.on_v:
            self.turn_on(time_s)

    def turn_off(self, time_s: float) -> None:
        self.on, self.since_s = False, time_s
        self.off_times_s.append(time_s)

    def turn_on(self, time_s: float) -> None:
        self.on, self.since_s = True, time_s
        self.on_times_s.append(time_s)

    def restless(self, time_s: float) -> bool:
        """Whether the next seconds need fine steps."""
        return bool(self.off_times_s) and time_s - self.since_s < max(self.restart_s, 5.0) + 1.0

    def level(self, time_s: float) -> float:
        back = self.on_times_s and time_s - self.since_s < self.inrush_s
        return self.inrush if back else 1.0


@dataclass(frozen=True)
class Break:
    """A stretch in which the piece is cut from the pack: "open" (the pack's voltage still seen) or
    "lost" (the sensor sees no voltage either)."""

    start_s: float
    end_s: float
    sort: str


@dataclass(frozen=True)
class Trace:
    """Noise-free rows: means over each row, of shape (n,); `off_share` is the share of it off."""

    time_s: FLOATS
    current_a: FLOATS
    v_v: FLOATS
    off_share: FLOATS
    broken: NDArray[np.bool_]


def _state_at(breaks: Sequence[Break], time_s: float) -> str:
    for b in breaks:
        if b.start_s <= time_s < b.end_s:
            return b.sort
    return ""


def run(
    pack: Pack,
    load: Load,
    guard: Supervisor,
    level: FLOATS,
    row_s: float,
    breaks: Sequence[Break] = (),
    peak: FLOATS | None = None,
    tail_s: float = 1e9,
) -> Trace:
    """Solve the rows; `level` (n,) asked for, `peak` (n,) highest level inside a row (0: none).

    Stops `tail_s` after the first self-shutdown.
    """
    n = len(level)
    levels = level.tolist()
    peaks = [0.0] * n if peak is None else peak.tolist()
    fine_n = max(2, round(row_s / FINE_S))
    edges = {int(x / row_s) for b in breaks for x in (b.start_s, b.end_s)}
    currents, volts = np.zeros(n), np.zeros(n)
    offs, broken = np.zeros(n), np.zeros(n, dtype=bool)
    last_a = load.draw_a(pack.source_v(), levels[0])
    rows = n

    def solve(now_s: float, want: float, sort: str) -> tuple[float, float, float]:
        nonlocal last_a
        source, r = pack.source_v(), pack.r0_ohm()
        if sort:
            return 0.0, source, source
        if not guard.on:
            amps = 0.0 if guard.disconnects else guard.off_a
            return amps, source - amps * r, source - amps * r
        last_a = meet(load, source, r, want * guard.level(now_s), last_a)
        return last_a, source - last_a * r, source

    for k in range(n):
        if k >= rows:
            break
        start = k * row_s
        sort = _state_at(breaks, start)
        want, high = levels[k], peaks[k]
        fine = k in edges or guard.restless(start)
        if not fine:
            amps, v, source = solve(start, want, sort)
            low = v
            if high and guard.on and not sort:
                low = source - load.draw_a(v, high) * pack.r0_ohm()
            was = guard.on
            fine = not sort and ((was and low < guard.off_v) or (not was and guard.on_v is not None and v >= guard.on_v))  # fmt: skip
        steps = fine_n if fine else 1
        dt = row_s / steps
        sum_a = sum_v = sum_off = 0.0
        burst_done = False
        for j in range(steps):
            now = start + j * dt
            if fine:
                sort = _state_at(breaks, now)
                amps, v, source = solve(now, want, sort)
                low = v
                if high and guard.on and not sort and not burst_done:
                    low = source - load.draw_a(v, high) * pack.r0_ohm()
                    burst_done = True
                if not sort:
                    was = guard.on
                    guard.settle(now, low)
                    if guard.on != was:
                        amps, v, source = solve(now, want, sort)
            pack.advance(amps, dt)
            seen = v
            if sort == "lost":
                seen = 0.0
            elif not guard.on and guard.disconnects:
                seen = guard.dead_v if guard.dead_v >= 0 else v
            sum_a += amps
            sum_v += seen
            sum_off += 0.0 if guard.on else 1.0
            broken[k] |= bool(sort)
        currents[k], volts[k], offs[k] = sum_a / steps, sum_v / steps, sum_off / steps
        if guard.off_times_s and rows == n:
            rows = min(n, int((guard.off_times_s[0] + tail_s) / row_s) + 1)
    times: FLOATS = np.arange(1, rows + 1, dtype=np.float64) * row_s
    return Trace(times, currents[:rows], volts[:rows], offs[:rows], broken[:rows])

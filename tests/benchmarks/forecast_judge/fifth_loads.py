"""How the packs of the fifth sealed set are used: loads of wearables row by row, drawn at random.

Whoever works on the forecast does not read on. Common practice, no source: what a wearable does.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from scipy.signal import lfilter

from .cell import load_level
from .fifth_cells import Boost, Buck, Capacitor, Demand, Guard
from .rundown import Fault, Floats
from .second_groups import HOUR_S, logs
from .third_cells import Part

STEPS_S = (1.0, 2.0, 5.0, 10.0, 20.0)
SLOWEST_S = 30.0
ROWS_WANTED = 5000
LONGER = 2.2
MOST_MA = 800.0
SHUNT_OHM = 0.1
ANY = ("current", "power", "resistor")
LIVELY = ("steady", "breathing", "bursts", "sleep", "motion")


@dataclass(frozen=True)
class Wish:
    """What a group fixes of a rundown.

    `mean_ma` of the load over time; `cutoff_v` range for the pack. `fresh` is what the user says of
    the pack whatever it is. `past` is the share of the mean that the sensor does not see, `given`
    the most that comes back over the mean, "sun" or "plug" says how; `changes` the range of what
    the draw is multiplied by once; `doors` K colder outside; `warms_k` of the body with `warms_in`
    of the life as time constant; `evenings` before the last one. `bucks`: one for each part.
    `twin`: a second pack in parallel drops off once.
    """

    said: str
    parts: tuple[Part, ...]
    rated_mah: float
    mean_ma: float
    cutoff_v: tuple[float, float]
    pattern: str = "steady"
    kinds: tuple[str, ...] = ANY
    air_c: float = 22.0
    fresh: bool | None = None
    doors_k: float = 0.0
    warms_k: float = 0.0
    warms_in: float = 0.2
    past: float = 0.0
    given: float = 0.0
    given_by: str = "sun"
    full_v: float = float("inf")
    changes: tuple[float, float] | None = None
    evenings: int = 0
    guard: Guard | None = None
    capacitor: Capacitor | None = None
    boost: Boost | None = None
    bucks: tuple[Buck, ...] = ()
    twin: bool = False
    latest_settled: float = 0.45

    @property
    def cells(self) -> int:
        return sum(part.count for part in self.parts)

    @property
    def half_v(self) -> float:
        """Voltage of the pack half-way through its charge, V."""
        if self.bucks:
            return sum(buck.set_v for buck in self.bucks)
        half = np.array([0.5])
        return sum(p.count * float(p.cell.sheet.volts(half)[0]) for p in self.parts)


@dataclass(frozen=True, eq=False)
class Plan:
    """The load, and from when on there is nothing more in it that nobody could foresee, s."""

    demand: Demand
    settled_s: float


def _breathing(rng: Generator, time_s: Floats) -> tuple[Floats, float]:
    """Brightness a raised cosine to the power of 2.2 over 3 to 9 s; the rows meet it anywhere."""
    period_s, base = rng.uniform(3, 9), rng.uniform(0.05, 0.3)
    shape = (0.5 - 0.5 * np.cos(2 * np.pi * time_s / period_s)) ** 2.2
    return base + (1 - base) * shape, 20 * period_s


def _bursts(rng: Generator, time_s: Floats, step_s: float) -> tuple[Floats, float]:
    """A small draw, and bursts that come at random (Poisson), some seconds each; shown after ten."""
    every_s = max(logs(rng, 30, 300), 6 * step_s)
    long_s, base = max(logs(rng, 3, 20), step_s), rng.uniform(0.1, 0.4)
    begins = np.cumsum(rng.exponential(every_s, int(2 * time_s[-1] / every_s) + 30))
    within = np.searchsorted(begins, time_s, side="right") - 1
    since = np.where(within >= 0, time_s - begins[np.maximum(within, 0)], np.inf)
    return np.where(since < long_s, 1.0, base), float(begins[9])


def _two_states(
    rng: Generator, time_s: Floats, on_s: float, off_s: float, shape: float
) -> tuple[Floats, float]:
    """1 and 0 by turns, times gamma of that shape; until when there were three of each, s."""
    rounds = int(3 * time_s[-1] / (on_s + off_s)) + 30
    means = np.tile([on_s, off_s], rounds)
    ends = np.cumsum(rng.gamma(shape, means / shape))
    inside = np.searchsorted(ends, time_s, side="right")
    return np.where(inside % 2 == 0, 1.0, 0.0), float(ends[5])


def _sleep(rng: Generator, time_s: Floats) -> tuple[Floats, float]:
    """Wakes for a minute or two every some minutes, sleeps at 1 to 5 % between."""
    on, shown_s = _two_states(rng, time_s, logs(rng, 60, 150), logs(rng, 100, 500), 8)
    return np.where(on > 0, 1.0, rng.uniform(0.01, 0.05)), shown_s


def _motion(rng: Generator, time_s: Floats, step_s: float) -> tuple[Floats, float]:
    """Bright while its wearer moves, as much as they move; dim while they sit."""
    on, shown_s = _two_states(rng, time_s, logs(rng, 120, 600), logs(rng, 120, 600), 1.5)
    keep = float(np.exp(-step_s / logs(rng, 10, 60)))
    wander = lfilter([1.0], [1.0, -keep], rng.normal(0, np.sqrt(1 - keep**2), len(time_s)))
    lively = np.exp(rng.uniform(0.1, 0.35) * np.asarray(wander))
    return np.where(on > 0, np.minimum(lively, 2.0), rng.uniform(0.1, 0.4)), shown_s


def factors(
    rng: Generator, pattern: str, time_s: Floats, step_s: float
) -> tuple[Floats, float]:  # fmt: skip
    """Load factor per row, and from when on it has shown itself, s. ValueError: no such pattern."""
    match pattern:
        case "steady":
            return np.exp(rng.normal(0, 0.004, len(time_s))), 0.0
        case "breathing":
            return _breathing(rng, time_s)
        case "bursts":
            return _bursts(rng, time_s, step_s)
        case "sleep":
            return _sleep(rng, time_s)
        case "motion":
            return _motion(rng, time_s, step_s)
    raise ValueError(f"no pattern {pattern!r}")


def _air_c(rng: Generator, wish: Wish, time_s: Floats, life_s: float) -> tuple[Floats, float]:
    """Air of the pack, deg C, and from when on its course has shown itself, s."""
    air = wish.air_c + wish.warms_k * (1 - np.exp(-time_s / (wish.warms_in * life_s)))
    if wish.doors_k == 0:
        return air, 0.0
    inside, shown_s = _two_states(rng, time_s, logs(rng, 1200, 3600), logs(rng, 1200, 3600), 6)
    # A pack under a coat follows by Newton's law, in ten to twenty minutes.
    keep = float(np.exp(-(time_s[1] - time_s[0]) / rng.uniform(600, 1200)))
    outside = lfilter([1 - keep], [1.0, -keep], (1 - inside) * wish.doors_k)
    return air - np.asarray(outside), shown_s


def _given_ma(
    rng: Generator, wish: Wish, time_s: Floats, life_s: float
) -> tuple[Floats, float]:  # fmt: skip
    """What comes back per row, mA, and when it is over, s."""
    if wish.given == 0:
        return np.zeros(len(time_s)), 0.0
    peak = wish.given * wish.mean_ma
    begins_s = rng.uniform(0.04, 0.15) * life_s
    share = rng.uniform(0.1, 0.2) if wish.given_by == "sun" else rng.uniform(0.03, 0.08)
    ends_s = begins_s + share * life_s
    while_s = (time_s >= begins_s) & (time_s < ends_s)
    if wish.given_by == "plug":
        return np.where(while_s, peak, 0.0), ends_s
    keep = float(np.exp(-(time_s[1] - time_s[0]) / logs(rng, 60, 400)))
    clouds = lfilter([1.0], [1.0, -keep], rng.normal(0, np.sqrt(1 - keep**2), len(time_s)))
    height = np.sin(np.pi * np.clip((time_s - begins_s) / (ends_s - begins_s), 0, 1))
    return peak * height * np.clip(0.75 + 0.3 * np.asarray(clouds), 0.1, 1.0), ends_s


def _pauses(
    rng: Generator, wish: Wish, life_s: float, step_s: float
) -> tuple[dict[int, float], float]:
    """Nights for which the recorder is off, by the row before; when the last evening begins, s."""
    pauses: dict[int, float] = {}
    row, at_s = 0, 0.0
    for _ in range(wish.evenings):
        rows = max(int(rng.uniform(0.06, 0.2) * life_s / wish.evenings / step_s), 20)
        row, away_s = row + rows, rng.uniform(17, 22) * HOUR_S
        pauses[row] = away_s
        at_s += rows * step_s + away_s
    return pauses, at_s


def plan(rng: Generator, wish: Wish) -> Plan:
    """The load of a rundown for this wish."""
    part = wish.parts[0]
    times = float(part.cell.sheet.volts(np.array([0.5]))[0]) / 1.5 if wish.bucks else 1.0
    life_s = (
        (2 if wish.twin else times)
        * part.cell.capacity_mah
        * (1 - part.depth)
        / wish.mean_ma
        * HOUR_S
    )
    step_s = next((s for s in STEPS_S if life_s / s <= ROWS_WANTED), SLOWEST_S)
    time_s = np.asarray(np.arange(int(LONGER * life_s / step_s) + 200) * step_s, dtype=np.float64)
    factor, shown_s = factors(rng, wish.pattern, time_s, step_s)
    inside = time_s <= life_s
    kind = str(rng.choice(wish.kinds))
    most_ma = MOST_MA * (1.0 if kind == "current" else 0.75) / float(np.max(factor[inside]))
    full_ma = min(wish.mean_ma * (1 - wish.past) / float(np.mean(factor[inside])), most_ma)
    changed_s = 0.0
    if wish.changes is not None:
        changed_s = rng.uniform(0.12, 0.35) * life_s
        factor = np.where(time_s >= changed_s, factor * rng.uniform(*wish.changes), factor)
    air, felt_s = _air_c(rng, wish, time_s, life_s)
    given, dark_s = _given_ma(rng, wish, time_s, life_s)
    pauses, last_s = _pauses(rng, wish, life_s, step_s)
    alone_from = int(rng.uniform(0.08, 0.25) * life_s / step_s) if wish.twin else 0
    demand = Demand(
        kind, load_level(kind, full_ma, wish.half_v), factor, air,
        np.full(len(time_s), SHUNT_OHM + rng.uniform(0.02, 0.08)), given, step_s,
        wish.past * wish.mean_ma, wish.full_v, pauses, wish.guard, wish.capacitor, wish.boost, alone_from,
    )  # fmt: skip
    return Plan(demand, max(shown_s, changed_s, felt_s, dark_s, last_s, alone_from * step_s))


def dips(rng: Generator, end_s: float, often: float = 0.3) -> tuple[Fault, ...]:
    """Contacts that open or get bad for 1 to 40 s, up to six of them; none in most rundowns."""
    if rng.random() >= often:
        return ()
    begin = np.sort(rng.uniform(0.03, 0.92, int(rng.integers(1, 7)))) * end_s
    return tuple(Fault(float(s), float(s + logs(rng, 1, 40)), bool(rng.random() < 0.6)) for s in begin)  # fmt: skip


Build = Callable[[Generator], Wish]

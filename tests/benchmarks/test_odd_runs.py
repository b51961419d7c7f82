"""Which of a class's runs are called odd, how often without a cause, and does the band hold what it says?

``python -m pytest tests/benchmarks/test_odd_runs.py -s`` prints the tables. Lifetimes come from distributions of
their own here, courses from measured discharge curves of electrochemical models, not from the rule's normal samples alone.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from analysis.curve.spread import DREW, LASTED, odd_by
from analysis.doubt.quantity import Quantity
from analysis.report.overlay_plots import Course, band_of

Floats = npt.NDArray[np.float64]
CLASSES = 400
SIZES = (6, 12, 30, 60)

# Sound classes, in shares of the mean; the rule was made for the first alone.
GENERATORS: dict[str, Callable[[np.random.Generator, int], Floats]] = {
    "normal, 6 %": lambda rng, n: 1 + 0.06 * rng.standard_normal(n),
    "uniform, ±10 %": lambda rng, n: 1 + rng.uniform(-0.1, 0.1, n),
    "skewed (gamma), 8 %": lambda rng, n: rng.gamma(150, 1 / 150, n),
    "two batches 8 % apart": lambda rng, n: (
        1 + 0.03 * rng.standard_normal(n) + 0.04 * rng.choice([-1, 1], n)
    ),
    "heavy tails (t, 5 dof), 5 %": lambda rng, n: 1 + 0.05 * rng.standard_t(5, n) / 1.29,
}


def _found(shares: Floats, doubt: float = 0.004) -> set[int]:
    times = [
        Quantity(6.5 * 3600 * x, "s", 6.5 * 3600 * (x - doubt), 6.5 * 3600 * (x + doubt), 0.95)
        for x in map(float, shares)
    ]
    return {item.number for item in odd_by(LASTED, times) or []}


def _drew(shares: Floats) -> set[int]:
    draws = [Quantity(190 * x, "mA", 190 * x - 3, 190 * x + 3, 0.95) for x in map(float, shares)]
    return {item.number for item in odd_by(DREW, draws) or []}


def test_sound_classes_rarely_have_an_odd_one() -> None:
    print("\nclasses of sound pieces in which somebody is called odd by lifetime, %")
    print(f"{'':30}" + "".join(f"{n:>8}" for n in SIZES))
    rng = np.random.default_rng(2121)
    rates = {}
    for name, draw in GENERATORS.items():
        rates[name] = [np.mean([bool(_found(draw(rng, n))) for _ in range(CLASSES)]) for n in SIZES]
        print(f"{name:30}" + "".join(f"{100 * rate:8.1f}" for rate in rates[name]))
    three = [
        np.mean([bool(_found(1 + 0.06 * rng.standard_normal(n)) or _drew(1 + 0.03 * rng.standard_normal(n))) for _ in range(CLASSES)])
        for n in SIZES
    ]  # fmt: skip
    print(f"{'lifetime 6 % or draw 3 %':30}" + "".join(f"{100 * rate:8.1f}" for rate in three))
    for name, found in rates.items():
        if "tails" not in name:  # there the far ones are far
            assert max(found) <= 0.06, name
    assert max(three) <= 0.08


def test_an_odd_one_is_found() -> None:
    print("\nplanted piece found, %, by how much shorter it lasted; others normal")
    rng = np.random.default_rng(77)
    short = (0.1, 0.15, 0.2, 0.3, 0.45)
    print(f"{'':30}" + "".join(f"{100 * part:7.0f}%" for part in short))
    power = {}
    for spread in (0.03, 0.06):
        for count in SIZES:
            row = []
            for part in short:
                hits = 0
                for _ in range(CLASSES // 2):
                    shares = 1 + spread * rng.standard_normal(count)
                    shares[0] = 1 - part
                    hits += 0 in _found(shares)
                row.append(2 * hits / CLASSES)
            power[spread, count] = row
            print(f"{f'spread {100 * spread:.0f} %, {count} runs':30}" + "".join(f"{100 * hit:8.0f}" for hit in row))  # fmt: skip
    assert power[0.06, 30][3] > 0.7
    assert power[0.06, 30][4] > 0.98
    assert power[0.03, 12][3] > 0.9


def _courses(rng: np.random.Generator, count: int) -> tuple[list[Course], list[float]]:
    """A run of an electrochemical cell model, stretched in time, shifted in voltage: a class of one make."""
    make = ("Chen2020", "Marquis2019", "Prada2013")[int(rng.integers(3))]
    found = np.load(Path(__file__).parent / f"physics_rundowns_{make}.npz")
    ends = np.cumsum(found["lengths"])
    one = int(rng.integers(len(ends)))
    volts = found["volts"][ends[one] - found["lengths"][one] : ends[one]].astype(float)
    time_s = 3600 * float(found["step_h"][one]) * np.arange(len(volts))
    lives = 1 + 0.06 * rng.standard_normal(count)
    runs = [(time_s * life, volts + 0.01 * rng.standard_normal()) for life in lives]
    return runs, [float(times[-1]) for times, _ in runs]


def test_the_band_holds_the_share_that_its_legend_says() -> None:
    print("\nshare of a class's own runs inside its band, over the time that one is drawn, %")
    rng = np.random.default_rng(4)
    for count in (12, 30, 60):
        inside = []
        for _ in range(20):
            courses, ends = _courses(rng, count)
            floor = min(float(volts.min()) for _, volts in courses)
            band = band_of(courses, ends, floor)
            drawn = np.isfinite(band.low_v)
            rows = []
            for (times, volts), end in zip(courses, ends, strict=True):
                row = np.interp(band.time_s, times, volts)
                row[band.time_s > end] = floor
                rows.append((row >= band.low_v - 1e-9) & (row <= band.high_v + 1e-9))
            inside.append(np.array(rows)[:, drawn].mean())
        print(f"{count:4} runs: {100 * np.mean(inside):.0f}")
        assert 0.79 <= np.mean(inside) <= 0.93

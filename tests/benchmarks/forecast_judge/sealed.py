"""Sealed rundowns, to judge the result with and nothing else. Their shapes are told by name only.

Built after published discharge shapes, all from memory. Do not tune on these, nor look at them
before the result is fixed.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.random import Generator
from scipy.interpolate import PchipInterpolator

from .cell import Make
from .rundown import Floats, Rundown
from .use import Wish, rundown

Drawn = tuple[Make, Wish]


def _logs(rng: Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _through(points: list[tuple[float, float]]) -> Callable[[Floats], Floats]:
    """Monotone cubic through (depth, V) points, straight on beyond the last, never below 0.02 V."""
    xs, vs = (np.array(part) for part in zip(*points, strict=True))
    inside = PchipInterpolator(xs, vs)
    slope = (vs[-1] - vs[-2]) / (xs[-1] - xs[-2])

    def curve(x: Floats) -> Floats:
        level = inside(np.clip(x, xs[0], xs[-1])) + slope * np.maximum(x - xs[-1], 0)
        return np.asarray(np.maximum(level, 0.02))

    return curve


def _make(name: str, said: str, curve: Callable[[Floats], Floats], mah: float, ma: float) -> Make:
    return Make(
        name=name,
        chemistry_said=said,
        curve=curve,
        capacity_mah=mah,
        rated_mah=mah,
        usual_ma=ma,
        end_depth=1.0,
    )


def _zinc_carbon(rng: Generator, name: str) -> Drawn:
    mah, ma = rng.uniform(300, 900), _logs(rng, 20, 120)
    wobble = rng.normal(0, 0.02, 6)
    levels = np.array([1.60, 1.44, 1.33, 1.22, 1.08, 0.86]) + wobble
    depths = (0.0, 0.08, 0.3, 0.55, 0.8, 1.0)
    points = list(zip(depths, np.minimum.accumulate(levels), strict=True))
    make = _make(name, "zinc-carbon", _through(points), mah, ma)
    make = replace(
        make,
        rated_mah=float(round(mah * rng.uniform(0.9, 1.5), -1)),
        end_depth=rng.uniform(0.85, 0.98),
        r_ohm=rng.uniform(0.3, 0.9) * 40 / ma,
        r_growth=rng.uniform(1, 5),
        relax_ohm=rng.uniform(0.2, 0.8) * 40 / ma,
        relax_s=_logs(rng, 60, 900),
        surface=rng.uniform(0.08, 0.2),
        surface_s=_logs(rng, 1800, 9000),
    )
    return make, Wish(pulse_s=(600.0, 5400.0), cells=int(rng.choice([1, 2, 3, 4])))


def _nimh_faults(rng: Generator, name: str) -> Drawn:
    mah = rng.uniform(700, 2500)
    ma = mah / _logs(rng, 2, 25)
    top, flat = rng.uniform(1.36, 1.42), rng.uniform(1.22, 1.27)
    fall = rng.uniform(0.01, 0.06)
    points = [(0.0, top), (0.05, flat + 0.05), (0.2, flat + 0.01), (0.6, flat - fall / 2)]
    points += [(0.88, flat - fall - 0.02), (0.96, 1.08), (1.0, 0.9), (1.03, 0.3)]
    make = replace(
        _make(name, "nimh", _through(points), mah, ma),
        rated_mah=float(round(mah / rng.uniform(0.7, 1.05), -1)),
        end_depth=rng.uniform(0.94, 1.0),
        r_ohm=rng.uniform(0.01, 0.08) / ma * 1000,
        relax_ohm=rng.uniform(0.01, 0.03) / ma * 1000,
        relax_s=_logs(rng, 30, 900),
        tempco_v_k=rng.uniform(-0.0006, 0.0),
    )
    return make, Wish(faults=(3, 14), cells=int(rng.choice([1, 3, 4])))


def _coin_pulse(rng: Generator, name: str) -> Drawn:
    mah, ma = rng.uniform(180, 235), _logs(rng, 3, 15)
    points = [(0.0, 3.2), (0.03, 3.0), (0.4, 2.95), (0.75, 2.85), (0.9, 2.65), (1.0, 2.1)]
    points.append((1.05, 1.2))
    make = replace(
        _make(name, "li-mno2", _through(points), mah, ma),
        rated_mah=225.0,
        end_depth=rng.uniform(0.6, 0.92),
        r_ohm=rng.uniform(0.02, 0.12) / ma * 1000,
        r_growth=rng.uniform(2, 6),
        relax_ohm=rng.uniform(0.02, 0.1) / ma * 1000,
        relax_s=_logs(rng, 5, 300),
        surface=rng.uniform(0.0, 0.06),
    )
    wish = Wish(pattern="pulses", pulse_s=(30.0, 600.0), pulse_low=(0.0, 0.2), cells=1)
    return make, wish if rng.random() < 0.8 else Wish(cells=1)


def _stepping_regulator(rng: Generator, name: str) -> Drawn:
    mah = rng.uniform(150, 2500)
    ma = mah / _logs(rng, 2, 20)
    first = float(rng.choice([1.5, 3.0, 3.3]))
    at, second = rng.uniform(0.75, 0.97), first * rng.uniform(0.78, 0.93)
    fails = rng.random() < 0.5

    def curve(x: Floats) -> Floats:
        if fails:
            return np.asarray(np.where(x < at, first, np.where(x < 1, second, 0.02)))
        return np.asarray(
            np.where(x < at, first, np.maximum(first - (x - at) / (1 - at) * 0.3 * first, 0.02))
        )

    make = replace(
        _make(name, "li-ion", curve, mah, ma),
        rated_mah=float(round(mah / rng.uniform(0.8, 1.05), -1)),
        r_ohm=rng.uniform(0.001, 0.01) * first / ma * 1000,
        cutoff_v=(second - 0.1 * first) if fails else first * rng.uniform(0.75, 0.9),
        regulated=True,
    )
    return make, Wish(cells=1)


def _passivated(rng: Generator, name: str) -> Drawn:
    mah = rng.uniform(800, 2600)
    ma = mah / _logs(rng, 5, 60)
    flat, cutoff_v = rng.uniform(3.35, 3.6), rng.uniform(2.3, 2.9)
    points = [(0.0, flat), (0.3, flat + 0.01), (0.85, flat - 0.03), (0.94, flat - 0.15)]
    points += [(1.0, 2.4), (1.03, 1.0)]
    make = replace(
        _make(name, "li-socl2", _through(points), mah, ma),
        rated_mah=float(round(mah / rng.uniform(0.7, 1.0), -2)),
        end_depth=rng.uniform(0.95, 1.0),
        r_ohm=rng.uniform(0.01, 0.06) / ma * 1000,
        r_growth=rng.uniform(0, 2),
        cutoff_v=cutoff_v,
        delay_v=rng.uniform(0.1, flat - cutoff_v - 0.25),
        delay_s=_logs(rng, 60, 1800),
        surface=rng.uniform(0, 0.03),
    )
    return make, Wish(cells=int(rng.choice([1, 2])))


def _weak_cell(rng: Generator, name: str) -> Drawn:
    """Cells in series one of which is empty first; the make is the whole pack."""
    mah, cells = rng.uniform(800, 2500), int(rng.choice([2, 3, 4]))
    ma = mah / _logs(rng, 3, 25)
    weak = rng.uniform(0.55, 0.9)
    points = [(0.0, 1.58), (0.06, 1.45), (0.3, 1.29), (0.6, 1.17), (0.85, 1.04), (0.95, 0.9)]
    points += [(1.0, 0.55), (1.03, 0.02)]
    good = _through(points)

    def curve(x: Floats) -> Floats:
        return np.asarray((cells - 1) * good(x) + good(x / weak))

    make = replace(
        _make(name, "alkaline", curve, mah, ma),
        rated_mah=float(round(mah * rng.uniform(0.95, 1.3), -1)),
        cutoff_v=cells * rng.uniform(0.85, 1.05),
        r_ohm=cells * rng.uniform(0.01, 0.05) / ma * 1000,
        relax_ohm=cells * rng.uniform(0.01, 0.03) / ma * 1000,
        surface=rng.uniform(0, 0.06),
    )
    return make, Wish(cells=1)


def _zinc_air(rng: Generator, name: str) -> Drawn:
    mah, ma = rng.uniform(80, 600), _logs(rng, 3, 25)
    flat = rng.uniform(1.2, 1.3)
    points = [(0.0, flat + 0.08), (0.04, flat + 0.02), (0.5, flat - 0.01), (0.85, flat - 0.06)]
    points += [(0.94, 1.08), (1.0, 0.85), (1.02, 0.3)]
    make = replace(
        _make(name, "zinc-air", _through(points), mah, ma),
        rated_mah=float(round(mah / rng.uniform(0.75, 1.02), -1)),
        end_depth=rng.uniform(0.95, 1.0),
        r_ohm=rng.uniform(0.02, 0.08) / ma * 1000,
        delay_v=rng.uniform(0, 0.08),
        delay_s=_logs(rng, 300, 3600),
        tempco_v_k=rng.uniform(0, 0.0008),
    )
    return make, Wish(cells=int(rng.choice([1, 2])))


def _aged_pouch(rng: Generator, name: str) -> Drawn:
    mah = rng.uniform(150, 900)
    ma = mah / _logs(rng, 0.8, 6)
    points = [(0.0, 4.18), (0.1, 4.03), (0.3, 3.85), (0.5, 3.72), (0.7, 3.64), (0.85, 3.55)]
    points += [(0.93, 3.42), (1.0, 3.0), (1.03, 2.4)]
    make = replace(
        _make(name, "li-ion", _through(points), mah, ma),
        rated_mah=float(round(mah / rng.uniform(0.5, 0.9), -1)),
        end_depth=rng.uniform(0.7, 1.0),
        r_ohm=rng.uniform(0.05, 0.3) / ma * 1000,
        r_growth=rng.uniform(0, 4),
        relax_ohm=rng.uniform(0.02, 0.15) / ma * 1000,
        relax_s=_logs(rng, 30, 1200),
        surface=rng.uniform(0, 0.08),
    )
    return make, Wish(cells=int(rng.choice([1, 1, 2])))


KINDS: dict[str, Callable[[Generator, str], Drawn]] = {
    "zinc-carbon": _zinc_carbon,
    "nimh faults": _nimh_faults,
    "coin pulses": _coin_pulse,
    "stepping regulator": _stepping_regulator,
    "passivated lithium": _passivated,
    "one weak cell": _weak_cell,
    "zinc-air": _zinc_air,
    "aged pouch": _aged_pouch,
}
GROUPS = tuple(KINDS)


def draw(rng: Generator, each: int, groups: tuple[str, ...] = GROUPS) -> Iterator[Rundown]:
    """`each` rundowns of every group, each of a make of its own."""
    for group in groups:
        for number in range(each):
            make, wish = KINDS[group](rng, f"{group}-{number}")
            yield rundown(rng, make, group, f"sealed-{GROUPS.index(group)}-{number}", wish)

"""Invented rundowns that look like a chemistry's and are of no chemistry's family.

Shapes g(x) fall from 1 at x = 0 to 0 at x = 1 and go on falling; a make scales them to the range of
the chemistry that the user names (usual full and empty voltages of cell makers' sheets, from
memory). Every number comes from the generator that is passed in.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.random import Generator

from .cell import Make
from .rundown import Floats, Rundown
from .use import Wish, rundown

Shape = Callable[[Floats], Floats]

# Full and empty voltage of a cell under a light load, V: from memory.
RANGES_V = {
    "alkaline": (1.56, 0.85),
    "nimh": (1.38, 1.0),
    "li-ion": (4.15, 3.0),
    "lifepo4": (3.40, 2.6),
    "li-mno2": (3.10, 2.0),
}


def scaled(raw: Shape) -> Shape:
    """The shape moved and stretched so that g(0) = 1 and g(1) = 0."""
    top, bottom = raw(np.array([0.0, 1.0]))
    return lambda x: np.asarray((raw(x) - bottom) / (top - bottom))


def straight() -> Shape:
    """g = 1 - x."""
    return lambda x: 1 - x


def knee(at: float, width: float, before: float, after: float) -> Shape:
    """Slope `before` up to `at`, then `after`, with a bend as wide as `width` (softplus)."""

    def raw(x: Floats) -> Floats:
        bend = width * np.logaddexp(0, (x - at) / width)
        return np.asarray(-before * x - (after - before) * bend)

    return scaled(raw)


def plateaus(at: float, width: float, height: float, tilt: float, end: float) -> Shape:
    """Two levels with a step of `height` at `at`, and an exponential end as wide as `end`."""

    def raw(x: Floats) -> Floats:
        step = height / (1 + np.exp(-(x - at) / width))
        return np.asarray(-tilt * x - step - 0.3 * np.exp(np.minimum((x - 1) / end, 50)))

    return scaled(raw)


def s_shape(middle: float, width: float, steep_middle: bool) -> Shape:
    """Steep in the middle (logistic), or steep at both ends (the logistic's inverse)."""

    def raw(x: Floats) -> Floats:
        if steep_middle:
            return np.asarray(-1 / (1 + np.exp(-(x - middle) / width)) - 0.3 * x)
        inside = np.clip(x, -width / 2, 1 + width / 2)
        bend = np.log((inside + width) / (1 + width - inside))
        return np.asarray(-bend - 6 * np.maximum(x - inside, 0))

    return scaled(raw)


def terraces(count: int, depth: float) -> Shape:
    """A straight fall with `count` waves; monotone for depth < 1."""
    turn = 2 * np.pi * count
    return scaled(lambda x: np.asarray(-x - depth * np.sin(turn * x) / turn))


def power(exponent: float) -> Shape:
    """g = 1 - x^p: bends one way all along."""
    return lambda x: np.asarray(1 - np.maximum(x, 0) ** exponent)


def _straight(rng: Generator) -> tuple[Shape, float]:
    if rng.random() < 0.5:
        return straight(), rng.uniform(0.7, 1.0)
    return power(rng.uniform(0.6, 1.8)), rng.uniform(0.7, 1.0)


def _two_plateaus(rng: Generator) -> tuple[Shape, float]:
    at = rng.uniform(0.3, 0.75)
    shape = plateaus(
        at,
        rng.uniform(0.01, 0.05),
        rng.uniform(0.2, 0.8),
        rng.uniform(0.1, 0.5),
        rng.uniform(0.01, 0.05),
    )
    return shape, rng.uniform(0.95, 1.0)


def _s_shape(rng: Generator) -> tuple[Shape, float]:
    if rng.random() < 0.5:
        return s_shape(rng.uniform(0.4, 0.8), rng.uniform(0.06, 0.15), True), rng.uniform(0.8, 1.0)
    return s_shape(0.5, rng.uniform(0.02, 0.1), False), rng.uniform(0.85, 1.0)


def _late_knee(rng: Generator) -> tuple[Shape, float]:
    at = rng.uniform(0.88, 0.97)
    return knee(at, rng.uniform(0.004, 0.015), rng.uniform(0.03, 0.25), 8.0), rng.uniform(at, 1.0)


def _random_knee(rng: Generator) -> tuple[Shape, float]:
    at = rng.uniform(0.2, 0.85)
    after = rng.uniform(3, 12) if rng.random() < 0.65 else rng.uniform(0.15, 0.5)
    return knee(at, rng.uniform(0.01, 0.05), 1.0, after), rng.uniform(at + 0.05, 1.0)


def _terraces(rng: Generator) -> tuple[Shape, float]:
    return terraces(int(rng.integers(2, 5)), rng.uniform(0.3, 0.9)), rng.uniform(0.75, 1.0)


SHAPES: dict[str, Callable[[Generator], tuple[Shape, float]]] = {
    "straight": _straight,
    "two plateaus": _two_plateaus,
    "s-shape": _s_shape,
    "late knee": _late_knee,
    "random knee": _random_knee,
    "terraces": _terraces,
}
GROUPS = (*SHAPES, "recovery", "contact faults", "regulated")


def _figures(rng: Generator) -> tuple[float, float, float]:
    """True capacity, capacity on the label (mAh), usual current (mA) for 2 to 30 h from full."""
    capacity_mah = float(np.exp(rng.uniform(np.log(150), np.log(3000))))
    hours = float(np.exp(rng.uniform(np.log(2), np.log(30))))
    return capacity_mah, float(round(capacity_mah / rng.uniform(0.8, 1.1))), capacity_mah / hours


def make(rng: Generator, group: str, name: str) -> Make:
    """A make of cell of this group."""
    if group == "regulated":
        return regulated_make(rng, name)
    drawn = group if group in SHAPES else str(rng.choice(list(SHAPES)))
    shape, end_depth = SHAPES[drawn](rng)
    said = str(rng.choice(list(RANGES_V)))
    full_v, empty_v = RANGES_V[said]
    full_v *= rng.uniform(0.97, 1.01)
    capacity_mah, rated_mah, usual_ma = _figures(rng)
    volts_per_a = full_v / usual_ma * 1000
    strong = group == "recovery"
    return Make(
        name=name,
        chemistry_said=said,
        curve=lambda x: np.maximum(empty_v + (full_v - empty_v) * shape(x), 0.05),
        capacity_mah=capacity_mah,
        rated_mah=rated_mah,
        usual_ma=usual_ma,
        end_depth=end_depth,
        r_ohm=rng.uniform(0.005, 0.04) * volts_per_a,
        r_growth=rng.uniform(0, 2),
        relax_ohm=rng.uniform(0.005, 0.02) * volts_per_a,
        relax_s=float(np.exp(rng.uniform(np.log(20), np.log(600)))),
        surface=rng.uniform(0.06, 0.2) if strong else rng.uniform(0, 0.03),
        surface_s=float(np.exp(rng.uniform(np.log(1200), np.log(7200)))),
        tempco_v_k=rng.uniform(-0.0003, 0.0003) * full_v,
    )


def regulated_make(rng: Generator, name: str) -> Make:
    """A pack with a regulator in it: constant voltage to the last, then nothing."""
    capacity_mah, rated_mah, usual_ma = _figures(rng)
    said, volts = (("alkaline", 1.5), ("li-ion", 3.3), ("li-ion", 5.1), ("nimh", 1.25))[
        int(rng.integers(4))
    ]
    sag = rng.uniform(0, 0.004) * volts

    def curve(x: Floats) -> Floats:
        return np.asarray(np.where(x < 1, volts - sag * x, 0.02))

    return Make(
        name=name,
        chemistry_said=said,
        curve=curve,
        capacity_mah=capacity_mah,
        rated_mah=rated_mah,
        usual_ma=usual_ma,
        end_depth=1.0,
        r_ohm=rng.uniform(0.001, 0.01) * volts / usual_ma * 1000,
        cutoff_v=volts * rng.uniform(0.8, 0.95),
        regulated=True,
    )


def _wish(rng: Generator, group: str) -> Wish:
    if group == "recovery":
        return Wish(pattern=str(rng.choice(["pauses", "pulses"])), pulse_s=(300.0, 3600.0))
    if group == "contact faults":
        return Wish(faults=(2, 9))
    if group == "regulated":
        return Wish(cells=1)
    return Wish()


def one(rng: Generator, group: str, number: int = 0) -> Rundown:
    """One rundown of a make of its own."""
    drawn = make(rng, group, f"{group}-{number}")
    return rundown(rng, drawn, group, f"curve-{GROUPS.index(group)}-{number}", _wish(rng, group))


def draw(rng: Generator, each: int, groups: tuple[str, ...] = GROUPS) -> Iterator[Rundown]:
    """`each` rundowns of every group, each of a make of its own."""
    for group in groups:
        for number in range(each):
            yield one(rng, group, number)


def scattered(rng: Generator, make: Make, name: str) -> Make:
    """Another cell of the same make: capacity 3 %, resistance 10 % (standard deviation)."""
    ohms = float(np.exp(rng.normal(0, 0.1)))
    return replace(
        make,
        name=name,
        capacity_mah=make.capacity_mah * float(np.exp(rng.normal(0, 0.03))),
        r_ohm=make.r_ohm * ohms,
        relax_ohm=make.relax_ohm * ohms,
    )


def family(
    rng: Generator, group: str, number: int, earlier: int = 2
) -> tuple[Rundown, tuple[Rundown, ...]]:
    """A rundown, and `earlier` whole ones of the same make that were recorded before it.

    The earlier ones start full; cells in series, load kind and current may differ.
    """
    common = make(rng, group, f"family-{group}-{number}")
    past = []
    cells = 1 if group == "regulated" else int(rng.choice([1, 2, 3]))
    for k in range(earlier):
        other = scattered(rng, common, common.name)
        wish = Wish(pattern="steady", start_used=0.0, cells=cells)
        label = f"family-{GROUPS.index(group)}-{number}-{k}"
        past.append(rundown(rng, other, group, label, wish))
    now = scattered(rng, common, common.name)
    if rng.random() < 0.5:
        now = replace(now, usual_ma=now.usual_ma * rng.uniform(0.6, 1.6))
    label = f"family-{GROUPS.index(group)}-{number}"
    present = rundown(rng, now, group, label, Wish(pattern="steady", cells=cells))
    return present, tuple(past)

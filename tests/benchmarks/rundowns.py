"""Rundowns with a known end, none made by the model that is fitted: material for the skill table."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.base.pack import Pack
from tests.benchmarks.cell_physics import (
    Cells,
    alkaline_builds,
    alkaline_cells,
    nimh_builds,
    nimh_cells,
    run_down,
)

Array = NDArray[np.float64]
HERE: Final = Path(__file__).parent


@dataclass(frozen=True)
class Rundown:
    """One rundown as the sensor saw it; ``life_s``: when the cutoff was held. ``rated_mah``: on the label, or usual."""

    chemistry: str
    source: str
    pack: Pack
    time_s: Array
    pack_v: Array
    current_ma: Array
    cutoff_v: float
    hold_s: float
    life_s: float
    rated_mah: float
    load: str


def held_below(time_s: Array, volts: Array, cutoff_v: float, hold_s: float) -> float | None:
    """First time from which the voltage stays below the cutoff for the hold time; None: never."""
    below = volts < cutoff_v
    start = None
    for now, under in zip(time_s, below, strict=True):
        if not under:
            start = None
        elif start is None:
            start = now
        if start is not None and now - start >= hold_s:
            return float(start)
    return None


def sensed(
    volts: Array, current_ma: Array, sensor: str, rng: np.random.Generator
) -> tuple[Array, Array]:
    """What an INA219 or INA226 would have told (limits: TI SBOS448G and SBOS547B, 7.5).

    One gain and offset per board, drawn uniformly within the data sheet's limits; steps of 4 or
    1.25 mV smeared by the averaging of a window.
    """
    if sensor == "INA219":
        gain_v, step_v, gain_i, offset_ma, noise_ma = 0.005, 0.004, 0.005, 1.0, 0.1
    else:
        gain_v, step_v, gain_i, offset_ma, noise_ma = 0.001, 0.00125, 0.001, 0.1, 0.03
    volts = volts * (1 + rng.uniform(-gain_v, gain_v)) + step_v / 4 * rng.standard_normal(
        len(volts)
    )
    volts = np.round(volts / (step_v / 8)) * (step_v / 8)
    current = current_ma * (1 + rng.uniform(-gain_i, gain_i)) + rng.uniform(-offset_ma, offset_ma)
    return volts, current + noise_ma * rng.standard_normal(len(current))


def load_pattern(kind: str, rows: int, life_rows: int, rng: np.random.Generator) -> Array:
    """Multiplier of the mean load: steady, modes (bright and dim in turn), pulsed (at random)."""
    if kind == "steady":
        return np.ones(rows)
    heavy = rng.uniform(1.3, 2.5)
    duty = rng.uniform(0.2, 0.5)
    light = max((1 - duty * heavy) / (1 - duty), 0.04)
    if kind == "modes":
        period = max(4, round(life_rows / rng.uniform(12, 60)))
        phase = (np.arange(rows) + rng.integers(period)) % period
        return np.where(phase < duty * period, heavy, light)
    return np.where(rng.random(rows) < duty, heavy, light)


def _finish(
    chemistry: str,
    source: str,
    pack: Pack,
    step_s: float,
    volts: Array,
    current_ma: Array,
    cutoff_v: float,
    rated_mah: float,
    load: str,
    rng: np.random.Generator,
) -> Rundown | None:
    good = np.isfinite(volts)
    sensor = str(rng.choice(["INA219", "INA226"]))
    seen_v, seen_ma = sensed(volts[good], current_ma[good], sensor, rng)
    time_s: Array = np.linspace(step_s, len(seen_v) * step_s, len(seen_v), dtype=np.float64)
    hold_s = float(rng.choice([0.0, 2.0])) * step_s
    life_s = held_below(time_s, seen_v, cutoff_v, hold_s)
    if life_s is None:  # pulses recover before the hold time is over: cutoff at once
        hold_s = 0.0
        life_s = held_below(time_s, seen_v, cutoff_v, hold_s)
    if life_s is None or life_s < 80 * step_s:
        return None
    return Rundown(
        chemistry, source, pack, time_s, seen_v, seen_ma, cutoff_v, hold_s, life_s, rated_mah, load
    )


SETS: Final = {
    "tune": (
        "Marquis2019",
        "Ecker2015",
        "NCA_Kim2011",
        "Ramadass2004",
        "Prada2013",
        "Prada2013_wide",
    ),
    "judge": ("Chen2020", "Mohtat2020", "Ai2020", "Prada2013"),
}


def physics_rundowns(
    part: str, chemistry: str, seed: int, per_cell: int = 1, *, used: bool = False
) -> Iterator[Rundown]:
    """Lithium rundowns from PyBaMM (generate_physics_rundowns.py), put into packs of 1 or 2.

    The label differs from the true capacity: fresh cells of a maker, 2 % below on average with 4 %
    standard deviation. ``used``: cells that have 70 to 90 % of it left, which the label does not say.
    Of the one LiFePO4 set the even cells are for setting, the odd ones judge.
    """
    rng = np.random.default_rng(seed)
    for name in SETS[part]:
        with np.load(HERE / f"physics_rundowns_{name}.npz") as data:
            files = {key: data[key] for key in data.files}
        ends = np.cumsum(files["lengths"])
        for number, end in enumerate(ends):
            if str(files["chemistry"][number]) != chemistry:
                break
            if name == "Prada2013" and (number % 2 == 0) != (part == "tune"):
                continue
            rows = slice(end - files["lengths"][number], end)
            yield from _packs_of(files, number, rows, rng, per_cell, used)


def _packs_of(
    files: dict[str, Any],
    number: int,
    rows: slice,
    rng: np.random.Generator,
    per_cell: int,
    used: bool,
) -> Iterator[Rundown]:
    chemistry = str(files["chemistry"][number])
    volts = files["volts"][rows].astype(np.float64)
    amps = files["amps"][rows].astype(np.float64)
    for _ in range(per_cell):
        in_series = int(rng.integers(1, 3))
        scale = rng.uniform(400, 3000) / (1000 * files["rated_ah"][number])
        true_mah = 1000 * files["rated_ah"][number] * scale
        label = true_mah / (0.98 * np.exp(rng.normal(0, 0.04)))
        if used:
            label /= rng.uniform(0.7, 0.9)
        cutoff = rng.uniform(3.0, 3.3) if chemistry == "li-ion" else rng.uniform(2.5, 2.9)
        made = _finish(
            chemistry,
            str(files["set"][number]),
            Pack(chemistry, in_series, "18650", float(label)),
            float(files["step_h"][number]) * 3600,
            volts * in_series,
            amps * 1000 * scale,
            cutoff * in_series,
            float(label),
            f"{files['control'][number]}, {files['pattern'][number]}",
            rng,
        )
        if made is not None:
            yield made


POUCH: Final = HERE.parent / "data" / "pouch_discharge"


def pouch_rundowns(seed: int, per_curve: int) -> Iterator[Rundown]:
    """Measured discharge of a pouch cell at 0.1, 0.5, 1 and 2 C (Ai et al. 2020), rescaled in capacity.

    Rated: 2.28 Ah nominal; label error as for the other lithium cells.
    """
    rng = np.random.default_rng(seed)
    for rate, amps in (("0.1C", 0.228), ("0.5C", 1.14), ("1C", 2.28), ("2C", 4.56)):
        table = np.loadtxt(POUCH / f"{rate}_discharge_U.txt")
        step_s = float(table[-1, 0]) / 500
        grid = np.arange(1, 501) * step_s
        volts = np.interp(grid, table[:, 0], table[:, 1])
        for _ in range(per_curve):
            scale = rng.uniform(0.2, 1.2)
            label = 2280 * scale / (0.98 * np.exp(rng.normal(0, 0.04)))
            made = _finish(
                "li-ion",
                "measured pouch",
                Pack("li-ion", 1, "pouch", float(label)),
                step_s,
                volts,
                np.full(500, amps * 1000 * scale),
                rng.uniform(3.05, 3.3),
                float(label),
                "current, steady",
                rng,
            )
            if made is not None:
                yield made


_MAKES: Final = {
    ("tune", "alkaline"): alkaline_builds,
    ("tune", "nimh"): nimh_builds,
    ("judge", "alkaline"): alkaline_cells,
    ("judge", "nimh"): nimh_cells,
}
_KINDS: Final = {"current": 0.0, "resistance": 1.0, "power": -1.0, "LEDs": 2.2}


def aqueous_rundowns(part: str, chemistry: str, count: int, seed: int) -> Iterator[Rundown]:
    """Alkaline and NiMH rundowns from cell_physics: packs of 2 to 4 AA, cells of one pack 1.5 % apart.

    Alkaline: no label (the usual AA is all that is known), brands differ. NiMH: label as for
    lithium cells. ``part`` "tune": cells of another build, on which the prior's widths were set.
    """
    rng = np.random.default_rng(seed)
    for in_series in (2, 3, 4):
        runs = count // 3 + (1 if in_series - 2 < count % 3 else 0)
        rows, life_rows = 1000, 400
        brand = _MAKES[part, chemistry](runs, rng)
        size_ah = np.ones(runs) if chemistry == "alkaline" else rng.uniform(0.4, 1.3, runs)
        cells = _repeat(brand, in_series, size_ah, rng)
        kind_names = [str(name) for name in rng.choice(list(_KINDS), runs)]
        kinds = np.array([_KINDS[name] for name in kind_names])
        usual_mah = 1000 * brand.capacity_ah * size_ah
        rated_mah = usual_mah if chemistry == "alkaline" else 1000 * _rated_ah(brand) * size_ah
        low, high = (0.012, 0.12) if chemistry == "alkaline" else (0.04, 0.5)
        mean_ma = usual_mah * np.exp(rng.uniform(np.log(low), np.log(high), runs))
        expected_h = usual_mah / mean_ma * (0.75 if chemistry == "alkaline" else 0.95)
        patterns = [str(name) for name in rng.choice(["steady", "modes", "pulsed"], runs)]
        pattern = np.stack([load_pattern(name, rows, life_rows, rng) for name in patterns])
        floor_v, sub_h = (0.8, 0.02) if chemistry == "alkaline" else (1.0, 0.004)
        volts, current_ma = run_down(
            cells, in_series, kinds, mean_ma, pattern, expected_h / life_rows, floor_v - 0.15, sub_h
        )
        for run in range(runs):
            label = rated_mah[run] / (0.98 * np.exp(rng.normal(0, 0.04)))
            known = chemistry != "alkaline"
            cutoff = rng.uniform(0.8, 1.1) if chemistry == "alkaline" else rng.uniform(1.0, 1.1)
            made = _finish(
                chemistry,
                "cell physics",
                Pack(chemistry, in_series, "AA", float(label) if known else None),
                float(expected_h[run] / life_rows * 3600),
                volts[run],
                current_ma[run],
                cutoff * in_series,
                float(label) if known else 2500.0,
                f"{kind_names[run]}, {patterns[run]}",
                rng,
            )
            if made is not None:
                yield made


def _repeat(brand: Cells, in_series: int, size_ah: Array, rng: np.random.Generator) -> Cells:
    """Cells of each pack: of one brand, with capacities and starts a little apart."""
    values = {
        name: np.repeat(getattr(brand, name), in_series, axis=0)
        for name in brand.__dataclass_fields__
    }
    count = len(values["capacity_ah"])
    values["capacity_ah"] = (
        values["capacity_ah"] * np.repeat(size_ah, in_series) * np.exp(rng.normal(0, 0.015, count))
    )
    values["start"] = np.clip(values["start"] + np.abs(rng.normal(0, 0.004, count)), 0.002, 0.1)
    return Cells(**values)


def _rated_ah(brand: Cells) -> Array:
    """What each cell gives at 0.2 C down to 1.0 V: the trade's rating of a NiMH cell."""
    count, rows = len(brand.capacity_ah), 400
    current_ma = 200 * brand.capacity_ah
    volts, _ = run_down(
        brand,
        1,
        np.zeros(count),
        current_ma,
        np.ones((count, rows)),
        np.full(count, 6 / rows),
        0.9,
        0.004,
    )
    alive_h = (np.nan_to_num(volts) >= 1.0).sum(axis=1) * 6 / rows
    return np.asarray(current_ma * alive_h / 1000)

"""Small pieces of which one thing burns, hurts or wears out, and sound ones: to judge the hazards of a budget.

Written apart from the tool, with other tables where there are any; imports nothing of it. All pieces are invented.

- Wire: over what "maximum amperes for chassis wiring" of the handbooks allow; sound: under 700 circular mils an
  ampere, the same tables' figure for bundled power wiring (both from memory).
- Thread: Joule's heat over what lifts a round thread of 0.5 mm by 40 K at 15 W per square metre and kelvin
  (pi d h, from memory): 1 W per metre; sound: 4 K, 0.1 W per metre.
- Cells: a pouch over 3C in pulses, over 1C for long; a CR2032 over 20 mA in pulses (makers' sheets, from memory); sound well under.
- Linear regulator: P = (V - Vout) I over 0.8 W, more than any small package stands without a heat sink (105 K over
  130 K/W, from memory); sound under 0.25 W.
- Boost: I = P / (efficiency V), greatest where the pack is lowest (conservation of energy).
- What the budget itself states: holder, switch, voltage.
- Fresh cells: alkaline 1.6 V at least (tests/SOURCES.md B4), lithium-ion 4.2 V, NiMH 1.45 V (tests/SOURCES.md B20).
"""

import random
from dataclasses import dataclass
from typing import Final

CHASSIS_A: Final = {30: 0.86, 28: 1.4, 26: 2.2, 24: 3.5, 22: 7.0}
BUNDLED_A: Final = {30: 0.142, 28: 0.226, 26: 0.361, 24: 0.577, 22: 0.92}
FRESH_V: Final = {"alkaline": 1.6, "nimh": 1.45}
NOMINAL_V: Final = {"alkaline": 1.5, "nimh": 1.2}
HOT_W_PER_M: Final = 1.0
COOL_W_PER_M: Final = 0.1
HOT_W, COOL_W = 0.8, 0.25
KINDS: Final = (
    "wire", "thread", "pouch", "pouch mode", "coin", "holder", "switch", "regulator", "boost", "voltage",
)  # fmt: skip


@dataclass(frozen=True)
class HazardPiece:
    """``kind``: what is violated, empty if nothing is; ``over``: by which factor."""

    name: str
    kind: str
    over: float
    toml: str


def dangerous_pieces(seed: int, each: int = 3) -> list[HazardPiece]:
    rng = random.Random(seed)
    return [_piece(kind, rng, number, bad=True) for kind in KINDS for number in range(each)]


def safe_pieces(seed: int, each: int = 3) -> list[HazardPiece]:
    rng = random.Random(seed + 1)
    return [_piece(kind, rng, number, bad=False) for kind in KINDS for number in range(each)]


def _piece(kind: str, rng: random.Random, number: int, *, bad: bool) -> HazardPiece:
    over = rng.uniform(1.15, 2.5) if bad else rng.uniform(0.3, 0.8)
    build = {
        "wire": _wire, "thread": _thread, "pouch": _pouch, "pouch mode": _pouch_mode, "coin": _coin, "holder": _rated, "switch": _rated,
        "regulator": _regulator, "boost": _boost, "voltage": _voltage,
    }[kind]  # fmt: skip
    toml = build(rng, over, kind) if build is _rated else build(rng, over)  # type: ignore[operator]
    word = "over" if bad else "under"
    return HazardPiece(f"{kind} {word} {number}", kind if bad else "", over, toml)


def _toml(
    current_ma: float,
    *,
    pack: str,
    piece: str = "max_v = 9",
    supply: str = "",
    part: str = "",
    more: str = "",
    hours: float = 0.5,
    modes: str = "",
) -> str:
    return f"""[piece]
name = "piece"
{piece}

[supply]
pack = "{pack}"
{supply}

[[part]]
name = "lights"
tolerance_percent = 5
{part}
[part.current_ma]
on = {current_ma:.3f}

[[mode]]
name = "lit"
hours = {hours}
parts.lights = "on"
{modes}
{more}
"""


def _wire(rng: random.Random, over: float) -> str:
    gauge = rng.choice([30, 28, 26] if over > 1 else [30, 28, 26, 24, 22])
    current_a = over * (CHASSIS_A if over > 1 else BUNDLED_A)[gauge]
    wire = f'[[wire]]\nname = "feed"\ngauge_awg = {gauge}\nlength_m = 0.05\ncarries = ["lights"]\n'
    if rng.random() < 0.5:
        wire += f'insulation = "{rng.choice(["pvc", "pvc-105"])}"\n'
    pack = f"1x 18650 li-ion {rng.choice([2500, 3000])} mAh"
    return _toml(1000 * current_a, pack=pack, more=wire, hours=0.2)


def _thread(rng: random.Random, over: float) -> str:
    ohm_per_m = rng.choice([10, 25, 40, 90])
    watt = over * (HOT_W_PER_M if over > 1 else COOL_W_PER_M)
    current_ma = 1000 * (watt / ohm_per_m) ** 0.5
    # Short, so that its drop is no other matter.
    wire = (
        f'[[wire]]\nname = "line"\nohm_per_m = {ohm_per_m}\nlength_m = 0.01\ncarries = ["lights"]\n'
    )
    return _toml(current_ma, pack="3x AA nimh", more=wire)


def _pouch(rng: random.Random, over: float) -> str:
    capacity_mah = rng.choice([150, 400, 1000, 2000])
    if over > 1:
        # In pulses, with a quiet mean.
        peak = f"[part.peak_ma]\non = {3 * over * capacity_mah:.1f}"
        return _toml(
            0.3 * capacity_mah, pack=f"1x pouch li-ion {capacity_mah} mAh", more="", modes=""
        ).replace("\n[[mode]]", f"\n{peak}\n\n[[mode]]", 1)
    return _toml(over * 0.9 * capacity_mah, pack=f"1x pouch li-ion {capacity_mah} mAh")


def _pouch_mode(rng: random.Random, over: float) -> str:
    """Too much for long in one mode of the evening, not in its mean."""
    capacity_mah = rng.choice([400, 1000])
    heavy_ma = over * (1.1 if over > 1 else 0.9) * capacity_mah
    quiet = '[[mode]]\nname = "parked"\nhours = 3\nparts.lights = "off"\n'
    toml = _toml(heavy_ma, pack=f"1x pouch li-ion {capacity_mah} mAh", hours=0.25, modes=quiet)
    return toml.replace("\n[[mode]]", "off = 1.0\n\n[[mode]]", 1)


def _coin(rng: random.Random, over: float) -> str:
    mean_ma = rng.uniform(0.2, 1.5)
    peak_ma = 20 * over if over > 1 else max(10 * over, 1.2 * mean_ma)
    toml = _toml(mean_ma, pack="1x CR2032 lithium-coin", piece="max_v = 3.6", hours=2)
    return toml.replace("\n[[mode]]", f"\n[part.peak_ma]\non = {peak_ma:.2f}\n\n[[mode]]", 1)


def _rated(rng: random.Random, over: float, kind: str) -> str:
    current_ma = rng.uniform(80, 600)
    supply = f"{kind}_max_ma = {current_ma / over:.2f}"
    return _toml(current_ma, pack=f"{rng.choice([3, 4])}x AA nimh", supply=supply)


def _regulator(rng: random.Random, over: float) -> str:
    cells = rng.choice([4, 5])
    output_v = rng.choice([2.5, 3.0, 3.3])
    watt = over * (HOT_W if over > 1 else COOL_W)
    current_ma = 1000 * watt / (FRESH_V["alkaline"] * cells - output_v)
    supply = f'converter = "linear"\noutput_v = {output_v}\nmax_v = 12'
    return _toml(
        min(current_ma, 900), pack=f"{cells}x AA alkaline", piece="", supply=supply, part="max_v = 3.6", hours=0.3
    )  # fmt: skip


def _boost(rng: random.Random, over: float) -> str:
    """Within the rating at the nominal voltage, over it where the pack is lowest; sound: under it there, too."""
    cells, efficiency = rng.choice([2, 3]), rng.choice([75, 85, 92])
    low_v, nominal_v = round(rng.uniform(0.9, 1.0) * cells, 2), NOMINAL_V["alkaline"] * cells
    current_ma = rng.uniform(30, 110) * cells
    power_mw = 5.0 * current_ma / (efficiency / 100)
    at_low, at_nominal = power_mw / low_v, power_mw / nominal_v
    rating_ma = (
        at_nominal + (at_low - at_nominal) * rng.uniform(0.1, 0.75) if over > 1 else at_low / 0.85
    )
    field = rng.choice(["switch", "holder", "pack"])
    supply = (
        f'converter = "boost"\noutput_v = 5.0\nmax_v = 5.5\nefficiency_percent = {efficiency}\n'
        f"{field}_max_ma = {rating_ma:.1f}"
    )
    return _toml(
        current_ma, pack=f"{cells}x AA alkaline", piece=f"give_up_v = {low_v}", supply=supply, part="max_v = 5.5", hours=0.3
    )  # fmt: skip


def _voltage(rng: random.Random, over: float) -> str:
    """A limit between the label's voltage and a fresh pack's."""
    kind, cells = rng.choice(["alkaline", "nimh"]), rng.choice([2, 3, 4])
    fresh_v, nominal_v = FRESH_V[kind] * cells, NOMINAL_V[kind] * cells
    most_v = (
        nominal_v + (fresh_v - nominal_v) * rng.uniform(0.1, 0.8) if over > 1 else fresh_v * 1.1
    )
    return _toml(rng.uniform(10, 100), pack=f"{cells}x AA {kind}", piece=f"max_v = {most_v:.2f}")

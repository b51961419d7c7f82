"""What the rows of a foreign file say as a whole: repeats, what follows from them, faults, doubts."""

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.base.numbers import digits_text
from logger.run.description import Event
from logger.run.format import COLUMNS
from logger.text.contact_faults import find_contact_faults
from logger.text.plan import ColumnPlan
from logger.text.plausible import MILLIAMPERES, VOLTS
from logger.text.table import PlanWish

Floats = np.ndarray[Any, np.dtype[np.float64]]

_SMALL_MA: Final = (
    0.5  # common practice, no source: half an ampere, 20 A at the most, is a vest's draw
)
_MOST_AS_AMPERES: Final = 20.0

if TYPE_CHECKING:
    import pandas as pd


def complete(samples: "pd.DataFrame", wish: PlanWish) -> "tuple[pd.DataFrame, list[str]]":
    """Samples with what follows from them and from what the user stated, and that in words."""
    told: list[str] = []
    if wish.constant_current_ma is not None:
        samples["current_ma"] = wish.constant_current_ma
        told.append(
            f"the current was not measured: {wish.constant_current_ma:g} mA throughout, as you stated"
        )
    if (
        "bus_v" in samples
        and "pack_v" not in samples
        and "current_ma" in samples
        and wish.shunt_ohm is not None
    ):
        samples["pack_v"] = samples["bus_v"] + samples["current_ma"] / 1e3 * wish.shunt_ohm
        told.append(
            f"pack_v was reckoned: bus_v plus the drop of the current over {wish.shunt_ohm:g} ohm"
        )
    for name in ("charge_mah", "energy_mwh"):
        if name in samples and samples[name].notna().any():
            if "boot" in samples:
                samples[name] = _over_boots(samples[name].to_numpy(), samples["boot"].to_numpy())
            first = float(samples[name].dropna().iloc[0])
            if first:
                samples[name] -= first
                told.append(f"{name} began at {first:g} in the file; it counts from 0 here")
    return samples[[column.name for column in COLUMNS if column.name in samples]], told


def _over_boots(counted: Floats, boot: np.ndarray[Any, np.dtype[np.int64]]) -> Floats:
    """A meter's running count (n,), going on where it fell at a new boot."""
    fell = np.flatnonzero((np.diff(boot) != 0) & (np.diff(counted) < 0))
    before = np.zeros(len(counted))
    before[fell + 1] = counted[fell]
    return counted + np.cumsum(before)


def faults_of(samples: "pd.DataFrame") -> tuple[list[Event], list[str]]:
    """Bad contacts in the voltage and current, as events and in words."""
    name = next((name for name in ("pack_v", "bus_v") if name in samples), None)
    if name is None:
        return [], []
    current = samples["current_ma"].to_numpy() if "current_ma" in samples else None
    return find_contact_faults(samples["time_s"].to_numpy(), samples[name].to_numpy(), current)


def missing_words(missing: Counter[str]) -> list[str]:
    """What was read as missing, and how often."""
    return [
        f"{'cells ' + repr(word) if word else 'empty cells'} read as missing: {count}"
        for word, count in missing.most_common()
    ]


def doubts(samples: "pd.DataFrame") -> list[str]:
    """What in the numbers looks like a wrong unit or sign."""
    doubts = []
    for name in ("pack_v", "bus_v"):
        if name in samples and samples[name].notna().any():
            middle = float(samples[name].median())
            if not VOLTS[0] <= middle <= VOLTS[1]:
                doubts.append(f"{name} is around {digits_text(middle, 3)} V: is its unit right?")
    if "current_ma" in samples and samples["current_ma"].notna().any():
        middle = float(samples["current_ma"].median())
        if middle < 0:
            doubts.append(
                "current_ma is mostly negative: if that is out of the pack, give --current-sign turned"
            )
        elif middle > MILLIAMPERES[1]:
            doubts.append(f"current_ma is around {digits_text(middle, 3)} mA: is its unit right?")
    if "bus_v" in samples and "pack_v" not in samples:
        doubts.append(
            "the only voltage is the one on the load side of the shunt; with --shunt-ohm the pack's is reckoned"
        )
    if "current_ma" not in samples:
        doubts.append("there is no current: charge and energy cannot be reckoned")
    if not {"pack_v", "bus_v"} & set(samples):
        doubts.append("there is no voltage: no time to cutoff can be reckoned")
    return doubts


def small_current(samples: "pd.DataFrame", columns: Sequence[ColumnPlan]) -> list[str]:
    """What milliamperes in the heading mean where the numbers would be amperes as well: something asleep, or a wrong heading."""
    column = next((column for column in columns if column.target == "current_ma"), None)
    name = next((name for name in ("pack_v", "bus_v") if name in samples), None)
    if column is None or name is None or not column.unit_in_file or column.factor != 1.0:
        return []
    sizes = samples["current_ma"].abs().dropna()
    if not len(sizes) or not VOLTS[0] <= float(samples[name].median()) <= VOLTS[1]:
        return []
    if not 0.0 < float(sizes.median()) < _SMALL_MA or float(sizes.max()) > _MOST_AS_AMPERES:
        return []
    mean_ma = digits_text(float(sizes.mean()), 2)
    return [f"{mean_ma} mA on average: if the file means amperes, give --current-unit A"]

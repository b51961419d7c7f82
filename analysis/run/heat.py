"""Does a worn piece get warm enough to mind the skin?"""

from typing import Final

import numpy as np

from analysis.run.trace import Floats, Trace, blocks
from logger.base.pack import SAFETY_CLOSING

# Mean power above which a worn piece is felt: common practice, no source.
WARM_W: Final = 1.0
# Skin is burnt by the hottest stretch, not by a night's mean; 10 min is the shorter of the two times of
# the thresholds below.
STRETCH_S: Final = 600.0
_NO_GAP_S: Final = 1e-9  # what is left over of times in float64
HOTTEST: Final = "In its hottest ten minutes the piece"
_WORDS: Final = "into heat where it is worn"


def hottest_power_w(time_s: Floats, weight_s: Floats, power_w: Floats) -> float:
    """Greatest mean power over ten minutes, or over the whole of a shorter run, W; 0 without rows.

    ``time_s``: ends of what each row stands for, ascending; ``weight_s``: how long that is;
    ``power_w``; shape (rows,). A gap counts as no power.
    """
    sound = np.isfinite(power_w) & (weight_s > 0)
    if not sound.any():
        return 0.0
    if not sound.all():
        time_s, weight_s, power_w = time_s[sound], weight_s[sound], power_w[sound]
    joule = np.zeros(len(time_s) + 1)
    np.cumsum(power_w * weight_s, out=joule[1:])
    begin_s = time_s - weight_s
    np.maximum(begin_s[1:], time_s[:-1], out=begin_s[1:])
    length_s = min(STRETCH_S, float(time_s[-1] - begin_s[0]))
    if (begin_s[1:] - time_s[:-1] <= _NO_GAP_S).all():
        edges_s, sums = np.concatenate((begin_s[:1], time_s)), joule
    else:
        # Between a row's end and the next one's beginning nothing is added.
        edges_s = np.column_stack((begin_s, time_s)).ravel()
        sums = np.column_stack((joule[:-1], joule[1:])).ravel()
    # Of power in steps the hottest stretch begins, or ends, at an edge.
    most = -np.inf
    for part in blocks(len(sums)):
        begun = np.interp(edges_s[part] + length_s, edges_s, sums) - sums[part]
        ended = sums[part] - np.interp(edges_s[part] - length_s, edges_s, sums)
        most = max(most, float(begun.max()), float(ended.max()))
    return most / length_s


def hottest_of(trace: Trace) -> float:
    """Power of a run's hottest ten minutes, W; 0 where voltage or current was not measured."""
    if trace.voltage_v is None or trace.current_ma is None:
        return 0.0
    power_w = trace.voltage_v * trace.current_ma / 1000.0
    return hottest_power_w(trace.time_s, trace.weight_s, power_w)


def is_heat_caution(text: str) -> bool:
    """Whether a warning among others is this caution."""
    return _WORDS in text


def heat_caution(watt: float, what: str = "The piece") -> tuple[str, ...]:
    """Caution for a power in W that lasts for ten minutes, none below ``WARM_W``; ``what`` turns it into heat."""
    if watt <= WARM_W:
        return ()
    return (
        f"{what} turns {watt:.1f} W {_WORDS}; more than {WARM_W:g} W is felt (common practice). Burn thresholds on the skin: about "
        "43 °C for 8 h, 48 °C for 10 min (IEC 62368-1, ISO 13732-1; from memory: look them up). Measure the warmest spot before "
        f"anyone wears it. {SAFETY_CLOSING}",
    )

"""Does a worn piece get warm enough to mind the skin?"""

from typing import Final

# Mean power above which a worn piece is felt: common practice, no source.
WARM_W: Final = 1.0
_WORDS: Final = "into heat where it is worn"


def mean_power_w(energy_mwh: float | None, duration_s: float | None) -> float:
    """Mean power, 0 where energy or duration is not known."""
    hours = (duration_s or 0.0) / 3600
    return (energy_mwh or 0.0) / hours / 1000 if hours > 0 else 0.0


def is_heat_caution(text: str) -> bool:
    """Whether a warning among others is this caution."""
    return _WORDS in text


def heat_caution(watt: float, what: str = "The piece") -> tuple[str, ...]:
    """Caution for a mean power in W, none below ``WARM_W``; ``what`` turns it into heat."""
    if watt <= WARM_W:
        return ()
    return (
        f"{what} turns {watt:.1f} W {_WORDS}. IEC 62368-1 and ISO 13732-1 treat about 43 °C for 8 h and 48 °C for 10 min against the skin as burn thresholds (figures from memory: look them up). Measure the warmest spot before anyone wears it.",
    )

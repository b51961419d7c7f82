"""Breaks of the draw in words."""

from analysis.run.ending.breaks import Break
from analysis.say.words import count_words


def times_words(count: int) -> str:
    return "once" if count == 1 else f"{count_words(count, 'time')}"


def fell_words(found: Break) -> str:
    return f"the draw fell from {ma_words(found.level_ma)} to {ma_words(max(found.dark_ma, 0.0))} at {found.before_v:.2f} V"


def recovered_words(found: Break) -> str:
    if found.vanished:
        return f"the voltage vanished with it, to {found.dark_v:.2f} V"
    if found.dark_v > found.before_v:
        return f"the pack recovered to {found.dark_v:.2f} V"
    return f"the pack stood at {found.dark_v:.2f} V"


def surge_words(found: Break) -> str:
    return (
        f"just before, it drew {found.surge:.1f} times the most of the hour before, as when a fuse "
        "or an overload protection trips"
    )


def ma_words(current_ma: float) -> str:
    return f"{current_ma:.0f} mA" if current_ma >= 10 else f"{current_ma:.2g} mA"

"""Do the sensor's own counters agree with the board's? One answer for every screen."""

from dataclasses import dataclass
from typing import Final

from logger.base.durations import span_words
from logger.base.numbers import digits_text
from logger.run.description import OwnCounted

# Both count the same conversions over the same shunt: what may differ are the clocks. Oscillator of the INA228 over
# temperature (SOURCES.md C25); a resonator on a cheap board (common practice, no source).
SENSOR_CLOCK: Final = 0.01
BOARD_CLOCK: Final = 0.005
# Between a window's end and the reading of the registers, at both ends of a stretch.
_LATE_S: Final = 0.03
# Below it the lateness at the ends is all that is seen.
_LEAST_S: Final = 30.0


@dataclass(frozen=True)
class OwnCheck:
    """Differences, own minus board's, and how far their clocks explain them; shares of the board's counts."""

    own: OwnCounted
    charge: float
    charge_allowed: float
    energy: float
    energy_allowed: float

    @property
    def agrees(self) -> bool:
        """Whether the clocks explain both differences."""
        return abs(self.charge) <= self.charge_allowed and abs(self.energy) <= self.energy_allowed

    @property
    def text(self) -> str:
        """What that says of the counters, and of the sensor's die."""
        own = self.own
        die = (
            ""
            if own.die_least_c is None or own.die_most_c is None
            else f" Its die was at {own.die_least_c:.0f} to {own.die_most_c:.0f} °C."
        )
        apart = f"{_percent(self.charge)} in charge and {_percent(self.energy)} in energy"
        allowed = digits_text(100 * max(self.charge_allowed, self.energy_allowed), 2)
        if self.agrees:
            return (
                f"The sensor counted by itself for {span_words(own.seconds)}: {apart} beside the board's counters, "
                f"within the {allowed} % that their clocks may differ.{die}"
            )
        return (
            f"The sensor's own counters and the board's do not agree: {apart} over {span_words(own.seconds)}, more than "
            f"the {allowed} % that their clocks may differ. One of the two counts wrongly: look at the faults of the run "
            f"(drawbench check --details), and compare with a meter (drawbench calibrate).{die}"
        )


def own_check(own: OwnCounted | None) -> OwnCheck | None:
    """What the two counts say of each other; None: there are none, or too short ones."""
    if own is None or own.seconds < _LEAST_S or own.board_mah <= 0 or own.board_mwh <= 0:
        return None
    late_mah = _LATE_S * own.peak_ma / 3600 * own.stretches**0.5
    clocks = SENSOR_CLOCK + BOARD_CLOCK
    charge = own.own_mah / own.board_mah - 1
    charge_allowed = clocks + late_mah / own.board_mah
    # The sensor counts what the load gets, the board what the pack gives: the shunt's part lies between.
    load_mwh = own.board_mwh - own.shunt_mwh - own.shunt_more_mwh / 2
    energy = own.own_mwh / load_mwh - 1
    unseen = own.shunt_more_mwh / 2 / load_mwh
    energy_allowed = clocks + late_mah / own.board_mah + unseen
    return OwnCheck(own, charge, charge_allowed, energy, energy_allowed)


def _percent(share: float) -> str:
    sign = "\N{MINUS SIGN}" if share < 0 else "+"
    return f"{sign}{100 * abs(share):.1f} %"

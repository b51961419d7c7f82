"""What a recording knows of itself, part by part: events, sensor, board, counters, stop conditions."""

import math
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Event:
    """Something that happened during the run.

    ``kind``: ``gap``, ``boot``, ``mark``, ``fault``, ``link``, ``clock``, ``noise``, ``load``, ``disk``,
    ``forecast``, ``wiring``, ``warning``. ``time_s``: on the run's time axis. ``text``: in words. ``lost``: what it
    cost, as name with unit to number, e.g. ``{"rows": 3, "charge_mah": 0.0}``; an
    unknown cost has its bounds instead (``charge_lower_mah``, ``charge_upper_mah``).
    """

    time_s: float
    kind: str
    text: str
    lost: dict[str, float] = field(default_factory=dict)

    @property
    def is_unknown_pause(self) -> bool:
        """Whether it is a new start of the board over which not even the length is known."""
        return "charge_lower_mah" in self.lost and "charge_upper_mah" not in self.lost


@dataclass(frozen=True)
class Sensor:
    """The sensor as the board's ``hello`` line gave it, or as the user stated it on import.

    ``identity``, ``ids``: how the board knows it (``logger.base.sensor_identity``). ``later``: another kind that took
    its place while recording; empty: none did.
    """

    kind: str
    shunt_ohm: float | None = None
    range_ma: float | None = None
    bus_range_v: float | None = None
    address: str = ""
    identity: str = ""
    ids: str = ""
    later: str = ""


@dataclass(frozen=True)
class Meter:
    """How far off another meter may be, as its manual says: ``*_share`` of the reading (0.01 is 1 %) plus an offset.

    ``text``: as it was typed. None: that quantity was not measured.
    """

    text: str
    voltage_share: float | None = None
    voltage_offset_v: float | None = None
    current_share: float | None = None
    current_offset_ma: float | None = None


@dataclass(frozen=True)
class Board:
    """The board that recorded the run; ``board`` is its own name, ``boot`` its first boot in the run."""

    board: str
    boot: int
    firmware: str = ""
    port: str = ""
    usb_serial: str = ""


@dataclass(frozen=True)
class Bursts:
    """How much the current changes within two conversions: half the mean squared difference, in mA^2.

    ``within_ma2``: of moments in one conversion, ``between_ma2``: of one and the next; means over ``lines`` lines
    of the board, whose scatter is ``spread_ma2``.
    """

    lines: int = 0
    within_ma2: float = 0.0
    between_ma2: float = 0.0
    spread_ma2: float = 0.0

    def with_line(self, within_ma2: float, between_ma2: float) -> "Bursts":
        """One line more (running mean and standard deviation: Welford's recurrence, textbook result)."""
        lines = self.lines + 1
        off = between_ma2 - self.between_ma2
        mean = self.between_ma2 + off / lines
        squares = self.spread_ma2**2 * max(self.lines - 1, 0) + off * (between_ma2 - mean)
        return Bursts(
            lines,
            self.within_ma2 + (within_ma2 - self.within_ma2) / lines,
            mean,
            math.sqrt(squares / (lines - 1)) if lines > 1 else 0.0,
        )


@dataclass(frozen=True)
class OwnCounted:
    """What an INA228 counted itself, and the board over the same ``stretches``, together ``seconds`` long.

    ``own_mwh``: what the load got; ``board_mwh``: what the pack gave; ``shunt_mwh``: lost between, by the windows'
    means, at most ``shunt_more_mwh`` more by what changed within them. ``die_*_c``: of the sensor itself.
    """

    seconds: float = 0.0
    own_mah: float = 0.0
    own_mwh: float = 0.0
    board_mah: float = 0.0
    board_mwh: float = 0.0
    shunt_mwh: float = 0.0
    shunt_more_mwh: float = 0.0
    peak_ma: float = 0.0
    stretches: int = 0
    die_least_c: float | None = None
    die_most_c: float | None = None


@dataclass(frozen=True)
class Counters:
    """Where the zero of the board's clock and counters, of its latest boot, stands on the run's axes.

    ``log --resume`` needs it to go on without a loss: run value = zero + board's value.
    """

    boot: int
    time_zero_s: float
    charge_zero_mah: float
    energy_zero_mwh: float


@dataclass(frozen=True)
class Stop:
    """Stop conditions asked for; None: not set."""

    cutoff_v: float | None = None
    hold_s: float = 0.0
    duration_s: float | None = None
    charge_mah: float | None = None

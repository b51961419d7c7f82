"""What hangs on the pack: parts, modes, programmes, and the point where pack and load agree.

Every part is reduced to the same three terms of what it takes at voltage V,
``I(V) = current + conductance x V + power / V``, so that any sum of parts has a
closed-form operating point.
"""

import math
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Draw:
    """What a load takes at voltage V: ``current_a + conductance_s x V + power_w / V``."""

    current_a: float = 0.0
    conductance_s: float = 0.0
    power_w: float = 0.0

    def __add__(self, other: "Draw") -> "Draw":
        return Draw(
            self.current_a + other.current_a,
            self.conductance_s + other.conductance_s,
            self.power_w + other.power_w,
        )


class Part(Protocol):
    """Anything that takes current; ``pulses`` are its switched shares (see ``Pulsed``)."""

    def draw(self) -> Draw:
        """What it takes all the time."""

    def pulses(self) -> tuple["Pulse", ...]:
        """What it takes only now and then."""


@dataclass(frozen=True)
class Pulse:
    """A share of the draw that is there during ``duty`` of every period."""

    draw: Draw
    frequency_hz: float
    duty: float
    phase: float = 0.0

    def mean_on(self, start_s: FloatArray | float, span_s: float) -> FloatArray:
        """Share of [start, start + span] during which the pulse is on, shape of ``start_s``."""

        def integral(time_s: FloatArray | float) -> FloatArray:
            turns = np.asarray(time_s, dtype=np.float64) * self.frequency_hz + self.phase
            whole = np.floor(turns)
            return whole * self.duty + np.minimum(turns - whole, self.duty)

        if span_s <= 0.0:
            raise ValueError(f"span of {span_s} s: must be above 0")
        on = integral(np.asarray(start_s) + span_s) - integral(start_s)
        return np.asarray(on / (span_s * self.frequency_hz))


@dataclass(frozen=True)
class ConstantCurrent:
    """Takes the same current at any voltage (electronic load, linear LED driver)."""

    current_a: float

    def draw(self) -> Draw:
        return Draw(current_a=self.current_a)

    def pulses(self) -> tuple[Pulse, ...]:
        return ()


@dataclass(frozen=True)
class Resistor:
    """Ohmic load."""

    resistance_ohm: float

    def draw(self) -> Draw:
        return Draw(conductance_s=1.0 / self.resistance_ohm)

    def pulses(self) -> tuple[Pulse, ...]:
        return ()


@dataclass(frozen=True)
class ConstantPower:
    """Takes the same power at any voltage (any switching converter in regulation)."""

    power_w: float

    def draw(self) -> Draw:
        return Draw(power_w=self.power_w)

    def pulses(self) -> tuple[Pulse, ...]:
        return ()


@dataclass(frozen=True)
class Pulsed:
    """A part that is switched on for ``duty`` of each period (pulse-width-dimmed LEDs, blinking)."""

    part: Part
    frequency_hz: float
    duty: float
    phase: float = 0.0

    def __post_init__(self) -> None:
        if not (self.frequency_hz > 0.0 and 0.0 <= self.duty <= 1.0):
            raise ValueError(
                f"pulse of {self.frequency_hz} Hz and duty {self.duty}: frequency above 0, duty 0 to 1"
            )
        if self.part.pulses():
            raise ValueError("a pulsed part cannot hold another pulsed part")

    def draw(self) -> Draw:
        return Draw()

    def pulses(self) -> tuple[Pulse, ...]:
        return (Pulse(self.part.draw(), self.frequency_hz, self.duty, self.phase),)


@dataclass(frozen=True)
class Converter:
    """Boost converter between pack and circuit.

    In regulation the parts behind it see ``output_v`` and the pack gives their power
    divided by ``efficiency``, and ``quiescent_a`` on top. Below ``minimum_v`` at its
    input, or when the pack cannot give the power at all, it gives up: brown-out. It
    tries again ``restart_delay_s`` later if its input is above ``restart_v``, and the
    circuit behind it starts from the beginning of its programme.
    """

    output_v: float = 5.0
    efficiency: float = 0.87
    quiescent_a: float = 0.0005
    minimum_v: float = 2.7
    restart_v: float = 2.9
    restart_delay_s: float = 0.5
    off_current_a: float = 2e-6

    def input_draw(self, output: Draw) -> Draw:
        """Draw at the input for a draw at the output."""
        amperes = output.current_a + output.conductance_s * self.output_v
        return Draw(power_w=(self.output_v * amperes + output.power_w) / self.efficiency)


@dataclass(frozen=True)
class Mode:
    """What the circuit does for a while: its parts, all on at once."""

    name: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Step:
    """One mode for one duration."""

    mode: Mode
    duration_s: float

    def __post_init__(self) -> None:
        if not self.duration_s > 0.0:
            raise ValueError(f"step {self.mode.name!r} lasts {self.duration_s} s: must be above 0")


@dataclass(frozen=True)
class LoadProgramme:
    """Steps one after the other, from the start again if ``repeat``, else the last one stays."""

    steps: tuple[Step, ...]
    repeat: bool = True
    converter: Converter | None = None
    starts_s: tuple[float, ...] = field(init=False, default=())
    period_s: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueError("a load programme needs at least one step")
        ends = np.cumsum([step.duration_s for step in self.steps])
        object.__setattr__(self, "starts_s", (0.0, *(float(end) for end in ends[:-1])))
        object.__setattr__(self, "period_s", float(ends[-1]))

    def at(self, time_s: float) -> tuple[Mode, float]:
        """Mode at this time since the start, and the time in s until it changes (inf: never)."""
        if len(self.steps) == 1:
            return self.steps[0].mode, math.inf
        if not self.repeat and time_s >= self.starts_s[-1]:
            return self.steps[-1].mode, math.inf
        place = time_s % self.period_s
        index = int(np.searchsorted(self.starts_s, place, side="right")) - 1
        step = self.steps[index]
        return step.mode, self.starts_s[index] + step.duration_s - place


def constant_load(part: Part, name: str = "on") -> LoadProgramme:
    """Programme that is one part for ever."""
    return LoadProgramme((Step(Mode(name, (part,)), 1.0),))


_LEAST_OHM: Final = 1e-9


def operating_point(emf_v: float, source_ohm: float, draw: Draw) -> tuple[float, float] | None:
    """(voltage at the load in V, current in A) where source and load agree; None if nowhere.

    Source: ``V = emf - source_ohm x I``. With ``I = c + g V + p / V`` this is
    ``(1/R + g) V^2 - (emf/R - c) V + p = 0``; the greater root is the one on which a converter
    runs. There is none when the power asked for is beyond what the source can give.
    A constant current beyond the short-circuit current gives what the source can: V = 0.
    """
    if emf_v <= 0.0:
        return 0.0, 0.0
    ohm = max(source_ohm, _LEAST_OHM)
    quadratic = 1.0 + draw.conductance_s * ohm
    linear = emf_v - draw.current_a * ohm
    if draw.power_w == 0.0:
        voltage_v = max(linear / quadratic, 0.0)
        return voltage_v, (emf_v - voltage_v) / ohm if ohm > 1e-6 else _direct(draw, voltage_v)
    discriminant = linear * linear - 4.0 * quadratic * draw.power_w * ohm
    if linear <= 0.0 or discriminant < 0.0:
        return None
    voltage_v = (linear + math.sqrt(discriminant)) / (2.0 * quadratic)
    return voltage_v, _direct(draw, voltage_v)


def _direct(draw: Draw, voltage_v: float) -> float:
    power_a = draw.power_w / voltage_v if draw.power_w else 0.0
    return draw.current_a + draw.conductance_s * voltage_v + power_a


@dataclass(frozen=True)
class Situation:
    """What the load does right now: the steady draw, and the pulses on top.

    Both are at the pack's side of the converter. ``left_s``: time until it changes.
    """

    mode: str
    steady: Draw
    pulses: tuple[Pulse, ...]
    left_s: float


@dataclass(frozen=True)
class OperatingStates:
    """Operating points for every on/off combination of the pulses.

    ``voltage_v`` and ``current_a`` have shape (2**pulses,); bit k of the index says whether pulse k
    is on. Means over a stretch weigh them with the shares of time, taking pulses of
    different frequency as independent: exact for one pulse.
    """

    pulses: tuple[Pulse, ...]
    voltage_v: FloatArray
    current_a: FloatArray

    def weights(self, start_s: FloatArray | float, span_s: float) -> FloatArray:
        """Share of time in each state, shape (2**pulses, *shape of start_s)."""
        shape = np.shape(start_s)
        shares = np.ones((1, *shape))
        for pulse in self.pulses:
            on = pulse.mean_on(start_s, span_s)
            shares = np.concatenate([shares * (1.0 - on), shares * on])
        return shares


def solve_states(emf_v: float, source_ohm: float, situation: Situation) -> OperatingStates | None:
    """Operating points of all pulse states; None if any of them has none."""
    draws = [situation.steady]
    for pulse in situation.pulses:
        draws += [draw + pulse.draw for draw in draws]
    points = [operating_point(emf_v, source_ohm, draw) for draw in draws]
    if any(point is None for point in points):
        return None
    voltage_v, current_a = zip(*(point for point in points if point is not None), strict=True)
    return OperatingStates(situation.pulses, np.array(voltage_v), np.array(current_a))


class LoadState:
    """A programme being played: its clock, and whether its converter runs."""

    def __init__(self, programme: LoadProgramme) -> None:
        self.programme = programme
        self.time_s = 0.0
        self.converter_on = True
        self.brown_outs = 0
        self._off_left_s = 0.0
        self._reduced: dict[int, tuple[Draw, tuple[Pulse, ...]]] = {}

    def situation(self) -> Situation:
        """What the load does now; off after a brown-out until the converter tries again."""
        converter = self.programme.converter
        if converter and not self.converter_on:
            return Situation("off", Draw(converter.off_current_a), (), self._off_left_s)
        mode, left_s = self.programme.at(self.time_s)
        steady, pulses = self._reduce(mode)
        return Situation(mode.name, steady, pulses, left_s)

    def states(self, emf_v: float, source_ohm: float) -> tuple[Situation, OperatingStates]:
        """Operating states now; a converter that cannot run gives up first, one that can starts."""
        converter = self.programme.converter
        if converter and not self.converter_on and self._off_left_s <= 0.0:
            if emf_v >= converter.restart_v:
                self.restart()
            else:
                self._off_left_s = converter.restart_delay_s
        situation = self.situation()
        states = solve_states(emf_v, source_ohm, situation)
        too_low = converter is not None and (
            states is None or float(states.voltage_v.min()) < converter.minimum_v
        )
        if converter and self.converter_on and too_low:
            self.converter_on = False
            self.brown_outs += 1
            self._off_left_s = converter.restart_delay_s
            situation = self.situation()
            states = solve_states(emf_v, source_ohm, situation)
        if states is None:
            # Constant power without a converter that gives up: the voltage collapses.
            ohm = max(source_ohm, _LEAST_OHM)
            states = OperatingStates((), np.array([0.0]), np.array([max(emf_v, 0.0) / ohm]))
        return situation, states

    def restart(self) -> None:
        """The circuit behind the converter starts, from the beginning of its programme."""
        self.converter_on = True
        self.time_s = 0.0
        self._off_left_s = 0.0

    def advance(self, duration_s: float) -> None:
        self.time_s += duration_s
        if not self.converter_on:
            self._off_left_s -= duration_s

    def _reduce(self, mode: Mode) -> tuple[Draw, tuple[Pulse, ...]]:
        """Steady draw and pulses of a mode as the pack sees them."""
        if id(mode) not in self._reduced:
            converter = self.programme.converter
            steady = sum((part.draw() for part in mode.parts), Draw())
            pulses = [pulse for part in mode.parts for pulse in part.pulses()]
            if converter:
                steady = converter.input_draw(steady) + Draw(converter.quiescent_a)
                pulses = [
                    Pulse(converter.input_draw(p.draw), p.frequency_hz, p.duty, p.phase)
                    for p in pulses
                ]
            self._reduced[id(mode)] = steady, tuple(pulses)
        return self._reduced[id(mode)]

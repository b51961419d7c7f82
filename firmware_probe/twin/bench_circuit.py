"""What is wired up on the bench: pack, shunt with sensor, switch, load. True values to counts.

Every conversion is simulated, none is taken from a statistical shortcut: true current and
voltage, then gain error, offset, noise and quantisation of the sensor, vectorised over
the conversions of a stretch in which the load keeps its mode. Within a stretch the
voltage behind the pack's resistance is held; pulses are averaged over each
conversion's own integration time.
"""

from dataclasses import dataclass

import numpy as np

from firmware_probe.twin.load import LoadProgramme, LoadState, OperatingStates
from firmware_probe.twin.pack import PackModel
from firmware_probe.twin.sensor import CurrentSensor, FloatArray, IntArray


@dataclass(frozen=True)
class Wiring:
    """How it was wired. ``swapped``: pack and load at the wrong ends of the shunt.

    ``bus_connected``: the sensor's ground and ``VIN-`` see the pack; ``load_connected``: the load hangs
    behind the shunt at all. ``wire_ohm``: leads between sensor and load. ``hum_v``: amplitude of
    mains hum between the board's ground and the pack's minus, as a second way through USB gives.
    ``pickup_v``: white noise that the leads to the shunt pick up, per conversion.
    """

    swapped: bool = False
    bus_connected: bool = True
    load_connected: bool = True
    wire_ohm: float = 0.0
    hum_v: float = 0.0
    hum_hz: float = 50.0
    pickup_v: float = 0.0


RIGHT_WIRING = Wiring()


class BenchCircuit:
    """Pack and load joined through the sensor; ``contact_ohm`` (before the load) and ``holder_ohm``
    (after the pack) are bad contacts of the moment."""

    def __init__(
        self,
        pack: PackModel,
        programme: LoadProgramme,
        sensor: CurrentSensor,
        wiring: Wiring,
        rng: np.random.SeedSequence,
    ) -> None:
        self.pack = pack
        self.load = LoadState(programme)
        self.sensor = sensor
        self.wiring = wiring
        self.contact_ohm = 0.0
        self.holder_ohm = 0.0
        # One stream each, so that how a stretch is cut does not mix them up.
        streams = map(np.random.default_rng, rng.spawn(4))
        self._shunt_rng, self._bus_rng, self._pickup_rng, self._burst_rng = streams
        self._hum_s = 0.0

    def plan(self, closed: bool) -> tuple[OperatingStates | None, float]:
        """Operating states with the switch ``closed`` (None: no current), and for how long in s."""
        if not (closed and self.wiring.load_connected):
            return None, np.inf
        emf_v, ohm = self.pack.source()
        situation, states = self.load.states(emf_v, ohm + self._series_ohm)
        return states, situation.left_s

    def convert(
        self, states: OperatingStates | None, first_start_s: float, count: int
    ) -> tuple[IntArray, IntArray]:
        """(shunt, bus) counts of ``count`` pairs, each of shape (count,).

        ``first_start_s``: when the first pair began, from the start of the stretch (negative: before).
        """
        sensor = self.sensor
        current_a: float | FloatArray
        bus_v: float | FloatArray
        if states is None:
            current_a, bus_v = 0.0, self.pack.source()[0]
        else:
            pair_s, shunt_s = sensor.pair_time_ns * 1e-9, sensor.shunt_time_ns * 1e-9
            start_s = self.load.time_s + first_start_s
            current_a, bus_v = states.pair_means(start_s, count, shunt_s, pair_s)
            # Bad contact and leads lie on the load's side of VIN-.
            bus_v = bus_v + current_a * (self.contact_ohm + self.wiring.wire_ohm)
        if self.wiring.swapped:
            current_a, bus_v = -current_a, bus_v + current_a * sensor.shunt_true_ohm
        if not self.wiring.bus_connected:
            bus_v = 0.0
        if self.wiring.pickup_v:
            noise_a = self.wiring.pickup_v / sensor.shunt_true_ohm
            current_a = current_a + noise_a * self._pickup_rng.standard_normal(count)
        if self.wiring.hum_v:
            bus_v = bus_v + self._hum(first_start_s, count)
        shunt = sensor.convert_shunt(current_a, count, self._shunt_rng, bus_v)
        return shunt, sensor.convert_bus(bus_v, count, self._bus_rng)

    def burst(
        self,
        states: OperatingStates | None,
        starts_s: FloatArray,
        short: CurrentSensor,
        values: int,
    ) -> IntArray:
        """Shunt counts of bursts of ``values`` short conversions that end evenly spread over a pair's time.

        ``starts_s``: of the bursts, from the start of the stretch, shape (bursts,); ``short``: the sensor set to
        short conversions. Shape (bursts, values).
        """
        pace_s, short_s = self.sensor.pair_time_ns * 1e-9 / values, short.shunt_time_ns * 1e-9
        current_a: float | FloatArray = 0.0
        bus_v: float | FloatArray = self.pack.source()[0]
        if states is not None:
            ends_s = self.load.time_s + starts_s[:, None] + pace_s * np.arange(1, values + 1)
            current_a, bus_v = states.means_over(ends_s.ravel(), short_s)
        if self.wiring.swapped:
            current_a = -current_a
        count = len(starts_s) * values
        return short.convert_shunt(current_a, count, self._burst_rng, bus_v).reshape(-1, values)

    def draw(self, states: OperatingStates | None, span_s: float) -> None:
        """Let pack and load live through ``span_s``; the true sums come from here."""
        if span_s <= 0.0:
            return
        self._hum_s += span_s
        if states is None:
            self.pack.advance(0.0, 0.0, span_s)
            return
        current_a, power_w = states.means(self.load.time_s, span_s, self._series_ohm)
        self.pack.advance(current_a, power_w, span_s)
        self.load.advance(span_s)

    @property
    def has_bad_contact(self) -> bool:
        return self.contact_ohm > 0.0 or self.holder_ohm > 0.0

    def _hum(self, first_start_s: float, count: int) -> FloatArray:
        """Hum in V, averaged over each voltage conversion, shape (count,)."""
        pair_s, shunt_s = self.sensor.pair_time_ns * 1e-9, self.sensor.shunt_time_ns * 1e-9
        end_s = self._hum_s + first_start_s + pair_s * np.arange(1, count + 1)
        turn = 2 * np.pi * self.wiring.hum_hz
        span_s = pair_s - shunt_s
        mean = (np.cos(turn * (end_s - span_s)) - np.cos(turn * end_s)) / (turn * span_s)
        return np.asarray(self.wiring.hum_v * mean)

    @property
    def _series_ohm(self) -> float:
        """Between the pack's terminals and the load."""
        return (
            self.sensor.shunt_true_ohm + self.wiring.wire_ohm + self.contact_ohm + self.holder_ohm
        )

"""What the board says of its sensor besides readings: which it is, bursts, its own counting, another in its place."""

from dataclasses import replace

from logger.base.fault_words import FAULT_WORDS, SWAPPED
from logger.base.sensor_identity import identity_words
from logger.base.sensor_limits import burst_means_ma2, sensor_limits
from logger.board.stream import Burst, Hello, Own, Window
from logger.recording.event_log import EventLog
from logger.recording.own_watch import OwnWatch
from logger.run.description import Bursts, Description, Sensor


class SensorWatch:
    """Takes what the board says, gives the description with it; events go to ``events``."""

    def __init__(self, events: EventLog) -> None:
        self._events = events
        self._hello: Hello | None = None
        self._own: OwnWatch | None = None
        self._told: list[str] = []

    def greeted(
        self, base: Description, hello: Hello, time_s: float, *, fresh: bool, again: bool
    ) -> Description:
        """A greeting at run time ``time_s``. ``fresh``: before the run's first row; ``again``: of a new boot or a new link."""
        self._hello = hello
        if hello.sensor != "none":
            base = self.swapped(base, hello.sensor, hello.address, time_s)
        words = identity_words(hello.sensor, hello.identity, hello.ids)
        if fresh and words and words not in self._told:
            self._told.append(words)
            self._events.add(time_s, "warning", words)
        if hello.sensor != "INA228":
            self._own = None
        elif self._own is None:
            self._own = OwnWatch(base.own)
        elif again:
            self._own.begin()
        return base

    def swapped(self, base: Description, kind: str, address: str, time_s: float) -> Description:
        """Told by a fault and by the greeting that follows it; noted once."""
        sensor, now = base.sensor, f"{kind} at {address}h"
        if sensor is None or now == (sensor.later or f"{sensor.kind} at {sensor.address}h"):
            return base
        if sensor.kind == "none":
            return base if self._hello is None else replace(base, sensor=sensor_of(self._hello))
        text = f"{FAULT_WORDS[SWAPPED]}: {now}; counters go on, no window holds readings of both"
        self._events.add(time_s, "fault", text)
        return replace(base, sensor=replace(sensor, later=now))

    def row(self, window: Window) -> None:
        """A window that has come."""
        if self._own is not None:
            self._own.row(window)

    def told(self, base: Description, item: Own | Burst) -> Description:
        """A line on what the sensor saw besides the windows."""
        return self._own_line(base, item) if isinstance(item, Own) else self._burst(base, item)

    def _own_line(self, base: Description, own: Own) -> Description:
        """Kept as sums in the description."""
        if self._own is None or self._hello is None or not self._own.line(own, self._hello):
            return base
        return replace(base, own=self._own.counted)

    def _burst(self, base: Description, burst: Burst) -> Description:
        """Kept as means in the description: a night has thousands."""
        hello = self._hello
        sheet = sensor_limits(hello.sensor) if hello else None
        if hello is None or sheet is None or not hello.shunt_ohm:
            return base
        count_ma2 = (1e3 * sheet.burst_steps * sheet.current_step_v / hello.shunt_ohm) ** 2
        seen = burst_means_ma2(sheet, burst.bursts, burst.within, burst.between, count_ma2)
        return replace(base, bursts=(base.bursts or Bursts()).with_line(*seen))


def sensor_of(hello: Hello) -> Sensor:
    """The sensor as the greeting tells of it."""
    return Sensor(
        hello.sensor,
        hello.shunt_ohm,
        hello.range_ma,
        hello.bus_range_v,
        hello.address,
        hello.identity,
        hello.ids,
    )

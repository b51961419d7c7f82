"""The flex rig at the board: bends its joints cycle by cycle and writes the lines."""

from collections.abc import Sequence

import numpy as np

from firmware_probe.line_format import fixed
from firmware_probe.twin.board_commands import FlexOrder
from firmware_probe.twin.joints import Joint, JointCycle

# A hand or a motor on the limit switch keeps the period only so well (invented).
_HAND_JITTER = 0.03


class FlexRig:
    """Up to four joints and one order at a time; ``end_us``: when the present cycle is over."""

    def __init__(self, joints: Sequence[Joint], rng: np.random.Generator) -> None:
        if len(joints) > 4:
            raise ValueError(f"{len(joints)} joints: the rig has four inputs")
        self.joints = tuple(joints)
        self._rng = rng
        self._order: FlexOrder | None = None
        self._cycle = 0
        self.end_us = 0

    @property
    def is_running(self) -> bool:
        return self._order is not None

    def start(self, order: FlexOrder, now_us: int) -> None:
        self._order, self._cycle = order, 0
        self.end_us = now_us + self._cycle_us(order)

    def end_cycle(self, time_us: int) -> list[str]:
        """Bodies of the lines at the end of a cycle, ``flex-end`` included if it was the last.

        With ``stop_open_us`` the run stops at the first joint that is open for so long, an open
        that began in an earlier cycle included; the cycle it cuts short is not counted as completed.
        """
        order = self._order
        if order is None:
            return []
        self._cycle += 1
        bodies, stop = [], False
        for number, joint in enumerate(self.joints[: order.joints], start=1):
            seen = joint.bend(order.angle_a, order.angle_b, order.period_ms * 1000)
            bodies.append(_flex_body(self._cycle, time_us, number, seen))
            stop = stop or 0 < order.stop_open_us <= seen.whole_open_us
        if stop:
            self._cycle -= 1
            bodies += self.stop(time_us, "open")
        elif self._cycle >= order.cycles:
            bodies += self.stop(time_us, "done")
        else:
            self.end_us += self._cycle_us(order)
        return bodies

    def stop(self, time_us: int, reason: str) -> list[str]:
        """Body of ``flex-end``; nothing if it does not run."""
        if self._order is None:
            return []
        self._order = None
        return [f"flex-end,{self._cycle},{time_us},{reason}"]

    def _cycle_us(self, order: FlexOrder) -> int:
        period_us = order.period_ms * 1000
        if order.drive == "servo":
            return period_us
        return max(round(period_us * float(self._rng.normal(1.0, _HAND_JITTER))), 1000)


def _flex_body(cycle: int, time_us: int, number: int, seen: JointCycle) -> str:
    def steps(value: float | None) -> str:
        return "" if value is None else fixed(round(value * 10_000), 4)

    return ",".join(
        (
            f"flex,{cycle},{time_us},{number}",
            steps(seen.current_min_ma),
            steps(seen.current_max_ma),
            steps(seen.resistance_min_ohm),
            steps(seen.resistance_max_ohm),
            str(seen.opens),
            str(seen.longest_open_us),
        )
    )

"""main.py as on a board, in real time, on standard input and output; a steady pack and load behind the stand-ins.

live.py FIRMWARE_FOLDER SHUNT_COUNTS BUS_COUNTS
"""

import sys
import time

sys.path.insert(0, sys.argv[1])

from bench import stand_ins
from bench.world import Chip, World


class LiveChip(Chip):
    """An INA219 that converts by the computer's clock as it was set up."""

    period_us = 2 * 532 * 4

    def catch_up(self, now: int) -> None:
        done = now // self.period_us
        if done == self.at:
            return
        self.lost += done - self.at - 1
        self.at = done
        self.registers[1] = int(sys.argv[2]) & 0xFFFF
        self.registers[2] = int(sys.argv[3]) << 3
        self.ready = True


class LiveWorld(World):
    def on_bus(self, address: int, count: int) -> Chip:
        self.now = time.ticks_us() - began
        return World.on_bus(self, address, count)


began = time.ticks_us()
world = LiveWorld()
world.chip = LiveChip("INA219", 0x40)
stand_ins.install_machine(world, "SDA", "SCL")

import main  # noqa: E402

try:
    main.run()
finally:
    print("load switch", "closed" if world.closed else "open", file=sys.stderr)

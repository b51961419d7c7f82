"""RP2040 boards: pins. SDA GP4, SCL GP5, load switch GP15."""

from .port_machine import MachinePort


class Port(MachinePort):
    def __init__(self) -> None:
        MachinePort.__init__(self, 0, 4, 5, 15)

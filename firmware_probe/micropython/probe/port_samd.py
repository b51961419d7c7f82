"""SAMD51 boards: pins by their names. SDA, SCL, load switch D5; the I2C unit is the usual boards' SERCOM 2."""

from .port_machine import MachinePort


class Port(MachinePort):
    def __init__(self) -> None:
        MachinePort.__init__(self, 2, "SDA", "SCL", "D5")

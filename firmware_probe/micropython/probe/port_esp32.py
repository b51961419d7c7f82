"""ESP32 boards: pins. SDA GPIO21, SCL GPIO22, load switch GPIO25; other members of the family: change them."""

from .port_machine import MachinePort


class Port(MachinePort):
    def __init__(self) -> None:
        MachinePort.__init__(self, 0, 21, 22, 25)

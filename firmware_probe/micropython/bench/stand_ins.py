"""Stand-ins for ``machine`` and for the classroom interpreter's modules, over one world."""

import sys

from bench.world import World


class _Module:
    pass


def _write(world: World, address: int, data: bytes) -> None:
    chip = world.on_bus(address, len(data))
    if data:
        chip.pointer = data[0]
    if len(data) == 3:
        chip.put(data[1] << 8 | data[2])


def _read(world: World, address: int, data: bytearray) -> None:
    chip = world.on_bus(address, len(data))
    value = chip.get() << 8 * (len(data) - chip.width())
    for at in range(len(data) - 1, -1, -1):
        data[at] = value & 255
        value >>= 8


def install_machine(world: World, sda: object, scl: object) -> None:
    """``reset_cause`` gives the world's ``cause``."""

    class Pin:
        IN, OUT, OPEN_DRAIN, PULL_UP = 0, 1, 2, 3

        def __init__(self, number: object, mode: int = -1, pull: int = -1, value: int = -1) -> None:
            self._number = number
            self._mode = mode

        def init(self, mode: int, value: int) -> None:
            self._mode = mode
            self.value(value)

        def value(self, value: int = -1) -> int:
            if self._number == sda:
                return 0 if world.hung else 1
            if value >= 0 and self._mode == Pin.OUT:
                world.switched = world.switched or world.closed != bool(value)
                world.closed = bool(value)
            # The 10 kohm at the gate wins against the pull-up.
            return int(not world.fitted) if self._mode == Pin.IN else int(world.closed)

        def __call__(self, value: int) -> None:
            if self._number == sda and value:
                world.clocked_free()

    class I2C:
        def __init__(self, number: int, **_: object) -> None:
            pass

        def writeto(self, address: int, data: bytes) -> None:
            _write(world, address, data)

        def readfrom_into(self, address: int, data: bytearray) -> None:
            _read(world, address, data)

    class WDT:
        def __init__(self, timeout: int) -> None:
            world.fed = world.now

        def feed(self) -> None:
            world.feed()

    module = _Module()
    module.Pin, module.I2C, module.WDT = Pin, I2C, WDT
    module.PWRON_RESET, module.HARD_RESET, module.WDT_RESET = 1, 2, 3
    module.SOFT_RESET, module.BROWNOUT_RESET = 5, 6
    module.reset_cause = lambda: world.cause
    module.reset = sys.exit
    sys.modules["machine"] = module


def install_classroom(world: World, nvm: bytearray) -> None:
    """busio, board, digitalio, microcontroller, usb_cdc, watchdog."""
    _install_bus(world)
    _install_pins(world)
    _install_host(world)
    _install_controller(world, nvm)


def _new(name: str) -> _Module:
    module = sys.modules[name] = _Module()
    return module


def _install_bus(world: World) -> None:
    class I2C:
        def __init__(self, scl: object, sda: object, frequency: int) -> None:
            if world.hung:
                raise RuntimeError("No pull up found on SDA or SCL")

        def try_lock(self) -> bool:
            return True

        def deinit(self) -> None:
            pass

        def writeto(self, address: int, data: bytes) -> None:
            _write(world, address, data)

        def readfrom_into(self, address: int, data: bytearray) -> None:
            _read(world, address, data)

    _new("busio").I2C = I2C


def _install_pins(world: World) -> None:
    class DigitalInOut:
        def __init__(self, pin: str) -> None:
            self._pin = pin
            self._output = False

        def switch_to_input(self, pull: object) -> None:
            self._output = False

        def switch_to_output(self, value: bool, drive: object = None) -> None:
            self._output = True
            self.value = value

        def deinit(self) -> None:
            pass

        @property
        def value(self) -> bool:
            return world.closed if self._output else not world.fitted

        @value.setter
        def value(self, value: bool) -> None:
            if self._pin == "D5":
                world.switched = world.switched or world.closed != value
                world.closed = value
            elif self._pin == "SDA" and value:
                world.clocked_free()

    board, digitalio = _new("board"), _new("digitalio")
    board.SCL, board.SDA, board.D5 = "SCL", "SDA", "D5"
    digitalio.DigitalInOut = DigitalInOut
    digitalio.Pull, digitalio.DriveMode = _Module(), _Module()
    digitalio.Pull.UP = digitalio.DriveMode.OPEN_DRAIN = 1


def _install_host(world: World) -> None:
    class Serial:
        @property
        def in_waiting(self) -> int:
            return len(world.host) - world.host_at

        def readinto(self, data: bytearray) -> int:
            data[0] = world.take_byte()
            return 1

        def write(self, data: bytes) -> int:
            return world.put(data, 0, len(data))

    usb_cdc = _new("usb_cdc")
    usb_cdc.data, usb_cdc.console = None, Serial()


def _install_controller(world: World, nvm: bytearray) -> None:
    class Watchdog:
        timeout = mode = 0

        def feed(self) -> None:
            world.feed()

    class Cpu:
        @property
        def reset_reason(self) -> int:
            return world.cause

    watchdog, controller = _new("watchdog"), _new("microcontroller")
    watchdog.WatchDogMode = _Module()
    watchdog.WatchDogMode.RESET = 1
    controller.cpu, controller.ResetReason = Cpu(), _Module()
    reasons = controller.ResetReason
    reasons.POWER_ON, reasons.RESET_PIN, reasons.WATCHDOG = 1, 2, 3
    reasons.SOFTWARE, reasons.BROWNOUT = 5, 6
    controller.nvm, controller.watchdog = nvm, Watchdog()

"""Plays the core for a parent process: orders in on stdin, a line of state and the board's bytes out.

setting MODULE NAME NUMBER (before a boot)
boot PORT CAUSE START_TICKS COSTS AVERAGES PREFIX MORE    chip KIND ADDRESS    pairs N + 16 N bytes
host HEX    set NAME NUMBER    run UNTIL_US STOP_AT_SWITCH    flash BLOCKS    fill    worn 0/1
early (windows are sent from the next boot on)    spoil SLOT HEX    heap    bytes N    wear    end
"""

import gc
import sys
from array import array

sys.path.insert(0, sys.argv[1])

from bench import flash, stand_ins
from bench.wide_chip import chip_of
from bench.world import World

world = World()
nvm = bytearray(b"\xff" * 64)
state = {"probe": None, "flash": None, "kind": ""}
settings = []
_CAUSES = {"power": 1, "reset": 2, "watchdog": 3, "soft": 5, "brownout": 6, "unknown": 77}


def _make_port(kind, cause, prefix, more, averages):
    fresh = state["kind"] != kind
    if fresh:
        for name in list(sys.modules):
            if name.startswith("probe"):
                del sys.modules[name]
    state["kind"] = kind
    world.cause = _CAUSES[cause]
    if kind == "circuit":
        if fresh:
            stand_ins.install_classroom(world, nvm)
        from probe.port_circuit import Port as Base
    else:
        pins = {"rp2": (4, 5), "esp32": (21, 22), "samd": ("SDA", "SCL")}[kind]
        if fresh:
            stand_ins.install_machine(world, pins[0], pins[1])
        if kind == "rp2":
            from probe.port_rp2 import Port as Base
        elif kind == "esp32":
            from probe.port_esp32 import Port as Base
        else:
            from probe.port_samd import Port as Base

    class BenchPort(Base):
        if prefix != "-":
            FIRMWARE_PREFIX = prefix.encode()
        HELLO_MORE = b"" if more == "-" else more.encode()
        if averages:
            PAIR_AVERAGES = averages

        def ticks(self):
            return world.ticks()

        def leave(self):
            world.left = True
            raise SystemExit

        # The stand-in of the classroom's host port is asked as the real one would be.
        if kind != "circuit":

            def _open_host(self):
                pass

            def read_byte(self):
                return world.take_byte()

            def write(self, data, start, end):
                return world.put(data, start, end)

    return BenchPort()


def boot(words):
    kind, cause, ticks, costs, averages, prefix, more = words
    world.offset = int(ticks) - world.now
    world.costs = costs == "1"
    world.left = False
    world.closed = False
    world.host, world.host_at = bytearray(), 0
    port = _make_port(kind, cause, prefix, more, int(averages))
    for module, name, number in settings:
        setattr(__import__("probe." + module, None, None, (name,)), name, number)
    from probe.probe import Probe

    gc.collect()
    state["before"] = gc.mem_alloc()
    if "early" in state:
        from probe.windows import Windows

        _send_from_the_first(Windows)
    state["probe"] = Probe(port)
    state["probe"].setup()


# Window lines from the boot on, without a `start`.
def _send_from_the_first(windows):
    begin = windows.begin

    def begin_running(self, now):
        self.running = True
        begin(self, now)

    windows.begin = begin_running


def pairs(count):
    # Piece by piece: beside a board's program there is no room for all of it twice.
    world.chip.give(array("L"), array("i"), array("i"))
    read = sys.stdin.buffer.read
    times = array("L", read(8 * count))
    shunt = array("i", read(4 * count))
    world.chip.give(times, shunt, array("i", read(4 * count)))


def run(until, stop):
    probe = state["probe"]
    world.until = until
    world.switched = False
    try:
        while world.now < until and not (stop and world.switched):
            probe.loop()
            world.wait()
        if world.now >= until:
            probe.loop()
    except SystemExit:
        pass


def tell():
    probe = state["probe"]
    windows = probe.windows if probe else None
    out = bytes(world.out)
    world.out = bytearray()
    words = (
        world.now,
        int(world.closed),
        int(windows.running) if windows else 0,
        windows.next_us if windows else 0,
        probe.sensor.period_us if probe else 0,
        world.chip.lost,
        world.chip.read,
        int(world.left),
        world.longest_unfed,
        world.chip.registers[world.chip.config_register],
        len(out),
    )
    sys.stdout.buffer.write(b"at " + " ".join(str(word) for word in words).encode() + b"\n" + out)


def allocated(passes):
    """Bytes that each of so many conversions, and nothing else, takes: collector off."""
    probe = state["probe"]
    chip = world.chip
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    for _ in range(passes):
        chip.ready = True
        probe._work(probe._poll_sensor())
    after = gc.mem_alloc()
    gc.enable()
    return after - before


def obey(order, words):
    if order == "boot":
        boot(words)
    elif order == "chip":
        world.chip = chip_of(words[0], int(words[1], 16))
        return
    elif order == "pairs":
        pairs(int(words[0]))
        return
    elif order == "host":
        world.host.extend(bytes.fromhex(words[0]))
        return
    elif order == "early":
        state["early"] = True
        return
    elif order == "setting":
        settings.append((words[0], words[1], int(words[2])))
        return
    elif order == "set":
        setattr(world, words[0], int(words[1]))
        return
    elif order == "run":
        run(int(words[0]), words[1] == "1")
    elif order == "flash":
        state["flash"] = flash.mount(int(words[0]))
    elif order == "fill":
        flash.fill()
    elif order == "worn":
        state["flash"].worn = words[0] == "1"
    elif order == "spoil":
        with open("probe." + words[0], "wb") as file:
            file.write(bytes.fromhex(words[1]))
    elif order == "heap":
        gc.collect()
        print("heap", gc.mem_alloc(), gc.mem_alloc() - state.get("before", 0), gc.mem_free())
        return
    elif order == "wear":
        print("wear", max(state["flash"].writes), sum(state["flash"].writes))
        return
    elif order == "bytes":
        print("bytes", allocated(int(words[0])))
        return
    tell()


while True:
    line = sys.stdin.buffer.readline()
    if not line or line == b"end\n":
        break
    order, *words = line.decode().split()
    obey(order, words)

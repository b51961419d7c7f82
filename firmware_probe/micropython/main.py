"""Starts the probe. Ctrl-C within two seconds of a start gives the interpreter's prompt instead."""

import sys
import time

if sys.implementation.name == "circuitpython":
    from probe.port_circuit import Port
elif sys.platform == "rp2":
    from probe.port_rp2 import Port
elif sys.platform == "esp32":
    from probe.port_esp32 import Port
else:
    from probe.port_samd import Port
from probe.probe import Probe


def run() -> None:
    port = Port()
    try:
        probe = Probe(port)
        probe.setup()
        while True:
            probe.loop()
    finally:
        # Whatever ended it: nobody watches the cells any more.
        port.set_switch(False)


if __name__ == "__main__":
    time.sleep(2)
    try:
        run()
    except Exception as error:  # noqa: BLE001 - a night must go on: started again, and why is kept
        with open("probe.error", "w") as file:
            file.write(repr(error))
    if sys.implementation.name == "circuitpython":
        import microcontroller

        microcontroller.reset()
    import machine

    machine.reset()

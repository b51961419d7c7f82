"""Lines and damage for tests of the decoder, shared by hypothesis, the bulk test and the fuzz target."""

import random

from firmware_probe.line_format import fixed, frame

HELLO = frame(
    "hello,protocol=1,firmware=1.0.0,board=7F3A91C2,boot=17,cause=power,sensor=INA219,address=40,"
    "shunt_ohm=0.1000,range_ma=3200.0000,bus_range_v=32.000,window_us=100000,load=1,"
    "cutoff_v=0.000000,hold_ms=0,running=0,time_us=1204332"
)
OTHERS = (
    HELLO,
    frame("load,120000,0,cutoff"),
    frame("fault,500000,overflow,12"),
    frame("flex,312,401200112,1,9.8121,10.0455,0.1412,0.1577,0,0"),
    frame("flex-end,313,401300112,open"),
    frame("ok,start"),
    frame("no,window,range"),
)


def window_line(number: int, rng: random.Random) -> bytes:
    """A window line with plausible numbers; no two alike."""
    volt, current = rng.randint(0, 32_000_000), rng.randint(-1_000_000, 32_000_000)
    return frame(
        f"w,{number},{number * 100_000 + 512},94,{fixed(volt, 6)},{fixed(volt - 5000, 6)},{fixed(volt - 700, 6)},"
        f"{fixed(current, 4)},{fixed(current - 1234, 4)},{fixed(current + 4321, 4)},"
        f"{fixed(number * 1395, 6)},{fixed(number * 6297, 6)}"
    )


def damage(line: bytes, rng: random.Random) -> bytes:
    """One line, with its LF, as a bad cable may deliver it: never the line itself (nor with a CR)."""
    while True:
        kind = rng.randrange(6)
        place = rng.randrange(len(line))
        if kind == 0:  # one byte changed
            spoiled = line[:place] + bytes([rng.randrange(256)]) + line[place + 1 :]
        elif kind == 1:  # bytes lost
            spoiled = line[:place] + line[place + rng.randint(1, 40) :]
        elif kind == 2:  # bytes put in
            spoiled = line[:place] + rng.randbytes(rng.randint(1, 8)) + line[place:]
        elif kind == 3:  # digits changed for digits: the form stays right
            spoiled = bytes(
                rng.choice(b"0123456789") if byte in b"0123456789" and rng.random() < 0.2 else byte
                for byte in line
            )
        elif kind == 4:  # a burst
            spoiled = line[:place] + rng.randbytes(rng.randint(2, 12)) + line[place + 8 :]
        else:  # nothing but noise
            spoiled = rng.randbytes(rng.randint(1, 150))
        spoiled = spoiled.replace(b"\n", b"") + b"\n"
        if spoiled.replace(b"\r\n", b"\n") != line:
            return spoiled

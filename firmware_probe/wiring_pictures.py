"""Draws the wiring pictures of README.md into pictures/ (needs ``pip install schemdraw``; not needed to use drawbench).

Run ``python firmware_probe/wiring_pictures.py`` after a change of pins.h.
"""

import itertools
import os
from pathlib import Path
from typing import Any, Final

import matplotlib
import schemdraw
import schemdraw.elements

# Its constructors have no types.
elm: Any = schemdraw.elements

PICTURES: Final = Path(__file__).parent / "pictures"
Point = tuple[float, float]

# Okabe and Ito's palette: told apart by colour-blind readers; widths and labels tell them apart in grey.
PLUS: Final = "#D55E00"
GROUND: Final = "#000000"
SIGNAL: Final = "#0072B2"
DATA: Final = "#009E73"
BOX: Final = "#F4F4F4"
SMALL: Final = 11
TEXT: Final = 13


class Picture:
    """A schemdraw drawing with the few shapes that these pictures need."""

    def __init__(self) -> None:
        self.drawing: Any = schemdraw.Drawing(show=False)
        self.drawing.config(unit=2, fontsize=TEXT, lw=1.8, font="DejaVu Sans", margin=0.25)

    def box(self, low: Point, high: Point, title: str, note: str = "") -> None:
        width, height = high[0] - low[0], high[1] - low[1]
        self.drawing.add(
            elm.Rect(corner1=(0, 0), corner2=(width, height), fill=BOX, lw=1.6).at(low).theta(0)
        )
        middle = (low[0] + width / 2, low[1] + height / 2)
        self.text((middle[0], middle[1] + (0.25 if note else 0)), title)
        if note:
            self.text((middle[0], middle[1] - 0.3), note, size=SMALL)

    def text(
        self,
        at: Point,
        words: str,
        *,
        size: float = TEXT,
        align: str = "center",
        colour: str = GROUND,
    ) -> None:
        # schemdraw sets text a little up and to the right of its place
        label = elm.Label().at((at[0] - 0.08, at[1] - 0.1)).theta(0)
        self.drawing.add(
            label.label(
                words,
                loc="center",
                ofst=(0, 0),
                fontsize=size,
                halign=align,
                valign="center",
                color=colour,
            )
        )

    def wire(self, *points: Point, colour: str, width: float = 2.2) -> None:
        for begin, end in itertools.pairwise(points):
            self.drawing.add(elm.Line().at(begin).to(end).color(colour).linewidth(width))

    def dot(self, at: Point, colour: str = GROUND) -> None:
        self.drawing.add(elm.Dot(radius=0.09).at(at).color(colour))

    def part(self, element: Any, begin: Point, end: Point, words: str, side: str = "top") -> None:
        self.drawing.add(element.at(begin).to(end).label(words, loc=side, fontsize=SMALL))

    def ground(self, at: Point) -> None:
        self.drawing.add(elm.Ground().at(at))

    def save(self, stem: str) -> None:
        PICTURES.mkdir(exist_ok=True)
        for suffix in ("svg", "png"):
            self.drawing.save(str(PICTURES / f"{stem}.{suffix}"), transparent=False, dpi=110)


SENSOR_PINS: Final = (
    ("VCC", "5V", PLUS),
    ("GND", "GND", GROUND),
    ("SCL", "A5", DATA),
    ("SDA", "A4", DATA),
)
MINUS: Final = "\N{MINUS SIGN}"
TOP: Final = 8.0
LOAD_X: Final = 14.6
BOARD_RIGHT: Final = 10.1


def _measuring_part(
    picture: Picture,
    load_foot: Point,
    ground: str = "one ground for pack, piece and board",
    load_head: Point = (BOARD_RIGHT, TOP),
    laptop: str = "laptop",
) -> None:
    """Pack, fuse, sensor, load and board; the load's lower end is left at ``load_foot``, its upper end begins at
    ``load_head``; ``ground``: what the wire at the bottom joins."""
    load_x = load_foot[0]
    pack = elm.Battery().at((0, TOP - 2)).to((0, 2))
    picture.drawing.add(pack.label("pack\nunder\ntest", loc="top", fontsize=SMALL))
    picture.wire((0, TOP - 2), (0, TOP), (0.8, TOP), colour=PLUS)
    picture.text((-0.35, TOP - 2.1), "+", size=16)
    picture.text((-0.35, 2.15), MINUS, size=16)
    picture.part(elm.Fuse(), (0.8, TOP), (3.2, TOP), "fuse, next to the pack")
    picture.wire((3.2, TOP), (4.5, TOP), colour=PLUS)
    picture.box((4.5, 6.6), (BOARD_RIGHT, 9.1), "sensor breakout", "INA219, INA226, INA228")
    picture.text((4.65, TOP), "VIN+", align="left", size=SMALL)
    picture.text((BOARD_RIGHT - 0.15, TOP), f"VIN{MINUS}", align="right", size=SMALL)
    picture.wire(load_head, (load_x, TOP), (load_x, 6.6), colour=PLUS)
    picture.box((load_x - 1.4, 5.0), (load_x + 1.4, 6.6), "your piece", "the load")
    picture.wire((load_x, 5.0), load_foot, colour=GROUND)
    picture.wire((0, 2), (0, 0), (load_x, 0), colour=GROUND)
    picture.box((4.5, 1.4), (BOARD_RIGHT, 4.0), "board", "Uno or Nano class")
    for i, (sensor_pin, board_pin, colour) in enumerate(SENSOR_PINS):
        x = 5.2 + 1.4 * i
        picture.wire((x, 6.6), (x, 4.0), colour=colour)
        picture.text((x, 6.85), sensor_pin, size=SMALL)
        picture.text((x, 3.72), board_pin, size=SMALL)
    picture.wire((6.6, 1.4), (6.6, 0), colour=GROUND)
    picture.text((6.6, 1.65), "GND", size=SMALL)
    picture.dot((6.6, 0))
    _usb(picture, (4.5, 2.7), laptop)
    picture.text((3.3, -0.45), ground, size=SMALL)


def _usb(picture: Picture, at: Point, laptop: str = "laptop") -> None:
    picture.wire(at, (at[0] - 1.5, at[1]), colour=GROUND, width=5)
    picture.text((at[0] - 0.8, at[1] + 0.35), "USB", size=SMALL)
    picture.text((at[0] - 1.65, at[1]), laptop, align="right", size=SMALL)


def plain_probe() -> None:
    picture = Picture()
    _measuring_part(picture, (LOAD_X, 0))
    picture.text(
        (7.3, -1.2),
        f"The pack's current goes in at VIN+ and comes out at VIN{MINUS}.\n"
        f"INA226 and INA228 breakouts: join VBS (VBUS) to VIN{MINUS}.",
        size=SMALL,
    )
    picture.save("plain_probe")


def load_switch() -> None:
    picture = Picture()
    drain_y, gate_y = 3.4, 2.7
    _measuring_part(
        picture,
        (LOAD_X, drain_y),
        "one ground for pack, board and S, not for the piece",
        laptop="laptop,\non battery",
    )
    mosfet = elm.NFet().at((LOAD_X, drain_y)).anchor("drain").theta(0).reverse()
    placed = picture.drawing.add(mosfet)
    gate_x, gate_y = placed.absanchors["gate"].x, placed.absanchors["gate"].y
    picture.wire((LOAD_X, placed.absanchors["source"].y), (LOAD_X, 0), colour=GROUND)
    picture.wire((BOARD_RIGHT, gate_y), (11, gate_y), colour=SIGNAL)
    picture.part(elm.Resistor(), (11, gate_y), (gate_x, gate_y), "220 Ω")
    picture.part(elm.Resistor(), (10.7, gate_y), (10.7, 0), "10 kΩ", side="bottom")
    picture.dot((10.7, gate_y), SIGNAL)
    picture.dot((10.7, 0))
    picture.text((BOARD_RIGHT - 0.15, gate_y), "D3", align="right", size=SMALL)
    picture.text((LOAD_X - 0.45, gate_y + 0.85), "D", size=SMALL)
    picture.text((gate_x + 0.1, gate_y + 0.3), "G", size=SMALL)
    picture.text((LOAD_X - 0.45, gate_y - 0.85), "S", size=SMALL)
    picture.text(
        (LOAD_X + 0.25, gate_y),
        "n-channel MOSFET,\nlogic level",
        align="left",
        size=SMALL,
    )
    picture.text(
        (7.3, -1.7),
        "The 10 kΩ keeps the switch open while the board is off or starting, and tells the sketch\n"
        f"that a switch is fitted. INA226 and INA228 breakouts: join VBS (VBUS) to VIN{MINUS}.\n"
        "Laptop on its battery, and nothing else plugged into the piece: a second way to ground\n"
        "(USB of its own, an earthed supply) goes around the switch.",
        size=SMALL,
    )
    picture.save("load_switch")


def load_switch_high() -> None:
    """A p-channel MOSFET in the plus lead, driven by a small n-channel one."""
    picture = Picture()
    x, node_y = 14.0, 6.0
    source_x, drain_x = x - 0.75, x + 0.75
    _measuring_part(picture, (18.2, 0), "one ground for pack, piece and board", (drain_x, TOP))
    picture.wire((BOARD_RIGHT, TOP), (source_x, TOP), colour=PLUS)
    switch = elm.PFet().at((source_x, TOP)).anchor("source").theta(90).reverse()
    gate = picture.drawing.add(switch).absanchors["gate"]
    picture.wire((gate.x, gate.y), (x, node_y), colour=SIGNAL)
    picture.dot((x, node_y), SIGNAL)
    picture.part(elm.Resistor(), (12.2, TOP), (12.2, node_y), "100 kΩ", side="top")
    picture.wire((12.2, node_y), (x, node_y), colour=SIGNAL)
    picture.dot((12.2, TOP), PLUS)
    picture.part(elm.Resistor(), (x, node_y), (x, 3.9), "1 kΩ", side="bottom")
    placed = picture.drawing.add(elm.NFet().at((x, 3.9)).anchor("drain").theta(0).reverse())
    base, foot = placed.absanchors["gate"], placed.absanchors["source"]
    picture.wire((x, foot.y), (x, 0), colour=GROUND)
    picture.dot((x, 0))
    picture.wire((BOARD_RIGHT, base.y), (11, base.y), colour=SIGNAL)
    picture.part(elm.Resistor(), (11, base.y), (base.x, base.y), "220 Ω")
    picture.part(elm.Resistor(), (10.7, base.y), (10.7, 0), "10 kΩ", side="bottom")
    picture.dot((10.7, base.y), SIGNAL)
    picture.dot((10.7, 0))
    picture.text((BOARD_RIGHT - 0.15, base.y), "D3", align="right", size=SMALL)
    picture.text((source_x - 0.25, TOP + 0.35), "S", size=SMALL)
    picture.text((drain_x + 0.25, TOP + 0.35), "D", size=SMALL)
    picture.text((x + 0.35, gate.y), "G", size=SMALL)
    picture.text((x, TOP + 1.1), "p-channel MOSFET, logic level", size=SMALL)
    picture.text(
        (x + 0.3, base.y), "small n-channel\nMOSFET, logic level", align="left", size=SMALL
    )
    picture.text(
        (8.3, -1.35),
        "The 100 kΩ keeps the switch open while the board is off or starting; the 10 kΩ tells the sketch that a switch\n"
        f"is fitted. A pack of more than 8 V: 100 kΩ instead of 1 kΩ. INA226 and INA228 breakouts: join VBS (VBUS) to VIN{MINUS}.\n"
        "The plus is opened, so that all grounds may be joined, also by a laptop on its charger.",
        size=SMALL,
    )
    picture.save("load_switch_high")


def flex_rig() -> None:
    picture = Picture()
    picture.box((5, 0), (9, 9.6), "board", "Uno or Nano class")
    _usb(picture, (5, 8.9))
    picture.text((5.15, 6.9), "D9", align="left", size=SMALL)
    picture.wire((5, 6.9), (2.4, 6.9), colour=SIGNAL)
    picture.box((-0.6, 5.5), (2.4, 7.4), "servo")
    picture.text((2.3, 6.9), "signal", align="right", size=SMALL)
    picture.text((-0.1, 5.75), "+", size=SMALL)
    picture.text((1.6, 5.75), MINUS, size=SMALL)
    picture.wire((-0.1, 5.5), (-0.1, 4.9), colour=PLUS)
    picture.text((-0.1, 4.4), "5 V supply of\nits own, 2 A", size=SMALL)
    picture.wire((1.6, 5.5), (1.6, 5.1), colour=GROUND)
    picture.ground((1.6, 5.1))
    picture.text((5.15, 2.9), "D2", align="left", size=SMALL)
    picture.wire((5, 2.9), (3.6, 2.9), colour=SIGNAL)
    picture.part(elm.Switch(), (3.6, 2.9), (1.2, 2.9), "limit switch")
    picture.wire((1.2, 2.9), (0.8, 2.9), (0.8, 2.7), colour=GROUND)
    picture.ground((0.8, 2.7))
    picture.text((5.15, 0.9), "GND", align="left", size=SMALL)
    picture.wire((5, 0.9), (4.2, 0.9), (4.2, 0.7), colour=GROUND)
    picture.ground((4.2, 0.7))
    for i in range(4):
        y = 7.6 - 2.2 * i
        picture.text((8.85, y), f"A{i}", align="right", size=SMALL)
        picture.wire((9, y), (10.6, y), colour=DATA)
        picture.dot((10.6, y), DATA)
        picture.part(elm.Resistor(), (10.6, y), (10.6, y + 1.5), "220 Ω", side="bottom")
        picture.text((10.6, y + 1.72), "5V", colour=PLUS, size=SMALL)
        picture.wire((10.6, y), (11.8, y), colour=DATA)
        picture.box((11.8, y - 0.4), (14.2, y + 0.4), f"joint {i + 1}")
        picture.wire((14.2, y), (15, y), (15, y - 0.2), colour=GROUND)
        picture.ground((15, y - 0.2))
    picture.text(
        (7.3, -1.2),
        "Every ground sign is one and the same wire, GND of the board. Every 5V is the board's pin 5V.\n"
        "Leave out the joints you do not test. Servo or limit switch: one of the two is enough.",
        size=SMALL,
    )
    picture.save("flex_rig")


if __name__ == "__main__":
    # the same file every time, so that a change of the picture is a change in git
    os.environ["SOURCE_DATE_EPOCH"] = "0"
    matplotlib.rcParams["svg.hashsalt"] = "drawbench"
    plain_probe()
    load_switch()
    load_switch_high()
    flex_rig()

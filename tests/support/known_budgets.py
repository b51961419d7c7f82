"""Thirty small current budgets with one known fault each, and the pieces as they truly are.

A piece is written down twice: as it is, and as its maker believes it is (the same with one thing
changed, as a budget file in the tool's format). The run comes from ``datasheet_boards``. All pieces are
invented; the tool is not imported.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from tests.support.datasheet_boards.packs import LI_ION
from tests.support.true_pieces import (
    EFFICIENCY,
    Led,
    Piece,
    PieceMode,
    States,
    evening_ma,
    jittered,
    mode_ma,
    nominal_v,
    with_hours,
    with_ma,
    with_use,
)

NOT_LISTED: Final = "not listed"
UNRESOLVED: Final = "unresolved"
WIRE: Final = "wire"


@dataclass(frozen=True)
class KnownBudget:
    """``culprits``: labels of which the first one named must be one. ``told``: how the run's modes are known, by marks, jumps or a programme.

    ``kind``: what was wrong; ``sound`` for a budget that is right.
    """

    name: str
    kind: str
    believed: Piece
    true: Piece
    culprits: frozenset[str]
    told: str = "marks"
    chip: str = "INA226"

    @property
    def off(self) -> float:
        """How far the believed evening is off the true one, as a share."""
        volts = nominal_v(self.true.chemistry)
        return evening_ma(self.believed, volts) / evening_ma(self.true, volts) - 1


def budget_toml(known: KnownBudget) -> str:
    """The believed piece as a budget file."""
    piece = known.believed
    lines = [
        "[piece]",
        f'name = "{known.name}"',
        "",
        "[supply]",
        f'pack = "{piece.chemistry.label}"',
    ]
    lines.append(f'converter = "{piece.converter}"')
    if piece.converter != "none":
        lines += [f"output_v = {piece.output_v}", f"quiescent_ma = {piece.quiescent_ma:g}"]
    if piece.converter in ("boost", "buck"):
        lines.append(f"efficiency_percent = {100 * piece.efficiency:g}")
        lines.append(f"efficiency_tolerance_percent = {piece.tolerance[EFFICIENCY]:g}")
    for name, states in piece.parts.items():
        lines += ["", "[[part]]", f'name = "{name}"', f"quantity = {piece.quantity.get(name, 1)}"]
        lines.append(f"tolerance_percent = {piece.tolerance[name]:g}")
        plain = {
            state: ma for state, ma in states.items() if state != "on" or name not in piece.leds
        }
        if plain:
            lines.append("[part.current_ma]")
            lines += [f"{state} = {ma:g}" for state, ma in plain.items()]
        if name in piece.leds:
            led = piece.leds[name]
            lines.append("[part.led.on]")
            lines += [f"forward_v = {led.forward_v:g}", f"resistor_ohm = {led.resistor_ohm:g}"]
    for name, (gauge, metres) in piece.feed.items():
        lines += ["", "[[wire]]", f'name = "feed to {name}"', f"gauge_awg = {gauge}"]
        lines += [f"length_m = {metres:g}", f'carries = ["{name}"]']
    for mode, used in piece.modes.items():
        lines += ["", "[[mode]]", f'name = "{mode}"', f"hours = {used.hours:g}"]
        for part, use in used.use.items():
            if isinstance(use, str):
                lines.append(f'parts."{part}" = "{use}"')
            else:
                shares = ", ".join(f"{state} = {share:g}" for state, share in use.items())
                lines.append(f'parts."{part}" = {{ {shares} }}')
    if known.told == "programme":
        for mode, used in piece.modes.items():
            lines += ["", "[[step]]", f'mode = "{mode}"', f"duration_s = {used.seconds:g}"]
    return "\n".join(lines) + "\n"


VEST: Final = Piece(
    converter="boost",
    output_v=5.0,
    efficiency=0.86,
    quiescent_ma=0.8,
    parts={
        "LEDs": {"ride": 5.0, "glow": 3.0, "off": 0.6},
        "microcontroller": {"active": 19.0, "sleep": 6.0},
        "motion sensor": {"on": 3.5},
    },
    modes={
        "ride": PieceMode(
            2.5, {"LEDs": "ride", "microcontroller": "active", "motion sensor": "on"}
        ),
        "glow": PieceMode(
            0.5, {"LEDs": "glow", "microcontroller": "active", "motion sensor": "on"}
        ),
        "dark": PieceMode(0.5, {"LEDs": "off", "microcontroller": "active", "motion sensor": "on"}),
        "parked": PieceMode(0.5, {"LEDs": "off", "microcontroller": "sleep"}),
    },
    quantity={"LEDs": 24},
    tolerance={"LEDs": 10, "microcontroller": 10, "motion sensor": 10, EFFICIENCY: 3},
    leds={},
    feed={"LEDs": (26, 0.6)},
)
PENDANT: Final = Piece(
    converter="linear",
    output_v=3.3,
    efficiency=1.0,
    quiescent_ma=0.1,
    parts={
        "microcontroller": {"active": 12.0, "sleep": 1.5},
        "radio": {"listen": 14.0, "send": 45.0},
        "display": {"bright": 20.0, "dim": 6.0},
    },
    modes={
        "talk": PieceMode(
            1.0,
            {
                "microcontroller": "active",
                "radio": {"listen": 0.8, "send": 0.2},
                "display": "bright",
            },
        ),
        "listen": PieceMode(
            1.0, {"microcontroller": "active", "radio": "listen", "display": "dim"}
        ),
        "show": PieceMode(1.0, {"microcontroller": "active", "display": "bright"}),
        "sleep": PieceMode(5.0, {"microcontroller": "sleep"}),
    },
    quantity={},
    tolerance={"microcontroller": 10, "radio": 10, "display": 10},
    leds={},
    feed={},
    chemistry=LI_ION,
)
HAT: Final = Piece(
    converter="none",
    output_v=0.0,
    efficiency=1.0,
    quiescent_ma=0.0,
    parts={
        "tail lights": {},
        "microcontroller": {"active": 8.0, "sleep": 2.0},
        "buzzer": {"on": 25.0},
    },
    modes={
        "lit": PieceMode(3.0, {"tail lights": "on", "microcontroller": "active"}),
        "alarm": PieceMode(0.2, {"tail lights": "on", "microcontroller": "active", "buzzer": "on"}),
        "plain": PieceMode(1.0, {"microcontroller": "active"}),
        "stored": PieceMode(1.0, {"microcontroller": "sleep"}),
    },
    quantity={"tail lights": 6},
    tolerance={"tail lights": 6, "microcontroller": 10, "buzzer": 10},
    leds={"tail lights": Led(2.0, 150.0)},
    feed={"tail lights": (22, 0.5)},
)


def _figure(
    piece: Piece, name: str, part: str, state: str, share: float, **more: str
) -> KnownBudget:
    """The true figure is ``1 + share`` times what the maker wrote."""
    label = f"{part}: {state}"
    true = with_ma(piece, part, state, piece.parts[part][state] * (1 + share))
    return KnownBudget(name, "figure", piece, true, frozenset({label}), **more)


def _missing(
    piece: Piece, name: str, part: str, modes: Mapping[str, str], ma: States, *or_else: str
) -> KnownBudget:
    """``part`` is in the true piece only. ``or_else``: a figure from which no run can tell it."""
    true = replace(piece, parts={**piece.parts, part: ma}, tolerance={**piece.tolerance, part: 0})
    for mode, state in modes.items():
        true = with_use(true, mode, part, state)
    return KnownBudget(name, "part missing", piece, true, frozenset({NOT_LISTED, *or_else}))


def _efficiency(piece: Piece, name: str, share: float, **more: str) -> KnownBudget:
    true = replace(piece, efficiency=piece.efficiency * (1 + share))
    return KnownBudget(name, "efficiency", piece, true, frozenset({EFFICIENCY}), **more)


def _wire(piece: Piece, name: str, part: str, gauge: int, metres: float) -> KnownBudget:
    """A thinner or longer wire than believed: the run cannot tell it from dimmer LEDs, so both will do."""
    true = replace(piece, feed={**piece.feed, part: (gauge, metres)})
    label = frozenset({WIRE, f"{part}: on"})
    return KnownBudget(name, "wire", piece, true, label)


def _modes(
    piece: Piece,
    name: str,
    mode: str,
    part: str,
    use: str | Mapping[str, float],
    culprits: set[str],
) -> KnownBudget:
    return KnownBudget(name, "modes", piece, with_use(piece, mode, part, use), frozenset(culprits))


def _merged(
    piece: Piece, name: str, alike: tuple[str, str], figure: tuple[str, str], ma: float
) -> KnownBudget:
    """Two modes draw the same, and nothing but the current tells when the piece was in which."""
    true = with_ma(piece, *figure, ma)
    first, second = (mode_ma(true, mode, nominal_v(piece.chemistry)) for mode in alike)
    assert abs(first / second - 1) < 0.02
    label = frozenset({UNRESOLVED, ": ".join(figure)})
    return KnownBudget(name, "merged modes", piece, true, label, told="jumps")


def known_budgets() -> list[KnownBudget]:
    """All thirty, in which one thing is wrong; the others are within what their tolerances say."""
    glow_long = with_hours(VEST, {"ride": 1.0, "glow": 2.0})
    dim_wrong = with_ma(with_hours(PENDANT, {"listen": 4.0}), "display", "dim", 18.0)
    found = [
        _figure(VEST, "vest, brighter ride", "LEDs", "ride", 0.35),
        _figure(VEST, "vest, LEDs dark but not off", "LEDs", "off", 2.0),
        _figure(VEST, "vest, glow half", "LEDs", "glow", -0.5),
        _figure(VEST, "vest, busy controller", "microcontroller", "active", 1.2),
        _figure(VEST, "vest, no sleep", "microcontroller", "sleep", 3.0),
        _figure(
            VEST, "vest, jumps, brighter ride", "LEDs", "ride", 0.5, told="jumps", chip="INA219"
        ),
        _figure(VEST, "vest, programme, dimmer ride", "LEDs", "ride", -0.3, told="programme"),
        _figure(PENDANT, "pendant, display", "display", "bright", 0.6),
        _figure(PENDANT, "pendant, dim display", "display", "dim", 1.5),
        _figure(PENDANT, "pendant, light sleep", "microcontroller", "sleep", 3.0),
        _figure(PENDANT, "pendant, radio listens", "radio", "listen", 0.8),
        _figure(PENDANT, "pendant, radio sends", "radio", "send", 1.5),
        _figure(HAT, "hat, buzzer", "buzzer", "on", 0.8),
        _figure(HAT, "hat, controller", "microcontroller", "active", 1.0),
        _figure(
            replace(VEST, tolerance={**VEST.tolerance, "LEDs": 3, EFFICIENCY: 1}),
            "vest, ten per cent",
            *("LEDs", "ride"),
            0.1,
        ),
        _missing(
            VEST,
            "vest, forgotten receiver",
            "receiver",
            dict.fromkeys(VEST.modes, "on"),
            {"on": 22.0},
        ),
        _missing(
            VEST, "vest, forgotten strip", "strip", {"ride": "on"}, {"on": 45.0}, "LEDs: ride"
        ),
        _missing(
            PENDANT,
            "pendant, power light",
            "light",
            dict.fromkeys(PENDANT.modes, "on"),
            {"on": 6.0},
        ),
        _missing(HAT, "hat, divider", "divider", dict.fromkeys(HAT.modes, "on"), {"on": 5.0}),
        _missing(
            *(HAT, "hat, amplifier", "amplifier", dict.fromkeys(["lit", "alarm", "plain"], "on")),
            {"on": 12.0},
            "microcontroller: active",
        ),
        _efficiency(VEST, "vest, poor converter", -0.2),
        _efficiency(VEST, "vest, worse converter", -0.3, chip="INA219"),
        _efficiency(replace(VEST, converter="buck", output_v=2.7), "vest, poor buck", -0.2),
        _wire(HAT, "cape, thin wire", "tail lights", 30, 8.0),
        _wire(HAT, "cape, long wire", "tail lights", 26, 20.0),
        _modes(
            VEST,
            "vest, awake when parked",
            "parked",
            "microcontroller",
            "active",
            {"microcontroller: sleep"},
        ),
        _modes(
            *(PENDANT, "pendant, talks more", "talk", "radio", {"listen": 0.3, "send": 0.7}),
            {"radio: send", "talk"},
        ),
        _modes(
            HAT,
            "hat, lights stay on",
            "plain",
            "tail lights",
            "on",
            {NOT_LISTED, "plain", "tail lights: on"},
        ),
        _merged(glow_long, "vest, glow as dark", ("glow", "dark"), ("LEDs", "glow"), 0.6),
        _merged(dim_wrong, "pendant, show as listen", ("show", "listen"), ("display", "dim"), 6.0),
    ]
    return [
        replace(item, true=jittered(item.true, item.culprits, number))
        for number, item in enumerate(found)
    ]


def sound_budgets() -> list[KnownBudget]:
    """Budgets in which nothing is wrong beyond its tolerance: naming a culprit in one is a false alarm."""
    pieces = {"vest": VEST, "pendant": PENDANT, "hat": HAT}
    return [
        KnownBudget(
            f"{name}, as it is", "sound", piece, jittered(piece, frozenset(), 90 + n), frozenset()
        )
        for n, (name, piece) in enumerate(pieces.items())
    ]

"""The parts of a budget file: what one piece of each draws in each of its states.

A state's figure is a plain current, an addressable LED by colour, or a plain LED behind its resistor.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.electric.leds import (
    PIXEL_MEASURED,
    PIXEL_MOST_V,
    PIXEL_PLANNING,
    led_current_ma,
    pixel_current_ma,
)
from analysis.listed.lines import Located

# Tolerance where the file gives none: common practice, no source.
DEFAULT_TOLERANCE_PERCENT: Final = {"data sheet": 20.0, "measured": 5.0, "guess": 50.0}
MOST_TOLERANCE_PERCENT: Final = 300.0
PIXEL_MODELS: Final = {"measured": PIXEL_MEASURED, "planning": PIXEL_PLANNING}


@dataclass(frozen=True)
class Figure:
    """Mean and peak current of one piece of a part in one state.

    ``tolerance`` is a fraction at 95 %; ``pixel``: given by colour, so it can be dimmed.
    ``forward_v``, ``resistor_ohm``, ``supply_v``: of plain LEDs, and the supply at which
    ``current_ma`` holds; their current follows the supply. 0: the current does not depend on it.
    """

    part: str
    state: str
    current_ma: float
    peak_ma: float
    tolerance: float
    source: str
    pixel: bool = False
    forward_v: float = 0.0
    supply_v: float = 0.0
    resistor_ohm: float = 0.0

    def at_rail(self, rail_v: float, wire_ohm: float = 0.0) -> float:
        """Current at this supply as a multiple of the figure: (V - Vf) / (V0 - Vf), none under Vf.

        ``wire_ohm``: in row with the resistor of each piece, R / (R + Rw).
        """
        if not self.supply_v:
            return 1.0
        over = max(rail_v - self.forward_v, 0.0) / (self.supply_v - self.forward_v)
        return over * self.resistor_ohm / (self.resistor_ohm + wire_ohm)

    @property
    def label(self) -> str:
        return f"{self.part}: {self.state}"


@dataclass(frozen=True)
class Part:
    """A kind of part; its figures hold for one piece, ``quantity`` pieces are fitted.

    ``min_v``, ``max_v``: supply that it needs and stands; None: not known. ``max_v_usual``: the file does
    not say, so it is what such parts usually stand.
    """

    name: str
    quantity: int
    after_converter: bool
    figures: tuple[Figure, ...]
    min_v: float | None = None
    max_v: float | None = None
    max_v_usual: bool = False


def read_part(item: Located, pack_v: float, output_v: float) -> Part:
    """One ``[[part]]``; ``pack_v``, ``output_v``: what a plain LED on either supply gets."""
    item.only(
        "name",
        "quantity",
        "supply",
        "source",
        "tolerance_percent",
        "current_ma",
        "peak_ma",
        "pixel",
        "led",
        "min_v",
        "max_v",
    )
    name = item.text("name")
    quantity = item.number("quantity", low=0.0, high=10_000.0, default=1.0)
    if quantity != int(quantity):
        raise item.error("quantity", f"{quantity:g} is not a whole number", "a count such as 24")
    where = item.text("supply", default="output")
    if where not in ("output", "pack"):
        raise item.error(
            "supply", f"{where!r} is no supply", 'one of: "output" (after the converter), "pack"'
        )
    figures = _figures(item, name, pack_v if where == "pack" else output_v)
    least_v = item.number("min_v", low=0.5, high=60.0, optional=True)
    most_v = item.number("max_v", low=0.5, high=60.0, optional=True)
    usual = most_v is None and any(figure.pixel for figure in figures)
    if usual:
        most_v = PIXEL_MOST_V
    return Part(name, int(quantity), where == "output", figures, least_v, most_v, usual)


def _figures(item: Located, name: str, supply_v: float) -> tuple[Figure, ...]:
    """A figure for every state of the part ``name``."""
    source = item.text("source", default="guess")
    if source not in DEFAULT_TOLERANCE_PERCENT:
        valid = ", ".join(f'"{word}"' for word in DEFAULT_TOLERANCE_PERCENT)
        raise item.error("source", f"{source!r} is no kind of source", f"one of: {valid}")
    flat, pixels, leds = item.numbers("current_ma"), _pixels_ma(item), _leds_ma(item, supply_v)
    for kind, states in (("pixel", pixels), ("led", leds)):
        for state in states:
            if state in flat or (kind == "led" and state in pixels):
                raise item.error(
                    f"{kind}.{state}", "this state has a figure already", "one of them"
                )
    currents = flat | pixels | {state: mean_ma for state, (mean_ma, *_) in leds.items()}
    if not currents:
        raise item.error(
            "current_ma",
            f"part {name!r} has no figure",
            "[part.current_ma] with a line such as: active = 12.0",
        )
    peaks = item.numbers("peak_ma")
    _states_known(item, "peak_ma", name, peaks, currents)
    for state, peak_ma in peaks.items():
        if peak_ma < currents[state]:
            raise item.error(
                f"peak_ma.{state}",
                f"the peak of {peak_ma:g} mA lies under the mean of {currents[state]:g} mA",
                "a peak above the mean, or leave it out",
            )
    tolerances = _tolerances_percent(item, name, currents, DEFAULT_TOLERANCE_PERCENT[source])
    return tuple(
        Figure(
            name,
            state,
            mean,
            peaks.get(state, leds[state][1] if state in leds else mean),
            tolerances[state] / 100,
            source,
            state in item.subtables("pixel"),
            *((leds[state][2], supply_v, leds[state][3]) if state in leds else ()),
        )
        for state, mean in currents.items()
    )


def _tolerances_percent(
    item: Located, part: str, currents: Mapping[str, float], default: float
) -> dict[str, float]:
    """Tolerance of every state: one number for all, or a table by state; the source's where none is given."""
    if not isinstance(item.values.get("tolerance_percent"), Mapping):
        one = item.number(
            "tolerance_percent", low=0.0, high=MOST_TOLERANCE_PERCENT, default=default
        )
        return dict.fromkeys(currents, one)
    given = item.numbers("tolerance_percent", high=MOST_TOLERANCE_PERCENT)
    _states_known(item, "tolerance_percent", part, given, currents)
    return {state: given.get(state, default) for state in currents}


def _states_known(
    item: Located, field: str, part: str, given: Mapping[str, float], known: Mapping[str, float]
) -> None:
    for state in given:
        if state not in known:
            raise item.error(
                f"{field}.{state}",
                f"part {part!r} has no state {state!r}",
                f"one of: {', '.join(known)}",
            )


def _pixels_ma(item: Located) -> dict[str, float]:
    """Mean current of the states that are given by colour."""
    currents = {}
    for state, pixel in item.subtables("pixel").items():
        pixel.only("red", "green", "blue", "brightness_percent", "lit_share", "model")
        model = pixel.text("model", default="measured")
        if model not in PIXEL_MODELS:
            raise pixel.error(
                "model", f"{model!r} is no pixel model", f"one of: {', '.join(PIXEL_MODELS)}"
            )
        levels = [
            pixel.number(colour, low=0.0, high=255.0, default=0.0)
            for colour in ("red", "green", "blue")
        ]
        brightness = pixel.number("brightness_percent", low=0.0, high=100.0, default=100.0)
        lit = pixel.number("lit_share", low=0.0, high=1.0, default=1.0)
        red, green, blue = levels
        bright = pixel_current_ma(red, green, blue, brightness / 100, PIXEL_MODELS[model])
        dark = PIXEL_MODELS[model].dark_ma
        currents[state] = dark + lit * (bright - dark)
    return currents


def _leds_ma(item: Located, supply_v: float) -> dict[str, tuple[float, float, float, float]]:
    """Mean and peak current, forward voltage and resistor of the states of a plain LED behind its resistor."""
    currents = {}
    for state, led in item.subtables("led").items():
        led.only("forward_v", "resistor_ohm", "brightness_percent")
        forward_v = led.number("forward_v", low=0.1)
        resistor_ohm = led.number("resistor_ohm", low=0.1)
        brightness = led.number("brightness_percent", low=0.0, high=100.0, default=100.0)
        try:
            lit_ma = led_current_ma(supply_v, forward_v, resistor_ohm)
        except ValueError as error:
            raise led.error(
                "forward_v", str(error), "fewer LEDs in a row, or a supply above their sum"
            ) from None
        # Dimmed by pulse width, so the peak stays.
        currents[state] = (brightness / 100 * lit_ma, lit_ma, forward_v, resistor_ohm)
    return currents

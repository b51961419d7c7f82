"""A forecast in plain words, in one line, and as JSON."""

from typing import Any, Final

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.forecast.forecast import FORESEEN, Forecast
from analysis.run.verdict import lasted_words, step_s_of
from analysis.say.words import quantity_words, span_words

# Chemistries whose curves no measured or simulated rundown has checked (tests/analysis/forecast/test_chemistry_prior.py
# holds what was).
UNCHECKED: Final = {
    "zinc-carbon": "zinc-carbon cells",
    "lithium-coin": "lithium coin cells",
    "lithium-aa": "lithium AA cells",
}


def unchecked_words(chemistry: str, basis: str) -> str:
    """What a forecast from a curve of this chemistry does not rest on; empty where it was checked."""
    if basis != "curve" or chemistry not in UNCHECKED:
        return ""
    return (
        f"How {UNCHECKED[chemistry]} empty is known here from typical curves and data-sheet capacities only; "
        "no measured rundown has checked it. Take the interval as a guide."
    )


_DAYS_FROM_S: Final = 72 * 3600.0


def forecast_title(found: Forecast) -> str:
    """The answer as a picture's title."""
    half, most = found.cutoff_time
    if half.value is None or found.basis in ("reached", "ended"):
        return "Forecast: when does the pack reach the cutoff?"
    return f"Cutoff after {_range(most)} (9 in 10)"


def forecast_line(found: Forecast) -> str:
    """One short line for a live display or the run's record."""
    half, most = found.cutoff_time
    if found.basis == "reached":
        return f"cutoff {found.cutoff_v:g} V reached after {span_words(half.value or 0.0)}"
    if found.basis == "ended" and found.life is not None:
        return f"{found.life.end} after {span_words(half.value or 0.0)}: {found.life.evidence}"
    if half.value is None and found.at_least_s is not None:
        return f"{at_least_words(found)}; {found.why}"
    if half.value is None:
        return f"no forecast: {found.why}"
    return (
        f"cutoff {found.cutoff_v:g} V at about {_rounded(half.value, step_s_of(most))}, "
        f"nine times in ten {_range(most)}"
    )


def forecast_words(found: Forecast, need_s: float | None = None) -> list[str]:
    """The answer in a few plain paragraphs."""
    half, most = found.cutoff_time
    seen = f"As of {span_words(found.now_s)} into the run"
    if found.basis == "reached":
        first = f"The cutoff of {found.cutoff_v:g} V was reached after {quantity_words(half)}."
    elif found.life is not None and found.basis in ("ended", "unclear"):
        first = lasted_words(found.life, found.cutoff_v, said=need_s is not None)
    elif half.value is None and found.at_least_s is not None:
        first = f"{seen}: {at_least_words(found)}. When it ends cannot be told: {found.why}."
    elif half.value is None:
        first = f"{seen}: no forecast; {found.why}."
        if half.lower is not None:
            first += f" It lasted {span_words(half.lower)} so far; how much longer is open."
    else:
        first = (
            f"{seen}: the cutoff of {found.cutoff_v:g} V comes at about {_rounded(half.value, step_s_of(half))}"
            f"{_days(half.value)}. Even chances: {_range(half)}. Nine times in ten: {_range(most)}."
        )
    paragraphs = [first] if first else []
    chance = found.chance_beyond(need_s) if need_s is not None else None
    if need_s is not None and chance is not None and found.basis in FORESEEN:
        paragraphs.append(f"That it lasts {span_words(need_s)}: {chance_words(chance)}.")
    if found.basis in FORESEEN:
        paragraphs.append(f"Basis: {found.why}; load as it has been, unless you stated another.")
    if found.load_text:
        paragraphs.append(found.load_text)
    return paragraphs


# What is left is told in one of these steps, rounded down.
_STEPS_S: Final = (60.0, 300.0, 600.0, 1800.0, 3600.0)


def at_least_words(found: Forecast) -> str:
    """The part that holds where no interval can be given."""
    assert found.at_least_s is not None
    more_s = max(found.at_least_s - found.now_s, 0.0)
    step_s = next((step for step in _STEPS_S[::-1] if step <= more_s / 10), 1.0)
    more_s = np.floor(more_s / step_s) * step_s
    if more_s < _STEPS_S[0]:
        return f"it may reach {found.cutoff_v:g} V at any moment"
    return f"at least {span_words(more_s, max(step_s, 1.0))} more (nine times in ten)"


def chance_words(chance: float) -> str:
    """A chance in words and percent, never claimed surer than 2 in 100."""
    percent = f"about {100 * min(max(chance, 0.02), 0.98):.0f} in 100"
    if chance >= 0.98:
        return "almost certain (more than 98 in 100)"
    if chance <= 0.02:
        return "hardly (less than 2 in 100)"
    if chance >= 0.8:
        return f"likely ({percent})"
    if chance >= 0.4:
        return f"open ({percent})"
    return f"unlikely ({percent})"


def forecast_json(found: Forecast, need_s: float | None = None) -> dict[str, Any]:
    """Plain object: results as ``Quantity.as_json``."""
    result: dict[str, Any] = {
        "as_of": Quantity(found.now_s, "s").as_json(),
        "cutoff": Quantity(found.cutoff_v, "V").as_json(),
        "basis": found.basis,
        "why": found.why,
        "at_least": Quantity(
            found.at_least_s, "s", note="nine times in ten the cutoff comes later than this"
        ).as_json(),
        "cutoff_time": [item.as_json() for item in found.cutoff_time],
        "charge_to_cutoff": found.capacity_mah.as_json(),
        "load_exponent": found.load_exponent.as_json(),
        "load": found.load_text,
    }
    if found.life is not None:
        result["lifetime"] = found.life.as_json()
    if need_s is not None:
        chance = found.chance_beyond(need_s)
        result["chance_needed"] = Quantity(
            chance, "1", note=f"chance that it lasts {need_s:g} s"
        ).as_json()
    return result


def _rounded(seconds: float, step_s: float) -> str:
    return span_words(round(seconds / step_s) * step_s, max(step_s, 1.0))


def _days(seconds: float) -> str:
    return f" ({seconds / 86400:.0f} days)" if seconds >= _DAYS_FROM_S else ""


def _range(quantity: Quantity) -> str:
    assert quantity.lower is not None
    assert quantity.upper is not None
    step_s = step_s_of(quantity)
    return f"{_rounded(quantity.lower, step_s)} to {_rounded(quantity.upper, step_s)}"

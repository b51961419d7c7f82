"""The report's section on the discharge: how long, why, and what would change it."""

from pathlib import Path

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.forecast.discharge import Discharge, discharge
from analysis.report.discharge_plots import plot_fit, plot_forecast, plot_resistance
from analysis.run.rundown import is_simulated
from analysis.say.section import FigureFile, Section
from analysis.say.words import plain_text, quantity_words, span_words
from logger.run.reader import Run


def discharge_section(run: Run, cutoff_v: float, hold_s: float, folder: Path) -> Section:
    """Section with its pictures written into ``folder``. Raises BenchError as ``discharge`` does."""
    found = discharge(run, cutoff_v, hold_s)
    pack = run.description.pack
    cautions = [plain_text(text) for text in found.forecast.warnings]
    if pack is not None:
        cautions.append(plain_text(f"{pack}: {pack.caution}"))
    return Section(
        "How the pack discharges",
        tuple(_paragraphs(found)),
        tuple(_quantities(found)),
        tuple(_figures(found, folder, simulated=is_simulated(run))),
        tuple(dict.fromkeys(cautions)),
    )


def _paragraphs(found: Discharge) -> list[str]:
    forecast = found.forecast
    half, most = forecast.cutoff_time
    told = []
    if forecast.basis == "reached":
        told.append(
            f"The cutoff of {forecast.cutoff_v:g} V was reached after {quantity_words(half)}."
        )
    elif half.value is not None and most.lower is not None and most.upper is not None:
        told.append(
            f"The run ended before the cutoff of {forecast.cutoff_v:g} V. Gone on as it was, it would have come "
            f"between {span_words(most.lower, 60)} and {span_words(most.upper, 60)} nine times in ten ({forecast.why})."
        )
    else:
        told.append(f"When the cutoff comes cannot be told: {forecast.why}.")
    if forecast.load_text:
        told.append(forecast.load_text)
    if found.stranded is not None:
        left = found.stranded
        told.append(
            f"When the circuit gave up, the cells still held about {_plain(left.charge)} above their floor ({left.charge.note}). "
            f"One cell more would have bought about {_plain(left.one_cell_more)}, "
            f"a circuit that works down to the floor {_plain(left.lower_cutoff)}."
        )
    if found.fit is not None:
        told.append(" ".join((found.fit.why, *found.fit.best.notes)))
    elif found.fit_note:
        told.append(found.fit_note)
    return told


def _quantities(found: Discharge) -> list[tuple[str, Quantity]]:
    rows = [
        ("Load exponent (1 resistor, 0 constant current, -1 booster)", found.forecast.load_exponent)
    ]
    if found.forecast.basis != "reached":
        rows.insert(0, ("Forecast of the cutoff", found.forecast.cutoff_time[1]))
    rows.append(("Internal resistance", found.resistance.overall))
    if found.resistance.two_step.value is not None:
        rows.append(("Internal resistance, IEC 61960-3 two steps", found.resistance.two_step))
    rows.append(("Peukert's exponent", found.rate_exponent))
    if found.stranded is not None:
        rows += [
            ("Charge left above the floor", found.stranded.charge),
            ("Energy left above the floor", found.stranded.energy),
            ("One cell more", found.stranded.one_cell_more),
            ("Working down to the floor", found.stranded.lower_cutoff),
        ]
    rows += [(f"{label}: time to cutoff", quantity) for label, quantity in found.what_if]
    return rows


def _figures(found: Discharge, folder: Path, *, simulated: bool) -> list[FigureFile]:
    time_s, volts, _, _ = found.course
    figures: list[FigureFile] = []
    if found.forecast.basis in ("curve", "rated capacity"):
        figures.append(
            plot_forecast(
                found.forecast,
                time_s,
                volts,
                folder / "discharge-forecast",
                simulated=simulated,
            )
        )
    if found.fit is not None:
        figures.append(
            plot_fit(
                found.fit.best, np.asarray(volts), folder / "discharge-fit", simulated=simulated
            )
        )
    resistance = plot_resistance(
        found.resistance, folder / "discharge-resistance", simulated=simulated
    )
    if resistance is not None:
        figures.append(resistance)
    return figures


def _plain(quantity: Quantity) -> str:
    if quantity.value is None:
        return "an unknown amount"
    if quantity.unit == "h":
        return span_words(3600 * quantity.value, 60)
    return str(quantity).split(" (")[0]

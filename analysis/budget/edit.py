"""Writing budget files: the commented template, and a copy with the figures the run has shown.

tomlkit keeps comments, order and layout of the maker's own file.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import tomlkit

from analysis.budget.changes import duty_shares, named_suspects, unlisted_name
from analysis.budget.compare import BudgetComparison
from analysis.budget.estimate import COVERAGE_FACTOR
from analysis.budget.file import Budget
from analysis.listed.part import MOST_TOLERANCE_PERCENT, Figure

TEMPLATE: Final = """\
# Current budget. Edit the numbers, then: drawbench budget THIS-FILE
# Units end the names: ma = milliampere, v = volt, m = metre.

[piece]
name = "Night-ride vest"
give_up_v = 2.7            # pack voltage at which the circuit gives up; leave out if not known
# max_v = 5.5              # pack voltage it must never see; or state it for the converter and the parts

[supply]
pack = "3x AA alkaline"    # cells in series, size, chemistry
capacity_mah = 2500        # from the label; leave out if not known
converter = "boost"        # none, linear, boost or buck
output_v = 5.0             # what the parts get
efficiency_percent = 85    # from the converter's data sheet, at this load
efficiency_tolerance_percent = 5
quiescent_ma = 0.5         # what the converter draws by itself, at the pack
max_v = 5.5                # what its input stands: usual for such a boost, from memory; see its data sheet
# switch_max_ma = 2000     # what the switch is made for; also holder_max_ma, pack_max_ma, regulator_max_mw

# source: "data sheet" (taken as +-20 %), "measured" (+-5 %) or "guess" (+-50 %);
# or state your own limits, which 19 of 20 such parts keep to: tolerance_percent = 10

[[part]]
name = "LEDs"              # addressable, 5 V
quantity = 24
source = "data sheet"
max_v = 5.3                # supply it stands (common practice for such LEDs; see the data sheet)
  [part.pixel.ride]        # by colour (0 to 255), brightness and share of them that is lit
  red = 255
  green = 40
  brightness_percent = 35
  lit_share = 0.5
  [part.pixel.brake]
  red = 255
  brightness_percent = 80
  [part.current_ma]        # or as a plain figure, for one piece
  dark = 1.0               # an addressable LED draws current when it is dark, too

[[part]]
name = "microcontroller"
source = "data sheet"
max_v = 5.5                # a board's 5 V pin, from memory; 3.6 at the 3.3 V pin of most chips
  [part.current_ma]
  active = 15.0
  sleep = 0.05
  [part.peak_ma]           # short peaks above the mean, for the brown-out check
  active = 40.0

[[part]]
name = "motion sensor"
source = "guess"
max_v = 5.5                # on a carrier with its own regulator, from memory; bare chips often 3.6
  [part.current_ma]
  on = 0.5

# A plain LED by its resistor; forward_v is the sum of those in a row (often about 2 for red, 3 for white):
# [[part]]
# name = "tail light"
# quantity = 2
# source = "data sheet"
#   [part.led.on]
#   forward_v = 2.0
#   resistor_ohm = 150
#   brightness_percent = 50  # dimmed by pulses; leave out if not

[[wire]]                   # a pair, out and back; length one way
name = "feed to the LEDs"
gauge_awg = 26             # or, for conductive thread: ohm_per_m = 90
length_m = 0.8
insulation = "silicone"    # or pvc, ptfe, ...; with bundle = 6 if so many wires lie together
carries = ["LEDs"]         # or ["pack"]: the leads between pack and converter

# One [[mode]] for each way the piece is worn. A part that is not named is off.
# A state for the whole time, or shares of the time that add up to 1 at most.

[[mode]]
name = "ride"
hours = 3.0
parts.LEDs = { ride = 0.9, brake = 0.1 }
parts.microcontroller = "active"
parts."motion sensor" = "on"

[[mode]]
name = "parked"
hours = 1.0
parts.LEDs = "dark"
parts.microcontroller = { active = 0.05, sleep = 0.95 }
parts."motion sensor" = "on"

# For the comparison with a run, drawbench must know when it was in which mode. Best: while recording,
# type a mode's name and Enter. Else it looks for jumps of the current. If the piece goes through its
# modes by a fixed programme that starts with the run and repeats, write it down instead:
# [[step]]
# mode = "ride"
# duration_s = 120
# [[step]]
# mode = "parked"
# duration_s = 60
"""


def corrected_text(text: str, budget: Budget, comparison: BudgetComparison) -> str:
    """The maker's file with every figure that the run has moved or sharpened.

    Replaced are figures that moved by half their doubt or more, or whose doubt became smaller by
    a tenth or more; the old value stays beside them as a comment.
    """
    document: Any = tomlkit.parse(text)
    after = comparison.reconciled
    std = after.posterior_std_ma
    for index, figure in enumerate(budget.figures):
        before_std = after.prior_std_ma[index]
        moved = abs(after.posterior_ma[index] - after.prior_ma[index]) > 0.5 * before_std
        if not moved and std[index] > 0.9 * before_std:
            continue
        part = document["part"][[item.name for item in budget.parts].index(figure.part)]
        states = budget.part(figure.part).figures
        _replace(
            part, figure, states, max(float(after.posterior_ma[index]), 0.0), float(std[index])
        )
    loss_moved = abs(after.posterior_ma[-1] - 1) > 0.5 * after.prior_std_ma[-1]
    if comparison.efficiency is not None and (loss_moved or std[-1] < 0.9 * after.prior_std_ma[-1]):
        value = comparison.efficiency.value or 0.0
        supply = document["supply"]
        old = supply["efficiency_percent"]
        supply["efficiency_percent"] = round(value, 1)
        supply["efficiency_percent"].comment(f"after the run; was {old}")
        supply["efficiency_tolerance_percent"] = round(100 * COVERAGE_FACTOR * float(std[-1]), 1)
    _add_suspects(document, budget, comparison)
    return tomlkit.dumps(document)


def _add_suspects(document: Any, budget: Budget, comparison: BudgetComparison) -> None:
    """A part for a draw that the budget does not list, and duties as they were."""
    for item, value, std in named_suspects(comparison):
        tables = [table for table in document["mode"] if table["name"] in item.modes]
        if item.duty:
            shares = duty_shares(budget.mode(item.modes[0]), item, value)
            states = tomlkit.inline_table()
            states.update(
                {
                    state: round(share, 3)
                    for (part, state), share in shares.items()
                    if part == item.part
                }
            )
            tables[0]["parts"][item.part] = states
        elif value > 0:
            name = unlisted_name(budget)
            part = tomlkit.table()
            part["name"] = name
            part["supply"] = "pack"
            part["source"] = "measured"
            part["tolerance_percent"] = round(
                min(100 * COVERAGE_FACTOR * std / value, MOST_TOLERANCE_PERCENT), 1
            )
            currents = tomlkit.table()
            currents["on"] = _significant(value, std)
            part["current_ma"] = currents
            document["part"].append(part)
            for table in tables:
                table["parts"][name] = "on"


def _replace(
    part: Any, figure: Figure, states: Sequence[Figure], value_ma: float, std_ma: float
) -> None:
    """Put one figure and its tolerance in place; an LED by colour or resistor becomes a plain figure.

    ``states``: all figures of the part as they were.
    """
    if not isinstance(part.get("tolerance_percent"), Mapping):
        table = tomlkit.inline_table()
        table.update({item.state: round(100 * item.tolerance, 1) for item in states})
        part["tolerance_percent"] = table
    for kind in ("pixel", "led"):
        states_of_kind = part.get(kind, {})
        if figure.state in states_of_kind:
            del states_of_kind[figure.state]
            if not states_of_kind:
                del part[kind]
    if "current_ma" not in part:
        part["current_ma"] = tomlkit.table()
    shown = _significant(value_ma, std_ma)
    part["current_ma"][figure.state] = shown
    half = COVERAGE_FACTOR * std_ma
    percent = 100 * half / value_ma if value_ma > 0 else MOST_TOLERANCE_PERCENT
    part["tolerance_percent"][figure.state] = round(min(percent, MOST_TOLERANCE_PERCENT), 1)
    part["current_ma"][figure.state].comment(
        f"after the run, +-{_significant(half, half)} mA; was {figure.current_ma:g}"
    )


def _significant(value: float, std: float) -> float:
    """Rounded to two digits of its doubt."""
    if std <= 0:
        return value
    exponent = int(f"{std:.1e}".split("e")[1])
    return round(value, 1 - exponent)

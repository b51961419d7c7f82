"""A run on disk: names of its files, its columns and what they mean.

A run is a folder with

- ``samples.csv``: RFC 4180, UTF-8, one header row, a row per window,
- ``samples.csv-metadata.json``: the description, found by W3C CSV-on-the-Web
  readers under this very name; our own part stands under ``RUN_KEY``.
"""

from dataclasses import dataclass
from typing import Final

SAMPLES_NAME: Final = "samples.csv"
DESCRIPTION_NAME: Final = "samples.csv-metadata.json"
# Ten rows a second for two months; what is longer is no run and would only fill the memory.
SAMPLES_MAX: Final = 4 * 1024**3
RUN_FORMAT_VERSION: Final = 1
RUN_KEY: Final = "urn:drawbench:run"
UNIT_KEY: Final = "http://qudt.org/schema/qudt/ucumCode"


@dataclass(frozen=True)
class Column:
    """One column of ``samples.csv``; ``unit_ucum`` is the unit's UCUM code, "1" for a count."""

    name: str
    unit_ucum: str
    datatype: str
    decimals: int
    meaning: str


COLUMNS: Final = (
    Column(
        "time_s", "s", "decimal", 6, "Time since the first row's window began; end of the window"
    ),
    Column(
        "sequence", "1", "integer", 0, "Number of the window, counted by the board since its boot"
    ),
    Column("boot", "1", "integer", 0, "Which boot of the board; counters start again at a boot"),
    Column("conversions", "1", "integer", 0, "Voltage-and-current pairs averaged in the window"),
    Column("pack_v", "V", "decimal", 6, "Mean voltage at the pack: bus voltage plus shunt drop"),
    Column("pack_min_v", "V", "decimal", 6, "Least voltage at the pack in the window"),
    Column("bus_v", "V", "decimal", 6, "Mean voltage on the load side of the shunt"),
    Column("current_ma", "mA", "decimal", 4, "Mean current out of the pack"),
    Column("current_min_ma", "mA", "decimal", 4, "Least current in the window"),
    Column("current_max_ma", "mA", "decimal", 4, "Greatest current in the window"),
    Column("charge_mah", "mA.h", "decimal", 6, "Charge out of the pack since the run began"),
    Column("energy_mwh", "mW.h", "decimal", 6, "Energy out of the pack since the run began"),
)
COLUMN_BY_NAME: Final = {column.name: column for column in COLUMNS}

# An imported run may have only some columns: time_s, and at least one of these.
MEASURED: Final = ("pack_v", "bus_v", "current_ma")

# How the warning about a run that contradicts itself begins (cross_check), for whoever marks such runs.
ROWS_ACCUSED: Final = "The rows were changed after the recording"
DESCRIPTION_ACCUSED: Final = "The description was changed after the recording"

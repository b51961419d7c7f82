"""What a person who knows the answer would add to the command, by the key of a truth."""

from typing import Final

from tests.benchmarks.import_judge.case import Case

_ZONES: Final = (
    "Europe/Berlin", "Europe/Paris", "Europe/London", "America/New_York", "Australia/Sydney",
)  # fmt: skip
OPTIONS: Final[dict[str, tuple[str, ...]]] = {
    "columns 1 V 2 A 3": ("--time", "1", "--time-unit", "s", "--voltage", "2", "--voltage-unit", "V", "--current", "3", "--current-unit", "A"),
    "columns 1 A 2 V 3": ("--time", "1", "--time-unit", "s", "--voltage", "3", "--voltage-unit", "V", "--current", "2", "--current-unit", "A"),
    "swapped V A": ("--voltage", "3", "--voltage-unit", "V", "--current", "2", "--current-unit", "A"),
    "swapped mV mA": ("--voltage", "3", "--voltage-unit", "mV", "--current", "2", "--current-unit", "mA"),
    "as headed": ("--voltage", "2", "--current", "3"),
    "channel 1": ("--voltage", "2", "--current", "3"),
    "channel 2": ("--voltage", "4", "--current", "5"),
    "current in A": ("--current-unit", "A"),
    "current in mA": ("--current-unit", "mA"),
    "current in uA": ("--current-unit", "uA"),
    "voltage in V": ("--voltage-unit", "V"),
    "voltage in mV": ("--voltage-unit", "mV"),
    "next day": ("--time-back", "next-day"),
    "began again": ("--time-back", "restart"),
    "another order": ("--time-back", "sort"),
    "time in s": ("--time-unit", "s"),
    "time in ms": ("--time-unit", "ms"),
    "time in d": ("--time-unit", "d"),
    "time as mm:ss": ("--clock", "mm:ss"),
    "time as hh:mm": ("--clock", "hh:mm"),
    "decimal point": ("--decimal", "point", "--thousands", "comma"),
    "decimal comma": ("--decimal", "comma"),
    "day before month": ("--date-order", "dmy"),
    "month before day": ("--date-order", "mdy"),
    "negative out": ("--current-sign", "turned"),
    "as signed": ("--current-sign", "as-read"),
    "zone none": ("--time-zone", "UTC"),
    **{f"zone {place}": ("--time-zone", place) for place in _ZONES},
}  # fmt: skip


def options_of(case: Case) -> tuple[str, ...] | None:
    """Options that say which reading of the file is the true one; None where nobody can say it in options."""
    return OPTIONS.get(case.truth.settle)

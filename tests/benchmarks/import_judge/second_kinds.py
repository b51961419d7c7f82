"""A second sealed set of kinds, written when the first two halves were read without an error."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from random import Random
from typing import Final

from tests.benchmarks.import_judge import clock
from tests.benchmarks.import_judge.case import ASK, EITHER, READ, Truth
from tests.benchmarks.import_judge.draft import (
    Draft,
    Kind,
    Plain,
    grouped,
    in_parts,
    plain,
    rows_of,
)
from tests.benchmarks.import_judge.sheet import (
    SEMI,
    SEMI_POINT,
    STRONG,
    TAB,
    TAB_COMMA,
    THREE,
    WESTERN,
    Dialect,
    Sheet,
    amps,
    columns,
    measured,
    seconds,
    volts,
)


def whole_thousands(rng: Random) -> Draft:
    """1.286 mA where the voltage has a decimal comma: the point groups thousands."""
    dialect = rng.choice((SEMI, TAB_COMMA))
    series = measured(rng, load=STRONG)
    series = replace(series, current_ma=tuple(v.quantize(Decimal(1)) for v in series.current_ma))
    made = Plain(dialect, series)
    cells = grouped([str(value) for value in series.current_ma], dialect, ".")
    rows = columns(made.time_cells, volts(series, dialect), cells)
    return made.draft(Sheet(rows, (made.head,)))


def short_year(rng: Random) -> Draft:
    """28.11.25, over midnight: day, month, year."""
    made = plain(rng, (SEMI, TAB_COMMA), step_s="60")
    start = datetime(2025, 11, rng.randint(14, 24), 23, 50)
    cells = clock.written(made.series, start, "%d.%m.%y %H:%M:%S")
    return replace(made, time=(cells, "Datum"), start=start).draft()


def month_by_name(rng: Random) -> Draft:
    made = plain(rng, (SEMI, TAB, SEMI_POINT), step_s="60")
    start = datetime(2025, 11, rng.randint(1, 24), 21, 4)
    pattern = rng.choice(["%d-%b-%Y %H:%M:%S", "%d %b %Y %H:%M:%S", "%b %d, %Y %I:%M:%S %p"])
    return replace(
        made, time=(clock.written(made.series, start, pattern), "Time"), start=start
    ).draft()


def epoch_microseconds(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s="0.5")
    cells = clock.epoch(made.series, clock.EVENING, 1_000_000)
    return replace(
        made, time=(cells, rng.choice(["timestamp_us", "epoch [us]"])), start=clock.EVENING
    ).draft()


def least_mean_most(rng: Random) -> Draft:
    """Three voltages: the mean is the voltage."""
    made = replace(plain(rng, THREE), units=("V", "mA"), style="{} [{}]")
    number = made.dialect.number
    low = [number(v - Decimal("0.042")) for v in made.series.voltage_v]
    high = [number(v + Decimal("0.037")) for v in made.series.voltage_v]
    time, volt, amp = (list(cells) for cells in zip(*made.rows, strict=True))
    head = ("Time [s]", "Voltage min [V]", "Voltage avg [V]", "Voltage max [V]", "Current [mA]")
    return made.draft(Sheet(columns(time, low, volt, high, amp), (head,)))


def header_often(rng: Random) -> Draft:
    """The headings come again every eight rows, as on printed pages."""
    made = plain(rng, WESTERN)
    rows = tuple(
        line
        for i, row in enumerate(made.rows)
        for line in ([made.head, row] if i and i % 8 == 0 else [row])
    )
    return made.draft(Sheet(rows, (made.head,)))


def spaces_behind_commas(rng: Random) -> Draft:
    made = Plain(Dialect("comma-space", ", "), measured(rng), style="{} ({})")
    return made.draft()


def fixed_width(rng: Random) -> Draft:
    """Columns in line, divided by spaces."""
    made = Plain(Dialect("wide", " "), measured(rng), style="{}_{}")
    head = tuple(f"{name:>14}" for name in made.head)
    rows = tuple(tuple(f"{cell:>14}" for cell in row) for row in made.rows)
    text = "\n".join(" ".join(line) for line in (head, *rows)) + "\n"
    return Draft(text.encode(), (made.truth(),))


def glued_units(rng: Random) -> Draft:
    """4.506V, 211.2mA: no space before the unit."""
    made = plain(rng, THREE)
    rows = tuple((f"{t}s", f"{v}{made.units[0]}", f"{i}{made.units[1]}") for t, v, i in made.rows)
    return made.draft(Sheet(rows, (("Time", "Voltage", "Current"),)))


def point_in_time_only(rng: Random) -> Draft:
    """Tenths of a second behind a point, all else with a decimal comma."""
    made = plain(rng, (SEMI, TAB_COMMA), step_s="0.5")
    cells = [
        m.strftime("%Y-%m-%d %H:%M:%S.%f")[:-3] for m in clock.moments(made.series, clock.EVENING)
    ]
    return replace(made, time=(cells, "Zeit"), start=clock.EVENING).draft()


def temperature_and_time(rng: Random) -> Draft:
    """T is the temperature, t the time."""
    made = replace(plain(rng, THREE), units=("V", "A"))
    number = made.dialect.number
    warm = [number(Decimal("21.4") + Decimal(i) / 10) for i in range(made.series.count)]
    time, volt, amp = (list(cells) for cells in zip(*made.rows, strict=True))
    head = ("T [°C]", "t [s]", "U [V]", "I [A]")
    return made.draft(Sheet(columns(warm, time, volt, amp), (head,)))


def units_as_names(rng: Random) -> Draft:
    made = replace(plain(rng, THREE), units=rng.choice([("V", "mA"), ("V", "A"), ("mV", "mA")]))
    return made.draft(Sheet(made.rows, (("s", *made.units),)))


def volts_under_millivolts(rng: Random) -> Draft:
    """4.506 under "mV": the heading is wrong, or it is a shunt's."""
    series, dialect = measured(rng), rng.choice(THREE)
    rows = columns(seconds(series, dialect), volts(series, dialect), amps(series, dialect))
    small = replace(series, voltage_v=tuple(value / 1000 for value in series.voltage_v))
    return Draft(
        Sheet(rows, (("Time [s]", "Voltage [mV]", "Current [mA]"),)).data(dialect),
        (
            Truth(rows_of(series), settle="voltage in V"),
            Truth(rows_of(small), settle="voltage in mV"),
        ),
    )


def clock_back_in_the_evening(rng: Random) -> Draft:
    """21:10, then 20:11, on no night of a change: set back, or the next evening."""
    dialect = rng.choice(THREE)
    series = measured(rng, step_s="60")
    face = series.at([t - (3600 if t >= 720 else 0) for t in series.time_s])
    start = datetime(2025, 11, 28, 20, 58)
    cells = clock.written(face, start, "%H:%M:%S")
    next_day = series.at([t + (82800 if t >= 720 else 0) for t in series.time_s])
    rows = columns(cells, volts(series, dialect), amps(series, dialect))
    return Draft(
        Sheet(rows, (("Time", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (Truth(rows_of(series)), Truth(rows_of(next_day), settle="next day")),
    )


def count_back_a_little(rng: Random) -> Draft:
    """0 to 13 s, then 8.5 s and on: the meter began again, or the rows stand in another order (added 2026-11-29)."""
    dialect = rng.choice(THREE)
    series = measured(rng)
    second, back_s = rng.randint(12, 15), rng.randint(4, 7) + Decimal("0.5")
    face = [Decimal(i) - (back_s if i >= second else 0) for i in range(series.count)]
    cells = columns(
        [dialect.number(t) for t in face], volts(series, dialect), amps(series, dialect)
    )
    sorted_rows = sorted(rows_of(series.at(face)), key=lambda row: row.time_s)
    return Draft(
        Sheet(cells, (("Time [s]", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (
            Truth(in_parts(series, second), settle="began again"),
            Truth(tuple(sorted_rows), settle="another order"),
        ),
    )


def before_the_trigger(rng: Random) -> Draft:
    """Times from minus five seconds on."""
    made = plain(rng, WESTERN)
    cells = [made.dialect.number(time - 5) for time in made.series.time_s]
    return replace(made, time=(cells, made.style.format("Time", "s"))).draft()


def counter_goes_round(rng: Random) -> Draft:
    """A sketch's milliseconds pass 2^32 (49.7 days) and begin at 0."""
    made = plain(rng, THREE)
    begin = 2**32 - rng.randint(3000, 9000)
    cells = [str((begin + int(time * 1000)) % 2**32) for time in made.series.time_s]
    return replace(made, time=(cells, "millis")).draft()


def group_headings(rng: Random) -> Draft:
    """A row of groups above the headings."""
    made = plain(rng, THREE)
    return made.draft(Sheet(made.rows, (("", "Supply", "Supply"), made.head)))


def both_signs(rng: Random) -> Draft:
    """Out of the pack, and a few times a little back into it."""
    made = replace(plain(rng, WESTERN), units=("V", "mA"))
    back = set(rng.sample(range(3, 20), 3))
    series = replace(
        made.series,
        current_ma=tuple(
            Decimal("-1.2") if i in back else v for i, v in enumerate(made.series.current_ma)
        ),
    )
    return replace(made, series=series).draft()


def no_unit_for_one(rng: Random) -> Draft:
    """Units in a second row, but none for the current."""
    series, dialect = measured(rng), rng.choice(THREE)
    rows = columns(seconds(series, dialect), volts(series, dialect), amps(series, dialect, "A"))
    small = replace(series, current_ma=tuple(value / 1000 for value in series.current_ma))
    return Draft(
        Sheet(rows, (("Time", "Voltage", "Current"), ("s", "V", ""))).data(dialect),
        (
            Truth(rows_of(series), settle="current in A"),
            Truth(rows_of(small), settle="current in mA"),
        ),
    )


def autumn_without_repeat(rng: Random) -> Draft:
    """The night when summer time ends, every ten minutes once: this clock was not set."""
    made = plain(rng, WESTERN, step_s="600")
    start = datetime(2025, 10, 26, 0, 40) + timedelta(minutes=10 * rng.randint(0, 3))
    cells = clock.written(made.series, start, "%Y-%m-%d %H:%M:%S")
    return replace(made, time=(cells, "Time"), start=start).draft()


KINDS: Final = (
    Kind("spaces-behind-commas", "dialect", READ, 3, spaces_behind_commas),
    Kind("fixed-width", "dialect", READ, 3, fixed_width),
    Kind("group-headings", "dialect", READ, 3, group_headings),
    Kind("whole-thousands", "dialect", READ, 3, whole_thousands),
    Kind("glued-units", "units", READ, 4, glued_units),
    Kind("units-as-names", "units", READ, 4, units_as_names),
    Kind("volts-under-millivolts", "units", ASK, 3, volts_under_millivolts),
    Kind("no-unit-for-one", "units", ASK, 3, no_unit_for_one),
    Kind("least-mean-most", "columns", EITHER, 3, least_mean_most),
    Kind("temperature-and-time", "columns", READ, 3, temperature_and_time),
    Kind("short-year", "time", READ, 3, short_year),
    Kind("month-by-name", "time", READ, 4, month_by_name),
    Kind("epoch-microseconds", "time", READ, 3, epoch_microseconds),
    Kind("point-in-time-only", "time", READ, 3, point_in_time_only),
    Kind("before-the-trigger", "time", READ, 3, before_the_trigger),
    Kind("counter-goes-round", "time", EITHER, 3, counter_goes_round),
    Kind("autumn-without-repeat", "time", READ, 4, autumn_without_repeat),
    Kind("clock-back-in-the-evening", "time", ASK, 3, clock_back_in_the_evening),
    Kind("count-back-a-little", "time", ASK, 3, count_back_a_little),
    Kind("header-often", "defect", READ, 3, header_often),
    Kind("both-signs", "defect", EITHER, 3, both_signs),
)  # fmt: skip

"""Kinds of files that are shown to who writes the import: the open half."""

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
    minus,
    plain,
    rows_of,
    swapped_readings,
    without_current,
)
from tests.benchmarks.import_judge.sheet import (
    COMMA,
    COMMA_QUOTED,
    DIALECTS,
    NAMES,
    PLAIN_HEAD,
    SEMI,
    SEMI_MARK,
    SEMI_POINT,
    STRONG,
    TAB,
    TAB_COMMA,
    THREE,
    WESTERN,
    Dialect,
    Load,
    Sheet,
    amps,
    columns,
    measured,
    seconds,
    volts,
)


def every_dialect(rng: Random) -> Draft:
    return plain(rng, DIALECTS).draft()


def languages(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    return replace(
        made, names=rng.choice(NAMES[1:]), style=rng.choice(["{} [{}]", "{} ({})"])
    ).draft()


def unit_row(rng: Random) -> Draft:
    """Names in one row, units in the next."""
    made = plain(rng, WESTERN)
    head = (("Time", "Voltage", "Current"), ("s", *made.units))
    return made.draft(Sheet(made.rows, head))


def unit_row_short(rng: Random) -> Draft:
    """Short names, units in square brackets in the next row, milliseconds."""
    made = plain(rng, THREE)
    cells = seconds(made.series, made.dialect, "1000", "1")
    rows = columns(
        cells,
        volts(made.series, made.dialect, made.units[0]),
        amps(made.series, made.dialect, made.units[1]),
    )
    head = (("t", "U", "I"), ("[ms]", *(f"[{unit}]" for unit in made.units)))
    return made.draft(Sheet(rows, head))


def unit_cells(rng: Random) -> Draft:
    made = plain(rng, (COMMA, SEMI, TAB, COMMA_QUOTED))
    rows = columns(
        [f"{cell} s" for cell in seconds(made.series, made.dialect)],
        [f"{cell} {made.units[0]}" for cell in volts(made.series, made.dialect, made.units[0])],
        [f"{cell} {made.units[1]}" for cell in amps(made.series, made.dialect, made.units[1])],
    )
    return made.draft(Sheet(rows, (("Time", "Voltage", "Current"),)))


def micro_signs(rng: Random) -> Draft:
    made = replace(plain(rng, WESTERN), units=("V", "uA"), style="{} [{}]")
    sign = "µ" if made.dialect.encoding != "utf-8" else rng.choice(["µ", "μ"])
    head = (made.head[0], made.head[1], f"Current [{sign}A]")
    return made.draft(Sheet(made.rows, (head,)))


def separator_line(rng: Random) -> Draft:
    made = plain(rng, (SEMI, SEMI_MARK, COMMA))
    return made.draft(replace(made.sheet, above=(f"sep={made.dialect.delimiter}",)))


def lines_above(rng: Random) -> Draft:
    made = plain(rng, THREE)
    delimiter = made.dialect.delimiter
    above = (
        f"Model{delimiter}bench meter 2",
        f"Serial number{delimiter}004711",
        f"Interval{delimiter}1 s",
        "",
    )
    return made.draft(replace(made.sheet, above=above))


def unquoted_commas(rng: Random) -> Draft:
    """Decimal comma and comma between columns, nothing quoted: three headings over five or six parts."""
    dialect = Dialect("comma-decimal-comma", ",", ",")
    made = replace(plain(rng, (dialect,)), units=("V", "A"), style="{} [{}]")
    lines = tuple((",".join(row),) for row in made.rows)
    bar = Dialect("whole", "|", newline="\n")
    return Draft(Sheet(lines, ((",".join(made.head),),)).data(bar), (made.truth(),))


def no_names(rng: Random) -> Draft:
    """No headings; both columns could be either."""
    load = Load(Decimal("1.540"), Decimal("0.4"), (912, 1080, 1248))
    series = measured(rng, load=load)
    dialect = rng.choice((COMMA, SEMI_POINT, TAB))
    rows = columns(seconds(series, dialect), volts(series, dialect), amps(series, dialect, "A"))
    one, other = swapped_readings(series)
    return Draft(
        Sheet(rows).data(dialect),
        (Truth(one, settle="columns 1 V 2 A 3"), Truth(other, settle="columns 1 A 2 V 3")),
    )


def columns_swapped(rng: Random) -> Draft:
    """Under "Voltage" stands what jumps with the load, under "Current" what falls slowly from 4.6."""
    series = measured(rng)
    dialect = rng.choice(WESTERN)
    rows = columns(seconds(series, dialect), amps(series, dialect, "A"), volts(series, dialect))
    head = ("Time [s]", "Voltage [V]", "Current [A]")
    one, other = swapped_readings(series)
    return Draft(
        Sheet(rows, (head,)).data(dialect),
        (Truth(one, settle="swapped V A"), Truth(other, settle="as headed")),
    )


def current_first(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    order = rng.choice([(0, 2, 1), (2, 1, 0), (1, 2, 0), (2, 0, 1)])
    rows = tuple(tuple(row[index] for index in order) for row in made.rows)
    return made.draft(Sheet(rows, (tuple(made.head[index] for index in order),)))


def two_channels(rng: Random) -> Draft:
    dialect = rng.choice(THREE)
    first, second = measured(rng), measured(rng, load=Load(Decimal("5.020"), Decimal("0.3")))
    rows = columns(
        seconds(first, dialect), volts(first, dialect), amps(first, dialect), volts(second, dialect), amps(second, dialect),
    )  # fmt: skip
    head = (
        "Time [s]",
        "CH1 Voltage [V]",
        "CH1 Current [mA]",
        "CH2 Voltage [V]",
        "CH2 Current [mA]",
    )
    return Draft(
        Sheet(rows, (head,)).data(dialect),
        (
            Truth(rows_of(first), settle="channel 1"),
            Truth(rows_of(second), settle="channel 2"),
        ),
    )


def current_without_unit(rng: Random) -> Draft:
    """0.148 under "Current": amperes, or milliamperes of a sleeping piece."""
    series = measured(rng)
    dialect = rng.choice(THREE)
    rows = columns(seconds(series, dialect), volts(series, dialect), amps(series, dialect, "A"))
    small = tuple(
        replace(row, current_ma=None if row.current_ma is None else row.current_ma / 1000)
        for row in rows_of(series)
    )
    return Draft(
        Sheet(rows, (("Time [s]", "Voltage [V]", "Current"),)).data(dialect),
        (
            Truth(rows_of(series), settle="current in A"),
            Truth(small, settle="current in mA"),
        ),
    )


def bare_time(rng: Random) -> Draft:
    """0, 500, 1000 under "Time": milliseconds of a quick meter or seconds of a slow one."""
    step = rng.choice(["500", "100", "1000", "250"])
    slow = measured(rng, step_s=step)
    dialect = rng.choice(THREE)
    rows = columns(seconds(slow, dialect, places="1"), volts(slow, dialect), amps(slow, dialect))
    quick = slow.at([time / 1000 for time in slow.time_s])
    return Draft(
        Sheet(rows, (("Time", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (Truth(rows_of(slow), settle="time in s"), Truth(rows_of(quick), settle="time in ms")),
    )


def unit_times(rng: Random) -> Draft:
    """Seconds, milliseconds, microseconds, named."""
    made = plain(rng, WESTERN, step_s=rng.choice(["0.5", "1", "10"]))
    unit, factor, places = rng.choice(
        [("s", "1", "0.1"), ("ms", "1000", "1"), ("us", "1000000", "1")]
    )
    cells = seconds(made.series, made.dialect, factor, places)
    return replace(made, time=(cells, made.style.format("Time", unit))).draft()


def clock_alone(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s=rng.choice(["1", "5", "30"]))
    start = clock.EVENING - timedelta(hours=rng.randint(0, 9))
    cells = clock.written(made.series, start, "%H:%M:%S")
    return replace(made, time=(cells, rng.choice(["Time", "Clock", "Time (hh:mm:ss)"]))).draft()


def minutes_or_hours(rng: Random) -> Draft:
    """00:00, 00:30, 01:00: mm:ss or hh:mm."""
    step = rng.choice(["30", "10", "1", "15"])
    series = measured(rng, step_s=step)
    dialect = rng.choice(WESTERN)
    long = series.at([time * 60 for time in series.time_s])
    rows = columns(clock.elapsed(series, "ms"), volts(series, dialect), amps(series, dialect))
    return Draft(
        Sheet(rows, (("Time", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (
            Truth(rows_of(series), settle="time as mm:ss"),
            Truth(rows_of(long), settle="time as hh:mm"),
        ),
    )


def hours_named(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s=rng.choice(["60", "300", "600"]))
    cells = clock.elapsed(made.series, "hm")
    return replace(made, time=(cells, rng.choice(["Time [hh:mm]", "Time (h:mm)"]))).draft()


def minutes_with_tenths(rng: Random) -> Draft:
    """Tenths of a second behind mm:ss: no hour has them."""
    made = plain(rng, WESTERN, step_s=rng.choice(["0.5", "2.5"]))
    cells = clock.elapsed(made.series, "ms.f", rng.randint(0, 300), made.dialect.decimal)
    return replace(made, time=(cells, "Time")).draft()


def half_day_clock(rng: Random) -> Draft:
    """AM and PM, over noon."""
    made = plain(rng, WESTERN, step_s="10")
    start = datetime(2025, 11, 28, 11, 57, rng.randint(0, 50))
    cells = clock.written(made.series, start, rng.choice(["%I:%M:%S %p", "%I:%M:%S%p"]))
    if rng.random() < 0.5:
        cells = clock.bare_hour(cells)
    if rng.random() < 0.3:
        cells = [cell.replace("AM", "a.m.").replace("PM", "p.m.") for cell in cells]
    return replace(made, time=(cells, "Time")).draft()


def iso(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s=rng.choice(["1", "60"]))
    start = datetime(2025, 11, 28, 23, 58, rng.randint(0, 50))
    pattern, zoned = rng.choice(
        [
            ("%Y-%m-%dT%H:%M:%SZ", True), ("%Y-%m-%d %H:%M:%S", False), ("%Y-%m-%dT%H:%M:%S+00:00", True),
            ("%Y-%m-%dT%H:%M:%S", False), ("%Y-%m-%dT%H:%M:%S.000Z", True), ("%Y%m%dT%H%M%SZ", True),
        ]
    )  # fmt: skip
    name = rng.choice(["Timestamp", "Time", "Date"])
    cells = clock.written(made.series, start, pattern)
    return replace(made, time=(cells, name), start=start if zoned else None).draft()


def day_before_month(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s="60")
    start = datetime(2025, 11, rng.randint(14, 28), 23, 50)
    pattern = rng.choice(["%d/%m/%Y %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%d-%m-%Y %H:%M"])
    return replace(
        made, time=(clock.written(made.series, start, pattern), "Date"), start=start
    ).draft()


def dotted_date(rng: Random) -> Draft:
    """A dot between the figures is day before month (CLDR de, from memory), also where both are under 13."""
    made = plain(rng, (SEMI, TAB_COMMA), step_s="60")
    start = datetime(2026, 3, rng.randint(1, 12), 20, 30)
    cells = clock.written(made.series, start, "%d.%m.%Y %H:%M:%S")
    names = ("Zeit", "Spannung", "Strom")
    return replace(made, names=names, style="{} [{}]", time=(cells, "Zeit"), start=start).draft()


def slashes_over_midnight(rng: Random) -> Draft:
    """03/04 and 04/04 a minute apart: two days of one month, not of two months."""
    made = plain(rng, (COMMA, SEMI_POINT, TAB), step_s="60")
    start = datetime(2026, 4, rng.randint(1, 10), 23, 50)
    pattern = rng.choice(["%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"])
    return replace(
        made, time=(clock.written(made.series, start, pattern), "Time"), start=start
    ).draft()


def day_number(rng: Random) -> Draft:
    """A column "Date" with a spreadsheet's day numbers of this year; as of 1904 they would lie ahead."""
    made = plain(rng, THREE, step_s=rng.choice(["1", "60"]))
    cells = clock.day_numbers(made.series, clock.EVENING, made.dialect)
    return replace(
        made, time=(cells, rng.choice(["Date", "Date/Time", "DateTime"])), start=clock.EVENING
    ).draft()


def day_fraction(rng: Random) -> Draft:
    """0.87801 under "Time": a clock time that a spreadsheet shows as a number, or seconds of a quick meter."""
    dialect = rng.choice(THREE)
    series = measured(rng, step_s=rng.choice(["60", "30"]))
    texts = clock.day_numbers(
        series, clock.ZERO_1900 + timedelta(hours=rng.randint(1, 20)), dialect, places=6
    )
    values = clock.day_values(texts, dialect)
    quick = series.at([value - values[0] for value in values])
    rows = columns(texts, volts(series, dialect), amps(series, dialect))
    return Draft(
        Sheet(rows, (("Time", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (
            Truth(rows_of(series), 0.1, settle="time in d"),
            Truth(rows_of(quick), 1e-6, settle="time in s"),
        ),
    )


def epoch_seconds(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s=rng.choice(["1", "10"]))
    cells = clock.epoch(made.series, clock.EVENING, 1)
    name = rng.choice(["timestamp", "epoch", "Unix time", "epoch_s"])
    return replace(made, time=(cells, name), start=clock.EVENING).draft()


def two_columns(rng: Random, names: tuple[str, str], pattern: str) -> Draft:
    """A date and a clock, each in its column, over midnight."""
    made = plain(rng, WESTERN, step_s="30")
    start = datetime(2025, 11, rng.randint(14, 27), 23, 55)
    rows = columns(
        clock.written(made.series, start, pattern),
        clock.written(made.series, start, "%H:%M:%S"),
        *map(list, list(zip(*made.rows, strict=True))[1:]),
    )
    made = replace(made, start=start)
    return made.draft(Sheet(rows, ((*names, *made.head[1:]),)))


def date_and_clock(rng: Random) -> Draft:
    return two_columns(rng, ("Date", "Time"), rng.choice(["%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y"]))


def date_and_clock_german(rng: Random) -> Draft:
    return two_columns(rng, ("Datum", "Uhrzeit"), "%d.%m.%Y")


def clock_set_back(rng: Random) -> Draft:
    """Local time in the night when summer time ends: an hour comes twice."""
    zone, change = rng.choice(clock.AUTUMN)
    made = plain(rng, WESTERN, rows=30, step_s="600")
    cells = clock.local(made.series, change - timedelta(minutes=100), zone, "%Y-%m-%d %H:%M:%S")
    return replace(made, time=(cells, "Time")).draft()


def clock_set_on(rng: Random) -> Draft:
    """Local time in the night when summer time begins: an hour is missing, or the meter was off for an hour."""
    zone, change = rng.choice(clock.SPRING)
    series = measured(rng, step_s="600")
    dialect = rng.choice(THREE)
    cells = clock.local(series, change - timedelta(minutes=100), zone, "%Y-%m-%d %H:%M:%S")
    paused = series.at([time + (3600 if time >= 6000 else 0) for time in series.time_s])
    rows = columns(cells, volts(series, dialect), amps(series, dialect))
    return Draft(
        Sheet(rows, (("Time", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (
            Truth(rows_of(series), settle=f"zone {zone}"),
            Truth(rows_of(paused), settle="zone none"),
        ),
    )


def spring_with_offset(rng: Random) -> Draft:
    zone, change = rng.choice(clock.SPRING)
    made = plain(rng, WESTERN, step_s="600")
    cells = clock.local(made.series, change - timedelta(minutes=100), zone, "%Y-%m-%dT%H:%M:%S%z")
    return replace(made, time=(cells, "Time")).draft()


def thousands(rng: Random) -> Draft:
    """1,234.5 with a decimal point, 1.234,5 with a decimal comma."""
    dialect, sign = rng.choice([(COMMA_QUOTED, ","), (SEMI, "."), (TAB, ","), (TAB_COMMA, ".")])
    made = Plain(dialect, measured(rng, load=STRONG))
    cells = grouped(amps(made.series, dialect), dialect, sign)
    rows = columns(made.time_cells, volts(made.series, dialect), cells)
    return made.draft(Sheet(rows, (made.head,)))


def thousands_or_decimals(rng: Random) -> Draft:
    """1,234 between semicolons: more than an ampere or more than a milliampere."""
    series = measured(rng, load=STRONG)
    whole = replace(
        series, current_ma=tuple(value.quantize(Decimal(1)) for value in series.current_ma)
    )
    dialect = rng.choice((SEMI_POINT, TAB))
    cells = [f"{int(value):,}" for value in whole.current_ma]
    small = replace(whole, current_ma=tuple(value / 1000 for value in whole.current_ma))
    rows = columns(seconds(whole, dialect, places="1"), cells)
    return Draft(
        Sheet(rows, (("Time [s]", "Current [mA]"),)).data(dialect),
        (
            Truth(rows_of(whole, voltage=False), settle="decimal point"),
            Truth(rows_of(small, voltage=False), settle="decimal comma"),
        ),
    )


def header_again(rng: Random) -> Draft:
    """The meter was restarted: its headings come again, its clock goes on."""
    made = plain(rng, WESTERN)
    series = made.series.at([t + (97 if i >= 12 else 0) for i, t in enumerate(made.series.time_s)])
    cells = clock.written(series, clock.EVENING, "%Y-%m-%d %H:%M:%S")
    made = replace(made, series=series, time=(cells, "Time"))
    rows = (*made.rows[:12], made.head, *made.rows[12:])
    return made.draft(Sheet(rows, (made.head,)))


def time_begins_again(rng: Random) -> Draft:
    """Elapsed seconds fall back to 0 in the middle: how long it stood is not in the file."""
    dialect = rng.choice(THREE)
    series = measured(rng)
    rows = columns(
        [dialect.number(Decimal(index % 12)) for index in range(24)],
        volts(series, dialect),
        amps(series, dialect),
    )
    return Draft(
        Sheet(rows, (PLAIN_HEAD,)).data(dialect),
        (Truth(in_parts(series, 12)),),
    )


def newest_first(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s="60")
    start = datetime(2025, 11, 14, 20, 0)
    made = replace(made, time=(clock.written(made.series, start, "%Y-%m-%d %H:%M:%S"), "Time"))
    return made.draft(Sheet(made.rows[::-1], (made.head,)))


def doubled_rows(rng: Random) -> Draft:
    """Some rows stand twice, one under the other."""
    made = plain(rng, WESTERN)
    twice = set(rng.sample(range(1, 23), 3))
    rows = tuple(row for i, row in enumerate(made.rows) for _ in range(2 if i in twice else 1))
    return made.draft(Sheet(rows, (made.head,)))


def two_in_a_second(rng: Random) -> Draft:
    """Two rows a second, and a clock of whole seconds."""
    made = plain(rng, WESTERN, step_s="0.5")
    cells = clock.written(made.series, clock.EVENING, "%Y-%m-%d %H:%M:%S")
    rows = rows_of(made.series, optional=range(1, 24, 2))
    return replace(made, time=(cells, "Time"), tolerance_s=0.6).draft(rows=rows)


def negative_current(rng: Random) -> Draft:
    """The voltage falls, so the negative current flows out of the pack."""
    made = plain(rng, WESTERN)
    time, volt, amp = (list(cells) for cells in zip(*made.rows, strict=True))
    return made.draft(Sheet(columns(time, volt, minus(amp)), (made.head,)))


def over_range(rng: Random) -> Draft:
    """The meter's mark for "too much" in place of a number."""
    made = plain(rng, WESTERN)
    gone = sorted(rng.sample(range(3, 21), 2))
    mark = rng.choice(["OL", "O.L", "OVLD", "-----", "Overload"])
    rows = tuple((*row[:2], mark) if i in gone else row for i, row in enumerate(made.rows))
    return made.draft(Sheet(rows, (made.head,)), without_current(made, gone))


def total_rows(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    word = rng.choice(["Total", "Average", "Mean", "Summe"])
    last = (word, made.rows[5][1], made.rows[3][2])
    return made.draft(Sheet((*made.rows, last), (made.head,)), rows_of(made.series))


def trailing_separators(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    if rng.random() < 0.5:
        return made.draft(replace(made.sheet, trailing=True))
    rows = tuple((*row, "") for row in made.rows)  # the headings have none
    return made.draft(Sheet(rows, (made.head,)))


def half_last_line(rng: Random) -> Draft:
    """Power went while the last line was written: its current is missing."""
    made = plain(rng, (COMMA, SEMI, TAB, SEMI_POINT))
    sheet = replace(made.sheet, last_newline=False, cut=len(made.rows[-1][2]) + rng.randint(0, 3))
    return made.draft(sheet, rows_of(made.series)[:-1])


def gap(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    series = made.series.at([t + (1800 if i >= 9 else 0) for i, t in enumerate(made.series.time_s)])
    return replace(made, series=series).draft()


def blank_cells(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    gone = sorted(rng.sample(range(3, 21), 2))
    rows = tuple((*row[:2], "") if i in gone else row for i, row in enumerate(made.rows))
    return made.draft(Sheet(rows, (made.head,)), without_current(made, gone))


def mixed(rng: Random) -> Draft:
    """Any dialect, any unit, any plain time form, and one harmless defect."""
    made = plain(rng, WESTERN, step_s=rng.choice(["1", "10", "60"]))
    start = datetime(
        2025, rng.randint(1, 12), rng.randint(13, 20), rng.randint(4, 22), rng.randint(0, 59)
    )
    form = rng.randrange(6)
    series = made.series
    if form == 1:
        made = replace(
            made, time=(clock.written(series, start, "%Y-%m-%d %H:%M:%S"), "Time"), start=start
        )
    elif form == 2:
        made = replace(
            made, time=(clock.written(series, start, "%d/%m/%Y %H:%M:%S"), "Date"), start=start
        )
    elif form == 3:
        made = replace(made, time=(clock.elapsed(series, "hms"), "Elapsed"))
    elif form == 4:
        made = replace(made, time=(clock.epoch(series, start, 1), "epoch"), start=start)
    elif form == 5:
        made = replace(made, time=(seconds(series, made.dialect, "1000", "1"), "Time [ms]"))
    defect = rng.randrange(5)
    if defect == 1:
        return made.draft(replace(made.sheet, trailing=True))
    if defect == 2:
        rows = (*made.rows, ("Average", made.rows[4][1], made.rows[7][2]))
        return made.draft(Sheet(rows, (made.head,)))
    if defect == 3:
        rows = (*made.rows[:7], made.rows[6], *made.rows[7:])
        return made.draft(Sheet(rows, (made.head,)))
    if defect == 4:
        gone = [rng.randrange(3, 20)]
        rows = tuple((*row[:2], "OL") if i in gone else row for i, row in enumerate(made.rows))
        return made.draft(Sheet(rows, (made.head,)), without_current(made, gone))
    return made.draft()


KINDS: Final = (
    Kind("every-dialect", "dialect", READ, 14, every_dialect),
    Kind("languages", "dialect", READ, 6, languages),
    Kind("separator-line", "dialect", READ, 3, separator_line),
    Kind("lines-above", "dialect", READ, 4, lines_above),
    Kind("unquoted-commas", "dialect", EITHER, 3, unquoted_commas),
    Kind("unit-row", "units", READ, 6, unit_row),
    Kind("unit-row-short", "units", READ, 4, unit_row_short),
    Kind("unit-cells", "units", READ, 4, unit_cells),
    Kind("micro-signs", "units", READ, 4, micro_signs),
    Kind("current-without-unit", "units", ASK, 4, current_without_unit),
    Kind("no-names", "columns", ASK, 3, no_names),
    Kind("columns-swapped", "columns", ASK, 4, columns_swapped),
    Kind("current-first", "columns", READ, 4, current_first),
    Kind("two-channels", "columns", ASK, 3, two_channels),
    Kind("bare-time", "time", ASK, 4, bare_time),
    Kind("unit-times", "time", READ, 6, unit_times),
    Kind("clock-alone", "time", READ, 4, clock_alone),
    Kind("minutes-or-hours", "time", ASK, 5, minutes_or_hours),
    Kind("hours-named", "time", READ, 3, hours_named),
    Kind("minutes-with-tenths", "time", READ, 3, minutes_with_tenths),
    Kind("half-day-clock", "time", READ, 4, half_day_clock),
    Kind("iso", "time", READ, 6, iso),
    Kind("day-before-month", "time", READ, 4, day_before_month),
    Kind("dotted-date", "time", READ, 3, dotted_date),
    Kind("slashes-over-midnight", "time", READ, 3, slashes_over_midnight),
    Kind("day-number", "time", READ, 4, day_number),
    Kind("day-fraction", "time", ASK, 3, day_fraction),
    Kind("epoch-seconds", "time", READ, 3, epoch_seconds),
    Kind("date-and-clock", "time", READ, 5, date_and_clock),
    Kind("date-and-clock-german", "time", READ, 3, date_and_clock_german),
    Kind("clock-set-back", "time", EITHER, 4, clock_set_back),
    Kind("clock-set-on", "time", ASK, 4, clock_set_on),
    Kind("spring-with-offset", "time", READ, 3, spring_with_offset),
    Kind("thousands", "defect", READ, 4, thousands),
    Kind("thousands-or-decimals", "defect", ASK, 4, thousands_or_decimals),
    Kind("header-again", "defect", READ, 4, header_again),
    Kind("time-begins-again", "defect", EITHER, 3, time_begins_again),
    Kind("newest-first", "defect", EITHER, 3, newest_first),
    Kind("doubled-rows", "defect", READ, 3, doubled_rows),
    Kind("two-in-a-second", "defect", EITHER, 3, two_in_a_second),
    Kind("negative-current", "defect", EITHER, 4, negative_current),
    Kind("over-range", "defect", READ, 4, over_range),
    Kind("total-rows", "defect", READ, 4, total_rows),
    Kind("trailing-separators", "defect", READ, 4, trailing_separators),
    Kind("half-last-line", "defect", READ, 3, half_last_line),
    Kind("gap", "defect", READ, 3, gap),
    Kind("blank-cells", "defect", READ, 3, blank_cells),
    Kind("mixed", "mixed", READ, 20, mixed),
)  # fmt: skip

"""Kinds of files that whoever wrote the import did not see before it was done: the sealed half."""

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from random import Random
from typing import Final

from tests.benchmarks.import_judge import clock
from tests.benchmarks.import_judge.case import ASK, EITHER, READ, Row, Truth
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
    PLAIN_HEAD,
    SEMI,
    SEMI_POINT,
    STRONG,
    TAB,
    TAB_COMMA,
    THREE,
    WESTERN,
    Load,
    Sheet,
    amps,
    columns,
    measured,
    seconds,
    volts,
)


def capitals(rng: Random) -> Draft:
    """All headings in capitals: MV and MA are no megavolts."""
    made = plain(rng, WESTERN)
    made = replace(made, units=rng.choice([("mV", "mA"), ("V", "mA")]), style="{} ({})")
    return made.draft(Sheet(made.rows, (tuple(name.upper() for name in made.head),)))


def unit_row_words(rng: Random) -> Draft:
    """Units in the second row, as words."""
    made = plain(rng, THREE)
    words = {
        "V": "Volt",
        "mV": "Millivolt",
        "mA": "Milliampere",
        "A": "Ampere",
        "uA": "Microampere",
    }
    head = (("Time", "Voltage", "Current"), ("Seconds", *(words[unit] for unit in made.units)))
    return made.draft(Sheet(made.rows, head))


def ranging_units(rng: Random) -> Draft:
    """A meter that ranges by itself: each cell has its own unit."""
    made = Plain(rng.choice(THREE), measured(rng, load=Load(draws_ma=(86, 640, 1212))))
    cells = [
        f"{made.dialect.number((value / 1000).quantize(Decimal('0.0001')))} A"
        if value >= 600
        else f"{made.dialect.number(value)} mA"
        for value in made.series.current_ma
    ]
    rows = columns(
        made.time_cells, [f"{cell} V" for cell in volts(made.series, made.dialect)], cells
    )
    return made.draft(Sheet(rows, (("Time [s]", "Voltage", "Current"),)))


def ranging_unit_column(rng: Random) -> Draft:
    """The same with the unit in a column of its own."""
    made = Plain(rng.choice(THREE), measured(rng, load=Load(draws_ma=(86, 640, 1212))))
    large = [value >= 600 for value in made.series.current_ma]
    cells = [
        made.dialect.number((value / 1000).quantize(Decimal("0.0001")) if big else value)
        for value, big in zip(made.series.current_ma, large, strict=True)
    ]
    rows = columns(
        made.time_cells,
        volts(made.series, made.dialect),
        cells,
        ["A" if big else "mA" for big in large],
    )
    return made.draft(Sheet(rows, (("Time [s]", "Voltage [V]", "Current", "Unit"),)))


def powers_of_ten(rng: Random) -> Draft:
    made = plain(rng, (COMMA, TAB, COMMA_QUOTED, SEMI))
    made = replace(made, units=("V", "A"), style="{} [{}]")
    cells = [
        f"{value / 1000:.6E}".replace(".", made.dialect.decimal) for value in made.series.current_ma
    ]
    volt = [f"{value:+.6E}".replace(".", made.dialect.decimal) for value in made.series.voltage_v]
    return made.draft(Sheet(columns(made.time_cells, volt, cells), (made.head,)))


def other_columns(rng: Random) -> Draft:
    """Number of the row, temperature, power and charge beside what is wanted."""
    made = plain(rng, WESTERN)
    made = replace(made, units=("V", "mA"), style="{} [{}]")
    number = made.dialect.number
    power = [
        number((v * i / 1000).quantize(Decimal("0.0001")))
        for v, i in zip(made.series.voltage_v, made.series.current_ma, strict=True)
    ]
    time, volt, amp = (list(cells) for cells in zip(*made.rows, strict=True))
    temperature = [number(Decimal("21.4") + Decimal(i) / 10) for i in range(made.series.count)]
    rows = columns(
        [str(i + 1) for i in range(made.series.count)], time, temperature, volt, amp, power
    )
    head = ("No.", made.head[0], "Temperature [°C]", made.head[1], made.head[2], "Power [W]")
    return made.draft(Sheet(rows, (head,)))


def swapped_small_units(rng: Random) -> Draft:
    """Millivolts that jump with the load, milliamperes that fall slowly from 4600."""
    series = measured(rng)
    dialect = rng.choice(WESTERN)
    rows = columns(seconds(series, dialect), amps(series, dialect), volts(series, dialect, "mV"))
    one, other = swapped_readings(series)
    return Draft(
        Sheet(rows, (("Time [s]", "Voltage [mV]", "Current [mA]"),)).data(dialect),
        (Truth(one, settle="swapped mV mA"), Truth(other, settle="as headed")),
    )


def large_current_without_unit(rng: Random) -> Draft:
    """148.2 under "I": milliamperes, or microamperes of a sleeping piece."""
    series = measured(rng)
    dialect = rng.choice(THREE)
    rows = columns(seconds(series, dialect), volts(series, dialect), amps(series, dialect))
    small = replace(series, current_ma=tuple(value / 1000 for value in series.current_ma))
    return Draft(
        Sheet(rows, (("Time [s]", "U [V]", "I"),)).data(dialect),
        (
            Truth(rows_of(series), settle="current in mA"),
            Truth(rows_of(small), settle="current in uA"),
        ),
    )


def long_units(rng: Random) -> Draft:
    """Minutes or hours as decimal numbers, named."""
    unit, factor, step = rng.choice([("min", 60, "6"), ("h", 3600, "36"), ("hours", 3600, "36")])
    made = plain(rng, WESTERN, step_s=step)
    cells = [
        made.dialect.number((time / factor).quantize(Decimal("0.01")))
        for time in made.series.time_s
    ]
    return replace(made, time=(cells, f"Time [{unit}]")).draft()


def counter_names(rng: Random) -> Draft:
    """A sketch's counter, by its usual names."""
    made = plain(rng, THREE)
    name, factor = rng.choice([("millis", "1000"), ("time_ms", "1000"), ("uptime_ms", "1000")])
    begin = rng.randint(100, 9000)
    cells = [str(int(time * int(factor)) + begin) for time in made.series.time_s]
    return replace(made, time=(cells, name)).draft()


def clock_over_midnight(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s="10")
    start = datetime(2025, 11, 28, 23, 57, rng.randint(0, 40))
    return replace(made, time=(clock.written(made.series, start, "%H:%M:%S"), "Time")).draft()


def past_a_day(rng: Random) -> Draft:
    """Elapsed hours go on beyond 24."""
    made = plain(rng, WESTERN, step_s="10")
    cells = clock.elapsed(made.series, "hms", 86400 - 100)
    return replace(made, time=(cells, rng.choice(["Elapsed", "Elapsed time", "Time"]))).draft()


def minutes_named(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s=rng.choice(["1", "10", "30"]))
    cells = clock.elapsed(made.series, "ms")
    return replace(made, time=(cells, rng.choice(["Time [mm:ss]", "Time (min:s)"]))).draft()


def minutes_into_hours(rng: Random) -> Draft:
    """59:50, then 1:00:00: minutes and seconds until then."""
    made = plain(rng, WESTERN, step_s="10")
    cells = []
    for time in made.series.time_s:
        minutes, second = divmod(int(time) + 3500, 60)
        hours, minute = divmod(minutes, 60)
        cells.append(
            f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute:02d}:{second:02d}"
        )
    return replace(made, time=(cells, "Time")).draft()


def half_day_date(rng: Random) -> Draft:
    """Month, day, year and a clock of twelve hours, over midnight."""
    made = plain(rng, WESTERN, step_s="30")
    start = datetime(2025, 11, rng.randint(14, 27), 23, 55)
    cells = clock.bare_hour(clock.written(made.series, start, "%m/%d/%Y %I:%M:%S %p"))
    return replace(made, time=(cells, rng.choice(["Date", "Time"])), start=start).draft()


def half_day_unmarked(rng: Random) -> Draft:
    """12:59:50, then 1:00:00, with no AM or PM: an hour has not been lost."""
    made = plain(rng, WESTERN, step_s="10")
    start = datetime(2025, 11, 28, 12, 58, rng.randint(0, 50))
    cells = clock.bare_hour(clock.written(made.series, start, "%I:%M:%S"))
    return replace(made, time=(cells, "Time")).draft()


def month_before_day(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s="60")
    start = datetime(2025, rng.randint(1, 12), rng.randint(14, 27), 20, 50)
    pattern = rng.choice(["%m/%d/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%m-%d-%Y %H:%M:%S"])
    return replace(
        made, time=(clock.written(made.series, start, pattern), "Time"), start=start
    ).draft()


def open_date(rng: Random) -> Draft:
    """03/04 on every row: the rows are clear, the day is not."""
    made = plain(rng, WESTERN, step_s="60")
    start = datetime(2026, rng.randint(1, 4), rng.randint(6, 12), 20, 10)
    made = replace(made, time=(clock.written(made.series, start, "%d/%m/%Y %H:%M:%S"), "Time"))
    truth = replace(made.truth(), start_open=True)
    return Draft(made.sheet.data(made.dialect), (truth,))


def a_row_a_day(rng: Random) -> Draft:
    """01/02, 02/02, 03/02 ...: each day, or the second of each month."""
    dialect = rng.choice(THREE)
    month = rng.randint(1, 11)
    series = measured(rng, rows=12, step_s="86400")
    cells = [f"{day:02d}/{month:02d}/2026 12:00:00" for day in range(1, 13)]
    first = datetime(2026, 1, month)
    monthly = [
        Decimal(int((datetime(2026, m, month) - first).total_seconds())) for m in range(1, 13)
    ]
    rows = columns(cells, volts(series, dialect), amps(series, dialect))
    return Draft(
        Sheet(rows, (("Time", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (
            Truth(rows_of(series), settle="day before month"),
            Truth(rows_of(series.at(monthly)), settle="month before day"),
        ),
    )


def day_number_or_seconds(rng: Random) -> Draft:
    """45989.87797 under "Time": a spreadsheet's day, or seconds of a meter that has run for half a day."""
    dialect = rng.choice(THREE)
    series = measured(rng, step_s="60")
    texts = clock.day_numbers(series, clock.EVENING, dialect, places=6)
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


def day_number_1904(rng: Random) -> Draft:
    """Day numbers of the other system: the rows are clear, the day is four years and a day off."""
    made = plain(rng, THREE, step_s="60")
    cells = clock.day_numbers(made.series, clock.EVENING, made.dialect, zero=clock.ZERO_1904)
    made = replace(made, time=(cells, "Date"))
    return Draft(made.sheet.data(made.dialect), (replace(made.truth(), start_open=True),))


def day_number_grouped(rng: Random) -> Draft:
    """45,989.87797: as a spreadsheet shows it with a sign for thousands."""
    dialect, sign = rng.choice([(COMMA_QUOTED, ","), (TAB, ","), (SEMI, ".")])
    made = Plain(dialect, measured(rng, step_s="60"))
    cells = grouped(clock.day_numbers(made.series, clock.EVENING, dialect), dialect, sign)
    return replace(made, time=(cells, "Date/Time")).draft()


def epoch_milliseconds(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s=rng.choice(["0.5", "10"]))
    cells = clock.epoch(made.series, clock.EVENING, 1000)
    name = rng.choice(["timestamp", "epoch ms", "Unix time (ms)"])
    return replace(made, time=(cells, name), start=clock.EVENING).draft()


def clock_before_date(rng: Random) -> Draft:
    made = plain(rng, WESTERN, step_s="30")
    start = datetime(2025, 11, rng.randint(14, 27), 23, 55)
    rows = columns(
        clock.written(made.series, start, "%H:%M:%S"),
        clock.written(made.series, start, "%Y-%m-%d"),
        *map(list, list(zip(*made.rows, strict=True))[1:]),
    )
    made = replace(made, start=start)
    return made.draft(Sheet(rows, (("Time", "Date", *made.head[1:]),)))


def day_and_fraction(rng: Random) -> Draft:
    """The date as a day number, the clock as a fraction of a day, each in its column."""
    made = plain(rng, THREE, step_s="60")
    start = datetime(2025, 11, 28, 23, 55)
    texts = clock.day_numbers(made.series, start, made.dialect, places=6)
    days = [text.partition(made.dialect.decimal)[0] for text in texts]
    parts = ["0" + made.dialect.decimal + text.partition(made.dialect.decimal)[2] for text in texts]
    rows = columns(days, parts, *map(list, list(zip(*made.rows, strict=True))[1:]))
    made = replace(made, tolerance_s=0.1)
    return made.draft(Sheet(rows, (("Date", "Time", *made.head[1:]),)))


def autumn_with_offset(rng: Random) -> Draft:
    zone, change = rng.choice(clock.AUTUMN)
    made = plain(rng, WESTERN, step_s="600")
    cells = clock.local(made.series, change - timedelta(minutes=100), zone, "%Y-%m-%dT%H:%M:%S%z")
    return replace(made, time=(cells, "Time")).draft()


def hour_is_there(rng: Random) -> Draft:
    """The night when summer time begins, but two o'clock is in the file: this clock was not set on."""
    made = plain(rng, WESTERN, step_s="600")
    start = datetime(2025, 3, 30, 0, 40)
    cells = clock.written(made.series, start, "%Y-%m-%d %H:%M:%S")
    return replace(made, time=(cells, "Time"), start=start).draft()


def pause_in_utc(rng: Random) -> Draft:
    """An hour is missing where summer time begins, but the heading says UTC: the meter was off."""
    made = plain(rng, WESTERN, step_s="600")
    start = datetime(2025, 3, 30, 0, 20)
    series = made.series.at([time + (3600 if time >= 6000 else 0) for time in made.series.time_s])
    cells = clock.written(series, start, "%Y-%m-%d %H:%M:%S")
    return replace(made, series=series, time=(cells, rng.choice(["Time (UTC)", "UTC"]))).draft()


def pause_over_change(rng: Random) -> Draft:
    """The meter was off the night through in which summer time began: ten hours or nine."""
    dialect = rng.choice(THREE)
    series = measured(rng, step_s="60")
    zone, change = "Europe/Berlin", clock.SPRING[0][1]
    true = series.at([t + (36000 if t >= 720 else 0) for t in series.time_s])
    start = change - timedelta(hours=5)
    cells = clock.local(true, start, zone, "%Y-%m-%d %H:%M:%S")
    face = series.at([t + (39600 if t >= 720 else 0) for t in series.time_s])
    rows = columns(cells, volts(series, dialect), amps(series, dialect))
    return Draft(
        Sheet(rows, (("Time", "Voltage [V]", "Current [mA]"),)).data(dialect),
        (
            Truth(rows_of(true), settle=f"zone {zone}"),
            Truth(rows_of(face), settle="zone none"),
        ),
    )


def spaced_thousands(rng: Random) -> Draft:
    """1 234,5 with a space that does not break, or 1'234.5 (CLDR fr, sv and de-CH, from memory)."""
    dialect, sign = rng.choice(
        [
            (replace(SEMI, encoding="utf-8"), "\u202f"),
            (SEMI, "\xa0"),
            (SEMI_POINT, "'"),
            (TAB, "’"),
            (TAB_COMMA, "\xa0"),
        ]
    )
    made = Plain(dialect, measured(rng, load=STRONG))
    cells = grouped(amps(made.series, dialect), dialect, sign)
    rows = columns(made.time_cells, volts(made.series, dialect), cells)
    return made.draft(Sheet(rows, (made.head,)))


def grouped_millivolts(rng: Random) -> Draft:
    """4,506 under "mV": no pack has four and a half millivolts."""
    made = Plain(rng.choice((COMMA_QUOTED, TAB)), measured(rng), units=("mV", "mA"))
    cells = grouped(volts(made.series, made.dialect, "mV"), made.dialect, ",")
    rows = columns(made.time_cells, cells, amps(made.series, made.dialect))
    return made.draft(Sheet(rows, (made.head,)))


def header_again_from_zero(rng: Random) -> Draft:
    """The headings come again and the elapsed time begins at 0: how long it stood is not in the file."""
    dialect = rng.choice(THREE)
    series = measured(rng)
    rows = columns(
        [dialect.number(Decimal(index % 12)) for index in range(24)],
        volts(series, dialect),
        amps(series, dialect),
    )
    sheet = Sheet((*rows[:12], PLAIN_HEAD, *rows[12:]), (PLAIN_HEAD,))
    return Draft(sheet.data(dialect), (Truth(in_parts(series, 12)),))


def header_changes(rng: Random) -> Draft:
    """After the restart the meter writes amperes, or the columns in another order."""
    made = plain(rng, THREE)
    made = replace(made, units=("V", "mA"), style="{} [{}]")
    if rng.random() < 0.5:
        other = replace(made, units=("V", "A"))
        rows = (*made.rows[:12], other.head, *other.rows[12:])
    else:
        turned = tuple((time, amp, volt) for time, volt, amp in made.rows[12:])
        rows = (*made.rows[:12], (made.head[0], made.head[2], made.head[1]), *turned)
    return made.draft(Sheet(rows, (made.head,)))


def late_row(rng: Random) -> Draft:
    """Two rows have changed places."""
    made = plain(rng, WESTERN)
    at = rng.randrange(5, 18)
    rows = (*made.rows[:at], made.rows[at + 1], made.rows[at], *made.rows[at + 2 :])
    optional = (at, at + 1)
    return made.draft(Sheet(rows, (made.head,)), rows_of(made.series, optional=optional))


def doubled_block(rng: Random) -> Draft:
    """A stretch of the file stands twice, one stretch under the other."""
    made = plain(rng, WESTERN, step_s="60")
    cells = clock.written(made.series, clock.EVENING, "%Y-%m-%d %H:%M:%S")
    made = replace(made, time=(cells, "Time"))
    rows = (*made.rows[:14], *made.rows[6:14], *made.rows[14:])
    return made.draft(Sheet(rows, (made.head,)))


def negative_flat(rng: Random) -> Draft:
    """Negative current, a voltage that stands still: a pack that gives, written as negative, or one that is charged."""
    dialect = rng.choice(WESTERN)
    series = measured(rng)
    series = replace(series, voltage_v=tuple(Decimal("4.120") for _ in series.voltage_v))
    rows = columns(seconds(series, dialect), volts(series, dialect), minus(amps(series, dialect)))
    charged = tuple(
        Row(row.time_s, row.voltage_v, -row.current_ma if row.current_ma else row.current_ma)
        for row in rows_of(series)
    )
    return Draft(
        Sheet(rows, (PLAIN_HEAD,)).data(dialect),
        (Truth(rows_of(series), settle="negative out"), Truth(charged, settle="as signed")),
    )


def huge_numbers(rng: Random) -> Draft:
    """9.9E37 in place of a value that was beyond the range (IEEE 488.2 instruments, from memory)."""
    made = Plain(rng.choice((COMMA, TAB, SEMI_POINT)), measured(rng), units=("V", "A"))
    gone = sorted(rng.sample(range(3, 21), 2))
    mark = rng.choice(["9.9E37", "9.90000000E+37", "+9.9E+37"])
    rows = tuple((*row[:2], mark) if i in gone else row for i, row in enumerate(made.rows))
    return made.draft(Sheet(rows, (made.head,)), without_current(made, gone))


def no_numbers(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    gone = sorted(rng.sample(range(3, 21), 2))
    mark = rng.choice(["NaN", "#N/A", "#DIV/0!", "n/a", "inf"])
    rows = tuple((*row[:2], mark) if i in gone else row for i, row in enumerate(made.rows))
    return made.draft(Sheet(rows, (made.head,)), without_current(made, gone))


def figures_below(rng: Random) -> Draft:
    """A blank line and a block of figures under the table."""
    made = plain(rng, WESTERN)
    delimiter = made.dialect.delimiter
    below = (
        "",
        f"Statistics{delimiter}{delimiter}",
        *(
            f"{word}{delimiter}{made.rows[2][1]}{delimiter}{made.rows[4][2]}"
            for word in ("Min", "Max", "Mean")
        ),
    )
    return made.draft(replace(made.sheet, below=below))


def bare_sum_below(rng: Random) -> Draft:
    """Under the table a row of numbers alone: how many rows, the mean voltage, the sum of the currents."""
    made = Plain(rng.choice(THREE), measured(rng))
    number = made.dialect.number
    last = ("24", number(Decimal("4.102")), number(sum(made.series.current_ma, Decimal(0))))
    return made.draft(
        replace(made.sheet, rows=(*made.rows, ("", "", ""), last)), rows_of(made.series)
    )


def empty_columns(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    rows = tuple((row[0], "", row[1], "", row[2]) for row in made.rows)
    head = (made.head[0], "", made.head[1], "", made.head[2])
    return made.draft(Sheet(rows, (head,)))


def cut_number(rng: Random) -> Draft:
    """Power went while the last number was written: 182.4 reads 18."""
    made = Plain(rng.choice(THREE), measured(rng, load=Load(draws_ma=(148, 212, 286))))
    sheet = replace(made.sheet, last_newline=False, cut=3)
    rows = list(rows_of(made.series))
    rows[-1] = replace(rows[-1], current_ma=None, optional=True)
    return made.draft(sheet, tuple(rows))


def whole_last_line(rng: Random) -> Draft:
    made = plain(rng, WESTERN)
    return made.draft(replace(made.sheet, last_newline=False))


def pause_over_midnight(rng: Random) -> Draft:
    """A clock without a date, and a pause from evening into the night."""
    made = plain(rng, WESTERN, step_s="60")
    series = made.series.at(
        [t + (9000 if i >= 12 else 0) for i, t in enumerate(made.series.time_s)]
    )
    start = datetime(2025, 11, 28, 22, 30)
    return replace(
        made, series=series, time=(clock.written(series, start, "%H:%M:%S"), "Time")
    ).draft()


def comments_between(rng: Random) -> Draft:
    made = plain(rng, (COMMA, SEMI_POINT, TAB))
    delimiter = made.dialect.delimiter
    lines = [delimiter.join(row) for row in made.rows]
    text = "\n".join(
        ["# bench meter", delimiter.join(made.head), *lines[:9], "# range changed", *lines[9:], ""]
    )
    return Draft(made.dialect.encode(text), (made.truth(),))


def mixed(rng: Random) -> Draft:
    """Any dialect, any unit, any plain time form, and one defect that a person sees at once."""
    made = plain(rng, WESTERN, step_s=rng.choice(["1", "10", "60"]))
    start = datetime(
        2025, rng.randint(1, 12), rng.randint(13, 20), rng.randint(4, 22), rng.randint(0, 59)
    )
    form = rng.randrange(6)
    series = made.series
    if form == 1:
        made = replace(
            made,
            time=(clock.written(series, start, "%Y-%m-%dT%H:%M:%SZ"), "Timestamp"),
            start=start,
        )
    elif form == 2:
        made = replace(
            made, time=(clock.written(series, start, "%m/%d/%Y %I:%M:%S %p"), "Date"), start=start
        )
    elif form == 3:
        made = replace(made, time=(clock.written(series, start, "%H:%M:%S"), "Clock"))
    elif form == 4:
        made = replace(made, time=(clock.epoch(series, start, 1000), "epoch_ms"), start=start)
    elif form == 5:
        made = replace(
            made, time=(clock.written(series, start, "%Y/%m/%d %H:%M:%S"), "Date Time"), start=start
        )
    defect = rng.randrange(5)
    rows, head = made.rows, made.head
    if defect == 1:
        return made.draft(Sheet(tuple((*row, "", "") for row in rows), ((*head, "", ""),)))
    if defect == 2:
        return made.draft(replace(made.sheet, below=("", "End of data")))
    if defect == 3:
        return made.draft(Sheet((*rows[:10], head, *rows[10:]), (head,)))
    if defect == 4:
        gone = [rng.randrange(3, 20)]
        cells = tuple((*row[:2], "NaN") if i in gone else row for i, row in enumerate(rows))
        return made.draft(Sheet(cells, (head,)), without_current(made, gone))
    return made.draft()


KINDS: Final = (
    Kind("powers-of-ten", "dialect", READ, 4, powers_of_ten),
    Kind("comments-between", "dialect", READ, 3, comments_between),
    Kind("capitals", "units", READ, 4, capitals),
    Kind("unit-row-words", "units", READ, 4, unit_row_words),
    Kind("ranging-units", "units", READ, 4, ranging_units),
    Kind("ranging-unit-column", "units", EITHER, 3, ranging_unit_column),
    Kind("large-current-without-unit", "units", ASK, 3, large_current_without_unit),
    Kind("swapped-small-units", "columns", ASK, 4, swapped_small_units),
    Kind("other-columns", "columns", READ, 5, other_columns),
    Kind("long-units", "time", READ, 4, long_units),
    Kind("counter-names", "time", READ, 4, counter_names),
    Kind("clock-over-midnight", "time", READ, 4, clock_over_midnight),
    Kind("past-a-day", "time", READ, 3, past_a_day),
    Kind("minutes-named", "time", READ, 3, minutes_named),
    Kind("minutes-into-hours", "time", READ, 3, minutes_into_hours),
    Kind("half-day-date", "time", READ, 4, half_day_date),
    Kind("half-day-unmarked", "time", EITHER, 3, half_day_unmarked),
    Kind("month-before-day", "time", READ, 4, month_before_day),
    Kind("open-date", "time", EITHER, 3, open_date),
    Kind("a-row-a-day", "time", ASK, 3, a_row_a_day),
    Kind("day-number-or-seconds", "time", ASK, 4, day_number_or_seconds),
    Kind("day-number-1904", "time", EITHER, 3, day_number_1904),
    Kind("day-number-grouped", "time", READ, 3, day_number_grouped),
    Kind("epoch-milliseconds", "time", READ, 3, epoch_milliseconds),
    Kind("clock-before-date", "time", READ, 3, clock_before_date),
    Kind("day-and-fraction", "time", EITHER, 3, day_and_fraction),
    Kind("autumn-with-offset", "time", READ, 3, autumn_with_offset),
    Kind("hour-is-there", "time", READ, 3, hour_is_there),
    Kind("pause-in-utc", "time", READ, 3, pause_in_utc),
    Kind("pause-over-change", "time", ASK, 3, pause_over_change),
    Kind("spaced-thousands", "defect", READ, 5, spaced_thousands),
    Kind("grouped-millivolts", "defect", READ, 3, grouped_millivolts),
    Kind("header-again-from-zero", "defect", EITHER, 3, header_again_from_zero),
    Kind("header-changes", "defect", EITHER, 4, header_changes),
    Kind("late-row", "defect", EITHER, 3, late_row),
    Kind("doubled-block", "defect", EITHER, 3, doubled_block),
    Kind("negative-flat", "defect", ASK, 3, negative_flat),
    Kind("huge-numbers", "defect", READ, 3, huge_numbers),
    Kind("no-numbers", "defect", READ, 4, no_numbers),
    Kind("figures-below", "defect", READ, 3, figures_below),
    Kind("bare-sum-below", "defect", EITHER, 2, bare_sum_below),
    Kind("empty-columns", "defect", READ, 3, empty_columns),
    Kind("cut-number", "defect", READ, 3, cut_number),
    Kind("whole-last-line", "defect", READ, 3, whole_last_line),
    Kind("pause-over-midnight", "defect", EITHER, 3, pause_over_midnight),
    Kind("mixed-sealed", "mixed", READ, 20, mixed),
)  # fmt: skip

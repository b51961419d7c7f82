"""What is plausible in two readings is asked, each option then gives its reading; what has one is read.

The truth is made here by plain formulas: pack voltage falls 4 mV a row from 4.5 V, current 30 uA from 48.2 mA.
"""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from logger.base.errors import BenchError
from logger.commands.import_text import import_command
from logger.run.reader import read_run
from logger.text.question import Question
from tests.support.foreign_text import write

ROWS = 40
Row = Callable[[int], str]


def table(header: str, row: Row, rows: int = ROWS, end: str = "") -> str:
    return f"{header}\n" + "".join(f"{row(n)}\n" for n in range(rows)) + end


def volts(n: int) -> float:
    return 4.5 - 0.004 * n


def milliamperes(n: int) -> float:
    return 48.2 - 0.03 * n


def both(n: int, sign: str = ";") -> str:
    return f"{volts(n):.3f}{sign}{milliamperes(n):.2f}"


def imported(path: Path, *options: str) -> tuple[list[float], list[float], list[float]]:
    """Times, volts and milliamperes of the run that the command writes, or its error."""
    folder = path.parent / "run"
    result = CliRunner().invoke(import_command, [str(path), str(folder), *options])
    if result.exception is not None:
        assert not folder.exists(), "nothing is written where something is asked"
        raise result.exception
    samples = read_run(folder).samples
    for item in folder.iterdir():
        item.unlink()
    folder.rmdir()
    return tuple(samples[name].tolist() for name in ("time_s", "pack_v", "current_ma"))  # type: ignore[return-value]


def settled(
    path: Path, message: str, *options: str
) -> list[tuple[tuple[str, ...], list[list[float]]]]:
    """The options of each reading, and what the run is with them, after the question was asked in these words."""
    with pytest.raises(Question, match=message) as asked:
        imported(path, *options)
    return [
        (reading.settle, [*map(list, imported(path, *options, *reading.settle))])
        for reading in asked.value.readings
    ]


TIME = "Time;U (V);I (mA)"


@pytest.mark.parametrize(
    ("text", "message", "steps_s"),
    [
        (table(TIME, lambda n: f"{n};{both(n)}"), "Which unit has the time", [1, 60]),
        (table(TIME, lambda n: f"{1000 * n};{both(n)}"), "Which unit has the time", [1, 1000]),
        (
            table(TIME, lambda n: f"{0.5 + n / 2880:.8f};{both(n)}"),
            "Which unit has the",
            [1 / 2880, 30],
        ),
        (
            table(TIME, lambda n: f"{45990.875 + n / 1440:.6f};{both(n)}"),
            "Which unit has the time",
            [1 / 1440, 60],
        ),
        (
            table(TIME, lambda n: f"{n // 2}:{n % 2 * 30:02d};{both(n)}"),
            "minutes and seconds, or hours and minutes",
            [30, 1800],
        ),
        (
            # Three decimals: a day number every 86.4 s, or a thousandth of a second.
            table(TIME, lambda n: f"{45990.875 + n / 1000:.3f};{both(n)}"),
            "Which unit has the time",
            [0.001, 86.4],
        ),
        (
            table(TIME, lambda n: f"2026-03-29 {1 + 2 * (n // 20)}:{(40 + n) % 60:02d};{both(n)}"),
            "did summer time begin",
            [60, 60],
        ),
        (
            # 0.57, 0.58, 0.59, 1.00: never past 59 hundredths.
            table(
                "Time (h);U (V);I (mA)",
                lambda n: f"{(n + 40) // 60}.{(n + 40) % 60:02d};{both(n)}",
            ),
            "decimal numbers, or two numbers with a point",
            [36, 60],
        ),
    ],
)
def test_each_option_gives_the_reading_that_it_promised(
    tmp_path: Path, text: str, message: str, steps_s: list[float]
) -> None:
    answers = settled(write(tmp_path, text), message)
    assert len(answers) == len(steps_s)
    for (_, (time_s, pack_v, current_ma)), step_s in zip(answers, steps_s, strict=True):
        assert np.median(np.diff(time_s)) == pytest.approx(step_s, rel=0.01)
        assert pack_v == pytest.approx([volts(n) for n in range(ROWS)], abs=1e-3)
        assert current_ma == pytest.approx([milliamperes(n) for n in range(ROWS)], abs=1e-2)
    assert answers[0][1][0] != answers[1][1][0]


def test_day_or_month(tmp_path: Path) -> None:
    path = write(tmp_path, table(TIME, lambda n: f"0{3 + n // 20}/04/2026 {n % 20}:00;{both(n)}"))
    # One of them has a month between its rows: the other is taken.
    assert np.diff(imported(path)[0]).max() == 5 * 3600
    # A row a day, or a row on the second of each month: evenness is no proof.
    days = write(tmp_path, table(TIME, lambda n: f"{n + 1:02d}/02/2026;{both(n)}", 12))
    assert len(settled(days, "the day or the month")) == 2
    one_day = write(tmp_path, table(TIME, lambda n: f"03/04/2026 21:{n:02d};{both(n)}"))
    answers = settled(one_day, "the day or the month")
    assert [options for options, _ in answers] == [
        ("--date-order", "dmy"),
        ("--date-order", "mdy"),
    ]
    with pytest.raises(BenchError, match="no date if it is written"):
        imported(
            write(tmp_path, table(TIME, lambda n: f"13/04/2026 21:{n:02d};{both(n)}")),
            "--date-order",
            "mdy",
        )


@pytest.mark.parametrize(
    ("cells", "expected_ma"),
    [
        # The voltage tells which sign is decimal, or the current would be beyond the bench.
        (lambda n: f"{volts(n):.3f};1,{234 + n}", 1234),
        (lambda n: f"{volts(n):.3f};1.{234 + n}".replace(".", ","), 1.234),
        (lambda n: f"{volts(n):.3f};{1234 + n:,}", 1234),
        (lambda n: f"{volts(n):.2f};{995 + n:,}", 995),
        (lambda n: f"{volts(n):.3f};1'{234 + n}", 1234),
        (lambda n: f"{volts(n):.3f};1\u202f{234 + n}", 1234),
        (lambda n: f"{volts(n):.3f};1 {234 + n}", 1234),
        (lambda n: f"{volts(n):.2f};1.{234 + n},5".replace(".", "_", 1).replace("_", ","), 1234.5),
    ],
)
def test_signs_between_thousands(tmp_path: Path, cells: Row, expected_ma: float) -> None:
    path = write(tmp_path, table("t (s);U (V);I (mA)", lambda n: f"{n};{cells(n)}"))
    _, pack_v, current_ma = imported(path)
    assert pack_v[0] == 4.5
    assert current_ma[0] == expected_ma


def test_a_sign_that_can_be_both_is_asked(tmp_path: Path) -> None:
    path = write(tmp_path, table("t (s);I (mA)", lambda n: f"{n};1,{234 + n}"))
    with pytest.raises(Question, match="What does the comma in numbers mean") as asked:
        CliRunner().invoke(import_command, [str(path), "--dry-run"], catch_exceptions=False)
    assert [reading.settle for reading in asked.value.readings] == [
        ("--decimal", "comma"),
        ("--decimal", "point", "--thousands", "comma"),
    ]


def test_a_thousands_comma_that_divides_a_number_is_refused(tmp_path: Path) -> None:
    whole = table("t_s,U (V),I (uA)", lambda n: f"{n},4.5,1,{234 + n}")
    late = table("t_s,U (V),I (uA)", lambda n: f"{n},4.5,{n + 970:,}")
    for text in (whole, late):
        with pytest.raises(BenchError, match="comma"):
            imported(write(tmp_path, text))


def test_swapped_columns_are_asked_only_where_the_names_are_implausible(tmp_path: Path) -> None:
    path = write(
        tmp_path, table("t (s);U (V);I (mA)", lambda n: f"{n};{milliamperes(n):.2f};{volts(n):.3f}")
    )
    as_named, swapped = settled(path, "may be swapped")
    assert as_named[1][1][0] == 48.2
    assert swapped[1][1][0] == 4.5
    assert swapped[1][2][0] == 48.2
    other_order = table("t (s);I (mA);U (V)", lambda n: f"{n};{milliamperes(n):.2f};{volts(n):.3f}")
    assert imported(write(tmp_path, other_order))[1][0] == 4.5


@pytest.mark.parametrize(
    ("current", "first_ma"),
    [
        (lambda n: -milliamperes(n), 48.2),
        (lambda n: milliamperes(n) * (1 if n % 4 else -0.001), -0.0482),
    ],
)
def test_sign_of_the_current(
    tmp_path: Path, current: Callable[[int], float], first_ma: float
) -> None:
    path = write(
        tmp_path, table("t (s);U (V);I (mA)", lambda n: f"{n};{volts(n):.3f};{current(n):.4f}")
    )
    assert imported(path)[2][0] == pytest.approx(first_ma)


def test_all_negative_is_turned_only_where_the_voltage_falls(tmp_path: Path) -> None:
    for slope_v in (0.0, 0.01):
        rows = [f"{n};{4.12 + n * slope_v:.3f};-{milliamperes(n):.2f}\n" for n in range(ROWS)]
        text = "t (s);U (V);I (mA)\n" + "".join(rows)
        answers = settled(write(tmp_path, text), "Which sign of the current")
        assert [samples[2][0] for _, samples in answers] == [-48.2, 48.2]


def test_a_unit_beyond_the_bench_is_asked(tmp_path: Path) -> None:
    path = write(tmp_path, table("t (s);Voltage [mV];I [mA]", lambda n: f"{n};{both(n)}"))
    milli, whole = settled(path, "beyond the bench in mV")
    assert (milli[1][1][0], whole[1][1][0]) == (0.0045, 4.5)
    path = write(tmp_path, table("t (s);U [V];I [A]", lambda n: f"{n};{both(n)}"))
    assert [samples[2][0] for _, samples in settled(path, "beyond the bench in A")] == [
        48200,
        48.2,
        0.0482,
    ]


def test_a_temperature_is_no_time(tmp_path: Path) -> None:
    for name in ("T [°C]", "T (K)", "T_degC", "t, %"):
        text = table(f"{name};t [s];U [V];I [mA]", lambda n: f"{20 + n / 10:.1f};{n};{both(n)}")
        assert imported(write(tmp_path, text))[0] == [float(n) for n in range(ROWS)]


def test_two_columns_of_one_name_are_asked(tmp_path: Path) -> None:
    text = table("t (s);V;mA;mA", lambda n: f"{n};{both(n)};12")
    first, second = settled(write(tmp_path, text), "More than one column could be the current")
    assert (first[1][2][0], second[1][2][0]) == (48.2, 12.0)


def test_a_stretch_that_cannot_be_read_is_refused_and_a_footer_is_not(tmp_path: Path) -> None:
    rows = [f"{n};{both(n)}\n" for n in range(ROWS)]
    wider = [row.replace("\n", ";25\n") if 20 <= n < 30 else row for n, row in enumerate(rows)]
    with pytest.raises(BenchError, match=r"10 rows: has not 3 columns \(first: line 22\)"):
        imported(write(tmp_path, "t (s);V;mA\n" + "".join(wider)))
    footer = "made by a meter\n" * 30
    between = [f"looking for the net\n{row}" for row in rows]
    for text in ("".join(rows) + footer, "".join(between)):
        assert len(imported(write(tmp_path, "t (s);V;mA\n" + text))[0]) == ROWS


def test_currents_of_both_signs_are_asked(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        table(
            "t (s);U (V);I (mA)",
            lambda n: f"{n};{volts(n):.3f};{milliamperes(n) * (-1) ** (n // 10):.2f}",
        ),
    )
    as_read, turned = settled(path, "Which sign of the current")
    assert as_read[1][2][0] == 48.2
    assert turned[1][2][0] == -48.2


def test_minutes_with_a_point_before_the_seconds_are_asked_at_any_even_step(tmp_path: Path) -> None:
    for step_s in (10, 15, 20, 30):
        rows = (f"{n * step_s // 60}.{n * step_s % 60:02d};{both(n)}\n" for n in range(ROWS))
        path = write(tmp_path, "Time (min);U (V);I (mA)\n" + "".join(rows))
        decimal, pointed = settled(path, "two numbers with a point between")
        assert decimal[0] == ("--time-unit", "min")
        assert pointed[1][0][1] == step_s
    halves = table("Time (min);U (V);I (mA)", lambda n: f"{n / 2:.2f};{both(n)}")
    assert imported(write(tmp_path, halves))[0][1] == 30
    whole = table("Time (min);U (V);I (mA)", lambda n: f"{n}.00;{both(n)}")
    assert imported(write(tmp_path, whole))[0][1] == 60


def test_a_column_that_may_number_the_rows_is_asked_unless_it_was_named(tmp_path: Path) -> None:
    path = write(tmp_path, table("n;U (V);I (mA)", lambda n: f"{n + 1};{both(n)}"))
    options = [options for options, _ in settled(path, "Which unit has the time")]
    assert options == [("--time-unit", "s"), ("--time-unit", "min"), ("--every", "1s")]
    # Each option of a question settles it: --every does not go with --time.
    named = [options for options, _ in settled(path, "Which unit", "--time", "1")]
    assert named == options[:2]


def test_units_of_the_current_are_asked_and_not_guessed_by_size(tmp_path: Path) -> None:
    path = write(tmp_path, table("t (s);U (V);I", lambda n: f"{n};{both(n)}"))
    milli, micro = settled(path, "unit of the current")
    assert (milli[1][2][0], micro[1][2][0]) == (48.2, 0.0482)


@pytest.mark.parametrize(
    ("header", "row", "step_s"),
    [
        ("Date;Time;U (V);I (mA)", lambda n: f"13/04/2026;21:{n:02d};{both(n)}", 60),
        ("Date;Time;U (V);I (mA)", lambda n: f"45990;{0.875 + n / 8640:.9f};{both(n)}", 10),
        ("Date/Time;U (V);I (mA)", lambda n: f"{45990.875 + n / 8640:.8f};{both(n)}", 10),
        ("Datum;U (V);I (mA)", lambda n: f"{44528.875 + n / 8640:,.8f};{both(n)}", 10),
        ("Time (mm:ss);U (V);I (mA)", lambda n: f"{n // 2}:{n % 2 * 30:02d};{both(n)}", 30),
        ("Time;U (V);I (mA)", lambda n: f"{(50 + n) // 60}:{(n + 50) % 60:02d}:00;{both(n)}", 60),
        ("Time;U (V);I (mA)", lambda n: f"{(59 * 60 + 40 + n) // 60 % 60}:{(n + 40) % 60:02d};{both(n)}", 1),
        ("Time;U (V);I (mA)", lambda n: f"{(23 * 60 + 40 + n) // 60 % 24}:{(n + 40) % 60:02d};{both(n)}", 60),
        ("Time;U (V);I (mA)", lambda n: f"12:{n + 30}:00;{both(n)}" if n < 30 else f"1:{n - 30:02d}:00;{both(n)}", 60),
        ("Time;U (V);I (mA)", lambda n: f"{11 if n < 20 else 12}:{(n + 40) % 60:02d}:00 {'PM' if n < 20 else 'AM'};{both(n)}", 60),
        ("Time;U (V);I (mA)", lambda n: f"3 Apr 2026 21:{n:02d}:00;{both(n)}", 60),
        ("Time;U (V);I (mA)", lambda n: f"21:00:{n // 4:02d},{n % 4 * 250:03d};{both(n)}", 0.25),
        ("Time;ms;U (V);I (mA)", lambda n: f"21:00:{n // 4:02d};{n % 4 * 250};{both(n)}", 0.25),
        ("Time;U (V);I (mA)", lambda n: f"{1769900399000 + 500 * n};{both(n)}", 0.5),
        ("Time;U (V);I (mA)", lambda n: f"2026-10-25 02:{(40 + n) % 60:02d};{both(n)}", 60),
        ("Time (UTC);U (V);I (mA)", lambda n: f"2026-03-29 01:{n:02d};{both(n)}", 60),
        ("Time;Voltage;Current\nSeconds;Millivolt;Microampere", lambda n: f"{n};{1000 * volts(n):.0f};{1000 * milliamperes(n):.0f}", 1),
        ("Interval: 30 s;;\nTime;U (V);I (mA)", lambda n: f"{n // 2}:{n % 2 * 30:02d};{both(n)}", 30),
    ],
)  # fmt: skip
def test_what_has_one_plausible_reading_is_read(
    tmp_path: Path, header: str, row: Row, step_s: float
) -> None:
    time_s, pack_v, current_ma = imported(write(tmp_path, table(header, row)))
    assert time_s == pytest.approx([n * step_s for n in range(ROWS)], abs=step_s * 0.01)
    assert (pack_v[-1], current_ma[-1]) == pytest.approx((volts(39), milliamperes(39)), abs=1e-2)


def test_parts_footers_over_range_and_totals(tmp_path: Path) -> None:
    header = "t (s);U (V);I (mA)"
    text = table(
        header, lambda n: f"{n};{volts(n):.3f};{'OL' if n == 3 else '1E+38' if n == 4 else 48.2}"
    )
    total = sum(float(f"{volts(n):.3f}") for n in range(ROWS))
    sums = f"40;{total:.3f};1928\n"
    time_s, _, current_ma = imported(
        write(tmp_path, text + "Mean;4.4;48\n\nmade by a meter\n" + sums)
    )
    assert len(time_s) == ROWS
    assert np.flatnonzero(np.isnan(current_ma)).tolist() == [3, 4]
    again = table(header, lambda n: f"{n};{volts(n + 40):.3f};48.2")
    time_s, _, _ = imported(write(tmp_path, text + again))
    assert len(time_s) == 2 * ROWS
    assert time_s[ROWS] == ROWS  # one usual step, and told: how long it stood is not known
    other = table("t (s);I (mA);U (V)", lambda n: f"{n};48.2;{volts(n):.3f}")
    with pytest.raises(BenchError, match="another header"):
        imported(write(tmp_path, text + other))


def test_a_clock_that_goes_back_is_asked(tmp_path: Path) -> None:
    path = write(
        tmp_path, table(TIME, lambda n: f"{'23' if n < 20 else '03'}:{n:02d}:00;{both(n)}")
    )
    answers = dict(settled(path, "The time goes back"))
    assert (
        answers["--time-back", "next-day"][0][20] - answers["--time-back", "next-day"][0][19]
        == (4 * 60 + 1) * 60
    )
    assert len(answers["--time-back", "drop"][0]) == 20
    assert answers["--time-back", "sort"][1][0] == pytest.approx(volts(20), abs=1e-3)
    assert answers["--time-back", "restart"][0][20] == 20 * 60


def test_decimal_hours_are_read(tmp_path: Path) -> None:
    time_s, _, _ = imported(
        write(tmp_path, table("Time (h);U (V);I (mA)", lambda n: f"{n / 20:.2f};{both(n)}"))
    )
    assert time_s[20] == 3600


def test_a_heading_of_utc_has_no_summer_time(tmp_path: Path) -> None:
    row: Row = lambda n: f"2026-03-29 {1 + 2 * (n // 20)}:{(40 + n) % 60:02d};{both(n)}"  # noqa: E731
    time_s, _, _ = imported(write(tmp_path, table("Time (UTC);U (V);I (mA)", row)))
    assert time_s[20] - time_s[19] == 61 * 60


def test_questions_fit_the_screen(tmp_path: Path) -> None:
    path = write(tmp_path, table(TIME, lambda n: f"{n};{both(n)}"))
    with pytest.raises(Question) as asked:
        imported(path)
    lines = f"drawbench: {asked.value}".splitlines()
    assert max(map(len, lines)) <= 80
    assert re.search(r"\(A\) --time-unit s\n", str(asked.value))


def test_on_a_terminal_the_answer_is_taken_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, table("Time;U (V);I", lambda n: f"{n};{both(n)}"))
    monkeypatch.setattr("logger.commands.import_text._asks", lambda: True)
    kept = tmp_path / "meter.toml"
    arguments = [str(path), str(tmp_path / "run"), "--save-mapping", str(kept)]
    result = CliRunner().invoke(import_command, arguments, input="b\nA\n", catch_exceptions=False)
    assert "Which is right?" in result.output
    assert read_run(tmp_path / "run").samples["time_s"].iloc[-1] == 39 * 60
    assert 'unit = "min"' in kept.read_text()
    stopped = CliRunner().invoke(import_command, [str(path), str(tmp_path / "other")], input="\n")
    assert isinstance(stopped.exception, Question)
    assert not (tmp_path / "other").exists()


def _unit_beside(unit: Callable[[int], str]) -> str:
    return table("Time (s),Reading 1,Reading 2,Function", lambda n: f"{n},{both(n, ',')},{unit(n)}")


NAMED = ("--voltage", "2", "--current", "3")


def test_a_unit_in_a_column_beside_the_values_is_taken(tmp_path: Path) -> None:
    path = write(tmp_path, _unit_beside(lambda n: "uA"))
    assert imported(path, *NAMED)[2][0] == pytest.approx(milliamperes(0) / 1000)


@pytest.mark.parametrize("given", [(), ("--current-unit", "mA")])
def test_a_unit_beside_the_values_that_changes_is_refused(
    tmp_path: Path, given: tuple[str, ...]
) -> None:
    path = write(tmp_path, _unit_beside(lambda n: "mA" if n < 35 else "uA"))
    with pytest.raises(BenchError, match="not the same everywhere"):
        imported(path, *NAMED, *given)


def test_a_unit_beside_the_values_is_not_overruled_in_silence(tmp_path: Path) -> None:
    path = write(tmp_path, _unit_beside(lambda n: "uA"))
    with pytest.raises(BenchError, match="'Function' says uA; given was mA"):
        imported(path, *NAMED, "--current-unit", "mA")
    told = imported(path, *NAMED, "--current-unit", "mA", "--leave-out", "4")
    assert told[2][0] == pytest.approx(milliamperes(0))


TWO_CLOCKS = "Time V (s),Voltage (V),Time I (s),Current (mA)"


def two_clocks(other_s: Callable[[int], float], rows: int = ROWS) -> str:
    return table(
        TWO_CLOCKS, lambda n: f"{n},{volts(n):.3f},{other_s(n):g},{milliamperes(n):.2f}", rows
    )


@pytest.mark.parametrize("other_s", [lambda n: 1.1 * n, lambda n: n + 5.0, lambda n: n + 700.0])
def test_two_clocks_that_differ_are_asked(tmp_path: Path, other_s: Callable[[int], float]) -> None:
    path = write(tmp_path, two_clocks(other_s))
    with pytest.raises(Question, match=r"two columns of times|More than one column could be"):
        imported(path)
    one, other = imported(path, "--time", "1"), imported(path, "--time", "3")
    assert one[0] == pytest.approx([float(n) for n in range(ROWS)])
    assert other[0] == pytest.approx([other_s(n) - other_s(0) for n in range(ROWS)])
    assert imported(path, "--leave-out", "3") == one, "leaving the other out settles it"


def test_each_quantity_can_be_read_at_its_own_times(tmp_path: Path) -> None:
    path = write(tmp_path, two_clocks(lambda n: n + 5.0))
    with pytest.raises(Question) as asked:
        imported(path)
    assert [reading.settle for reading in asked.value.readings[2:]] == [
        ("--time", "1", "--leave-out", "4"),
        ("--time", "3", "--leave-out", "2"),
    ]
    assert "5 s apart; the usual step is 1 s" in str(asked.value)


def test_two_clocks_that_part_far_down_the_file_are_asked(tmp_path: Path) -> None:
    path = write(tmp_path, two_clocks(lambda n: n + max(0.0, (n - 2000) * 0.01), 3000))
    with pytest.raises(Question, match="two columns of times"):
        imported(path)


@pytest.mark.parametrize("other_s", [float, lambda n: n + 0.5, lambda n: 1.0002 * n])
def test_two_clocks_that_agree_are_read_as_one(
    tmp_path: Path, other_s: Callable[[int], float]
) -> None:
    times, _, current = imported(write(tmp_path, two_clocks(other_s)))
    assert times == [float(n) for n in range(ROWS)]
    assert current[1] == pytest.approx(48.17)


def test_the_same_clock_written_otherwise_is_no_second_one(tmp_path: Path) -> None:
    header = "Elapsed (s),Unix time,Time (min),Voltage (V),Current (mA)"
    text = table(header, lambda n: f"{n},{1780000000 + n},{n / 60:.5f},{both(n, ',')}")
    assert imported(write(tmp_path, text))[0] == [float(n) for n in range(ROWS)]
    text = table("Time (s);Timestamp;U (V);I (mA)", lambda n: f"{n};{1780000000 + n}000;{both(n)}")
    assert imported(write(tmp_path, text))[0] == [float(n) for n in range(ROWS)]
    text = table(
        "UTC;Local time;U (V);I (mA)",
        lambda n: f"2026-04-13 20:00:{n:02d};2026-04-13 22:00:{n:02d};{both(n)}",
    )
    assert len(imported(write(tmp_path, text))[0]) == ROWS


@pytest.mark.parametrize(
    ("header", "first", "other", "settle"),
    [
        ("Time V;Voltage (V);Time I;Current (mA)", "21:00:{n:02d}", "21:07:{n:02d}", {"1", "3"}),
        (
            "Time V;Voltage (V);Time I;Current (mA)",
            "2026-04-13 21:00:{n:02d}",
            "2026-04-14 21:00:{n:02d}",
            {"1", "3"},
        ),
        (
            "Date;Time V;Voltage (V);Date;Time I;Current (mA)",
            "2026-04-13;21:00:{n:02d}",
            "2026-04-13;21:07:{n:02d}",
            {"1+2", "1+5"},
        ),
    ],
)
def test_two_written_clocks_that_differ_are_asked(
    tmp_path: Path, header: str, first: str, other: str, settle: set[str]
) -> None:
    def row(n: int) -> str:
        return f"{first.format(n=n)};{volts(n):.3f};{other.format(n=n)};{milliamperes(n):.2f}"

    path = write(tmp_path, table(header, row))
    with pytest.raises(Question, match="two columns of times") as asked:
        imported(path)
    options = [reading.settle[:2] for reading in asked.value.readings]
    assert {value for _, value in options} == settle
    for option in options[:2]:
        assert len(imported(path, *option)[0]) == ROWS

"""The firmware's Arduino-free headers, compiled for this computer, against Python.

Numbers are compared to the last integer: with Python's own big integers and fractions, with
``line_format`` (the contract) and with the simulated board, which was written apart from the
sketch from the same page.
"""

import random
from binascii import crc_hqx
from collections.abc import Iterator
from math import ceil, floor

import numpy as np
import pytest

from firmware_probe.line_format import COMMAND_MAX_BYTES, command, fixed, frame
from firmware_probe.twin import board_commands
from firmware_probe.twin.sensor import INA219, INA226, INA228
from firmware_probe.twin.window_sums import BurstSums, BurstTimer, Counters, WindowSums, rounded
from tests.support.firmware_host import Headers, build

# Needs a C++ compiler.
pytestmark = pytest.mark.firmware

WRAP = 1 << 32
KINDS = {"INA219": INA219, "INA226": INA226, "INA228": INA228}


@pytest.fixture(scope="module")
def headers(tmp_path_factory: pytest.TempPathFactory) -> Headers:
    return Headers(build("check", tmp_path_factory.mktemp("headers")))


# ---- lines ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_crc_has_the_published_check_value(headers: Headers) -> None:
    # CRC-16/XMODEM of "123456789" is 31C3h: the catalogue's check value.
    assert headers.ask([f"crc {b'123456789'.hex()}"]) == ["31C3"]


def test_crc_is_the_standard_librarys(headers: Headers) -> None:
    rng = random.Random(1)
    bodies = [rng.randbytes(rng.randrange(1, 250)) for _ in range(500)]
    answers = headers.ask(f"crc {body.hex()}" for body in bodies)
    assert answers == [f"{crc_hqx(body, 0):04X}" for body in bodies]


def test_fixed_decimals_are_the_contracts(headers: Headers) -> None:
    rng = random.Random(2)
    edges = [0, 1, 9, WRAP - 1, WRAP, WRAP + 1, 10**9, 10**9 - 1, 2**63 - 1, 2**62]
    edges += [10**power + step for power in range(19) for step in (-1, 0, 1)]
    edges += [rng.getrandbits(rng.randrange(1, 64)) for _ in range(2000)]
    cases = [(sign * value, rng.randrange(7)) for value in edges for sign in (1, -1)]
    cases.append((-(2**63), 6))
    answers = headers.ask(f"fixed {value} {decimals}" for value, decimals in cases)
    assert answers == [fixed(value, decimals) for value, decimals in cases]


def test_whole_lines_are_the_contracts(headers: Headers) -> None:
    rng = random.Random(3)
    questions, lines = [], []
    for _ in range(500):
        number, word = rng.getrandbits(rng.randrange(1, 65)), rng.getrandbits(32)
        value, decimals = rng.randrange(-(10**12), 10**12), rng.randrange(7)
        questions.append(f"line hello key=value {number} {value} {decimals} {word}")
        body = f"hello,key=value,{number},{fixed(value, decimals)},{word:08X}"
        lines.append(frame(body).decode().rstrip("\n"))
    assert headers.ask(questions) == lines


# ---- counts to numbers ----------------------------------------------------------------------


def test_scaling_rounds_half_away_from_zero(headers: Headers) -> None:
    rng = random.Random(4)
    cases = [(value, 1, 2) for value in range(-9, 10)]
    for _ in range(3000):
        value, factor = rng.randrange(-(2**41), 2**41), rng.randrange(1, 2**20)
        cases.append((value, factor, rng.randrange(1, WRAP)))
    answers = headers.ask(f"scale {value} {factor} {divisor}" for value, factor, divisor in cases)
    assert [int(answer) for answer in answers] == [rounded(v * f, d) for v, f, d in cases]
    assert rounded(-5, 2) == -3


def test_floor_division_is_pythons(headers: Headers) -> None:
    rng = random.Random(5)
    cases = [(value, divisor) for value in range(-7, 8) for divisor in (1, 2, 3)]
    for _ in range(3000):
        value = rng.randrange(-(2**62), 2**62) >> rng.randrange(60)
        cases.append((value, 1 + (rng.getrandbits(43) >> rng.randrange(43))))
    answers = headers.ask(f"floor {value} {divisor}" for value, divisor in cases)
    expected = [divmod(value, divisor) for value, divisor in cases]
    assert answers == [f"{quotient} {rest}" for quotient, rest in expected]


@pytest.mark.parametrize("shunt_steps", [7, 20, 100, 1000, 10000, 65535])
@pytest.mark.parametrize("name", KINDS)
def test_window_numbers_are_the_simulated_boards(
    headers: Headers, name: str, shunt_steps: int
) -> None:
    """Line of a window from the sketch's headers = line of the simulated board, every digit."""
    kind = KINDS[name]
    rng = np.random.default_rng(shunt_steps)
    for span_us, count in ((100_012, 94), (10_000, 9), (60_000_004, 500), (4, 1)):
        bus = rng.integers(0, kind.bus_full_counts, count)
        end = 500_000 if name == "INA228" else 32_000
        shunt = rng.integers(-end, end, count)
        pairs = " ".join(f"{b} {s}" for b, s in zip(bus, shunt, strict=True))
        numbers = headers.numbers(f"window {name} {shunt_steps} {span_us} {pairs}")

        sums = WindowSums()
        sums.add(shunt, bus, bus * kind.pack_ratio + shunt)
        counters = Counters(kind, shunt_steps)
        counters.add(sums, span_us)
        body = counters.window_body(0, 0, sums)
        _, _, _, conversions, *decimals = body.split(",")
        assert numbers[0] == int(conversions)
        # Fixed decimals without their point are the integers.
        assert numbers[1:] == [int(text.replace(".", "")) for text in decimals]


@pytest.mark.parametrize(
    ("name", "shunt_steps", "shunt", "bus"),
    [("INA219", 20, 2000, 2995), ("INA226", 20, 8000, 9584)],
)
def test_data_sheet_examples(
    headers: Headers, name: str, shunt_steps: int, shunt: int, bus: int
) -> None:
    """10 A through 2 mOhm, 12 V at the pack, 11.98 V behind the shunt.

    TI SBOS448F Table 3 (INA219: shunt register 07D0h, bus 5D98h >> 3) and TI SBOS547 Table 1
    (INA226: shunt 1F40h, bus 2570h).
    """
    numbers = headers.numbers(f"window {name} {shunt_steps} 3600000000 {bus} {shunt}")
    assert numbers[1:4] == [12_000_000, 12_000_000, 11_980_000]
    assert numbers[4:7] == [100_000_000] * 3
    # One hour of it: 10 Ah and 120 Wh.
    assert numbers[7:] == [10_000 * 10**6, 120_000 * 10**6]


# ---- charge and energy ----------------------------------------------------------------------


def windows_of_weeks(rng: random.Random, mean_max: int) -> Iterator[tuple[int, int, int]]:
    """Sum, conversions and span of windows: mostly a minute long, some after hours without a bus."""
    for number in range(50_000):
        conversions = rng.randrange(1, 60_000)
        mean = rng.randrange(-mean_max // 8, mean_max)
        span_us = 60_000_000 + 4 * rng.randrange(300)
        if number % 10_000 == 5_000:
            span_us = rng.randrange(36_000_000_000)
        yield mean * conversions + rng.randrange(conversions), conversions, span_us


@pytest.mark.parametrize(("divisor", "mean_max"), [(1_152_000, 2**19), (36_864 * 10**8, 2**47)])
def test_totals_of_20_bits_at_the_ends_of_their_ranges(
    headers: Headers, divisor: int, mean_max: int
) -> None:
    """INA228 at 0.1 Ohm, charge and energy: 163 mV and 85 V at once, windows of up to 9 s."""
    rng = random.Random(divisor)
    windows = []
    for _ in range(300):
        conversions = rng.randrange(1, 8_000)
        mean = rng.randrange(-mean_max, mean_max)
        span_us = conversions * 1130 + 4 * rng.randrange(300)
        windows.append((mean * conversions + rng.randrange(conversions), conversions, span_us))
    question = " ".join(str(number) for window in windows for number in window)
    parts = portions = 0
    answers = headers.numbers(f"total {divisor} {question}")
    for (total, conversions, span_us), answer in zip(windows, answers, strict=True):
        parts += total * span_us * 256 // conversions
        portions += span_us // 2**13 + 1
        assert abs(answer * divisor * 256 - parts) <= divisor * 128 + portions
    assert portions < divisor * 256


# Divisor and greatest mean: INA219 at 0.1 Ohm and INA226 at 0.01 Ohm, charge and energy.
@pytest.mark.parametrize(
    ("divisor", "mean_max"),
    [(36_000, 32_000), (36 * 10**8, 10**11), (14_400, 32_767), (576 * 10**7, 2**39 - 1)],
)
def test_totals_do_not_drift_or_overflow_over_weeks(
    headers: Headers, divisor: int, mean_max: int
) -> None:
    windows = list(windows_of_weeks(random.Random(divisor), mean_max))
    question = " ".join(str(number) for window in windows for number in window)
    answers = headers.numbers(f"total {divisor} {question}")
    # In 1/256 of a count x microsecond, rounded down: what the headers keep of a window. Spans
    # that go in portions, of 2^22 us or more, are rounded once for each.
    parts = portions = 0
    for (total, conversions, span_us), answer in zip(windows, answers, strict=True):
        parts += total * span_us * 256 // conversions
        portions += span_us // 2**22 + 1
        assert abs(answer * divisor * 256 - parts) <= divisor * 128 + portions
    assert portions < divisor * 256
    days = sum(window[2] for window in windows) / 86_400e6
    assert days > 35


@pytest.mark.slow
@pytest.mark.parametrize(("divisor", "mean_max"), [(36_000, 32_000), (36 * 10**8, 10**11)])
def test_four_weeks_of_short_windows_against_128_bits(
    headers: Headers, divisor: int, mean_max: int
) -> None:
    windows = 4 * 7 * 24 * 3600 * 10
    answer, exact = headers.numbers(f"weeks 7 {windows} {divisor} {mean_max}")
    assert answer == exact
    assert answer > 10**6


@pytest.mark.slow
def test_total_rounds_half_away_from_zero(headers: Headers) -> None:
    # One conversion, one microsecond: the total is the count over the divisor.
    for total in range(-25, 26):
        assert headers.numbers(f"total 10 {total} 1 1") == [rounded(total, 10)]


# ---- time -----------------------------------------------------------------------------------


def test_clock_crosses_the_wrap_without_a_step(headers: Headers) -> None:
    rng = random.Random(6)
    start = WRAP - 1_000_000
    time_us, times, counters = 0, [], []
    for _ in range(2000):
        time_us += rng.choice((4, 1000, 100_000, WRAP - 1))
        times.append(time_us)
        counters.append((start + time_us) % WRAP)
    assert headers.numbers(f"clock {start} {' '.join(map(str, counters))}") == times
    assert time_us > 100 * WRAP


# ---- cutoff ---------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", KINDS)
def test_cutoff_opens_with_the_pair_that_completes_the_hold(headers: Headers, name: str) -> None:
    rng = random.Random(7)
    step_pv = KINDS[name].shunt_lsb_pv
    opened = 0
    for _ in range(80):
        cutoff_uv, hold_ms = rng.randrange(1, 5_000_000), rng.choice((0, 1, 30, 500))
        edge = cutoff_uv * 1_000_000 // step_pv
        start_us = rng.randrange(WRAP)
        time_us, pairs, expected, below_us = start_us, [], -1, None
        for index in range(600):
            time_us += 1064 + 4 * rng.randrange(4)
            pack = edge + rng.choice((-2, -1, 0, 0)) + (rng.random() < 0.003) * 5
            pairs.append(f"{pack} {time_us % WRAP}")
            below = pack * step_pv < cutoff_uv * 1_000_000
            below_us = (time_us if below_us is None else below_us) if below else None
            if expected < 0 and below_us is not None and time_us - below_us >= hold_ms * 1000:
                expected = index
        question = f"cutoff {name} {cutoff_uv} {hold_ms} {start_us} {' '.join(pairs)}"
        assert headers.numbers(question) == [expected]
        opened += expected >= 0
    assert 10 < opened < 80


def test_cutoff_hold_longer_than_the_wrap(headers: Headers) -> None:
    hold_s = 3 * 3600
    pairs = [f"100 {second * 1_000_000 % WRAP}" for second in range(1, hold_s + 20)]
    question = f"cutoff INA219 3000000 {hold_s * 1000} 0 {' '.join(pairs)}"
    assert headers.numbers(question) == [hold_s]


def _leaks(times_us: list[int], shunts: list[int], step_nv: int) -> list[int]:
    """Index, sum and count of every quarter of a second whose mean is beyond 400 uV; 0: when it was opened."""
    found: list[int] = []
    index = next((i for i, at in enumerate(times_us) if at >= 500_000), len(times_us))
    while index < len(times_us):
        begun_us, last = times_us[index], index + 1
        while last < len(times_us) and times_us[last] - begun_us < 250_000:
            last += 1
        block = shunts[index + 1 : last + 1]
        if last < len(times_us) and abs(sum(block)) * step_nv > 400_000 * len(block):
            found += [last, sum(block), len(block)]
        index = last + 1
    return found


@pytest.mark.parametrize(("name", "step_nv"), [("INA219", 10_000), ("INA226", 2_500)])
def test_an_open_switch_that_leaks(headers: Headers, name: str, step_nv: int) -> None:
    rng = random.Random(19)
    edge, told = 400_000 // step_nv, 0
    for _ in range(80):
        level = rng.choice((0, edge - 1, edge, edge + 1, -edge, -edge - 1, 30_000))
        scatter = rng.choice((0, 3, edge))
        pair_us, opened_us = rng.choice((590, 1064, 1180)), rng.choice((0, 5000, WRAP - 300_000))
        shunts = [level + rng.randint(-scatter, scatter) for _ in range(2500)]
        after_us = rng.randrange(1, 2000)
        times_us = [after_us + i * pair_us for i in range(len(shunts))]
        question = f"leak {name} {opened_us} {(opened_us + after_us) % WRAP} {pair_us}"
        found = headers.numbers(f"{question} {' '.join(map(str, shunts))}")
        assert found == _leaks(times_us, shunts, step_nv)
        told += bool(found)
    assert 20 < told < 70


def test_no_cutoff_never_opens(headers: Headers) -> None:
    assert headers.numbers("cutoff INA219 0 0 0 -5000 1000 -5000 90000000") == [-1]
    assert headers.numbers(f"blind 0 0 {WRAP - 1}") == [0]


def test_cutoff_is_blind_after_half_a_minute_without_a_pair(headers: Headers) -> None:
    seen_us = WRAP - 1000
    for wait_us, blind in ((29_999_999, 0), (30_000_000, 1)):
        assert headers.numbers(f"blind 3000000 {seen_us} {(seen_us + wait_us) % WRAP}") == [blind]


# ---- flex rig -------------------------------------------------------------------------------


def test_limit_switch_counts_bouncing_closures_once(headers: Headers) -> None:
    rng = random.Random(8)
    words, time_us, closures = [], WRAP - 1_000_000, 0
    for _ in range(50):
        for closed, length_us in ((0, 80_000), (1, 60_000)):
            bounce_us = rng.randrange(5000)
            end_us = time_us + length_us
            while time_us < end_us:
                bouncing = time_us < end_us - length_us + bounce_us
                level = rng.randrange(2) if bouncing else closed
                words.append(f"{level} {time_us % WRAP}")
                time_us += rng.randrange(200, 1000)
        closures += 1
    found = headers.numbers(f"switch 0 {WRAP - 1_000_000} {' '.join(words)}")
    assert len(found) == closures


def test_limit_switch_that_is_closed_at_the_start_counts_once_opened(headers: Headers) -> None:
    times = [f"{int(t >= 60 or t < 20)} {t * 1000}" for t in range(100)]
    (index,) = headers.numbers(f"switch 1 0 {' '.join(times)}")
    assert 61 <= index <= 62


def joint_words(samples: list[tuple[int, int]]) -> str:
    return " ".join(f"{sample} {time_us % WRAP}" for sample, time_us in samples)


def test_joint_opens_and_their_lengths(headers: Headers) -> None:
    """2 ms and 20 ms in one cycle, then one that lasts over three cycles; time wraps in between."""
    start_us = WRAP - 150_000
    opens = ((30_000, 32_000), (60_000, 80_000), (150_000, 320_000))
    samples: list[tuple[int, int]] = []
    for time_us in range(0, 400_000, 416):
        is_open = any(begin <= time_us < end for begin, end in opens)
        if samples and time_us // 100_000 > (samples[-1][1] - start_us) // 100_000:
            samples.append((-1, start_us + time_us))
        samples.append((1023 if is_open else 40 + time_us // 50_000, start_us + time_us))
    samples.append((-1, start_us + 400_000))
    numbers = headers.numbers(f"joint 202 {joint_words(samples)}")
    cycles = [numbers[i : i + 7] for i in range(0, len(numbers), 7)]
    ever_closed, least, greatest, open_sample, counts, longest_us, whole_us = zip(
        *cycles, strict=True
    )
    assert ever_closed == (1, 1, 0, 1)
    assert counts == (2, 1, 0, 0)
    assert open_sample == (1023, 1023, 1023, 1023)
    assert longest_us == pytest.approx((20_000, 50_000, 100_000, 20_000), abs=2 * 416)
    assert whole_us == pytest.approx((20_000, 50_000, 150_000, 170_000), abs=3 * 416)
    # Blocks of 16 samples of 40 to 47: the first cycle rises from 40 to 41.
    assert (least[0], greatest[0]) == (40 * 16, 41 * 16)
    assert greatest[3] == 47 * 16


def test_joint_counts_do_not_wrap(headers: Headers) -> None:
    samples = [(1023 * (i % 2), i * 200) for i in range(2 * 66_000)]
    numbers = headers.numbers(f"joint 202 {joint_words([*samples, (-1, 132_000 * 200)])}")
    assert numbers[4] == 65_535
    # Open for 100 days, seen once an hour.
    hours = [(1023, hour * 3_600_000_000) for hour in range(2400)]
    numbers = headers.numbers(f"joint 202 {joint_words([*hours, (-1, 2400 * 3_600_000_000)])}")
    assert numbers[4:6] == [1, WRAP - 1]


def test_servo_stays_between_its_ends_and_rests_there(headers: Headers) -> None:
    period_ms, dwell_ms = 400, 50
    times = range(period_ms)
    for angle_a, angle_b in ((0, 180), (120, 30), (90, 90)):
        question = f"pulse {period_ms} {dwell_ms} {angle_a} {angle_b}"
        pulses = headers.numbers(f"{question} {' '.join(map(str, times))}")
        # 544 us at 0 degrees and 2400 us at 180, in half microseconds; common practice, no source.
        ends = [round(1088 + angle * 3712 / 180) for angle in (angle_a, angle_b)]
        assert min(pulses) >= min(ends)
        assert max(pulses) <= max(ends)
        assert pulses[0] == ends[0]
        assert set(pulses[130:200]) == {ends[1]}
        assert set(pulses[330:400]) == {ends[0]}
        steps = np.diff(np.array(pulses[:130]))
        assert np.all(steps * np.sign(ends[1] - ends[0]) >= 0)


def test_joint_resistance_and_current_are_ohms_law(headers: Headers) -> None:
    """Divider of a known resistor and the joint, read against 1.1 V."""
    supply_v, reference_v, known_ohm = 4.87, 1.07, 220.0
    ratio = round(reference_v / supply_v * 16384)
    for joint_ohm in (0.0, 0.1, 1.0, 9.9):
        volt = supply_v * joint_ohm / (known_ohm + joint_ohm)
        total = round(volt / reference_v * 1024 * 16)
        open_sample, resistance, current = headers.numbers(
            f"ohm {round(known_ohm * 10)} {ratio} {round(supply_v * 1000)} {total}"
        )
        # One step of a block's sum is 1/16 of 1.07 V / 1024: 0.003 Ohm.
        assert resistance / 1e4 == pytest.approx(joint_ohm, abs=0.004, rel=3e-4)
        expected_ma = supply_v / (known_ohm + joint_ohm) * 1000
        assert current / 1e4 == pytest.approx(expected_ma, rel=1e-4)
        at_10_ohm = 10 / (known_ohm + 10) * supply_v / reference_v * 1024
        assert open_sample == pytest.approx(ceil(at_10_ohm), abs=1)


# ---- commands -------------------------------------------------------------------------------

ERRORS = ("ok", "crc", "unknown", "field", "range")


def twins_answer(line: bytes) -> str:
    """What the simulated board reads in a line: name, error and values."""
    name = "?"
    try:
        parsed = board_commands.parse_command(line)
        name = parsed.name
        values: tuple[int, ...] = ()
        if name in ("identify", "start", "stop", "flex-stop"):
            parsed.expect(0)
        elif name == "window":
            parsed.expect(1)
            values = (parsed.whole(0, board_commands.WINDOW_MIN_US, board_commands.WINDOW_MAX_US),)
        elif name == "load":
            parsed.expect(1)
            values = (parsed.whole(0, 0, 1), int(parsed.fields[1:2] == ("1",)))
        elif name == "cutoff":
            parsed.expect(2)
            values = (
                parsed.microvolts(0, board_commands.CUTOFF_MAX_UV),
                parsed.whole(1, 0, board_commands.HOLD_MAX_MS),
            )
        elif name == "flex-start":
            order = board_commands.flex_order(parsed)
            values = (
                int(order.drive == "servo"),
                order.cycles,
                order.period_ms,
                order.dwell_ms,
                order.angle_a,
                order.angle_b,
                order.joints,
                order.stop_open_us,
            )
        else:
            raise board_commands.Refused(name, "unknown")
    except board_commands.Refused as refused:
        return f"{refused.name}|{refused.reason}"
    return "|".join((name, "ok", *map(str, values)))


def sketchs_answers(headers: Headers, lines: list[bytes]) -> list[str]:
    answers = []
    for row in headers.ask(f"parse {line.hex()}0a" for line in lines):
        # latin-1 bytes never pass the CRC check's character test, so this is ASCII.
        name, error, _, *values = row.rstrip("\t").split("|")
        answers.append("|".join((name, ERRORS[int(error)], *values)))
    return answers


def test_commands_are_read_as_the_simulated_board_reads_them(headers: Headers) -> None:
    rng = random.Random(9)
    names = (
        "identify",
        "start",
        "stop",
        "flex-stop",
        "window",
        "load",
        "cutoff",
        "flex-start",
        "x",
    )
    texts = [
        "servo",
        "switch",
        "",
        "0",
        "1",
        "00",
        "-1",
        "+1",
        " 1",
        "1 ",
        "1.0",
        "a",
        "4294967295",
    ]
    texts += ["4294967296", "9999999999", "12345678901", "3.000000", "40.960000", "40.960001"]
    texts += ["100.000000", "3.0000000", ".000000", "3,000000", "9999", "10000", "60000000"]
    texts += ["60000001", "100", "600000", "600001", "180", "181", "4", "5", "0.000000"]
    lines = []
    for _ in range(6000):
        fields = [rng.choice(texts) for _ in range(rng.choice((0, 1, 1, 2, 2, 3, 8, 8, 8, 9)))]
        lines.append(command(rng.choice(names), *fields).rstrip(b"\n"))
    for _ in range(3000):
        plausible = (
            rng.choice(("servo", "switch", "hand")),
            *(rng.choice(("0", "1", "4", "50", "100", "200", "600000")) for _ in range(7)),
        )
        lines.append(command("flex-start", *plausible).rstrip(b"\n"))
    lines = [line for line in lines if len(line) < 79]
    answers = sketchs_answers(headers, lines)
    expected = [twins_answer(line) for line in lines]
    assert answers == expected
    # Every outcome came up: the comparison is not of errors alone.
    seen = {(answer.split("|")[0], answer.split("|")[1]) for answer in answers}
    assert {("flex-start", "ok"), ("cutoff", "ok"), ("window", "range"), ("load", "field")} <= seen
    assert ("x", "unknown") in seen


def test_commands_of_the_protocols_page(headers: Headers) -> None:
    lines = [
        command("window", "100000"),
        command("cutoff", "3.000000", "500"),
        command("load", "0"),
        command("flex-start", "servo", "1000", "500", "50", "10", "170", "4", "2000"),
        b"identify",
        b"identify\r",
        b"start",
        command("start").lower(),
        command("stop")[:-2],
        b"",
    ]
    rows = sketchs_answers(headers, [line.rstrip(b"\n") for line in lines[:-1]])
    assert rows == [
        "window|ok|100000",
        "cutoff|ok|3000000|500",
        "load|ok|0|0",
        "flex-start|ok|1|1000|500|50|10|170|4|2000",
        "identify|ok",
        "identify|ok",
        "?|crc",
        "?|crc",
        "?|crc",
    ]
    # An empty line is no command.
    assert headers.ask(["parse 0a0d0a"]) == [""]


def test_line_after_one_that_is_too_long_is_read(headers: Headers) -> None:
    sent = b"x" * 400 + b"\n" + command("start")
    row = headers.ask([f"parse {sent.hex()}"])[0]
    assert [answer.split("|")[:2] for answer in row.split("\t")[:2]] == [["?", "1"], ["start", "0"]]
    longest = command("y" * (COMMAND_MAX_BYTES - 6))
    assert len(longest) == COMMAND_MAX_BYTES
    assert sketchs_answers(headers, [longest.rstrip(b"\n")])[0].endswith("|unknown")
    assert sketchs_answers(headers, [command("y" * 75).rstrip(b"\n")]) == ["?|crc"]


# ---- memory over resets ---------------------------------------------------------------------


@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_boots_are_counted_over_the_wrap_and_wear_is_spread(headers: Headers, fill: int) -> None:
    boots = 70_000
    last, wrong, most_writes = headers.numbers(f"records {fill} {boots} -1 -1")
    assert (last, wrong) == (boots, 0)
    # Eight slots share the writes.
    assert most_writes <= floor(boots / 8) + 1


@pytest.mark.parametrize("cut", range(17))
def test_write_cut_short_by_the_power_leaves_the_last_record(headers: Headers, cut: int) -> None:
    _, wrong, _ = headers.numbers(f"records 255 300 {cut} -1")
    assert wrong == 0


def test_records_in_flash_share_its_sectors(headers: Headers) -> None:
    boots = 3000
    for fill in (0x00, 0xFF, 0x5A):
        last, wrong, most_erased = headers.numbers(f"flash {fill} {boots} -1 -1")
        assert (last, wrong) == (boots, 0)
        # 15 slots in three sectors: each is erased once a round.
        assert most_erased <= boots // 15 + 2


@pytest.mark.parametrize("cut", [*range(17), 30, 79, 80, 90, 96])
def test_power_cut_in_flash_leaves_the_last_record(headers: Headers, cut: int) -> None:
    """In the middle of an erase, too: the sector that is erased never holds the newest record."""
    _, wrong, _ = headers.numbers(f"flash 255 600 {cut} -1")
    assert wrong == 0


def test_worn_flash_is_passed_over(headers: Headers) -> None:
    for worn in (0, 37, 80, 239):
        last, wrong, _ = headers.numbers(f"flash 255 500 -1 {worn}")
        assert (last, wrong) == (500, 0)


@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_a_record_begun_over_another_in_flash_is_the_one_kept(headers: Headers, fill: int) -> None:
    assert headers.numbers(f"begun {fill} 1000") == [0, 0]


def test_boards_name_holds_once_made(headers: Headers) -> None:
    for fill in (0x00, 0xFF):
        first, again = headers.ask([f"name {fill}"])[0].split()
        assert first == again == "11223344"


def test_near_serial_numbers_give_names_apart(headers: Headers) -> None:
    """FNV-1a's published check values: "" 811C9DC5, "a" E40C292C, "foobar" BF9CF968 (from memory)."""
    texts = [b"", b"a", b"foobar"]
    found = headers.ask(f"serial {text.hex()}" for text in texts)
    assert found == ["811C9DC5", "E40C292C", "BF9CF968"]
    names = headers.ask(f"serial {number.to_bytes(8, 'big').hex()}" for number in range(1, 2000))
    assert len(set(names)) == 1999


def test_output_waits_for_the_port_and_loses_nothing(headers: Headers) -> None:
    assert headers.ask(f"ring {seed}" for seed in range(1, 20)) == ["0 0"] * 19


@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_worn_cells_are_told_once_a_change(headers: Headers, fill: int) -> None:
    assert headers.numbers(f"worn {fill} 0") == [0, 5, 1], "a new board's record: open, never told"
    assert headers.numbers(f"worn {fill} 1")[1:] == [5, 1]
    told, boot, _ = headers.numbers(f"worn {fill} 7")
    assert (told, boot) == (5, 5), "one good slot is enough"
    assert headers.numbers(f"worn {fill} 8") == [5, -1, 1], "none left: as a new board, open"


def test_worn_byte_is_passed_over(headers: Headers) -> None:
    for worn in (0, 37, 127):
        last, wrong, _ = headers.numbers(f"records 255 500 -1 {worn}")
        assert (last, wrong) == (500, 0)


# ---- bursts ---------------------------------------------------------------------------------


def test_sums_of_bursts_are_the_simulated_boards(headers: Headers) -> None:
    rng = np.random.default_rng(6)
    for most, count in ((5, 1), (4_000, 32), (32_767, 32)):
        values = rng.integers(-most, most + 1, (count, 8))
        sums = BurstSums()
        sums.add(values)
        (answer,) = headers.ask([f"burst {' '.join(map(str, values.ravel()))}"])
        assert answer == f"{sums.within} {sums.between} {sums.bursts}"


@pytest.mark.parametrize("begin_us", [0, WRAP - 150_000])
def test_bursts_begin_when_the_simulated_boards_do(headers: Headers, begin_us: int) -> None:
    (answer,) = headers.ask([f"bursts 100000 {begin_us} 300"])
    timer, begun = BurstTimer(), []
    timer.set(100_000, 0)
    for _ in range(300):
        begun.append(timer.due_us)
        timer.began(timer.due_us)
    assert [int(text) for text in answer.split()] == begun

"""Is the judge of what people type itself right: does it catch a parser that is silently wrong, and let a careful one pass?"""

from collections.abc import Callable

import pytest

pytest.importorskip("babel")

from tests.benchmarks.typed_judge import commands, open_set, sealed_set
from tests.benchmarks.typed_judge.asking import asker
from tests.benchmarks.typed_judge.case import SILENT, Answer, Typed, Verdict, judge
from tests.benchmarks.typed_judge.score import judge_all, power, silent
from tests.benchmarks.typed_judge.spellings import TIMES, read

OPEN = open_set.typed()
NUMBERS = [one for one in OPEN if one.question not in {"pack", "answer"}]
# Readings by what the question is about, not by the signs: a share of one typed where percent are asked.
BY_SENSE = {"0.95", "0,9"}


def careful(one: Typed) -> Answer:
    """Understands what has one meaning, and asks with all of them named else."""
    meant = (one.stated,) if one.stated is not None else one.readings
    if len(meant) != 1:
        in_s = " s" if one.question in TIMES else ""
        return Answer(words=f"{one.text!r}: " + " or ".join(f"{m:.10g}{in_s}" for m in meant))
    told = meant[0]
    if isinstance(told, tuple):
        shown = f"{told[0]} x {min(told[1])}, {told[2] or 0:g} mAh"
        return Answer((told[0], min(told[1]), told[2]), shown=shown)
    return Answer(told)


def refuses(one: Typed) -> Answer:
    return Answer(words=f"{one.text!r} is not understood")


def comma_is_a_point(one: Typed) -> Answer:
    try:
        return Answer(float(one.text.replace(",", ".")))
    except ValueError:
        return refuses(one)


def comma_is_nothing(one: Typed) -> Answer:
    try:
        return Answer(float(one.text.replace(",", "")))
    except ValueError:
        return refuses(one)


def whole_bends(one: Typed) -> Answer:
    """What was there: 4.800 cycles as five."""
    told = comma_is_a_point(one)
    return Answer(float(round(told.value))) if isinstance(told.value, float) else told


def first_reading(one: Typed) -> Answer:
    return Answer(one.readings[0]) if one.readings else refuses(one)


def first_letter(one: Typed) -> Answer:
    sign = one.text.strip().lower()[:1]
    return Answer(sign in "jyos") if sign and sign in "jyosn" else refuses(one)


def size_first(one: Typed) -> Answer:
    """Reads the first digit as the number of cells, whatever stands around it."""
    number = next((int(sign) for sign in one.text if sign.isdecimal()), 0)
    return Answer((number, "alkaline", None), shown=str(number)) if number else refuses(one)


def test_there_are_as_many_as_were_ordered() -> None:
    assert len({(one.text, one.question) for one in OPEN}) == len(OPEN) > 600
    assert sum(one.question in TIMES for one in OPEN) > 150
    assert len(commands.typed()) > 60


@pytest.mark.slow
def test_what_was_written_by_hand_is_what_cldr_reads() -> None:
    """Rarities that the reader does not know are the only difference, and a thousands sign asked about."""
    met = {
        (one.text, one.question, one.readings, read(one.text, one.question))
        for one in NUMBERS
        if not one.free
        and one.text not in BY_SENSE
        and one.readings != pytest.approx(read(one.text, one.question), rel=1e-6)
    }
    assert met == set()


def test_a_careful_parser_passes() -> None:
    judged = judge_all(OPEN, careful)
    assert silent(judged) == []
    right, of = power(judged)
    assert right == of
    assert {item.verdict for item in judged} == {
        Verdict.UNDERSTOOD, Verdict.ASKED, Verdict.NOTHING,
    }  # fmt: skip


def test_one_that_refuses_everything_is_never_wrong_and_good_for_nothing() -> None:
    judged = judge_all(OPEN, refuses)
    assert silent(judged) == []
    assert power(judged)[0] == 0
    assert any(item.verdict is Verdict.UNNAMED for item in judged)


@pytest.mark.parametrize(
    ("planted", "text", "question"),
    [
        (comma_is_a_point, "1,500", "mA"),
        (comma_is_nothing, "2,7", "V"),
        (whole_bends, "4.800", "cycles"),
        (first_reading, "90", "need"),
        (first_letter, "oh no", "answer"),
        (first_letter, "jein", "answer"),
        (size_first, "1/2 AA", "pack"),
        (size_first, "2P LiPo", "pack"),
        (size_first, "3.5 AA", "pack"),
    ],
)
def test_a_planted_parser_is_caught(
    planted: Callable[[Typed], Answer], text: str, question: str
) -> None:
    one = next(one for one in OPEN if (one.text, one.question) == (text, question))
    assert judge(one, planted(one)) in SILENT
    assert judge(one, careful(one)) not in SILENT


@pytest.mark.slow
def test_the_sealed_set_follows_its_seed() -> None:
    one, again, other = sealed_set.typed(1), sealed_set.typed(1), sealed_set.typed(2)
    assert one == again
    assert len({t.text for t in one} & {t.text for t in other}) < len(one) / 3
    judged = judge_all(one, careful)
    assert silent(judged) == []
    assert power(judged)[0] == power(judged)[1] > 250
    assert len(silent(judge_all(one, comma_is_a_point))) > 3
    assert len({t.text for t in commands.slips(1)} & {t.text for t in commands.slips(2)}) < 20


def test_a_refusal_names_both_readings_or_not() -> None:
    one = Typed("4.800", "mA", (4.8, 4800.0))
    for words, verdict in (
        ("'4.800' can be 4.8 or 4800: write 4.8 or 4800", Verdict.ASKED),
        ("'4.800': 4.8 mA or 4 800 mA?", Verdict.ASKED),
        ("'4.800' can be 4.8 mA or 4.8 A", Verdict.ASKED),
        ("'4.800' is not a number, write 4800", Verdict.UNNAMED),
    ):
        assert judge(one, Answer(words=words)) is verdict, words
    small = Typed("1.200 µA", "mA", (0.0012, 1.2))
    assert judge(small, Answer(words="may be 1200 μA or 1.2 μA: write one")) is Verdict.ASKED
    time = Typed("6:30", "duration", (390.0, 23400.0))
    assert judge(time, Answer(words="6 h 30 min or 6 min 30 s?")) is Verdict.ASKED
    assert judge(time, Answer(words="write 6h 30min or 6min30s")) is Verdict.ASKED
    assert judge(time, Answer(words="write 390 min")) is Verdict.UNNAMED


def test_a_fault_of_the_parser_is_a_verdict() -> None:
    def breaks(*_: object) -> object:
        raise ValueError("no")

    ask = asker(breaks, breaks, breaks, breaks)
    assert {judge(one, ask(one)) for one in OPEN[:5]} == {Verdict.CRASH}


def test_of_three_suggestions_the_right_one_counts() -> None:
    def told(words: str) -> Answer:
        return commands.suggested(lambda _: (2, words))(Typed("lgo", "command", ("log",)))

    assert told("No such command 'lgo'. Did you mean 'log'?").value == "log"
    assert told("Did you mean one of: 'list', 'log'?").value == "log"
    assert told("Did you mean 'flex'?").value == "flex"
    assert told("No such command 'lgo'.\nTry 'drawbench --help' for help.").value is None

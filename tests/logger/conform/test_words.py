"""The screen: the answer first, 80 columns, the bytes as they were."""

from typing import Final

import pytest

from logger.conform.course import Conformance
from logger.conform.words import answer_words, as_json, screen_lines, shown
from tests.support.conform_bench import conform, twin
from tests.support.planted_boards import PLANTED

BY_NAME: Final = {planted.name: planted for planted in PLANTED}


def spoiled(name: str) -> Conformance:
    return conform(BY_NAME[name].make(), **BY_NAME[name].options)


@pytest.mark.slow
def test_the_answer_is_one_sentence_and_its_numbers_are_the_findings() -> None:
    sound = conform(twin())
    count = len(sound.of("passed"))
    assert answer_words(sound).startswith(
        f"This board speaks the protocol: {count} of {count} rules."
    )
    assert answer_words(spoiled("glued hello")).startswith(f"1 of {count} rules is broken.")
    assert " rules are broken. " in answer_words(spoiled("charge with the wrong sign"))


@pytest.mark.slow
def test_what_is_broken_stands_with_its_paragraph_its_bytes_and_what_was_expected() -> None:
    text = "\n".join(screen_lines(spoiled("split command ignored")))
    assert 'BROKEN split-command, 21 of 21 times. PROTOCOL.md, "Host to board":' in text
    assert "A command that arrives in two pieces, cut anywhere, is obeyed." in text
    assert "sent      w|indow,70001*" in text
    assert "seen      no,?,crc*F51F" in text
    assert "expected  ok,window" in text


@pytest.mark.parametrize("name", ["window twice", "CR alone ends a line", "hello of 320 bytes"])
def test_eighty_columns(name: str) -> None:
    lines = screen_lines(spoiled(name), details=True)
    assert max(map(len, lines)) <= 79


def test_bytes_that_cannot_be_printed() -> None:
    assert shown(b"a\x00\xffb\r\nc\n") == "a\\x00\\xFFb\\x0D\nc"
    assert shown(b"x" * 500).endswith("xxx...")
    assert shown(b"\x1b[2J") == "\\x1B[2J"


def test_json_has_every_rule_once() -> None:
    told = as_json("/dev/x", spoiled("split command ignored"))
    names = [rule["rule"] for rule in told["rules"]]
    assert len(set(names)) == len(names) == told["passed"] + told["broken"] + told["not_tried"]
    assert told["speaks_the_protocol"] is False
    broken = [rule for rule in told["rules"] if rule["result"] == "broken"]
    assert [(rule["rule"], rule["section"]) for rule in broken] == [
        ("split-command", "Host to board")
    ]
    assert all(rule["why_not_tried"] for rule in told["rules"] if rule["result"] == "not tried")

"""The page's tables agree with each other, with the rules that are tried, and with what the sketch is compiled of."""

import ast
import re
from typing import Final

import pytest

from firmware_probe.line_format import FLEX_FIELDS, WINDOW_FIELDS
from logger.conform.contract import contract, read_contract
from tests.support.places import ROOT

PAGE: Final = (ROOT / "firmware_probe" / "PROTOCOL.md").read_text(encoding="utf-8")
_CODE: Final = re.compile(r"`([a-z_-]+)`")


def section(heading: str) -> str:
    return PAGE.split(f"\n{heading}")[1].split("\n#")[0]


def first_cells(text: str) -> set[str]:
    return {
        name
        for line in text.splitlines()
        if line.startswith("| `")
        for name in _CODE.findall(line.split("|")[1])
    }


def test_every_key_of_hello_has_its_form_and_every_form_its_key() -> None:
    assert set(contract().keys) == first_cells(section("### `hello`"))
    assert {key.name for key in contract().keys.values() if not key.must} <= set(
        re.findall(r"\| `([a-z_]+)` \|[^\n]*missing", section("### `hello`"))
    )


def test_the_examples_of_the_page_have_the_forms_it_asks_for() -> None:
    hello = re.search(r"^    hello,(.*)\*\.{4}$", PAGE, re.MULTILINE)
    assert hello is not None
    for part in hello[1].split(","):
        key, _, value = part.partition("=")
        assert contract().keys[key].fits(value), part
    for kind, count in (("w", 1), ("flex", 1)):
        examples = re.findall(rf"^    {kind},([0-9].*)\*\.{{4}}$", PAGE, re.MULTILINE)
        assert len(examples) == count
        forms = contract().fields[kind]
        for text, form in zip(examples[0].split(","), forms.values(), strict=True):
            assert re.fullmatch(form, text), text


def test_fields_of_the_lines() -> None:
    fields = contract().fields
    assert tuple(fields["w"]) == WINDOW_FIELDS
    assert tuple(fields["flex"]) == FLEX_FIELDS
    for kind in ("load", "burst", "fault", "no", "flex-end"):
        assert f"    {kind},{','.join(fields[kind])}\n" in PAGE


def test_every_line_of_the_page_is_among_the_mandatory_ones_or_said_to_be_none() -> None:
    headings = re.findall(r"^### (`[a-z-]+`.*)$", PAGE.split("\n## Host to board")[0], re.MULTILINE)
    kinds = {name for heading in headings for name in re.findall(r"`([a-z-]+)`", heading)}
    assert kinds | {"flex-end"} == set(contract().fields)


def test_reasons_codes_and_commands_are_those_of_the_sections() -> None:
    told = set(_CODE.findall(section("### `ok` and `no`").split("`reason`:")[1].split("\n\n")[0]))
    assert set(contract().fields["no"]["reason"].split("|")) == told
    load = section("### `load`").split("`reason`:")[1].split("Sent at every")[0]
    assert set(contract().fields["load"]["reason"].split("|")) == set(_CODE.findall(load)) - {"-"}
    codes = section("### `fault`").split("`code`:")[1].split("`detail` may be empty")[0]
    assert set(contract().details) <= set(_CODE.findall(codes)) - {"detail"}
    host = section("## Host to board")
    commands = {name for line in host.splitlines() if line.startswith("| `")
                for name in re.findall(r"`([a-z-]+)[`,]", line.split("|")[1])}  # fmt: skip
    assert first_cells(section("### Mandatory commands")) == commands
    for name in ("window", "burst"):
        least, greatest = contract().limits[name]
        assert f"{least} to {greatest}" in next(
            line for line in host.splitlines() if line.startswith(f"| `{name},")
        )


def test_limits_and_steps_are_those_the_sketch_is_compiled_of() -> None:
    """The headers know nothing of the page's tables; they are what boards run."""
    parser = (ROOT / "firmware_probe" / "command_parser.h").read_text(encoding="utf-8")
    least, greatest = contract().limits["window"]
    assert f"WINDOW_MIN_US = {least}UL" in parser
    assert f"WINDOW_MAX_US = {greatest}UL" in parser
    assert contract().limits["cutoff"][1] == "40.960000"
    assert "CUTOFF_MAX_UV = 40960000UL" in parser
    # Register steps: TI SBOS448 (INA219: 10 uV, 4 mV), TI SBOS547 (INA226: 2.5 uV, 1.25 mV); in tenths of a nV.
    steps = contract().steps
    assert (steps["INA219"].shunt, steps["INA219"].bus) == (100_000, 40_000_000)
    assert (steps["INA226"].shunt, steps["INA226"].bus) == (25_000, 12_500_000)


def test_every_rule_stands_under_a_heading_and_is_tried_or_says_why_not() -> None:
    rules = contract().rules
    assert len(rules) >= 50
    headings = {
        line.lstrip("#").strip().replace("`", "")
        for line in PAGE.splitlines()
        if line.startswith("#")
    }
    assert {rule.section for rule in rules.values()} <= headings
    words = {
        node.value
        for path in (ROOT / "logger" / "conform").glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert [
        rule.name for rule in rules.values() if not rule.barred and rule.name not in words
    ] == []
    assert [rule.name for rule in rules.values() if rule.barred and rule.name in words] == []


def test_another_page_asks_for_something_else() -> None:
    """The tables decide, not the program."""
    row = "| `firmware` | yes |"
    assert read_contract(PAGE.replace(row, "| `colour` | yes |")).keys["colour"].must
    with pytest.raises(KeyError):
        read_contract(PAGE.replace("| key of `hello` |", "| word |"))

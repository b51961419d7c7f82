"""Packs as people write them. Names of cells: SOURCES.md B25 (from memory)."""

import pytest

from logger.base.command_options import PackText
from logger.base.errors import BenchError
from logger.base.pack import CHEMISTRIES, Pack, parse_pack


@pytest.mark.parametrize(
    ("typed", "pack"),
    [
        *((text, "3x AA alkaline") for text in (
            "3x LR6", "3LR6", "3×AA alkaline", "3*AA alkaline", "AA x3 alkaline", "AAx3 alkaline", "drei AA alkalisch", "3 piles AA alcalines",
            "3 Mignon-Zellen Alkali", "3 pilas AA alcalinas", "3x AA 1,5V alkaline", "ALKALINE 3 AA",
        )),
        ("3x R6", "3x AA zinc-carbon"), ("3x R03", "3x AAA zinc-carbon"), ("3x HR6", "3x AA nimh"), ("4x FR6", "4x AA lithium-aa"),
        ("CR2032", "1x CR2032 lithium-coin"), ("6LR61", "1x 9V alkaline"), ("9V alkaline", "1x 9V alkaline"), ("6F22", "1x 9V zinc-carbon"),
        ("1S LiPo 500mAh", "1x pouch li-ion"), ("2S LiPo", "2x pouch li-ion"), ("IFR26650", "1x 26650 lifepo4"), ("2x INR18650", "2x 18650 li-ion"),
        ("3 AA NiMH-Akku 2 500 mAh", "3x AA nimh"), ("powerbank 10 Ah", "1x usb-bank"), ("3.7V LiPo 500mAh", "1x pouch li-ion"),
        ("CR 2032", "1x CR2032 lithium-coin"), ("3x LR 6", "3x AA alkaline"), ("IFR 26650", "1x 26650 lifepo4"), ("LiFePO₄ 2S", "2x lifepo4"),
        ("2x9V alkaline", "2x 9V alkaline"), ("18650 3.2V lifepo4", "1x 18650 lifepo4"), ("used 3 AA Akku NiMH", "3x AA nimh, used"),
    ],
)  # fmt: skip
def test_named_cells_need_no_guess(typed: str, pack: str) -> None:
    assert str(parse_pack(typed)) == pack


@pytest.mark.parametrize(
    ("typed", "pack", "said"),
    [
        ("3 AA", "3x AA alkaline", "rechargeable: say nimh"),
        ("PP3, 9V", "1x 9V alkaline", "rechargeable"),
        ("2x18650", "2x 18650 li-ion", "stops at 3.0 V a cell"),
        ("2x AA lithium", "2x AA lithium-aa", "never charged"),
        ("3 AA Akku", "3x AA nimh", "lithium: say li-ion"),
    ],
)
def test_what_is_taken_is_said_and_without_a_screen_refused(
    typed: str, pack: str, said: str
) -> None:
    told: list[str] = []
    assert str(parse_pack(typed, say=told.append)) == pack
    assert f"taken as {pack}" in told[0]
    assert said in told[0]
    with pytest.raises(BenchError, match="does not name its chemistry") as refused:
        parse_pack(typed)
    assert pack in refused.value.next_step


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("lithium", "may be rechargeable"), ("9V nimh", "six, seven or eight"), ("SR44", "silver oxide"), ("3 AA NiCd", "nickel-cadmium"),
        ("3S2P 18650", "1 to 24 cells"), ("2 x 2 AA", "1 to 24 cells"), ("7.4V LiPo", "2x li-ion"), ("2x AA nimh 2.500 mAh", "2500 or 2.5"),
        ("2x AA nimh 2500", "2500 mAh if that"), ("4 bananas", "not understood"), ("0 AA", "1 to 24"), ("30x LR6", "1 to 24"), ("CR123A", "not understood"),
        ("3x AA alkaline nimh", "mixes cells"), ("3 AA lithium alkaline", "mixes cells"),
        ("3x AA lithium rechargeable", "lithium-aa cells are not recharged"), ("CR2032 rechargeable", "not recharged"), ("AA alkaline Akku", "not recharged"),
        ("18650 alkaline", "a 18650 cell is not alkaline"), ("2x 26650 nimh", "is not nimh"), ("18650 3.2V", "lithium iron phosphate"),
        ("2x 18650 6.4V", "name it: lifepo4"), ("LiFePO 4", "four cells, or one"), ("LiPo 2 500mAh", "2 cells of 500mah, or 2500mah"), ("nimh AA3 500 mAh", "3 cells of 500 mah"), ("LiPo 1000mAh 20C", "leave it out"), ("LiPo 3S 25C", "leave it out"),
    ],
)  # fmt: skip
def test_what_cannot_be_told_is_refused(typed: str, told: str) -> None:
    with pytest.raises(BenchError) as refused:
        parse_pack(typed, say=lambda _: None)
    assert told in str(refused.value)


@pytest.mark.parametrize("chemistry", sorted(set(CHEMISTRIES) - {"usb-bank"}))
def test_a_pack_in_words_reads_back(chemistry: str) -> None:
    for cells, size in ((1, ""), (3, "AA"), (2, "26650"), (12, "9V")):
        if size == "9V" and chemistry not in ("alkaline", "zinc-carbon"):
            continue
        if size == "26650" and chemistry not in ("li-ion", "lifepo4", "other"):
            continue
        pack = Pack(chemistry, cells, size, 1234.5)
        assert parse_pack(pack.text, other=True) == pack
        assert PackText().convert(pack.text, None, None) == pack.text


def test_a_count_before_the_capacity_is_no_thousand() -> None:
    for typed in ("nimh AA x3 500 mAh", "3x nimh AA 500 mAh"):
        assert (parse_pack(typed).cells, parse_pack(typed).capacity_mah) == (3, 500.0)
    assert parse_pack("1x LiPo 2 500 mAh").capacity_mah == 2500.0
    assert parse_pack("powerbank 10 000 mAh").capacity_mah == 10_000.0


def test_a_nine_volt_block_is_six_cells() -> None:
    block = parse_pack("9V alkaline")
    assert (block.cells, block.nominal_v, block.floor_v) == (6, 9.0, 4.8)


def test_button_cells_bear_the_caution_of_coin_cells() -> None:
    assert "Swallowed coin cells burn" in parse_pack("2x LR44").caution

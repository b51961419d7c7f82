"""The contracts that every other part builds on."""

from analysis.doubt.quantity import Quantity
from firmware_probe.line_format import crc16, fixed, frame
from logger.base.pack import Pack, parse_pack
from logger.run.description import Description, Event, Sensor, from_document, to_document


def test_crc_of_the_published_check_string() -> None:
    # CRC-16/XMODEM check value 31C3h, published CRC catalogues (SOURCES.md C14).
    assert crc16(b"123456789") == 0x31C3
    assert frame("123456789") == b"123456789*31C3\n"


def test_fixed_keeps_sign_and_zeros() -> None:
    assert fixed(-1234, 3) == "-1.234"
    assert fixed(-5, 4) == "-0.0005"
    assert fixed(7, 0) == "7"


def test_description_survives_its_json_form() -> None:
    description = Description(
        title="vest",
        pack=Pack("alkaline", 3, "AA"),
        sensor=Sensor("INA219", shunt_ohm=0.1),
        events=(Event(1.0, "gap", "three lines lost", {"rows": 3}),),
        clock=((0.0, 0.0, "2026-01-01T00:00:00Z"),),
    )
    back, problems = from_document(to_document(description, ["time_s", "pack_v"]))
    assert back == description
    assert problems == []


def test_description_with_wrong_types_is_reported_not_raised() -> None:
    document = to_document(Description(), ["time_s"])
    document["urn:drawbench:run"] |= {
        "sensor": {"kind": 5},
        "events": [3, {"time_s": "x"}],
        "title": 9,
    }
    back, problems = from_document(document)
    assert back.sensor is None
    assert back.title == ""
    assert len(problems) == 2


def test_pack_in_words() -> None:
    assert parse_pack("3xAAA nimh") == Pack("nimh", 3, "AAA")
    assert str(parse_pack("3x AA alkaline")) == "3x AA alkaline"
    # Three alkaline AA give 4.5 V: common practice, no source (SOURCES.md E8).
    assert parse_pack("3x AA alkaline").nominal_v == 4.5


def test_quantity_prints_no_more_than_is_known() -> None:
    # GUM (JCGM 100:2008) 7.2.6: two significant digits of uncertainty at most; one or two: SOURCES.md C15.
    assert str(Quantity(1234.567, "mAh", 1200.0, 1270.0, 0.95)) == "1235 mAh (1200 to 1270 at 95 %)"
    assert str(Quantity(1779.0, "mAh", 1742.0, 1816.0, 0.95)) == "1780 mAh (1740 to 1820 at 95 %)"
    assert str(Quantity(4.92, "h", 4.02, 5.81, 0.9)) == "4.9 h (4.0 to 5.8 at 90 %)"
    assert str(Quantity(2437.0, "mAh", 1210.0, 3640.0, 0.9)) == "2400 mAh (1200 to 3600 at 90 %)"
    assert str(Quantity(0.0996, "V", 0.0896, 0.1096, 0.95)) == "0.100 V (0.090 to 0.110 at 95 %)"
    assert str(Quantity(0.9523, "mA", 0.82, 1.042, 0.9)) == "0.95 mA (0.82 to 1.04 at 90 %)"
    assert str(Quantity(1.37, "1")) == "1.37"
    # Very uneven sides: the wide one must not round the value away.
    assert str(Quantity(24_000.0, "cycles", 8_100.0, 1_634_000.0, 0.9)).startswith(
        "24000 cycles (8000 to 1"
    )
    assert Quantity(float("nan"), "V").as_json()["value"] is None

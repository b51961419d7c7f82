"""Faults: scripts are understood or refused, rates are kept, the same seed gives the same faults."""

import pytest

from firmware_probe.line_format import crc16, frame
from firmware_probe.twin.faults import Fault, FaultPlayer, FaultRates, parse_script

LINE = frame("w,1042,104200512,94,4.512300")


def test_script() -> None:
    assert parse_script("600:reset=watchdog, 1200.5:unplug=30,1800:drop=5,") == (
        Fault(600_000_000, "reset", cause="watchdog"),
        Fault(1_200_500_000, "unplug", duration_s=30.0),
        Fault(1_800_000_000, "drop", count=5),
    )
    assert parse_script("") == ()


def test_a_welded_switch_stays_welded() -> None:
    night_s = 12 * 3600.0
    assert all(fault.duration_s > night_s for fault in parse_script("1:weld,1:bridge"))
    assert parse_script("1:weld=60")[0].duration_s == 60.0


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("600", "seconds:kind=value"),
        ("600:explode", "kinds: garble"),
        ("600:reset=boredom", "causes are power"),
        ("600:stall=long", "not a number"),
        ("-5:stall=1", "not understood"),
        ("5:stall=inf", "is beyond 0"),
        ("5:drop=nan", "is beyond 0"),
    ],
)
def test_script_that_is_not_understood(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        parse_script(text)


def test_line_faults_hit_so_many_lines() -> None:
    player = FaultPlayer(parse_script("1:drop=2, 2:garble=1, 3:half=1, 4:noise=1"), seed=1)
    assert player.line(LINE) == LINE
    assert player.take(1_500_000) is None
    assert [player.line(LINE) for _ in range(3)] == [b"", b"", LINE]
    player.take(2_000_000)
    garbled = player.line(LINE)
    assert len(garbled) == len(LINE)
    assert sum(a != b for a, b in zip(garbled, LINE, strict=True)) == 1
    player.take(3_000_000)
    half = player.line(LINE)
    assert 0 < len(half) < len(LINE)
    assert LINE.startswith(half)
    player.take(4_000_000)
    noisy = player.line(LINE)
    assert noisy.endswith(LINE)
    assert len(noisy) > len(LINE)
    assert player.counts == {"drop": 2, "garble": 1, "half": 1, "noise": 1}


def test_a_single_changed_byte_never_passes_the_crc() -> None:
    # CRC-16 finds every burst of up to 16 bits: a property of the polynomial, published CRC theory.
    player = FaultPlayer(rates=FaultRates(garble=1.0), seed=2)
    body, _, check = LINE.strip().rpartition(b"*")
    assert check == b"%04X" % crc16(body)
    for _ in range(3000):
        garbled = player.line(LINE)
        for line in garbled.split(b"\n"):
            found, _, given = line.rpartition(b"*")
            assert given != b"%04X" % crc16(found) or line == LINE.strip()


def test_rates_are_kept_and_seeded() -> None:
    def run(seed: int) -> tuple[dict[str, int], list[Fault]]:
        rates = FaultRates(drop=0.1, reset_per_h=2.0, unplug_per_h=5.0, unplug_s=1.0)
        player = FaultPlayer(rates=rates, seed=seed)
        seen = []
        for second in range(0, 100 * 3600, 5):
            while fault := player.take(second * 1_000_000):
                seen.append(fault)
        for _ in range(2000):
            player.line(LINE)
        return player.counts, seen

    counts, seen = run(3)
    assert counts["reset"] == pytest.approx(200, abs=45)
    assert counts["unplug"] == pytest.approx(500, abs=70)
    assert counts["drop"] == pytest.approx(200, abs=45)
    assert [fault.time_us for fault in seen] == sorted(fault.time_us for fault in seen)
    assert run(3) == (counts, seen)
    assert run(4) != (counts, seen)

"""The last line of a recording: raw figures in no more digits than are known, and the caution where the hand is."""

from pathlib import Path
from typing import Any

from logger.recording.follow_up import end_line
from logger.recording.terms import Phase, Status


def line(**changes: Any) -> str:
    usual: dict[str, Any] = {
        "phase": Phase.ENDED, "port": "", "board": "7F3A91C2", "time_s": 60.0, "rows": 600, "rows_missing": 0, "pack_v": 2.6987,
        "current_ma": 0.0, "charge_mah": 1787.3, "energy_mwh": 6912.0, "below_since_s": None, "end_reason": "cutoff",
        "end_text": "ended pack voltage below 2.7 V", "load": "0", "trouble": "",
    }  # fmt: skip
    return end_line(Path("night"), Status(**(usual | changes)))


def test_charge_and_energy_are_raw_and_have_two_digits() -> None:
    assert line() == (
        "night: 600 rows in 1 min 00 s, about 1800 mAh, about 6900 mWh (raw), 2.70 V at the end. "
        "Ended: pack voltage below 2.7 V."
    )
    assert "about 0.22 mAh, about 0.93 mWh (raw)" in line(charge_mah=0.222, energy_mwh=0.926)
    assert "under 0.01 mAh, under 0.01 mWh" in line(charge_mah=0.0044, energy_mwh=-0.000005)


def test_what_to_do_with_the_cells_stands_last() -> None:
    assert line(load="1").endswith("The load is still connected: take the cells out.")
    assert line(alarm="THE LOAD SWITCH DOES NOT OPEN").endswith(" Take the cells out now.")

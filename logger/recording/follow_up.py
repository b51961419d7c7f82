"""What follows the end of a run: its last line, and a command of the user's own with the results."""

import os
import subprocess
from pathlib import Path
from typing import Final

from logger.base.durations import clock_text
from logger.base.numbers import digits_text
from logger.recording.terms import Status

RAW_LEAST: Final = 0.01  # mAh, mWh: less is the sensor's zero


def end_line(folder: Path, status: Status) -> str:
    """One line at the end. Charge and energy as the board counted them: corrections and interval are the rundown's."""
    volt = "" if status.pack_v is None else f", {status.pack_v:.2f} V at the end"
    missing = (
        f" ({status.rows_missing} missing, charge not affected)" if status.rows_missing else ""
    )
    load = ""
    if status.load != "0" and status.end_reason != "user":
        load = " The load is still connected: take the cells out."
    if status.alarm:
        load = " Take the cells out now."
    if status.trouble:
        load += f" {status.trouble}"
    return (
        f"{folder}: {status.rows} rows{missing} in {clock_text(status.time_s)}, "
        f"{_raw(status.charge_mah)} mAh, {_raw(status.energy_mwh)} mWh (raw){volt}. "
        f"Ended: {status.end_text.removeprefix('ended ') or 'with an error'}.{load}"
    )


def _raw(amount: float) -> str:
    """Two digits: without corrections and interval nobody knows more."""
    if abs(amount) < RAW_LEAST:
        return f"under {RAW_LEAST:g}"
    return f"about {digits_text(amount, 2)}"


def result_environment(folder: Path, status: Status, exit_code: int) -> dict[str, str]:
    """Variables that tell the command how the run went; numbers as plain decimals."""
    return {
        "DRAWBENCH_RUN": str(folder),
        "DRAWBENCH_BOARD": status.board,
        "DRAWBENCH_END_REASON": status.end_reason,
        "DRAWBENCH_END_TEXT": status.end_text,
        "DRAWBENCH_DURATION_S": f"{status.time_s:.6f}",
        "DRAWBENCH_CHARGE_MAH": f"{status.charge_mah:.6f}",
        "DRAWBENCH_ENERGY_MWH": f"{status.energy_mwh:.6f}",
        "DRAWBENCH_LAST_V": "" if status.pack_v is None else f"{status.pack_v:.6f}",
        "DRAWBENCH_ROWS": str(status.rows),
        "DRAWBENCH_ROWS_MISSING": str(status.rows_missing),
        "DRAWBENCH_EXIT_CODE": str(exit_code),
    }


def run_follow_up(command: str, folder: Path, status: Status, exit_code: int) -> int:
    """Run the command through the shell; gives its exit code. The results are not put on its line."""
    environment = os.environ | result_environment(folder, status, exit_code)
    return subprocess.run(command, shell=True, env=environment, check=False).returncode

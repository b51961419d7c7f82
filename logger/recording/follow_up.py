"""A command of the user's own at the end of a run, with the results in its environment."""

import os
import subprocess
from pathlib import Path

from logger.recording.terms import Status


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

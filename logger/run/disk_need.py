"""How much disk will the run take, and is there so much?"""

import shutil
from pathlib import Path
from typing import Final

ROW_BYTES: Final = 110
USUAL_RUN_S: Final = 40 * 3600.0  # a rundown takes ten to forty hours


def free_bytes(place: Path | int) -> int | None:
    """Room for this user on the disk of a folder, given by its path or its handle; None where that cannot be told."""
    try:
        return shutil.disk_usage(place).free
    except OSError:
        return None


def disk_warning(folder: Path, window_s: float, duration_s: float | None, boards: int = 1) -> str:
    """Warning in words if the disk would fill, empty if there is room."""
    length_s = duration_s or USUAL_RUN_S
    need = length_s / window_s * ROW_BYTES * boards
    free = free_bytes(folder)
    if free is None or free > 1.2 * need:
        return ""
    lasts_h = free / (ROW_BYTES * boards / window_s) / 3600
    return (
        f"The disk will be full after {lasts_h:.1f} h: {free / 1e6:.0f} MB are free, the run would take "
        f"{need / 1e6:.0f} MB in {length_s / 3600:.0f} h. Make room, or use a longer --window."
    )

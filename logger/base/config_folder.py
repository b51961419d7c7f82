"""The folder of what this person's drawbench keeps: calibrations, and which cautions were shown."""

import os
from pathlib import Path
from typing import Final

# For those who keep their bench's files elsewhere, and for tests.
FOLDER_VARIABLE: Final = "DRAWBENCH_CONFIG_FOLDER"


def config_folder() -> Path:
    """As the system has it for configuration; need not exist yet."""
    given = os.environ.get(FOLDER_VARIABLE)
    if given:
        return Path(given)
    from platformdirs import user_config_path

    return user_config_path("drawbench", appauthor=False)

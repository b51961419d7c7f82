"""Cautions at full length once per command and evening, then in one line; never nothing at all.

What was shown is kept beside the calibrations. Whatever goes wrong with that, the caution is shown at full length.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from logger.base.config_folder import config_folder
from logger.base.pack import brief_caution
from logger.base.safe_files import json_bytes, read_json, replace_file

FILE_NAME: Final = "cautions-shown.json"
# One evening at the bench, and the night after it.
EVENING: Final = timedelta(hours=12)


def utc_now() -> datetime:
    return datetime.now(UTC)


def caution_words(
    command: str,
    name: str,
    caution: str,
    *,
    now: Callable[[], datetime] = utc_now,
    folder: Callable[[], Path] = config_folder,
    whole: bool = False,
) -> str:
    """``Caution, NAME: ...``, whole the first time this evening that ``command`` shows it, then its one line.

    ``whole``: at full length in any case. ``now`` gives a moment with its zone.
    """
    start = f"Caution, {name}: " if name else "Caution: "
    moment = now()
    if _first(f"{command}: {name}: {caution}", moment, folder) or whole:
        return start + caution
    return start + brief_caution(caution)


def _first(key: str, moment: datetime, folder: Callable[[], Path]) -> bool:
    """Whether this is its first time this evening; noted only once the note can be kept."""
    try:
        path = folder() / FILE_NAME
        shown = {
            text: since
            for text, since in _shown(path).items()
            if timedelta() <= moment - since < EVENING
        }
        if key in shown:
            return False
        path.parent.mkdir(parents=True, exist_ok=True)
        document = {text: since.isoformat() for text, since in (shown | {key: moment}).items()}
        replace_file(path, json_bytes(document), durable=False)
    except (OSError, RuntimeError):  # RuntimeError: no home folder
        pass
    return True


def _shown(path: Path) -> dict[str, datetime]:
    """What the file says; nothing where it is missing or damaged."""
    try:
        read = read_json(path)
        told = {str(text): datetime.fromisoformat(since) for text, since in read.items()}
    except (FileNotFoundError, ValueError, TypeError, AttributeError):
        return {}
    return {text: since for text, since in told.items() if since.tzinfo is not None}

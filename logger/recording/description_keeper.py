"""The description of a run while it is recorded: written again and again, and never over what somebody else saved."""

from dataclasses import replace
from typing import Any, Final

from logger.base.safe_files import Folder, parse_json
from logger.recording.terms import COLUMN_NAMES
from logger.run.description import Description, from_document
from logger.run.format import DESCRIPTION_NAME, RUN_KEY
from logger.run.store import write_description

# What a person may change while the run goes on; everything else is the recording's own.
TAKEN_OVER: Final = (
    "title", "author", "load", "notes", "need_s", "fresh", "modes_ma",
    "temperature_c", "board_draw_ma", "calibration",
)  # fmt: skip
_ASIDE: Final = "samples.csv-metadata.saved-by-another-{}.json"
_READ_MAX: Final = 4 * 1024 * 1024
_Mark = tuple[int, int, int] | None


class DescriptionKeeper:
    """``write`` it; ``changes`` and ``notices`` tell what another program had saved in its place."""

    def __init__(self) -> None:
        self.changes: dict[str, Any] = {}
        self.notices: list[str] = []
        self._written: Description | None = None
        self._mark: _Mark = None

    def write(self, folder: Folder, description: Description) -> None:
        """Replace the description in the folder. Raises OSError."""
        mark = _mark_of(folder)
        if self._mark is not None and mark not in (self._mark, None):
            description = self._take_over(folder, description)
        write_description(folder, description, COLUMN_NAMES)
        self._written, self._mark = description, _mark_of(folder)

    def is_ours(self, folder: Folder) -> bool:
        """Whether it stands there as it was written last. Raises OSError."""
        return self._mark is None or _mark_of(folder) == self._mark

    def _take_over(self, folder: Folder, description: Description) -> Description:
        """Keep another program's file beside ours, and what in it a person may have changed. Raises OSError."""
        with folder.open_to_read(DESCRIPTION_NAME) as stream:
            data = stream.read(_READ_MAX)
        name = folder.free_name(_ASIDE)
        folder.replace(name, data)
        changes = self._changes(data)
        self.changes |= changes
        taken = f"; taken over from it: {', '.join(changes)}" if changes else ""
        self.notices.append(
            f"another program saved the run's description while it was recorded{taken}; what it saved is {name}"
        )
        return replace(description, **changes)

    def _changes(self, data: bytes) -> dict[str, Any]:
        try:
            document = parse_json(data)
            theirs, problems = from_document(document)
            own = document[RUN_KEY]
        except (ValueError, AttributeError, TypeError, KeyError):
            return {}
        ours = self._written
        if ours is None or problems:
            return {}
        return {
            name: getattr(theirs, name)
            for name in TAKEN_OVER
            if name in own and getattr(theirs, name) != getattr(ours, name)
        }


def _mark_of(folder: Folder) -> _Mark:
    found = folder.kind(DESCRIPTION_NAME)
    return None if found is None else (found.st_ino, found.st_size, found.st_mtime_ns)

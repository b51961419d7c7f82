"""Put files that were made, as a report's, into their folder, and never over anything that somebody else put there."""

import hashlib
import re
import stat
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import READ_MAX, Folder, json_bytes, make_folder, parse_json

# Names and SHA-256 of what drawbench wrote here: a file that differs is somebody's own.
LIST_NAME: Final = "report-files.json"
_PHOTO: Final = re.compile(r"photo-\d{1,2}\.jpg")


def publish(
    made: Path,
    target: Path,
    source: Mapping[str, Any] | None = None,
    *,
    what: str = "The report",
) -> tuple[Path, ...]:
    """Copy every file of ``made`` into ``target``; returns their paths, sorted by name.

    ``source``: what they were made from, for ``unchanged``. ``what``: they are, in words.
    An earlier report of ours is replaced file by file. Raises BenchError, with nothing
    written, if a file of that name is there that drawbench did not write or that was
    changed since; and if the folder cannot be written to.
    """
    names = sorted(item.name for item in made.iterdir())
    try:
        with make_folder(target) as folder:
            known = _known(folder)
            foreign = [name for name in names if _is_foreign(folder, name, known)]
            if foreign:
                raise BenchError(
                    f"The folder {target} holds files that drawbench did not write, or that were changed since.",
                    evidence=", ".join(foreign),
                    next_step="move them away, or choose another folder.",
                )
            new = {name: [hashlib.sha256((made / name).read_bytes()).hexdigest()] for name in names}
            # Old and new hashes first: after a crash in between both count as ours.
            listed = {
                name: sorted({*known.get(name, []), *new.get(name, [])})
                for name in sorted({*known, *new})
            }
            folder.replace(LIST_NAME, _as_json(listed))
            for name in names:
                folder.replace(name, (made / name).read_bytes())
            gone = _photos_gone(folder, known, new)
            kept = {name: hashes for name, hashes in known.items() if name not in gone}
            folder.replace(LIST_NAME, _as_json({**kept, **new}, source, names))
    except OSError as error:
        raise BenchError(
            f"{what} cannot be written to {target}.",
            evidence=spoken(error),
            next_step="choose another folder, one that can be written to.",
        ) from error
    return tuple(target / name for name in names)


def _photos_gone(
    folder: Folder, known: Mapping[str, Sequence[str]], new: Mapping[str, object]
) -> list[str]:
    """Delete photos of an earlier report that are not in this one: whoever took one away wants it gone."""
    gone = [
        name
        for name in known
        if name not in new and _PHOTO.fullmatch(name) and not _is_foreign(folder, name, known)
    ]
    for name in gone:
        folder.unlink(name)
    return gone


def unchanged(target: Path, source: Mapping[str, Any] | None) -> tuple[Path, ...] | None:
    """Paths of what was made from the same ``source`` before and stands there untouched; else None."""
    if source is None:
        return None
    try:
        with Folder(target, follow=False) as folder:
            document = _list(folder)
            if document["made_from"] != source or not document["made"]:
                return None
            names = [str(name) for name in document["made"]]
            known = _known(folder)
            same = all(_sha256(folder, name) == known[name] for name in names)
        return tuple(target / name for name in names) if same else None
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _list(folder: Folder) -> Any:
    with folder.open_to_read(LIST_NAME) as stream:
        return parse_json(stream.read(READ_MAX))


def _known(folder: Folder) -> dict[str, list[str]]:
    """Hashes that each name may have; nothing if the list is missing or not ours."""
    try:
        files = _list(folder)["files"]
        return {str(name): [str(item) for item in files[name]] for name in files}
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return {}


def _is_foreign(folder: Folder, name: str, known: Mapping[str, Sequence[str]]) -> bool:
    found = folder.kind(name)
    if found is None:
        return False
    return not stat.S_ISREG(found.st_mode) or _sha256(folder, name)[0] not in known.get(name, [])


def _sha256(folder: Folder, name: str) -> list[str]:
    with folder.open_to_read(name) as stream:
        return [hashlib.file_digest(stream, "sha256").hexdigest()]


def _as_json(
    files: dict[str, list[str]],
    source: Mapping[str, Any] | None = None,
    names: Sequence[str] = (),
) -> bytes:
    document: dict[str, Any] = {"written_by": "drawbench report", "files": files}
    if source is not None:
        document |= {"made_from": source, "made": list(names)}
    return json_bytes(document)

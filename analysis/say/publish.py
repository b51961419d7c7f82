"""Put a report's files into its folder, and never over anything that somebody else put there."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from logger.base.errors import BenchError

# Names and SHA-256 of what drawbench wrote here: a file that differs is somebody's own.
LIST_NAME: Final = "report-files.json"


def publish(made: Path, target: Path, source: Mapping[str, Any] | None = None) -> tuple[Path, ...]:
    """Copy every file of ``made`` into ``target``; returns their paths, sorted by name.

    ``source``: what they were made from, for ``unchanged``.
    An earlier report of ours is replaced file by file. Raises BenchError, with nothing
    written, if a file of that name is there that drawbench did not write or that was
    changed since; and if the folder cannot be written to.
    """
    names = sorted(item.name for item in made.iterdir())
    try:
        target.mkdir(parents=True, exist_ok=True)
        known = _known(target)
        foreign = [name for name in names if _is_foreign(target / name, known)]
        if foreign:
            raise BenchError(
                f"The folder {target} holds files that drawbench did not write, or that were changed since.",
                evidence=", ".join(foreign),
                next_step="move them away, or write the report into another folder.",
            )
        new = {name: _sha256(made / name) for name in names}
        # Old and new hashes first: after a crash in between both count as ours.
        listed = {
            name: sorted({*known.get(name, []), *new.get(name, [])})
            for name in sorted({*known, *new})
        }
        _replace(target / LIST_NAME, _as_json(listed))
        for name in names:
            _replace(target / name, (made / name).read_bytes())
        _replace(target / LIST_NAME, _as_json({**known, **new}, source, names))
    except OSError as error:
        raise BenchError(
            f"The report cannot be written to {target}.",
            evidence=str(error.strerror or error),
            next_step="choose another folder, one that can be written to.",
        ) from error
    return tuple(target / name for name in names)


def unchanged(target: Path, source: Mapping[str, Any] | None) -> tuple[Path, ...] | None:
    """Paths of what was made from the same ``source`` before and stands there untouched; else None."""
    if source is None:
        return None
    try:
        document = json.loads((target / LIST_NAME).read_text(encoding="utf-8"))
        if document["made_from"] != source or not document["made"]:
            return None
        files = tuple(target / str(name) for name in document["made"])
        known = _known(target)
        return files if all(_sha256(file) == known[file.name] for file in files) else None
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _known(folder: Path) -> dict[str, list[str]]:
    """Hashes that each name may have; nothing if the list is missing or not ours."""
    try:
        document = json.loads((folder / LIST_NAME).read_text(encoding="utf-8"))
        files = document["files"]
        return {str(name): [str(item) for item in files[name]] for name in files}
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        return {}


def _is_foreign(path: Path, known: dict[str, list[str]]) -> bool:
    if not path.exists() and not path.is_symlink():
        return False
    return not path.is_file() or _sha256(path)[0] not in known.get(path.name, [])


def _sha256(path: Path) -> list[str]:
    with path.open("rb") as stream:
        return [hashlib.file_digest(stream, "sha256").hexdigest()]


def _as_json(
    files: dict[str, list[str]],
    source: Mapping[str, Any] | None = None,
    names: Sequence[str] = (),
) -> bytes:
    document: dict[str, Any] = {"written_by": "drawbench report", "files": files}
    if source is not None:
        document |= {"made_from": source, "made": list(names)}
    return (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode()


def _replace(path: Path, data: bytes) -> None:
    """Whole old file or whole new one, also after a crash."""
    temporary = path.with_name(path.name + ".new")
    temporary.write_bytes(data)
    temporary.replace(path)

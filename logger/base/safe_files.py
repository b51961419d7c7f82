"""How is a file read or made in a folder that a stranger could have prepared?

A run's folder may come on somebody's stick: any name in it may be a link, a second name of another file, a pipe
or a device. So every file that this program makes is made here: in a folder opened once, under a name of its own
that nobody can know beforehand, never through a link, and put in its place as one step. And what is read is
looked at first: only a plain file is opened, for a pipe would be waited for and a device might act.

Errors are OSErrors whose ``strerror`` is in words. Every name that is made is announced by
``sys.audit(MADE, path)``: that is how the tests know all of them.
"""

import contextlib
import errno
import json
import os
import re
import secrets
import stat
import sys
import time
from collections.abc import Callable, Iterator
from io import BufferedReader
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Final, Self

MADE: Final = "drawbench.made"
# A read of a small file is over long before; the recording's rows wait in memory meanwhile.
_PATIENCE_S: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)
# A description or a list that is read whole; the longest of ours are a tenth of it.
READ_MAX: Final = 16 * 1024 * 1024
_LEFTOVER: Final = re.compile(r"\.drawbench-[0-9a-f]{16}\.new")
_CAREFULLY: Final = (
    getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)
_FRESH: Final = os.O_CREAT | os.O_EXCL | _CAREFULLY
# Elsewhere (Windows) a folder cannot be opened, and paths have to do.
_BY_HANDLE: Final = {os.open, os.rename, os.stat, os.unlink, os.mkdir} <= os.supports_dir_fd


def is_leftover(name: str) -> bool:
    """Whether a killed program left this half-made file behind; nothing ever reads it."""
    return _LEFTOVER.fullmatch(name) is not None


class Folder:
    """A folder opened once: what is done with names in it is done there, also if its path is given to another.

    ``follow``: whether the path itself may be a link (a user's own may). Raises OSError.
    """

    def __init__(self, path: Path, *, follow: bool = True) -> None:
        self.path = path
        self._handle: int | None = None
        if _BY_HANDLE:
            self._handle = _folder_handle(path, path, None, follow)
        elif not follow:
            _refuse_strange_folder(os.lstat(path), path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)

    def inside(self, name: str) -> "Folder":
        """The folder of that name in this one, made where it is not there; never through a link."""
        _refuse_path(name)
        path = self.path / name
        with contextlib.suppress(FileExistsError):
            os.mkdir(self._at(name), dir_fd=self._handle)
            sys.audit(MADE, str(path))
        if self._handle is None:
            return Folder(path, follow=False)
        found = Folder.__new__(Folder)
        found.path = path
        found._handle = _folder_handle(name, path, self._handle, follow=False)
        return found

    def kind(self, name: str) -> os.stat_result | None:
        """What stands there, a link as a link; None if nothing does."""
        try:
            return os.stat(self._at(name), dir_fd=self._handle, follow_symlinks=False)
        except FileNotFoundError:
            return None

    def free_name(self, pattern: str) -> str:
        """The first name that is not taken; ``pattern`` has a place for a number."""
        number = 1
        while self.kind(pattern.format(number)) is not None:
            number += 1
        return pattern.format(number)

    @contextlib.contextmanager
    def replacing(self, name: str, *, durable: bool = True) -> Iterator[BinaryIO]:
        """A stream whose content takes the place of ``name`` as one step once the block ends well.

        If it does not, nothing is left behind. A link or a second name that stood there is replaced itself; a
        folder, a pipe or a device is refused. ``durable``: also after a power cut (False: for what is soon made again).
        """
        _refuse_path(name)
        found = self.kind(name)
        if found is not None and not stat.S_ISLNK(found.st_mode):
            _refuse_strange(found, name)
        sys.audit(MADE, str(self.path / name))
        temporary = f".drawbench-{secrets.token_hex(8)}.new"
        handle = self._open(temporary, os.O_WRONLY | _FRESH)
        try:
            with os.fdopen(handle, "wb") as stream:
                yield stream
                stream.flush()
                if durable:
                    os.fsync(stream.fileno())
            if self._handle is None:
                _put_in_place(Path(self._at(temporary)), Path(self._at(name)))
            else:
                os.rename(temporary, name, src_dir_fd=self._handle, dst_dir_fd=self._handle)
        except BaseException:
            with contextlib.suppress(OSError):
                self.unlink(temporary)
            raise
        if durable:
            self.sync()

    def replace(self, name: str, data: bytes, *, durable: bool = True) -> None:
        """Whole old file or whole new one, also after a crash; see ``replacing``."""
        with self.replacing(name, durable=durable) as stream:
            stream.write(data)

    def create(self, name: str) -> int:
        """Descriptor of a new file, to read, write and append. Raises FileExistsError whatever stands there."""
        _refuse_path(name)
        sys.audit(MADE, str(self.path / name))
        return self._open(name, os.O_RDWR | os.O_APPEND | _FRESH)

    def append_to(self, name: str, *, create: bool = False) -> int:
        """Descriptor of a plain file, to read, write and append. Raises OSError for a link, for a file that has a
        second name elsewhere (both would change), and for anything that is no file."""
        if create:
            with contextlib.suppress(FileExistsError):
                return self.create(name)
        _refuse_path(name)
        sys.audit(MADE, str(self.path / name))
        found = self.kind(name)
        if found is not None:
            _refuse_strange(found, name, second_name=False)
        handle = self._open(name, os.O_RDWR | os.O_APPEND | _CAREFULLY)
        try:
            _refuse_strange(os.fstat(handle), name, second_name=False)
        except OSError:
            os.close(handle)
            raise
        return handle

    def open_to_read(self, name: str) -> BufferedReader:
        """A plain file of this folder, not through a link. Raises OSError for anything else."""
        _refuse_path(name)
        found = os.stat(self._at(name), dir_fd=self._handle, follow_symlinks=False)
        _refuse_strange(found, name)
        return _stream(self._open(name, os.O_RDONLY | _CAREFULLY), name)

    def unlink(self, name: str) -> None:
        """Take the name away, never what a link leads to; nothing happens if it is not there."""
        _refuse_path(name)
        with contextlib.suppress(FileNotFoundError):
            os.unlink(self._at(name), dir_fd=self._handle)

    def sync(self) -> None:
        """Make renames durable, on systems where a folder can be synced."""
        if self._handle is not None:
            os.fsync(self._handle)

    def _at(self, name: str) -> str:
        return name if self._handle is not None else str(self.path / name)

    def _open(self, name: str, flags: int) -> int:
        return os.open(self._at(name), flags, 0o666, dir_fd=self._handle)


def make_folder(path: Path) -> Folder:
    """The folder, made with its parents where it is not there. Raises OSError if it is a link or no folder."""
    if not path.exists():
        with contextlib.suppress(FileExistsError):
            path.mkdir(parents=True)
            sys.audit(MADE, str(path))
    return Folder(path, follow=False)


@contextlib.contextmanager
def replacing_file(path: Path, *, durable: bool = True, own: bool = True) -> Iterator[BinaryIO]:
    """``Folder.replacing`` for one file. ``own``: False for a name that a user typed, which is left alone if it is a link."""
    with Folder(path.parent) as folder:
        found = None if own else folder.kind(path.name)
        if found is not None:
            _refuse_strange(found, path.name)
        with folder.replacing(path.name, durable=durable) as stream:
            yield stream


def replace_file(path: Path, data: bytes, *, durable: bool = True, own: bool = True) -> None:
    """Whole old file or whole new one, also after a crash; see ``replacing_file``."""
    with replacing_file(path, durable=durable, own=own) as stream:
        stream.write(data)


def create_file(path: Path, data: bytes) -> None:
    """Write a file that must not be there yet (FileExistsError); a half-written one is taken away again."""
    with Folder(path.parent) as folder:
        handle = folder.create(path.name)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
        except BaseException:
            with contextlib.suppress(OSError):
                folder.unlink(path.name)
            raise


def open_to_read(path: Path, most: int | None = None) -> BufferedReader:
    """A plain file, also through a link, as a stream of bytes.

    Raises OSError, at once, for anything else, and for one of more than ``most`` bytes.
    """
    found = path.stat()  # before it is opened: opening a device may do something
    _refuse_strange(found, path.name)
    if most is not None and found.st_size > most:
        raise _too_long(most)
    flags = os.O_RDONLY | (_CAREFULLY & ~getattr(os, "O_NOFOLLOW", 0))
    return _stream(os.open(path, flags), path.name)


def read_whole(path: Path, most: int = READ_MAX) -> bytes:
    """All bytes of a plain file. Raises OSError for anything else, and for one of more than ``most`` bytes."""
    with open_to_read(path, most) as stream:
        # At once by its size, for most is often far more; a file of the system's own has no size.
        data = stream.read(os.fstat(stream.fileno()).st_size + 1) or b""
        while len(data) <= most and (more := stream.read(1 << 20)):
            data += more
    if len(data) > most:
        raise _too_long(most)
    return data


def _put_in_place(made: Path, name: Path, sleep: Callable[[float], object] = time.sleep) -> None:
    """Windows refuses while anybody has the old file open, and our own page reads it every second: try again."""
    for wait_s in _PATIENCE_S:
        try:
            made.replace(name)
            return
        except PermissionError:
            sleep(wait_s)
    made.replace(name)


def _too_long(most: int) -> OSError:
    size = f"{most >> 20} MiB" if most >> 20 else f"{most} bytes"
    return OSError(errno.EFBIG, f"it is longer than {size}, and so not what it should be")


def json_bytes(document: Any, indent: int | None = 1) -> bytes:
    """A document as a file's content. What is half a letter (a name that is no UTF-8) is written as an escape."""
    text = json.dumps(document, ensure_ascii=False, indent=indent) + "\n"
    return text.encode("utf-8", "backslashreplace")


def read_json(path: Path, most: int = READ_MAX) -> Any:
    """What a JSON file says. Raises OSError as ``read_whole`` does, and ValueError for all that is no JSON."""
    return parse_json(read_whole(path, most))


def parse_json(data: bytes) -> Any:
    """The same of bytes. Raises ValueError."""
    try:
        return json.loads(data)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _stream(handle: int, name: str) -> BufferedReader:
    try:
        _refuse_strange(os.fstat(handle), name)
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def _folder_handle(name: str | Path, path: Path, at: int | None, follow: bool) -> int:
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | (0 if follow else os.O_NOFOLLOW)
    try:
        return os.open(name, flags, dir_fd=at)
    except OSError as error:
        if not follow and error.errno in (errno.ELOOP, errno.ENOTDIR):
            _refuse_strange_folder(os.stat(name, dir_fd=at, follow_symlinks=False), path)
        raise


def _refuse_path(name: str) -> None:
    if not name or name in (".", "..") or Path(name).name != name:
        raise OSError(errno.EINVAL, f"{name!r} is not the name of a file")


def _refuse_strange_folder(found: os.stat_result, path: Path) -> None:
    if stat.S_ISLNK(found.st_mode) or _is_reparse(found):
        raise OSError(errno.ELOOP, f"{path.name} is a link to another folder; take it away")
    if not stat.S_ISDIR(found.st_mode):
        raise OSError(errno.ENOTDIR, f"{path.name} is not a folder")


def _is_reparse(found: os.stat_result) -> bool:
    """Windows: a junction, or whatever else leads elsewhere."""
    return bool(getattr(found, "st_reparse_tag", 0))


_KINDS: Final = (
    (stat.S_ISLNK, "a link to another file"),
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe (FIFO)"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def _refuse_strange(found: os.stat_result, name: str, *, second_name: bool = True) -> None:
    kind = next((words for test, words in _KINDS if test(found.st_mode)), "")
    if kind or not stat.S_ISREG(found.st_mode):
        code = errno.EISDIR if stat.S_ISDIR(found.st_mode) else errno.EINVAL
        raise OSError(code, f"{name} is {kind or 'something else'}, not a file")
    if not second_name and found.st_nlink > 1:
        raise OSError(errno.EMLINK, f"{name} is also a file elsewhere (a hard link); copy it first")

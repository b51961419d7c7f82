"""What Windows does otherwise, laid over this system's Python, in a process of its own.

    python -m tests.support.windows_layer < commands.json     one list of arguments per command; what came of each as JSON

Our modules meet: ``os.name`` "nt" and an ``os`` without what only POSIX has, ``sys.platform`` "win32", no ``fcntl``,
``termios``, ``tty``, ``pty``, ``pwd``, ``grp``, ``resource``; folders that cannot be opened; a file that is open anywhere in this process
can be neither replaced nor renamed nor removed (Python opens without FILE_SHARE_DELETE); links only for those who may; a
lock of ``msvcrt``; an output in cp1252; and a text file opened without naming its encoding is an error, for it
would be cp1252, too. The libraries are imported before, for this system: they are not what is tested. Written from
the documentation of Python's ``os`` and ``msvcrt`` and of CreateFile, from memory; nothing here ran on Windows.
"""

import errno
import importlib
import io
import json
import os
import pathlib
import sys
import types
import warnings
from collections.abc import Sequence
from typing import Any, Final

_LIBRARIES: Final = (
    "asyncio", "concurrent.futures", "ctypes", "getpass", "http.server", "multiprocessing", "platform", "selectors", "shutil", "socket",
    "subprocess", "tempfile", "uuid", "webbrowser", "zoneinfo",
    "click", "click.testing", "jinja2", "matplotlib.pyplot", "matplotlib.backends.backend_agg", "matplotlib.backends.backend_pdf",
    "matplotlib.backends.backend_svg", "numpy", "pandas", "platformdirs", "rich.console", "rich.live", "rich.table",
    "ruptures", "scipy.interpolate", "scipy.linalg", "scipy.optimize", "scipy.special", "scipy.stats", "segno",
    "serial", "serial.tools.list_ports", "serial.urlhandler.protocol_socket", "starlette.applications", "starlette.responses",
    "starlette.routing", "tomlkit", "uvicorn", "wakepy",
)  # fmt: skip
# Modules and names of os and signal that Windows' Python has not (library reference, "Availability: Unix").
NO_MODULES: Final = ("fcntl", "grp", "pty", "pwd", "resource", "termios", "tty")
NO_OS: Final = frozenset(
    {
        "O_NOFOLLOW", "O_NONBLOCK", "O_CLOEXEC", "O_DIRECTORY", "O_NOCTTY", "O_SYNC", "fork", "forkpty", "geteuid", "getegid",
        "getuid", "getgid", "getpgrp", "getpgid", "getloadavg", "killpg", "mkfifo", "mknod", "nice", "pread", "preadv",
        "pwrite", "posix_fallocate", "posix_fadvise", "sched_getaffinity", "setsid", "setpgid", "statvfs", "fstatvfs",
        "sysconf", "tcgetpgrp", "tcsetpgrp", "uname", "openpty", "chown", "fchown", "fchmod", "ttyname", "register_at_fork",
    }
)  # fmt: skip
NO_SIGNALS: Final = (
    "SIGHUP",
    "SIGALRM",
    "SIGUSR1",
    "SIGUSR2",
    "SIGPIPE",
    "SIGKILL",
    "SIGCHLD",
    "pthread_sigmask",
    "setitimer",
)


class WindowsOs(types.ModuleType):
    """``os`` as our modules see it."""

    name = "nt"
    supports_dir_fd: frozenset[Any] = frozenset()
    supports_follow_symlinks: frozenset[Any] = frozenset({os.stat})
    O_BINARY = 0

    def __getattr__(self, name: str) -> Any:
        if name in NO_OS:
            raise AttributeError(f"module 'os' has no attribute {name!r} on Windows")
        return getattr(os, name)

    @staticmethod
    def open(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        _no_handle_of_a_folder(dir_fd)
        if os.path.isdir(path):  # noqa: PTH112  # a path or bytes
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return os.open(path, flags, mode)

    @staticmethod
    def lseek(fd: int, position: int, how: int) -> int:
        """There, behind any end that a file can have here."""
        return position if position > 1 << 43 else os.lseek(fd, position, how)

    @staticmethod
    def stat(
        path: Any, *, dir_fd: int | None = None, follow_symlinks: bool = True
    ) -> os.stat_result:
        _no_handle_of_a_folder(dir_fd)
        return os.stat(path, follow_symlinks=follow_symlinks)  # noqa: PTH116

    @staticmethod
    def unlink(path: Any, *, dir_fd: int | None = None) -> None:
        _no_handle_of_a_folder(dir_fd)
        pathlib.Path(path).unlink()

    @staticmethod
    def mkdir(path: Any, mode: int = 0o777, *, dir_fd: int | None = None) -> None:
        _no_handle_of_a_folder(dir_fd)
        pathlib.Path(path).mkdir(mode)

    @staticmethod
    def symlink(*_: object, **__: object) -> None:
        raise OSError(
            errno.EPERM, "A required privilege is not held by the client"
        )  # WinError 1314


def _no_handle_of_a_folder(dir_fd: int | None) -> None:
    if dir_fd is not None:
        raise NotImplementedError("dir_fd unavailable on this platform")


def _refuse_if_open(path: pathlib.Path) -> None:
    """As CreateFile's sharing does: nobody takes the name away while one of us has the file open."""
    try:
        wanted = path.stat()
    except OSError:
        return
    for number in os.listdir("/proc/self/fd"):  # noqa: PTH208  # a list, not a walk: its own handle is in it
        try:
            found = os.fstat(int(number))
        except OSError:
            continue
        if (found.st_dev, found.st_ino) == (wanted.st_dev, wanted.st_ino):
            raise PermissionError(
                errno.EACCES, "The process cannot access the file because it is being used by another process", str(path)
            )  # fmt: skip


def _sharing() -> None:
    """Path's own ways of renaming and removing."""
    replace, rename, unlink = pathlib.Path.replace, pathlib.Path.rename, pathlib.Path.unlink

    def held(path: pathlib.Path, target: Any) -> pathlib.Path:
        _refuse_if_open(path)
        _refuse_if_open(pathlib.Path(target))
        return replace(path, target)

    def named(path: pathlib.Path, target: Any) -> pathlib.Path:
        _refuse_if_open(path)
        if pathlib.Path(target).exists():
            raise FileExistsError(
                errno.EEXIST, "Cannot create a file when that file already exists"
            )
        return rename(path, target)

    def removed(path: pathlib.Path, missing_ok: bool = False) -> None:
        _refuse_if_open(path)
        unlink(path, missing_ok=missing_ok)

    def linked(path: pathlib.Path, *_: object, **__: object) -> None:
        WindowsOs.symlink(path)

    pathlib.Path.replace = held  # type: ignore[method-assign,assignment]
    pathlib.Path.rename = named  # type: ignore[method-assign,assignment]
    pathlib.Path.unlink = removed  # type: ignore[method-assign,assignment]
    pathlib.Path.symlink_to = linked  # type: ignore[method-assign,assignment]


def _msvcrt() -> types.ModuleType:
    """Its console has no key waiting; its lock is this system's, on the whole file."""
    fcntl = importlib.import_module("fcntl")
    module = types.ModuleType("msvcrt")

    def locking(fd: int, mode: int, count: int) -> None:
        assert count == 1
        fcntl.flock(fd, fcntl.LOCK_UN if mode == 0 else fcntl.LOCK_EX | fcntl.LOCK_NB)

    vars(module).update(
        locking=locking, LK_UNLCK=0, LK_NBLCK=2, kbhit=lambda: False, getwch=lambda: ""
    )
    return module


class _Missing:
    """Finds none of the modules that are not there."""

    def find_spec(self, name: str, *_: object) -> None:
        if name in NO_MODULES:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def lay_over() -> None:
    """From now on, what is imported meets Windows."""
    for library in _LIBRARIES:
        importlib.import_module(library)
    msvcrt = _msvcrt()
    for name in NO_MODULES:
        sys.modules.pop(name, None)
    sys.meta_path.insert(0, _Missing())
    sys.modules["msvcrt"] = msvcrt
    signal = importlib.import_module("signal")
    for name in NO_SIGNALS:
        vars(signal).pop(name, None)
    vars(signal)["SIGBREAK"] = 21
    sys.platform = "win32"
    sys.modules["os"] = WindowsOs("os")
    _sharing()
    warnings.filterwarnings(
        "error", category=EncodingWarning, module=r"(logger|analysis|firmware_probe|drawbench)\b"
    )


def asked(main: Any, arguments: Sequence[str]) -> dict[str, Any]:
    """Exit code and outputs of one command, through the front door, on a redirected output."""
    outputs = [io.TextIOWrapper(io.BytesIO(), "cp1252", write_through=True) for _ in range(2)]
    before = sys.stdout, sys.stderr, sys.argv
    sys.stdout, sys.stderr = outputs
    sys.argv = ["drawbench", *arguments]
    code = 0
    try:
        main()
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 1
    finally:
        sys.stdout, sys.stderr, sys.argv = before
    said, complained = (output.buffer.getvalue().decode("cp1252") for output in outputs)
    return {"command": list(arguments), "code": code, "said": said, "complained": complained}


def modules_of_ours(root: pathlib.Path) -> list[str]:
    """Every module that is installed, but what runs on the boards' own interpreters, and the drawing of the wiring
    pictures, for which developers alone have a library."""
    found = ["drawbench"]
    for package in ("firmware_probe", "logger", "analysis"):
        for path in sorted((root / package).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            if not {"micropython", "node_modules", "wiring_pictures"}.intersection(parts):
                found.append(".".join(part for part in parts if part != "__init__"))
    return found


def main() -> None:
    root = pathlib.Path(__file__).resolve().parents[2]
    commands = json.load(sys.stdin)
    lay_over()
    refused = {}
    for name in modules_of_ours(root):
        try:
            importlib.import_module(name)
        except Exception as error:  # noqa: BLE001  # whatever it is, it is told
            refused[name] = f"{type(error).__name__}: {error}"
    front = importlib.import_module("drawbench")
    results = [] if refused else [asked(front.main, arguments) for arguments in commands]
    json.dump({"refused": refused, "results": results}, sys.stdout)


if __name__ == "__main__":
    main()

"""May we open this port, and if not, why: said in words, with what to do about it."""

import errno
import os
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from firmware_probe.line_format import BAUD_DEFAULT
from logger.base.errors import BenchError
from logger.base.holders import holders, is_pty


def check_device(port: str, list_ports: Callable[[], Sequence[str]]) -> None:
    """Raises BenchError if a device is not there (``list_ports``: what is), is no port, or is taken."""
    path = Path(port)
    if not path.exists():
        raise BenchError(
            f"There is no port {port}.",
            evidence=f"ports with a USB device: {', '.join(list_ports()) or 'none'}",
            next_step="check the cable (some only charge), plug the board in, or leave --port away to have it found.",
        )
    if not path.is_char_device() or _is_known_as_other(path):
        raise BenchError(
            f"{port} is not a serial port.",
            next_step="give the port's device, a pattern for it, or a URL such as socket://host:port.",
        )
    if not os.access(port, os.R_OK | os.W_OK):
        raise _not_permitted(port)
    # A serial monitor that set no lock would take bytes away from us unnoticed.
    others = holders(port)
    if others:
        raise _busy(port, ", ".join(others))


def _is_known_as_other(path: Path) -> bool:
    """Linux lists the device as something else than a terminal line, such as /dev/null."""
    number = path.stat().st_rdev
    kind = Path(f"/sys/dev/char/{os.major(number)}:{os.minor(number)}/subsystem")
    return kind.exists() and kind.resolve().name != "tty"


def claim(fd: int, port: str) -> None:
    """Keep others from opening the port, and DTR from dropping when we close it.

    Not on a pseudo-terminal: its other end holds it open, and the mark would outlive us.
    """
    if sys.platform == "win32":
        return
    import fcntl
    import termios

    try:
        if not is_pty(port):
            fcntl.ioctl(fd, termios.TIOCEXCL)
        settings = termios.tcgetattr(fd)
        settings[2] &= ~termios.HUPCL
        termios.tcsetattr(fd, termios.TCSANOW, settings)
    except (OSError, termios.error):
        return  # not every driver knows these; the lock of pyserial stands


def cannot_open(port: str, baud: int, error: Exception) -> BenchError:
    """What opening a device or URL failed of."""
    is_device = "://" not in port
    number = getattr(error, "errno", None)
    text = str(error)
    if number == errno.EACCES or "PermissionError" in text:
        return _not_permitted(port) if os.name == "posix" else _busy(port, "another program")
    if number in (errno.EBUSY, errno.EWOULDBLOCK) or "exclusively lock" in text:
        return _busy(port, ", ".join(holders(port)) or "another program")
    if isinstance(error, ValueError) and is_device:
        return BenchError(
            f"The port {port} cannot be set to {baud} baud.",
            evidence=system_words(error),
            next_step=f"give --baud {BAUD_DEFAULT}.",
        )
    next_step = (
        "check the name and the cable."
        if is_device
        else "write it like socket://127.0.0.1:7788, and see that the other end is running."
    )
    return BenchError(
        f"The port {port} cannot be opened.", evidence=system_words(error), next_step=next_step
    )


def _busy(port: str, who: str) -> BenchError:
    return BenchError(
        f"The port {port} is in use.",
        evidence=f"opened by {who}",
        next_step="close that program (a serial monitor, another logger) and try again.",
    )


def _not_permitted(port: str) -> BenchError:
    import grp

    group_id = Path(port).stat().st_gid
    try:
        group = grp.getgrgid(group_id).gr_name
    except KeyError:
        group = str(group_id)
    return BenchError(
        f"You are not permitted to use the port {port}.",
        evidence=f"it belongs to the group {group!r}",
        next_step=f"run  sudo usermod -aG {group} $USER  then log out and in again.",
    )


def system_words(error: Exception) -> str:
    """The system's words alone: pyserial puts the port's name around them, once more."""
    text = str(getattr(error, "strerror", None) or error).splitlines()[0]
    found = re.search(r"\[Errno -?\d+\] (.+?)'?\)?$", text)
    return found[1] if found else text

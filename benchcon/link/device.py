"""Opening and closing a serial device for one program alone, and saying what is wrong when it cannot be had."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
from typing import Any

import serial

from benchcon.errors import Trouble
from benchcon.text import printable
from benchcon.wire.codec import RATE


def open_device(port: str) -> Any:
    """Open `port` for this program alone and return pyserial's object for it. May wait for the device.

    8 data bits, no parity, one stop bit, no handshake, `RATE`. Raises `Trouble` with what is wrong and what to do.
    """
    try:
        refuse_what_is_no_port(port)
        # With an inter-byte timeout pyserial asks for at least one byte a read: a read of none then means hung up.
        opened: Any = serial.Serial(port, RATE, timeout=0, write_timeout=0, exclusive=True, inter_byte_timeout=0.0)
    except (OSError, ValueError) as error:
        raise refusal(port, error) from None
    if sys.platform != "win32":
        import fcntl
        import termios

        if not os.path.realpath(port).startswith("/dev/pts/"):
            # Not on a pseudo-terminal: there the mark would outlive us if we were killed.
            with contextlib.suppress(OSError):
                fcntl.ioctl(opened.fd, termios.TIOCEXCL)
        with contextlib.suppress(OSError, ValueError, NotImplementedError):
            opened.set_low_latency_mode(True)
    return opened


def refuse_what_is_no_port(port: str) -> None:
    """Raise `Trouble` if `port` is a file, or the terminal of a program: call it before anything opens a device.

    Raises OSError if it is not there.
    """
    if sys.platform == "win32":
        return
    there, shown = os.stat(port), printable(port) or "''"
    if not stat.S_ISCHR(there.st_mode):
        raise Trouble(_no_port(shown))
    if who := _whose_terminal(there.st_rdev):
        # A link that a simulated board left behind may lead to whoever got its number next.
        raise Trouble(
            f"{shown} leads to the terminal of {who}, and not to a board: it is not opened; remove a link"
            " that was left behind"
        )


def _whose_terminal(device: int) -> str:
    """Return who works at this terminal (a program whose controlling terminal it is), printable; empty for a port."""
    number = os.minor(device) & 0xFF | os.major(device) << 8 | (os.minor(device) & ~0xFF) << 12
    try:
        pids = [name for name in os.listdir("/proc") if name.isdecimal()]
    except OSError:
        return ""  # a system without /proc
    for pid in pids:
        try:
            # proc(5): the name in brackets may hold anything; tty_nr is the fifth field after it.
            with open(f"/proc/{pid}/stat", "rb") as file:
                name, _, rest = file.read(1024).partition(b"(")[2].rpartition(b")")
            if int(rest.split()[4]) == number:
                return f"{printable(name) or 'a program'}, process {pid}"
        except (OSError, ValueError, IndexError):
            continue
    return ""


def close_device(device: Any) -> None:
    """Close what `open_device` opened, throwing away what a stuck board has not taken. May wait for the driver."""
    if sys.platform != "win32":
        import fcntl
        import termios

        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(device.fd, termios.TCIOFLUSH)  # else closing waits for bytes that a stuck board never takes
        if not os.path.realpath(device.port).startswith("/dev/pts/"):
            with contextlib.suppress(OSError):
                fcntl.ioctl(device.fd, termios.TIOCNXCL)
    with contextlib.suppress(OSError):
        device.close()


def pseudo_mark(port: str) -> tuple[str, int]:
    """Return what tells a pseudo-terminal that is reached by `port` from a later one; an empty name for other ports.

    The number of one whose program has ended is given to the next program that asks for one, a shell perhaps. By a
    link: the link's own age, as whoever puts another pseudo-terminal there makes the link again. By its number alone
    nothing tells them apart.
    """
    real = os.path.realpath(port)
    if not real.startswith("/dev/pts/"):
        return "", 0
    try:
        there = os.lstat(port)
    except OSError:
        return "", 0
    return real, there.st_ctime_ns if stat.S_ISLNK(there.st_mode) else 0


def refusal(port: str, error: Exception) -> Trouble:
    """Return what to tell the user when `port` cannot be opened: what is wrong, and what to do."""
    shown = printable(port) or "''"
    number = getattr(error, "errno", None)
    if number in (errno.EACCES, errno.EPERM):
        return Trouble(f"{shown} may not be opened: {_group_hint(port)}")
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return Trouble(f"{shown} is not there: is it plugged in?")
    if number in (errno.EBUSY, errno.EAGAIN):
        return Trouble(f"{shown} is in use by another program: close it there first")
    text = printable(str(error))
    if "Could not configure port" in text or number == errno.ENOTTY:
        return Trouble(_no_port(shown))
    return Trouble(f"{shown} cannot be opened ({text})")


def _no_port(shown: str) -> str:
    return f"{shown} is not a serial port; 'benchcon ports' lists those that are there"


def _group_hint(port: str) -> str:
    if sys.platform == "win32":
        return "another program has it open, or you have no permission"
    import grp

    try:
        there = os.stat(port)
    except OSError:
        return "you have no permission to see it"
    try:
        group = grp.getgrgid(there.st_gid).gr_name
    except KeyError:
        group = str(there.st_gid)
    if there.st_gid == 0 or not there.st_mode & stat.S_IRGRP or not there.st_mode & stat.S_IWGRP:
        return f"only {_owner(there.st_uid)} may; ask whoever looks after this machine"
    return f"it belongs to the group '{group}'; join it (sudo usermod -aG {group} $USER), log out and in again"


def _owner(uid: int) -> str:
    if sys.platform == "win32":
        return "its owner"
    import pwd

    try:
        return f"the user '{pwd.getpwuid(uid).pw_name}'"
    except KeyError:
        return f"user number {uid}"

"""Opening and closing a serial device for this program alone, and saying what is wrong when that fails."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
from typing import Any

import serial

from benchcon.errors import Trouble
from benchcon.link.pseudo_terminals import is_pseudo_terminal
from benchcon.text import printable
from benchcon.wire.codec import RATE


def open_device(port: str) -> Any:
    """Open `port` for this program alone, and return pyserial's object for it. May block while the device opens.

    8 data bits, no parity, one stop bit, no handshake, at `RATE`. Raises `Trouble` with what is wrong and what to do.
    """
    try:
        refuse_what_is_no_port(port)
        # With an inter-byte timeout pyserial asks for at least one byte per read; a read of none then means hung up.
        opened: Any = serial.Serial(port, RATE, timeout=0, write_timeout=0, exclusive=True, inter_byte_timeout=0.0)
    except (OSError, ValueError) as error:
        raise refusal(port, error) from None
    if sys.platform != "win32":
        import fcntl
        import termios

        if not is_pseudo_terminal(port):
            # Not on a pseudo-terminal: there the exclusive mode would outlive this program if it were killed.
            with contextlib.suppress(OSError):
                fcntl.ioctl(opened.fd, termios.TIOCEXCL)
        with contextlib.suppress(OSError, ValueError, NotImplementedError):
            opened.set_low_latency_mode(True)
    return opened


def refuse_what_is_no_port(port: str) -> None:
    """Raise `Trouble` if `port` is a file, or the terminal of a program. Call this before you open a device.

    Raises OSError if it does not exist.
    """
    if sys.platform == "win32":
        return
    there, shown = os.stat(port), printable(port) or "''"
    if not stat.S_ISCHR(there.st_mode):
        raise Trouble(_no_port(shown))
    if who := _whose_terminal(there.st_rdev):
        # A link that a simulated board left behind may lead to whatever got its pseudo-terminal's number next.
        raise Trouble(
            f"{shown} is the terminal of {who}, not a board, and is not opened; if it is a link that was left behind,"
            " remove it"
        )


def _whose_terminal(device: int) -> str:
    """Return the program, printable, whose controlling terminal this device is; empty if there is none."""
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
    """Close what `open_device` opened; bytes that a stuck board has not taken are lost. May block in the driver."""
    if sys.platform != "win32":
        import fcntl
        import termios

        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(device.fd, termios.TCIOFLUSH)  # or closing would wait for a stuck board to take its bytes
        if not is_pseudo_terminal(device.port):
            with contextlib.suppress(OSError):
                fcntl.ioctl(device.fd, termios.TIOCNXCL)
    with contextlib.suppress(OSError):
        device.close()


def refusal(port: str, error: Exception) -> Trouble:
    """Return the `Trouble` for a user whose `port` cannot be opened: what is wrong, and what to do."""
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

"""Exclusive use of a port: one program at a time; a second one learns who has it.

Three locks, because no single one is enough:

- a lock file with the usual name ``LCK..ttyUSB0`` and the holder's process id in it (Filesystem Hierarchy Standard 3.0,
  section 5.9), which other serial programs look for. We hold an ``flock`` on it, which the kernel releases however we
  end, so that a file left behind by SIGKILL locks nobody out. It binds root as well;
- an ``flock`` on the device itself, which pyserial takes (``exclusive=True``);
- ``TIOCEXCL`` on the device, which keeps out programs that know of no lock at all, unless they run as root.
"""

from __future__ import annotations

import os
import re
import stat
import sys
import tempfile
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.text import decimal, printable

_MARK = "benchcon"


def lock_dir() -> Path:
    """Return the folder of lock files: ``BENCHCON_LOCKS``, else ``/run/lock``, else the one for temporary files."""
    if given := os.environ.get("BENCHCON_LOCKS"):
        return Path(given)
    system = Path("/run/lock")
    return system if os.access(system, os.W_OK | os.X_OK) else Path(tempfile.gettempdir())


def lock_path(port: str) -> Path:
    """Return the lock file that belongs to `port` (a device path, a link to one, or a URL)."""
    name = port
    if "://" not in port:
        name = os.path.realpath(port)
        name = name.removeprefix("/dev/")
    return lock_dir() / ("LCK.." + re.sub(r"[^A-Za-z0-9.+-]", "_", name.lstrip("/"))[-200:])


def program_name(pid: int) -> str:
    """Return the name of process `pid`, printable, or ``a program``; empty if there is no such process."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return ""
    except (OSError, OverflowError):
        pass
    try:
        return printable(Path(f"/proc/{pid}/comm").read_bytes().strip()) or "a program"
    except OSError:
        return "a program"


def _in_use(port: str, text: str, ours: int) -> Trouble:
    words = text.split()
    pid = (decimal(words[0]) or 0) if words else 0
    if pid == ours:
        return Trouble(f"{printable(port)} is already open in this program")
    name = program_name(pid) if pid else ""
    who = f"{name}, process {pid}" if name else "another program"
    return Trouble(f"{printable(port)} is in use ({who}): close it there, or release the port there first")


class PortLock:
    """The lock file of one port. Not to be shared between threads.

    `pid`: the process that others are told of, which should be one that a user can end; 0: this one.
    """

    def __init__(self, port: str, pid: int = 0) -> None:
        self.port = port
        self._pid = pid or os.getpid()
        self._fd: int | None = None
        self._path: Path | None = None

    def take(self) -> None:
        """Take the lock, or raise `Trouble` that says who holds it. Does nothing on a system without ``flock``."""
        if sys.platform == "win32" or self._fd is not None:
            return
        import fcntl

        path = lock_path(self.port)
        while True:
            fd = _open(path)
            if fd is None:
                return  # we may not write in that folder; the locks on the device remain
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                text = _read(fd)
                os.close(fd)
                raise _in_use(self.port, text, self._pid) from None
            if _still_there(fd, path):
                break
            os.close(fd)  # whoever held it removed the file in between: try again
        text = _read(fd)
        words = text.split()
        foreign = decimal(words[0]) if words and _MARK not in words else None
        # A file of another serial program, without flock: it counts if that program is running.
        if foreign is not None and foreign != self._pid and program_name(foreign):
            os.close(fd)
            raise _in_use(self.port, text, self._pid)
        try:
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{self._pid:>10} {_MARK}\n".encode(), 0)
        except OSError:
            pass  # another user's file, left behind: the flock is what counts
        self._fd, self._path = fd, path

    def release(self) -> None:
        """Release the lock; harmless if it is not held."""
        if self._fd is None or self._path is None:
            return
        try:
            if _still_there(self._fd, self._path):
                self._path.unlink()
        except OSError:
            pass  # another user's file, which stays, unlocked
        os.close(self._fd)
        self._fd = self._path = None


def holder(port: str) -> str:
    """Return who holds `port` according to its lock file, in words; empty if nobody does. Does not open the port."""
    if sys.platform == "win32":
        return ""
    lock = PortLock(port)
    if not lock_path(port).exists():
        return ""
    try:
        lock.take()
    except Trouble as trouble:
        return str(trouble).partition("(")[2].partition(")")[0] or "this program"
    lock.release()
    return ""


def _open(path: Path) -> int | None:
    """Open a lock file; None if it cannot be opened. Never blocks, though a stranger may have put a pipe there."""
    flags = os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    try:
        fd = os.open(path, os.O_RDWR | os.O_CREAT | flags, 0o644)
    except OSError:
        try:
            # Another user's file; flock does not need permission to write.
            fd = os.open(path, os.O_RDONLY | flags)
        except OSError:
            return None
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        return None
    return fd


def _read(fd: int) -> str:
    try:
        return os.pread(fd, 64, 0).decode("ascii", "replace")
    except OSError:
        return ""


def _still_there(fd: int, path: Path) -> bool:
    try:
        ours, there = os.fstat(fd), os.stat(path, follow_symlinks=False)
    except OSError:
        return False
    return (ours.st_dev, ours.st_ino) == (there.st_dev, there.st_ino)

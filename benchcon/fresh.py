"""A new file that has no name before it is whole: nobody can guess it, and a killed program leaves nothing of it.

Where the system knows no files without a name (Linux does on most file systems), it has an unguessable one for so long,
made with O_EXCL: a symbolic link or a file that somebody put there is never opened.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

_EXTRA = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)


class Fresh:
    """A file that will stand beside `target`. `descriptor` is open for writing and stays the caller's to close.

    Raises `OSError` if it cannot be made.
    """

    def __init__(self, target: Path) -> None:
        self._folder = target.parent
        self._path: Path | None = None
        self.descriptor = self._open(target)

    def _open(self, target: Path) -> int:
        if hasattr(os, "O_TMPFILE") and os.path.isdir("/proc/self/fd"):
            # The file system may know no such files: then it gets a name.
            with contextlib.suppress(OSError):
                return os.open(self._folder, os.O_TMPFILE | os.O_RDWR | _EXTRA & ~os.O_NOFOLLOW, 0o666)
        self._path = self._unguessable(target)
        return os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _EXTRA, 0o666)

    @staticmethod
    def _unguessable(target: Path) -> Path:
        return target.with_name(f".{target.name[:180]}.{os.urandom(8).hex()}.part")

    def place(self, target: Path, *, replace: bool) -> None:
        """Give the file the name `target`; with `replace` in place of what is there, in one step.

        Raises `FileExistsError` if something is there and not `replace`, and `OSError` if it cannot be done.
        """
        if self._path is None:
            if not replace:
                self._link(target)
                return
            passing = self._unguessable(target)
            self._link(passing)
            self._path = passing
        if replace:
            self._path.replace(target)
        else:
            move_aside(self._path, target)
        self._path = None

    def _link(self, target: Path) -> None:
        # With a folder named, Python calls linkat(2) with AT_SYMLINK_FOLLOW, which is what gives a file its first name.
        folder = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.link(f"/proc/self/fd/{self.descriptor}", target, src_dir_fd=folder)
        finally:
            os.close(folder)

    def give_up(self) -> None:
        """Leave nothing of it. The descriptor is still to be closed."""
        if self._path is not None:
            with contextlib.suppress(OSError):
                self._path.unlink()
            self._path = None


def move_aside(path: Path, target: Path) -> None:
    """Rename `path` to `target`, where nothing may be yet. Raises `FileExistsError` if something is, else `OSError`."""
    try:
        os.link(path, target, follow_symlinks=False)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):
        # A file system without links (FAT on a stick): between the look and the renaming somebody could be quicker.
        if os.path.lexists(target):
            raise FileExistsError(f"{target}: exists already") from None
        path.rename(target)
    else:
        path.unlink()


def sync_folder(folder: Path) -> None:
    """Make the disk hold the names in `folder`, so that a renaming outlives a power cut. Never raises."""
    if not hasattr(os, "O_DIRECTORY"):
        return  # such systems keep names in order themselves
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

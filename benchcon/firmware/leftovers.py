"""Folders that a killed `benchcon firmware` left beside the build folder, and how it is known that no run owns them.

While a run is at work it holds an ``flock`` on the folder itself, which the kernel releases however the run ends and
which stays with the folder when that is renamed. Without ``flock`` (Windows, some network file systems) nothing is
taken for a leftover.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Collection, Iterator
from pathlib import Path

NEW, OLD = "part", "old"
"""Endings of a folder that is being made, and of one that is being replaced."""


def beside(folder: Path, ending: str) -> Path:
    """Make and return an empty folder beside `folder`, with a name that says what it is for."""
    return Path(tempfile.mkdtemp(prefix=f".{folder.name[:100]}.", suffix=f".{ending}", dir=folder.parent))


@contextlib.contextmanager
def new_folder(folder: Path) -> Iterator[Path]:
    """Yield a new folder beside `folder`, held until it has its final name, and removed if it does not get one."""
    while True:
        new = beside(folder, NEW)
        with held(new):
            if not new.exists():  # another run took it for a leftover before it was held
                continue
            try:
                yield new
            finally:
                shutil.rmtree(new, ignore_errors=True)
            return


@contextlib.contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold `folder`, under whatever name, so that no other run takes it for a leftover."""
    lock = _lock(folder, wait=True)
    try:
        yield
    finally:
        if lock is not None:
            os.close(lock)


def clear_up(folder: Path, names: Collection[str], put_back: Callable[[Path], None]) -> None:
    """Remove what killed runs left beside `folder`. What a run that is at work holds stays.

    `names` are the names at the top of a folder that was being made: one with anything else in it stays. `put_back`
    gets each folder that was being replaced. What cannot be removed stays, without a word: it harms nothing.
    """
    pattern = re.compile(rf"\.{re.escape(folder.name[:100])}\.[a-z0-9_]{{8}}\.({NEW}|{OLD})")
    with contextlib.suppress(OSError):
        for path in sorted(folder.parent.iterdir()):
            found = pattern.fullmatch(path.name)
            if found is None or path.is_symlink() or not path.is_dir() or (lock := _lock(path, wait=False)) is None:
                continue
            try:
                if found[1] == OLD:
                    put_back(path)
                elif set(os.listdir(path)) <= set(names):
                    shutil.rmtree(path, ignore_errors=True)
            finally:
                os.close(lock)


def _lock(folder: Path, *, wait: bool) -> int | None:
    """Return a descriptor that holds `folder`; None if another run holds it, or if that cannot be known."""
    try:
        import fcntl
    except ImportError:  # Windows
        return None
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        os.close(descriptor)
        return None
    return descriptor

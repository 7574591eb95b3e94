"""What Linux knows of processes."""

from __future__ import annotations

import contextlib
from pathlib import Path


def is_gone(pid: int) -> bool:
    """Whether a process has ended (a dead child of init's that is not yet collected has)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2][:1] in "ZX"
    except OSError:
        return True


def processes_of(pid: int) -> list[int]:
    """The processes that a process has started, and those that they have."""
    found: list[int] = []
    with contextlib.suppress(OSError):  # it has ended
        found = [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    return [*found, *(below for child in found for below in processes_of(child))]


def name_of(pid: int) -> str:
    """What `ps` and `top` call a process."""
    return Path(f"/proc/{pid}/comm").read_text().strip()

"""Ports that are pseudo-terminals: which they are, and how one is told from a later one of the same number."""

from __future__ import annotations

import os
import stat

_FOLDER = "/dev/pts/"


def is_pseudo_terminal(port: str) -> bool:
    """Return whether `port` is a pseudo-terminal, or a link to one (Linux)."""
    return os.path.realpath(port).startswith(_FOLDER)


def pseudo_mark(port: str) -> tuple[str, int]:
    """Return a mark by which the pseudo-terminal at `port` can be told from a later one; ``("", 0)`` for other ports.

    When a program ends, the number of its pseudo-terminal goes to the next program that asks for one, perhaps a shell.
    If `port` is a link, the mark holds the link's own age, since whoever puts another pseudo-terminal there makes the
    link again. If `port` is the pseudo-terminal itself, nothing tells the two apart.
    """
    real = os.path.realpath(port)
    if not real.startswith(_FOLDER):
        return "", 0
    try:
        there = os.lstat(port)
    except OSError:
        return "", 0
    return real, there.st_ctime_ns if stat.S_ISLNK(there.st_mode) else 0

"""How one of our own modules is started as a process."""

from __future__ import annotations

import os
import sys
from pathlib import Path

_SOURCE = Path(__file__).resolve().parents[1]


def own_module(name: str) -> list[str]:
    """Return the command that runs module `name` of this program.

    Python would look for modules in the current folder first, where a user's own `random.py` would be run in place of
    the library's (-P, Python 3.11). In the source tree itself that folder is where this program is.
    """
    with_ours = os.path.realpath(os.curdir) == os.fspath(_SOURCE)
    return [sys.executable, *([] if with_ours else ["-P"]), "-m", name]

"""Whether this process has a terminal to show the console on."""

from __future__ import annotations

import os
import sys


def can_show_console() -> bool:
    """Return whether the standard streams are a terminal and this process is in its foreground.

    In the background the system would stop a process that draws on its terminal.
    """
    try:
        if not all(os.isatty(fd) for fd in (0, 1, 2)):
            return False
        return sys.platform == "win32" or os.tcgetpgrp(0) == os.getpgrp()
    except OSError:
        return False

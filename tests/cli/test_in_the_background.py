"""A job in the background of a terminal must not draw there: the system would stop it (POSIX, SIGTTOU)."""

from __future__ import annotations

import os
import pty
import select
import shlex
import sys
import time
from pathlib import Path

import pytest

import benchcon

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no job control")
SCENARIO = Path(benchcon.__file__).parent / "demo" / "panels" / "level-alert-scenario.toml"


def test_a_rehearsal_in_the_background_is_played_without_the_console(tmp_path: Path) -> None:
    command = shlex.join([sys.executable, "-m", "benchcon", "rehearse", str(SCENARIO)])
    pid, screen = pty.fork()
    if not pid:
        os.chdir(tmp_path)
        os.execvp("bash", ["bash", "-c", f'set -m; {command} & wait $!; echo "exit code $?"'])
    said, until = b"", time.monotonic() + 60
    try:
        while b"exit code" not in said and time.monotonic() < until:
            if select.select([screen], [], [], 1)[0]:
                said += os.read(screen, 4096)
    finally:
        os.kill(pid, 9)
        os.waitpid(pid, 0)
        os.close(screen)
    assert b"exit code 0" in said, said
    assert b"Stopped" not in said

"""The console on simulated boards, whose controls the keyboard moves."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchcon.console.run import run_console
from benchcon.link import Bench
from benchcon.session import LiveSession

if TYPE_CHECKING:
    from benchcon.console.run import Ending
    from benchcon.rig.boards import SimulatedBoards


def run_on_simulated(boards: SimulatedBoards, until: Ending, seconds: float | None = None) -> int:
    """Open the console on `boards`, and return its exit code when it is left, or after `seconds`.

    The boards are started and connected once the first frame is on the screen. `until` catches signals.
    """
    bench = Bench([board.port for board in boards.boards], panel=boards.panel)
    session = LiveSession(bench, boards.panel, boards.hands)

    def begin() -> None:
        boards.set_out()
        bench.start()

    with hangs_up_after(seconds):
        return run_console(session, until, begin=begin)


@contextlib.contextmanager
def hangs_up_after(seconds: float | None) -> Iterator[None]:
    """Within this context the console ends after `seconds` (None: never), as if the user had closed the terminal."""
    if seconds is None:
        yield
        return
    timer = threading.Timer(seconds, os.kill, (os.getpid(), signal.SIGTERM))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()

"""Watching that no rule takes too long: outside the engine, on a thread of its own.

A rule that has worked for longer than `LIMIT_S` gets a `TooSlow` raised inside it, as soon as it comes to its
next line of Python. One that waits inside the system (a socket, a sleep) is caught when that ends.
"""

from __future__ import annotations

import threading
import time
from types import TracebackType

from benchcon.rehearse.engine import Engine, TooSlow
from benchcon.rehearse.stopping import raise_in

LIMIT_S = 0.5
"""So much of the processor's time a rule may take in one call."""
LOOKS = 5
WAITS = 4
"""A rule that does not work but waits may take so many times that, by the clock."""


class Watchdog:
    """Use it in a ``with``, on the thread that steps the engine."""

    def __init__(self, engine: Engine, limit_s: float = LIMIT_S) -> None:
        self.engine = engine
        self.limit_s = limit_s
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="rules watchdog", daemon=True)
        self._watched = threading.get_ident()

    def __enter__(self) -> Watchdog:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._ends.set()
        self._thread.join()

    def _watch(self) -> None:
        """See to it that no call lasts: by the watched thread's own time, as a busy machine may leave it none."""
        call, looks, used_s = -1, 0, 0.0
        while not self._ends.wait(self.limit_s / LOOKS):
            engine = self.engine
            if engine.calling is None or engine.calls != call:
                call, looks, used_s = engine.calls, 0, self._used_s()
                continue
            looks += 1
            if self._used_s() - used_s >= self.limit_s or looks >= LOOKS * WAITS:
                raise_in(self._watched, TooSlow)
                call = -1

    def _used_s(self) -> float:
        """Seconds of the processor that the watched thread has had; where the system does not tell, the time."""
        if hasattr(time, "pthread_getcpuclockid"):
            return time.clock_gettime(time.pthread_getcpuclockid(self._watched))
        return time.monotonic()

"""Watching that no rule takes too long: outside the engine, on a thread of its own.

A rule that has worked for longer than `LIMIT_S` gets a `TooSlow` raised inside it, as soon as it comes to its
next line of Python. One that waits inside the system (a socket, a sleep) or works in one piece (a number of a million
digits) is caught when that ends; after `STUCK_S` it is named, so that nobody has to guess what everything waits for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType

from benchcon.rehearse.engine import Engine, TooSlow
from benchcon.rehearse.stopping import raise_in

LIMIT_S = 0.5
"""How much of the processor's time a rule may take in one call."""
LOOKS = 5
STUCK_S = 5.0
"""A call that nothing ends in this time is named."""
WAITS = 4
"""A rule that waits without working may take this many times as long, by the clock."""


class Watchdog:
    """Use it in a ``with``, on the thread that steps the engine."""

    def __init__(
        self,
        engine: Engine,
        limit_s: float = LIMIT_S,
        *,
        stuck_s: float = STUCK_S,
        on_stuck: Callable[[str], object] = lambda text: None,
    ) -> None:
        """`on_stuck` gets one line, on the watchdog's thread, about a rule that cannot be ended."""
        self.engine = engine
        self.limit_s = limit_s
        self.stuck_s = stuck_s
        self.on_stuck = on_stuck
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
        entered, since_s, told = -1, 0.0, False
        while not self._ends.wait(self.limit_s / LOOKS):
            engine = self.engine
            rule, now_s = engine.calling, time.monotonic()
            if rule is None or engine.calls != entered:
                entered, since_s, told = engine.calls, now_s, False
            elif not told and now_s - since_s >= self.stuck_s:
                told = True
                self.on_stuck(engine.stuck(rule))
            if engine.calling is None or engine.calls != call:
                call, looks, used_s = engine.calls, 0, self._used_s()
                continue
            looks += 1
            if self._used_s() - used_s >= self.limit_s or looks >= LOOKS * WAITS:
                raise_in(self._watched, TooSlow)
                call = -1

    def _used_s(self) -> float:
        """Seconds of the processor that the watched thread has had; where the system does not say, the time."""
        if hasattr(time, "pthread_getcpuclockid"):
            return time.clock_gettime(time.pthread_getcpuclockid(self._watched))
        return time.monotonic()

"""A watchdog for rules that take too long, outside the engine and on a thread of its own.

A rule that has run for longer than `LIMIT_S` gets a `TooSlow` raised inside it, at its next line of Python. If it waits
inside the system (a socket, a sleep) or computes one huge thing (a number with a million digits), that happens only
when this ends; after `STUCK_S` the rule is reported, so that the user knows what everything waits for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType

from benchcon.rehearse.engine import Engine, TooSlow
from benchcon.rehearse.stopping import raise_in

LIMIT_S = 0.5
"""How much processor time a rule may use in one call."""
LOOKS = 5
STUCK_S = 5.0
"""A call that does not end within this time is reported."""
WAITS = 4
"""How many times `LIMIT_S` a rule that waits without using the processor may take, by the clock."""


class Watchdog:
    """Watches an engine; use it in a ``with`` statement, on the thread that calls `Engine.step`."""

    def __init__(
        self,
        engine: Engine,
        limit_s: float = LIMIT_S,
        *,
        stuck_s: float = STUCK_S,
        on_stuck: Callable[[str], object] = lambda text: None,
    ) -> None:
        """Watch `engine`; `on_stuck` is called with one line, on another thread, about a rule that cannot be ended."""
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
        """End calls that take too long, by the watched thread's own processor time, since the machine may be busy."""
        call, looks, used_s = -1, 0, 0.0
        entered, since_s, reported = -1, 0.0, False
        while not self._ends.wait(self.limit_s / LOOKS):
            engine = self.engine
            rule, now_s = engine.calling, time.monotonic()
            if rule is None or engine.calls != entered:
                entered, since_s, reported = engine.calls, now_s, False
            elif not reported and now_s - since_s >= self.stuck_s:
                reported = True
                self.on_stuck(engine.stuck(rule))
            if engine.calling is None or engine.calls != call:
                call, looks, used_s = engine.calls, 0, self._used_s()
                continue
            looks += 1
            if self._used_s() - used_s >= self.limit_s or looks >= LOOKS * WAITS:
                raise_in(self._watched, TooSlow)
                call = -1

    def _used_s(self) -> float:
        """Return the processor time of the watched thread in seconds; if the system does not say, the clock's time."""
        if hasattr(time, "pthread_getcpuclockid"):
            return time.clock_gettime(time.pthread_getcpuclockid(self._watched))
        return time.monotonic()

"""Watching that no rule takes too long: outside the engine, on a thread of its own.

A rule that has been at work for longer than `LIMIT_S` gets a `TooSlow` raised inside it, as soon as it comes to its
next line of Python. One that waits inside the system (a socket, a sleep) is caught when that ends.
"""

from __future__ import annotations

import ctypes
import threading
from types import TracebackType

from benchcon.rehearse.engine import Engine, TooSlow

LIMIT_S = 0.5


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
        engine = self.engine
        seen = -1
        while not self._ends.wait(self.limit_s):
            # The same call at two looks: it has taken for at least one limit.
            if engine.calling is not None and engine.calls == seen:
                raise_in(self._watched, TooSlow)
                seen = -1
            else:
                seen = engine.calls


def raise_in(thread: int, error: type[BaseException] | None) -> None:
    """Have `error` raised in another thread, at its next line of Python."""
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), ctypes.py_object(error))

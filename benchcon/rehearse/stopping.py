"""Stopping user code that does not end by itself, from another thread."""

from __future__ import annotations

import ctypes
import threading
from types import TracebackType

LOAD_S = 5.0
"""How long a rules file may take to load."""
AGAIN_S = 0.25
"""Time after which the exception is raised again in code that has caught it."""


class NeverLoads(BaseException):
    """Raised inside a rules file that does not finish loading; an ``except Exception`` does not catch it."""


class LoadLimit:
    """Context in which code that takes longer than `LOAD_S` gets `NeverLoads` raised at its next line of Python."""

    def __init__(self) -> None:
        self.limit_s = LOAD_S
        self._ends = threading.Event()
        self._watched = threading.get_ident()
        self._thread = threading.Thread(target=self._watch, name="rules load limit", daemon=True)

    def __enter__(self) -> LoadLimit:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._ends.set()
        self._thread.join()
        raise_in(self._watched, None)

    def _watch(self) -> None:
        wait_s = self.limit_s
        while not self._ends.wait(wait_s):
            raise_in(self._watched, NeverLoads)
            wait_s = AGAIN_S


def raise_in(thread: int, error: type[BaseException] | None) -> None:
    """Raise `error` in another thread, at its next line of Python; None cancels one that was not raised yet."""
    what = None if error is None else ctypes.py_object(error)
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), what)

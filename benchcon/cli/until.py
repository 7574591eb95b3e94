"""Waiting until a command shall end: Ctrl-C, SIGTERM, or a time."""

from __future__ import annotations

import contextlib
import select
import signal
import socket
import time
from types import FrameType, TracebackType
from typing import Any


class Until:
    """Catches Ctrl-C and SIGTERM while it is open, so that a command can end by its own way.

    A signal handler may only do what cannot block, so it writes a byte; whoever waits, waits for that.
    """

    def __init__(self, seconds: float | None = None) -> None:
        self.ends_at = None if seconds is None else time.monotonic() + seconds
        self.told = False
        """Whether a signal has come."""
        self._before: dict[int, Any] = {}
        self._woken, self._wake = socket.socketpair()
        self._wake.setblocking(False)

    def __enter__(self) -> Until:
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, self._on_signal)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._woken.close()
        self._wake.close()

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self.told = True
        with contextlib.suppress(OSError):
            self._wake.send(b"\0")

    def wait(self, at_most_s: float) -> bool:
        """Wait so long at most; return whether it is time to end."""
        now = time.monotonic()
        left = at_most_s if self.ends_at is None else min(at_most_s, self.ends_at - now)
        if not self.told and left > 0:
            select.select([self._woken], [], [], left)
        return self.told or (self.ends_at is not None and time.monotonic() >= self.ends_at)

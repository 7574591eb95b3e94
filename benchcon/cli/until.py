"""What ends a command (Ctrl-C, Ctrl-\\, SIGTERM, SIGHUP, a closed terminal, a time limit) and what must be done first.

Some commands light lamps. Whatever ends one of them, the lamps go out first: that must not wait for a screen that
blocks, nor for the main thread at all. So signals wake a thread of their own, which calls what was given to `first`
(the link darkens the bench, on its own thread) and then makes sure that the process ends.

| after the signal | what happens |
|---|---|
| at once | everything given to `first`; `signalled` is set, `wait` returns |
| 1.0 s, if the command has not ended by itself | everything given to `last` |
| 1.8 s | the terminal is restored and the process ends, whatever hangs |

The last two rows are only for commands that gave something to `first`.

The exit code of a command that was ended by a signal is decided here, for all of them:

| the command | exit code |
|---|---|
| runs until it is ended (console, demo, try, record, tap, a wiggle test) | 0 or 1, by its own result |
| had not finished its task (walk, soak, replay to a board, rehearse, conform) | 128 + the signal |
| did not end by itself | 128 + the signal |
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from types import FrameType, TracebackType
from typing import Any

from benchcon.errors import Trouble
from benchcon.gate import OURS

LAST_S = 1.0
END_S = 1.8
"""Seconds after the signal by which a command that lights something has ended."""
_PLAIN_SCREEN = b"".join(b"\x1b[?%dl" % mode for mode in (1049, 1000, 1002, 1003, 1006, 1015, 1004, 2004)) + (
    b"\x1b[<u\x1b[?25h\r\n"
)
"""Main screen, no mouse, no focus reports, no bracketed paste, plain keys, the cursor (xterm, "Control Sequences")."""


_BY_FORCE = (
    f"{OURS}hung, and was ended by force: dark was NOT CONFIRMED; look at the panel, and unplug what is still lit\n"
).encode()


def _say_by_force() -> None:
    with contextlib.suppress(OSError):
        os.write(2, _BY_FORCE)


class EndedBySignal(KeyboardInterrupt):
    """A signal ended the command. Raised in the main thread if `Until` was made with `interrupt`."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Until:
    """Catches Ctrl-C, Ctrl-\\ (SIGQUIT), SIGTERM and SIGHUP while it is open, so that a command can end in order.

    A signal is the ordinary end of a command that runs until it is ended (`open_ended`). For any other command,
    leaving the context after a signal raises `EndedBySignal`, even instead of a `Trouble`, which is then its cause.

    With `interrupt` the main thread gets an `EndedBySignal` (once), for commands that do not check `signalled` or call
    `wait` themselves. `seconds`: the time limit, counted from now; None: no limit.
    """

    def __init__(self, seconds: float | None = None, *, interrupt: bool = False, open_ended: bool = False) -> None:
        self.ends_at = None if seconds is None else time.monotonic() + seconds
        self.signalled = False
        """Whether a signal has come."""
        self.number = 0
        """The signal that came."""
        self.open_ended = open_ended
        """Whether a signal is the ordinary end of this command."""
        self._interrupt = interrupt
        self._interrupted = False
        self._first: list[Callable[[], object]] = []
        self._last: list[Callable[[], object]] = []
        self._terminal: int | None = None
        self._terminal_was: Any = None
        self._over = threading.Event()
        self._lock = threading.Lock()
        self._before: dict[int, Any] = {}
        self._wake_before = -1
        self._woken, self._wake = socket.socketpair()
        self._rung, self._bell = socket.socketpair()
        for end in (self._wake, self._bell):
            end.setblocking(False)
        self._watcher = threading.Thread(target=self._watch, name="until", daemon=True)

    def __enter__(self) -> Until:
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, self._on_signal)
        if os.name == "posix":
            # Written by the interpreter as soon as the signal comes, even if the main thread never runs another line.
            self._wake_before = signal.set_wakeup_fd(self._bell.fileno(), warn_on_full_buffer=False)
        self._watcher.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._over.set()
        if os.name == "posix":
            signal.set_wakeup_fd(self._wake_before)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._ring(0)
        self._watcher.join(END_S)
        for end in (self._woken, self._wake, self._rung, self._bell):
            end.close()
        if self.signalled and not self.open_ended and (kind is None or issubclass(kind, Trouble)):
            raise EndedBySignal(self.number) from error

    # --- what is to be done ---------------------------------------------------------------------------------------

    def first(self, do: Callable[[], object]) -> None:
        """Have `do` called as soon as a signal comes (at once if it has come), on another thread; it must not block."""
        with self._lock:
            self._first.append(do)
            if not self.signalled:
                return
        do()

    def last(self, do: Callable[[], object]) -> None:
        """Have `do` called if the command does not end by itself, to get unsaved data on disk."""
        self._last.append(do)

    def mind_terminal(self, fd: int) -> None:
        """End when this terminal hangs up, signal or not; restore its present modes if the process must be ended."""
        with contextlib.suppress(Exception):  # no termios on this system, or not a terminal: nothing to restore
            import termios

            self._terminal_was = termios.tcgetattr(fd)
        self._terminal = fd
        self._ring(0)

    @contextlib.contextmanager
    def asked(self) -> Iterator[None]:
        """Inside this context the main thread checks `signalled` or `wait` itself and is not interrupted."""
        interrupt, self._interrupt = self._interrupt, False
        try:
            yield
        finally:
            self._interrupt = interrupt and not self.signalled

    def wait(self, at_most_s: float) -> bool:
        """Wait at most this long; return whether it is time to end."""
        now = time.monotonic()
        left = at_most_s if self.ends_at is None else min(at_most_s, self.ends_at - now)
        if not self.signalled and left > 0:
            select.select([self._woken], [], [], left)
        return self.signalled or (self.ends_at is not None and time.monotonic() >= self.ends_at)

    # --- inside ---------------------------------------------------------------------------------------------------

    def _ring(self, number: int) -> None:
        with contextlib.suppress(OSError):
            self._bell.send(bytes([number]))

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self.number = self.number or number
        self.signalled = True
        self._ring(number)
        if self._interrupt and not self._interrupted:
            self._interrupted = True
            raise EndedBySignal(number)

    def _watch(self) -> None:
        """Wait on a thread for a signal, or for the terminal to hang up."""
        poll = select.poll() if hasattr(select, "poll") else None
        if poll is not None:
            poll.register(self._rung, select.POLLIN)
        minded: int | None = None
        while not self._over.is_set():
            if poll is None:
                came = self._rung.recv(64)
            else:
                if self._terminal != minded:
                    minded = self._terminal
                    if minded is not None:
                        poll.register(minded, 0)  # a hang-up is always reported
                ready = dict(poll.poll())
                if minded is not None and ready.get(minded, 0) & (select.POLLHUP | select.POLLERR | select.POLLNVAL):
                    return self._leave(signal.SIGHUP, plain=False)
                came = self._rung.recv(64)
            number = next((number for number in came if number in self._before), 0)
            if number:
                return self._leave(number, plain=number != getattr(signal, "SIGHUP", 0))
            if not came:
                return

    def _leave(self, number: int, plain: bool) -> None:
        began = time.monotonic()
        with self._lock:
            self.number = self.number or number
            self.signalled = True
            first = tuple(self._first)
        for do in first:
            with contextlib.suppress(Exception):
                do()
        with contextlib.suppress(OSError):
            self._wake.send(b"\0")
        if not first or self._over.wait(LAST_S):
            return
        threading.Thread(target=self._do_last, name="until, last", daemon=True).start()
        if self._over.wait(max(0.0, began + END_S - time.monotonic())):
            return
        if plain and self._terminal is not None:
            self._put_terminal_back(self._terminal)
        # The reader of stderr may hang as well, so this is written on a thread that is waited for only briefly.
        saying = threading.Thread(target=_say_by_force, name="until, last", daemon=True)
        saying.start()
        saying.join(0.1)
        os._exit(128 + number)

    def _do_last(self) -> None:
        for do in self._last:
            with contextlib.suppress(Exception):
                do()

    def _put_terminal_back(self, fd: int) -> None:
        with contextlib.suppress(Exception):
            os.set_blocking(fd, False)
            os.write(fd, _PLAIN_SCREEN)
        if self._terminal_was is not None and sys.platform != "win32":
            with contextlib.suppress(Exception):
                import termios

                termios.tcsetattr(fd, termios.TCSANOW, self._terminal_was)

"""Boards that one process starts for another: it reads the panel file once and forks a process for each board.

An interpreter of its own for each board would read the same modules and the same file once a board, which is what one
waits for before a panel is on the screen. Who wants the boards makes three pipes for each (`ForkedBoard`) and gives
their other ends to the starter (`fork_boards`, run by ``python -m benchcon.rig``), which is a program with a single
thread: only of such a one may a fork be made on every system. A board owns its pipes alone, so that

- the end of its standard input, when whoever wanted it has died, ends it, whatever has become of the starter;
- the end of its standard output tells that its process has ended, however it did.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from typing import NamedTuple

CAN_FORK = hasattr(os, "fork") and os.name == "posix"


class Pipes(NamedTuple):
    """File numbers that are to be a board's standard input, output and error output."""

    stdin: int
    stdout: int
    stderr: int

    def close(self) -> None:
        """Close all three."""
        for number in self:
            with contextlib.suppress(OSError):
                os.close(number)

    @classmethod
    def read(cls, text: str) -> Pipes:
        """Return what `str` made of them. Raises `ValueError`."""
        return cls(*map(int, text.split(",")))

    def __str__(self) -> str:
        return ",".join(map(str, self))


class ForkedBoard:
    """A board's process as who wanted it sees it: in the words of `subprocess.Popen`, whose child it is not."""

    def __init__(self) -> None:
        ends: list[tuple[int, int]] = []
        try:
            for _ in range(3):
                ends.append(os.pipe())
        except OSError:
            for number in (number for pair in ends for number in pair):
                os.close(number)
            raise
        (to_read, to_write), (out, to_out), (err, to_err) = ends
        self.theirs = Pipes(to_read, to_out, to_err)
        """The board's ends, to be closed here once the starter has them."""
        self.pid = 0
        """Known once the board has said its first line (`first_line`)."""
        self.stdin = open(to_write, "wb", buffering=0)  # noqa: SIM115 - closed by who closes the boards
        self.stdout = open(out, "rb", buffering=0)  # noqa: SIM115
        self.stderr = open(err, "rb", buffering=0)  # noqa: SIM115
        self._ended = False

    def first_line(self) -> bytes:
        """Wait for what the board prints when it is ready; empty if it has ended instead."""
        with contextlib.suppress(ValueError):
            self.pid = int(self.stdout.readline() or 0)
        return self.stdout.readline()

    def poll(self) -> int | None:
        """Return whether the process has ended: 0, or None if it has not."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            return self.wait(0)
        return None

    def wait(self, timeout: float | None = None) -> int:
        """Wait until the process has ended; only the starter knows its exit code: 0 is returned for any.

        Raises `subprocess.TimeoutExpired`.
        """
        ends_at = None if timeout is None else time.monotonic() + timeout
        watch = select.poll()
        with contextlib.suppress(ValueError):  # closed: it has ended
            watch.register(self.stdout, select.POLLIN)
        while not self._ended and not self.stdout.closed:
            left = None if ends_at is None else max(0.0, ends_at - time.monotonic())
            if not watch.poll(None if left is None else left * 1000):
                raise subprocess.TimeoutExpired("board", timeout or 0)
            with contextlib.suppress(OSError, ValueError):
                self._ended = not self.stdout.read(4096)
        return 0

    def terminate(self) -> None:
        """Have the process end."""
        self._signal(signal.SIGTERM)

    def kill(self) -> None:
        """End the process at once."""
        self._signal(signal.SIGKILL)

    def _signal(self, number: int) -> None:
        if self.pid and self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)


def fork_boards(run: Callable[[str], int], boards: Sequence[tuple[str, Pipes]]) -> int:
    """Fork a process for each board, in which ``run(name)`` returns its exit code; wait for all to end.

    Each gets its pipes as its standard streams, prints its process number, and is in a session of its own.
    """
    gc.collect()
    gc.freeze()  # what is there now is shared: no board touches it to search it for garbage
    left = list(boards)
    while left:
        name, pipes = left[0]
        pid = os.fork()
        if not pid:
            code = 2
            try:
                _stand_alone(pipes, [other for _, other in left[1:]])
                _name_process(name)
                print(os.getpid(), flush=True)
                code = run(name)
            finally:
                with contextlib.suppress(OSError, ValueError):
                    sys.stdout.flush()
                    sys.stderr.flush()
                os._exit(code)
        pipes.close()
        del left[0]
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 2)  # it was the first board's: its end is to be seen
    with contextlib.suppress(ChildProcessError):
        while True:
            os.wait()
    return 0


def _stand_alone(pipes: Pipes, others: Sequence[Pipes]) -> None:
    os.setsid()
    for number, pipe in enumerate(pipes):
        os.dup2(pipe, number)
    pipes.close()
    for other in others:
        other.close()


def _name_process(name: str) -> None:
    """Have `ps` and `top` show which board a process is, where the system allows it (Linux)."""
    with contextlib.suppress(OSError), open("/proc/self/comm", "w", encoding="utf-8") as comm:
        comm.write(name)

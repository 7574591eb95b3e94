"""Boards that a helper process starts: it reads the panel file once, and forks a process for each board.

If each board had an interpreter of its own, each would load the same modules and the same file, and a panel would be on
the screen much later. The caller makes three pipes for each board (`ForkedBoard`), and gives their other ends to the
helper (`fork_boards`, run by ``python -m benchcon.rig``). The helper has a single thread, as only such a process may
safely fork on every system. Only the board has the ends of its pipes, so that

- the end of its standard input, when the caller has died, ends the board, whatever has become of the helper;
- the end of its standard output shows that its process has ended, however it did.
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
    """File descriptors that become a board's standard input, output and error output."""

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
        """Return the pipes that `str` has written as text. Raises `ValueError` if it is not of that form."""
        return cls(*map(int, text.split(",")))

    def __str__(self) -> str:
        return ",".join(map(str, self))


class ForkedBoard:
    """A board's process for the caller, with the methods of `subprocess.Popen` though it is not a child process."""

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
        """The board's ends, to be closed here once the helper has them."""
        self.pid = 0
        """Process id, known once the board has printed its first line (`first_line`); 0 before."""
        self.stdin = open(to_write, "wb", buffering=0)  # noqa: SIM115 - closed together with the boards
        self.stdout = open(out, "rb", buffering=0)  # noqa: SIM115
        self.stderr = open(err, "rb", buffering=0)  # noqa: SIM115
        self._ended = False

    def first_line(self) -> bytes:
        """Wait for the line that the board prints when it is ready; empty if it has ended instead."""
        with contextlib.suppress(ValueError):
            self.pid = int(self.stdout.readline() or 0)
        return self.stdout.readline()

    def poll(self) -> int | None:
        """Return 0 if the process has ended, else None."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            return self.wait(0)
        return None

    def wait(self, timeout: float | None = None) -> int:
        """Wait until the process has ended, and return 0; only the helper knows the real exit code.

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
        """Ask the process to end (SIGTERM)."""
        self._signal(signal.SIGTERM)

    def kill(self) -> None:
        """End the process at once (SIGKILL)."""
        self._signal(signal.SIGKILL)

    def _signal(self, number: int) -> None:
        if self.pid and self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)


def fork_boards(run: Callable[[str], int], boards: Sequence[tuple[str, Pipes]]) -> int:
    """Fork a process for each board (name, pipes), in which ``run(name)`` returns its exit code; wait for all to end.

    Each has its pipes as its standard streams, prints its process id, and has a session of its own.
    """
    gc.collect()
    gc.freeze()  # keeps the memory of these objects shared: no board's garbage collector touches them
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
    os.dup2(nowhere, 2)  # it was the first board's, whose end must be noticed
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
    """Let `ps` and `top` show which board a process is, where the system allows it (Linux)."""
    with contextlib.suppress(OSError), open("/proc/self/comm", "w", encoding="utf-8") as comm:
        comm.write(name)

"""A program in a real pseudo-terminal, its screen kept by an independent terminal emulator (pyte)."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

import pyte
from wcwidth import wcwidth

PATIENCE_S = 30.0
KEYS = {"F1": b"\x1bOP", "F2": b"\x1bOQ", "F3": b"\x1bOR", "F4": b"\x1bOS", "F5": b"\x1b[15~", "F6": b"\x1b[17~"}
KEYS |= {"F7": b"\x1b[18~", "F8": b"\x1b[19~", "F9": b"\x1b[20~", "F10": b"\x1b[21~", "F12": b"\x1b[24~"}
KEYS |= {"right": b"\x1b[C", "down": b"\x1b[B", "tab": b"\t", "enter": b"\r"}
KEYS["ctrl+u"] = b"\x15"


class Screen(pyte.Screen):
    """A screen that works out as text only the lines that have changed: tests look at it again and again."""

    def __init__(self, columns: int, lines: int) -> None:
        self._texts: list[str] = []
        super().__init__(columns, lines)

    @property
    def display(self) -> list[str]:
        """The lines of the screen."""
        if len(self._texts) != self.lines:
            self._texts = [""] * self.lines
            self.dirty.update(range(self.lines))
        for y in self.dirty:
            self._texts[y] = self._text_of(y)
        self.dirty.clear()
        return list(self._texts)

    def _text_of(self, y: int) -> str:
        cells = [self.buffer[y][x].data for x in range(self.columns)]
        text = "".join(cells)
        if all(wcwidth(letter) < 2 for letter in set(text)):
            return text
        # A wide character stands for two cells, whatever is kept in the second.
        shown, x = [], 0
        while x < len(cells):
            shown.append(cells[x])
            x += 2 if wcwidth(cells[x][:1]) == 2 else 1
        return "".join(shown)


class Terminal:
    """`words` run with this Python in a terminal of `columns` by `rows`."""

    def __init__(
        self, *words: str, columns: int = 80, rows: int = 24, env: dict[str, str] | None = None, cwd: Path | None = None
    ) -> None:
        self.screen = Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.raw = b""
        """Everything that was sent to the terminal."""
        self._end, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        # A size in the environment would be believed before the terminal's own.
        here = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
        given = {**here, "TERM": "xterm-256color", "COLORTERM": "truecolor", "PYTHONUNBUFFERED": "1"}
        given.pop("NO_COLOR", None)
        self.process = subprocess.Popen(
            [sys.executable, *words],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=given | (env or {}),
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # a real terminal: Ctrl-C is a signal
            cwd=cwd,
        )
        os.close(slave)

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self.close_window()

    def close_window(self) -> None:
        """Close the terminal, as by the cross in its corner: the program's side hangs up."""
        if self._end >= 0:
            os.close(self._end)
            self._end = -1

    def text(self) -> str:
        """What stands on the screen."""
        return "\n".join(self.screen.display)

    def read(self, wait_s: float) -> bool:
        """Take what the program has sent; False when it has ended and all is read."""
        if self._end < 0:
            time.sleep(wait_s)  # nothing comes any more: only the process can be looked at
            return self.process.poll() is None
        if not select.select([self._end], [], [], wait_s)[0]:
            return self.process.poll() is None
        try:
            data = os.read(self._end, 1 << 16)
        except OSError:
            return False
        self.raw += data
        self._stream.feed(data)
        return bool(data)

    def until(self, test: Callable[[], bool], what: str) -> None:
        """Read until `test` holds."""
        end = time.monotonic() + PATIENCE_S
        while not test():
            alive = self.read(0.05)
            assert alive or test(), f"ended before {what}:\n{self.text()}"
            assert time.monotonic() < end, f"waited in vain for {what}:\n{self.text()}"

    def see(self, *texts: str) -> None:
        """Read until all of this stands on the screen."""

        def all_there() -> bool:
            now = self.text()
            return all(text in now for text in texts)

        self.until(all_there, repr(texts))

    def press(self, *keys: str) -> None:
        """Press keys: names of `KEYS`, or the characters themselves."""
        for key in keys:
            assert key in KEYS or not re.fullmatch(r"F\d+|ctrl\+.", key), f"{key} would be typed as it is"
            os.write(self._end, KEYS.get(key, key.encode()))

    def signal(self, number: signal.Signals) -> None:
        """Send the program a signal."""
        self.process.send_signal(number)

    def ended(self) -> int:
        """Read until the program has ended; its exit code."""
        end = time.monotonic() + PATIENCE_S
        while self.read(0.05):
            assert time.monotonic() < end, f"does not end:\n{self.text()}"
        return self.process.wait(PATIENCE_S)

"""Speaking to a board through a real port, as any serial program would."""

from __future__ import annotations

import time
from types import TracebackType

import serial

from benchcon.wire import codec
from benchcon.wire.records import LINE_UP

PATIENCE_S = 20.0
"""A loaded machine may take its time; nothing here waits longer than it must."""


class Talk:
    """A serial port opened by pyserial."""

    def __init__(self, port: str, baud: int = 115_200) -> None:
        self.port = serial.serial_for_url(port, baud, timeout=0.05)
        self.raw = b""
        self.lines: list[codec.Parsed] = []
        self._splitter = codec.Splitter("up")
        self._tag = 0

    def __enter__(self) -> Talk:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.port.close()

    def read(self) -> bytes:
        """Read what is there, waiting a little."""
        data = bytes(self.port.read(1))
        data += bytes(self.port.read(self.port.in_waiting)) if data else b""
        self.raw += data
        for kind, bodies in self._splitter.feed(data):
            if kind == LINE_UP:
                self.lines += [codec.parse(body) for body in bodies]
        return data

    def ask(self, *words: str, within_s: float = PATIENCE_S) -> tuple[str, ...]:
        """Ask, repeating as a host does; return the answer's words."""
        self._tag = self._tag % 0xFE + 1
        ends = time.monotonic() + within_s
        while time.monotonic() < ends:
            self.port.write(codec.request(self._tag, words) + b"\n")
            again = time.monotonic() + 1.0
            while time.monotonic() < min(again, ends):
                self.read()
                for line in self.lines:
                    if line.kind == "answer" and line.tag == self._tag:
                        self.lines.remove(line)
                        return line.words
        raise AssertionError(f"no answer to {words} within {within_s} s; came: {self.raw[-200:]!r}")

    def notification(self, word: str, within_s: float = PATIENCE_S) -> tuple[str, ...]:
        """Wait for a notification with this word; return its words."""
        ends = time.monotonic() + within_s
        while time.monotonic() < ends:
            for line in self.lines:
                if line.kind == "notification" and line.words[0] == word:
                    self.lines.remove(line)
                    return line.words
            self.read()
        raise AssertionError(f"no notification '{word}' within {within_s} s; came: {self.raw[-200:]!r}")

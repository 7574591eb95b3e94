"""The bare serial line for a rule: sends any bytes, and keeps every line that comes, with the host's time."""

from __future__ import annotations

import contextlib
import time
from typing import Any, NamedTuple

import serial

from benchcon.errors import Trouble
from benchcon.link.connection import address
from benchcon.link.device import refusal, refuse_what_is_no_port
from benchcon.text import printable
from benchcon.wire.codec import RATE, Splitter, request
from benchcon.wire.records import LINE_UP

DARK_TAG = 0xDA
DARK_S = 0.5
_DARK = b"\n" + request(DARK_TAG, ("dark",)) + b"\n"
"""A line end first, in case a rule has sent half a line."""


class ReceivedAnswer(NamedTuple):
    """An answer as received; `at` is the host's monotonic time in seconds when its end was read."""

    at: float
    tag: int
    words: tuple[str, ...]
    raw: bytes


class ReceivedNotification(NamedTuple):
    """A notification as received; `clock_us` is the board's clock as sent, modulo 2^32."""

    at: float
    number: int
    clock_us: int
    words: tuple[str, ...]


def _opened(port: str, baud: int) -> Any:
    """Open `port` for this program alone, or raise `Trouble`."""
    if "://" not in port:
        try:
            refuse_what_is_no_port(port)
            return serial.Serial(port, baud, timeout=0.002, write_timeout=2.0, exclusive=True)
        except (OSError, ValueError) as error:
            raise refusal(port, error) from None
    address(port)
    try:
        return serial.serial_for_url(port, baudrate=baud, timeout=0.002, write_timeout=2.0)
    except (OSError, ValueError):
        # pyserial's own reasons are written for programmers.
        raise Trouble(f"{printable(port)} cannot be opened: is something listening there?") from None


class WireSide:
    """One open port. Not thread-safe, apart from `dark_at_once`; no method waits for ever.

    Every method raises `Trouble` if the port cannot be opened, disappears, or accepts no bytes for two seconds.
    """

    def __init__(self, port: str, baud: int = RATE) -> None:
        self.port = port
        self._shown = printable(port)
        self._serial = _opened(port, baud)
        self._splitter = Splitter("up")
        self.answers: list[ReceivedAnswer] = []
        """Answers that `answer` has not taken yet."""
        self.notifications: list[ReceivedNotification] = []
        """All notifications since the port was opened."""
        self.odd: list[bytes] = []
        """Everything that was not a good line."""
        self.lines = 0
        self.ident = ""
        """The board's ident, once it has given it; empty before."""
        self._tag = 0
        self._leaving = False

    def _lost(self, error: Exception) -> Trouble:
        return Trouble(f"{self._shown}: lost: {printable(str(error))}; plug the board in again")

    def close(self) -> None:
        """Close the port; never fails."""
        self._serial.close()

    def dark_at_once(self) -> None:
        """Send dark whatever a rule is doing at this moment, and then nothing else. Callable from any thread."""
        self._leaving = True
        with contextlib.suppress(Exception):
            self._serial.write(_DARK)

    def go_dark(self) -> bool:
        """Ask for dark until the board confirms it, for half a second at most; return whether it did. Never raises."""
        self._leaving = True
        end = time.monotonic() + DARK_S
        with contextlib.suppress(Exception):
            while time.monotonic() < end:
                self._serial.write(_DARK)
                answer = self.answer(DARK_TAG, 0.1)
                if answer is not None and answer.words[:1] == ("dark",):
                    return True
        return False

    def next_tag(self) -> int:
        """Return the next tag, 01 to FF in turn."""
        self._tag = self._tag % 0xFF + 1
        return self._tag

    def send(self, data: bytes) -> float:
        """Send these bytes as they are; return the host's monotonic time after the write, in seconds."""
        try:
            if not self._leaving:
                self._serial.write(data)
                self._serial.flush()
        except serial.SerialTimeoutException:
            raise Trouble(f"{self._shown}: the board takes no more bytes; unplug it and plug it in again") from None
        except (serial.SerialException, OSError) as error:
            raise self._lost(error) from None
        return time.monotonic()

    def pump(self, seconds: float = 0.0) -> None:
        """Take everything that comes within this time (0: what is there now)."""
        end = time.monotonic() + seconds
        # A board that never stops sending must not keep us here for ever.
        latest = end + 0.5
        while True:
            try:
                data = self._serial.read(max(1, min(4096, self._serial.in_waiting or 1)))
            except (serial.SerialException, OSError, TypeError) as error:
                raise self._lost(error) from None
            if data:
                self._take(data)
            now = time.monotonic()
            if now >= end and (not data or now >= latest):
                return

    def _take(self, data: bytes) -> None:
        at = time.monotonic()
        for kind, bodies in self._splitter.feed(data):
            if kind != LINE_UP:
                self.odd.extend(bodies)
                continue
            for line in bodies:
                self.lines += 1
                first, *words = line[:-6].decode("ascii").split(" ")
                if line[:1] == b"<":
                    self.answers.append(ReceivedAnswer(at, int(first[1:], 16), tuple(words), line))
                else:
                    clock, *what = words
                    self.notifications.append(ReceivedNotification(at, int(first[1:], 16), int(clock, 16), tuple(what)))

    def answer(self, tag: int, seconds: float = 1.0) -> ReceivedAnswer | None:
        """Wait for the answer with this tag and return it; None if none comes in time. Others stay in `answers`."""
        end = time.monotonic() + seconds
        while True:
            for index, answer in enumerate(self.answers):
                if answer.tag == tag:
                    return self.answers.pop(index)
            left = end - time.monotonic()
            if left <= 0:
                return None
            self.pump(min(left, 0.02))

    def ask(self, *words: str, tag: int | None = None, seconds: float = 1.0) -> ReceivedAnswer | None:
        """Send one request and return its answer; None if none comes in time."""
        use = self.next_tag() if tag is None else tag
        self.send(request(use, words) + b"\n")
        return self.answer(use, seconds)

    def await_notification(self, word: str, seconds: float, since: int = 0) -> ReceivedNotification | None:
        """Wait for a notification with this word, from index `since` on; None if none comes in time."""
        end = time.monotonic() + seconds
        while True:
            for notification in self.notifications[since:]:
                if notification.words[0] == word:
                    return notification
            left = end - time.monotonic()
            if left <= 0:
                return None
            self.pump(min(left, 0.02))

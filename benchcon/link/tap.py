"""A tap between a board and the program that drives it: every byte is passed on, and recorded.

The relay is a process of its own (`benchcon.link.relay`); here its frames are turned into records.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import time
from bisect import bisect_right
from collections.abc import Callable
from typing import Any, Literal

from benchcon.errors import Trouble
from benchcon.link.pseudo_terminals import is_pseudo_terminal
from benchcon.link.records import link_record
from benchcon.link.relay import DOWN, FRAME, SAYS, UP, now_us
from benchcon.processes import own_module
from benchcon.text import printable
from benchcon.wire.codec import RATE, Splitter
from benchcon.wire.records import BYTES_DOWN, BYTES_UP, LINE_DOWN, LINE_UP, Batch

PIECE = 80
"""Most bytes of one record of bytes."""
UNDECIDED_BYTES = 400
"""After this many bytes without a good line, something other than the line protocol is spoken, and bytes are recorded
as they came, with their line ends."""
START_S = 15.0


class Chunks:
    """One direction of a tap: turns chunks of bytes into records."""

    def __init__(self, direction: Literal["up", "down"], source: int) -> None:
        up = direction == "up"
        self.source = source
        self._line, self._bytes = (LINE_UP, BYTES_UP) if up else (LINE_DOWN, BYTES_DOWN)
        self._splitter = Splitter(direction, by_hand=not up)
        self._held: list[tuple[int, bytes, list[tuple[str, list[bytes]]]]] = []
        self._held_bytes = 0
        self.speaks: bool | None = None
        """Whether it speaks the line protocol; None while that is not known."""
        self.bytes = 0
        self.good = 0

    def feed(self, data: bytes, at_us: int) -> list[Batch]:
        """Take a chunk, and return the records that are complete."""
        self.bytes += len(data)
        runs = self._splitter.feed(data)
        good = sum(len(bodies) for kind, bodies in runs if kind == self._line)
        self.good += good
        if self.speaks:
            return [Batch(at_us, self.source, kind, bodies) for kind, bodies in runs]
        if self.speaks is False and not good:
            return self._raw(data, at_us)
        self._held.append((at_us, data, runs))
        self._held_bytes += len(data)
        if good:
            self.speaks = True
            return self._release()
        if self._held_bytes > UNDECIDED_BYTES:
            self.speaks = False
            return self._release()
        return []

    def rest(self) -> list[Batch]:
        """Return the records held back because it was not known whether the line protocol is spoken."""
        if self.speaks is None:
            self.speaks = False
        return self._release()

    def _release(self) -> list[Batch]:
        found: list[Batch] = []
        for at_us, data, runs in self._held:
            if self.speaks:
                found += [Batch(at_us, self.source, kind, bodies) for kind, bodies in runs]
            else:
                found += self._raw(data, at_us)
        self._held.clear()
        self._held_bytes = 0
        return found

    def _raw(self, data: bytes, at_us: int) -> list[Batch]:
        pieces = [data[at : at + PIECE] for at in range(0, len(data), PIECE)]
        return [Batch(at_us, self.source, self._bytes, pieces)]


class Tap:
    """A running relay. Close it, or use it in a ``with`` statement.

    `take` is called with batches of the board `source`; their stamps are microseconds since `zero_us` (of the monotonic
    clock; None: since now). If `take` is None, nothing is recorded. `listen`: host and port (0: any free one) of a TCP
    port for the program, instead of a pseudo-terminal; `rfc2217` also passes rates and line signals over it. `rate`: in
    baud, until the program sets another. `ping`: pings are sent to the board between the program's lines
    (`benchcon.link.tap_pings`); without it no byte is added. `ident`: the board expected there, for the records, until
    it says so itself. Raises `Trouble` if either side cannot be opened.
    """

    def __init__(
        self,
        port: str,
        take: Callable[[list[Batch]], None] | None = None,
        *,
        listen: tuple[str, int] | None = None,
        rfc2217: bool = False,
        rate: int = RATE,
        ping: bool = False,
        source: int = 1,
        ident: str = "",
        zero_us: int | None = None,
    ) -> None:
        self.port = port
        self.source = source
        self._about: dict[str, str | int] = {"by": "tap"}
        if is_pseudo_terminal(port):
            self._about["kind"] = "pty"
        if ident:
            self._about["ident"] = ident
        if ping:
            self._about["ping"] = 1
        self._zero_us = now_us() if zero_us is None else zero_us
        self._take = take
        self._last_us = 0
        self.up, self.down = Chunks("up", source), Chunks("down", source)
        self.name = ""
        """What the program opens instead of the port."""
        self.programs = 0
        """How often a program has opened its side."""
        self.there = False
        """Whether a program has its side open."""
        self.gone = ""
        """Why the board's port is not open, as one printable line; empty while it is."""
        self.rate = 0 if "://" in port else rate
        """Rate of the board's port in baud; 0 for a port that has none."""
        self.reported_us = 0
        """All records up to this stamp have been passed to `take`."""
        self.missed = 0
        """Bytes that were passed on but not recorded."""
        self.said: list[str] = []
        """What happened to either side, as lines for the user; whoever shows them clears the list."""
        order: dict[str, Any] = {
            "port": port,
            "record": take is not None,
            "listen": listen or (("127.0.0.1", 0) if rfc2217 else None),
            "rfc2217": rfc2217,
            "rate": rate,
            "ping": ping,
            "zero_us": self._zero_us,
            "pid": os.getpid(),
        }
        self._waiting = bytearray()
        self._process = subprocess.Popen(
            [*own_module("benchcon.link.relay"), json.dumps(order)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )
        assert self._process.stdout is not None
        self._fd = self._process.stdout.fileno()
        self._refused = ""
        end_s = time.monotonic() + START_S
        while not self.name and not self._refused:
            if not self.turn(0.2) or time.monotonic() > end_s:
                break
        if not self.name:
            self.close()
            raise Trouble(self._refused or f"{printable(port)}: the relay did not start; try again")

    def __enter__(self) -> Tap:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def pid(self) -> int:
        """The process id of the relay."""
        return self._process.pid

    def fileno(self) -> int:
        """Return the descriptor for `select`; it is readable when `turn` has something to do."""
        return self._fd

    def turn(self, wait_s: float) -> bool:
        """Take what the relay has reported, waiting at most `wait_s` seconds for it; False when the relay has ended."""
        if not select.select([self._fd], [], [], wait_s)[0]:
            return True
        data = os.read(self._fd, 1 << 20)
        if not data:
            return False
        self._waiting += data
        at = 0
        batches: list[Batch] = []
        while len(self._waiting) - at >= FRAME.size:
            stamp, kind, length = FRAME.unpack_from(self._waiting, at)
            if len(self._waiting) - at < FRAME.size + length:
                break
            body = bytes(self._waiting[at + FRAME.size : at + FRAME.size + length])
            at += FRAME.size + length
            stamp_us = max(stamp - self._zero_us, 0)
            self.reported_us = max(self.reported_us, stamp_us)
            if kind == SAYS:
                word, text = json.loads(body)
                batches += self._says(word, text, stamp_us)
            elif kind == UP:
                batches += self.up.feed(body, stamp_us)
            elif kind == DOWN:
                batches += self.down.feed(body, stamp_us)
        del self._waiting[:at]
        self._give(batches)
        return True

    def _give(self, batches: list[Batch]) -> None:
        if self._take is None or not batches:
            return
        # A direction whose protocol was not known at first gives its records later than the other.
        for number, batch in enumerate(batches):
            self._last_us = max(self._last_us, batch.at_us)
            batches[number] = batch._replace(at_us=self._last_us)
        self._take(batches)

    def _says(self, word: str, text: str, at_us: int) -> list[Batch]:
        shown = printable(self.port)
        if word == "ready":
            self.name = text
        elif word == "refused":
            self._refused = text
        elif word == "opened":
            if self.gone:
                self.said.append(f"{shown} is back")
            self.gone = ""
            return [link_record(at_us, self.source, "opened", port=self.port, rate=self.rate, **self._about)]
        elif word == "lost":
            self.gone = f"{shown} is gone ({printable(text)}); waiting for it"
            self.said.append(self.gone)
            return [link_record(at_us, self.source, "lost", port=self.port, why=text)]
        elif word == "waiting":
            self.gone = printable(text)
            self.said.append(self.gone)
        elif word == "came":
            self.programs += 1
            self.there = True
            self.said.append(f"a program has opened {self.name}")
            return [link_record(at_us, self.source, "came", port=self.name)]
        elif word == "left":
            self.there = False
            self.said.append(f"the program has closed {self.name}")
            return [link_record(at_us, self.source, "left", port=self.name)]
        elif word == "set":
            self.said.append(f"the program has set {printable(text)} baud")
            self.rate = int(text) if text.isdecimal() else self.rate
            return [link_record(at_us, self.source, "rate", port=self.port, rate=text)]
        elif word == "unset":
            self.said.append(f"{shown} does not support what the program set: {printable(text)}")
        elif word == "missed":
            self.missed += int(text)
            return [link_record(at_us, self.source, "unrecorded", bytes=text)]
        return []

    def close(self) -> None:
        """End the relay, and take what it still has to report."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if not self._process.stdin.closed:
            self._process.stdin.close()
            end_s = time.monotonic() + 5
            while time.monotonic() < end_s and self.turn(0.1):
                pass
            if self._process.poll() is None and time.monotonic() >= end_s:
                self._process.kill()
            self._process.wait()
            self._process.stdout.close()
            self._give([*self.up.rest(), *self.down.rest()])


class Order:
    """Puts the records of several taps into the order of their stamps."""

    def __init__(self) -> None:
        self._held: list[Batch] = []
        self._last_us = 0

    def take(self, batches: list[Batch]) -> None:
        """Take batches from one of the taps."""
        self._held += batches

    def until(self, at_us: int | None) -> list[Batch]:
        """Return and forget the batches stamped `at_us` or earlier, in order; None: all of them."""
        if not self._held:
            return []
        self._held.sort(key=lambda batch: batch.at_us)
        count = len(self._held) if at_us is None else bisect_right(self._held, at_us, key=lambda batch: batch.at_us)
        due, self._held = self._held[:count], self._held[count:]
        # A batch that came too late takes the stamp of the last one that was returned.
        for number, batch in enumerate(due):
            self._last_us = max(self._last_us, batch.at_us)
            due[number] = batch._replace(at_us=self._last_us)
        return due

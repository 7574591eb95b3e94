"""A board on a pseudo-terminal in a thread of its own: right, or made wrong on purpose in one way.

Each wrong board is the right one (`BoardSide`) with one thing turned: what it sends, what it takes in, or how it does
one word. A real board with that mistake in its firmware would show the same on the wire.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable

from benchcon.errors import Trouble
from benchcon.wire import codec
from benchcon.wire.board import BoardSide
from benchcon.wire.items import items

ITEMS = items(
    ("board", "", {}),
    ("model", "", {"text": "test board", "chip": "none"}),
    ("firmware", "", {"text": "test", "version": "1.0"}),
    ("clock", "", {"tick": "01"}),
    ("contact", "sw1", {"pin": "D4", "inv": "1", "raw": "1", "label": "Stop bar"}),
    ("contact", "sw2", {"pin": "165.1", "inv": "1", "raw": "2"}),
    ("selector", "sel1", {"pos": "5"}),
    ("encoder", "e1", {"det": "4"}),
    ("pot", "p1", {"top": "03FF"}),
    ("lamp", "l1", {"dim": "1", "label": "Stop bar lit"}),
    ("lamp", "l2", {"dim": "1"}),
    ("display", "d1", {"digits": "5"}),
    ("lamp", "l3", {}),
    ("contact", "sw3", {"dark": "1"}),
)


def right_board(now_us: int) -> BoardSide:
    """A board that keeps every rule."""
    return BoardSide("tester", "Test board", ITEMS, now_us=now_us, boot=7)


def board_near_wrap(now_us: int) -> BoardSide:
    """The same, so long after its reset that its clock wraps in a few seconds."""
    return BoardSide("tester", "Test board", ITEMS, now_us=now_us, boot=7, clock_start_us=2**32 - 8_000_000)


class BenchBoard:
    """Runs a board until `close`. `down` and `up` may change what goes either way, line ends included."""

    def __init__(
        self,
        make: Callable[[int], BoardSide] = right_board,
        down: Callable[[bytes], bytes] = lambda data: data,
        up: Callable[[bytes], bytes] = lambda data: data,
    ) -> None:
        self.master, self._keep = os.openpty()
        tty.setraw(self._keep)
        os.set_blocking(self.master, False)
        self.port = os.ttyname(self._keep)
        self.board = make(self.now_us())
        self._down, self._up = down, up
        self._acts: list[Callable[[], None]] = []
        self._stop, self._stopped = os.pipe()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @staticmethod
    def now_us() -> int:
        return time.monotonic_ns() // 1000

    def _run(self) -> None:
        while True:
            wait_s = max(0.0, (self.board.next_us() - self.now_us()) / 1e6)
            ready, _, _ = select.select([self.master, self._stop], [], [], wait_s)
            now_us = self.now_us()
            if self._stop in ready:
                if os.read(self._stop, 1) == b"x":
                    return
                for act in self._acts:
                    act()
                self._acts.clear()
            if self.master in ready:
                data = os.read(self.master, 4096)
                self.board.feed(self._down(data), now_us)
            self.board.tick(now_us)
            out = self._up(self.board.take())
            while out:
                try:
                    out = out[os.write(self.master, out) :]
                except BlockingIOError:
                    select.select([], [self.master], [])

    def do(self, act: Callable[[], None]) -> None:
        """Have something done on the board's own thread."""
        self._acts.append(act)
        os.write(self._stopped, b".")

    def close(self) -> None:
        os.write(self._stopped, b"x")
        self._thread.join(5)
        for fd in (self.master, self._keep, self._stop, self._stopped):
            os.close(fd)

    # --- as a hand (what `conform` asks of one) ---

    def _work(self, part: str, value: int) -> None:
        def act() -> None:
            if part in self.board.raw:
                self.board.edge(part, value, self.now_us())
            self.board.change({part: value}, self.now_us())

        self.do(act)

    def press(self, part: str) -> None:
        self._work(part, 1)

    def release(self, part: str) -> None:
        self._work(part, 0)

    def reset(self) -> None:
        self.do(lambda: self.board.reset(self.now_us()))

    def turn(self, part: str, detents: int) -> None:
        raise Trouble("this hand turns nothing")

    def lit(self) -> dict[str, int]:
        shine = getattr(self.board, "shines", self.board.values.get)
        lamps = [item for item in self.board.channels.values() if item.kind == "lamp"]
        level = {item.id: shine(item.id) or 0 for item in lamps}
        return {item.id: level[item.id] if item.detail.get("dim") else 1000 * (level[item.id] >= 500) for item in lamps}

    def shown_all(self) -> dict[str, bytes]:
        displays = [item for item in self.board.channels.values() if item.kind == "display"]
        return {item.id: self.board.values[item.id].to_bytes(item.width // 2, "big") for item in displays}


def each_line(change: Callable[[bytes], bytes | None]) -> Callable[[bytes], bytes]:
    """Make a change of bytes out of a change of lines (None drops one); half lines wait for their end."""
    waiting = b""

    def pass_on(data: bytes) -> bytes:
        nonlocal waiting
        out = b""
        waiting += data
        while (at := waiting.find(b"\n")) >= 0:
            line, waiting = waiting[:at], waiting[at + 1 :]
            changed = change(line)
            if changed is not None:
                out += changed + b"\n"
        return out

    return pass_on


def reworded(change: Callable[[list[str]], list[str]]) -> Callable[[bytes], bytes]:
    """Change the words of each line that goes up (the first is tag or number), with a right check again."""

    def turn(line: bytes) -> bytes:
        words = line[:-6].decode().split(" ")
        return codec.seal(" ".join(change(words)))

    return each_line(turn)

"""A board that never stops talking: `BoardSide` on a real pseudo-terminal, with changes written as fast as they go.

Started as ``python flooder.py [LINES A SECOND]``; prints the port's path. After `deadman` or the first `set` has been
obeyed the flood begins. On standard input: ``dark`` is answered with the host's monotonic time, in nanoseconds, at
which the board last went dark (0: never); ``sent`` with the lines of the flood so far; ``lit`` with what it shows.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import sys
import time
import tty
from binascii import crc_hqx

from benchcon.wire.board import BoardSide
from benchcon.wire.items import items

DESCRIPTION = items(
    ("board", "", {"ident": "flood", "name": "flood"}),
    *[("contact", f"sw{number}", {"pin": f"D{number}"}) for number in range(16)],
    ("lamp", "l1", {"dim": "1"}),
)
STEP_US = 65536
"""The clock of one line of the flood after the other: 65536 of them are just one turn of the clock's 32 bits."""


def cycle() -> list[bytes]:
    """All running numbers once, the clock once round: said again and again without a gap."""
    lines = []
    for number in range(65536):
        body = b"!%04X %08X is sw%d=%d " % (number, number * STEP_US, number % 16, number // 16 & 1)
        lines.append(b"%s#%04X\n" % (body, crc_hqx(body, 0xFFFF)))
    return lines


class Flooder:
    def __init__(self, rate: float) -> None:
        self.rate = rate
        self.ours, self.theirs = pty.openpty()
        tty.setraw(self.theirs)
        os.set_blocking(self.ours, False)
        self.began = time.monotonic_ns()
        self.board = BoardSide("flood", "flood", DESCRIPTION)
        self.board.on_outputs = self.outputs
        lines = cycle()
        self.data = b"".join(lines)
        self.starts = [0]
        for line in lines:
            self.starts.append(self.starts[-1] + len(line))
        self.line = 0
        """The line of the cycle that comes next."""
        self.sent = 0
        self.dark_ns = 0
        self.shown: dict[str, int] = {}
        self.waiting = b""
        """Begun and not gone out yet."""

    def outputs(self, changed: dict[str, int], now_us: int) -> None:
        self.shown |= changed

    def answers(self, data: bytes) -> bytes:
        """What the board says by itself, its own notifications left out and the number told made that of the flood."""
        self.board.feed(data, self.now())
        self.board.tick(self.now())
        if self.board.dark and not self.dark_ns:
            self.dark_ns = time.monotonic_ns()
        elif not self.board.dark:
            self.dark_ns = 0
        said = b""
        while out := self.board.take():
            for line in out.split(b"\n"):
                if line[:1] != b"<":
                    continue
                words = line[:-6].split(b" ")
                if words[1] == b"read":
                    last = (self.line - 1) & 0xFFFF
                    words[2:4] = b"%04X" % last, b"%08X" % (last * STEP_US)
                body = b" ".join(words) + b" "
                said += b"%s#%04X\n" % (body, crc_hqx(body, 0xFFFF))
        return said

    def now(self) -> int:
        return (time.monotonic_ns() - self.began) // 1000

    def run(self) -> None:
        print(os.ttyname(self.theirs), flush=True)
        credit, then = 0.0, time.monotonic()
        while True:
            flooding = self.board.deadman_ms > 0 or bool(self.shown)
            writes = [self.ours] if self.waiting or (flooding and credit >= 1) else []
            ready, able, _ = select.select([sys.stdin, self.ours], writes, [], 0.005)
            if sys.stdin in ready:
                word = sys.stdin.readline().strip()
                if not word:
                    return
                told = {"dark": self.dark_ns, "sent": self.sent, "lit": self.shown, "deadman": self.board.deadman_ms}
                print(json.dumps(told[word]), flush=True)
            # What was begun goes first: nothing may come between the halves of a line.
            if self.ours in ready:
                self.waiting += self.answers(os.read(self.ours, 4096))
            else:
                self.waiting += self.answers(b"")
            now = time.monotonic()
            credit = min(credit + (now - then) * self.rate, 1500.0)
            then = now
            if not self.waiting and flooding and credit >= 1:
                end = min(self.line + int(credit), 65536)
                self.waiting = self.data[self.starts[self.line] : self.starts[end]]
                self.sent += end - self.line
                credit -= end - self.line
                self.line = end & 0xFFFF
            if self.waiting and able:
                with contextlib.suppress(BlockingIOError):
                    self.waiting = self.waiting[os.write(self.ours, self.waiting) :]


if __name__ == "__main__":
    Flooder(float(sys.argv[1]) if len(sys.argv) > 1 else 1e9).run()

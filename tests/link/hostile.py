"""A board that keeps its host busy: `BoardSide` on a real pseudo-terminal, spoilt in one way.

Started as ``python hostile.py HOW``; prints the port's path, and the number of requests so far for every line on
standard input. HOW: ``pages`` (the answer to `read all` has no end), ``resets`` (it restarts after each request),
``jumps`` (its running numbers jump after each), ``idents`` (it restarts with another ident after each `read`).
"""

from __future__ import annotations

import os
import pty
import select
import sys
import time
import tty
from binascii import crc_hqx

from benchcon.wire.board import BoardSide
from benchcon.wire.items import items

DESCRIPTION = items(("board", "", {}), ("contact", "sw1", {"pin": "D4"}), ("lamp", "l1", {"dim": "1"}))


def sealed(body: bytes) -> bytes:
    return b"%s#%04X\n" % (body + b" ", crc_hqx(body + b" ", 0xFFFF))


def main(how: str) -> None:
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    began = time.monotonic_ns()
    board = BoardSide("b0", "hostile", DESCRIPTION)
    print(os.ttyname(theirs), flush=True)
    count = number = 0
    while True:
        ready, _, _ = select.select([sys.stdin, ours], [], [], 0.05)
        now = (time.monotonic_ns() - began) // 1000
        if sys.stdin in ready:
            if not sys.stdin.readline():
                return
            print(count, flush=True)
        heard = os.read(ours, 4096) if ours in ready else b""
        asked = [line for line in heard.split(b"\n") if line[:1] == b">"]
        count += len(asked)
        board.feed(heard, now)
        board.tick(now)
        out = b""
        while said := board.take():
            for line in said.split(b"\n"):
                if line:
                    words = line[:-6].split(b" ")
                    if how == "pages" and words[1] == b"read":
                        words[4] = b"01"
                    out += line + b"\n" if how == "jumps" and line[:1] != b"<" else sealed(b" ".join(words))
        if how == "jumps" and asked:
            number = number + 100 & 0xFFFF
            out += sealed(b"!%04X %08X is sw1=1" % (number, now))
        os.write(ours, out)
        if (how == "resets" and asked) or (how == "idents" and b" read " in heard):
            if how == "idents":
                board.ident = f"b{count}"
            board.reset(now)


if __name__ == "__main__":
    main(sys.argv[1])

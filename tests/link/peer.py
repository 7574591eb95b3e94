"""A board for the tests of the link: `BoardSide` on a real pseudo-terminal, in a process of its own.

Started as ``python peer.py JSON``; prints the port's path. Commands come on standard input, one a line; each is
answered by one line of JSON.
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
from typing import Any

from benchcon.wire import codec
from benchcon.wire.board import BoardSide
from benchcon.wire.items import items

DESCRIPTION = items(
    ("board", "", {"ident": "x", "name": "x"}),
    ("contact", "sw1", {"pin": "D4", "raw": "1"}),
    ("encoder", "e1", {"det": "4"}),
    ("lamp", "l1", {"dim": "1"}),
    ("lamp", "l2", {}),
    ("display", "d1", {"digits": "2"}),
)


class Peer:
    def __init__(self, options: dict[str, Any]) -> None:
        self.options = options
        self.began = time.monotonic_ns()
        self.stalled = False
        self.quiet_until = 0
        self.shown: list[tuple[int, str, int]] = []
        self.heard = bytearray()
        self.lines = 0
        self.following: tuple[int, int] | None = None
        described = DESCRIPTION
        if options.get("former"):
            described = (*DESCRIPTION[:-1], DESCRIPTION[-1]._replace(kind="digits", detail={"places": "2"}))
        self.board = BoardSide(options.pop("ident", "desk"), "A desk", described, buffer=options.get("buffer", 128))
        self.board.on_outputs = self.outputs
        self.plug()

    def outputs(self, changed: dict[str, int], now_us: int) -> None:
        self.shown += [(now_us, channel, value) for channel, value in changed.items()]

    def now(self) -> int:
        return (time.monotonic_ns() - self.began) // 1000

    def plug(self) -> str:
        self.ours, self.theirs = self.following or pty.openpty()
        tty.setraw(self.theirs)
        os.set_blocking(self.ours, False)
        port = os.ttyname(self.theirs)
        # The boot loader: deaf and mute for a while.
        self.quiet_until = self.now() + int(self.options.get("loader_s", 0) * 1e6)
        return port

    def unplug(self) -> None:
        self.following = pty.openpty()  # taken before the old one is free, so that it is another place
        os.close(self.ours)
        os.close(self.theirs)

    def put(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self.ours, data)

    def put_whole(self, data: bytes) -> None:
        """As `put`, but wait while the other side is behind with its reading."""
        end = time.monotonic() + 10
        while data and time.monotonic() < end:
            select.select([], [self.ours], [], 0.1)
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self.ours, data) :]

    def run(self) -> None:
        while True:
            now = self.now()
            plugged = self.ours >= 0
            wanted = [sys.stdin] + ([self.ours] if plugged and not self.stalled else [])
            wait = max(0.0, min(self.board.next_us(), now + 50_000) - now) / 1e6
            ready, _, _ = select.select(wanted, [], [], wait)
            if sys.stdin in ready:
                line = sys.stdin.readline()
                if not line:
                    return
                print(json.dumps(self.command(line.split())), flush=True)
            if self.ours < 0:
                continue
            now = self.now()
            if self.ours in ready:
                data = os.read(self.ours, 4096)
                self.heard += data
                if self.options:
                    data = self.heard_of(data)
                if now >= self.quiet_until:
                    self.board.feed(data, now)
            else:
                self.board.tick(now)
            if not self.stalled and now >= self.quiet_until and (data := self.board.take()):
                self.put(self.sent(data) if self.options else data)

    def heard_of(self, data: bytes) -> bytes:
        """What a board that is deaf now and then hears of `data`."""
        if self.options.get("deaf"):
            data = b"".join(line for number, line in enumerate(data.splitlines(True), self.lines) if number % 3)
            self.lines += self.heard.count(b"\n") - self.lines
        if swallowed := self.options.get("swallow"):
            data = b"".join(line for line in data.splitlines(True) if swallowed.encode() not in line)
        return data

    def sent(self, data: bytes) -> bytes:
        """What goes up of `data`, with what is wrong with this board; an adapter that holds bytes back waits here."""
        if foreign := self.options.get("foreign"):
            data = foreign.encode("latin-1")
        data = self.slipped(data)
        if self.options.get("late_s") and b"<" in data:
            time.sleep(self.options["late_s"])
        if self.options.get("damage") and data[:1] == b"!":
            data = data.replace(b"!", b"\x21\x21", 1)
        return data

    def slipped(self, data: bytes) -> bytes:
        """What goes up, with the mistake of a firmware of one's own in the answer to `hello`."""
        slip = self.options.get("slip", "")
        lines = []
        for line in data.split(b"\n"):
            if slip and line[:1] == b"<" and line[3:9] == b" hello":
                body = line[:-6]
                if slip == "no space":
                    line = body + b"#" + line[-4:]
                elif slip == "space not checked":
                    line = b"%s #%04X" % (body, codec.check_of(body))
                elif slip == "memory":
                    line = codec.seal(body.rpartition(b" ")[0] + b" " + b"\xff" * 8)
                elif slip == "width":
                    line = codec.seal(body.replace(b"hello 01", b"hello 1"))
                elif slip == "refused":
                    line = codec.seal(body[:3] + b" no 01 unknown word")
            if slip == "long page" and line[:1] == b"<" and line[3:8] == b" read":
                line = codec.seal(line[:-6] + b" " + b"x1=0" * 12)
            lines.append(line)
        return b"\n".join(lines)

    def command(self, words: list[str]) -> Any:
        word, *rest = words
        now = self.now()
        if word == "change":
            self.board.change({rest[0]: int(rest[1])}, now)
        elif word == "edge":
            self.board.edge(rest[0], int(rest[1]), now)
        elif word == "raw":
            self.put_whole(bytes.fromhex(rest[0]))
        elif word == "mend":
            self.options["slip"] = ""
        elif word == "swallow":
            self.options["swallow"] = rest[0] if rest else ""
        elif word == "stall":
            self.stalled = rest[0] == "1"
        elif word == "reset":
            self.board.reset(now)
        elif word == "skip":
            self.board._number += 1
        elif word == "ident":
            self.board.ident = rest[0]
            self.board.reset(now)
        elif word == "unplug":
            self.unplug()
            self.ours = -1
        elif word == "plug":
            return self.plug()
        elif word == "values":
            return self.board.values
        elif word == "shown":
            return self.shown
        elif word == "state":
            raw = sorted(self.board.raw)
            return {
                "dark": self.board.dark,
                "deadman_ms": self.board.deadman_ms,
                "name": self.board.name,
                "raw": raw,
            }
        elif word == "heard":
            return self.heard.decode("latin-1")
        return None


if __name__ == "__main__":
    peer = Peer(json.loads(sys.argv[1]))
    print(os.ttyname(peer.theirs), flush=True)
    peer.run()

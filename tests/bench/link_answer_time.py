"""Set a lamp → its answer seen, beside bare serial_asyncio, all over a pseudo-terminal to another process.

Measured from the call of `Bench.set_lamp` on the main thread to the answer's record reaching a subscriber on the
link's thread. It is measured with two boards, each in a process of its own: the protocol's board side in Python, and
the firmware's core in C (`protocols/firmware/native`), the code that real boards run, if there is a compiler. Two
things stand beside it:

- *bare, the same board*: a loop on a thread of its own and serial_asyncio on it, as little as a program with a screen
  can have, asks such a board for the same: the same way from thread to thread, the same pseudo-terminal, the same work
  at the far end. What is more than that is benchcon's own: limits, budget, tags and repeats, records, observer.
  This is the baseline. Reach: p50 and p99 ≤ 1.5 × its.
- *bare echo*: serial_asyncio at both ends and one thread at each, which checks nothing and answers nothing. Reach: p50
  and p99 ≤ 1.5 × its, with the firmware's core. With the board in Python, which takes some 40 µs longer to take a line
  apart, the ratio says as much of that board as of the link; it is told for comparison.

All are asked in turns, in short blocks, and the figures are medians over rounds, so that what else the machine does
hits all alike. Where it does much else, ``chrt -r 1`` (as root) before the command keeps that out of the medians.

    python tests/bench/link_answer_time.py [SETS]
"""

from __future__ import annotations

import asyncio
import os
import pty
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path

import serial_asyncio

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from firmware.virtual import MISSING, built
from link.boards import PeerProcess

from benchcon.link import Bench
from benchcon.wire.codec import request
from benchcon.wire.records import LINE_UP, Batch

ECHO = """
import asyncio, os, serial_asyncio, sys

class Echo(asyncio.Protocol):
    def connection_made(self, transport):
        self.transport = transport
    def data_received(self, data):
        self.transport.write(data)

class Port:  # a pseudo-terminal's other end has no name to open: what serial_asyncio wants of a port, and no more
    def __init__(self, fd):
        self.fd = fd
        os.set_blocking(fd, False)
    def fileno(self):
        return self.fd
    def read(self, most):
        return os.read(self.fd, most)
    def write(self, data):
        return os.write(self.fd, data)
    def close(self):
        pass

loop = asyncio.new_event_loop()
serial_asyncio.SerialTransport(loop, Echo(), Port(int(sys.argv[1])))
loop.run_forever()
"""
BLOCK = 50
ROUND = 1000


class Echo:
    """A bare echo in another process, and a serial_asyncio stream to it on a loop of its own."""

    def __init__(self) -> None:
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.process = subprocess.Popen([sys.executable, "-c", ECHO, str(ours)], pass_fds=[ours])
        os.close(ours)
        self.loop = asyncio.new_event_loop()
        self.reader, self.writer = self.loop.run_until_complete(
            serial_asyncio.open_serial_connection(url=os.ttyname(theirs), baudrate=115200)
        )

    def block(self) -> list[float]:
        return self.loop.run_until_complete(self._block())

    async def _block(self) -> list[float]:
        took = []
        for _ in range(BLOCK):
            began = time.perf_counter()
            self.writer.write(b">0F set l1=1F4 #C08E\n")
            await self.reader.readline()
            took.append(time.perf_counter() - began)
        return took


class Bare(asyncio.Protocol):
    """A board, and serial_asyncio on a loop in a thread of its own."""

    def __init__(self) -> None:
        self.peer = PeerProcess(ident="bare")
        self.seen_at = 0.0
        self.seen = threading.Event()
        self.heard = b""
        self.turn = 0
        self.loop = asyncio.new_event_loop()
        threading.Thread(target=self.loop.run_forever, daemon=True).start()
        opening = serial_asyncio.create_serial_connection(self.loop, lambda: self, self.peer.port, baudrate=115200)
        self.transport, _ = asyncio.run_coroutine_threadsafe(opening, self.loop).result(30)

    def data_received(self, data: bytes) -> None:
        *lines, self.heard = (self.heard + data).split(b"\n")
        if any(line[4:7] == b"set" for line in lines):
            self.seen_at = time.perf_counter()
            self.seen.set()

    def block(self) -> list[float]:
        took = []
        for _ in range(BLOCK):
            self.turn += 1
            line = request(15, ("set", f"l1={500 + self.turn % 2 * 10:03X}")) + b"\n"
            self.seen.clear()
            began = time.perf_counter()
            self.loop.call_soon_threadsafe(self.transport.write, line)
            assert self.seen.wait(10)
            took.append(self.seen_at - began)
        return took


class Core:
    """The firmware's core, compiled for this computer, on a pseudo-terminal of its own."""

    def __init__(self) -> None:
        program = built("desk", "native", "benchboard-native")
        self.process = subprocess.Popen([str(program)], stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        _, self.port, _ = self.process.stdout.readline().split()

    def close(self) -> None:
        self.process.terminate()
        self.process.communicate()


class LampSet:
    """A board, a bench, and the moment at which an answer was seen."""

    def __init__(self, peer: PeerProcess | Core, lamp: str) -> None:
        self.peer, self.lamp = peer, lamp
        self.bench = Bench([peer.port])
        self.seen_at = 0.0
        self.seen = threading.Event()
        self.bench.subscribe(self._take)
        self.bench.start()
        assert self.bench.wait(lambda infos: any(info.stage == "live" for info in infos), 30)
        self.turn = 0

    def _take(self, batches: list[Batch]) -> None:
        for batch in batches:
            if batch.kind == LINE_UP and any(body[4:7] == b"set" for body in batch.bodies):
                self.seen_at = time.perf_counter()
                self.seen.set()

    def block(self) -> list[float]:
        took = []
        for _ in range(BLOCK):
            self.turn += 1
            self.seen.clear()
            began = time.perf_counter()
            self.bench.set_lamp(1, self.lamp, 500 + self.turn % 2 * 10)  # too little to count as flashing
            assert self.seen.wait(10)
            took.append(self.seen_at - began)
        return took


def share(took: list[float], of: float) -> float:
    return sorted(took)[int(len(took) * of)] * 1e6


def main() -> None:
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BENCHCON_HOME"] = os.environ["BENCHCON_LOCKS"] = folder
        echo, bare = Echo(), Bare()
        lamps = {"set a lamp, board in Python": LampSet(PeerProcess(ident="desk"), "l1")}
        if not MISSING:
            lamps["set a lamp, the firmware's core"] = LampSet(Core(), "l_app")
        asked = {"bare serial_asyncio echo": echo, "bare, the board in Python": bare, **lamps}
        for each in asked.values():
            each.block()  # to warm up
        rounds = []
        for _ in range(max(sets // ROUND, 1)):
            took: dict[str, list[float]] = {name: [] for name in asked}
            for _ in range(ROUND // BLOCK):
                for name, each in asked.items():
                    took[name] += each.block()
            rounds.append([(share(times, 0.5), share(times, 0.99)) for times in took.values()])
        for lamp in lamps.values():
            lamp.bench.close()
        for peer in (bare.peer, *(lamp.peer for lamp in lamps.values())):
            peer.close()
        echo.process.kill()
        echo.process.wait()
    print(f"{'':<32}{'p50':>10}{'p99':>10}  (medians of {len(rounds)} rounds of {ROUND} each)")
    for place, name in enumerate(asked):
        p50, p99 = (statistics.median(each[place][which] for each in rounds) for which in (0, 1))
        print(f"{name:<32}{p50:>7.0f} µs{p99:>7.0f} µs")
    reach = " (reach: 1.5 and 1.5)"
    for which, of, words in (
        (2, 1, f"to the same board{reach}"),
        (2, 0, "to a bare echo"),
        (3, 0, f"to a bare echo{reach}"),
    ):
        if which < len(asked):
            p50, p99 = (statistics.median(each[which][at] / each[of][at] for each in rounds) for at in (0, 1))
            print(f"{list(asked)[which]}, ratio {words}: p50 {p50:.2f}, p99 {p99:.2f}")


if __name__ == "__main__":
    main()

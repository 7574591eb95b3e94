"""Set a lamp → its answer seen, beside a bare serial_asyncio echo, both over a pseudo-terminal to another process.

Measured from the call of `Bench.set_lamp` on the main thread to the answer's record reaching a subscriber on the
link's thread. The board is the protocol's board side, in Python, in a process of its own; the echo is serial_asyncio at
both ends. Both are asked in turns, in short blocks, and the figures are medians over rounds, so that what else the
machine does hits both alike. Reach: p99 ≤ 2 × that of the echo.

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
from link.boards import PeerProcess

from benchcon.link import Bench
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


class Lamp:
    """A board, a bench, and the moment at which an answer was seen."""

    def __init__(self) -> None:
        self.peer = PeerProcess(ident="desk")
        self.bench = Bench([self.peer.port])
        self.seen_at = 0.0
        self.seen = threading.Event()
        self.bench.subscribe(self._take)
        self.bench.start()
        assert self.bench.wait(lambda infos: any(info.standing == "live" for info in infos), 30)
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
            self.bench.set_lamp(1, "l1", 500 + self.turn % 2 * 10)  # too little to count as flashing
            assert self.seen.wait(10)
            took.append(self.seen_at - began)
        return took


def share(took: list[float], of: float) -> float:
    return sorted(took)[int(len(took) * of)] * 1e6


def main() -> None:
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BENCHCON_HOME"] = os.environ["BENCHCON_LOCKS"] = folder
        echo, lamp = Echo(), Lamp()
        echo.block(), lamp.block()  # to warm up
        rounds = []
        for _ in range(max(sets // ROUND, 1)):
            echoed: list[float] = []
            answered: list[float] = []
            for _ in range(ROUND // BLOCK):
                echoed += echo.block()
                answered += lamp.block()
            rounds.append([share(took, of) for took in (echoed, answered) for of in (0.5, 0.99)])
        lamp.bench.close()
        lamp.peer.close()
        echo.process.kill()
        echo.process.wait()
    e50, e99, a50, a99 = (statistics.median(column) for column in zip(*rounds, strict=True))
    print(f"{'':<32}{'p50':>10}{'p99':>10}  (medians of {len(rounds)} rounds of {ROUND} each)")
    print(f"{'bare serial_asyncio echo':<32}{e50:>7.0f} µs{e99:>7.0f} µs")
    print(f"{'set a lamp → answer seen':<32}{a50:>7.0f} µs{a99:>7.0f} µs")
    ratio = statistics.median(each[3] / each[1] for each in rounds)
    print(f"ratio p50 {a50 / e50:.2f}, p99 {ratio:.2f} (reach: p99 ≤ 2)")


if __name__ == "__main__":
    main()

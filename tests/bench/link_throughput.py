"""Bytes in → checked, typed, state updated, recorded, through a real pseudo-terminal, on one core.

Another process, on the other core, floods ``is`` notifications into the pseudo-terminal. Beside it, from the same
flood: a loop over pyserial's `readline`, and a bare asyncio `readline` loop through serial_asyncio, both doing nothing
with the line. Reach: ≥ 50 × the first and ≥ 0.5 × the second. The last row is all of the link as a program holds it
(`Bench`, on a thread of its own). Reach: ≥ 0.8 × the second.

The processor time of each line is given as well: it tells the same as the rate while nothing else wants the core, and
still tells it when something does.

    python tests/bench/link_throughput.py [LINES]
"""

from __future__ import annotations

import asyncio
import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import serial
import serial_asyncio

from benchcon.capture import Writer
from benchcon.link import Bench
from benchcon.link.connection import Connection
from benchcon.state import BenchState
from benchcon.wire.codec import Splitter, notification
from benchcon.wire.events import Event
from benchcon.wire.records import Batch

FLOOD = """
import os, sys
data = memoryview(open(sys.argv[2], "rb").read())
fd = int(sys.argv[1])
try:
    os.sched_setaffinity(0, {1})
except OSError:
    pass
os.write(1, b".")
sys.stdin.readline()
while data:
    data = data[os.write(fd, data[:65536]):]
sys.stdin.readline()
"""


def flood_of(lines: int) -> bytes:
    """64 switches moving in turn, 50 µs apart."""
    return b"".join(notification(n, n * 50, ("is", f"sw{n % 64}={n // 64 & 1}")) + b"\n" for n in range(lines))


class Source:
    """A pseudo-terminal that another process floods once it is told to."""

    def __init__(self, path: Path) -> None:
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.theirs = theirs
        self.port = os.ttyname(theirs)
        self.process = subprocess.Popen(
            [sys.executable, "-c", FLOOD, str(ours), str(path)],
            pass_fds=[ours],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        os.close(ours)
        assert self.process.stdout is not None
        self.process.stdout.read(1)

    def go(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(b"\n")
        self.process.stdin.flush()

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()
        os.close(self.theirs)


class Took(NamedTuple):
    lines_a_second: float
    cpu_us: float
    """Processor time a line, all threads of this process."""


class Watch:
    """Runs from when it is made."""

    def __init__(self) -> None:
        self._began, self._cpu = time.perf_counter(), time.process_time()

    def took(self, lines: int) -> Took:
        cpu, took = time.process_time() - self._cpu, time.perf_counter() - self._began
        return Took(lines / took, cpu / lines * 1e6)


def by_pyserial(source: Source, lines: int) -> Took:
    with serial.Serial(source.port, 115200, timeout=10) as port:
        source.go()
        port.readline()
        watch = Watch()
        for _ in range(lines - 1):
            port.readline()
        return watch.took(lines - 1)


def by_readline(source: Source, lines: int) -> Took:
    async def read() -> Took:
        reader, writer = await serial_asyncio.open_serial_connection(url=source.port, baudrate=115200)
        source.go()
        await reader.readline()
        watch = Watch()
        for _ in range(lines - 1):
            await reader.readline()
        took = watch.took(lines - 1)
        writer.transport.abort()
        return took

    return asyncio.run(read())


def by_link(source: Source, lines: int, folder: str) -> Took:
    async def read() -> Took:
        began_ns = time.monotonic_ns()
        connection = await Connection.open(source.port, lambda: (time.monotonic_ns() - began_ns) // 1000)
        state = BenchState()
        writer = Writer(Path(folder) / "flood.capture", datetime.now(UTC), state.keyframe, force=True)
        splitter = Splitter("up")
        done = asyncio.Event()
        left = lines
        watch: Watch | None = None

        def heard(data: bytes, at_us: int) -> None:
            nonlocal left, watch
            watch = watch or Watch()
            batches = [Batch(at_us, 1, kind, bodies) for kind, bodies in splitter.feed(data)]
            for batch in batches:
                state.feed(batch)
                left -= len(batch.bodies)
            writer.write(batches)
            if left <= 0:
                done.set()

        connection.heard = heard
        source.go()
        await done.wait()
        figures = writer.close()
        assert watch is not None
        took = watch.took(lines)  # what was still on its way to the disk is counted
        connection.abort()
        await connection.released.wait()
        assert figures.missed == 0
        assert state.observer.counters(1).notifications == lines
        assert state.boards[1].channels["sw1"].changes > 0
        return took

    return asyncio.run(read())


def by_bench(source: Source, lines: int, folder: str) -> Took:
    bench = Bench([source.port], deadman_ms=None, listen_only=True)
    state = BenchState(observer=bench.observer)
    writer = Writer(Path(folder) / "bench.capture", bench.began, state.keyframe, force=True)
    done = threading.Event()
    left = lines
    watch: Watch | None = None

    def take(batches: list[Batch], observed: list[Sequence[Event]]) -> None:
        nonlocal left, watch
        for batch, events in zip(batches, observed, strict=True):
            state.take(batch, events)
            if batch.kind == "<":
                watch = watch or Watch()
                left -= len(batch.bodies)
        writer.write(batches)
        if left <= 0:
            done.set()

    bench.follow(take)
    bench.start()
    bench.wait(lambda infos: any(info.stage == "listening" for info in infos), 10)
    source.go()
    assert done.wait(120)
    writer.close()
    assert watch is not None
    took = watch.took(lines)
    bench.close()
    return took


def main() -> None:
    lines = int(sys.argv[1]) if len(sys.argv) > 1 else 600_000
    few = lines // 30
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BENCHCON_HOME"] = os.environ["BENCHCON_LOCKS"] = folder
        path, small = Path(folder) / "flood", Path(folder) / "small"
        path.write_bytes(flood_of(lines))
        small.write_bytes(flood_of(few))
        os.sched_setaffinity(0, {0})

        def best(of: Callable[[Source], Took], path: Path) -> Took:
            runs = []
            for _ in range(3):
                source = Source(path)
                runs.append(of(source))
                source.close()
            return Took(max(run.lines_a_second for run in runs), min(run.cpu_us for run in runs))

        slow = best(lambda source: by_pyserial(source, few), small)
        bare = best(lambda source: by_readline(source, lines), path)
        ours = best(lambda source: by_link(source, lines, folder), path)
        whole = best(lambda source: by_bench(source, lines, folder), path)
    print(f"{'':<28}{'lines/s':>12}{'processor a line':>22}")
    for name, took in (
        ("pyserial readline", slow),
        ("bare asyncio readline", bare),
        ("checked, typed, recorded", ours),
        ("the same through Bench", whole),
    ):
        print(f"{name:<28}{took.lines_a_second:>12,.0f}{took.cpu_us:>19.2f} µs")
    print(
        f"ratio {ours.lines_a_second / slow.lines_a_second:.0f} × pyserial (reach: ≥ 50), "
        f"{ours.lines_a_second / bare.lines_a_second:.2f} × bare asyncio (reach: ≥ 0.5)"
    )
    print(
        f"through Bench {whole.lines_a_second / bare.lines_a_second:.2f} × bare asyncio (reach: ≥ 0.8); "
        f"by processor time {bare.cpu_us / whole.cpu_us:.2f} ×"
    )


if __name__ == "__main__":
    main()

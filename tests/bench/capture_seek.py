"""Going to a time in a capture of ten million records, with the state there; and the memory that takes.

Reach: < 50 ms, < 100 MB whatever the size. Baseline printed beside it: finding the middle by reading lines from the
beginning, without any state.

    python tests/bench/capture_seek.py [RECORDS] [FILE TO KEEP]
"""

from __future__ import annotations

import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from benchcon.capture.file import OpenFile, lines_of
from benchcon.capture.form import write_header
from benchcon.capture.writer import KEYFRAME_RECORDS
from benchcon.state import BenchState
from benchcon.state_reader import StateReader
from benchcon.wire.codec import answer, notification, request
from benchcon.wire.records import BENCH, KEYFRAME, LINE_DOWN, LINE_UP, LINK, Batch

BOARDS, CHANNELS, EACH = 4, 64, 10


def make(path: Path, records: int) -> None:
    """Four boards of 64 switches each, 20 000 records a second."""
    state = BenchState()
    with path.open("wb") as out:
        file = OpenFile(out.fileno(), write_header(datetime.now(UTC), {}))

        def put(batch: Batch) -> None:
            state.feed(batch)
            file.put(lines_of(batch))

        def keyframe(at_us: int) -> None:
            file.put(lines_of(Batch(at_us, BENCH, KEYFRAME, [state.keyframe()])))
            file.flush(sync=False)

        keyframe(0)
        for source in range(1, BOARDS + 1):
            put(Batch(0, source, LINK, [b"opened port=/dev/ttyUSB%d" % source]))
            for number in range(CHANNELS):
                item = answer(
                    1, ("item", f"{number:02X}", "contact", f"sw{number}", f"pin=D{number}", "label=Made%20up")
                )
                put(Batch(0, source, LINE_DOWN, [request(1, ("item", f"{number:02X}"))]))
                put(Batch(0, source, LINE_UP, [item]))
        numbers = [0] * (BOARDS + 1)
        since = 0
        for turn in range(records // EACH):
            source = turn % BOARDS + 1
            at_us = turn * 500
            first = numbers[source]
            numbers[source] += EACH
            lines = [
                notification(n, at_us, ("is", f"sw{n % CHANNELS}={n // CHANNELS & 1}"))
                for n in range(first, first + EACH)
            ]
            put(Batch(at_us, source, LINE_UP, lines))
            since += EACH
            if since >= KEYFRAME_RECORDS:
                keyframe(at_us)
                since = 0
        file.flush(sync=True)


def look(path: Path) -> None:
    """In a process of its own: seek at random, print milliseconds and peak memory."""
    chance = random.Random(5)
    with StateReader(path) as reader:
        last = reader.last_us
        times = []
        for _ in range(40):
            at_us = chance.randrange(last)
            began = time.perf_counter()
            state = BenchState()
            frame = reader.seek(at_us)
            assert frame is not None
            state.feed(frame)
            for batch in reader.until(at_us):
                state.feed(batch)
            times.append((time.perf_counter() - began) * 1000)
            assert len(state.boards) == BOARDS
        began = time.perf_counter()
        frames = sum(1 for _ in reader.keyframes())
        walked = time.perf_counter() - began
    times.sort()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"seek with state: median {times[20]:.1f} ms, worst {times[-1]:.1f} ms (reach < 50 ms)")
    print(f"peak memory {peak:.0f} MB (reach < 100 MB)")
    print(f"all {frames} keyframes found and read, last to first: {walked * 1000:.0f} ms")
    middle = last // 2
    began = time.perf_counter()
    with path.open("rb") as plain:
        plain.readline()
        for line in plain:
            if int(line.split(b" ", 1)[0]) > middle:
                break
    print(f"baseline, reading lines from the beginning to the middle: {(time.perf_counter() - began) * 1000:.0f} ms")


def main() -> None:
    if sys.argv[1:2] == ["--look"]:
        return look(Path(sys.argv[2]))
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(folder) / "large.capture"
        if not path.exists():
            began = time.perf_counter()
            make(path, records)
            print(
                f"made {records:,} records, {os.path.getsize(path) >> 20} MiB, in {time.perf_counter() - began:.0f} s"
            )
        subprocess.run([sys.executable, __file__, "--look", str(path)], check=True)


if __name__ == "__main__":
    main()

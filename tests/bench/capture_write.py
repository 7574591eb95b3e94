"""What recording costs the bench, and whether it keeps up.

    python tests/bench/capture_write.py [SECONDS]

1. The writer's share on the caller's thread: reach ≤ 0.3 µs a line. Baseline: appending the same batches to a list.
2. Bytes in to checked, typed, state updated, recorded, in one process: reach ≥ 340 000 lines a second on the machine
   that the reach was set for; printed beside a bare loop that splits lines and works out their CRC.
3. 20 000 records a second for SECONDS (60) beside a thread that keeps the interpreter half busy (with the console
   itself: `console_recording.py`): reach 0 lost.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from binascii import crc_hqx
from datetime import UTC, datetime
from pathlib import Path

from benchcon.capture import Ring, Writer
from benchcon.state import BenchState
from benchcon.state_reader import StateReader
from benchcon.wire.codec import Splitter, notification
from benchcon.wire.records import LINE_UP, Batch

EACH = 100


def lines(count: int) -> list[bytes]:
    return [notification(n, n * 50, ("is", f"sw{n % 64}={n // 64 & 1}")) for n in range(count)]


def share(folder: Path, made: list[bytes]) -> None:
    batches = [[Batch(at * 50, 1, LINE_UP, made[at : at + EACH])] for at in range(0, len(made), EACH)]
    state = BenchState()
    kept: list[list[Batch]] = []
    began = time.perf_counter()
    for batch in batches:
        kept.append(batch)
    base = time.perf_counter() - began
    writer = Writer(folder / "share", datetime.now(UTC), state.keyframe)
    took = 0.0
    for batch in batches:
        began = time.perf_counter()
        writer.write(batch)
        took += time.perf_counter() - began
        while writer.figures().waiting > 100_000:
            time.sleep(0.001)
    cpu = time.process_time()
    assert writer.close().missed == 0
    cpu = time.process_time() - cpu
    n = len(made)
    print(
        f"1. writer's share of the caller: {took / n * 1e6:.3f} us a line (reach <= 0.3); a list: {base / n * 1e6:.3f}"
    )


def path(folder: Path, made: list[bytes]) -> None:
    reads = [b"\n".join(made[at : at + EACH]) + b"\n" for at in range(0, len(made), EACH)]
    began = time.perf_counter()
    for read in reads:
        for line in read.split(b"\n"):
            crc_hqx(line[:-5], 0xFFFF)
    base = time.perf_counter() - began
    for with_ring in (False, True):
        state = BenchState()
        splitter = Splitter("up")
        writer = Writer(folder / f"path{with_ring}", datetime.now(UTC), state.keyframe)
        ring = Ring(state.keyframe)
        began, cpu = time.perf_counter(), time.process_time()
        for number, read in enumerate(reads):
            for kind, bodies in splitter.feed(read):
                batch = Batch(number * 300, 1, kind, bodies)
                state.feed(batch)
                writer.write([batch])
                if with_ring:
                    ring.feed([batch])
        figures = writer.close()
        took, cpu = time.perf_counter() - began, time.process_time() - cpu
        assert figures.records == len(made)
        assert figures.missed == 0
        n = len(made)
        what = "and in the ring" if with_ring else "recorded"
        print(
            f"2. bytes in to {what}: {n / took:,.0f} lines/s, {n / cpu:,.0f} a second of processor;"
            f" split and CRC alone {n / base:,.0f}; ratio {base / took:.2f}"
        )


def steady(folder: Path, seconds: float) -> None:
    made = lines(20_000)
    busy, over = threading.Event(), False

    def console() -> None:
        while not over:
            end = time.perf_counter() + 0.01
            while time.perf_counter() < end:
                sum(range(200))
            time.sleep(0.01)
        busy.set()

    state = BenchState()
    writer = Writer(folder / "steady", datetime.now(UTC), state.keyframe)
    threading.Thread(target=console, daemon=True).start()
    began = time.perf_counter()
    count = 0
    while (now := time.perf_counter() - began) < seconds:
        due = int(now * 20_000)
        while count < due:
            at = count % 20_000
            batch = Batch(int(now * 1e6), 1, LINE_UP, made[at : at + min(20, due - count)])
            state.feed(batch)
            writer.write([batch])
            count += len(batch.bodies)
        time.sleep(0.001)
    over = True
    figures = writer.close()
    busy.wait(1)
    with StateReader(folder / "steady") as reader:
        read = sum(len(batch.bodies) for batch in reader if batch.kind == LINE_UP)
        assert not reader.problem_counts
    print(
        f"3. {count:,} records in {seconds:g} s beside a busy thread: {count - read} lost (reach 0),"
        f" slowest writing out {figures.slowest_ms} ms, {os.path.getsize(folder / 'steady') / seconds / 1e6:.1f} MB/s"
    )


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as folder:
        made = lines(400_000)
        share(Path(folder), made)
        path(Path(folder), made)
        steady(Path(folder), seconds)


if __name__ == "__main__":
    main()

"""Captures for the benches that read them."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

from benchcon.capture import Writer
from benchcon.state import BenchState
from benchcon.wire.codec import notification
from benchcon.wire.records import LINE_UP, Batch


def make(path: Path, records: int, *, each: int, every_us: int) -> None:
    """Write what a bench of four boards with 64 switches each has said: `each` lines a read, a read each `every_us`."""
    state = BenchState()
    writer = Writer(path, datetime.now(UTC), state.keyframe)
    numbers = [0] * 5
    for turn in range(records // each):
        source = turn % 4 + 1
        lines = []
        for _ in range(each):
            number = numbers[source]
            numbers[source] += 1
            lines.append(notification(number, turn * every_us, ("is", f"sw{number % 64}={number // 64 & 1}")))
        batch = Batch(turn * every_us, source, LINE_UP, lines)
        state.feed(batch)
        writer.write([batch])
        while writer.figures().waiting > 100_000:
            time.sleep(0.01)
    assert writer.close().missed == 0

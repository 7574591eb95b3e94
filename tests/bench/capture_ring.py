"""Ten million records through the pre-trigger ring: memory must stay flat.

    python tests/bench/capture_ring.py [RECORDS]

Printed beside it: the same records kept in a plain list of batches, for a tenth of them.
"""

from __future__ import annotations

import resource
import sys
import time

from benchcon.capture import Ring
from benchcon.state import BenchState
from benchcon.wire.codec import notification
from benchcon.wire.records import LINE_UP, Batch

EACH = 10


def resident_mb() -> float:
    with open("/proc/self/statm") as statm:
        return int(statm.read().split()[1]) * resource.getpagesize() / 1e6


def main() -> None:
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    state = BenchState()
    ring = Ring(state.keyframe)
    began = time.perf_counter()
    in_ring = 0.0
    marks: list[float] = []
    for turn in range(records // EACH):
        at_us = turn * 500
        lines = [
            notification(n, at_us, ("is", f"sw{n % 64}={n // 64 & 1}")) for n in range(turn * EACH, turn * EACH + EACH)
        ]
        batch = Batch(at_us, 1, LINE_UP, lines)
        state.feed(batch)
        start = time.perf_counter()
        ring.feed([batch])
        in_ring += time.perf_counter() - start
        if turn * EACH % (records // 10) == 0:
            marks.append(resident_mb())
            print(
                f"{turn * EACH:11,} records: {marks[-1]:6.1f} MB resident, ring {ring.bytes / 1e6:5.1f} MB,"
                f" reaches back {(at_us - ring.from_us) / 1e6:5.1f} s",
                flush=True,
            )
    marks.append(resident_mb())
    share = in_ring / records * 1e6
    print(f"{records:,} records in {time.perf_counter() - began:.0f} s; the ring's share: {share:.2f} us each")
    full = marks[len(marks) // 2 :]
    print(f"memory in the second half: {min(full):.1f} to {max(full):.1f} MB (reach: flat)")
    before = resident_mb()
    kept = [
        Batch(
            turn * 500,
            1,
            LINE_UP,
            [notification(n, n, ("is", f"sw{n % 64}=1")) for n in range(turn * EACH, turn * EACH + EACH)],
        )
        for turn in range(records // EACH // 10)
    ]
    print(f"baseline, a tenth of them in a plain list: {resident_mb() - before:.0f} MB ({len(kept):,} batches)")


if __name__ == "__main__":
    main()

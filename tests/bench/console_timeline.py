"""The time line of a long capture: how soon the first picture is there, and an exact one where one looks.

Baseline: reading the capture from end to end, which is what a picture without summaries would take. Reach: first
picture under one second for ten million records; memory does not grow with the capture.

    python tests/bench/console_timeline.py [RECORDS]
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

from made import make

from benchcon.state_reader import StateReader
from benchcon.view.recorded import Recorded

COLUMNS = 110
PATIENCE_S = 600.0


def wait_for(past: Recorded, test: object) -> float:
    """Seconds until `test()` holds."""
    began = time.perf_counter()
    while not test():  # type: ignore[operator]
        assert time.perf_counter() - began < PATIENCE_S, past.trouble
        time.sleep(0.01)
    return time.perf_counter() - began


def memory_mb() -> float:
    """Greatest memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(records: int) -> int:
    """Measure, print, and return 0 if the reach was met."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "long.capture")
        make(path, records, each=20, every_us=500)
        with StateReader(path) as reader:
            first, last = reader.first_us, reader.last_us
        before = memory_mb()
        past = Recorded(path, first, last)
        each = (last - first) / COLUMNS
        keys = [(source, f"sw{number}") for source in range(1, 5) for number in range(64)]

        def drawn() -> bool:
            row = past.row(keys[-1], first, each, COLUMNS)
            return row is not None and all(stretch.changes > 1 for stretch in row[2:-2])

        picture = wait_for(past, drawn)
        assert all(past.row(key, first, each, COLUMNS) for key in keys)
        middle = (first + last) // 2
        near = 50_000.0
        past.row(keys[0], middle, near / 10, COLUMNS)
        exact = wait_for(past, lambda: past._window == past._wanted and past._columns_done == COLUMNS)
        past.close()
        grown = memory_mb() - before
        began = time.perf_counter()
        with StateReader(path) as reader:
            for _ in reader.blocks():
                pass
        baseline = time.perf_counter() - began
        print(f"{records} records, {path.stat().st_size / 1e6:.0f} MB, 256 channels, {COLUMNS} columns")
        print(f"first picture: {picture:.3f} s; an exact window in the middle: {exact:.3f} s; memory + {grown:.0f} MB")
        print(f"baseline, reading it all: {baseline:.2f} s; the first picture takes {picture / baseline:.3f} of that")
        good = picture < 1.0
        print("reached" if good else "NOT reached: first picture under 1 s")
        return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if sys.argv[1:] else 10_000_000))

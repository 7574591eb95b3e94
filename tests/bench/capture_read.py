"""Reading a capture, checked and typed, beside a fixed baseline over the same lines in memory.

Baseline: the records' lines split off, the CRC of each machine line worked out and compared, and a five-field tuple
made of each (stamp, source, kind, body, check right). Reach: ≥ 0.8 of it, from disk, with everything else a reader does
(sync lines held against the bytes, grammar of each line, stamps that never decrease, batches).

    python tests/bench/capture_read.py [RECORDS]
"""

from __future__ import annotations

import sys
import tempfile
import time
from binascii import crc_hqx
from pathlib import Path

from made import make

from benchcon.state_reader import StateReader


def baseline(text: bytes) -> float:
    began = time.perf_counter()
    out = []
    for line in text.split(b"\n"):
        if line:
            stamp, source, kind, body = line.split(b" ", 3)
            right = crc_hqx(body[:-5], 0xFFFF) == int(body[-4:], 16)
            out.append((int(stamp), int(source), kind, body, right))
    took = time.perf_counter() - began
    assert all(record[4] for record in out)
    return took


def reading(path: Path) -> float:
    began = time.perf_counter()
    with StateReader(path) as reader:
        for _ in reader.blocks():
            pass
        assert not reader.problem_counts
    return time.perf_counter() - began


def main() -> None:
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 400_000
    with tempfile.TemporaryDirectory() as folder:
        for each in (1, 5, 30):
            path = Path(folder) / f"{each}.capture"
            make(path, records, each=each, every_us=50)
            text = b"".join(line for line in path.read_bytes().splitlines(keepends=True) if b" < " in line[:40])
            base = min(baseline(text) for _ in range(3))
            read = min(reading(path) for _ in range(3))
            print(
                f"{each:3} lines a read: baseline {records / base:9,.0f}/s, reader {records / read:9,.0f}/s,"
                f" ratio {base / read:.2f}  (reach 0.8)"
            )


if __name__ == "__main__":
    main()

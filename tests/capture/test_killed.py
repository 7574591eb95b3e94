"""SIGKILL in mid-recording: every file opens, and at most the last second is missing."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from capture.made import flat

from benchcon.capture import Reader
from benchcon.wire.records import LINE_UP


def kill_and_read(path: Path, moment_s: float) -> float:
    """Kill a recording so long after its first record, check the file; return how many seconds its end lacks."""
    script = Path(__file__).with_name("killed.py")
    process = subprocess.Popen([sys.executable, str(script), str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    told = [process.stdout.readline()]
    time.sleep(moment_s)
    process.kill()
    killed = time.monotonic()
    told += process.stdout.readlines()
    process.wait()
    handed = [(int(line.split()[0]), float(line.split()[1])) for line in told if line.endswith("\n") and line.strip()]
    with Reader(path) as reader:
        numbers = [
            int(record[3].split(b"n=")[1].split(b" ")[0], 16) for record in flat(list(reader)) if record[2] == LINE_UP
        ]
        # A torn last line is named and left out; nothing else may be wrong.
        assert set(reader.problem_counts) <= {"torn"}
        assert reader.problem_counts.get("torn", 0) <= 1
    assert numbers == list(range(len(numbers))), "nothing before the end is damaged"
    missing_since = [moment for count, moment in handed if count > len(numbers)]
    return killed - missing_since[0] if missing_since else 0.0


def runs(tmp_path: Path, count: int) -> None:
    seed = random.randrange(1 << 30)
    print(f"seed {seed}")
    chance = random.Random(seed)
    for number in range(count):
        # Half a second more than the second that is promised: a loaded machine may hold up the writing process itself.
        assert kill_and_read(tmp_path / f"{number}.capture", chance.uniform(0.0, 0.35 if count < 100 else 1.2)) < 1.5


@pytest.mark.slow
def test_kill_at_random_moments(tmp_path: Path) -> None:
    runs(tmp_path, 10)


@pytest.mark.slow
def test_kill_at_two_hundred_random_moments(tmp_path: Path) -> None:
    runs(tmp_path, 200)

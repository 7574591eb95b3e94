"""How long ``benchcon --help`` takes, beside ``python -c pass`` in the same run. Reach: at most 6 times as long.

Run: ``python tests/bench/help_time.py``
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 25


def _timed(*command: str) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    nothing, helping = [], []
    for _ in range(ROUNDS):  # turn and turn about, so that a busy moment meets both
        nothing.append(_timed(sys.executable, "-c", "pass"))
        helping.append(_timed(sys.executable, "-m", "benchcon", "--help"))
    a, b = statistics.median(nothing), statistics.median(helping)
    print(f"python -c pass    {a * 1000:6.1f} ms (median of {ROUNDS})")
    print(f"benchcon --help   {b * 1000:6.1f} ms")
    print(f"ratio {b / a:.1f} (reach: ≤ 6)")
    loaded = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "benchcon", "--help"], capture_output=True, text=True, check=True
    ).stderr
    print("imports Textual or pint:", any(f" {name}\n" in loaded for name in ("textual", "pint")))


if __name__ == "__main__":
    main()

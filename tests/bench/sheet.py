"""How long ``benchcon sheet`` takes for a panel of 64 parts, beside ``python -c pass``. Reach: at most 2 s.

Run: ``python tests/bench/sheet.py``
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 5


def _timed(*command: str) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    rows = ['[panel]\ntitle = "Sixty-four"\nwidth = "480 mm"\nheight = "320 mm"\n[boards.b]\n']
    for n in range(64):
        kind = ("button", "switch", "encoder", "pot")[n % 4]
        at = f'["{30 + 56 * (n % 8)} mm", "{30 + 36 * (n // 8)} mm"]'
        rows.append(f'[controls.c{n}]\nlabel = "Control number {n}"\nkind = "{kind}"\nat = {at}\nchannel = "c{n}"\n')
    with tempfile.TemporaryDirectory() as folder:
        panel = Path(folder) / "panel.toml"
        panel.write_text("".join(rows))
        nothing = statistics.median(_timed(sys.executable, "-c", "pass") for _ in range(ROUNDS))
        print(f"python -c pass   {nothing * 1000:6.0f} ms (median of {ROUNDS})")
        for form in ("svg", "pdf", "dxf"):
            words = (sys.executable, "-m", "benchcon", "sheet", str(panel), "--force", "-o", f"{folder}/sheet.{form}")
            took = statistics.median(_timed(*words) for _ in range(ROUNDS))
            print(f"sheet .{form}       {took * 1000:6.0f} ms, {took / nothing:.1f} times as long (reach: ≤ 2000 ms)")


if __name__ == "__main__":
    main()

"""Keys at the console while one board sends without end, beside the same with a hundred lines a second.

A board in a process of its own floods ``is`` notifications into a pseudo-terminal; the console runs in a real terminal.
From the key F9 until the board is dark, until the head says so, and from F1 until help stands there. Reach: below 0.5 s
each, whatever the flood.

    PYTHONPATH=tests python tests/bench/console_flood.py
"""

from __future__ import annotations

import sys
import tempfile
import time

from console.in_terminal import Terminal
from link.boards import Flooder


def measure(rate: float, folder: str) -> tuple[float, float, float, float]:
    """Lines a second, and the three times in milliseconds."""
    board = Flooder(rate)
    env = {"BENCHCON_HOME": folder, "BENCHCON_LOCKS": folder}
    with Terminal("-m", "benchcon", "console", board.port, env=env, columns=140, rows=45) as terminal:
        terminal.see("● flood")
        sent, begun = board.say("sent"), time.monotonic()
        terminal.until(lambda: time.monotonic() - begun > 4, "some seconds of it")
        lines = (board.say("sent") - sent) / (time.monotonic() - begun)
        pressed_ns = time.monotonic_ns()
        terminal.press("F9")
        terminal.see("◐ DARK")
        seen_ms = (time.monotonic_ns() - pressed_ns) / 1e6
        dark_ms = (board.say("dark") - pressed_ns) / 1e6
        pressed_ns = time.monotonic_ns()
        terminal.press("F1")
        terminal.see("Everywhere")
        help_ms = (time.monotonic_ns() - pressed_ns) / 1e6
    board.close()
    return lines, dark_ms, seen_ms, help_ms


def main() -> None:
    rates = [float(word) for word in sys.argv[1:]] or [100.0, 1e9]
    with tempfile.TemporaryDirectory() as folder:
        for rate in rates:
            lines, dark, seen, helped = measure(rate, folder)
            print(f"{lines:>9,.0f} lines/s: board dark {dark:4.0f} ms, said {seen:4.0f} ms, help {helped:5.0f} ms")


if __name__ == "__main__":
    main()

"""Recording beside the busy console: 20 000 records a second from four boards, every key press repainting the screen.

The same real parts as in `console_load.py`: four pseudo-terminals fed by a process of its own, the whole console in
another, in a terminal of 140 columns and 45 rows that this script reads while it presses a key each 100 to 200 ms. Held
against each other are the lines that were sent and the lines that stand in the capture, number by number.

The flood comes a millisecond at a time. What it cost is printed beside the same console at a tenth of the flood.

Reach: 0 lost.

    python tests/bench/console_recording.py [SECONDS] [RECORDS_A_SECOND]
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import select
import statistics
import sys
import tempfile
import time
from pathlib import Path

from console_load import BOARDS, BRASS, CHANNELS, Boards, Terminal, kind_of, open_boards, p95, panel_text

CONTACTS = [number for number in range(CHANNELS) if kind_of(number) == "contact"]


def boards() -> None:
    """Four boards; ``go RATE SECONDS`` on standard input floods notifications of contacts that change in turn."""
    began = time.monotonic()

    def now() -> int:
        return int((time.monotonic() - began) * 1e6)

    sides, ends = open_boards(now)
    waiting = [bytearray() for _ in ends]
    rate = until = due = 0.0
    sent = [0] * BOARDS
    while True:
        ready = select.select([0, *ends], [], [], 0.001)[0]
        at = time.monotonic()
        if 0 in ready:
            words = os.read(0, 100).split()
            if not words:
                return
            rate, until, due = float(words[1]) / BOARDS, at + float(words[2]), at
        lines = int((min(at, until) - due) * rate) if rate else 0
        due += lines / rate if rate else 0.0
        for board, (side, end, out) in enumerate(zip(sides, ends, waiting, strict=True)):
            if end in ready:
                side.feed(os.read(end, 4096), now())
            side.tick(now())
            out += side.take()
            for _ in range(lines):
                turn = sent[board]
                side.change({f"c{CONTACTS[turn % len(CONTACTS)]}": 1 - turn // len(CONTACTS) % 2}, now())
                out += side.take()
                sent[board] += 1
            with contextlib.suppress(BlockingIOError):
                while out:
                    del out[: os.write(end, out)]
        if rate and at > until and not any(waiting):
            print(json.dumps({"sent": sum(sent), "dropped": sum(side.dropped for side in sides)}), flush=True)
            rate, sent = 0.0, [0] * BOARDS


class Figures:
    """What one run gave."""

    def __init__(self) -> None:
        self.times: list[float] = []
        self.used = 0.0
        self.sent = self.dropped = self.kept = self.seen = 0

    def __str__(self) -> str:
        return (
            f"{self.sent:,} sent, {self.kept:,} in the capture, {self.seen:,} on the screen's side; "
            f"{self.used:.2f} of a core; "
            f"key → repaint p50 {1000 * statistics.median(self.times):.0f} ms, p95 {p95(self.times):.0f} ms"
        )


def run(seconds: float, rate: float, folder: Path) -> Figures:
    """Flood a console that records, pressing keys all the while."""
    from benchcon.state_reader import StateReader

    figures, found = Figures(), folder / "figures.json"
    panel, capture = folder / "load.toml", folder / f"{rate:.0f}.capture"
    panel.write_text(panel_text())
    boards = Boards(__file__)
    shown = Terminal("--console", str(panel), str(found), str(capture), *boards.ports)
    shown.until(b"P0.00")
    shown.rest(5.0)  # the boards have told what they have
    pick = random.Random(1)
    boards.go(rate, seconds)
    used, began, part = shown.processor_s(), time.monotonic(), 0
    while time.monotonic() - began < seconds - 1:
        shown.rest(0.1 + 0.1 * pick.random())
        part = (part + 1) % (BOARDS * CHANNELS)
        at = shown.press(b"\t")
        figures.times.append(shown.until(BRASS + b"P%d.%02d" % divmod(part, CHANNELS)) - at)
    figures.used = (shown.processor_s() - used) / (time.monotonic() - began)
    while not select.select([boards.said], [], [], 0)[0]:
        shown.rest(0.2)  # the terminal is read all the time, or the console would wait for it
    counted = json.loads(boards.said.readline())
    figures.sent, figures.dropped = counted["sent"], counted["dropped"]
    shown.rest(2.0)
    shown.leave(b"q")
    boards.close()
    figures.seen = json.loads(found.read_text())["moved"]
    with StateReader(capture) as reader:
        figures.kept = sum(b" is c" in body for batch in reader if batch.kind == "<" for body in batch.bodies)
        assert not reader.problem_counts, reader.problems[:3]
    return figures


def main(seconds: float = 60.0, rate: float = 20_000.0) -> int:
    """Measure, print, and return 0 if the reach was met."""
    with tempfile.TemporaryDirectory() as folder:
        base = run(min(seconds, 15.0), rate / 10, Path(folder))
        flood = run(seconds, rate, Path(folder))
    print(f"{rate / 10:,.0f} records a second: {base}")
    print(f"{rate:,.0f} records a second for {seconds:g} s: {flood}")
    print(f"key → repaint beside a tenth of it: {p95(flood.times) / p95(base.times):.1f} ×")
    lost = flood.sent - flood.kept
    print(f"{lost} lost of {flood.sent:,}, {flood.dropped} dropped by the boards themselves (reach 0)")
    return 0 if lost == 0 and flood.dropped == 0 else 1


if __name__ == "__main__":
    if sys.argv[1:] == ["--boards"]:
        boards()
    else:
        sys.exit(main(*map(float, sys.argv[1:])))

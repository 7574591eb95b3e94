"""The console under load: four boards of 64 channels, 2 000 changes a second, every part on the face.

Real pseudo-terminals, real processes: four board sides in one process, the console in another with a terminal of 140
columns and 45 rows that this script reads. Measured are the processor time of the whole console process (link, state,
screen), the time from a key press until the screen has been repainted with what it does, and whether all notifications
arrived. Beside it, in the same run, an empty Textual application doing the same key and repaint.

Reach: no notification lost, p95 ≤ 50 ms, at most half a core.

    python tests/bench/console_load.py [SECONDS] [CHANGES_A_SECOND]
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import random
import select
import signal
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import time
import tty
from collections.abc import Callable
from fcntl import ioctl
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchcon.wire.board import BoardSide

COLUMNS, ROWS = 140, 45
BOARDS, CHANNELS = 4, 64
BRASS = b"48;2;217;171;94m"
"""How a selected label begins in the terminal's stream."""


def kind_of(number: int) -> str:
    """What channel `number` of each board is."""
    return "pot" if number % 8 == 6 else "encoder" if number % 8 == 7 else "contact"


def panel_text() -> str:
    """A panel file with all parts, each board a plate of eight by eight."""
    lines = ['[panel]\ntitle = "Load"\nwidth = "400 mm"\nheight = "800 mm"\n']
    for board in range(BOARDS):
        lines.append(f'[boards.b{board}]\nlabel = "Board {board}"\n')
    for board in range(BOARDS):
        for number in range(CHANNELS):
            kind = {"contact": "switch"}.get(kind_of(number), kind_of(number))
            x, y = 25 + 45 * (number % 8), 15 + 200 * board + 24 * (number // 8)
            lines.append(
                f'[controls.p{board}_{number}]\nlabel = "P{board}.{number:02}"\nkind = "{kind}"\n'
                f'at = ["{x} mm", "{y} mm"]\nchannel = "b{board}.c{number}"\n'
            )
    return "\n".join(lines)


# --- the boards, in a process of their own --------------------------------------------------------------------------


def open_boards(now_us: Callable[[], int]) -> tuple[list[BoardSide], list[int]]:
    """Four boards, each on a pseudo-terminal whose name is printed, and the ends to feed them by."""
    from benchcon.wire.board import BoardSide
    from benchcon.wire.items import items

    sides, ends = [], []
    for board in range(BOARDS):
        described = [("board", "", {"ident": f"b{board}", "name": f"b{board}"})]
        for number in range(CHANNELS):
            detail = {"top": "03FF"} if kind_of(number) == "pot" else {}
            described.append((kind_of(number), f"c{number}", detail))
        sides.append(BoardSide(f"b{board}", f"b{board}", items(*described), buffer=255, now_us=now_us()))
        end, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(end, False)
        ends.append(end)
        print(os.ttyname(slave), flush=True)
    return sides, ends


def boards() -> None:
    """Four boards on pseudo-terminals; a line ``go RATE SECONDS`` on standard input has them tell changes."""
    began = time.monotonic()

    def now() -> int:
        return int((time.monotonic() - began) * 1e6)

    sides, ends = open_boards(now)
    rate, until, sent, due = 0.0, 0.0, 0, 0.0
    waiting = [b""] * BOARDS
    values = [[0] * CHANNELS for _ in range(BOARDS)]
    picks = random.Random(7)
    while True:
        ready = select.select([0, *ends], [], [], 0.002)[0]
        if 0 in ready:
            words = os.read(0, 100).split()
            if not words:
                return
            rate, until, sent = float(words[1]), time.monotonic() + float(words[2]), 0
            due = time.monotonic()
        at = time.monotonic()
        while rate and due < at:
            board, number = picks.randrange(BOARDS), picks.randrange(CHANNELS)
            most = {"pot": 1023, "encoder": 65535}.get(kind_of(number), 1)
            values[board][number] = (values[board][number] + 1) & most
            sides[board].change({f"c{number}": values[board][number]}, now())
            # At once: when this process was held up, what does not fit a board's ring would be dropped by the board.
            waiting[board] += sides[board].take()
            sent += 1
            due += 1 / rate
        if rate and at > until:
            rate = 0.0
            print(f"sent {sent} {sum(side.dropped for side in sides)}", flush=True)
        for index, (side, end) in enumerate(zip(sides, ends, strict=True)):
            if end in ready:
                side.feed(os.read(end, 4096), now())
            side.tick(now())
            waiting[index] += side.take()
            if waiting[index]:
                with contextlib.suppress(BlockingIOError):
                    waiting[index] = waiting[index][os.write(end, waiting[index]) :]


# --- the console, in another ----------------------------------------------------------------------------------------


def console(panel_path: str, figures_path: str, recording: str, *ports: str) -> None:
    """The console on `ports`, recording into a file if one is named; writes down what reached it when it is left."""
    from benchcon.console.app import ConsoleApp
    from benchcon.link import Bench
    from benchcon.panel.file import load
    from benchcon.session import LiveSession
    from benchcon.wire.events import Gap, Moved

    panel = load(panel_path)
    bench = Bench(ports, panel=panel, keep=False)
    session = LiveSession(bench, panel)
    app = ConsoleApp(session)
    moved = missing = 0

    def count(events: list) -> None:  # type: ignore[type-arg]
        nonlocal moved, missing
        for event in events:
            if type(event) is Moved:
                moved += len(event.values)
            elif type(event) is Gap:
                missing += event.missing

    app.model.feed.listeners.append(count)
    bench.start()
    if recording:
        session.start_recording(recording)
    app.run()
    app.model.look()
    feed = app.model.feed
    figures = {"moved": moved, "missing": missing, "taken": feed.events_taken, "seen": feed.events_seen}
    Path(figures_path).write_text(json.dumps(figures))
    session.close()


def empty() -> None:
    """The baseline: an application that does nothing but repaint a line at a key."""
    from textual.app import App, ComposeResult
    from textual.widgets import Static

    class Empty(App[None]):
        count = 0

        def compose(self) -> ComposeResult:
            yield Static("pressed 0")

        def on_key(self) -> None:
            self.count += 1
            self.query_one(Static).update(f"pressed {self.count} times")

    Empty().run()


# --- watching them --------------------------------------------------------------------------------------------------


class Terminal:
    """A program in a pseudo-terminal that is read all the time."""

    def __init__(self, *words: str) -> None:
        self.end, slave = pty.openpty()
        ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        env = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
        env.pop("NO_COLOR", None)
        self.process = subprocess.Popen(
            [sys.executable, __file__, *words], stdin=slave, stdout=slave, stderr=slave, env=env, start_new_session=True
        )
        os.close(slave)
        self.got = b""
        self.bytes = 0

    def until(self, text: bytes, timeout_s: float = 30.0) -> float:
        """Read until `text` has come; return when that was. What came before is forgotten."""
        end = time.monotonic() + timeout_s
        while text not in self.got:
            if time.monotonic() > end:
                raise SystemExit(f"waited in vain for {text!r}; last: {self.got[-300:]!r}")
            self.read(0.05)
        self.got = self.got[self.got.index(text) + len(text) :]
        return time.monotonic()

    def read(self, wait_s: float) -> None:
        """Read what there is."""
        if select.select([self.end], [], [], wait_s)[0]:
            data = os.read(self.end, 1 << 16)
            self.bytes += len(data)
            self.got = (self.got + data)[-1 << 17 :]

    def rest(self, seconds: float) -> None:
        """Go on reading for a while."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.read(left)

    def press(self, key: bytes) -> float:
        """Press a key; return when."""
        at = time.monotonic()
        os.write(self.end, key)
        return at

    def processor_s(self) -> float:
        """Processor time the program has taken, all threads."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def leave(self, key: bytes) -> None:
        """Press the key that ends the program, and wait until it has ended."""
        os.write(self.end, key)
        end = time.monotonic() + 20
        while self.process.poll() is None and time.monotonic() < end:
            try:
                self.read(0.05)
            except OSError:
                break
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        self.process.wait(5)


class Boards:
    """The board sides, in a process of their own: `script` called with ``--boards``."""

    def __init__(self, script: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, script, "--boards"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.words, self.said = self.process.stdin, self.process.stdout
        self.ports = [self.said.readline().strip() for _ in range(BOARDS)]

    def go(self, rate: float, seconds: float) -> None:
        """Make `rate` changes a second from now on; how many there were is in `said` when they have ended."""
        self.words.write(f"go {rate} {seconds}\n")
        self.words.flush()

    def close(self) -> None:
        self.words.close()
        self.process.wait(5)


def p95(times: list[float]) -> float:
    """The 95th percentile, in ms."""
    return 1000 * statistics.quantiles(times, n=20)[-1]


def main(seconds: float, rate: float) -> int:
    """Measure, print, and return 0 if the reach was met."""
    pick = random.Random(1)
    baseline = Terminal("--empty")
    baseline.until(b"pressed 0")
    times = []
    for number in range(1, 61):
        baseline.rest(0.05 + 0.05 * pick.random())
        at = baseline.press(b"x")
        times.append(baseline.until(b"pressed %d " % number) - at)
    baseline.leave(b"\x11")
    print(f"empty application: key → repaint p50 {1000 * statistics.median(times):.1f} ms, p95 {p95(times):.1f} ms")
    base = p95(times)

    with tempfile.TemporaryDirectory() as folder:
        panel, figures = Path(folder, "load.toml"), Path(folder, "figures.json")
        panel.write_text(panel_text())
        boards = Boards(__file__)
        shown = Terminal("--console", str(panel), str(figures), "", *boards.ports)
        shown.until(b"P0.00")
        shown.rest(5.0)  # the boards have told what they have
        idle = shown.processor_s()
        shown.rest(3.0)
        idle = (shown.processor_s() - idle) / 3.0
        boards.go(rate, seconds)
        shown.rest(1.0)
        used, began, sent_bytes = shown.processor_s(), time.monotonic(), shown.bytes
        times = []
        at_part = 0
        while time.monotonic() - began < seconds - 3:
            shown.rest(0.1 + 0.1 * pick.random())
            at_part = (at_part + 1) % (BOARDS * CHANNELS)
            label = b"P%d.%02d" % divmod(at_part, CHANNELS)
            at = shown.press(b"\t")
            times.append(shown.until(BRASS + label) - at)
        used = (shown.processor_s() - used) / (time.monotonic() - began)
        flow = (shown.bytes - sent_bytes) / (time.monotonic() - began)
        sent, dropped = map(int, boards.said.readline().split()[1:])
        shown.rest(2.0)
        shown.leave(b"q")
        boards.close()
        found = json.loads(figures.read_text())
    lost = sent - found["moved"]
    print(
        f"console, {BOARDS} × {CHANNELS} channels, {rate:.0f} changes a second, {len(times)} keys: "
        f"key → repaint p50 {1000 * statistics.median(times):.1f} ms, p95 {p95(times):.1f} ms "
        f"(empty application {base:.1f} ms, ratio {p95(times) / base:.2f})"
    )
    print(f"processor: {used:.2f} of a core (idle {idle:.2f}); to the terminal {flow / 1000:.0f} kB/s")
    print(
        f"notifications: {sent} changes sent, {found['moved']} reached the screen's side, {lost} lost "
        f"({dropped} dropped by the boards themselves); {found}"
    )
    good = lost == 0 and found["missing"] == 0 and p95(times) <= 50 and used <= 0.5
    print("reached" if good else "NOT reached: no notification lost, p95 ≤ 50 ms, at most 0.50 of a core")
    return 0 if good else 1


if __name__ == "__main__":
    modes = {"--boards": boards, "--console": console, "--empty": empty}
    if sys.argv[1:2] and sys.argv[1] in modes:
        modes[sys.argv[1]](*sys.argv[2:])
    else:
        given = [float(word) for word in sys.argv[1:]]
        sys.exit(main(*(given + [20.0, 2000.0][len(given) :])))

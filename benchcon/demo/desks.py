"""The three desks: one process for each board of a panel, started together, ended together."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NamedTuple

from benchcon.errors import Trouble
from benchcon.wire.printable import printable

if TYPE_CHECKING:
    from benchcon.demo.power import Feed
    from benchcon.hand import Hand

START_S = 30.0
"""How long a board may take to start, on a machine that is busy with other things."""
END_S = 3.0


def panel_path() -> Path:
    """Return the demo's panel file."""
    return Path(__file__).with_name("ostrey.toml")


class Desk(NamedTuple):
    """One simulated board that is running."""

    name: str
    port: str
    """What a program opens as its serial port."""
    control: str
    """Where a `benchcon.hand.Hand` takes hold of it."""


class Demo:
    """Simulated boards that are running. Close it, or use it in a ``with``; they end with this process, too."""

    def __init__(self, folder: Path | None) -> None:
        self.boards: list[Desk] = []
        """In the order of the panel file."""
        self.hands: dict[str, Hand] = {}
        """A hand for each board, by its name."""
        self.feed: Feed | None = None
        """What the power desk does to the others; None if they are fed separately."""
        self._folder = folder
        self._processes: list[subprocess.Popen[bytes]] = []
        self._mourners: list[threading.Thread] = []

    def __enter__(self) -> Demo:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    @property
    def pids(self) -> list[int]:
        """Process numbers of the boards, in their order."""
        return [process.pid for process in self._processes]

    def ended(self) -> str:
        """Return the name of a board whose process has ended by itself, or nothing."""
        for desk, process in zip(self.boards, self._processes, strict=False):
            if process.poll() is not None:
                return desk.name
        return ""

    def close(self) -> None:
        """End all boards, within a few seconds; leaves no process and no file behind."""
        if self.feed is not None:
            self.feed.stop()
        for process in self._processes:
            # The end of its input is what ends a board.
            with contextlib.suppress(OSError):
                if process.stdin is not None:
                    process.stdin.close()
        for process in self._processes:
            _wait_for(process)
            if process.stdout is not None:
                process.stdout.close()
            if process.stderr is not None:
                process.stderr.close()
        for mourner in self._mourners:
            mourner.join(END_S)
        for hand in self.hands.values():
            hand.close()
        if self.feed is not None:
            self.feed.join()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)


def start(
    faults: Path | None = None,
    tcp: bool = False,
    *,
    panel: Path | None = None,
    boards: Sequence[str] = (),
    separate: bool = False,
    seed: int | None = None,
) -> Demo:
    """Start a simulated board for each of the panel's boards (or of `boards`), and wait until all are there.

    `faults` is a faults file; `tcp`: ports and control connections are TCP ports of this machine instead of
    pseudo-terminals and Unix sockets (always so where there are none). In the demo the power desk feeds the other two:
    mains is on to begin with. `separate` leaves that out.

    Raises `Trouble` for a file that is wrong and a board that does not start.
    """
    from benchcon.hand import Hand
    from benchcon.panel.file import load
    from benchcon.simboard import fault_file

    path = panel or panel_path()
    read = load(path, currents=False)
    if faults is not None:
        fault_file.load(faults, read)
    names = list(boards) or [board.name for board in read.boards]
    tcp = tcp or not hasattr(os, "openpty")
    demo = Demo(None if tcp else Path(tempfile.mkdtemp(prefix="benchcon-")))
    try:
        for name in names:
            words = ["--panel", str(path), "--board", name, "--follow"]
            words += ["--tcp"] if tcp else ["--folder", str(demo._folder)]
            words += ["--faults", str(faults)] if faults is not None else []
            words += ["--seed", str(seed)] if seed is not None else []
            demo._processes.append(_process(words))
        for name, process in zip(names, demo._processes, strict=True):
            desk = _first_line(name, process)
            demo.boards.append(desk)
            if demo._folder is not None:
                mourner = threading.Thread(
                    target=_clear_up, args=(process, desk, demo._folder), name="desk", daemon=True
                )
                mourner.start()
                demo._mourners.append(mourner)
            demo.hands[desk.name] = Hand(desk.control)
        if not separate:
            from benchcon.demo.power import feed

            demo.feed = feed(demo)
    except BaseException:
        demo.close()
        raise
    return demo


def _process(words: Sequence[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "benchcon.simboard", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        # Ctrl-C at the terminal is for the demo, which makes the bench dark before its boards go.
        start_new_session=os.name == "posix",
    )


def _clear_up(process: subprocess.Popen[bytes], desk: Desk, folder: Path) -> None:
    """Take away what leads to a board as soon as its process has ended, killed or not.

    One that was killed leaves a link to a pseudo-terminal whose number the system gives to the next program that asks
    for one, such as a shell. Links that lead nowhere go too: it may have been plugged in by another name.
    """
    process.wait()
    with contextlib.suppress(OSError):
        Path(desk.port).unlink(missing_ok=True)
        for each in folder.iterdir():
            if each.is_symlink() and not each.exists():
                each.unlink(missing_ok=True)


def _first_line(name: str, process: subprocess.Popen[bytes]) -> Desk:
    """Wait for what a board prints when it is ready."""
    lines: list[bytes] = []

    def read() -> None:
        with contextlib.suppress(OSError, ValueError):
            if process.stdout is not None:
                lines.append(process.stdout.readline())

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    reader.join(START_S)
    words = lines[0].decode("utf-8", "backslashreplace").split() if lines else []
    if len(words) == 3:
        return Desk(*words)
    if process.poll() is None and not lines:
        raise Trouble(f"simulated board '{name}' did not start within {START_S:g} s; is the machine busy? try again")
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(END_S)
    said = process.stderr.read(2000) if process.stderr is not None and process.poll() is not None else b""
    last = said.decode("utf-8", "backslashreplace").strip().rpartition("\n")[2]
    raise Trouble(
        f"simulated board '{name}' did not start: {printable(last.removeprefix('benchcon: ')) or 'no reason'}"
    )


def _wait_for(process: subprocess.Popen[bytes]) -> None:
    for harder in (process.terminate, process.kill, None):
        try:
            process.wait(END_S)
            return
        except subprocess.TimeoutExpired:
            if harder is not None:
                harder()

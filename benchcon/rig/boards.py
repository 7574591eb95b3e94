"""The boards of a panel file, simulated: a process for each, started and ended together.

Where the system can fork, one helper process reads the panel file and forks them all (`benchcon.rig.forked`).
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NamedTuple

from benchcon.errors import Trouble
from benchcon.gate import OURS
from benchcon.processes import own_module
from benchcon.rig.forked import CAN_FORK, ForkedBoard
from benchcon.rig.ports import FOLDER
from benchcon.text import printable

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.rig.hand import Hand
    from benchcon.rig.supply_switching import SupplySwitching

_BOARD = "benchcon.rig"

START_S = 30.0
"""How long a board may take to start, even on a busy machine."""
END_S = 3.0


class SimulatedBoard(NamedTuple):
    """A running simulated board."""

    name: str
    port: str
    """The port that a program opens."""
    control: str
    """The HAND word with which a `benchcon.rig.hand.Hand` works it."""


class SimulatedBoards:
    """Running simulated boards. Close it, or use it in a ``with`` statement; they end with this process, too."""

    def __init__(self, panel: Panel, names: Sequence[str], folder: Path | None, separate: bool = False) -> None:
        self.panel = panel
        """The panel of the file that the boards were started from."""
        self.boards: list[SimulatedBoard] = []
        """The boards in the order of the panel file."""
        self.hands: dict[str, Hand] = {}
        """Name of a board → its hand."""
        self.supply_switching: SupplySwitching | None = None
        """Switches the panel's supplies by its controls; None if every board is always supplied."""
        self._separate = separate
        self._by_channel = False
        """Whether the boards are firmware, whose hands know only channels."""
        self._names = list(names)
        self._folder = folder
        self._processes: list[subprocess.Popen[bytes] | ForkedBoard] = []
        self._starter: subprocess.Popen[bytes] | None = None
        """The parent of the boards' processes, if that is not this process; it ends with the last of them."""
        self._cleaners: list[threading.Thread] = []

    def __enter__(self) -> SimulatedBoards:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    @property
    def pids(self) -> list[int]:
        """Process ids of the boards, in their order."""
        return [process.pid for process in self._processes]

    def ended(self) -> str:
        """Return the name of a board whose process has ended by itself; empty if there is none."""
        for board, process in zip(self.boards, self._processes, strict=False):
            if process.poll() is not None:
                return board.name
        return ""

    def _fork(self, names: Sequence[str], words: Sequence[str]) -> None:
        boards: list[ForkedBoard] = []
        try:
            for name in names:
                board = ForkedBoard()
                boards.append(board)
                words = [*words, "--board", name, "--pipes", str(board.theirs)]
            theirs = [number for board in boards for number in board.theirs]
            self._starter = subprocess.Popen(
                [*own_module(_BOARD), *words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=theirs,
                start_new_session=True,
            )
        finally:
            for board in boards:
                board.theirs.close()
            self._processes += boards

    def wait(self, *, set_out: bool = True) -> None:
        """Wait until all boards have started; then call `set_out`, unless the caller does so later.

        Raises `Trouble` if a board does not start; the others are then ended.
        """
        from benchcon.rig.channel_hand import ChannelHand
        from benchcon.rig.hand import Hand

        try:
            for name, process in zip(self._names, self._processes, strict=True):
                board = _first_line(name, process)
                self.boards.append(board)
                if self._folder is not None:
                    cleaner = threading.Thread(
                        target=_clear_up, args=(process, board, self._folder), name="board-end", daemon=True
                    )
                    cleaner.start()
                    self._cleaners.append(cleaner)
                self.hands[board.name] = (
                    ChannelHand(board.control, self.panel, name) if self._by_channel else Hand(board.control)
                )
            if set_out:
                self.set_out()
        except BaseException:
            self.close()
            raise

    def set_out(self) -> None:
        """Move the controls to their first positions, and let them switch the panel's supplies. Raises `Trouble`."""
        if self._separate:
            return
        from benchcon.rig.supply_switching import SupplySwitching

        for control in self.panel.controls:
            hand = self.hands.get(control.channels[0].board) if control.channels else None
            if control.begins and hand is not None:
                hand.put(control.name, control.begins)
        if self.panel.supplies:
            self.supply_switching = SupplySwitching(self.panel, {board.name: board.control for board in self.boards})
            self.supply_switching.start()

    def close(self) -> None:
        """End all boards within a few seconds; no process and no file is left behind."""
        if self.supply_switching is not None:
            self.supply_switching.stop()
        for process in self._processes:
            # The end of its standard input ends a board.
            with contextlib.suppress(OSError):
                if process.stdin is not None:
                    process.stdin.close()
        for process in self._processes:
            _wait_for(process)
            if process.stdout is not None:
                process.stdout.close()
            if process.stderr is not None:
                process.stderr.close()
        if self._starter is not None:
            _wait_for(self._starter)
        for cleaner in self._cleaners:
            cleaner.join(END_S)
        for hand in self.hands.values():
            hand.close()
        if self.supply_switching is not None:
            self.supply_switching.join()
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)


def begin(
    panel: Path,
    *,
    faults: Path | None = None,
    tcp: bool = False,
    boards: Sequence[str] = (),
    seed: int | None = None,
    separate: bool = False,
    command: Callable[[str, Path | None], list[str]] | None = None,
) -> SimulatedBoards:
    """Start a simulated board for each of the panel file's boards (or of `boards`), without waiting for them.

    Do whatever else there is to do while they start; then call `SimulatedBoards.wait`.

    `faults`: a faults file. `tcp`: ports and hands are TCP ports of this machine instead of pseudo-terminals and Unix
    sockets (always so on systems without these). `seed`: of random numbers; None: that of the faults file. The panel's
    supplies are switched by its controls, which begin where the panel file says; with `separate`, every board is always
    supplied, and every control begins at its first position. `command`: returns the command to run instead of a
    simulated board, given the board's name and the folder for its port and hand; it must print NAME PORT HAND when it
    is ready, and end with its standard input. Firmware does not report the positions of its controls, so supplies are
    not switched then.

    Raises `Trouble` if a file is wrong or has no board to simulate.
    """
    from benchcon.panel.file import load

    read = load(panel, currents=False)
    if faults is not None:
        from benchcon.rig import faults_file

        faults_file.load(faults, read)
    names = list(boards) or [board.name for board in read.boards]
    if not names:
        raise Trouble(f"{printable(str(panel))} has no board to simulate; add a table such as [boards.desk]")
    tcp = tcp or not hasattr(os, "openpty")
    started = SimulatedBoards(
        read, names, None if tcp else Path(tempfile.mkdtemp(prefix=FOLDER)), separate or command is not None
    )
    started._by_channel = command is not None
    try:
        words = ["--panel", str(panel), "--follow"]
        words += ["--tcp"] if tcp else ["--folder", str(started._folder)]
        words += ["--faults", str(faults)] if faults is not None else []
        words += ["--seed", str(seed)] if seed is not None else []
        if command is not None:
            for name in names:
                started._processes.append(_process(command(name, started._folder)))
        elif CAN_FORK and len(names) > 1:
            started._fork(names, words)
        else:
            for name in names:
                started._processes.append(_process([*own_module(_BOARD), *words, "--board", name]))
    except BaseException:
        started.close()
        raise
    return started


def start(
    panel: Path,
    *,
    faults: Path | None = None,
    tcp: bool = False,
    boards: Sequence[str] = (),
    seed: int | None = None,
    separate: bool = False,
) -> SimulatedBoards:
    """Start boards as `begin` does, and wait until all have started.

    Raises `Trouble` also if a board does not start.
    """
    started = begin(panel, faults=faults, tcp=tcp, boards=boards, seed=seed, separate=separate)
    started.wait()
    return started


def _process(words: Sequence[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        words,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        # Ctrl-C in the terminal is meant for the console, which makes the bench dark before it ends the boards.
        start_new_session=os.name == "posix",
    )


def _clear_up(process: subprocess.Popen[bytes] | ForkedBoard, board: SimulatedBoard, folder: Path) -> None:
    """Remove a board's links and sockets as soon as its process has ended, whether it was killed or not.

    A killed board leaves a link to a pseudo-terminal whose number the system gives to the next program that asks for
    one, such as a shell. Links that lead nowhere are removed too: the board may have been plugged in under another
    name.
    """
    process.wait()
    with contextlib.suppress(OSError):
        Path(board.port).unlink(missing_ok=True)
        for each in folder.iterdir():
            if each.is_symlink() and not each.exists():
                each.unlink(missing_ok=True)


def _first_line(name: str, process: subprocess.Popen[bytes] | ForkedBoard) -> SimulatedBoard:
    """Wait for the line that a board prints when it is ready. Raises `Trouble` if it does not come in time."""
    lines: list[bytes] = []

    def read() -> None:
        with contextlib.suppress(OSError, ValueError):
            if isinstance(process, ForkedBoard):
                lines.append(process.first_line())
            elif process.stdout is not None:
                lines.append(process.stdout.readline())

    reader = threading.Thread(target=read, name="board-start", daemon=True)
    reader.start()
    reader.join(START_S)
    words = lines[0].decode("utf-8", "backslashreplace").split() if lines else []
    if len(words) == 3:
        return SimulatedBoard(name, *words[1:])
    if process.poll() is None and not lines:
        raise Trouble(f"simulated board '{name}' did not start within {START_S:g} s; is the machine busy? try again")
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(END_S)
    said = process.stderr.read(2000) if process.stderr is not None and process.poll() is not None else b""
    last = said.decode("utf-8", "backslashreplace").strip().rpartition("\n")[2]
    raise Trouble(f"simulated board '{name}' did not start: {printable(last.removeprefix(OURS)) or 'no reason given'}")


def _wait_for(process: subprocess.Popen[bytes] | ForkedBoard) -> None:
    for harder in (process.terminate, process.kill, None):
        try:
            process.wait(END_S)
            return
        except subprocess.TimeoutExpired:
            if harder is not None:
                harder()

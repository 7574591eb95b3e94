"""What a capture can be run against: a small registry of functions that start boards.

`state` needs no boards: the state is worked out again and compared with the recorded keyframes. Nor does `timing`,
which compares transport delays with the panel file's limits. Every other target is a function that starts boards of a
panel, and provides their ports and hands as a context.
"""

from __future__ import annotations

import contextlib
import importlib
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

from benchcon.errors import Trouble
from benchcon.panel.file import load
from benchcon.panel.model import Panel
from benchcon.replay.rerun import MovesParts
from benchcon.rig.boards import START_S
from benchcon.text import printable


class NotHere(Trouble):
    """This target is not available on this machine, for example because a compiler is missing."""


class RunningBoards(NamedTuple):
    """Running boards."""

    ports: Sequence[str]
    hands: Mapping[str, MovesParts]
    """Ident of a board → its hand."""
    controls: Mapping[str, str] = MappingProxyType({})
    """Ident of a board → its HAND word, for boards that are programs."""


class WantedBoards(NamedTuple):
    """Which boards are to be started."""

    panel: Path
    """The panel file."""
    boards: Sequence[str]
    """Idents of the boards in the capture."""
    faults: Path | None


Start = Callable[[WantedBoards], AbstractContextManager[RunningBoards]]

TARGETS: dict[str, str] = {
    # name: module and function, imported when it is asked for; `state` and `timing` are built in
    "state": "",
    "simulated": "benchcon.replay.targets:simulated",
    "native": "benchcon.firmware.targets:native",
    "emulated": "benchcon.firmware.targets:emulated",
    "timing": "",
}


def start_of(target: str) -> Start:
    """Return the function that starts the boards of `target`.

    Raises `Trouble` if there is no such target, and `NotHere` if it is not available on this machine.
    """
    module, _, name = TARGETS[target].partition(":")
    try:
        start: Start = getattr(importlib.import_module(module), name)
    except ImportError as error:
        raise NotHere(f"'{target}' boards are not available here: {error}") from error
    return start


def names_on(panel: Panel, wanted: WantedBoards) -> dict[str, str]:
    """Return ident → name on the panel of the wanted boards. Raises `Trouble` if none of them is on it."""
    names = {board.own_ident: board.name for board in panel.boards}
    found = {ident: names[ident] for ident in wanted.boards if ident in names}
    if not found:
        boards = printable(", ".join(wanted.boards))
        raise Trouble(f"none of the capture's boards ({boards}) is on the panel in {printable(str(wanted.panel))}")
    return found


@contextlib.contextmanager
def simulated(wanted: WantedBoards) -> Iterator[RunningBoards]:
    """Start simulated boards, each a process of its own (`benchcon.rig`)."""
    from benchcon.rig.boards import start

    panel = load(wanted.panel, currents=False)
    boards = list(names_on(panel, wanted).values())
    with start(wanted.panel, faults=wanted.faults, boards=boards) as simulated:
        idents = {board.name: board.own_ident for board in panel.boards}
        yield RunningBoards(
            [board.port for board in simulated.boards], {idents[name]: hand for name, hand in simulated.hands.items()}
        )


@contextlib.contextmanager
def processes(commands: Mapping[str, Sequence[str]]) -> Iterator[RunningBoards]:
    """Start boards that are programs: `commands` is ident → command, which prints ``NAME PORT HAND`` and runs until
    SIGTERM.

    For targets that build something and run it, such as firmware for this computer or an emulated chip. Raises
    `Trouble` if a command cannot be started or does not print that line in time.
    """
    from benchcon.rig.hand import Hand

    with contextlib.ExitStack() as stack:
        started = []
        for ident, command in commands.items():
            try:
                process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
            except OSError as error:
                raise Trouble(f"{command[0]} cannot be started: {error.strerror}") from error
            stack.callback(_end, process)
            started.append((ident, process))
        ports: list[str] = []
        controls: dict[str, str] = {}
        hands: dict[str, MovesParts] = {}
        for ident, process in started:
            words = _first_line(process).split()
            if len(words) != 3:
                raise Trouble(f"the program for the board {ident} ended, or did not report a port within {START_S:g} s")
            ports.append(words[1])
            controls[ident] = words[2]
            hands[ident] = stack.enter_context(Hand(words[2]))
        yield RunningBoards(ports, hands, controls)


def _first_line(process: subprocess.Popen[str]) -> str:
    """Return the first line of a program's output; empty if it does not come in time."""
    assert process.stdout is not None
    late = threading.Timer(START_S, process.kill)
    late.start()
    try:
        return process.stdout.readline()
    finally:
        late.cancel()


def _end(process: subprocess.Popen[str]) -> None:
    process.terminate()
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


@contextlib.contextmanager
def panel_file(text: str, given: Path | None) -> Iterator[Path]:
    """Provide the panel file to use: the one that was named, or else a file with the text that the capture carries."""
    if given is not None:
        yield given
        return
    if not text:
        raise Trouble('the capture carries no panel file; name one in the TOML file beside it (panel = "desk.toml")')
    with tempfile.TemporaryDirectory(prefix="benchcon-") as folder:
        path = Path(folder) / "panel.toml"
        path.write_text(text, encoding="utf-8", errors="surrogateescape")
        yield path


@contextlib.contextmanager
def named_as(file: Path, given: Path | None) -> Iterator[None]:
    """Let a `Trouble` about a `file` from `panel_file` say where the panel is: in the capture, if not `given`."""
    try:
        yield
    except Trouble as trouble:
        if given is not None or str(file) not in str(trouble):
            raise
        text = str(trouble).replace(f"{file}:", "the panel in it, line ").replace(str(file), "it")
        hint = 'name a corrected panel file with --panel, or in the TOML file beside it (panel = "desk.toml")'
        # Subclasses (a panel that cannot be built) cannot be made from one text.
        raise Trouble(f"{text}; {hint}") from trouble

"""Firmware as something a capture can be run against: built from the capture's own panel, for this computer or for the
emulated chip. See `benchcon.replay.targets`.
"""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from benchcon.errors import Trouble
from benchcon.firmware import folder, tools
from benchcon.firmware.plan import Plan, plan
from benchcon.panel.file import load
from benchcon.panel.model import Control, Panel
from benchcon.protocol_files import protocols_dir
from benchcon.replay.rerun import MovesParts
from benchcon.replay.targets import Boards, NotHere, Wanted, processes
from benchcon.text import printable

BUILD_S = 300.0
_SIMAVR = Path("/usr/include/simavr/sim_avr.h")


@contextlib.contextmanager
def native(wanted: Wanted) -> Iterator[Boards]:
    """The firmware built for this computer, one program for each board of the capture.

    Raises `NotHere` without a C compiler, `Trouble` if the panel cannot be built.
    """
    with tempfile.TemporaryDirectory(prefix="benchcon-") as room:
        commands = {}
        for ident, made in _plans(wanted):
            build = Path(room) / ident
            folder.write(build, folder.files(made))
            _make(["make", "-C", str(build), "native"], ("make", "cc"))
            commands[ident] = [str(build / "build" / "benchboard-native")]
        with _running(wanted, commands) as boards:
            yield boards


@contextlib.contextmanager
def emulated(wanted: Wanted) -> Iterator[Boards]:
    """The firmware's real binary on an emulated chip, one for each board of the capture.

    Raises `NotHere` without the AVR tool chain or libsimavr, `Trouble` if the panel cannot be built.
    """
    if lacking := tools.missing(tools.COMPILERS):
        raise NotHere(lacking)
    if not _SIMAVR.exists():
        raise NotHere("libsimavr is not there; on Debian: apt-get install libsimavr-dev libelf-dev")
    with tempfile.TemporaryDirectory(prefix="benchcon-") as room:
        emulator = Path(room) / "emulator"
        source = protocols_dir() / "firmware" / "emulator"
        _make(["make", "-C", str(source), f"BUILD={emulator}"], ("make", "cc"))
        commands = {}
        for ident, made in _plans(wanted):
            build = Path(room) / ident
            folder.write(build, folder.files(made))
            tools.build(build)
            (elf,) = (build / "build").glob("*.elf")
            commands[ident] = [
                str(emulator / "emulator"),
                *("--elf", str(elf), "--chip", made.chip.name, "--wiring", str(build / "emulator.wiring")),
            ]
        with _running(wanted, commands) as boards:
            yield boards


class _ByChannels:
    """A hand that is told of parts, on a board that knows its channels only."""

    def __init__(self, hand: MovesParts, panel: Panel, board: str) -> None:
        self._hand = hand
        self._controls = {
            control.name: control for control in panel.controls if any(one.board == board for one in control.channels)
        }

    def press(self, part: str) -> None:
        """Press a button, or a switch of two positions to its second."""
        self._to_position(part, 1)

    def release(self, part: str) -> None:
        """Release a button, or a switch of two positions to its first."""
        self._to_position(part, 0)

    def put(self, part: str, position: int) -> None:
        """A switch to a position, a potentiometer to where it reads `position` counts."""
        control = self._control(part)
        if control.kind == "pot":
            self._hand.put(control.channels[0].id, position)
        else:
            self._to_position(part, position)

    def turn(self, part: str, detents: int) -> None:
        """An encoder by so many detents."""
        self._hand.turn(self._control(part).channels[0].id, detents)

    def _control(self, part: str) -> Control:
        control = self._controls.get(part)
        if control is None:
            raise Trouble(f"there is no part '{printable(part)}' on this board")
        return control

    def _to_position(self, part: str, position: int) -> None:
        control = self._control(part)
        if not 0 <= position < len(control.codes):
            raise Trouble(f"'{printable(part)}' has no position {position}")
        code = list(zip(control.channels, control.codes[position], strict=True))
        # A switch breaks before it makes.
        for channel, made in sorted(code, key=lambda each: each[1]):
            (self._hand.press if made else self._hand.release)(channel.id)


@contextlib.contextmanager
def _running(wanted: Wanted, commands: Mapping[str, Sequence[str]]) -> Iterator[Boards]:
    panel = load(wanted.panel, currents=False)
    named = {board.ident or board.name: board.name for board in panel.boards}
    with processes(commands) as boards:
        yield Boards(
            boards.ports, {ident: _ByChannels(hand, panel, named[ident]) for ident, hand in boards.hands.items()}
        )


def _plans(wanted: Wanted) -> list[tuple[str, Plan]]:
    if wanted.faults is not None:
        raise Trouble("faults are for simulated boards; firmware is run without")
    panel = load(wanted.panel, currents=False)
    named = {board.ident or board.name: board.name for board in panel.boards}
    found = [(ident, plan(panel, named[ident], currents=False)[0]) for ident in wanted.boards if ident in named]
    if not found:
        raise Trouble(f"none of the capture's boards is on the panel in {printable(str(wanted.panel))}")
    return found


def _make(command: Sequence[str], needed: Sequence[str]) -> None:
    if lacking := tools.missing(needed):
        raise NotHere(lacking)
    done = subprocess.run(command, capture_output=True, text=True, timeout=BUILD_S)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no word why"])[-1]
        raise Trouble(f"{' '.join(command[:3])} failed: {printable(last)}")

"""Firmware as a target of captures: built from the capture's own panel, for this computer or an emulated chip.

See `benchcon.replay.targets`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from benchcon.errors import Trouble
from benchcon.firmware.running import FirmwareBoards, lacking
from benchcon.panel.file import load
from benchcon.replay.targets import NotHere, RunningBoards, WantedBoards, names_on, processes
from benchcon.rig.channel_hand import ChannelHand


@contextlib.contextmanager
def native(wanted: WantedBoards) -> Iterator[RunningBoards]:
    """Run the firmware built for this computer, one program per board of the capture.

    Raises `NotHere` without a C compiler, `Trouble` if the panel cannot be built.
    """
    with _running(wanted, "native") as boards:
        yield boards


@contextlib.contextmanager
def emulated(wanted: WantedBoards) -> Iterator[RunningBoards]:
    """Run the firmware's real binary on an emulated chip, one per board of the capture.

    Raises `NotHere` without the AVR tool chain or libsimavr, `Trouble` if the panel cannot be built.
    """
    with _running(wanted, "emulated") as boards:
        yield boards


@contextlib.contextmanager
def _running(wanted: WantedBoards, way: str) -> Iterator[RunningBoards]:
    if wanted.faults is not None:
        raise Trouble("only simulated boards can have faults; remove them to run firmware")
    panel = load(wanted.panel, currents=False)
    names = names_on(panel, wanted)
    if missing_packages := lacking(way):
        raise NotHere(missing_packages)
    made = FirmwareBoards(panel, way, list(names.values()), currents=False)
    with processes({ident: made.program(name) for ident, name in names.items()}) as boards:
        hands = {ident: ChannelHand(boards.controls[ident], panel, name) for ident, name in names.items()}
        yield RunningBoards(boards.ports, hands, boards.controls)
        for hand in hands.values():
            hand.close()

"""``benchcon firmware``: a board's firmware and wiring list from a panel file."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from benchcon.cli.port_name import port_name
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from benchcon.firmware.board_plan import Plan
    from benchcon.firmware.limits import MemoryUse
    from benchcon.link.lock import PortLock
    from benchcon.panel.model import Panel
    from benchcon.panel.reader import PanelRemark


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    from benchcon.firmware.chips import BAUDS

    bauds = f"{', '.join(map(str, BAUDS[:-1]))} or {BAUDS[-1]}"
    parser.add_argument("panel", metavar="PANEL", help="panel file")
    parser.add_argument("--board", metavar="NAME", help="which of its boards (needed if it has several)")
    parser.add_argument("-o", dest="out", metavar="DIR", required=True, help="build folder to write")
    parser.add_argument("--baud", type=int, default=BAUDS[0], metavar="N", help=f"baud rate: {bauds} ({BAUDS[0]})")
    parser.add_argument("--force", action="store_true", help="replace a build folder that benchcon wrote")
    parser.add_argument(
        "--flash",
        type=port_name,
        metavar="PORT",
        help="then load the firmware into the board at this port, with avrdude",
    )


def run(args: argparse.Namespace) -> int:
    """Write the folder, and load the firmware if asked to. Return 0 if done, 2 if not."""
    import os
    from pathlib import Path

    from benchcon.errors import Trouble
    from benchcon.firmware import folder
    from benchcon.firmware.buildable import cut_labels
    from benchcon.firmware.chips import BAUDS
    from benchcon.firmware.plan import Refused, plan
    from benchcon.panel.file import inspect, slurp
    from benchcon.panel.reader import in_order

    if args.baud not in BAUDS:
        raise Trouble(f"--baud is {args.baud}; the firmware runs at {', '.join(map(str, BAUDS))}")
    folder.may_write(Path(os.path.abspath(args.out)), force=args.force)

    panel, found = inspect(slurp(args.panel), args.panel)
    grave = [finding for finding in found if finding.grave]
    if panel is None or grave:
        return _refused(grave)
    try:
        made, advice = plan(panel, _only_board(panel) if args.board is None else args.board)
        advice = in_order([*advice, *cut_labels(made)])
    except Refused as refused:
        return _refused(refused.findings)
    lock = _port(args.flash) if args.flash else None
    try:
        return _make(args, made, advice)
    finally:
        if lock:
            lock.release()


def _only_board(panel: Panel) -> str:
    """Return the name of the panel's only board. Raises `Trouble` if it has several, or none."""
    from benchcon.errors import Trouble
    from benchcon.text import printable

    if len(panel.boards) != 1:
        names = ", ".join(board.name for board in panel.boards) or "none"
        raise Trouble(f"{printable(panel.path)} has {len(panel.boards)} boards; choose one with --board ({names})")
    return panel.boards[0].name


def _make(args: argparse.Namespace, made: Plan, advice: Sequence[PanelRemark]) -> int:
    """Write the folder, compile it if this machine can, and load it if asked to. Return the exit code."""
    import sys
    from pathlib import Path

    from benchcon.errors import Trouble
    from benchcon.firmware import folder, limits, tools
    from benchcon.firmware.chips import baud_words
    from benchcon.firmware.plan import Refused
    from benchcon.text import printable

    out, shown = Path(args.out), printable(args.panel)
    measured: list[MemoryUse] = []

    def look(new: Path) -> None:
        """Compile the new folder. Raises `Refused` if the firmware does not fit the chip."""
        measured.append(tools.build(new))
        if over := limits.too_much(made, shown, measured[0]):
            raise Refused(over)

    lacking = tools.missing(tools.COMPILERS)
    if lacking and (over := limits.too_much(made, shown)):
        return _refused(over)
    if args.flash and lacking:
        raise Trouble(f"{lacking}; without it nothing can be loaded into a board")
    folder.write(out, folder.files(made, args.baud, advice), force=args.force, look=None if lacking else look)
    for finding in advice:
        print(finding, file=sys.stderr)
    _tell(made, out, measured, lacking, baud_words(made.chip, args.baud))
    if args.flash:
        rate = tools.load(made.chip, out, args.flash, lambda text: print(text, flush=True))
        print(f"loaded into the board at {printable(args.flash)} (boot loader at {rate} baud); it starts by itself")
    return 0


def _refused(findings: Sequence[PanelRemark]) -> int:
    for finding in findings:
        say_on_stderr(finding)
    return 2


def _port(port: str) -> PortLock:
    """Take and return the lock of `port`; a console that holds it is asked to release it. Raises `Trouble`."""
    import os

    from benchcon.errors import Trouble
    from benchcon.firmware import tools
    from benchcon.link.device import refuse_what_is_no_port
    from benchcon.link.lock import PortLock
    from benchcon.text import printable

    if "://" in port:
        raise Trouble(f"{printable(port)}: only a board on a serial port of this machine can be loaded")
    if lacking := tools.missing(("avrdude",)):
        raise Trouble(f"{lacking}; without it nothing can be loaded into a board")
    if not os.path.exists(port):
        raise Trouble(f"{printable(port)}: there is no such port; see 'benchcon ports'")
    refuse_what_is_no_port(port)  # avrdude opens whatever it is given
    lock = PortLock(port)
    lock.take()
    return lock


def _tell(made: Plan, out: Path, measured: Sequence[MemoryUse], lacking: str, baud: str) -> None:
    from benchcon.firmware import limits
    from benchcon.text import printable

    memory = measured[0] if measured else limits.estimate(made)
    chip, name = made.chip, printable(str(out))
    how = "compiled" if measured else f"not compiled, as {lacking}; estimated"
    print(
        f"{name}: firmware of {made.board.name} for an {chip.title}, {how}: "
        f"flash {memory.flash_bytes} of {chip.flash_bytes} bytes, "
        f"RAM {memory.ram_bytes} of {chip.ram_bytes} without the stack"
    )
    print(f"serial port: {baud}")
    print(f"wire it by {name}/wiring.txt (or wiring.md) and heed its cautions; then 'make -C {name} flash PORT=…',")
    print(f"or open {name}/benchboard in the Arduino tool chain, or 'benchcon firmware … --flash PORT'")

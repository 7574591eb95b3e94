"""``benchcon try``: a panel file as simulated boards, with the console on them."""

from __future__ import annotations

import argparse
import gc
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchcon.cli.options import seconds
from benchcon.errors import Trouble
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchcon.cli.until import Until
    from benchcon.rig.boards import SimulatedBoards

SEE = (
    "The console shows what the boards report. To see what is really lit, with the faults of this file: "
    "'benchcon {} --lit' in another terminal."
)
LOOK_S = 0.5
"""How often to check that all boards still run."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("panel", type=Path, metavar="PANEL", help="panel file")
    add_options(parser)
    parser.add_argument(
        "--firmware",
        choices=("native", "emulated"),
        help="boards with the real firmware, built from the panel file: compiled for this machine (native), or the "
        "chip's own binary on an emulated chip",
    )


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of every command that starts simulated boards."""
    parser.add_argument(
        "--headless",
        action="store_true",
        help="no console: print 'NAME PORT HAND' for each board and wait (HAND: see protocols/hand.md)",
    )
    parser.add_argument("--faults", type=Path, metavar="FILE", help="a faults file, see protocols/faults-file.md")
    parser.add_argument("--tcp", action="store_true", help="TCP ports instead of pseudo-terminals")
    parser.add_argument(
        "--lit",
        metavar="HAND",
        nargs="*",
        help="in another terminal: show what is really lit on running simulated boards; without HAND, on all",
    )
    parser.add_argument("--seconds", type=seconds, metavar="N", help="end after this many seconds")


def run(args: argparse.Namespace) -> int:
    """Run the boards, and the console on them, until ended. Return the exit code."""
    from benchcon.cli.until import Until
    from benchcon.rig.boards import begin
    from benchcon.text import printable

    if args.lit is not None:
        return tell_lit(args.panel, args.lit, args.seconds)
    with Until(args.seconds if args.headless else None, open_ended=True) as until:
        if not args.headless:
            need_terminal()
            gc.disable()  # until the console is shown, which comes sooner without it (`ConsoleApp`)
        try:
            command = _firmware(args) if args.firmware else None
            boards = begin(args.panel, faults=args.faults, tcp=args.tcp, command=command)
            with boards:
                if not args.headless:
                    import benchcon.console.simulated as console  # while the boards start
                boards.wait(set_out=args.headless)
                if args.headless:
                    wait_headless(boards, until)
                    return 0
                if args.faults:
                    print(SEE.format(f"try {printable(str(args.panel))}"), file=sys.stderr, flush=True)
                return console.run_on_simulated(boards, until, args.seconds)
        except Trouble:
            if until.signalled:  # ended before the boards were ready
                return 0
            raise


def _firmware(args: argparse.Namespace) -> Callable[[str, Path | None], list[str]]:
    """Build the firmware and return the function that gives the command to run each board with it."""
    from benchcon.firmware.running import FirmwareBoards
    from benchcon.panel.file import load

    if args.faults or args.tcp:
        raise Trouble("--firmware runs healthy boards on this machine's own ports; leave out --faults and --tcp")
    panel = load(args.panel)
    if panel.supplies:
        said = "firmware does not know the panel's supplies: what they feed stays supplied, however the switches are"
        say_on_stderr(said)
    if not args.headless:
        print("building the firmware …", file=sys.stderr, flush=True)
    return FirmwareBoards(panel, args.firmware).command


def tell_lit(panel: Path, hands: Sequence[str], seconds: float | None) -> int:
    """Show what is really lit on boards of `panel` (those at `hands`, or all running ones if empty) until ended."""
    from benchcon.cli.until import Until
    from benchcon.panel.file import load
    from benchcon.rig.shining import controls, take_hold, tell

    with Until(seconds, open_ended=True) as until:
        tell(load(panel, currents=False), take_hold(hands or controls()), until.wait)
    return 0


def need_terminal() -> None:
    """Raise `Trouble` where no console can be shown."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise Trouble("the console needs a terminal; without one add --headless")


def wait_headless(boards: SimulatedBoards, until: Until) -> None:
    """Print name, port and hand of each board, and wait for the end. Raises `Trouble` when a board ends by itself."""
    for board in boards.boards:
        print(*board, flush=True)
    while not until.wait(LOOK_S):
        gone = boards.ended()
        if gone and not until.wait(0):
            raise Trouble(f"the simulated board '{gone}' has ended by itself; start it again")

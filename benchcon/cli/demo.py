"""`benchcon demo`: the Ostrey tower trainer, three simulated desks."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from benchcon.errors import Trouble

if TYPE_CHECKING:
    from benchcon.cli.until import Until
    from benchcon.demo import Demo

SEE = (
    "The console shows what the boards say. To see what really shines, with the faults of this file: "
    "'benchcon demo --lit' in another terminal."
)
LOOK_S = 0.5
"""How often it is seen whether all desks are still there."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "--headless",
        action="store_true",
        help="no console: print 'NAME PORT CONTROL' for each desk and wait (CONTROL: see protocols/hand.md)",
    )
    parser.add_argument(
        "--lit",
        metavar="CONTROL",
        nargs="*",
        help="in another terminal: show what really shines on the desks of a demo that runs; without CONTROL, of all",
    )
    parser.add_argument("--seconds", type=_seconds, metavar="N", help="end after so many seconds")
    parser.add_argument("--faults", type=Path, metavar="FILE", help="a faults file, see protocols/faults-file.md")
    parser.add_argument("--tcp", action="store_true", help="TCP ports instead of pseudo-terminals")
    parser.add_argument(
        "--separate",
        action="store_true",
        help="feed each desk by itself: the power desk's switches do not darken the other two",
    )


def run(args: argparse.Namespace) -> int:
    """Run the demo until it is ended; return the exit code."""
    from benchcon.cli.until import Until
    from benchcon.demo import start

    if args.lit is not None:
        return _lit(args.lit, args.seconds)
    with Until(args.seconds) as until:
        try:
            started = start(args.faults, args.tcp, separate=args.separate)
        except Trouble:
            if until.told:  # ended before it had begun
                return 0
            raise
        with started as demo:
            if args.headless:
                _headless(demo, until)
            else:
                from benchcon.demo.live import open_console

                if args.faults:
                    print(SEE, file=sys.stderr, flush=True)
                return open_console(demo, until, args.seconds)
    return 0


def _lit(words: list[str], seconds: float | None) -> int:
    from benchcon.cli.until import Until
    from benchcon.demo import panel_path
    from benchcon.demo.shining import controls, take_hold, tell
    from benchcon.panel.file import load

    with Until(seconds) as until:
        tell(load(panel_path()), take_hold(words or controls()), until.wait)
    return 0


def _headless(demo: Demo, until: Until) -> None:
    for desk in demo.boards:
        print(*desk, flush=True)
    while not until.wait(LOOK_S):
        gone = demo.ended()
        if gone and not until.wait(0):
            raise Trouble(f"the simulated desk '{gone}' has ended by itself; start the demo again")


def _seconds(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0 < number <= 1e7:
        raise argparse.ArgumentTypeError(f"'{text[:40]}' is no number of seconds above 0")
    return number

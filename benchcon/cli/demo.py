"""`benchcon demo`: the Ostrey tower trainer, three simulated desks."""

from __future__ import annotations

import argparse
import sys

from benchcon.cli.try_panel import add_options, wait_headless
from benchcon.errors import Trouble

SEE = (
    "The console shows what the boards say. To see what really shines, with the faults of this file: "
    "'benchcon demo --lit' in another terminal."
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_options(parser)
    parser.add_argument(
        "--lit",
        metavar="HAND",
        nargs="*",
        help="in another terminal: show what really shines on the desks of a demo that runs; without HAND, of all",
    )
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
                wait_headless(demo, until)
            else:
                from benchcon.demo.live import open_console

                if args.faults:
                    print(SEE, file=sys.stderr, flush=True)
                return open_console(demo, until, args.seconds)
    return 0


def _lit(words: list[str], seconds: float | None) -> int:
    from benchcon.cli.until import Until
    from benchcon.demo import panel_path
    from benchcon.panel.file import load
    from benchcon.rig.shining import controls, take_hold, tell

    with Until(seconds) as until:
        tell(load(panel_path()), take_hold(words or controls()), until.wait)
    return 0

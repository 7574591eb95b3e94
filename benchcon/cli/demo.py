"""`benchcon demo`: the Ostrey tower trainer, three simulated desks."""

from __future__ import annotations

import argparse
import gc
import sys

from benchcon.cli.try_panel import SEE, add_options, tell_lit, wait_headless
from benchcon.errors import Trouble


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_options(parser)
    parser.add_argument(
        "--separate",
        action="store_true",
        help="give each desk its own supply, so that the power desk's switches do not darken the other two",
    )


def run(args: argparse.Namespace) -> int:
    """Run the demo until ended. Return the exit code."""
    from benchcon.cli.until import Until
    from benchcon.demo import panel_path
    from benchcon.rig.boards import begin

    if args.lit is not None:
        return tell_lit(panel_path(), args.lit, args.seconds)
    with Until(args.seconds, open_ended=True) as until:
        if not args.headless:
            gc.disable()  # until the console is shown, which comes sooner without it (`ConsoleApp`)
        try:
            demo = begin(panel_path(), faults=args.faults, tcp=args.tcp, separate=args.separate)
            if not args.headless:
                import benchcon.demo.live as live  # while the boards start
            demo.wait()
        except Trouble:
            if until.signalled:  # ended before the boards were ready
                return 0
            raise
        with demo:
            if args.headless:
                wait_headless(demo, until)
                return 0
            if args.faults:
                print(SEE.format("demo"), file=sys.stderr, flush=True)
            return live.open_console(demo, until, args.seconds)

"""``benchcon conform``: tests a board against the rules of the protocol."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from benchcon.cli.options import minutes
from benchcon.cli.port_name import port_name
from benchcon.wire.codec import RATE

if TYPE_CHECKING:
    from benchcon.conform import WireSide


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("port", type=port_name, metavar="PORT", help="serial port, or socket://host:port")
    parser.add_argument("--baud", type=int, default=RATE, help=f"baud rate ({RATE})")
    parser.add_argument("--json", action="store_true", help="print the results as JSON")
    parser.add_argument("--junit", metavar="FILE", help="write the results as JUnit XML")
    parser.add_argument(
        "--only",
        metavar="RULE",
        action="append",
        default=[],
        help="run only this rule, such as 'grammar', or one part of it, such as 'grammar (spaces)'; may be repeated",
    )
    parser.add_argument("--force", action="store_true", help="overwrite FILE")
    parser.add_argument(
        "--hand",
        metavar="HAND",
        help="hand of a simulated or emulated board, for reading its outputs, moving its inputs and resetting it",
    )
    parser.add_argument(
        "--patience", metavar="MINUTES", type=minutes, default=0.2, help="how long to wait for the clock to wrap (0.2)"
    )


def _go_dark(line: WireSide) -> None:
    from benchcon.cli.bench import left_dark

    # If nothing ever spoke the protocol on this port, nothing was lit.
    left_dark(line.go_dark() or not line.lines)


def run(args: argparse.Namespace) -> int:
    """Run the rules. Return 0 if none failed, 1 if at least one did, 2 if it could not be done."""
    import contextlib
    import json

    from benchcon.cli.until import Until
    from benchcon.conform import Report, WireSide, chosen, play
    from benchcon.files import new_file
    from benchcon.link.lock import PortLock
    from benchcon.rig.hand import Hand

    only = chosen(args.only)
    report = Report(args.port, "", [])
    with contextlib.ExitStack() as stack:
        # Opened first, so that a file that cannot be written is reported before minutes of testing, not after.
        junit = stack.enter_context(new_file(args.junit, force=args.force)) if args.junit else None
        hand = stack.enter_context(Hand(args.hand)) if args.hand else None
        lock = PortLock(args.port)
        lock.take()
        stack.callback(lock.release)
        until = stack.enter_context(Until(interrupt=True))
        line = WireSide(args.port, args.baud)
        stack.callback(line.close)
        stack.callback(_go_dark, line)
        until.first(line.dark_at_once)
        for result in play(line, hand=hand, patience_s=args.patience * 60, only=only):
            report.results.append(result)
            report = report._replace(ident=line.ident)
            if not args.json:
                mark = {"passed": "passed ", "failed": "FAILED ", "not run": "not run"}[result.outcome]
                print(f"{mark}  {result.rule}" + (f": {result.text}" if result.text else ""), flush=True)
        if args.json:
            print(json.dumps(report.as_json(), indent=2))
        else:
            numbers = report.as_json()
            print(f"{numbers['passed']} passed, {numbers['failed']} failed, {numbers['not_run']} not run")
        if junit:
            junit.write(report.as_junit().decode())
    return 1 if report.failed else 0

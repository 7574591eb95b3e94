"""``benchcon replay``: a capture in the console, as figures, or against a board."""

from __future__ import annotations

import argparse
from typing import Any


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("file", metavar="FILE", help="capture to replay")
    parser.add_argument(
        "--headless", action="store_true", help="open no console; print the final state and the figures as JSON"
    )
    parser.add_argument("--at", metavar="TIME", help="with --headless: the state at this time, such as '12.5 s'")


def run(args: argparse.Namespace) -> int:
    """Replay: 0 done (or all the same), 1 a difference, 2 it could not be done."""
    import sys

    from benchcon.errors import Trouble

    if args.at is not None and not args.headless:
        raise Trouble("--at goes with --headless; in the console, 'jump' goes to a time")
    if args.headless:
        return _headless(args)
    from benchcon.console.run import run_console
    from benchcon.replay.figures import told
    from benchcon.session import ReplaySession

    session = ReplaySession(args.file)
    code = run_console(session)
    for line in told(session.reader):
        print(f"benchcon: {line}", file=sys.stderr)
    return code


def _headless(args: argparse.Namespace) -> int:
    import json
    import sys

    from benchcon.replay.figures import figures
    from benchcon.replay.words import option_time

    at_us = None if args.at is None else option_time("--at", args.at)
    found: dict[str, Any] = figures(args.file, at_us)
    problems = found["capture"]["first_problems"]
    for problem in problems[:5]:
        print(f"benchcon: {found['capture']['file']}: {problem['where']}: {problem['what']}", file=sys.stderr)
    print(json.dumps(found, indent=2))
    return 0

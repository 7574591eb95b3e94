"""``benchcon replay``: opens a capture in the console, prints its summary, or replays it to boards."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from benchcon.cli.options import hand_option, ignore_option
from benchcon.cli.port_name import port_name
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from benchcon.replay.cases import CaptureCase
    from benchcon.replay.verdict import Verdict


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("file", metavar="FILE", help="capture to replay")
    parser.add_argument(
        "--headless", action="store_true", help="open no console; print a summary of the capture, in one line"
    )
    parser.add_argument(
        "--json", action="store_true", help="with --headless: print the final state and all figures as JSON"
    )
    parser.add_argument(
        "--at", metavar="TIME", help="with --headless: the state at this time, such as '12.5 s', instead of at the end"
    )
    parser.add_argument(
        "--to",
        type=port_name,
        metavar="PORT",
        action="append",
        default=[],
        help="send the board at this port what the host sent in the capture, and compare what it does; may be repeated",
    )
    parser.add_argument(
        "--against",
        metavar="WHAT",
        action="append",
        default=[],
        help="replay it to this target: state, simulated, native, emulated; may be repeated",
    )
    hand_option(parser, "with --to")
    parser.add_argument("--by-hand", action="store_true", help="with --to: ask you to move the inputs")
    parser.add_argument(
        "--fast", action="store_true", help="replay as fast as possible; then only the order is compared"
    )
    parser.add_argument("--tolerance", metavar="TIME", help="how far times may differ (150 ms)")
    parser.add_argument("--counts", metavar="N", type=int, help="how far readings of potentiometers may differ (4)")
    ignore_option(parser)
    parser.add_argument("--panel", metavar="FILE", help="panel file of the boards; else the one in the capture")
    parser.add_argument("--html", metavar="FILE", help="with --to: write both time lines, with the differences marked")
    parser.add_argument("--junit", metavar="FILE", help="write the result as JUnit XML")
    parser.add_argument("--force", action="store_true", help="overwrite FILE")


def run(args: argparse.Namespace) -> int:
    """Replay. Return 0 if done or all the same, 1 if something differs, 2 if it could not be done."""
    from benchcon.errors import Trouble
    from benchcon.files import may_write

    if args.at is not None and not args.headless:
        raise Trouble("--at needs --headless; in the console, 'jump' goes to a time")
    if args.json and not args.headless:
        raise Trouble("--json needs --headless")
    if args.headless and args.to:
        raise Trouble("--headless prints the end of the capture; --to replays it to a board: use one of the two")
    # Checked before minutes of replaying, not after.
    may_write(args.junit, force=args.force)
    may_write(args.html, force=args.force)
    if args.to:
        return _to(args)
    if args.hand or args.by_hand or args.html:
        raise Trouble("--hand, --by-hand and --html need --to")
    if args.against or args.junit:
        return _against(args)
    return _headless(args) if args.headless else _console(args)


def _console(args: argparse.Namespace) -> int:
    from benchcon.cli.until import Until

    with Until(open_ended=True) as until:
        from benchcon.console.run import run_console
        from benchcon.replay.figures import problem_lines
        from benchcon.session import ReplaySession

        session = ReplaySession(args.file)
        code = run_console(session, until)
    for line in problem_lines(session.reader):
        say_on_stderr(line)
    return code


def _headless(args: argparse.Namespace) -> int:
    import json

    from benchcon.replay.figures import figures, first_problem_lines, in_a_line
    from benchcon.replay.words import option_time

    at_us = None if args.at is None else option_time("--at", args.at)
    found: dict[str, Any] = figures(args.file, at_us)
    for line in first_problem_lines(found):
        say_on_stderr(line)
    print(json.dumps(found, indent=2) if args.json else in_a_line(found))
    return 0


def _against(args: argparse.Namespace) -> int:
    from dataclasses import replace
    from pathlib import Path

    from benchcon.errors import Trouble
    from benchcon.panel.file import load
    from benchcon.replay.cases import case_of
    from benchcon.replay.targets import TARGETS
    from benchcon.replay.verdict import run_against
    from benchcon.text import printable

    for name in args.against:
        if name not in TARGETS:
            raise Trouble(f"--against: '{printable(name)}' is not known; allowed: {', '.join(TARGETS)}")
    if args.panel:
        load(args.panel)  # a panel file that cannot be used is reported, even if no board is started by it
    case = case_of(args.file)
    how = case.how
    if args.fast:
        how = replace(how, fast=True)
    if args.tolerance is not None:
        how = replace(how, tolerance_us=_time(args))
    if args.counts is not None:
        how = replace(how, counts=max(args.counts, 0))
    how = replace(how, ignore=(*how.ignore, *args.ignore))
    case = replace(
        case,
        how=how,
        against=tuple(args.against) or case.against,
        panel=Path(args.panel) if args.panel else case.panel,
    )
    verdicts = []
    for target in case.against:
        verdicts.append(run_against(case, target))
        why = _about_faults(case, verdicts[-1])
        if why:
            say_on_stderr(f"against {target}: {why}")
    return _report(args, verdicts)


def _about_faults(case: CaptureCase, verdict: Verdict) -> str:
    """Return a sentence on the faults put into the boards, if they may explain the result; else an empty string."""
    from benchcon.replay.cases import settings_of
    from benchcon.text import printable

    toml = printable(settings_of(case.path).name)
    if verdict.target == "state":  # no boards
        return ""
    if case.faults is not None:
        chance = "" if verdict.same else "; a random fault does not act the same way twice"
        return f"the faults that {toml} names were put in ({printable(case.faults.name)}){chance}"
    if verdict.same:
        return ""
    return f'no faults were put into the boards: {toml} names none (faults = "FILE"), so their effects are missing now'


def _to(args: argparse.Namespace) -> int:
    from benchcon.cli.bench import left_dark
    from benchcon.cli.hands import ask_to, hands_of
    from benchcon.cli.until import Until
    from benchcon.errors import Trouble
    from benchcon.files import new_file
    from benchcon.panel.file import load
    from benchcon.replay.compare import COUNTS
    from benchcon.replay.compare_html import as_html
    from benchcon.replay.rerun import TOLERANCE_US, MovesParts, RerunOptions, rerun
    from benchcon.replay.script import script_of
    from benchcon.replay.tracks import tracks_of
    from benchcon.replay.verdict import verdict_of
    from benchcon.text import printable

    how = RerunOptions(
        fast=args.fast,
        tolerance_us=TOLERANCE_US if args.tolerance is None else _time(args),
        counts=COUNTS if args.counts is None else max(args.counts, 0),
        ignore=tuple(args.ignore),
        ask=ask_to if args.by_hand else None,
    )
    panel = load(args.panel) if args.panel else None
    script, then = script_of(args.file), tracks_of(args.file)
    hands: dict[str, MovesParts] = {}
    idents = {board.name: board.own_ident for board in (panel or script.panel).boards}
    for name, hand in hands_of(args.hand).items():
        ident = idents.get(name, name)
        if ident not in script.boards:
            raise Trouble(f"--hand: one hand is for {printable(ident)}, which is not in {script.path}")
        hands[ident] = hand

    with Until(interrupt=True) as until:
        again = rerun(
            script, then, args.to, hands, how, panel, until.first, lambda dark: left_dark(dark, panel or script.panel)
        )
    if args.html:
        with new_file(args.html, force=args.force) as out:
            out.write(as_html(again.comparison))
    code = _report(args, [verdict_of(" ".join(args.to), again)])
    return code or int(not again.dark)


def _time(args: argparse.Namespace) -> int:
    from benchcon.replay.words import option_time

    return option_time("--tolerance", args.tolerance, example="150 ms")


def _report(args: argparse.Namespace, verdicts: list[Verdict]) -> int:
    import os

    from benchcon.files import new_file
    from benchcon.replay.junit import as_junit
    from benchcon.replay.verdict import differing

    for verdict in verdicts:
        if verdict.text:
            print(verdict.text)
        print(f"against {verdict.target}: {'the same' if verdict.same else 'DIFFERENT: ' + differing(verdict)}")
    if args.junit:
        with new_file(args.junit, force=args.force) as out:
            out.write(as_junit([(os.path.basename(args.file), verdict) for verdict in verdicts]))
    return 0 if all(verdict.same for verdict in verdicts) else 1

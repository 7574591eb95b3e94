"""``benchcon walk``: test every input and output, and name what is wrong."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from benchcon.cli.options import hand_option, ports_argument
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchcon.cli.until import Until
    from benchcon.panel.model import Panel
    from benchcon.report.folder import Folder
    from benchcon.session import LiveSession
    from benchcon.walk.journal import FinishedStep
    from benchcon.walk.wiggle import Wiggle


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    ports_argument(parser)
    parser.add_argument(
        "--panel", metavar="FILE", help="panel file; without one, what the boards report about themselves"
    )
    parser.add_argument("--only", metavar="NAME", action="append", default=[], help="only this part; may be repeated")
    parser.add_argument("--failed", action="store_true", help="only what the report in --report found faulty")
    parser.add_argument("--new", action="store_true", help="only what the report in --report has not tested yet")
    parser.add_argument(
        "--report", metavar="DIR", help="folder for report and journal; an unfinished walk in it is continued"
    )
    parser.add_argument("--compare", metavar="DIR", help="report what has changed since the report in this folder")
    hand_option(parser, "a walk then needs no person")
    parser.add_argument(
        "--wiggle",
        metavar="NAME",
        action="append",
        help="instead of walking: report every drop-out of this part or channel ('all': of every input) until Ctrl-C",
    )
    parser.add_argument(
        "--soak",
        metavar="TIME",
        help="instead of walking: light everything in turn for this long, such as '2 h', and watch",
    )
    parser.add_argument(
        "--kinds",
        action="store_true",
        help="list the kinds of fault that a walk can find, what each means and what to look at first",
    )
    parser.add_argument("--by", metavar="NAME", default="", help="name of the tester, for the report")
    parser.add_argument(
        "--serial",
        metavar="TEXT",
        default="",
        help="serial number of this panel, instead of its file's",
    )
    parser.add_argument("--json", action="store_true", help="print the whole report as JSON on standard output")


def run(args: argparse.Namespace) -> int:
    """Walk. Return 0 if all is good, 1 if something is wrong (one line each on standard output), 2 if it failed.

    If a signal ends a walk or soak, which has then shown nothing yet, the code is 128 + the signal.
    """
    from benchcon.cli.until import Until

    if args.kinds:
        from benchcon.kinds import kinds_text

        print(kinds_text(only_found=True))
        return 0
    with Until(interrupt=True, open_ended=bool(args.wiggle)) as until:
        return _run(args, until)


def _run(args: argparse.Namespace, until: Until) -> int:
    from benchcon.cli.bench import leave, meet, open_bench
    from benchcon.cli.hands import hands_of, ports_of
    from benchcon.diagnosis.one_switch import as_it_stands
    from benchcon.errors import Trouble
    from benchcon.panel.file import load
    from benchcon.report.folder import Folder, read_report
    from benchcon.walk.channel_changes import PanelBoards

    _refuse(args)
    panel = load(args.panel) if args.panel else None
    seconds = _soak_s(args.soak)
    old = read_report(args.compare) if args.compare else None
    if (args.failed or args.new) and not args.report:
        raise Trouble("--failed and --new continue from a report: name its folder with --report")
    hands = hands_of(args.hand)
    ports = ports_of(args.ports, hands) or _remembered()
    if not ports:
        raise Trouble("no port is named, and none is remembered; see 'benchcon ports'")
    panel = panel or _described(ports)
    folder = Folder(args.report) if args.report else None
    done, only = _to_do(args, panel, folder)
    session = open_bench(ports, panel, hands, until)
    try:
        meet(session, panel)
        if not args.panel:
            panel = as_it_stands(panel, PanelBoards(session, panel).values())
        if args.wiggle or seconds is not None:
            code = _watch(args, session, panel, seconds, until)
        else:
            code = _walk(args, session, panel, folder, done, only, old, until)
    finally:
        dark = leave(session)
    return code or int(not dark)


def _refuse(args: argparse.Namespace) -> None:
    """Raise `Trouble` if options that do not go together were given."""
    from benchcon.errors import Trouble

    if args.wiggle and args.soak is not None:
        raise Trouble("--wiggle and --soak cannot run at once; run one after the other")
    alone = "--wiggle" if args.wiggle else "--soak" if args.soak is not None else ""
    names = ("only", "failed", "new", "report", "compare", "by", "serial")
    given = [f"--{name}" for name in names if getattr(args, name)]
    if alone and given:
        have, them = ("has", "it") if len(given) == 1 else ("have", "them")
        raise Trouble(f"{', '.join(given)} {have} no effect with {alone}; leave {them} out")


def _soak_s(text: str | None) -> float | None:
    from benchcon.errors import Trouble
    from benchcon.walk.soak import duration_s

    try:
        return None if text is None else duration_s(text)
    except Trouble as trouble:
        raise Trouble(f"--soak: {trouble}") from None


def _watch(args: argparse.Namespace, session: LiveSession, panel: Panel, seconds: float | None, until: Until) -> int:
    """Run a wiggle test or soak. Return 0 if nothing happened, 1 if something did (a line each on standard output)."""
    import json
    import sys
    import time

    from benchcon.text import printable
    from benchcon.walk.soak import closing, figures
    from benchcon.walk.watching import soak, wiggle

    def say(line: str) -> None:
        print(("\a" if sys.stderr.isatty() else "") + line, file=sys.stderr, flush=True)

    bench = session.bench
    assert bench is not None

    with until.asked():
        if seconds is not None:
            until.ends_at = time.monotonic() + seconds
            bench.light()
            say(
                "everything now lights in turn, for a long time: beware of bright lamps, hot parts and supplies, and "
                "never leave it alone; Ctrl-C ends it"
            )
            boards, lasted, steps = soak(session, lambda: until.wait(0), say)
            lines = [line for board in boards for line in board.complaints().values()]
            result, last = figures(boards, lasted, steps), closing(boards, lasted, steps)
        else:
            parts = [] if "all" in args.wiggle else args.wiggle
            began = session.now_us()
            asked: list[str] = []

            def look(watch: Wiggle, now_us: int) -> None:
                if not asked:  # not before: only now is it certain that there is something to watch
                    asked.append("hands off for half a second, to see everything at rest")
                elif len(asked) == 1 and watch.settled:
                    asked.append(f"{watch.at_rest()}\nflex the loom now; Ctrl-C ends the watch")
                else:
                    return
                print("\n".join(map(printable, asked[-1].split("\n"))), file=sys.stderr, flush=True)

            watch = wiggle(session, parts, lambda: until.wait(0), say, look, panel)
            lines, result, last = watch.lines(), watch.as_json(), watch.closing((session.now_us() - began) / 1e6)
    if args.json:
        print(json.dumps(result, ensure_ascii=False, indent=1))
    for line in () if args.json else lines:
        print(line)
    say_on_stderr(printable(last))
    return 1 if lines else 0


def _remembered() -> list[str]:
    from benchcon.link.discovery import remembered_ports

    return remembered_ports()


def _described(ports: Sequence[str]) -> Panel:
    """Return the panel that the boards describe, for use without a panel file."""
    from benchcon.cli.bench import READY_S
    from benchcon.cli.draft import ask
    from benchcon.panel.draft import described

    return described(ask(ports, READY_S))


HAND_REST_US, HAND_STILL_US = 300_000, 1_000_000
"""Waiting times for a simulated hand: short, because a simulated control is at rest as soon as its hand says so."""


def _to_do(args: argparse.Namespace, panel: Panel, folder: Folder | None) -> tuple[list[FinishedStep], list[str]]:
    """Return the steps that are done already, and the names of the parts to walk (empty: all)."""
    from benchcon.diagnosis.layout import PanelIndex
    from benchcon.errors import Trouble
    from benchcon.report.walk import done_of, is_about_boards, verdicts
    from benchcon.walk.marks import FAULTY, UNTESTED

    layout = PanelIndex.of(panel)
    only = [layout.named(name) for name in args.only]
    if folder is None:
        return [], only
    broken_off = folder.unfinished(panel)
    if broken_off:
        return broken_off, only
    report = folder.report()
    if report is None:
        if args.failed or args.new:
            raise Trouble(f"{args.report} holds no report to continue from")
        return [], only
    if not (args.failed or args.new or only):
        raise Trouble(f"{args.report} holds a finished walk; name another folder, or use --failed, --new or --only")
    wanted = set(only)
    for name, verdict in verdicts(report).items():
        if (args.failed and verdict in FAULTY) or (args.new and verdict in UNTESTED):
            wanted.add(name)
    names = [part.name for part in panel.parts if part.name in wanted]
    # For a finding about a board, which names no part, only the steps about no single part are repeated: all lit.
    if not names and not (args.failed and is_about_boards(report)):
        raise Trouble(f"there is nothing left to do: {args.report} has no part that is {_sort(args)}")
    # Dropped are the results of parts to be repeated and of parts no longer on the panel, and those of hands off and
    # all dark, which are cheap to repeat.
    there = {part.name for part in panel.parts} - wanted
    kept = [d for d in done_of(report) if d.group.is_part and d.group.name in there]
    return kept, names or [d.group.name for d in kept]


def _sort(args: argparse.Namespace) -> str:
    return "faulty or new" if args.failed and args.new else "faulty" if args.failed else "new"


def _walk(
    args: argparse.Namespace,
    session: LiveSession,
    panel: Panel,
    folder: Folder | None,
    done: list[FinishedStep],
    only: list[str],
    old: dict[str, Any] | None,
    until: Until,
) -> int:
    import sys

    from benchcon.console.walk.resumed import other_boards, resumed
    from benchcon.errors import Trouble
    from benchcon.walk.identities import identities
    from benchcon.walk.interfaces import SimulatedHandFace, WalkInterface
    from benchcon.walk.machine import Walk
    from benchcon.walk.pace import REST_US, STILL_US
    from benchcon.walk.plain import PlainFace
    from benchcon.walk.report_header import Sitting, about
    from benchcon.walk.runner import Runner

    bench = session.bench
    assert bench is not None
    bench.light()
    simulated = SimulatedHandFace(session.hands) if session.hands else None
    face: WalkInterface = simulated or PlainFace(bell=sys.stderr.isatty())
    rest_us, still_us = (HAND_REST_US, HAND_STILL_US) if simulated else (REST_US, STILL_US)
    walk = Walk(panel, only, done, rest_us, still_us)
    sitting = Sitting(args.by, args.serial, simulated is not None)
    if folder is not None:
        boards = identities(session, panel)
        going_on = resumed(folder, panel, only, boards, "To walk from the start, name another folder.")
        if going_on := going_on or other_boards(folder, panel, done, boards):
            say_on_stderr(going_on)
        sitting.goes_on(folder.open(panel, sitting.began, done, lambda: identities(session, panel)), done)
    runner = Runner(
        session, walk, face, folder.write if folder else lambda line: None, blink_s=0.0 if simulated else 2.0
    )
    try:
        with until.asked():
            until.first(runner.leave)
            over = runner.run()
    finally:
        if folder is not None and walk.state != "over":
            folder.close()
    if simulated is not None and simulated.trouble:
        raise Trouble(simulated.trouble)
    if not over:
        raise Trouble(f"the walk was stopped before its end; {_go_on(args, walk.done.values())}")
    head = about(session, panel, sitting, runner.conditions.boards, folder.judged_on() if folder else None)
    return _tell(args, panel, folder, walk.done.values(), old, head)


MOST_NAMED = 6
"""How many untested parts are named on the terminal at most; the report names all."""


def _go_on(args: argparse.Namespace, done: Iterable[FinishedStep]) -> str:
    """Return how much of a stopped walk is saved, and the command that continues it."""
    import shlex

    from benchcon.text import counted, printable

    if not args.report:
        return "nothing of it is saved; with --report DIR it could be continued"
    parts = counted(sum(each.group.is_part for each in done), "part")
    named = [("--panel", [args.panel] if args.panel else []), ("--only", args.only), ("--report", [args.report])]
    named += [("--compare", [args.compare] if args.compare else []), ("--hand", args.hand)]
    named += [("--by", [args.by] if args.by else []), ("--serial", [args.serial] if args.serial else [])]
    words = [word for option, texts in named for text in texts for word in (option, text)]
    words += ["--json"] if args.json else []
    command = shlex.join(["benchcon", "walk", *words, *args.ports])
    return printable(f"{parts} done so far; to continue from here: {command}")


def _tell(
    args: argparse.Namespace,
    panel: Panel,
    folder: Folder | None,
    done: Any,
    old: dict[str, Any] | None,
    head: dict[str, Any],
) -> int:
    import json

    from benchcon.report.folder import PAGE
    from benchcon.report.walk import build, changes, foremost, not_compared
    from benchcon.text import first_of, printable
    from benchcon.walk.marks import count_words

    report = build(panel, done, head)
    changed = changes(old, report) if old is not None else None
    if changed is not None:
        report["compared"] = args.compare
        report["changes"] = changed
    if folder is not None:
        folder.finish(report, panel, changed)
    if args.json:
        print(json.dumps(report, ensure_ascii=False, indent=1))
    else:
        shown, more = foremost(report["findings"])
        for number in shown:
            print(report["findings"][number]["line"])
        if more:
            say_on_stderr(more)
        if old is not None and changed is not None:
            for line in changed or ("nothing has changed",):
                print(printable(f"since {args.compare}: {line}"))
            if rest := not_compared(old, report):
                print(printable(f"since {args.compare}: {rest}"))
    for remark in report["remarks"]:
        say_on_stderr(remark["line"] + f":\n\n{remark['patch']}" * bool(remark["patch"]))
    page = f"; the page to keep with the panel: {printable(str(folder.path / PAGE))}" if folder is not None else ""
    say_on_stderr(count_words(report) + page)
    if report["untested"] and not args.only:
        untested = [f"{row['what']} ({row['why']})" for row in report["untested"]]
        say_on_stderr(printable(f"not tested: {first_of(untested, MOST_NAMED)}"))
    skipped = [part for part in report["parts"] if part["verdict"] == "skipped"]
    if skipped and args.hand:
        names = ", ".join(part["label"] for part in skipped)
        why = "; ".join(dict.fromkeys(part["note"] for part in skipped if part["note"]))
        say_on_stderr(printable(f"could not be done: {names}{f': {why}' if why else ''}"))
    return 1 if report["findings"] else 2 if skipped and args.hand else 0

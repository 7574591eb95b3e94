"""``benchcon rehearse``: runs a panel by its rules, without a simulator, and checks what it does."""

from __future__ import annotations

import argparse
import contextlib
from typing import TYPE_CHECKING

from benchcon.cli.options import hand_option
from benchcon.cli.terminal import can_show_console
from benchcon.gate import say_on_stderr

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from benchcon.rehearse.result import ScenarioResult
    from benchcon.rehearse.scenario import Named, Scenario
    from benchcon.rig.hand import Hand
    from benchcon.session import LiveSession


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "files",
        nargs="+",
        metavar="FILE|PORT",
        help="scenario files (.toml), whose rules are run; and ports of boards (device path or socket://host:port) to "
        "play them on in real time. Without a port they are played on simulated boards, faster than real time. "
        "With a behaviour file and captures, what the panel showed in them is compared with what the rules say",
    )
    parser.add_argument("--rules", metavar="FILE", help="rules file, in place of the one that the scenario names")
    parser.add_argument("--panel", metavar="FILE", help="panel file, in place of the one that the scenario names")
    hand_option(parser, "without one, you are asked to move the controls")
    parser.add_argument(
        "--values",
        metavar="SOURCE",
        action="append",
        default=[],
        help="take values from another program: - (JSON lines on standard input), tcp:PORT or udp:PORT (JSON lines, "
        "this machine only), mqtt://HOST/PREFIX or mqtts://HOST/PREFIX; FILE may then be a behaviour file",
    )
    parser.add_argument(
        "--publish",
        metavar="BROKER",
        help="publish what the panel does to a broker: mqtt://HOST/PREFIX or mqtts://HOST/PREFIX",
    )
    parser.add_argument(
        "--sweep",
        action="store_true",
        help="instead of playing, try every value over its range, every control in its positions, and pairs of them "
        "that meet in a rule; report lamps that never light and texts too long for their display",
    )
    parser.add_argument(
        "--captures",
        metavar="DIR",
        help="leave a capture of each scenario in this folder, which is made if it does not exist; without this, "
        "captures of those that fail are left in the current folder",
    )
    parser.add_argument(
        "--headless",
        action="store_true",
        help="no console: without a port play on simulated boards, faster than real time, and print the result; "
        "implied without a terminal, with several scenarios, and with --junit",
    )
    parser.add_argument("--junit", metavar="FILE", help="write the result as JUnit XML")
    parser.add_argument("--force", action="store_true", help="overwrite the JUnit file if it exists")


def run(args: argparse.Namespace) -> int:
    """Play the scenarios. Return 0 if all expectations were met, 1 if not or a rule failed, 2 if nothing was played."""
    from pathlib import Path

    from benchcon.capture.form import ENDINGS
    from benchcon.errors import Trouble
    from benchcon.files import may_write
    from benchcon.rehearse.scenario import Named
    from benchcon.text import printable

    scenarios = [file for file in args.files if file.endswith(".toml")]
    recorded = [file for file in args.files if file.endswith(ENDINGS)]
    ports = [file for file in args.files if file not in scenarios and file not in recorded]
    if not scenarios:
        beside = ", or a behaviour file beside the capture" if recorded else ""
        port = f": {printable(ports[0])} does not end in .toml, so it is taken for a port" if ports else ""
        raise Trouble(f"no scenario is named{port}; name a file such as crosswind.toml{beside}")
    may_write(args.junit, force=args.force)
    panel, rules = (Path(file) if file else None for file in (args.panel, args.rules))
    named = Named(panel, rules)
    if args.sweep or recorded:
        if ports or args.hand or args.values or args.publish:
            raise Trouble(
                "a sweep or a comparison with captures uses no board; leave out ports, --hand, --values and --publish"
            )
        return _sweep(scenarios, named) if args.sweep else _against(scenarios, recorded, named)
    captures = Path(args.captures or ".")
    try:
        captures.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = f"cannot be made: {error.strerror}" if not captures.exists() else "is not a folder"
        raise Trouble(f"--captures {printable(args.captures)}: {why}") from error
    if len(scenarios) == 1 and not args.headless and not args.junit and can_show_console():
        return _in_console(scenarios[0], named, captures, args, ports)
    # Values from another program come in real time, so without a port simulated boards are started to run in real time.
    play = _on_boards if ports or args.hand or args.values or args.publish else _simulated
    results = play(scenarios, named, captures, args, ports)
    if args.junit:
        _junit(Path(args.junit), results, args.force)
    return 0 if all(result.good for result in results) else 1


def _sweep(files: Sequence[str], named: Named) -> int:
    from benchcon.rehearse import rules_file
    from benchcon.rehearse.sweep import lines, sweep
    from benchcon.text import printable

    code = 0
    for path in files:
        scenario = _read(path, named, True)
        rules = rules_file.load(scenario.rules, scenario.panel, scenario.behaviour)
        report, wrong = lines(printable(path), scenario, rules, sweep(scenario, rules))
        print("\n".join(report), flush=True)
        code = max(code, int(wrong))
    return code


def _against(files: Sequence[str], captures: Sequence[str], named: Named) -> int:
    from benchcon.rehearse import rules_file
    from benchcon.rehearse.against import Against, as_text
    from benchcon.state_reader import StateReader
    from benchcon.text import printable

    code = 0
    for path in files:
        scenario = _read(path, named, True)
        rules = rules_file.load(scenario.rules, scenario.panel, scenario.behaviour)
        for capture in captures:
            against = Against(scenario, rules)
            with StateReader(capture) as reader:
                against.feed(reader)
            code = max(code, int(bool(against.end() or against.mistakes)))
            print(as_text(printable(capture), against), flush=True)
    return code


def _simulated(
    scenarios: Sequence[str], named: Named, captures: Path, args: argparse.Namespace, ports: Sequence[str]
) -> list[ScenarioResult]:
    from benchcon.rehearse.play import play
    from benchcon.rehearse.result import as_text

    results = []
    for scenario in scenarios:
        result = play(scenario, named, captures=captures, always=args.captures is not None, tell=say_on_stderr)
        print(as_text(result), flush=True)
        results.append(result)
    return results


def _on_boards(
    scenarios: Sequence[str], named: Named, captures: Path, args: argparse.Namespace, ports: Sequence[str]
) -> list[ScenarioResult]:
    """Play the scenarios one after the other in real time, on `ports` or on simulated boards started for each."""
    from pathlib import Path

    from benchcon.cli.bench import leave, open_bench
    from benchcon.cli.hands import ask_to, hands_of, ports_of
    from benchcon.cli.until import Until
    from benchcon.errors import Trouble
    from benchcon.rehearse.play import LivePlay, play_live
    from benchcon.text import printable

    elsewhere = bool(args.values or args.publish)
    read = {path: _read(path, named, elsewhere) for path in scenarios}  # all of them before the first lamp is lit
    # Standard input can be values or a person's answers, not both.
    ask = None if "-" in args.values else ask_to
    hands = hands_of(args.hand)
    ports = named_ports = ports_of(ports, hands)
    results = []
    # Without steps of its own it goes on, driven by the other program's values, until it is ended.
    lasts = not any(scenario.actions for scenario in read.values())
    with Until(interrupt=True, open_ended=lasts) as until:
        for path, scenario in read.items():
            capture = captures / f"{Path(path).stem}.capture"
            own = contextlib.ExitStack()
            if not named_ports:
                hands, ports = _start_boards(scenario, own)
            session = open_bench(ports, scenario.panel, hands, until, capture)
            try:
                _begin(session, scenario, capture, args)
                with until.asked():
                    play = LivePlay(
                        session,
                        scenario,
                        hands=hands,
                        ask=ask,
                        values=args.values,
                        publish=args.publish or "",
                        tell=say_on_stderr,
                    )
                    result = play_live(play, until.wait)
            finally:
                dark = leave(session)
                own.close()
            results.append(_reported(result, session))
            if not dark:
                raise Trouble("a board did not confirm dark, so no more scenarios are played")
            if until.signalled and scenario.actions:
                raise Trouble(f"{printable(path)}: stopped before its end; the scenarios after it were not played")
    return results


def _start_boards(scenario: Scenario, stack: contextlib.ExitStack) -> tuple[dict[str, Hand], list[str]]:
    """Start simulated boards for a scenario, until `stack` is closed; return their hands by board, and their ports."""
    from pathlib import Path

    from benchcon.rig.boards import begin

    boards = stack.enter_context(begin(Path(scenario.panel.path)))
    boards.wait()
    return dict(boards.hands), [board.port for board in boards.boards]


def _in_console(path: str, named: Named, captures: Path, args: argparse.Namespace, ports: Sequence[str]) -> int:
    """Play one scenario in the console, in real time: on the boards that are named, or on simulated ones."""
    from pathlib import Path

    from benchcon.cli.bench import open_bench
    from benchcon.cli.hands import hands_of, ports_of
    from benchcon.cli.until import Until
    from benchcon.console.rehearsal import PersonAsked
    from benchcon.console.run import run_console
    from benchcon.rehearse.play import LivePlay
    from benchcon.rehearse.users_hand import UsersHand
    from benchcon.walk.occupied import step_aside

    scenario = _read(path, named, True)
    capture = captures / f"{Path(path).stem}.capture"
    hands = hands_of(args.hand)
    ports = ports_of(ports, hands)
    asked = PersonAsked()
    # Until the console is there, which looks out for signals itself, one ends the start and the meeting of the boards.
    with Until(interrupt=True, open_ended=True) as until, contextlib.ExitStack() as stack:
        if not ports:
            hands, ports = _start_boards(scenario, stack)
        # The user's own hands beside the scenario's: as soon as the user moves something, the scenario stops moving it.
        users = {name: UsersHand(hand.control, lambda: play.run.hands_off()) for name, hand in hands.items()}
        session = open_bench(ports, scenario.panel, users, until, capture)
        stack.callback(session.close)
        _begin(session, scenario, capture, args)
        play = LivePlay(
            session,
            scenario,
            hands=hands,
            ask=asked.ask,
            values=args.values,
            publish=args.publish or "",
            stay=True,
        )
        step_aside(session, play.run)
        with until.asked(), play:
            try:
                code = run_console(session, until, play.run, asked, view="rehearsal")
            finally:
                asked.close()
    return max(code, 0 if _reported(play.result(), session).good else 1)


def _begin(session: LiveSession, scenario: Scenario, capture: Path, args: argparse.Namespace) -> None:
    """Wait for the scenario's boards, end dark, and record into `capture` if captures were asked for."""
    from benchcon.cli.bench import meet

    meet(session, scenario.panel)
    assert session.bench is not None
    session.bench.light()
    if args.captures is not None:
        session.start_recording(capture, force=args.force)


def _reported(result: ScenarioResult, session: LiveSession) -> ScenarioResult:
    """Print the result with the first of the session's captures, and return it."""
    from pathlib import Path

    from benchcon.rehearse.result import as_text

    for closed in session.captures:
        result.capture = result.capture or Path(closed.figures.path)
    print(as_text(result), flush=True)
    return result


def _read(path: str, named: Named, elsewhere: bool) -> Scenario:
    """Return the scenario in a file. `elsewhere`: a behaviour file is accepted too, as a scenario without steps."""
    from benchcon.panel.file import LARGEST, slurp
    from benchcon.rehearse import behaviour
    from benchcon.rehearse.scenario import load, looks_like_one, without_steps

    text = slurp(path, LARGEST + 1, whole=False).decode("utf-8", "replace")
    if elsewhere and behaviour.looks_like_one(text) and not looks_like_one(text):
        return without_steps(path, named)
    return load(path, named)


def _junit(path: Path, results: list[ScenarioResult], force: bool) -> None:
    from benchcon.files import new_file
    from benchcon.rehearse.result import texts
    from benchcon.replay.junit import as_junit
    from benchcon.replay.verdict import Verdict

    verdicts = []
    for result in results:
        never = [f"never due, so not tested: {each.name}" for each in result.never]
        verdicts.append(Verdict(f"rehearsal of {result.path}", texts(result), never))
    with new_file(path, force=force) as out:
        out.write(as_junit([("benchcon", verdict) for verdict in verdicts]))

"""``benchcon tap``: sits between a board and the program that drives it, passes every byte on, and records."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from benchcon.cli.options import seconds
from benchcon.cli.port_name import port_name
from benchcon.cli.terminal import can_show_console
from benchcon.gate import say_on_stderr
from benchcon.text import decimal
from benchcon.wire.codec import RATE

if TYPE_CHECKING:
    from benchcon.cli.until import Until
    from benchcon.tap_session import TapSession

LOOPBACK = ("127.0.0.1", "::1", "localhost")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.description = (
        "Sit between boards and the program that normally drives them. The first lines on standard output are the "
        "ports that the program should open, one for each PORT, in order: pseudo-terminals, or TCP ports with --tcp "
        "or --rfc2217. Which board is behind which port is said on standard error, as soon as the board has identified "
        "itself to the program. On a terminal the console shows the traffic; its driving keys are off, because the "
        "program drives. Ctrl-C ends it.\n\n"
        "Every byte is passed on as it comes, both ways, and the rate that the program sets is set on PORT. Without "
        "--ping, nothing is ever sent that the program did not send."
    )
    parser.add_argument(
        "ports",
        nargs="+",
        type=port_name,
        metavar="PORT",
        help="the board's port, or socket://HOST:PORT; several are recorded into one capture",
    )
    parser.add_argument("-o", "--output", metavar="FILE", help="record into this capture")
    parser.add_argument("--panel", metavar="FILE", help="panel file for the console, and to put into the capture")
    parser.add_argument("--headless", action="store_true", help="no console, even on a terminal")
    parser.add_argument(
        "--ping",
        action="store_true",
        help="ping the boards between the program's lines; the answers do not reach the program. Delays between two "
        "boards can then be measured in both directions",
    )
    parser.add_argument("--rate", metavar="BAUD", type=int, default=RATE, help="rate until the program sets one")
    parser.add_argument("--tcp", action="store_true", help="offer a TCP port of this machine (socket://)")
    parser.add_argument("--rfc2217", action="store_true", help="the same, passing rates and line signals on (RFC 2217)")
    parser.add_argument(
        "--listen",
        metavar="HOST:PORT",
        help="where --tcp or --rfc2217 listens (127.0.0.1, any free port); at any other address, other machines can "
        "connect",
    )
    parser.add_argument("--seconds", type=seconds, metavar="N", help="end after this many seconds")
    parser.add_argument("--force", action="store_true", help="if FILE exists, rename it with a number")


def run(args: argparse.Namespace) -> int:
    """Run the tap. Return 0 if ended by Ctrl-C or its time, 1 if bytes are missing in the capture, 2 if it failed."""
    from benchcon import PROGRAM
    from benchcon.cli.until import Until
    from benchcon.errors import Trouble
    from benchcon.panel.file import load
    from benchcon.panel.model import Panel

    shown = not args.headless and can_show_console()
    _refuse(args, shown)
    from benchcon.tap_session import TapSession  # which other systems cannot import

    listen = _address(args.listen) if args.tcp or args.rfc2217 else None
    panel = load(args.panel) if args.panel else Panel()
    _look_ahead(args, listen)
    with Until(args.seconds, open_ended=True) as until:
        session = TapSession(
            args.ports,
            panel,
            listen=listen,
            rfc2217=args.rfc2217,
            rate=args.rate,
            ping=args.ping,
            keep=shown,
            kept=Path(args.output) if args.output else None,
        )
        code = 0
        try:
            if args.output:
                session.start_recording(args.output, force=args.force, words={"program": PROGRAM})
            for tap in session.taps:
                print(tap.name, flush=True)
            session.start()
            if shown:
                from benchcon.console.run import run_console

                code = run_console(session, until)
            else:
                _watch(session, until)
        finally:
            session.close()
            if not shown:
                _tell(session)
    if session.trouble:
        raise Trouble(session.trouble)
    return _end(session, shown) or code


def _refuse(args: argparse.Namespace, shown: bool) -> None:
    """Raise `Trouble` if options that do not go together were given, or if this system cannot tap."""
    import sys

    from benchcon.errors import Trouble

    if sys.platform == "win32":
        raise Trouble("benchcon tap needs a system with pseudo-terminals and poll, such as Linux or macOS")
    if args.listen and not (args.tcp or args.rfc2217):
        raise Trouble("--listen needs --tcp or --rfc2217: a pseudo-terminal has no address")
    if args.panel and not args.output and not shown:
        raise Trouble("--panel is stored in a capture: name one with -o")


def _look_ahead(args: argparse.Namespace, listen: tuple[str, int] | None) -> None:
    """Raise `Trouble` if the capture cannot be written; warn if others can reach the board."""
    from benchcon.capture.parts import GIVE_NUMBER
    from benchcon.files import may_write
    from benchcon.text import printable

    if args.output and not args.force:
        may_write(args.output, way_out=GIVE_NUMBER)
    if listen is not None and listen[0] not in LOOPBACK:
        say_on_stderr(
            f"warning: anyone who can reach {printable(listen[0])} can drive this board: there is no password, and "
            "lamps and motors obey whoever connects"
        )


def _watch(session: TapSession, until: Until) -> None:
    """Say what happens, for a user without a screen, until it is time to end or nothing comes any more."""
    from benchcon.cli.loss import Loss

    loss = Loss()
    while not until.wait(0.1) and not session.trouble:
        _tell(session)
        for line in loss.look(session.recording_figures):
            say_on_stderr(line)


def _tell(session: TapSession) -> None:
    while session.said:
        say_on_stderr(session.said.popleft())


def _end(session: TapSession, shown: bool) -> int:
    """Report what was recorded and return the exit code.

    If the console was `shown`, it has reported this itself, except for what only a tap knows.
    """
    from benchcon.text import counted, printable

    if not session.captures:
        return 0
    code = 0
    for closed in session.captures:
        figures = closed.figures
        missing = figures.lost
        if not shown:
            if figures.trouble:
                say_on_stderr(figures.trouble)
            say_on_stderr(f"{counted(figures.records, 'record')} in {printable(figures.path)}")
        if missing or session.missed:
            what = counted(missing, "record") if missing else counted(session.missed, "byte")
            why = figures.missing or figures.missed_why
            say_on_stderr(
                f"{what} passed on and MISSING from the capture" + (f" ({printable(why)})" if why and missing else "")
            )
        code = code or int(bool(missing or session.missed or figures.trouble))
    for tap in session.taps:
        if tap.up.speaks is False and tap.up.bytes:
            say_on_stderr(
                f"what {printable(tap.port)} sends is not the line protocol: it is kept as bytes with their times"
            )
    return code


def _address(text: str | None) -> tuple[str, int]:
    from benchcon.errors import Trouble
    from benchcon.text import printable

    if text is None:
        return "127.0.0.1", 0
    host, colon, number = text.rpartition(":")
    port = decimal(number)
    if not colon or port is None or port > 65535:
        raise Trouble(f"--listen: '{printable(text)}' is not an address; write HOST:PORT, such as 127.0.0.1:4000")
    return host.strip("[]"), port

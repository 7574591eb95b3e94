"""``benchcon console``: the console on boards that are plugged in."""

from __future__ import annotations

import argparse

from benchcon.cli.options import ports_argument


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    ports_argument(parser)
    parser.add_argument("--panel", metavar="FILE", help="panel file: names, places, colours, budgets")


def run(args: argparse.Namespace) -> int:
    """Open the bench and show the console. Return the exit code."""
    from benchcon.cli.until import Until

    if not args.ports and not args.panel and _nothing_there():
        code = _choose()
        if code is not None:
            return code
    with Until(open_ended=True) as until:  # from here on Ctrl-C ends the console in order, whenever it comes
        from benchcon.console.run import open_and_run

        return open_and_run(args.ports, args.panel, until)


def _nothing_there() -> bool:
    """Return whether no port that could be opened is plugged in, and a person at the terminal can be asked."""
    import sys

    from benchcon.errors import Trouble
    from benchcon.link.discovery import find_ports, remembered_ports
    from benchcon.rig.shining import running

    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return False
    try:
        # A computer's own serial ports are always there, so they do not count; the console lists them.
        return not remembered_ports() and not any(port.usb or port.what for port in find_ports(running()))
    except Trouble:
        return False


def _choose() -> int | None:
    """Ask what to do instead; return the exit code, or None to open the console."""
    from benchcon.cli.questions import MENU, InputEnded

    print(MENU)
    try:
        return _answered()
    except InputEnded:
        return 0


def _answered() -> int | None:
    """Ask for a choice from the menu and carry it out; return as `_choose` does."""
    from pathlib import Path

    from benchcon.cli.main import main
    from benchcon.cli.questions import CONNECT, ask

    while True:
        answer = ask("1 to 5, or q:").lower()
        if answer == "1":
            return main(["demo"])
        if answer == "2":
            name = ask("Which file?")
            return main(["try", name]) if name else 0
        if answer == "3":
            name = ask("Where should it be written? (desk.toml)") or "desk.toml"
            code = main(["draft", "-o", name])
            if code == 0 and Path(name).is_file() and ask("Try it now? (y)").lower() in ("", "y", "yes"):
                return main(["try", name])
            return code
        if answer == "4":
            print(CONNECT)
        elif answer == "5":
            return None
        elif answer in ("q", ""):
            return 0

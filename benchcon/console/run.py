"""Running the console on a session, and leaving it dark whatever ends it."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Sequence
from types import FrameType
from typing import Protocol

from benchcon.console.app import ConsoleApp
from benchcon.console.captures import told
from benchcon.errors import Trouble
from benchcon.panel.file import load
from benchcon.panel.model import Panel
from benchcon.session import LiveSession, Session


def _need_terminal() -> None:
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise Trouble(
            "the console needs a terminal; without one use 'record', 'replay --headless' or 'demo --headless'"
        )


class Told(Protocol):
    """Who knows whether a signal to end has come already, such as `benchcon.cli.until.Until`."""

    told: bool


def run_console(session: Session, until: Told | None = None) -> int:
    """Show the console until the user leaves it; close the session and return an exit code.

    `until`: who caught signals before this; one that has come by then ends the console at once.

    Raises `Trouble` with one line if the console came to an unexpected end; the bench is dark by then.
    """
    try:
        _need_terminal()
    except Trouble:
        session.close()
        raise
    app = ConsoleApp(session)
    caught: list[int] = []

    def leave(number: int, frame: FrameType | None) -> None:
        # No more than this: it may come at any moment, before the console stands or while it goes down.
        caught.append(number)

    # Ctrl-C is a key while the console stands, and a signal until then and afterwards.
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), leave)
    app.leave_when = lambda: bool(caught) or (until is not None and until.told)
    confirmed = True
    code = None
    try:
        if not app.leave_when():
            code = app.run()
    finally:
        app.sight.close()
        if session.bench is not None:
            confirmed = session.bench.close(dark=True)
        session.close()
    for closed in session.captures:
        print(f"benchcon: wrote {told(closed)}", file=sys.stderr)
    if not confirmed:
        print("benchcon: dark was NOT CONFIRMED by every board: pull the plug", file=sys.stderr)
    if app.trouble:
        hint = "" if os.environ.get("BENCHCON_TRACEBACK") else "; BENCHCON_TRACEBACK=1 shows where"
        raise Trouble(f"the console ended: {app.trouble}{hint}")
    return int(code or 0)


def open_and_run(ports: Sequence[str], panel_path: str | None, until: Told | None = None) -> int:
    """Open `ports` (none: those agreed to before) with a panel file and run the console. Raises `Trouble`."""
    from benchcon.link import Bench
    from benchcon.link.found import agreed_ports

    panel = load(panel_path) if panel_path else Panel()
    _need_terminal()
    bench = Bench(list(ports) or agreed_ports(), panel=panel)
    session = LiveSession(bench, panel)
    bench.start()
    return run_console(session, until)

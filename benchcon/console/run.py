"""Runs the console on a session, and leaves the bench dark however it ends.

The screen may hang at any time, above all when its terminal is gone, and takes its time to go. So dark does not wait
for it: on a key that quits and on a signal (`Ending`) the link darkens the bench first; after a signal `Ending` ends
the process if the screen does not. The boards' dead-man is fed only while the screen's loop runs (`ConsoleApp.frame`).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol

from benchcon.console.app import ConsoleApp
from benchcon.errors import TRACEBACK, Trouble, wants_traceback
from benchcon.gate import say_on_stderr
from benchcon.panel.file import load
from benchcon.panel.model import Panel
from benchcon.panel.unplug import not_confirmed
from benchcon.session import LiveSession, Session
from benchcon.view.captures import closed_text

if TYPE_CHECKING:
    from benchcon.console.rehearsal import PersonAsked
    from benchcon.rehearse.live import LiveRun


def _need_terminal(until: Ending) -> None:
    # One that was closed during the start has sent its signal, which ends the console in order.
    if not until.signalled and not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise Trouble(
            "the console needs a terminal; without one use 'record', 'replay --headless' or 'demo --headless'"
        )


class Ending(Protocol):
    """What catches signals and a terminal that hangs up: `benchcon.cli.until.Until`."""

    signalled: bool
    """Whether a signal has come."""

    def wait(self, at_most_s: float) -> bool:
        """Wait up to `at_most_s` seconds; return whether it is time to end."""

    def first(self, do: Callable[[], object]) -> None:
        """Have `do` called as soon as a signal comes."""

    def last(self, do: Callable[[], object]) -> None:
        """Have `do` called if the program then does not end by itself."""

    def mind_terminal(self, fd: int) -> None:
        """Treat it as a signal if this terminal hangs up."""


def run_console(
    session: Session,
    until: Ending,
    rehearsal: LiveRun | None = None,
    asked: PersonAsked | None = None,
    *,
    view: str = "",
    begin: Callable[[], object] | None = None,
) -> int:
    """Show the console until the user leaves it; close the session and return an exit code.

    The code is 0 if all is well, and 1 if a board did not confirm dark or if records are missing in a capture.

    `until` catches signals; one that has come already ends the console at once. `rehearsal` runs on the bench (the
    caller starts and closes it), and asks the person through `asked`. `view` is the first view to show; `begin` is
    called once the first frame is on the screen.

    Raises `Trouble` if the console ended unexpectedly; the bench is dark by then.
    """
    try:
        _need_terminal(until)
    except Trouble:
        session.close()
        raise
    app = ConsoleApp(session, rehearsal, asked, view=view)
    bench = session.bench

    def dark() -> None:
        if bench is not None:
            bench.dark(for_good=True)

    def dark_on_leaving() -> None:
        if rehearsal is not None:
            rehearsal.end()  # before everything goes dark, which its expectations must not see
        dark()

    until.first(dark)
    until.last(session.close)
    until.mind_terminal(sys.stderr.fileno())
    app.when_shown = begin
    app.when_leaving = dark_on_leaving
    app.leave_when = lambda: until.wait(0) or bool(session.trouble)
    confirmed = True
    code = None
    try:
        if not app.leave_when():
            code = app.run()
    finally:
        app.model.close()
        if rehearsal is not None:
            rehearsal.end()
        if bench is not None:
            confirmed = bench.close(dark=True)
        session.close()
    whole = _say_what_was_written(session)
    if app.parting:
        say_on_stderr(app.parting)
    if not confirmed:
        say_on_stderr(not_confirmed(app.model.panel))
    if app.trouble and not session.trouble:
        hint = "" if wants_traceback() else f"; {TRACEBACK}=1 shows where"
        raise Trouble(f"the console ended: {app.trouble}{hint}")
    return int(code or 0) or int(not (confirmed and whole))


def _say_what_was_written(session: Session) -> bool:
    """Say on standard error which captures were written; return whether no record is missing in any of them."""
    for closed in session.captures:
        say_on_stderr(f"wrote {closed_text(closed)}")
    return not any(closed.figures.lost for closed in session.captures)


def open_and_run(ports: Sequence[str], panel_path: str | None, until: Ending) -> int:
    """Open `ports` (if empty, the remembered ones) with a panel file, and run the console.

    Returns an exit code, and raises `Trouble`, as `run_console`.
    """
    from benchcon.link import Bench
    from benchcon.link.discovery import remembered_ports

    panel = load(panel_path) if panel_path else Panel()
    _need_terminal(until)
    bench = Bench(list(ports) or remembered_ports(), panel=panel)
    session = LiveSession(bench, panel)
    return run_console(session, until, begin=bench.start)

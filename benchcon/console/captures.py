"""Begins and ends captures from the console."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchcon.console.ask import Ask
from benchcon.durations import capture_path, span_text
from benchcon.errors import Trouble
from benchcon.session import OpenSession
from benchcon.text import printable
from benchcon.view.captures import closed_text

if TYPE_CHECKING:
    from benchcon.console.bench_app import BenchApp


ABOUT = (
    "A name without a path is made where the program was started; .capture is added if it is missing. The file grows "
    "while it is written, and is complete up to its last line whatever happens to this program. benchcon replay FILE "
    "shows it on this same screen, benchcon compare and benchcon export work on it."
)
"""Help text while a capture's name is asked for."""


def capture_name(text: str) -> str:
    """Return a typed name with the suffix by which pytest and ``check`` recognise captures."""
    return text if text.endswith(".capture") else f"{text}.capture"


def start(app: BenchApp) -> None:
    """Ask for a file and record into it."""
    session = app.session
    if not isinstance(session, OpenSession):
        return

    def begin(text: str) -> None:
        session.start_recording(capture_name(text))

    def done(text: str | None) -> None:
        if text is not None:
            app.tell(f"recording into {printable(capture_name(text))}")

    # The proposed name has the form of those that triggers and the save key use.
    name = capture_path(Path("bench.capture"), datetime.now(UTC)).name
    why = "Everything on the wire goes into this file until you press r again. It never overwrites another file."
    app.push_screen(Ask("Record into", why, name, check=begin, more=ABOUT), done)


def stop(app: BenchApp) -> None:
    """End the capture that is being written, and show what is in it."""
    session = app.session

    def close() -> None:
        closed = session.stop_recording() if isinstance(session, OpenSession) else None
        if closed is not None:
            app.tell(f"closed {closed_text(closed)}")

    app.run_worker(close, thread=True, exit_on_error=False)


def keep(app: BenchApp) -> None:
    """Save the last 10 minutes of the bench, and what follows for a while."""
    session = app.session
    if not isinstance(session, OpenSession):
        return
    before = session.keeping
    follow = f"the next {session.keeper.follow_us / 1e6:g} s"
    try:
        path = session.keep_last()
    except Trouble as trouble:
        app.tell(str(trouble), "error")
        return
    name = printable(path.name)
    if before is not None and before.path == path:
        app.tell(f"{follow} are saved in {name} too")
    else:
        app.tell(f"the last {span_text(session.ring_reach_us)} and {follow} are saved in {name}")

"""The captures that are written from the console: the keys that begin and end them, and what is said of them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchcon.console.ask import Ask
from benchcon.errors import Trouble
from benchcon.panel.summary import counted
from benchcon.recording.keeper import Closed
from benchcon.session import OpenSession, Session
from benchcon.text import printable

if TYPE_CHECKING:
    from benchcon.console.app import ConsoleApp


def size_text(count: int) -> str:
    """A number of bytes for a person: ``812 B``, ``34 kB``, ``1.2 MB``."""
    if count < 1000:
        return f"{count} B"
    if count < 1_000_000:
        return f"{count / 1000:.0f} kB"
    return f"{count / 1e6:.1f} MB" if count < 1e9 else f"{count / 1e9:.2f} GB"


def span_text(us: int) -> str:
    """A stretch of time as ``m:ss`` or ``h:mm:ss``."""
    seconds = max(us, 0) // 1_000_000
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def told(closed: Closed) -> str:
    """A closed capture in one line: which file, how many records and bytes, how long, and what is not in it."""
    figures = closed.figures
    span = span_text(closed.to_us - closed.from_us)
    size = size_text(figures.bytes) + (f" ({figures.bytes} B)" if figures.bytes >= 1000 else "")
    parts = f", the last of {figures.parts + 1} files" if figures.parts else ""
    text = f"{printable(figures.path)}: {counted(figures.records, 'record')}, {size}, {span}{parts}"
    missing = figures.missed + figures.waiting
    if missing:
        why = f" ({printable(figures.missing)})" if figures.missing else ""
        text += f"; {missing} records are MISSING in it{why}"
    return text


def troubles(session: Session) -> list[str]:
    """What is the matter with the captures that are being written."""
    if not isinstance(session, OpenSession):
        return []
    found = [f"saving the last 10 minutes: {session.keeper.trouble}"] if session.keeper.trouble else []
    for what, figures in (("recording", session.recording_figures), ("saving", session.keeper.figures())):
        if figures is None:
            continue
        if figures.missing:
            found.append(f"{what}: {printable(figures.missing)}; {figures.missed} records missed so far")
        elif figures.missed:
            found.append(f"{what}: {figures.missed} records are in no file")
        if figures.trouble:
            found.append(f"{what}: {printable(figures.trouble)}")
    return found


def capture_name(text: str) -> str:
    """The name of a capture as it was typed, with its suffix: by that it is known as one (``pytest``, ``check``)."""
    return text if text.endswith(".capture") else f"{text}.capture"


def start(app: ConsoleApp) -> None:
    """Ask for a file and record into it."""
    session = app.session
    if not isinstance(session, OpenSession):
        return

    def begin(text: str) -> None:
        session.start_recording(capture_name(text))

    def done(text: str | None) -> None:
        if text is not None:
            app.tell(f"recording into {printable(capture_name(text))}")

    # As the captures are named that triggers and the key begin.
    stem = datetime.now(UTC).strftime("bench.%Y%m%dT%H%M%SZ")
    name, number = f"{stem}.capture", 1
    while Path(name).exists():  # the last 10 minutes may be saved in one that was begun in the same second
        number += 1
        name = f"{stem}-{number}.capture"
    why = "Everything on the wire goes into this file until you press r again. It is never written over another."
    app.push_screen(Ask("Record into", why, name, check=begin), done)


def stop(app: ConsoleApp) -> None:
    """End the capture that is being written, and say what is in it."""
    session = app.session

    def close() -> None:
        closed = session.stop_recording() if isinstance(session, OpenSession) else None
        if closed is not None:
            app.tell(f"closed {told(closed)}")

    app.run_worker(close, thread=True, exit_on_error=False)


def keep(app: ConsoleApp) -> None:
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

"""Messages about the captures that are being written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchcon.durations import span_text
from benchcon.session import OpenSession, Session
from benchcon.text import counted, printable

if TYPE_CHECKING:
    from benchcon.recording.keeper import Closed


def size_text(count: int) -> str:
    """Return a number of bytes for a person: ``812 B``, ``34 kB``, ``1.2 MB``."""
    if count < 1000:
        return f"{count} B"
    if count < 1_000_000:
        return f"{count / 1000:.0f} kB"
    return f"{count / 1e6:.1f} MB" if count < 1e9 else f"{count / 1e9:.2f} GB"


def closed_text(closed: Closed) -> str:
    """Return what is in a closed capture in one line: file, records, size, duration, and what is missing."""
    figures = closed.figures
    span = span_text(closed.to_us - closed.from_us)
    size = size_text(figures.bytes) + (f" ({figures.bytes} B)" if figures.bytes >= 1000 else "")
    parts = f", the last of {figures.parts + 1} files" if figures.parts else ""
    text = f"{printable(figures.path)}: {counted(figures.records, 'record')}, {size}, {span}{parts}"
    if figures.lost:
        why = f" ({printable(figures.missing)})" if figures.missing else ""
        text += f"; {figures.lost} records are MISSING in it{why}"
    return text


def troubles(session: Session) -> list[str]:
    """Return what is wrong with the captures that are being written."""
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

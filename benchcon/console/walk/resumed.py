"""Describes an interrupted walk that can be continued: when it began, how far it had come, and its verdicts so far."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from benchcon.durations import day_text
from benchcon.errors import Trouble
from benchcon.report.folder import Folder
from benchcon.text import printable
from benchcon.walk.journal import FinishedStep
from benchcon.walk.machine import Walk

if TYPE_CHECKING:
    from benchcon.panel.model import Panel

_SAID = ("passed", "faulty", "possibly faulty", "skipped", "not wired")


def resumed(folder: Folder, panel: Panel, only: Sequence[str] = ()) -> str:
    """Return a sentence about the interrupted walk in `folder`; empty if there is none to continue.

    `only` names the parts to walk; empty means all.
    """
    try:
        done = folder.unfinished(panel)
    except Trouble:
        return ""
    if not done:
        return ""
    walk = Walk(panel, list(only), done)
    of, left = walk.progress.parts
    at = f", at part {of - left + 1} of {of}" if left else ""
    return (
        f"{printable(folder.path.name)}, begun {_when(folder.began)}, goes on{at}. "
        f"Judged so far: {_counted(panel, done) or 'nothing'}."
    )


def _counted(panel: Panel, done: Sequence[FinishedStep]) -> str:
    from benchcon.report.walk import build

    counts = build(panel, done, {})["counts"]
    return ", ".join(f"{counts[word]} {word}" for word in _SAID if counts.get(word))


def _when(began: str) -> str:
    """Return local day and time in words."""
    try:
        at = datetime.fromisoformat(began)
    except ValueError:
        return "at a time that its journal does not say"
    return day_text(at)

"""Describes an interrupted walk that can be continued: since when, how far, its verdicts, and what boards it was on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from benchcon.durations import day_text
from benchcon.errors import Trouble
from benchcon.report.folder import Folder
from benchcon.text import printable
from benchcon.walk.identities import BoardIdentity, changed_boards, changed_text
from benchcon.walk.journal import FinishedStep
from benchcon.walk.machine import Walk
from benchcon.walk.marks import MARKS

if TYPE_CHECKING:
    from benchcon.panel.model import Panel


def resumed(
    folder: Folder, panel: Panel, only: Sequence[str] = (), boards: Sequence[BoardIdentity] = (), otherwise: str = ""
) -> str:
    """Return sentences about the interrupted walk in `folder`; empty if there is none to continue.

    `only` names the parts to walk; empty means all. `boards` is what the boards say of themselves now: where that is
    not as before, it is said. `otherwise` says how to walk from the start.
    """
    try:
        done = folder.unfinished(panel)
    except Trouble:
        return ""
    if not done:
        return ""
    walk = Walk(panel, list(only), done)
    of, left = walk.progress.parts
    at = f" at part {of - left + 1} of {of}" if left else ""
    continued = (
        f"{printable(folder.path.name)}, begun {_when(folder.began)}, is continued{at}. "
        f"Judged so far: {_counted(panel, done) or 'nothing'}."
    )
    return " ".join(filter(None, (continued, other_boards(folder, panel, done, boards) or otherwise)))


def other_boards(
    folder: Folder, panel: Panel, done: Iterable[FinishedStep], boards: Sequence[BoardIdentity], how: bool = True
) -> str:
    """Return in words which of `boards` are not the same as when the groups `done` were; empty if all are.

    `how`: see `changed_text`.
    """
    judged = {each.group.name for each in done if each.how == "done"}
    return changed_text(changed_boards(panel, judged, folder.judged_on(), boards), how)


def _counted(panel: Panel, done: Sequence[FinishedStep]) -> str:
    from benchcon.report.walk import build

    counts = build(panel, done, {})["counts"]
    return ", ".join(f"{counts[word]} {word}" for word in MARKS if word != "not asked" and counts.get(word))


def _when(began: str) -> str:
    """Return local day and time in words."""
    try:
        at = datetime.fromisoformat(began)
    except ValueError:
        return "at a time that its journal does not say"
    return day_text(at)

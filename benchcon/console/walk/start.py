"""Starts the walk, the wiggle test and the soak: checks what they need, and asks for the folder of the report."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from textual.app import App

from benchcon.errors import Trouble
from benchcon.files import cannot_be_written
from benchcon.text import printable
from benchcon.walk.channel_changes import missing_boards

if TYPE_CHECKING:
    from benchcon.panel.model import Panel
    from benchcon.session import LiveSession
    from benchcon.view.model import ViewModel

ABOUT_FOLDER = (
    "Without a path it is made where the program was started. During the walk the folder holds its journal, written "
    "after each step: a walk that is interrupted loses nothing, and continues when it is started again with the "
    "same folder and panel file. At the end it holds walk.html, the page to keep with the panel, walk.json and "
    "junit.xml. A folder with a finished walk is not overwritten."
)
"""Help text while the folder is asked for."""


@contextmanager
def _panel_for(
    app: App[Any], model: ViewModel, session: LiveSession
) -> Iterator[tuple[Panel, Callable[[object], None]]]:
    """Yield the panel to work on, and a function to call when the work is over.

    Without a panel file it is the panel that the boards describe, as for the commands; until the end it is also the
    session's, so that the face shows it and its budgets apply. Raises `Trouble` if there is nothing on it, or if one of
    its boards does not answer.
    """
    from benchcon.diagnosis.one_switch import as_it_stands
    from benchcon.panel.draft import described
    from benchcon.state.described import said_of
    from benchcon.walk.channel_changes import PanelBoards

    panel = before = session.panel
    if not panel.parts:
        with session.lock:
            panel = described(said_of(session.state.boards.values()))
    if not panel.parts:
        raise Trouble("there is nothing to walk yet: there is no panel file, and no board has described itself")
    missing = missing_boards(session, panel)
    if missing:
        names = printable(", ".join(missing))
        raise Trouble(f"no board answers as {names}: plug it in first; F5 shows the state of each link")
    if panel is before:
        yield panel, lambda _: None
        return
    panel = as_it_stands(panel, PanelBoards(session, panel).values())

    def take(panel: Panel) -> None:
        session.take_panel(panel)
        model.look()

    take(panel)
    try:
        yield panel, lambda _: take(before)
    except BaseException:
        take(before)
        raise


def start_walk(app: App[Any], model: ViewModel, session: LiveSession) -> None:
    """Ask what to walk and where the report goes, and walk. Raises `Trouble` if it cannot be done."""
    with _panel_for(app, model, session) as (panel, over):
        _ask_walk(app, model, session, panel, over)


def _ask_walk(
    app: App[Any], model: ViewModel, session: LiveSession, panel: Panel, over: Callable[[object], None]
) -> None:
    from benchcon.console.walk.begin import Begin, keep, last_signed
    from benchcon.console.walk.resumed import resumed
    from benchcon.console.walk.scope import Scope
    from benchcon.console.walk.screen import WalkScreen
    from benchcon.report.folder import Folder
    from benchcon.walk.identities import identities

    def check(text: str) -> None:
        if text:
            folder = Folder(text)
            if folder.report() is not None and not folder.unfinished(panel):
                raise Trouble(f"{printable(text)} holds a finished walk; name another folder")
            folder.unfinished(panel)
            can_be_written(Path(text))

    def what(only: list[str] | None) -> None:
        def done(text: str | None) -> None:
            if text is None:
                over(None)
            else:
                folder = Folder(Path(text)) if text else None
                signed = begin.signed
                keep(panel, signed)
                app.push_screen(WalkScreen(model, session, panel, folder, only or (), signed), over)

        if only is None:
            over(None)
        else:
            why = f"{'What you chose' if only else 'Everything'} is tested in turn, and faults are named. The "
            why += "report goes into this folder; an unfinished walk there is continued. Empty: no report."
            folder = proposed(panel)
            afresh = "To start from the beginning, name another folder."
            going_on = resumed(Folder(folder), panel, only, identities(session, panel), afresh)
            why += f"\n\n{going_on}" if going_on else ""
            begin = Begin(why, folder, last_signed(panel), check=check, more=ABOUT_FOLDER)
            app.push_screen(begin, done)

    app.push_screen(Scope(panel), what)


def can_be_written(path: Path) -> None:
    """Make the folder, and create and remove a file in it. Raises `Trouble` if that fails."""
    try:
        path.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=path):
            pass
    except OSError as error:
        raise cannot_be_written(path, error, "; name another folder") from None


MOST_LOOKED_AT = 50
"""Most folders that are searched for an interrupted walk."""


def proposed(panel: Panel) -> str:
    """Return a name for the folder: that of an interrupted walk of this panel in this folder, else a new one."""
    from benchcon.report.folder import JOURNAL, Folder

    for path in sorted(Path().glob(f"*/{JOURNAL}"), reverse=True)[:MOST_LOOKED_AT]:
        try:
            if Folder(path.parent).unfinished(panel):
                return str(path.parent)
        except Trouble:
            continue
    return datetime.now().strftime("walk-%Y%m%d-%H%M")


def start_wiggle(app: App[Any], model: ViewModel, session: LiveSession) -> None:
    """Start the wiggle test of every input. Raises `Trouble` if it cannot be done."""
    from benchcon.console.walk.wiggle_screen import WiggleScreen

    with _panel_for(app, model, session) as (panel, over):
        app.push_screen(WiggleScreen(model, session, panel), over)


def start_soak(app: App[Any], model: ViewModel, session: LiveSession) -> None:
    """Start the soak. Raises `Trouble` if it cannot be done."""
    from benchcon.console.walk.soak_screen import ask_soak

    with _panel_for(app, model, session) as (panel, over):
        ask_soak(app, model, session, panel, over)

"""Naming by hand: asks which part, its label and its place, and writes them into the panel file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchcon.console.ask import Ask
from benchcon.console.face import Face
from benchcon.console.naming_screens import WhichPart
from benchcon.console.placing_screen import PointScreen
from benchcon.errors import Trouble
from benchcon.panel.model import Lamp, Panel, Part
from benchcon.state.board import find_channel
from benchcon.text import printable
from benchcon.view.naming import checked_label, first_file, named, part_in
from benchcon.view.showing import board_name, label_of

if TYPE_CHECKING:
    from benchcon.console.bench_app import BenchApp


ABOUT_LABEL = (
    "The label goes into the panel file, at this part; comments and the order of the file are kept. Every "
    "screen, the walk and its report use it from now on. Then you are asked where the part is."
)
ABOUT_FILE = (
    "The file is yours to edit from then on: sizes, places, colours, budgets, triggers. benchcon check reads it "
    "through, and benchcon PORT… --panel FILE uses it. An existing file is not overwritten."
)
"""Help text while the name of a first panel file is asked for."""


def take_panel(app: BenchApp, panel: Panel) -> None:
    """Make `panel`, which was just written, the session's."""
    app.session.take_panel(panel)
    app.model.look()


async def name_by_hand(app: BenchApp, selected: Part | None) -> None:
    """Ask, and write the file; it runs as a worker of the app."""
    model, session = app.model, app.session
    name = await app.push_screen_wait(WhichPart(model, selected))
    part = next((each for each in model.panel.parts if each.name == name), None)
    if part is None:
        return
    lamp = part if isinstance(part, Lamp) and session.bench is not None else None
    channel = find_channel(model.boards, board_name(part), lamp.channel.id) if lamp is not None else None
    was_lit = bool(channel is not None and channel.value)
    if lamp is not None and not was_lit:
        model.work.act(lamp, model.boards)
    try:
        await _ask(app, part)
    except Trouble as trouble:
        app.tell(str(trouble), "error")
    finally:
        if lamp is not None and not was_lit:
            model.work.put_out(lamp, model.boards)


async def _ask(app: BenchApp, part: Part) -> None:
    where = f"{printable(board_name(part))}, {printable(label_of(part))}"
    why = f"This is {where}. What is engraved beside it on the panel?"
    label = await app.push_screen_wait(
        Ask("What is it called?", why, label_of(part), check=checked_label, more=ABOUT_LABEL)
    )
    if label is None:
        return
    if not app.session.panel.path and not await _first_file(app):
        return
    written = part_in(app.session.panel, part) or part
    place = await app.push_screen_wait(PointScreen(app.session.panel, written))
    with app.session.lock:
        chips = {board.ident: board.chip for board in app.session.state.boards.values()}
    take_panel(app, named(app.session.panel, part, label, place, chips))
    renamed = part_in(app.session.panel, part)
    for face in app.screen.query(Face):
        face.select(renamed.name if renamed is not None else part.name)
    app.tell(f"“{label}” is in {printable(app.session.panel.path)}")


async def _first_file(app: BenchApp) -> bool:
    """Write a first panel file, as there is none yet; return whether there is one now."""
    made: list[Panel] = []

    def write(text: str) -> None:
        with app.session.lock:
            boards = list(app.session.state.boards.values())
        made.append(first_file(Path(text), boards))

    why = (
        "There is no panel file yet. A first one is written from what the boards say about themselves, with every part."
    )
    text = await app.push_screen_wait(Ask("Write a first panel file", why, "panel.toml", check=write, more=ABOUT_FILE))
    if text is None or not made:
        return False
    take_panel(app, made[-1])
    return True

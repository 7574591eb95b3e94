"""The plates on the face: their grounds, and their titles in a row of their own or between the parts."""

from __future__ import annotations

from collections.abc import Mapping

from rich.cells import cell_len
from rich.style import Style

from benchcon.console.canvas import Canvas, fitted
from benchcon.console.face_space import FacePlate, Title
from benchcon.console.head import VIEWS
from benchcon.console.ink import ink, mixed
from benchcon.view.board_status import BoardStatus
from benchcon.view.palette import BRASS, EDGE, ENGRAVED, GROUND, IVORY, PLATE, RAISED

_SECOND = mixed(PLATE, RAISED, 0.75)


def ground_of(number: int, plate: FacePlate) -> str:
    """Return the ground of a plate; plates without ruled titles are told apart by two tones."""
    return PLATE if (plate.title and plate.title.ruled) or number % 2 == 0 else _SECOND


MARK = "SIMULATED"
_LEAST_NAME = 7
"""Least cells to which a name is cut to make room for words."""
_LINKS_KEY = next(key.upper() for name, key, _ in VIEWS if name == "links")
"""The key of the view that says what a status means, where there is no room for words."""


def marks_fit(titles: Mapping[str, Title]) -> bool:
    """Return whether each of these plates has room for the mark that its board is simulated.

    All plates have the mark or none has: if only some had it, the others would seem real.
    """
    return all(title.ruled or title.width >= cell_len(name) + len(f" {MARK} ● live") for name, title in titles.items())


def paint_title(
    sheet: Canvas, title: Title, name: str, look: BoardStatus, simulated: bool, ground: str, colour: bool = True
) -> None:
    """Draw a plate's title: its board's name and status, and whether it is simulated."""
    status, mark = f"{look.shape} {look.word}", f" {MARK} " if simulated else ""
    if title.ruled:
        sheet.write(title.x, title.y, "─" * title.width, ink(EDGE, RAISED))
        sheet.write(title.x + 1, title.y, f" {fitted(name, title.width - 30)} ", ink(IVORY, RAISED, bold=True))
        end = title.x + title.width - 1 - len(status) - 2
        sheet.write(end, title.y, f" {status} ", _status_ink(look, RAISED, colour))
        sheet.write(end - len(mark), title.y, mark, ink(BRASS, RAISED))
        return
    # Words are at the right edge and never cut; those without room are left out, an alarming status last. Where it is
    # not all well, words come before the whole name: a mark means nothing to those who do not know it yet.
    sheet.wipe(title.x, title.y, title.width, 1, ink(ENGRAVED, ground))
    status = f" {status} " if look.loud else status
    styles = {
        "name": ink(IVORY, ground, bold=True),
        "mark": ink(BRASS, ground),
        "status": _status_ink(look, ground, colour),
    }
    tries = [[(name, "name"), (mark.strip(), "mark"), (status, "status")], [(name, "name"), (status, "status")]]
    left = title.width - cell_len(status) - 1
    if look.loud:
        tries.append([(status, "status")])
    elif look.advice:
        tries += [[(fitted(name, left), "name"), (status, "status")]] if left >= _LEAST_NAME else []
        tries.append([(name, "name"), (f"{look.shape} {_LINKS_KEY}", "status")])
    for words in (*tries, [(name, "name"), (look.shape, "status")]):
        shown = [(text, style) for text, style in words if text]
        wide = sum(cell_len(text) + 1 for text, _ in shown) - 1
        if wide <= title.width:
            break
    x = title.x + max(title.width - wide, 0)
    for text, style in shown:
        sheet.write(x, title.y, text, styles[style], max(title.x + title.width - x, 0))
        x += cell_len(text) + 1


def _status_ink(look: BoardStatus, ground: str, colour: bool) -> Style:
    """Return the style of a status; an alarming one is a block of its colour, or reversed without colours."""
    if look.loud:
        return ink(GROUND, look.colour, bold=True) if colour else Style(bold=True, reverse=True)
    return ink(look.colour, ground)

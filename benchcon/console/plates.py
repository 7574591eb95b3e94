"""The front plates on the face: their grounds and their titles, engraved in a row of their own or between the parts."""

from __future__ import annotations

from benchcon.console.canvas import Canvas, fitted
from benchcon.console.face_layout import Plate, Title
from benchcon.console.ink import BRASS, EDGE, ENGRAVED, IVORY, PLATE, RAISED, ink, mixed
from benchcon.console.standing import Standing

_SECOND = mixed(PLATE, RAISED, 0.75)


def ground_of(number: int, plate: Plate) -> str:
    """The ground of a plate: without ruled titles, plates are told apart by two tones."""
    return PLATE if (plate.title and plate.title.ruled) or number % 2 == 0 else _SECOND


def paint_title(sheet: Canvas, title: Title, name: str, look: Standing, simulated: bool, ground: str) -> None:
    """Draw a plate's title: its board's name, how it stands, and whether it is simulated."""
    standing, mark = f"{look.shape} {look.word}", " SIMULATED " if simulated else ""
    if title.ruled:
        sheet.write(title.x, title.y, "─" * title.width, ink(EDGE, RAISED))
        sheet.write(title.x + 1, title.y, f" {fitted(name, title.width - 30)} ", ink(IVORY, RAISED, bold=True))
        end = title.x + title.width - 1 - len(standing) - 2
        sheet.write(end, title.y, f" {standing} ", ink(look.colour, RAISED))
        sheet.write(end - len(mark), title.y, mark, ink(BRASS, RAISED))
        return
    # The name first; how the board stands, and that it is simulated, as far as there is room.
    sheet.wipe(title.x, title.y, title.width, 1, ink(ENGRAVED, ground))
    x, end = title.x, title.x + title.width
    for text, colour, bold in ((fitted(name, title.width), IVORY, True), (standing, look.colour, False)):
        text = text if x + len(text) <= end else look.shape if x < end else ""
        sheet.write(x, title.y, text, ink(colour, ground, bold=bold))
        x += len(text) + 1
    if x + len(mark) <= end:
        sheet.write(x, title.y, mark, ink(BRASS, ground))

"""The front plates on the face: their grounds and their titles, engraved in a row of their own or between the parts."""

from __future__ import annotations

from rich.style import Style

from benchcon.console.canvas import Canvas, fitted
from benchcon.console.face_layout import FacePlate, Title
from benchcon.console.ink import ink, mixed
from benchcon.view.board_status import BoardStatus
from benchcon.view.palette import BRASS, EDGE, ENGRAVED, GROUND, IVORY, PLATE, RAISED

_SECOND = mixed(PLATE, RAISED, 0.75)


def ground_of(number: int, plate: FacePlate) -> str:
    """The ground of a plate: without ruled titles, plates are told apart by two tones."""
    return PLATE if (plate.title and plate.title.ruled) or number % 2 == 0 else _SECOND


def paint_title(
    sheet: Canvas, title: Title, name: str, look: BoardStatus, simulated: bool, ground: str, colour: bool = True
) -> None:
    """Draw a plate's title: its board's name, how it stands, and whether it is simulated."""
    standing, mark = f"{look.shape} {look.word}", " SIMULATED " if simulated else ""
    if title.ruled:
        sheet.write(title.x, title.y, "─" * title.width, ink(EDGE, RAISED))
        sheet.write(title.x + 1, title.y, f" {fitted(name, title.width - 30)} ", ink(IVORY, RAISED, bold=True))
        end = title.x + title.width - 1 - len(standing) - 2
        sheet.write(end, title.y, f" {standing} ", _standing_ink(look, RAISED, colour))
        sheet.write(end - len(mark), title.y, mark, ink(BRASS, RAISED))
        return
    # The name first; how the board stands, and that it is simulated, as far as there is room.
    sheet.wipe(title.x, title.y, title.width, 1, ink(ENGRAVED, ground))
    x, end = title.x, title.x + title.width
    if look.loud:
        standing = f" {standing} " if title.width > len(standing) + 4 else standing
        name = fitted(name, max(title.width - len(standing) - 1, 0))
    styles = (
        (fitted(name, title.width), ink(IVORY, ground, bold=True)),
        (standing, _standing_ink(look, ground, colour)),
    )
    for text, style in styles:
        text = text if x + len(text) <= end else look.shape if x < end else ""
        sheet.write(x, title.y, text, style)
        x += len(text) + bool(text)
    mark = next((each for each in (mark, " SIM ") if x + len(each) <= end + 1), "") if mark else ""
    sheet.write(x, title.y, mark[: end - x], ink(BRASS, ground))


def _standing_ink(look: BoardStatus, ground: str, colour: bool) -> Style:
    """What is loud stands out as a block of its colour, or reversed where there are no colours."""
    if look.loud:
        return ink(GROUND, look.colour, bold=True) if colour else Style(bold=True, reverse=True)
    return ink(look.colour, ground)

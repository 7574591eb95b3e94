"""Drawing one part on the face: its engraved label and, beneath, its state by shape and word.

A tile is `Tile.LOW` (a label and one row) or `Tile.TALL` (a label and two rows) high; digits take three rows of
segments. Under NO_COLOR (`TilePen.colour` False) everything is told by shape, word, bold and reverse.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style

from benchcon.console import segment_art
from benchcon.console.canvas import Canvas, fitted, shortened
from benchcon.console.ink import (
    BRASS,
    ENGRAVED,
    FAINT,
    GROUND,
    IVORY,
    LAMP_COLOURS,
    PLATE,
    QUIET,
    UNKNOWN,
    ink,
    lit_colour,
    mixed,
)
from benchcon.console.showing import NO_SUPPLY, Showing, label_of
from benchcon.panel.model import Control, Digits, Lamp, Part

LOW, TALL = 2, 3
"""Heights of a tile in rows, its label included."""

_ARROWS = "↑↗→↘↓↙←↖"
_EIGHTHS = " ▏▎▍▌▋▊▉█"


@dataclass(frozen=True, slots=True)
class Tile:
    """Where one part stands on the face, in cells."""

    part: Part
    x: int
    y: int
    width: int
    height: int

    def holds(self, x: int, y: int) -> bool:
        """Whether a cell belongs to this tile."""
        return self.x <= x < self.x + self.width and self.y <= y < self.y + self.height


@dataclass(frozen=True, slots=True)
class TilePen:
    """How tiles are drawn: whether colours may tell anything, and the ground they stand on."""

    colour: bool = True
    ground: str = PLATE


def wanted_size(part: Part, tall: bool, most: int) -> tuple[int, int]:
    """Return the width and height a part asks for: enough for its label and its state, up to `most` cells wide.

    Digits are as wide as their segments, whatever `most` says.
    """
    label = cell_len(label_of(part))
    if isinstance(part, Digits):
        return max(part.places * segment_art.place_width(tall), min(label, most)), segment_art.ROWS + 1
    words = max(map(len, part.positions), default=6) if isinstance(part, Control) else 5
    mark = 5 if tall else 2
    if isinstance(part, Control) and part.kind == "pot":
        words, mark = 10, 4
    elif isinstance(part, Control) and part.kind == "switch" and len(part.positions) > 2:
        mark = max(2 * len(part.positions) - 1 - words, 0) if tall else len(part.positions) + 1
    return min(max(label, words + mark, 11), most), TALL if tall else LOW


def draw(canvas: Canvas, tile: Tile, showing: Showing, pen: TilePen, *, selected: bool, fresh: bool) -> None:
    """Draw a tile. `fresh`: its part was moved a moment ago."""
    ground = ink(ENGRAVED, pen.ground)
    canvas.wipe(tile.x, tile.y, tile.width, tile.height, ground)
    # Where it stands says which it is; in a plain list nothing does but the name, and names alike end differently.
    cut = fitted if tile.part.place is not None else shortened
    label = cut(label_of(tile.part).upper(), tile.width)
    style = _label_ink(pen, selected, fresh)
    if selected:
        canvas.wipe(tile.x, tile.y, tile.width, 1, style)
    canvas.write(tile.x, tile.y, label, style)
    part = tile.part
    if isinstance(part, Digits):
        _digits(canvas, tile, part, showing, pen)
    elif not showing.known:
        _not_known(canvas, tile, showing, pen)
    elif isinstance(part, Lamp):
        _lamp(canvas, tile, part, showing, pen)
    else:
        _CONTROLS[part.kind](canvas, tile, part, showing, pen)


def _label_ink(pen: TilePen, selected: bool, fresh: bool) -> Style:
    if selected:
        return ink(GROUND, BRASS, bold=True) if pen.colour else Style(bold=True, reverse=True)
    return ink(IVORY if fresh else ENGRAVED, pen.ground, bold=fresh)


def _row(tile: Tile) -> int:
    return tile.y + 1


def _word(canvas: Canvas, tile: Tile, x: int, y: int, word: str, style: Style) -> None:
    canvas.write(tile.x + x, y, _fitting(word, tile.width - x), style, tile.width - x)


def _fitting(word: str, room: int) -> str:
    """A count of changes stays where there is no room for what it counts."""
    what, times, count = word.rpartition("× ")
    return f"×{count}" if times and what and cell_len(word) > room else word


def _not_known(canvas: Canvas, tile: Tile, showing: Showing, pen: TilePen) -> None:
    style = ink(UNKNOWN, pen.ground)
    canvas.write(tile.x, _row(tile), "?", style)
    room = tile.width - 2
    word = _unknown_word(showing, room)
    canvas.write(tile.x + 2, _row(tile), word, style)
    if tile.height > LOW and word != showing.word:
        canvas.write(tile.x + 2, _row(tile) + 1, showing.word, ink(QUIET, pen.ground), room)


def _unknown_word(showing: Showing, room: int) -> str:
    """The longest way to say it that fits."""
    words = (showing.word,) if showing.word == "not wired" else ("not known",)
    return next((word for word in words if len(word) <= room), "")


def _lamp(canvas: Canvas, tile: Tile, lamp: Lamp, showing: Showing, pen: TilePen) -> None:
    y = _row(tile)
    lit = showing.level > 0
    glow = ink(lit_colour(lamp.colour, showing.level), pen.ground, bold=lit) if lit else ink(QUIET, pen.ground)
    words = ink(IVORY if lit else QUIET, pen.ground)
    if tile.height > LOW:
        canvas.write(tile.x, y, "▟██▙" if lit else "╭──╮", glow)
        canvas.write(tile.x, y + 1, "▜██▛" if lit else "╰──╯", glow)
        _word(canvas, tile, 5, y, showing.word, words)
        _word(canvas, tile, 5, y + 1, lamp.colour, ink(QUIET, pen.ground))
    else:
        canvas.write(tile.x, y, "●" if lit else "○", glow)
        _word(canvas, tile, 2, y, showing.word, words)


def _button(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    y = _row(tile)
    pressed = showing.step > 0
    shape = ink(IVORY if pressed else QUIET, pen.ground, bold=pressed)
    words = ink(IVORY if pressed else ENGRAVED, pen.ground, bold=pressed)
    if tile.height > LOW:
        canvas.write(tile.x, y, "▄▄▄▄" if pressed else "┌──┐", shape)
        canvas.write(tile.x, y + 1, "████" if pressed else "└──┘", shape)
        _word(canvas, tile, 5, y + 1 if pressed else y, showing.word, words)
    else:
        canvas.write(tile.x, y, "■" if pressed else "□", shape)
        _word(canvas, tile, 2, y, showing.word, words)


def _switch(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    if len(control.positions) > 2:
        _selector(canvas, tile, control, showing, pen)
        return
    y = _row(tile)
    on = showing.step > 0
    lever = ink(IVORY, pen.ground, bold=True)
    slot = ink(QUIET, pen.ground)
    words = ink(IVORY if on else ENGRAVED, pen.ground)
    if tile.height > LOW:
        canvas.write(tile.x, y, "▐██▌" if on else "╭──╮", lever if on else slot)
        canvas.write(tile.x, y + 1, "╰──╯" if on else "▐██▌", slot if on else lever)
        _word(canvas, tile, 5, y if on else y + 1, showing.word, words)
    else:
        mark = "▀" if on else "▄"
        canvas.write(tile.x, y, mark if showing.step >= 0 else "◂", lever)
        _word(canvas, tile, 2, y, showing.word, words)


def _selector(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    y = _row(tile)
    count = len(control.positions)
    slot, lever = ink(QUIET, pen.ground), ink(IVORY, pen.ground, bold=True)
    step = 2 if tile.height > LOW and 2 * count - 1 <= tile.width else 1
    canvas.write(tile.x, y, ("─" if step == 2 else "").join("╵" * count), slot)
    if showing.step >= 0:
        canvas.write(tile.x + step * showing.step, y, "◆", lever)
    if tile.height > LOW:
        _word(canvas, tile, 0, y + 1, showing.word, lever)
    else:
        _word(canvas, tile, count + 1, y, showing.word, lever)


def _encoder(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    y = _row(tile)
    arrow = _ARROWS[showing.step % 8]
    bright, slot = ink(IVORY, pen.ground, bold=True), ink(QUIET, pen.ground)
    if tile.height > LOW:
        canvas.write(tile.x, y, "╭  ╮", slot)
        canvas.write(tile.x, y + 1, "╰  ╯", slot)
        canvas.write(tile.x + 1, y, arrow + " ", bright)
        _word(canvas, tile, 5, y, showing.word, bright)
        _word(canvas, tile, 5, y + 1, "clicks", slot)
    else:
        canvas.write(tile.x, y, arrow, bright)
        _word(canvas, tile, 2, y, showing.word, bright)


def _pot(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    y = _row(tile)
    bright = ink(IVORY, pen.ground)
    if tile.height > LOW:
        _bar(canvas, tile.x, y, tile.width, showing.level, pen)
        _word(canvas, tile, 0, y + 1, f"{showing.word}, reads {showing.step}", bright)
    else:
        word = showing.word.rjust(5)
        _bar(canvas, tile.x, y, tile.width - 6, showing.level, pen)
        _word(canvas, tile, tile.width - 5, y, word, bright)


def _bar(canvas: Canvas, x: int, y: int, width: int, share_permille: int, pen: TilePen) -> None:
    eighths = max(width, 0) * 8 * share_permille // 1000
    full, part = divmod(eighths, 8)
    drawn = "█" * full + (_EIGHTHS[part] if part else "")
    canvas.write(x, y, drawn.ljust(width, "·"), ink(IVORY, mixed(PLATE, QUIET, 0.3)))


def _digits(canvas: Canvas, tile: Tile, digits: Digits, showing: Showing, pen: TilePen) -> None:
    if not showing.known:
        style = ink(UNKNOWN, pen.ground)
        for row in range(segment_art.ROWS):
            canvas.write(tile.x, _row(tile) + row, "╌" * min(tile.width, 4 * digits.places), ink(FAINT, pen.ground))
        canvas.write(tile.x, _row(tile) + 1, f"? {_unknown_word(showing, tile.width - 2)} ", style, tile.width)
        return
    well = mixed(GROUND, "#000000", 0.35)
    broad = tile.width >= digits.places * segment_art.place_width(True)
    lit = LAMP_COLOURS.get(digits.colour, LAMP_COLOURS["red"])
    tints = (well, mixed(well, lit, 0.11), lit)
    for row, cells in enumerate(segment_art.picture(showing.segments, broad)):
        for column, cell in enumerate(cells):
            letter, fore, back = _dot_pair(cell, tints) if pen.colour else (cell.letter, IVORY, pen.ground)
            canvas.write(tile.x + column, _row(tile) + row, letter, ink(fore, back))
    if showing.sort == "held" or (showing.word == NO_SUPPLY and not any(showing.segments)):
        word = showing.word if len(showing.word) <= tile.width else _fitting(showing.word, tile.width)
        canvas.write(tile.x, _row(tile) + 1, f" {word} " if len(word) + 2 <= tile.width else word, ink(IVORY, well))


def _dot_pair(cell: segment_art.Cell, tints: tuple[str, str, str]) -> tuple[str, str, str]:
    """The letter and the two colours of a cell: what is lit makes the letter, what is not lit only tints."""
    above, below = cell.above, cell.below
    if cell.letter == "▄":
        return "▄", tints[below], tints[above]
    if cell.letter == "▗":
        return "▗", tints[below], tints[segment_art.NOTHING]
    if cell.letter == " " and above == segment_art.NOTHING:
        # The upper dot does not exist: tint the lower half only, with a letter that is all ground above.
        return ("▄" if below == segment_art.UNLIT else " "), tints[below], tints[above]
    if cell.letter == " " and above != below:
        return "▀", tints[above], tints[below]
    return cell.letter, tints[above], tints[below]


_CONTROLS = {"button": _button, "switch": _switch, "encoder": _encoder, "pot": _pot}

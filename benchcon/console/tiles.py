"""Draws one part on the face: its engraved label and, below it, its state as shape and word.

The size of a tile is given by its `Form`. Under NO_COLOR (`TilePen.colour` False) everything is shown by shape, word,
bold and reverse.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from textwrap import wrap
from typing import NamedTuple

from rich.cells import cell_len
from rich.style import Style

from benchcon.console import segment_art
from benchcon.console.canvas import Canvas
from benchcon.console.forms import Form, Size, guarded
from benchcon.console.ink import GLASS, glass_tints, ink, lit_colour, mixed
from benchcon.panel.model import Control, Display, Lamp, Part
from benchcon.view.palette import BAD, BRASS, ENGRAVED, FAINT, GROUND, IVORY, PLATE, QUIET, UNKNOWN
from benchcon.view.showing import NO_SUPPLY, RULE_ERROR, Showing

_ARROWS = "↑↗→↘↓↙←↖"
_EIGHTHS = " ▏▎▍▌▋▊▉█"


class LabelLine(NamedTuple):
    """A line of a label, and its place."""

    x: int
    y: int
    text: str


_MARK = Form(1, 1, 1, 1, 1, 0.5)


class Tile(NamedTuple):
    """The place of one part on the face, in cells: a row for its label, and below it what it shows."""

    part: Part
    x: int
    y: int
    width: int
    height: int
    label: tuple[LabelLine, ...] = ()
    """The lines of its label, which may extend beyond the tile to both sides and above."""
    form: Form = _MARK
    size: Size = Size.LOW
    inside: tuple[Lamp, ...] = ()
    """The lamps in the part, as in a lit push button."""

    @property
    def parts(self) -> tuple[Part, ...]:
        """The part and the lamps in it."""
        return (self.part, *self.inside)

    def part_at(self, x: int, y: int) -> Part:
        """Return the part that a cell of the tile shows: a lamp at its word or its window in the art."""
        if self.inside:
            row = y - self.y - 1
            if self.size is Size.LOW:
                own = self.form.art_width - len(self.inside)
                at = x - self.x - own - guarded(self.part)
                if row == 0 and 0 <= at < len(self.inside):
                    return self.inside[at]
            elif row == (1 if self.size is Size.TALL else 4):
                return self.inside[0]
        return self.part

    def holds(self, x: int, y: int) -> bool:
        """Return whether a cell belongs to this tile."""
        if any(line.y == y and line.x <= x < line.x + cell_len(line.text) for line in self.label):
            return True
        return self.x <= x < self.x + self.width and self.y + (1 if self.label else 0) <= y < self.y + self.height

    @property
    def lead(self) -> float:
        """Distance from its left edge to the middle of its art."""
        return self.form.lead

    @property
    def wish(self) -> int:
        """Width with room for everything that may be shown of it."""
        return self.form.wish

    @property
    def centred(self) -> bool:
        """Whether label and word are centred over and under the art."""
        return self.size is Size.BIG


class TilePen(NamedTuple):
    """How tiles are drawn: whether colours may carry meaning, and their ground."""

    colour: bool = True
    ground: str = PLATE


def draw(canvas: Canvas, tile: Tile, showings: Sequence[Showing], pen: TilePen, *, selected: str, fresh: bool) -> None:
    """Draw a tile. `showings` are those of its part and of the lamps in it.

    `selected` is the name of the selected part; `fresh` says that the part was moved a moment ago.
    """
    canvas.wipe(tile.x, tile.y + 1, tile.width, tile.height - 1, ink(ENGRAVED, pen.ground))
    if guarded(tile.part):
        tile = _guard(canvas, tile, pen)
    part, showing = tile.part, showings[0]
    style = _label_ink(pen, selected == part.name, fresh or bool(selected))
    for line in tile.label:
        canvas.write(line.x, line.y, line.text, style)
    if isinstance(part, Display):
        _display(canvas, tile, part, showing, pen)
    elif not all(each.known for each in showings):
        _not_known(canvas, tile, next(each for each in showings if not each.known), pen)
    elif tile.inside:
        _lit_part(canvas, tile, showings, pen, selected)
    elif isinstance(part, Lamp):
        _lamp(canvas, tile, part, showing, pen)
    else:
        _CONTROLS[part.kind](canvas, tile, part, showing, pen)


def _guard(canvas: Canvas, tile: Tile, pen: TilePen) -> Tile:
    """Draw the frame of a cover, and return the tile of what is under it. It is not known whether the cover is up."""
    left = round(tile.x + tile.lead - tile.form.art_width / 2) - 1
    marks = ("[", "]") if tile.size is Size.LOW else ("┊", "┊")
    for row in range(tile.form.art_height):
        for x, mark in zip((left, left + tile.form.art_width + 1), marks, strict=True):
            canvas.write(x, _row(tile) + row, mark, ink(QUIET, pen.ground))
    form = tile.form._replace(lead=tile.form.lead - 1)
    return tile._replace(x=tile.x + 1, width=tile.width - 1, form=form)


def _lit_part(canvas: Canvas, tile: Tile, showings: Sequence[Showing], pen: TilePen, selected: str) -> None:
    """Draw a part with lamps in it: its own shape with a window for each lamp, and a word for both."""
    part = tile.part
    lamps: list[tuple[Lamp, Showing]] = list(zip(tile.inside, showings[1:], strict=True))
    word = _label_ink(pen, True, False) if selected in [lamp.name for lamp in tile.inside] else None
    if isinstance(part, Lamp):
        lamps.insert(0, (part, showings[0]))
        _windows(canvas, tile, lamps, pen)
        _colours(canvas, tile, lamps, pen, selected)
        return
    assert isinstance(part, Control)
    _CONTROLS[part.kind](canvas, tile, part, showings[0], pen)
    _windows(canvas, tile, lamps, pen)
    if tile.size is Size.LOW:
        x, y = tile.form.art_width + 1 + guarded(part), _row(tile)
        canvas.wipe(tile.x + x - 1, y, tile.width - x + 1, 1, ink(ENGRAVED, pen.ground))
        state = _lamps_word(lamps) if word else showings[0].word
        _word(canvas, tile, x, y, state, word or ink(IVORY if showings[0].step > 0 else ENGRAVED, pen.ground))
        return
    row = 1 if tile.size is Size.TALL else 4
    if tile.size is Size.TALL:  # the control's word is always above, the lamp's below
        beside = 5 + guarded(part)
        canvas.wipe(tile.x + beside, _row(tile), tile.width - beside, 2, ink(ENGRAVED, pen.ground))
        _say(canvas, tile, showings[0].word, ink(IVORY if showings[0].step > 0 else ENGRAVED, pen.ground))
    lit = any(showing.level for _, showing in lamps)
    x = 5 + guarded(part) if tile.size is Size.TALL else 0
    _word(canvas, tile, x, _row(tile) + row, _lamps_word(lamps), word or ink(IVORY if lit else QUIET, pen.ground))


def _colours(canvas: Canvas, tile: Tile, lamps: Sequence[tuple[Lamp, Showing]], pen: TilePen, selected: str) -> None:
    """Write how the lamps of one housing are: two below each other if there is room, the selected one marked."""
    if tile.size is Size.TALL and len(lamps) == 2:
        for row, (lamp, showing) in enumerate(lamps):
            plain = ink(IVORY if showing.level else QUIET, pen.ground)
            style = _label_ink(pen, True, False) if lamp.name == selected else plain
            _say(canvas, tile, _coloured(lamp, showing), style, row)
        return
    chosen = next((_coloured(*each) for each in lamps if each[0].name == selected), "")
    style = _label_ink(pen, True, False) if chosen else ink(IVORY, pen.ground)
    _say(canvas, tile, chosen or _lamps_word(lamps), style)


def _coloured(lamp: Lamp, showing: Showing) -> str:
    if showing.word == NO_SUPPLY:
        return NO_SUPPLY  # has a short form
    return lamp.colour if showing.word == "on" else f"{lamp.colour} {showing.word}"


def _lamps_word(lamps: Sequence[tuple[Lamp, Showing]]) -> str:
    """Return the word of one lamp, or of several the colours that are lit."""
    if len(lamps) == 1:
        return lamps[0][1].word
    return " ".join(_coloured(*each) for each in lamps if each[1].level) or lamps[0][1].word


def _windows(canvas: Canvas, tile: Tile, lamps: Sequence[tuple[Lamp, Showing]], pen: TilePen) -> None:
    """Draw the window of each lamp in the art of its part, lit or not, side by side."""
    ground = GLASS if pen.colour else pen.ground
    own = tile.size is Size.LOW or isinstance(tile.part, Lamp)  # there is no frame round it
    wide = {Size.LOW: len(lamps), Size.TALL: 4 if own else 2, Size.BIG: 6 if own else 4}[tile.size]
    left = round(tile.x + tile.lead - tile.form.art_width / 2)
    left += tile.form.art_width - len(lamps) if tile.size is Size.LOW else 0 if own else 1
    rows = {Size.LOW: (0,), Size.TALL: (0, 1), Size.BIG: (0, 1, 2) if own else (1,)}[tile.size]
    for number, (lamp, showing) in enumerate(lamps):
        begin, end = number * wide // len(lamps), (number + 1) * wide // len(lamps)
        lit = showing.level > 0
        style = ink(lit_colour(lamp.colour, showing.level) if lit else QUIET, ground, bold=lit)
        mark = ("●" if lit else "○") if tile.size is Size.LOW else "█" if lit else "·"
        for row in rows:
            canvas.write(left + begin, _row(tile) + row, mark * (end - begin), style)


def _label_ink(pen: TilePen, selected: bool, fresh: bool) -> Style:
    if selected:
        return ink(GROUND, BRASS, bold=True) if pen.colour else Style(bold=True, reverse=True)
    return ink(IVORY if fresh else ENGRAVED, pen.ground, bold=fresh)


def _row(tile: Tile) -> int:
    return tile.y + 1


def _word(canvas: Canvas, tile: Tile, x: int, y: int, word: str, style: Style) -> None:
    """Write a word from a column of the tile on, or centred if words are below the art."""
    text = _fitting(word, tile.width - x)
    if tile.centred:
        x += max(min(round(tile.lead - cell_len(text) / 2), tile.width - cell_len(text)), 0)
    canvas.write(tile.x + x, y, text, style, tile.width - x)


_LEVEL = re.compile(r"off|\d+ %")
_BRIEF = {"released": "up", "pressed": "down"}
"""Short forms of a button's positions, both used where one of the words has no room."""


def _fitting(word: str, room: int) -> str:
    """Return a short form of words that must not be cut: a count, a level, a rule error's line, a button's position."""
    if word == NO_SUPPLY and cell_len(word) > room:
        return "off"
    if word in _BRIEF and max(map(len, _BRIEF)) > room:
        return _BRIEF[word]
    colour, _, level = word.partition(" ")
    if _LEVEL.fullmatch(level) and cell_len(word) > room:
        brief = f"{colour} {level.replace(' ', '')}"
        return brief if cell_len(brief) <= room else level
    if word.startswith(RULE_ERROR) and cell_len(word) > room:
        brief = word.removeprefix(RULE_ERROR)
        return brief if cell_len(brief) <= room else f"✗ {brief.removeprefix('line ')}"
    what, times, count = word.rpartition("× ")
    return f"×{count}" if times and what and cell_len(word) > room else word


def _not_known(canvas: Canvas, tile: Tile, showing: Showing, pen: TilePen) -> None:
    style = ink(UNKNOWN, pen.ground)
    canvas.write(tile.x, _row(tile), "?", style)
    room = tile.width - 2
    word = _unknown_word(showing, room)
    canvas.write(tile.x + 2, _row(tile), word, style)
    if tile.size > Size.LOW and word != showing.word:
        x, lines = _reason(showing.word, tile.width, tile.height - 2)
        for row, line in enumerate(lines, _row(tile) + 1):
            canvas.write(tile.x + x, row, line, ink(QUIET, pen.ground))


def _reason(words: str, width: int, rows: int) -> tuple[int, list[str]]:
    """Return from which column on to write why a state is not known, and its lines; none rather than cut ones."""
    for x in (2, 0):
        lines = wrap(words, max(width - x, 1), break_long_words=False)
        if len(lines) <= rows and all(len(line) <= width - x for line in lines):
            return x, lines
    return 0, []


def _unknown_word(showing: Showing, room: int) -> str:
    """Return the longest form of the reason that fits."""
    words = (showing.word,) if showing.word == "not wired" else ("not known",)
    return next((word for word in words if len(word) <= room), "")


class Art(NamedTuple):
    """A shape at each size: as one cell, two rows, three rows."""

    low: str
    tall: tuple[str, ...]
    big: tuple[str, ...]

    def rows(self, size: Size) -> tuple[str, ...]:
        """Return its rows at a size."""
        return (self.low,) if size is Size.LOW else self.tall if size is Size.TALL else self.big


_LAMP_OFF = Art("○", ("╭──╮", "╰──╯"), ("╭────╮", "│    │", "╰────╯"))
_LAMP_LIT = Art("●", ("▟██▙", "▜██▛"), ("▗████▖", "██████", "▝████▘"))
_KEY_UP = Art("□", ("┌──┐", "└──┘"), ("┌────┐", "│    │", "└────┘"))
_KEY_DOWN = Art("■", ("▄▄▄▄", "████"), ("▄▄▄▄▄▄", "██████", "██████"))
_SWITCH_ON = Art("▀", ("▐██▌", "╰──╯"), ("▐████▌", "│    │", "╰────╯"))
_SWITCH_OFF = Art("▄", ("╭──╮", "▐██▌"), ("╭────╮", "│    │", "▐████▌"))
_KNOB = Art("", ("╭  ╮", "╰  ╯"), ("╭────╮", "│    │", "╰────╯"))


def _paint(canvas: Canvas, tile: Tile, art: Art, *styles: Style) -> None:
    """Draw a shape with a style for each row (the last for the rest), centred if words are below the art."""
    x = round(tile.x + tile.lead - tile.form.art_width / 2)
    for row, text in enumerate(art.rows(tile.size)):
        canvas.write(x, _row(tile) + row, text, styles[min(row, len(styles) - 1)])


def _say(canvas: Canvas, tile: Tile, word: str, style: Style, row: int = 0) -> None:
    """Write a word beside the shape, or below it."""
    beside, low = {Size.LOW: (2, 0), Size.TALL: (5, row), Size.BIG: (0, 3)}[tile.size]
    beside += guarded(tile.part) and tile.size is not Size.BIG
    _word(canvas, tile, beside, _row(tile) + low, word, style)


def _lamp(canvas: Canvas, tile: Tile, lamp: Lamp, showing: Showing, pen: TilePen) -> None:
    lit = showing.level > 0
    ground = GLASS if pen.colour else pen.ground
    glow = ink(lit_colour(lamp.colour, showing.level) if lit else QUIET, ground, bold=lit)
    _paint(canvas, tile, _LAMP_LIT if lit else _LAMP_OFF, glow)
    _say(canvas, tile, showing.word, ink(BAD if showing.sort == "wrong" else IVORY if lit else QUIET, pen.ground))
    if tile.size is Size.TALL:
        _say(canvas, tile, lamp.colour, ink(QUIET, pen.ground), 1)


def _button(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    pressed = showing.step > 0
    _paint(canvas, tile, _KEY_DOWN if pressed else _KEY_UP, ink(IVORY if pressed else QUIET, pen.ground, bold=pressed))
    _say(canvas, tile, showing.word, ink(IVORY if pressed else ENGRAVED, pen.ground, bold=pressed), int(pressed))


def _switch(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    if len(control.positions) > 2:
        _selector(canvas, tile, control, showing, pen)
        return
    on = showing.step > 0
    lever, slot = ink(IVORY, pen.ground, bold=True), ink(QUIET, pen.ground)
    words = ink(IVORY if on else ENGRAVED, pen.ground)
    if tile.size is Size.LOW:
        canvas.write(tile.x, _row(tile), ("▀" if on else "▄") if showing.step >= 0 else "◂", lever)
    else:
        styles = (lever, slot, slot) if on else (slot, lever) if tile.size is Size.TALL else (slot, slot, lever)
        _paint(canvas, tile, _SWITCH_ON if on else _SWITCH_OFF, *styles)
    _say(canvas, tile, showing.word, words, 0 if on else 1)


def _selector(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    y = _row(tile)
    count = len(control.positions)
    slot, lever = ink(QUIET, pen.ground), ink(IVORY, pen.ground, bold=True)
    step = (tile.form.art_width - 1) // max(count - 1, 1)
    x = round(tile.x + tile.lead - tile.form.art_width / 2)
    canvas.write(x, y, ("─" * (step - 1)).join("╵" * count), slot)
    if showing.step >= 0:
        canvas.write(x + step * showing.step, y, "◆", lever)
    if tile.size is Size.LOW:
        _word(canvas, tile, count + 1 + guarded(control), y, showing.word, lever)
    else:
        _word(canvas, tile, 0, y + 1, showing.word, lever)


def _encoder(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    y = _row(tile)
    arrow = _ARROWS[showing.step % 8]
    bright, slot = ink(IVORY, pen.ground, bold=True), ink(QUIET, pen.ground)
    if tile.size is Size.LOW:
        canvas.write(tile.x, y, arrow, bright)
        _say(canvas, tile, showing.word, bright)
        return
    _paint(canvas, tile, _KNOB, slot)
    big = tile.size is Size.BIG
    canvas.write(round(tile.x + tile.lead) - 1, y + big, arrow + " ", bright)
    _say(canvas, tile, showing.word, bright)
    if not big:
        _say(canvas, tile, "clicks", slot, 1)


def _pot(canvas: Canvas, tile: Tile, control: Control, showing: Showing, pen: TilePen) -> None:
    y, wide = _row(tile), min(tile.form.width, tile.width)
    bright = ink(IVORY, pen.ground)
    if tile.size is Size.LOW:
        _bar(canvas, tile.x, y, min(tile.form.art_width, wide - 6), showing.level, pen)
        canvas.write(tile.x + wide - 5, y, showing.word.rjust(5), bright, 5)
        return
    _bar(canvas, tile.x, y, wide, showing.level, pen)
    word = f"{showing.word}, reads {showing.step}"
    _word(canvas, tile, 0, y + 1, word if cell_len(word) <= tile.width else f"{showing.word}, {showing.step}", bright)


def _bar(canvas: Canvas, x: int, y: int, width: int, share_permille: int, pen: TilePen) -> None:
    eighths = max(width, 0) * 8 * share_permille // 1000
    full, part = divmod(eighths, 8)
    drawn = "█" * full + (_EIGHTHS[part] if part else "")
    canvas.write(x, y, drawn.ljust(width, "·"), ink(IVORY, mixed(PLATE, QUIET, 0.3)))


def _display(canvas: Canvas, tile: Tile, display: Display, showing: Showing, pen: TilePen) -> None:
    rows, wide = tile.form.art_height, tile.form.art_width
    middle = _row(tile) + rows // 2
    if not showing.known:
        style = ink(UNKNOWN, pen.ground)
        for row in range(rows):
            canvas.write(tile.x, _row(tile) + row, "╌" * wide, ink(FAINT, pen.ground))
        canvas.write(tile.x, middle, f"? {_unknown_word(showing, tile.width - 2)} ", style, tile.width)
        return
    tints = glass_tints(display.colour)
    scale = rows // segment_art.ROWS
    broad = wide >= display.digits * scale * segment_art.digit_width(True)
    for row, cells in enumerate(segment_art.picture(showing.segments, broad, scale)):
        for column, cell in enumerate(cells):
            letter, fore, back = _dot_pair(cell, tints) if pen.colour else (cell.letter, IVORY, pen.ground)
            canvas.write(tile.x + column, _row(tile) + row, letter, ink(fore, back))
    if showing.sort in ("held", "wrong") or (showing.word == NO_SUPPLY and not any(showing.segments)):
        colour = BAD if showing.sort == "wrong" else IVORY
        lines = [showing.word if len(showing.word) <= wide else _fitting(showing.word, wide)]
        if showing.word == NO_SUPPLY and len(NO_SUPPLY) > wide >= max(map(len, NO_SUPPLY.split())):
            lines = [word.center(wide) for word in NO_SUPPLY.split()]
        for row, word in enumerate(lines, middle - (len(lines) - 1)):
            canvas.write(tile.x, row, f" {word} " if len(word) + 2 <= wide else word, ink(colour, GLASS), wide)


def _dot_pair(cell: segment_art.Cell, tints: tuple[str, str, str]) -> tuple[str, str, str]:
    """Return the character and the two colours of a cell; unlit dots show only as tints."""
    above, below = cell.above, cell.below
    if cell.letter == "▄":
        return "▄", tints[below], tints[above]
    if cell.letter == "▗":
        return "▗", tints[below], tints[segment_art.NOTHING]
    if cell.letter == " " and above == segment_art.NOTHING:
        # There is no upper dot: tint only the lower half, with a character that is all ground above.
        return ("▄" if below == segment_art.UNLIT else " "), tints[below], tints[above]
    if cell.letter == " " and above != below:
        return "▀", tints[above], tints[below]
    return cell.letter, tints[above], tints[below]


_CONTROLS = {"button": _button, "switch": _switch, "encoder": _encoder, "pot": _pot}

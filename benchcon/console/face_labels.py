"""Places labels on the face, in the cells that are free above their parts and beside them.

A label is above its part and begins where the part does. If that is too narrow, it extends to the right, then to the
left, then to a second line; only what still does not fit is cut.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len

from benchcon.console.canvas import fitted, shortened
from benchcon.console.tiles import LabelLine, Tile
from benchcon.panel.model import Part
from benchcon.view.showing import engraved_label


class Cells:
    """A grid of free and taken cells; each row is a number whose bit x is set if cell x is taken."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self._rows = [0] * height

    def copy(self) -> Cells:
        """Return another grid with the same cells taken."""
        other = Cells(self.width, 0)
        other.height, other._rows = self.height, list(self._rows)
        return other

    def free(self, x: int, y: int, width: int, height: int = 1) -> bool:
        """Return whether a rectangle is within the grid and free."""
        if x < 0 or y < 0 or x + width > self.width or y + height > self.height:
            return False
        bits = _bits(x, x + width)
        return not any(row & bits for row in self._rows[y : y + height])

    def take(self, x: int, y: int, width: int, height: int = 1) -> None:
        """Take a rectangle, as far as it is within the grid."""
        bits = _bits(max(x, 0), min(x + width, self.width))
        for each in range(max(y, 0), min(y + height, self.height)):
            self._rows[each] |= bits

    def gaps(self, y: int) -> list[tuple[int, int]]:
        """Return begin and end of every free stretch of row `y`."""
        found, begin = [], -1
        for x in range(self.width + 1):
            taken = x == self.width or self._rows[y] >> x & 1
            if taken and begin >= 0:
                found.append((begin, x))
            begin = -1 if taken else begin if begin >= 0 else x
        return found

    def leave(self, x: int, y: int, width: int) -> None:
        """Free a stretch of one row."""
        self._rows[y] &= ~_bits(max(x, 0), min(x + width, self.width))

    def run(self, x: int, y: int, width: int) -> tuple[int, int]:
        """Return begin and end of what is free on row `y` around a stretch, less a blank cell at each neighbour."""
        if not 0 <= y < self.height or not self.free(x, y, width):
            return x, x
        before, after = self._rows[y] & _bits(0, x), self._rows[y] >> (x + width)
        begin = before.bit_length()
        end = min(x + width + (after & -after).bit_length() - 1, self.width) if after else self.width
        return (begin + 1 if begin else 0), (end - 1 if end < self.width else end)


def _bits(begin: int, end: int) -> int:
    return (1 << end) - (1 << begin) if end > begin else 0


def split_label(text: str) -> tuple[str, str] | None:
    """Return `text` in two lines as even as possible, or None if it is one word."""
    cuts = [at + (text[at] != " ") for at in range(1, len(text) - 1) if text[at] in " -/"]
    pairs = [(text[:at].rstrip(), text[at:].strip()) for at in cuts]
    return min((pair for pair in pairs if all(pair)), key=lambda pair: max(map(cell_len, pair)), default=None)


def words_of(tile: Tile) -> str:
    """Return the label engraved over a tile."""
    return engraved_label(tile.part).upper()


def claim(tile: Tile) -> int:
    """Return how many cells of its label's row a tile has for itself."""
    return room_claimed(tile.part, tile.width)


def room_claimed(part: Part, width: int) -> int:
    """Return how many cells of its label's row a part has for itself if its tile is `width` wide."""
    return min(max(cell_len(engraved_label(part).upper()), 1), width)


def place_labels(tiles: Sequence[Tile], cells: Cells) -> tuple[list[Tile], int]:
    """Return the tiles with their labels placed, and the number of labels that are cut.

    In `cells` the tiles' bodies and titles are taken; the labels' cells are taken as well.
    """
    best = _tried(tiles, cells.copy(), frozenset())
    if best[1]:
        # Neighbours of a label that is cut make room for it by taking two lines, if they can.
        rows = {tiles[number].y for number in best[2]}
        other = _tried(tiles, cells.copy(), frozenset(n for n, tile in enumerate(tiles) if tile.y in rows))
        best = min(best, other, key=lambda each: each[1])
    lines, cut, _ = best
    for line in (line for number in lines for line in lines[number]):
        cells.take(line.x, line.y, cell_len(line.text))
    return [tile._replace(label=lines[number]) for number, tile in enumerate(tiles)], cut


def _tried(
    tiles: Sequence[Tile], cells: Cells, double: frozenset[int]
) -> tuple[dict[int, tuple[LabelLine, ...]], int, list[int]]:
    """Return labels by tile number, how many are cut, and which; those in `double` take two lines if possible."""
    found: dict[int, tuple[LabelLine, ...]] = {}
    for tile in tiles:
        cells.take(tile.x, tile.y, claim(tile))
    for number in sorted(double):
        lines = _two_lines(tiles[number], cells)
        if lines:
            found[number] = lines
    order = sorted(
        set(range(len(tiles))) - set(found), key=lambda n: (cell_len(words_of(tiles[n])) - tiles[n].width, tiles[n].x)
    )
    waiting = []
    for number in order:
        lines = _one_line(tiles[number], cells)
        if lines:
            found[number] = lines
        else:
            waiting.append(number)
    cut = []
    for number in waiting:
        lines = _two_lines(tiles[number], cells)
        if not lines:
            lines = _cut(tiles[number], cells)
            cut.append(number)
        found[number] = lines
    return found, len(cut), cut


def widened(tiles: Sequence[Tile], cells: Cells) -> list[Tile]:
    """Return the tiles widened to the right for their longest words, as far as there is room."""
    found = []
    for tile in tiles:
        wide = tile.width
        while wide < tile.wish and cells.free(tile.x + wide, tile.y + 1, 1, tile.height - 1):
            if tile.x + wide + 1 < cells.width and not cells.free(tile.x + wide + 1, tile.y + 1, 1, tile.height - 1):
                break
            wide += 1
        cells.take(tile.x + tile.width, tile.y + 1, wide - tile.width, tile.height - 1)
        found.append(tile._replace(width=wide))
    return found


def _start(tile: Tile, width: int, begin: int, end: int) -> int:
    """Return where a line of a label begins: over its part, within the free cells."""
    wanted = round(tile.x + tile.lead - width / 2) if tile.centred else tile.x
    return max(begin, min(wanted, end - width))


def _one_line(tile: Tile, cells: Cells) -> tuple[LabelLine, ...]:
    text = words_of(tile)
    wide, own = cell_len(text), claim(tile)
    cells.leave(tile.x, tile.y, own)
    begin, end = cells.run(tile.x, tile.y, own)
    begin, end = min(begin, tile.x), max(end, tile.x + own)
    if wide <= end - begin:
        x = _start(tile, wide, begin, end)
        cells.take(x, tile.y, wide)
        return (LabelLine(x, tile.y, text),)
    cells.take(tile.x, tile.y, own)
    return ()


def _two_lines(tile: Tile, cells: Cells) -> tuple[LabelLine, ...]:
    pair = split_label(words_of(tile))
    if pair is None:
        return ()
    own = claim(tile)
    cells.leave(tile.x, tile.y, own)
    lines = []
    for y, text in zip((tile.y - 1, tile.y), pair, strict=True):
        wide = cell_len(text)
        begin, end = cells.run(tile.x, y, min(own, wide))
        if y == tile.y:
            begin, end = min(begin, tile.x), max(end, tile.x + own)
        if wide > end - begin:
            break
        lines.append(LabelLine(_start(tile, wide, begin, end), y, text))
    else:
        for line in lines:
            cells.take(line.x, line.y, cell_len(line.text))
        return tuple(lines)
    cells.take(tile.x, tile.y, own)
    return ()


def _cut(tile: Tile, cells: Cells) -> tuple[LabelLine, ...]:
    own = claim(tile)
    cells.leave(tile.x, tile.y, own)
    begin, end = cells.run(tile.x, tile.y, own)
    begin, end = min(begin, tile.x), max(end, tile.x + own)
    # A part with a place is known by it. In a plain list only names tell parts apart, and similar names differ at the
    # end.
    text = (fitted if tile.part.place is not None else shortened)(words_of(tile), end - begin)
    cells.take(begin, tile.y, end - begin)
    return (LabelLine(begin, tile.y, text),)

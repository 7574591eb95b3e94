"""Which cells of the face are taken, and where labels go: into all the room that is left beside and above them.

A label stands over its part and begins where the part does. Where that is too narrow it reaches over to the right, then
to the left, then takes a second line; only what still does not fit is cut.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len

from benchcon.console.canvas import fitted, shortened
from benchcon.console.tiles import LabelLine, Tile
from benchcon.panel.model import Part
from benchcon.view.showing import label_of


class Cells:
    """A grid of cells that are free or taken; each row is a number whose bit x says that cell x is taken."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self._rows = [0] * height

    def copy(self) -> Cells:
        """Return another grid with the same cells taken."""
        other = Cells(self.width, 0)
        other.height, other._rows = self.height, list(self._rows)
        return other

    def free(self, x: int, y: int, width: int, height: int = 1) -> bool:
        """Whether a rectangle lies within the grid and nothing is in it."""
        if x < 0 or y < 0 or x + width > self.width or y + height > self.height:
            return False
        bits = _bits(x, x + width)
        return not any(row & bits for row in self._rows[y : y + height])

    def take(self, x: int, y: int, width: int, height: int = 1) -> None:
        """Take a rectangle, as far as it lies within."""
        bits = _bits(max(x, 0), min(x + width, self.width))
        for each in range(max(y, 0), min(y + height, self.height)):
            self._rows[each] |= bits

    def gaps(self, y: int) -> list[tuple[int, int]]:
        """Return begin and end of every stretch of row `y` that is free."""
        found, begin = [], -1
        for x in range(self.width + 1):
            taken = x == self.width or self._rows[y] >> x & 1
            if taken and begin >= 0:
                found.append((begin, x))
            begin = -1 if taken else begin if begin >= 0 else x
        return found

    def leave(self, x: int, y: int, width: int) -> None:
        """Give a stretch of one row back."""
        self._rows[y] &= ~_bits(max(x, 0), min(x + width, self.width))

    def run(self, x: int, y: int, width: int) -> tuple[int, int]:
        """Return begin and end of what is free on row `y` around a stretch, a blank cell to all others left out."""
        if not 0 <= y < self.height or not self.free(x, y, width):
            return x, x
        before, after = self._rows[y] & _bits(0, x), self._rows[y] >> (x + width)
        begin = before.bit_length()
        end = min(x + width + (after & -after).bit_length() - 1, self.width) if after else self.width
        return (begin + 1 if begin else 0), (end - 1 if end < self.width else end)


def _bits(begin: int, end: int) -> int:
    return (1 << end) - (1 << begin) if end > begin else 0


def split_label(text: str) -> tuple[str, str] | None:
    """Return `text` in two lines as even as can be, or None if it is one word."""
    cuts = [at + (text[at] != " ") for at in range(1, len(text) - 1) if text[at] in " -/"]
    pairs = [(text[:at].rstrip(), text[at:].strip()) for at in cuts]
    return min((pair for pair in pairs if all(pair)), key=lambda pair: max(map(cell_len, pair)), default=None)


def words_of(tile: Tile) -> str:
    """What is engraved over a tile."""
    return label_of(tile.part).upper()


def claim(tile: Tile) -> int:
    """Cells of its label's row that a tile has for itself."""
    return room_claimed(tile.part, tile.width)


def room_claimed(part: Part, width: int) -> int:
    """Cells of its label's row that a part has for itself where its tile is so wide."""
    return min(max(cell_len(label_of(part).upper()), 1), width)


def place_labels(tiles: Sequence[Tile], cells: Cells) -> tuple[list[Tile], int]:
    """Return the tiles with their labels placed, and how many of these are cut.

    `cells` has what is taken by the tiles' bodies and titles; labels are taken in it.
    """
    best = _tried(tiles, cells.copy(), frozenset())
    if best[1]:
        # Those beside a label that is cut give way to it: in two lines where they can.
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
    """Labels by their tile's number, how many are cut, and which; those in `double` take two lines if they can."""
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
    """Return the tiles with room to their right for all that may be said of them, as far as there is."""
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
    """Where a line of a label begins: over its part, and within what is free."""
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
    # Where it stands says which it is; in a plain list nothing does but the name, and names alike end differently.
    text = (fitted if tile.part.place is not None else shortened)(words_of(tile), end - begin)
    cells.take(begin, tile.y, end - begin)
    return (LabelLine(begin, tile.y, text),)

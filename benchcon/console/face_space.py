"""The parts of a layout of the face, true or packed: tiles, plates, titles, labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from types import MappingProxyType
from typing import NamedTuple

from rich.cells import cell_len

from benchcon.console.face_labels import Cells, place_labels, widened, words_of
from benchcon.console.forms import Inside, Size, form_of
from benchcon.console.tiles import Tile
from benchcon.panel.model import Part
from benchcon.view.showing import board_name

SAME_ROW_MM = 9.0
"""Centres no farther apart than this are in one row (or column)."""


ROOMS = (24, 12, 6, 1)
"""Cells beside a board's name: for its full status, for any short status, for ``● live``, for its sign only."""


class Title(NamedTuple):
    """Where a plate's title goes."""

    x: int
    y: int
    width: int
    ruled: bool = True
    """It has a row to itself; otherwise it is in free cells of a row of parts."""


class FacePlate(NamedTuple):
    """The plate of one board, or of a list: a rectangle with a title, if there is room for one."""

    board: str
    x: int
    y: int
    width: int
    height: int
    title: Title | None


@dataclass(slots=True)
class FaceLayout:
    """The face: tiles and their plates, in a space of `width` × `height` cells."""

    width: int
    height: int
    tiles: list[Tile] = field(default_factory=list)
    plates: list[FacePlate] = field(default_factory=list)
    outline: tuple[int, int, int, int] | None = None
    """The plate's edge: x, y, width and height; None if not all of it is shown."""
    cut: int = 0
    """Number of labels that are cut."""

    def at(self, x: int, y: int) -> Tile | None:
        """Return the tile at a cell, or None."""
        return next((tile for tile in self.tiles if tile.holds(x, y)), None)

    def tile_of(self, name: str) -> Tile | None:
        """Return the tile of a part, or of the part that it is in."""
        for tile in self.tiles:  # asked for several times a key, of hundreds of tiles
            if tile.part.name == name or any(lamp.name == name for lamp in tile.inside):
                return tile
        return None

    @property
    def parts(self) -> list[Part]:
        """Return all parts in reading order, each followed by the lamps in it."""
        return [part for tile in self.tiles for part in tile.parts]

    def toward(self, start: Tile, dx: int, dy: int) -> Tile | None:
        """Return the nearest tile in a direction (one of `dx`, `dy` is ±1), preferring those straight ahead."""
        best: tuple[float, Tile] | None = None
        for tile in self.tiles:
            ahead: float
            aside: float
            if dx:
                ahead = (tile.x - start.x) * dx
                aside = max(start.y - tile.y - tile.height + 1, tile.y - start.y - start.height + 1, 0)
                cost = ahead + 12.0 * aside
            else:
                ahead = (tile.y - start.y) * dy
                aside = abs(tile.x + tile.width / 2 - start.x - start.width / 2)
                cost = 4.0 * ahead + aside
            if tile is not start and ahead > 0 and (best is None or cost < best[0]):
                best = (cost, tile)
        return best[1] if best else None


def add_plates(layout: FaceLayout, width: int, height: int, titles: bool, ruled: frozenset[str]) -> None:
    """Add a plate for each board, if each has rows to itself (`titles`), else one for all.

    Boards in `ruled` have their title in a row of its own.
    """
    tiles = layout.tiles
    bottom = max(tile.y + tile.height for tile in tiles)
    layout.height = max(layout.height, bottom)
    widest = max(width, *(tile.x + tile.width for tile in tiles))  # more than the screen's if the face scrolls
    x, first, wide, high = layout.outline or (0, 0, widest, max(bottom, height))
    if not titles:
        layout.plates.append(FacePlate("", x, first, wide, high, None))
        return
    spans = {
        name: (
            min(tile.y for tile in tiles if board_name(tile.part) == name),
            max(tile.y + tile.height for tile in tiles if board_name(tile.part) == name),
        )
        for name in {board_name(tile.part) for tile in tiles}
    }
    order = sorted(spans, key=lambda name: spans[name])
    tops = [first] + [spans[before][1] + (spans[after][0] - spans[before][1]) // 2 for before, after in pairwise(order)]
    ends = [*tops[1:], first + high]
    for name, top, end in zip(order, tops, ends, strict=True):
        title = Title(x, top, min(wide, width)) if name in ruled else None
        layout.plates.append(FacePlate(name, x, top, wide, end - top, title))


def place_words(layout: FaceLayout, asides: Mapping[str, int] = MappingProxyType({})) -> None:
    """Place every label, then titles without a row of their own, and widen tiles into the room that is left.

    `asides` gives the width of the name for each board with such a title.
    """
    cells = Cells(max([layout.width, *(tile.x + tile.width for tile in layout.tiles)]), layout.height)
    for tile in layout.tiles:
        cells.take(tile.x, tile.y + 1, tile.width, tile.height - 1)
    for plate in layout.plates:
        if plate.title is not None:
            cells.take(plate.title.x, plate.title.y, plate.title.width)
    if layout.outline is not None:
        x, y, width, height = layout.outline
        cells.take(x, y, 1, height)
        cells.take(x + width - 1, y, 1, height)
        cells.take(x, y + height - 1, width)
    tiles, layout.cut = place_labels(layout.tiles, cells)
    layout.plates = [
        plate._replace(title=_title_aside(cells, plate, asides[plate.board])) if plate.board in asides else plate
        for plate in layout.plates
    ]
    layout.tiles = widened(tiles, cells)
    layout.tiles.sort(key=lambda tile: (tile.y, tile.x))


def _title_aside(cells: Cells, plate: FacePlate, name_width: int) -> Title | None:
    """Return a place for a title at the right edge of its plate, as far up as possible; None if it would be cut.

    It has room for the board's full status if possible, else for a short one, or at least its sign.
    """
    right = plate.x + plate.width
    for more in ROOMS:
        wide = name_width + 1 + more
        for y in range(plate.y, min(plate.y + plate.height, cells.height)):
            begin = next((begin for begin, end in cells.gaps(y) if begin < right <= end), right)
            room = right - begin - 3
            if room >= wide:
                room = min(room, name_width + 1 + ROOMS[0])
                cells.take(right - room - 2, y, room + 2)
                return Title(right - room - 1, y, room, False)
    return None


def add_list(layout: FaceLayout, parts: list[Part], inside: Inside, width: int, size: Size, between: int) -> None:
    """Add parts without places below the rest: board by board, in columns, in reading order."""
    y = layout.height + (1 if layout.tiles else 0)
    by_board: dict[str, list[Part]] = {}
    for part in parts:
        by_board.setdefault(board_name(part), []).append(part)
    for name, members in by_board.items():
        top = y
        y += 1
        x, high = 1, 0
        for part in members:
            form = form_of(part, size, lamps=len(inside.get(part.name, ())))
            wide = min(max(form.width, min(cell_len(words_of(Tile(part, 0, 0, 0, 0))), 24), 16), width - 2)
            if x + wide > width - 1 and x > 1:
                x, y, high = 1, y + high + between, 0
            layout.tiles.append(
                Tile(part, x, y, wide, form.height + 1, form=form, size=size, inside=inside.get(part.name, ()))
            )
            x += wide + 2
            high = max(high, form.height + 1)
        y += high
        layout.plates.append(FacePlate(name, 0, top, width, y - top, Title(0, top, width)))
        y += between
    layout.height = y

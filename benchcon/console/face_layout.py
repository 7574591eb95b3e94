"""Where every part stands on the face, in cells, from the places in the panel file.

Order and neighbours come before scale: parts in one row of the real panel stand in one row, parts in one column in one
column, left stays left and above stays above, and nothing hides another part. Where there is room to spare the
distances follow the real ones. Two passes do it, once across and once down: push every part to where it wants to be, or
as far on as what stands before it needs; then pull back what stands over the edge.

Parts without a place follow below, as a plain list in the order of the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import NamedTuple

from rich.cells import cell_len

from benchcon.console.showing import board_name, label_of
from benchcon.console.tiles import Tile, wanted_size
from benchcon.panel.model import Panel, Part, Place

SAME_ROW_MM = 9.0
"""Centres no farther apart than this stand in one row (or column)."""
LEAST_TITLE, FULL_TITLE = 10, 36
"""Cells in which a title can be read at all, and those in which it has room for how its board stands."""


class Title(NamedTuple):
    """Where a plate's title goes."""

    x: int
    y: int
    width: int
    ruled: bool = True
    """It has a row to itself; else it stands in what the parts leave free of one of theirs."""


class FacePlate(NamedTuple):
    """The front plate of one board, or of a list: a rectangle with a title, if there is room for one."""

    board: str
    x: int
    y: int
    width: int
    height: int
    title: Title | None


@dataclass(slots=True)
class FaceLayout:
    """The face: tiles, and the plates they stand on, in a space of `width` × `height` cells."""

    width: int
    height: int
    tiles: list[Tile] = field(default_factory=list)
    plates: list[FacePlate] = field(default_factory=list)
    tall: bool = False

    def at(self, x: int, y: int) -> Tile | None:
        """Return the tile at a cell."""
        return next((tile for tile in self.tiles if tile.holds(x, y)), None)

    def toward(self, start: Tile, dx: int, dy: int) -> Tile | None:
        """Return the nearest tile in a direction (one of `dx`, `dy` is ±1), favouring what stands straight ahead."""
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


class _Wish(NamedTuple):
    part: Part
    width: int
    height: int
    column: int
    row: int


class _Way(NamedTuple):
    """How roomy a layout is tried: tall tiles or low, how wide at most, empty rows between, titles, empty columns."""

    tall: bool
    most: int
    between: int
    titles: bool
    gap: int = 1


_WAYS = (
    *(_Way(True, most, 1, True, gap) for gap in (3, 2, 1) for most in (20, 16, 13)),
    *(_Way(True, most, 0, True, gap) for gap in (2, 1) for most in (16, 13)),
    *(_Way(False, most, between, True) for between in (1, 0) for most in (16, 13, 11, 10, 9, 8)),
    *(_Way(False, most, 0, False) for most in (10, 8, 7, 6)),
)


def lay_out(panel: Panel, width: int, height: int, board: str = "") -> FaceLayout:
    """Return the face of `panel` (or of one board of it) for a screen of `width` × `height` cells.

    The roomiest way that fits is taken. If none does the layout is as small as can be, and higher (or wider) than the
    screen: it is to be scrolled.
    """
    parts = [part for part in panel.parts if not board or board_name(part) == board]
    found = FaceLayout(width, height)
    for way in _WAYS:
        found = _laid(panel, parts, width, height, way)
        if found.width <= width and found.height <= height:
            break
    return found


def _laid(panel: Panel, parts: list[Part], width: int, height: int, way: _Way) -> FaceLayout:
    placed = [part for part in parts if part.place is not None]
    listed = [part for part in parts if part.place is None]
    layout = FaceLayout(width, 0, tall=way.tall)
    if placed:
        room = height if not listed else 0
        _place(layout, panel, placed, width, room, way)
    if listed:
        _list(layout, listed, width, way)
    layout.height = max(layout.height, height)
    layout.width = max([width, *(tile.x + tile.width for tile in layout.tiles)])
    return layout


def _clusters(centres: Sequence[float]) -> list[int]:
    """Number the values by the row (or column) they stand in, from 0."""
    order = sorted(range(len(centres)), key=lambda index: centres[index])
    numbers = [0] * len(centres)
    number, start = -1, float("-inf")
    for index in order:
        if centres[index] - start > SAME_ROW_MM:
            number, start = number + 1, centres[index]
        numbers[index] = number
    return numbers


def _own_columns(columns: list[int], rows: list[int], places: Sequence[Place]) -> list[int]:
    """Give parts that share a row and a column (they all but touch) columns of their own, side by side."""
    shared: dict[tuple[int, int], list[int]] = {}
    for index, cell in enumerate(zip(columns, rows, strict=True)):
        shared.setdefault(cell, []).append(index)
    wanted: list[tuple[int, int]] = [(0, 0)] * len(columns)
    for (column, _), members in shared.items():
        members.sort(key=lambda index: (places[index].x_mm, places[index].y_mm))
        for number, index in enumerate(members):
            wanted[index] = column, number
    numbers = {key: number for number, key in enumerate(sorted(set(wanted)))}
    return [numbers[key] for key in wanted]


def _spread(targets: list[float], after: list[list[tuple[int, int]]], sizes: list[int], room: int) -> list[int]:
    """Place lines (rows or columns) along one axis.

    `after[i]` holds (j, distance): line i stands at least that far behind line j (j < i). Returns where each begins.
    """
    count = len(targets)
    starts = [0] * count
    for index in range(count):
        earliest = max([starts[other] + distance for other, distance in after[index]], default=0)
        starts[index] = max(round(targets[index]), earliest, 0)
    latest = [room - size for size in sizes]
    for index in reversed(range(count)):
        for other, distance in after[index]:
            latest[other] = min(latest[other], latest[index] - distance)
    tightest = [0] * count
    for index in range(count):
        tightest[index] = max([tightest[other] + distance for other, distance in after[index]], default=0)
    return [max(min(start, last), least) for start, last, least in zip(starts, latest, tightest, strict=True)]


def _place(layout: FaceLayout, panel: Panel, parts: list[Part], width: int, height: int, way: _Way) -> None:
    places = [part.place for part in parts if part.place is not None]
    rows = _clusters([place.y_mm for place in places])
    columns = _own_columns(_clusters([place.x_mm for place in places]), rows, places)
    wishes = [
        _Wish(part, *wanted_size(part, way.tall, way.most), column, row)
        for part, column, row in zip(parts, columns, rows, strict=True)
    ]
    left, top, right, bottom = _bounds(panel, places)
    across = _across(wishes, places, width, left, right, way.gap)
    titles = _titles(wishes)
    down = _down(wishes, places, across, titles if way.titles else {}, (height, top, bottom), way)
    for wish in wishes:
        layout.tiles.append(Tile(wish.part, across[wish.column], down[wish.row], wish.width, wish.height))
    layout.tiles.sort(key=lambda tile: (tile.y, tile.x))
    layout.tiles[:] = _widened(layout.tiles, width)
    _add_plates(layout, layout.tiles, titles, width, height, way.titles)


def _widened(tiles: list[Tile], width: int) -> list[Tile]:
    """Let a label that was cut have the empty cells to its right."""
    found = []
    for tile in tiles:
        right = min(
            [width - 1]
            + [
                other.x - 1
                for other in tiles
                if other.x > tile.x and other.y < tile.y + tile.height and tile.y < other.y + other.height
            ]
        )
        wide = max(tile.width, min(cell_len(label_of(tile.part)), right - tile.x))
        found.append(replace(tile, width=wide))
    return found


def _bounds(panel: Panel, places: list[Place]) -> tuple[float, float, float, float]:
    """The stretch of panel that is shown, in mm: all of it, or what the parts take if it is much less."""
    xs, ys = [place.x_mm for place in places], [place.y_mm for place in places]
    left, right, top, bottom = min(xs), max(xs), min(ys), max(ys)
    margin_x, margin_y = 0.06 * (right - left) + 20, 0.06 * (bottom - top) + 20
    return (
        max(0.0, left - margin_x),
        max(0.0, top - margin_y),
        min(panel.width_mm or right + margin_x, right + margin_x),
        min(panel.height_mm or bottom + margin_y, bottom + margin_y),
    )


def _across(wishes: list[_Wish], places: list[Place], width: int, left: float, right: float, gap: int) -> list[int]:
    count = max(wish.column for wish in wishes) + 1
    scale = (width - 2) / max(right - left, 1.0)
    centres = [0.0] * count
    sizes = [0] * count
    for wish, place in zip(wishes, places, strict=True):
        centres[wish.column] = (place.x_mm - left) * scale + 1
        sizes[wish.column] = max(sizes[wish.column], wish.width)
    after: list[list[tuple[int, int]]] = [[(index - 1, 0)] if index else [] for index in range(count)]
    for row in {wish.row for wish in wishes}:
        line = sorted((wish for wish in wishes if wish.row == row), key=lambda wish: wish.column)
        for before, wish in pairwise(line):
            after[wish.column].append((before.column, before.width + gap))
    targets = [centre - size / 2 for centre, size in zip(centres, sizes, strict=True)]
    return [start + 1 for start in _spread([target - 1 for target in targets], after, sizes, width - 2)]


def _titles(wishes: list[_Wish]) -> dict[int, str]:
    """By row: the board whose plate begins there; empty unless each board has its rows to itself."""
    spans: dict[str, tuple[int, int]] = {}
    for wish in wishes:
        name = board_name(wish.part)
        first, last = spans.get(name, (wish.row, wish.row))
        spans[name] = min(first, wish.row), max(last, wish.row)
    order = sorted((first, last, name) for name, (first, last) in spans.items())
    apart = all(before[1] < after[0] for before, after in pairwise(order))
    return {first: name for first, _, name in order} if apart else {}


def _down(
    wishes: list[_Wish],
    places: list[Place],
    across: list[int],
    titles: dict[int, str],
    stretch: tuple[int, float, float],
    way: _Way,
) -> list[int]:
    height, top, bottom = stretch
    count = max(wish.row for wish in wishes) + 1
    scale = height / max(bottom - top, 1.0)
    sizes, centres = [0] * count, [0.0] * count
    for wish, place in zip(wishes, places, strict=True):
        sizes[wish.row] = max(sizes[wish.row], wish.height)
        centres[wish.row] = (place.y_mm - top) * scale
    after: list[list[tuple[int, int]]] = [[] for _ in range(count)]
    for row in range(1, count):
        title = 1 + way.between if row in titles else 0
        after[row].append((row - 1, title))
        for wish in (wish for wish in wishes if wish.row == row):
            for other in (other for other in wishes if other.row < row):
                apart = across[wish.column] - across[other.column]
                if title or -wish.width - 1 < apart < other.width + 1:
                    after[row].append((other.row, other.height + title + (way.between if not title else 0)))
    begin = 1 if titles else 0
    targets = [centre - size / 2 - begin for centre, size in zip(centres, sizes, strict=True)]
    return [start + begin for start in _spread(targets, after, sizes, height - begin)]


def _add_plates(
    layout: FaceLayout, tiles: list[Tile], titles: dict[int, str], width: int, height: int, titled: bool
) -> None:
    bottom = max(tile.y + tile.height for tile in tiles)
    layout.height = max(layout.height, bottom)
    if not titles:
        layout.plates.append(FacePlate("", 0, 0, width, max(bottom, height), None))
        return
    spans = {
        name: (
            min(tile.y for tile in tiles if board_name(tile.part) == name),
            max(tile.y + tile.height for tile in tiles if board_name(tile.part) == name),
        )
        for name in titles.values()
    }
    order = sorted(spans, key=lambda name: spans[name])
    tops = [0] + [spans[before][1] + (spans[after][0] - spans[before][1]) // 2 for before, after in pairwise(order)]
    ends = [*tops[1:], max(bottom, height)]
    for name, top, end in zip(order, tops, ends, strict=True):
        title = Title(0, top, width) if titled else _title_aside(tiles, top, end, width)
        layout.plates.append(FacePlate(name, 0, top, width, end - top, title))


def _title_aside(tiles: list[Tile], top: int, end: int, width: int) -> Title | None:
    """Where between the parts a title has most room, as far up as can be; None if there is next to none."""
    found: Title | None = None
    for y in range(top, end):
        there = sorted((tile.x, tile.x + tile.width) for tile in tiles if tile.y <= y < tile.y + tile.height)
        for (_, left), (right, _) in pairwise([(0, 0), *there, (width, width)]):
            room = right - left - 3
            if room >= LEAST_TITLE and (found is None or (room > found.width and found.width < FULL_TITLE)):
                found = Title(left + 2, y, room, False)
    return found


def _list(layout: FaceLayout, parts: list[Part], width: int, way: _Way) -> None:
    """Add parts without places below what is there: board by board, in columns, read across."""
    y = layout.height + (1 if layout.tiles else 0)
    by_board: dict[str, list[Part]] = {}
    for part in parts:
        by_board.setdefault(board_name(part), []).append(part)
    for name, members in by_board.items():
        top = y
        y += 1
        x, high = 1, 0
        for part in members:
            _, tall = wanted_size(part, way.tall, way.most)
            wide = min(max(wanted_size(part, way.tall, 16)[0], 16), width - 2)
            if x + wide > width - 1 and x > 1:
                x, y, high = 1, y + high + way.between, 0
            layout.tiles.append(Tile(part, x, y, wide, tall))
            x += wide + 2
            high = max(high, tall)
        y += high
        layout.plates.append(FacePlate(name, 0, top, width, y - top, Title(0, top, width)))
        y += way.between
    layout.height = y

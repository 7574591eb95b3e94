"""Where every part stands on the face, in cells, from the places in the panel file.

Where there is room parts stand where they do on the real panel (`face_true`). Where there is not, order and neighbours
come before scale: parts in one row of the real panel stand in one row, parts in one column in one column, left stays
left and above stays above, and nothing hides another part. Two passes do that, once across and once down: push every
part to where it wants to be, or as far on as what stands before it needs; then pull back what stands over the edge.

Parts without a place follow below, as a plain list in the order of the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from rich.cells import cell_len

from benchcon.console.face_labels import Cells, place_labels, widened, words_of
from benchcon.console.face_true import MOST_SCALE, Axis, Site, fitted_axis, nearest, true_tiles, widest
from benchcon.console.forms import Form, Inside, Size, form_of, inside_of_each
from benchcon.console.tiles import Tile
from benchcon.panel.model import Display, Panel, Part, Place
from benchcon.view.showing import board_name, label_of

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
    outline: tuple[int, int, int, int] | None = None
    """The plate's edge: x, y, width and height; None where it is not shown whole."""
    cut: int = 0
    """Labels that are cut."""

    def at(self, x: int, y: int) -> Tile | None:
        """Return the tile at a cell."""
        return next((tile for tile in self.tiles if tile.holds(x, y)), None)

    def tile_of(self, name: str) -> Tile | None:
        """Return the tile of a part, or of the part that it is in."""
        return next((tile for tile in self.tiles if any(part.name == name for part in tile.parts)), None)

    @property
    def parts(self) -> list[Part]:
        """All parts, as they are read, each followed by those that are in it."""
        return [part for tile in self.tiles for part in tile.parts]

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
    form: Form
    width: int
    height: int
    column: int
    row: int


class _Way(NamedTuple):
    """How roomy a layout is tried: size of parts, how wide at most, empty rows between, titles, empty columns."""

    size: Size
    most: int
    between: int
    titles: bool
    gap: int = 1


_TRUE = ((Size.BIG, 2), (Size.TALL, 2), (Size.TALL, 1), (Size.LOW, 1))
"""Sizes of parts and scales of displays that are tried where parts are to stand at their true places."""
_WAYS = (
    *(_Way(Size.TALL, most, 1, True, gap) for gap in (3, 2, 1) for most in (20, 16, 13)),
    *(_Way(Size.TALL, most, 0, True, gap) for gap in (2, 1) for most in (16, 13)),
    *(_Way(Size.LOW, most, between, True) for between in (1, 0) for most in (16, 13, 11, 10, 9, 8)),
    *(_Way(Size.LOW, most, 0, False) for most in (10, 8, 7, 6)),
)


def lay_out(panel: Panel, width: int, height: int, board: str = "") -> FaceLayout:
    """Return the face of `panel` (or of one board of it) for a screen of `width` × `height` cells.

    A true one if there is one, with as few labels cut as can be; else the roomiest way that fits is taken. If none does
    the layout is as small as can be, and higher (or wider) than the screen: it is to be scrolled.
    """
    parts = [part for part in panel.parts if not board or board_name(part) == board]
    inside = inside_of_each(parts)
    guests = {lamp.name for lamps in inside.values() for lamp in lamps}
    parts = [part for part in parts if part.name not in guests]
    found = _true(panel, parts, inside, width, height)
    if found is not None:
        return found
    fitting: list[tuple[_Way, FaceLayout]] = []
    for way in _WAYS:
        if fitting and way.size is not fitting[0][0].size:
            break
        found = _packed(panel, parts, inside, width, height, way)
        if found.width <= width and found.height <= height:
            fitting.append((way, found))
            if not found.cut:
                break
    assert found is not None
    return min(fitting, key=lambda each: each[1].cut)[1] if fitting else found


def _true(panel: Panel, parts: list[Part], inside: Inside, width: int, height: int) -> FaceLayout | None:
    """The truest layout in which no label is cut, or with the fewest cut; None if there is none that fits."""
    placed = [part for part in parts if part.place is not None]
    listed = [part for part in parts if part.place is None]
    if not placed:
        return None
    best: FaceLayout | None = None
    for size, scale in _TRUE:
        room = height
        if listed:
            below = FaceLayout(width, 0)
            _list(below, listed, inside, width, size, 0)
            room -= below.height + 1
        site = Site(panel, placed, width, room, inside, _ranks(placed))
        for plot in true_tiles(site, size, scale):
            layout = FaceLayout(width, height, list(plot.tiles), outline=plot.outline)
            _add_plates(layout, width, room, bool(site.ranks), frozenset(site.ranks))
            if plot.outline is not None and not _within(layout.tiles, plot.outline):
                layout.outline = None  # words that reach over the edge and a line along it would spoil each other
            if listed:
                layout.height = room
                _list(layout, listed, inside, width, size, 0)
                layout.height = height
            _label(layout)
            if best is None or layout.cut < best.cut:
                best = layout
            if not best.cut:
                return best
    return best


def _within(tiles: Sequence[Tile], outline: tuple[int, int, int, int]) -> bool:
    """Whether all tiles are clear of the plate's edge."""
    x, y, width, height = outline
    return all(
        x < tile.x and tile.x + tile.width < x + width and y <= tile.y and tile.y + tile.height < y + height
        for tile in tiles
    )


def _ranks(parts: Sequence[Part]) -> dict[str, int]:
    """By board: its number from the top, from 1; empty unless each board has rows of the panel to itself."""
    spans: dict[str, tuple[float, float]] = {}
    for part in parts:
        if part.place is not None:
            y = part.place.y_mm
            first, last = spans.get(board_name(part), (y, y))
            spans[board_name(part)] = min(first, y), max(last, y)
    order = sorted(spans, key=lambda name: spans[name])
    apart = all(spans[before][1] + SAME_ROW_MM < spans[after][0] for before, after in pairwise(order))
    return {name: number for number, name in enumerate(order, 1)} if apart else {}


def _label(layout: FaceLayout, asides: Sequence[FacePlate] = ()) -> None:
    """Place every label, then titles that have no row of their own, and give words the room that is left."""
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
        plate._replace(title=_title_aside(cells, plate)) if plate in asides else plate for plate in layout.plates
    ]
    layout.tiles = widened(tiles, cells)
    layout.tiles.sort(key=lambda tile: (tile.y, tile.x))


def _packed(panel: Panel, parts: list[Part], inside: Inside, width: int, height: int, way: _Way) -> FaceLayout:
    """A packed layout; rows to spare go to second lines of labels that are cut, then to titles that lack room."""
    layout = _packed_once(panel, parts, inside, width, height, way)
    if layout.height > height:
        return layout
    cut = frozenset(tile.part.name for tile in layout.tiles if any("…" in line.text for line in tile.label))
    if cut:
        other = _packed_once(panel, parts, inside, width, height, way, cut)
        if other.height <= height and other.cut < layout.cut:
            layout = other
        else:
            cut = frozenset()
    if not way.titles:
        widths = {plate.board: plate.title.width if plate.title else 0 for plate in layout.plates if plate.board}
        wanting = sorted((name for name in widths if widths[name] < FULL_TITLE), key=lambda name: widths[name])
        for count in range(len(wanting), 0, -1):
            other = _packed_once(panel, parts, inside, width, height, way, cut, frozenset(wanting[:count]))
            if other.height <= height and other.cut <= layout.cut:
                return other
    return layout


def _packed_once(
    panel: Panel,
    parts: list[Part],
    inside: Inside,
    width: int,
    height: int,
    way: _Way,
    double: frozenset[str] = frozenset(),
    ruled: frozenset[str] = frozenset(),
) -> FaceLayout:
    """Parts in `double` have room for a second line of label; boards in `ruled` have a row for their title anyway."""
    placed = [part for part in parts if part.place is not None]
    listed = [part for part in parts if part.place is None]
    layout = FaceLayout(width, 0)
    asides: list[FacePlate] = []
    if placed:
        room = height if not listed else 0
        if way.titles:
            ruled = frozenset(board_name(part) for part in placed)
        asides = _place(layout, panel, placed, inside, (width, room), way, double, ruled)
    if listed:
        _list(layout, listed, inside, width, way.size, way.between)
    layout.height = max(layout.height, height)
    layout.width = max([width, *(tile.x + tile.width for tile in layout.tiles)])
    _label(layout, asides)
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


def _place(
    layout: FaceLayout,
    panel: Panel,
    parts: list[Part],
    inside: Inside,
    screen: tuple[int, int],
    way: _Way,
    double: frozenset[str],
    ruled: frozenset[str],
) -> list[FacePlate]:
    """Pack parts. Returns the plates whose titles have no row of their own."""
    width, height = screen
    places = [part.place for part in parts if part.place is not None]
    rows = _clusters([place.y_mm for place in places])
    columns = _own_columns(_clusters([place.x_mm for place in places]), rows, places)
    forms = [form_of(part, way.size, lamps=len(inside.get(part.name, ()))) for part in parts]
    wishes = [
        _Wish(part, form, _width(part, form, way.most), form.height + 1, column, row)
        for part, form, column, row in zip(parts, forms, columns, rows, strict=True)
    ]
    left, top, right, bottom = _bounds(panel, places)
    across = None
    for roomy in (True, False):
        if across is None:
            true = [
                wish._replace(form=form_of(wish.part, way.size, roomy=roomy, lamps=len(inside.get(wish.part.name, ()))))
                for wish in wishes
            ]
            across = _true_across(true, places, width)
            if across is not None:
                wishes = [wish._replace(width=wish.form.width) for wish in true]
    if across is None:
        starts = _across(wishes, places, width, left, right, way.gap)
        across = [starts[wish.column] for wish in wishes]
    titles = _titles(wishes)
    raised = {wish.row for wish in wishes if wish.part.name in double}
    wishes = [wish._replace(height=wish.height + 1) if wish.row in raised else wish for wish in wishes]
    own_row = {row: name for row, name in titles.items() if name in ruled}
    down = _down(wishes, places, across, own_row, (height, top, bottom), way)
    for wish, x in zip(wishes, across, strict=True):
        y = down[wish.row] + (wish.row in raised)
        layout.tiles.append(
            Tile(
                wish.part,
                x,
                y,
                wish.width,
                wish.form.height + 1,
                form=wish.form,
                size=way.size,
                inside=inside.get(wish.part.name, ()),
            )
        )
    layout.tiles.sort(key=lambda tile: (tile.y, tile.x))
    _add_plates(layout, width, height, bool(titles), ruled)
    return [plate for plate in layout.plates if plate.board and plate.title is None]


def _width(part: Part, form: Form, most: int) -> int:
    """Width of a part that is packed: enough for its label and its state, up to `most`; digits are never cut."""
    label = cell_len(label_of(part))
    if isinstance(part, Display):
        return max(form.width, min(label, most))
    return min(max(label, form.width, 11), most)


def _true_across(wishes: list[_Wish], places: list[Place], width: int) -> list[int] | None:
    """Where parts begin if the distances across are the real ones; None if some would not be clear of one another."""
    reaches = [
        (place.x_mm, wish.form.lead, wish.form.width - wish.form.lead)
        for wish, place in zip(wishes, places, strict=True)
    ]
    scale = min(widest(reaches, width - 2.5), MOST_SCALE)
    if scale <= 0:
        return None
    axis: Axis = fitted_axis(reaches, scale, width - 2.0, 1.0)
    starts = [nearest(axis.at(place.x_mm) - wish.form.lead) for wish, place in zip(wishes, places, strict=True)]
    by_row = sorted(zip((wish.row for wish in wishes), starts, (wish.form.width for wish in wishes), strict=True))
    clear = all(one[0] != other[0] or one[1] + one[2] < other[1] for one, other in pairwise(by_row))
    return starts if clear and min(starts) >= 0 else None


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
    at = {wish.part.name: x for wish, x in zip(wishes, across, strict=True)}
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
                apart = at[wish.part.name] - at[other.part.name]
                if title or -wish.width - 1 < apart < other.width + 1:
                    after[row].append((other.row, other.height + title + (way.between if not title else 0)))
    begin = 1 if 0 in titles else 0
    targets = [centre - size / 2 - begin for centre, size in zip(centres, sizes, strict=True)]
    return [start + begin for start in _spread(targets, after, sizes, height - begin)]


def _add_plates(layout: FaceLayout, width: int, height: int, titles: bool, ruled: frozenset[str]) -> None:
    """Add a plate for each board, if each has rows to itself (`titles`), else one for all.

    Boards in `ruled` have their title in a row of its own.
    """
    tiles = layout.tiles
    bottom = max(tile.y + tile.height for tile in tiles)
    layout.height = max(layout.height, bottom)
    x, first, wide, high = layout.outline or (0, 0, width, max(bottom, height))
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
        title = Title(x, top, wide) if name in ruled else None
        layout.plates.append(FacePlate(name, x, top, wide, end - top, title))


def _title_aside(cells: Cells, plate: FacePlate) -> Title | None:
    """Where between the parts a title has room, as far up as can be; None if there is next to none."""
    found: Title | None = None
    for y in range(plate.y, min(plate.y + plate.height, cells.height)):
        for begin, end in cells.gaps(y):
            room = min(end - begin - 3, FULL_TITLE)
            if room >= LEAST_TITLE and (found is None or room > found.width):
                found = Title(end - room - 1, y, room, False)
    if found is not None:
        cells.take(found.x - 1, found.y, found.width + 1)
    return found


def _list(layout: FaceLayout, parts: list[Part], inside: Inside, width: int, size: Size, between: int) -> None:
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

"""Packs parts into a screen that is too small for their true places, keeping order and neighbours rather than scale.

Parts in one row of the real panel stay in one row, parts in one column in one column, left stays left, above stays
above, and no part hides another. That takes two passes in each direction: push every part to its wanted place, or on as
far as those before it require; then pull back what is beyond the edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from rich.cells import cell_len

from benchcon.console.face_space import SAME_ROW_MM, FaceLayout, add_list, add_plates, place_words
from benchcon.console.face_true import MOST_SCALE, Axis, fitted_axis, nearest, widest
from benchcon.console.forms import Form, Inside, Size, form_of
from benchcon.console.tiles import Tile
from benchcon.panel.model import Display, Panel, Part, Place
from benchcon.text import printable
from benchcon.view.showing import board_name, engraved_label


class _Wish(NamedTuple):
    part: Part
    form: Form
    width: int
    height: int
    column: int
    row: int


class Packing(NamedTuple):
    """One way to pack: size of parts, greatest width, empty rows between them, titles, empty columns."""

    size: Size
    most: int
    between: int
    titles: bool
    gap: int = 1


WAYS = (
    *(Packing(Size.TALL, most, 1, True, gap) for gap in (3, 2, 1) for most in (20, 16, 13)),
    *(Packing(Size.TALL, most, 0, True, gap) for gap in (2, 1) for most in (16, 13)),
    *(Packing(Size.LOW, most, between, True) for between in (1, 0) for most in (16, 13, 11, 10, 9, 8)),
    *(Packing(Size.LOW, most, 0, False) for most in (10, 8, 7, 6)),
)


def packed(panel: Panel, parts: list[Part], inside: Inside, width: int, height: int, way: Packing) -> FaceLayout:
    """Return a packed layout; spare rows go to second lines of labels that are cut, then to titles.

    Either each board's title has a row of its own, or none has.
    """
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
        other = _packed_once(panel, parts, inside, width, height, way._replace(titles=True), cut)
        if other.height <= height and other.cut <= layout.cut:
            return other
    return layout


def _packed_once(
    panel: Panel,
    parts: list[Part],
    inside: Inside,
    width: int,
    height: int,
    way: Packing,
    double: frozenset[str] = frozenset(),
) -> FaceLayout:
    """Return one packed layout, with room for a second line of label for the parts in `double`.

    Labels are placed only if the rows are enough, or in the last way of all, which is used in any case.
    """
    placed = [part for part in parts if part.place is not None]
    listed = [part for part in parts if part.place is None]
    layout = FaceLayout(width, 0)
    asides: set[str] = set()
    if placed:
        room = height if not listed else 0
        asides = _place(layout, panel, placed, inside, (width, room), way, double)
    if listed:
        add_list(layout, listed, inside, width, way.size, way.between)
    layout.height = max(layout.height, height)
    layout.width = max([width, *(tile.x + tile.width for tile in layout.tiles)])
    if layout.height <= height or way is WAYS[-1]:
        names = {board.name: cell_len(printable(board.called)) for board in panel.boards}
        place_words(layout, {name: names.get(name, len(name)) for name in asides})
    return layout


def _clusters(centres: Sequence[float]) -> list[int]:
    """Return for each value the number of its row (or column), from 0."""
    order = sorted(range(len(centres)), key=lambda index: centres[index])
    numbers = [0] * len(centres)
    number, start = -1, float("-inf")
    for index in order:
        if centres[index] - start > SAME_ROW_MM:
            number, start = number + 1, centres[index]
        numbers[index] = number
    return numbers


def _own_columns(columns: list[int], rows: list[int], places: Sequence[Place]) -> list[int]:
    """Return `columns` with separate columns, side by side, for parts that share a row and a column."""
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
    """Place lines (rows or columns) along one axis, and return where each begins.

    `after[i]` holds (j, distance): line i is at least that far behind line j (j < i).
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
    way: Packing,
    double: frozenset[str],
) -> set[str]:
    """Pack parts into `layout`; return the boards whose titles have no row of their own."""
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
    down = _down(wishes, places, across, titles if way.titles else {}, (height, top, bottom), way)
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
    add_plates(layout, width, height, bool(titles), frozenset(titles.values()) if way.titles else frozenset())
    return {plate.board for plate in layout.plates if plate.board and plate.title is None}


def _width(part: Part, form: Form, most: int) -> int:
    """Return the width of a packed part: enough for label and state, up to `most`; digits are never cut."""
    label = cell_len(engraved_label(part))
    if isinstance(part, Display):
        return max(form.width, min(label, most))
    return min(max(label, form.width, 11), most)


def _true_across(wishes: list[_Wish], places: list[Place], width: int) -> list[int] | None:
    """Return where parts begin at true horizontal distances; None if some would touch."""
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
    """Return the area of the panel that is shown, in mm: all of it, or that of the parts if it is much smaller."""
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
    """Return for each row the board whose plate begins there; empty unless each board has its rows to itself."""
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
    way: Packing,
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

"""Lays out the face: where every part is, in cells, from the places in the panel file.

If there is room, parts are where they are on the real panel (`face_true`); otherwise they are packed (`face_packed`).
Parts without a place follow below, as a list in the order of the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from benchcon.console.face_packed import WAYS, Packing, packed
from benchcon.console.face_space import SAME_ROW_MM, FaceLayout, add_list, add_plates, place_words
from benchcon.console.face_true import Site, true_tiles
from benchcon.console.forms import Inside, Size, inside_of_each
from benchcon.console.tiles import Tile
from benchcon.panel.model import Panel, Part
from benchcon.view.showing import board_name

_TRUE = ((Size.BIG, 2), (Size.TALL, 2), (Size.TALL, 1), (Size.LOW, 1))
"""Sizes of parts and scales of displays to try for layouts with true places, the best first."""


def lay_out(panel: Panel, width: int, height: int, board: str = "") -> FaceLayout:
    """Return the layout of `panel` (or of one board of it) for a screen of `width` × `height` cells.

    It is a true one if one cuts no label, or no more of them than a packed one would; otherwise the roomiest packed one
    that fits. If none fits, it is the smallest, which is larger than the screen and has to be scrolled.
    """
    parts = [part for part in panel.parts if not board or board_name(part) == board]
    inside = inside_of_each(parts)
    guests = {lamp.name for lamps in inside.values() for lamp in lamps}
    parts = [part for part in parts if part.name not in guests]
    true = _true(panel, parts, inside, width, height)
    if true is not None and not true.cut:
        return true
    fitting: list[tuple[Packing, FaceLayout]] = []
    found = FaceLayout(width, 0)
    for way in WAYS:
        if fitting and way.size is not fitting[0][0].size:
            break
        found = packed(panel, parts, inside, width, height, way)
        if found.width <= width and found.height <= height:
            fitting.append((way, found))
            if not found.cut:
                break
    best = min(fitting, key=lambda each: each[1].cut)[1] if fitting else None
    if true is not None:
        return best if best is not None and best.cut < true.cut else true
    return best or found


def _true(panel: Panel, parts: list[Part], inside: Inside, width: int, height: int) -> FaceLayout | None:
    """Return the best true layout that cuts no label, or else the fewest; None if none fits."""
    placed = [part for part in parts if part.place is not None]
    listed = [part for part in parts if part.place is None]
    if not placed:
        return None
    best: FaceLayout | None = None
    for size, scale in _TRUE:
        room = height
        if listed:
            below = FaceLayout(width, 0)
            add_list(below, listed, inside, width, size, 0)
            room -= below.height + 1
        site = Site(panel, placed, width, room, inside, _ranks(placed))
        for plot in true_tiles(site, size, scale):
            layout = FaceLayout(width, height, list(plot.tiles))
            if plot.outline is not None:
                layout.outline = _around(plot.outline, plot.tiles, width, height)
            add_plates(layout, width, room, bool(site.ranks), frozenset(site.ranks))
            if layout.outline is not None and not _clear(layout.tiles, layout.outline):
                layout.outline = None  # there is no room for the edge beside words at the screen's own edge
            if listed:
                layout.height = room
                add_list(layout, listed, inside, width, size, 0)
                layout.height = height
            place_words(layout)
            if best is None or layout.cut < best.cut:
                best = layout
            if not best.cut:
                return best
    return best


def _around(
    outline: tuple[int, int, int, int], tiles: Sequence[Tile], width: int, height: int
) -> tuple[int, int, int, int]:
    """Return `outline`, or one as much larger as words need that extend beyond it, within `width` × `height` cells."""
    x, y, wide, high = outline
    left = max(min(x, *(tile.x - 1 for tile in tiles)), 0)
    right = min(max(x + wide, *(tile.x + tile.width + 1 for tile in tiles)), width)
    bottom = min(max(y + high, *(tile.y + tile.height + 1 for tile in tiles)), height)
    return left, y, right - left, bottom - y


def _clear(tiles: Sequence[Tile], outline: tuple[int, int, int, int]) -> bool:
    """Return whether all tiles are clear of the plate's edge."""
    x, y, width, height = outline
    return all(
        x < tile.x and tile.x + tile.width < x + width and y <= tile.y and tile.y + tile.height < y + height
        for tile in tiles
    )


def _ranks(parts: Sequence[Part]) -> dict[str, int]:
    """Return each board's number from the top, from 1; empty unless each board has rows of the panel to itself."""
    spans: dict[str, tuple[float, float]] = {}
    for part in parts:
        if part.place is not None:
            y = part.place.y_mm
            first, last = spans.get(board_name(part), (y, y))
            spans[board_name(part)] = min(first, y), max(last, y)
    order = sorted(spans, key=lambda name: spans[name])
    apart = all(spans[before][1] + SAME_ROW_MM < spans[after][0] for before, after in pairwise(order))
    return {name: number for number, name in enumerate(order, 1)} if apart else {}

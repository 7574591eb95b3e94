"""Scenes on pages: whole, or cut into tiles that are glued together by the marks in their overlaps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from benchcon.drawing.shapes import Bounds, Box, Shape, Stroke, Text, apart, bounds_of

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in mm: ISO 216; ANSI Y14.1 size A."""
RIM_MM = 8.0
"""Margin that most printers leave white."""
FOOT_MM = 5.0
OVERLAP_MM = 12.0
MARK_MM = 2.5


class Page(NamedTuple):
    """A sheet of paper and what is on it."""

    width_mm: float
    height_mm: float
    shapes: list[Shape]
    window: Bounds
    """The rectangle of the scene that is on it; the rest is clipped."""
    left_mm: float
    """Where the window's top left corner is on the paper, with `top_mm`."""
    top_mm: float
    foot: str
    """One line at the bottom of the paper."""


def whole(scenes: Sequence[tuple[str, list[Shape]]], rim: float = RIM_MM) -> list[Page]:
    """Return a page for each scene, as large as the scene."""
    pages = []
    for name, shapes in scenes:
        left, top, right, bottom = bounds_of(shapes)
        width, height = right - left + 2 * rim, bottom - top + 2 * rim + FOOT_MM
        pages.append(Page(width, height, shapes, (left - 1, top - 1, right + 1, bottom + 1), rim - 1, rim - 1, name))
    return pages


def tiled(name: str, shapes: list[Shape], paper: str) -> list[Page]:
    """Return one scene on sheets of `paper`, portrait or landscape, whichever takes fewer."""
    covers = bounds_of(shapes)
    width, height = covers[2] - covers[0], covers[3] - covers[1]
    ways = []
    for page in (PAPERS[paper], PAPERS[paper][::-1]):
        room = (page[0] - 2 * RIM_MM, page[1] - 2 * RIM_MM - FOOT_MM)
        counts = tuple(_count(need, have) for need, have in zip((width, height), room, strict=True))
        ways.append((counts[0] * counts[1], page, room, counts))
    _, page, room, (columns, rows) = min(ways, key=lambda way: way[0])
    step = (room[0] - OVERLAP_MM, room[1] - OVERLAP_MM)
    # The drawing is centred on its tiles.
    left = covers[0] - ((columns - 1) * step[0] + room[0] - width) / 2
    top = covers[1] - ((rows - 1) * step[1] + room[1] - height) / 2
    windows = {
        (row, column): (
            left + column * step[0],
            top + row * step[1],
            left + column * step[0] + room[0],
            top + row * step[1] + room[1],
        )
        for row in range(rows)
        for column in range(columns)
    }
    drilled = [shape.bounds() for shape in shapes if shape.layer in _DRILLED]
    pages = []
    for (row, column), window in windows.items():
        foot = name
        if columns * rows > 1:
            foot = f"{name}, row {row + 1} of {rows}, column {column + 1} of {columns}"
        joins = [
            mark
            for (down, across), other in windows.items()
            if abs(down - row) + abs(across - column) == 1
            for mark in _joins(window, other, f"row {down + 1}, column {across + 1}", drilled)
        ]
        seen = [shape for shape in shapes if not apart(shape.bounds(), window)]
        pages.append(Page(*page, seen + joins, window, RIM_MM, RIM_MM, foot))
    return pages


def _count(need: float, have: float) -> int:
    return 1 if need <= have else math.ceil((need - OVERLAP_MM) / (have - OVERLAP_MM) - 1e-9)


_DRILLED = ("holes", "cutouts", "centres")
_ASIDE = (0.0, 0.04, -0.04, 0.08, -0.08, 0.12, -0.12)
"""How far a mark is moved along the strip to keep off a hole, in shares of the strip's length."""


def _joins(window: Bounds, other: Bounds, name: str, drilled: Sequence[Bounds]) -> list[Shape]:
    """Return the marks in the strip that two tiles share, at the same places on both, and the other sheet's name.

    Marks keep clear of the holes `drilled` where possible.
    """
    left, top = max(window[0], other[0]), max(window[1], other[1])
    right, bottom = min(window[2], other[2]), min(window[3], other[3])
    beside = window[1] == other[1]
    shapes: list[Shape] = []
    for share in (0.15, 0.5, 0.85):
        places = [
            ((left + right) / 2, top + (share + aside) * (bottom - top))
            if beside
            else (left + (share + aside) * (right - left), (top + bottom) / 2)
            for aside in _ASIDE
        ]
        marks = [(x - MARK_MM, y - MARK_MM, x + MARK_MM, y + MARK_MM) for x, y in places]
        clear = [all(apart(mark, hole, 0.5) for hole in drilled) for mark in marks]
        x, y = places[clear.index(True) if True in clear else 0]
        # An X in a square: nobody mistakes it for the upright cross of a hole, and drills it.
        shapes += [
            Box("joins", x - MARK_MM, y - MARK_MM, 2 * MARK_MM, 2 * MARK_MM),
            Stroke("joins", x - MARK_MM, y - MARK_MM, x + MARK_MM, y + MARK_MM),
            Stroke("joins", x - MARK_MM, y + MARK_MM, x + MARK_MM, y - MARK_MM),
        ]
    middle = ((left + right) / 2, (top + bottom) / 2)
    if beside:
        outer = window[2] if other[0] > window[0] else window[0]
        x = outer - 1.0 if outer == window[2] else outer + 2.4
        shapes.append(Text("tags", x, top + 0.3 * (bottom - top), f"joins {name}", 2.0, "middle", upright=True))
        cut = middle[0]
        shapes.append(Stroke("joins", cut, top, cut, top + 4))
        shapes.append(Stroke("joins", cut, bottom - 4, cut, bottom))
    else:
        outer = window[3] if other[1] > window[1] else window[1]
        y = outer - 1.0 if outer == window[3] else outer + 2.4
        shapes.append(Text("tags", left + 0.3 * (right - left), y, f"joins {name}", 2.0))
        cut = middle[1]
        shapes.append(Stroke("joins", left, cut, left + 4, cut))
        shapes.append(Stroke("joins", right - 4, cut, right, cut))
    return shapes

"""Layouts with true places: one scale across and one down, with the middle of each part's art where `at` says.

Every part is within half a cell of its true place, so that even spacing on the plate is even on the screen. The plate
keeps its proportions if there is room; otherwise it is stretched as far as its labels need, and then its empty margins
are left out. If parts would still cover each other, there is no true layout, and `face_packed` packs them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from benchcon.console.face_labels import Cells, room_claimed
from benchcon.console.forms import Form, Inside, Size, form_of
from benchcon.console.tiles import Tile
from benchcon.panel.model import Panel, Part, Place
from benchcon.view.showing import board_name

CELL_RATIO = 2.0
"""Height of a cell in widths."""
STRETCHES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Steps from true proportions (0) to the full screen (1) at which layouts are tried."""


MOST_SCALE = 8.0
"""Most cells across for a millimetre: enough for the smallest panel on the largest screen."""


class TrueLayout(NamedTuple):
    """A layout with true places: its tiles, and the plate's outline in cells if all of the plate is shown."""

    tiles: list[Tile]
    outline: tuple[int, int, int, int] | None


@dataclass(frozen=True, slots=True)
class Site:
    """What to lay out, and for which screen."""

    panel: Panel
    parts: Sequence[Part]
    width: int
    height: int
    inside: Inside
    ranks: Mapping[str, int]
    """For each board how many titles are above its parts; empty if titles have no rows of their own."""

    def forms(self, size: Size, scale: int, roomy: bool) -> list[tuple[Part, Place, Form]]:
        """Return the parts that have a place, with the forms in which they are drawn."""
        return [
            (part, part.place, form_of(part, size, scale, roomy=roomy, lamps=len(self.inside.get(part.name, ()))))
            for part in self.parts
            if part.place is not None
        ]


class Axis(NamedTuple):
    """Converts mm to cells along one axis: ``cell = origin + scale * mm``."""

    origin: float
    scale: float

    def at(self, mm: float) -> float:
        """Return the position in cells of a place in mm."""
        return self.origin + self.scale * mm


def widest(reaches: Sequence[tuple[float, float, float]], room: float) -> float:
    """Return the largest scale (cells per mm) at which all of `reaches` fit into `room` cells.

    Each reach is a place in mm, and the cells that are needed before and after it.
    """
    most: dict[float, tuple[float, float]] = {}  # parts in one line need as much as the largest of them
    for mm, before, after in reaches:
        known_before, known_after = most.get(mm, (before, after))
        most[mm] = max(before, known_before), max(after, known_after)
    scale = math.inf
    for one_mm, (before, _) in most.items():
        for other_mm, (_, after) in most.items():
            if other_mm > one_mm:
                scale = min(scale, (room - before - after) / (other_mm - one_mm))
    return scale


def fitted_axis(reaches: Sequence[tuple[float, float, float]], scale: float, room: float, begin: float) -> Axis:
    """Return the axis that centres everything in `room` cells from `begin` on."""
    low = min(scale * mm - before for mm, before, _ in reaches)
    high = max(scale * mm + after for mm, _, after in reaches)
    return Axis(begin + max((room - (high - low)) / 2, 0.0) - low, scale)


def true_tiles(site: Site, size: Size, scale: int) -> Iterator[TrueLayout]:
    """Yield every true layout with this size of parts in which nothing is covered, the best first."""
    for roomy in (True, False):
        forms = site.forms(size, scale, roomy)
        own = [room_claimed(part, form.width) for part, _, form in forms]
        for axes, outline in _axes(site, forms):
            tiles = _placed(site, forms, own, *axes, size)
            if tiles is not None:
                yield TrueLayout(tiles, outline)


def _axes(
    site: Site, forms: Sequence[tuple[Part, Place, Form]]
) -> list[tuple[tuple[Axis, Axis], tuple[int, int, int, int] | None]]:
    """Return the scales to try: first for the whole plate, then for only the parts; true proportions first."""
    titles = max(site.ranks.values(), default=0)
    wide, high = site.panel.width_mm, site.panel.height_mm
    if len({board_name(part) for part in site.panel.parts}) > len({board_name(part) for part in site.parts}):
        wide = high = 0.0  # a page of one board does not show the whole plate
    found: list[tuple[tuple[Axis, Axis], tuple[int, int, int, int] | None]] = []
    across, down = site.width - 2.0, site.height - 1.0 - (titles or 1)
    if wide and high:
        for x_scale, y_scale in _stretched(across / wide, down / high):
            width, height = round(x_scale * wide), round(y_scale * high) + (titles or 1)
            left, top = (site.width - width) // 2, (site.height - height - 1) // 2
            axes = Axis(left, x_scale), Axis(top + (0 if titles else 1), y_scale)
            found.append((axes, (left - 1, top, width + 2, height + 1)))
    x_reaches = [(place.x_mm, form.lead, form.width - form.lead) for _, place, form in forms]
    y_reaches = [(place.y_mm, form.art_height / 2 + 1, form.height - form.art_height / 2) for _, place, form in forms]
    x_most, y_most = widest(x_reaches, site.width - 2.5), widest(y_reaches, site.height - 0.5 - titles)
    if x_most <= 0 or y_most <= 0:
        return found
    for x_scale, y_scale in _stretched(x_most, y_most):
        x_axis = fitted_axis(x_reaches, x_scale, site.width - 2.0, 1.0)
        y_axis = fitted_axis(y_reaches, y_scale, float(site.height - titles), 0.0)
        found.append(((x_axis, y_axis), None))
    return found


def _stretched(across: float, down: float) -> list[tuple[float, float]]:
    """Return scales from true proportions to those that fill the room."""
    across, down = min(across, MOST_SCALE), min(down, MOST_SCALE / CELL_RATIO)  # infinite if all are in one line
    even = min(across, CELL_RATIO * down)
    return [
        (even + share * (across - even), (even + share * (CELL_RATIO * down - even)) / CELL_RATIO)
        for share in STRETCHES
    ]


def _placed(
    site: Site, forms: Sequence[tuple[Part, Place, Form]], own: Sequence[int], x_axis: Axis, y_axis: Axis, size: Size
) -> list[Tile] | None:
    """Return the tiles at these scales; None if they cover each other or the edge, or leave no row for a title.

    `own` gives for each of `forms` how many cells of its label's row it has for itself.
    """
    cells = Cells(site.width, site.height)
    at: list[tuple[int, int]] = []
    spans: dict[int, tuple[int, int]] = {}
    for (part, place, form), claimed in zip(forms, own, strict=True):
        rank = site.ranks.get(board_name(part), 0)
        x = nearest(x_axis.at(place.x_mm) - form.lead)
        y = nearest(y_axis.at(place.y_mm) + rank - form.art_height / 2) - 1
        if not cells.free(x, y + 1, form.width, form.height) or not cells.free(x, y, claimed):
            return None
        # Leave a blank cell between neighbours.
        cells.take(x - 1, y + 1, form.width + 2, form.height)
        cells.take(x - 1, y, claimed + 2)
        at.append((x, y))
        top, below = spans.get(rank, (y, y))
        spans[rank] = min(top, y), max(below, y + form.height + 1)
    above = 0
    for rank in sorted(spans):
        if rank and spans[rank][0] - above < 1:
            return None
        above = spans[rank][1]
    return [
        Tile(part, x, y, form.width, form.height + 1, form=form, size=size, inside=site.inside.get(part.name, ()))
        for (part, _, form), (x, y) in zip(forms, at, strict=True)
    ]


def nearest(cells: float) -> int:
    """Return the nearest cell; halves are always rounded the same way."""
    return math.floor(cells + 0.5)

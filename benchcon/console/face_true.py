"""Parts where they are on the real panel: one scale across and one down, the middle of each part's art where `at` says.

Every part stands within half a cell of its true place, so that what is evenly spaced on the plate is so on the screen.
The plate keeps its proportions where there is room for that; else it is stretched as far as its labels need, and then
its empty margins are left out. Where parts would still cover one another there is no true layout: `face_packed` packs
them instead.
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
"""A cell is about twice as high as wide."""
STRETCHES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""How far from true proportions to a full screen layouts are tried."""


MOST_SCALE = 8.0
"""Cells across that a millimetre may take: enough for the smallest panel on the largest screen."""


class TrueLayout(NamedTuple):
    """A true layout: its tiles, and the plate's outline in cells, if all of the plate is shown."""

    tiles: list[Tile]
    outline: tuple[int, int, int, int] | None


@dataclass(frozen=True, slots=True)
class Site:
    """What is laid out, and for which screen."""

    panel: Panel
    parts: Sequence[Part]
    width: int
    height: int
    inside: Inside
    ranks: Mapping[str, int]
    """By board: how many titles stand above its parts; empty if none have rows of their own."""

    def forms(self, size: Size, scale: int, roomy: bool) -> list[tuple[Part, Place, Form]]:
        """The parts that have a place, as they are drawn."""
        return [
            (part, part.place, form_of(part, size, scale, roomy=roomy, lamps=len(self.inside.get(part.name, ()))))
            for part in self.parts
            if part.place is not None
        ]


class Axis(NamedTuple):
    """How mm become cells along one axis: ``cell = origin + scale * mm``."""

    origin: float
    scale: float

    def at(self, mm: float) -> float:
        """Return where a place in mm stands, in cells."""
        return self.origin + self.scale * mm


def widest(reaches: Sequence[tuple[float, float, float]], room: float) -> float:
    """Return the largest scale (cells per mm) at which all fit `room` cells.

    Each reach is a place in mm, and the cells before and after it that are needed.
    """
    most: dict[float, tuple[float, float]] = {}  # parts in one line need as much as the one that needs most
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
    """Return the axis that puts everything in the middle of `room` cells from `begin` on."""
    low = min(scale * mm - before for mm, before, _ in reaches)
    high = max(scale * mm + after for mm, _, after in reaches)
    return Axis(begin + max((room - (high - low)) / 2, 0.0) - low, scale)


def true_tiles(site: Site, size: Size, scale: int) -> Iterator[TrueLayout]:
    """Yield every true layout at this size of parts in which nothing covers anything else, the best first."""
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
    """The scales to try: all of the plate first, then no more of it than the parts need; true proportions first."""
    titles = max(site.ranks.values(), default=0)
    wide, high = site.panel.width_mm, site.panel.height_mm
    if len({board_name(part) for part in site.panel.parts}) > len({board_name(part) for part in site.parts}):
        wide = high = 0.0  # one board's page: the plate is more than is shown
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
    """Scales from true proportions to the most there is room for."""
    across, down = min(across, MOST_SCALE), min(down, MOST_SCALE / CELL_RATIO)  # without end if all stand in one line
    even = min(across, CELL_RATIO * down)
    return [
        (even + share * (across - even), (even + share * (CELL_RATIO * down - even)) / CELL_RATIO)
        for share in STRETCHES
    ]


def _placed(
    site: Site, forms: Sequence[tuple[Part, Place, Form]], own: Sequence[int], x_axis: Axis, y_axis: Axis, size: Size
) -> list[Tile] | None:
    """The tiles at these scales; None if they cover one another, stand over the edge, or leave no row for a title.

    `own`: for each of `forms`, cells of its label's row that it has for itself.
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
        # A blank cell to whatever stands beside.
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
    """Round to the nearest cell, halves always the same way."""
    return math.floor(cells + 0.5)

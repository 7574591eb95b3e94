"""Checks of what fits on a plate and behind it.

Holes that run into each other or over the edge are mistakes: such a plate cannot be drilled. Everything else is advice,
because the builder has the parts in hand and may know better.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import NamedTuple

from benchcon.drawing.plate import Plate
from benchcon.drawing.sizes import Hole, behind, hole_of, plain, sort_of
from benchcon.panel.model import Control, Panel, Part, Place, key_of
from benchcon.panel.places import engraved, footprint_mm, inside_of
from benchcon.panel.reader import PanelRemark, in_order
from benchcon.text import counted, printable

RIB_MM = 2.0
"""Least width of metal between two holes (common practice, no source)."""
RIM_MM = 3.0
"""Least width of metal between a hole and the edge of the plate (common practice, no source)."""
FINGERS_MM = {"button": 4.0, "switch": 6.0, "rotary": 12.0, "encoder": 12.0, "pot": 12.0}
"""Room that a finger needs beside a button or lever, or fingers round a knob (common practice, no source)."""
NOTHING_MM = 0.005
"""Less metal than this counts as none."""
BETWEEN_BODIES_MM = 0.2
MOST = 50


class _At(NamedTuple):
    part: Part
    place: Place
    hole: Hole


class _Met(NamedTuple):
    """Two parts in each other's way; such pairs are reported together if they are of the same two tables."""

    line: int
    tables: tuple[str, str]
    what: str
    text: str
    grave: bool = False


def inspect_fits(panel: Panel) -> list[PanelRemark]:
    """Return the findings about holes, bodies, bezels, labels and room for fingers, in line order."""
    placed = [
        _At(part, part.place, hole_of(part)) for part in panel.parts if part.place is not None and not inside_of(part)
    ]
    file = printable(panel.path) or "panel file"
    met: dict[tuple[str, tuple[str, str]], list[_Met]] = {}
    for each in _pairs(placed):
        met.setdefault((each.what, each.tables), []).append(each)
    found = [
        PanelRemark(file, first.line, f"{first.text}{_and_more(len(more))}", first.grave)
        for first, *more in met.values()
    ]
    found += [PanelRemark(file, line, text, True) for line, text in _over_the_edge(panel, placed)]
    found += [
        PanelRemark(file, line, text, False) for line, text in itertools.chain(_alone(panel, placed), _labels(panel))
    ]
    found.sort(key=lambda finding: not finding.grave)
    return in_order(found[:MOST])


def _and_more(count: int) -> str:
    return f" (and so do {counted(count, 'more such pair')})" if count else ""


def _rim(panel: Panel, at: _At) -> float:
    """Return the least distance in mm from a hole's edge to the plate's: negative if the hole reaches over it, infinite
    if the plate has no size.
    """
    if not (panel.width_mm and panel.height_mm):
        return math.inf
    place, (across, down) = at.place, at.hole.half_mm
    return min(
        place.x_mm - across,
        place.y_mm - down,
        panel.width_mm - place.x_mm - across,
        panel.height_mm - place.y_mm - down,
    )


def _over_the_edge(panel: Panel, placed: list[_At]) -> Iterator[tuple[int, str]]:
    for at in placed:
        if _rim(panel, at) < NOTHING_MM:
            reaches = f"its hole ({at.hole} mm) reaches over the edge of the plate"
            yield at.part.line, f"{key_of(at.part)}: {reaches}; move it, or make the plate larger"


def _alone(panel: Panel, placed: list[_At]) -> Iterator[tuple[int, str]]:
    for at in placed:
        part, _, hole = at
        across, down = hole.half_mm
        if NOTHING_MM <= (rim := _rim(panel, at)) < RIM_MM:
            left = f"leaves {plain(rim, 1)} mm to the edge of the plate"
            yield part.line, f"{key_of(part)}: its hole ({hole} mm) {left}; {plain(RIM_MM)} mm at least are usual"
        width, height = footprint_mm(part)
        if 2 * across > width + 0.01 or 2 * down > height + 0.01:
            covers = f"covers {plain(width)} × {plain(height)} mm"
            yield part.line, f"{key_of(part)} {covers}, less than its hole ({hole} mm); correct size or hole"
        deep = behind(part).depth_mm
        if panel.depth_mm and deep > panel.depth_mm:
            room = f"the panel has {plain(panel.depth_mm)} mm there"
            yield part.line, f"{key_of(part)} reaches {plain(deep)} mm behind the plate; {room}"


def _pairs(placed: list[_At]) -> Iterator[_Met]:
    for one, other in _near(placed):
        first, second = key_of(one.part), f"{key_of(other.part)} (line {other.part.line})"
        line, tables = one.part.line, (one.part.made_by or first, other.part.made_by or key_of(other.part))
        rib = _between_holes(one, other)
        if rib < NOTHING_MM:
            remedy = "give the repeat a larger pitch" if tables[0] == tables[1] else "move one"
            text = f"{first}: its hole and that of {second} run into each other; {remedy}"
            yield _Met(line, tables, "holes", text, True)
            continue
        if rib < RIB_MM:
            metal = f"leave {plain(rib, 1)} mm of the plate between them; {plain(RIB_MM)} mm at least are usual"
            yield _Met(line, tables, "rib", f"{first}: its hole and that of {second} {metal}")
        if by := _behind_collide(one, other):
            text = f"{first} and {second} collide behind the plate by {plain(by, 1)} mm; say body, or move one"
            yield _Met(line, tables, "behind", text)
        room, needs = _room_for_fingers(one, other)
        if 0 <= room < needs:
            between = f"{plain(room, 1)} mm between them for fingers; {plain(needs)} mm are usual"
            yield _Met(line, tables, "fingers", f"{first} and {second} leave {between}")


def _near(placed: list[_At]) -> Iterator[tuple[_At, _At]]:
    """Yield pairs that could be in each other's way, sweeping from left to right; the later in the file comes first."""
    reach = max([max(*footprint_mm(at.part), *behind(at.part)[:3], *at.hole) for at in placed], default=0.0)
    ordered = sorted(placed, key=lambda at: at.place.x_mm)
    for number, one in enumerate(ordered):
        for other in ordered[number + 1 :]:
            if other.place.x_mm - one.place.x_mm > reach + max(FINGERS_MM.values()):
                break
            if abs(other.place.y_mm - one.place.y_mm) <= reach + max(FINGERS_MM.values()):
                early, late = sorted((one, other), key=lambda at: at.part.line)
                yield late, early


def _between_holes(one: _At, other: _At) -> float:
    """Return the least distance in mm between the edges of two holes; negative if they overlap."""
    if one.hole.round and other.hole.round:
        apart_mm = math.hypot(one.place.x_mm - other.place.x_mm, one.place.y_mm - other.place.y_mm)
        return apart_mm - one.hole.half_mm[0] - other.hole.half_mm[0]
    if one.hole.round:
        one, other = other, one
    # A cut-out, and a circle or another cut-out: the distance is measured between their edges.
    across = abs(one.place.x_mm - other.place.x_mm) - one.hole.half_mm[0]
    down = abs(one.place.y_mm - other.place.y_mm) - one.hole.half_mm[1]
    if other.hole.round:
        outside = math.hypot(max(0.0, across), max(0.0, down))
        return (outside or max(across, down)) - other.hole.half_mm[0]
    across, down = across - other.hole.half_mm[0], down - other.hole.half_mm[1]
    return math.hypot(max(0.0, across), max(0.0, down)) or max(across, down)


def _behind_collide(one: _At, other: _At) -> float:
    """Return by how many mm two bodies, or a nut and a body or nut, run into each other; 0 if they do not."""
    a, b = behind(one.part), behind(other.part)
    across = abs(one.place.x_mm - other.place.x_mm)
    down = abs(one.place.y_mm - other.place.y_mm)
    bodies = min((a.width_mm + b.width_mm) / 2 - across, (a.height_mm + b.height_mm) / 2 - down)
    nuts = (a.nut_mm + b.nut_mm) / 2 - math.hypot(across, down) if a.nut_mm and b.nut_mm else 0.0
    worst = max(bodies, nuts)
    return worst if worst > BETWEEN_BODIES_MM else 0.0


def _room_for_fingers(one: _At, other: _At) -> tuple[float, float]:
    """Return in mm the room between two controls' fronts and the room fingers need there (0 if one is no control)."""
    if not (isinstance(one.part, Control) and isinstance(other.part, Control)):
        return 0.0, 0.0
    (w1, h1), (w2, h2) = footprint_mm(one.part), footprint_mm(other.part)
    across = abs(one.place.x_mm - other.place.x_mm) - (w1 + w2) / 2
    down = abs(one.place.y_mm - other.place.y_mm) - (h1 + h2) / 2
    needs = max(FINGERS_MM[sort_of(one.part)], FINGERS_MM[sort_of(other.part)])
    return max(across, down), needs


def _labels(panel: Panel) -> Iterator[tuple[int, str]]:
    """Yield a finding for each label that has no place where nothing covers it."""
    if not any(part.place for part in panel.parts):
        return
    plate = Plate.of(panel, loose_too=False).put_labels()
    for part in panel.parts:
        if part.name in plate.unplaced or inside_of(part):
            continue
        label = plate.labels.get(part.name)
        if label is None:
            yield part.line, f"{key_of(part)}: its label fits nowhere beside it; a part or another label would cover it"
        elif " ".join(label.lines) != " ".join(engraved(part).split()):
            short = printable(" ".join(label.lines))
            yield part.line, f'{key_of(part)}: beside it there is room for only this much of its label: "{short}"'

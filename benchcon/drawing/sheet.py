"""The drilling sheet of a panel at 1 : 1: the front, the back as its mirror image, dimensions and the table of holes.

The sheet is made of three scenes, each with its own origin: `front`, `back` (both with the plate's corner at 0, 0) and
`notes` (title, table of holes, bars to check the printer by).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from benchcon.drawing.letters import shortened, width_mm
from benchcon.drawing.plate import CROSS_MM, Crowd, Plate
from benchcon.drawing.shapes import Bounds, Box, Circle, Shape, Stroke, Text, apart, bounds_of, moved
from benchcon.drawing.sizes import Hole, behind, hole_of, plain, sort_of, sources_of
from benchcon.drawing.svg import Pen
from benchcon.panel.model import Panel, Part
from benchcon.panel.places import engraved, footprint_mm, inside_of
from benchcon.text import counted

LAYERS: Mapping[str, Pen] = {
    # For each layer how it looks on paper, in drawing order: the last is on top.
    "fronts": Pen("#9aa0a6", 0.15, dash_mm=1.6),
    "behind": Pen("#9aa0a6", 0.15, dash_mm=0.8),
    "plate": Pen("#000000", 0.35),
    "cutouts": Pen("#000000", 0.25),
    "holes": Pen("#000000", 0.25),
    "centres": Pen("#b00020", 0.1),
    "tags": Pen(fill="#b00020"),
    "dimensions": Pen("#1f4e8c", 0.13),
    "sizes": Pen(fill="#1f4e8c"),
    "labels": Pen(fill="#000000"),
    "wires": Pen(fill="#33691e"),
    "bars": Pen("#000000", 0.25),
    "notes": Pen(fill="#000000"),
    "lines": Pen("#9aa0a6", 0.13),
    "joins": Pen("#6a1b9a", 0.15),
}
MARGIN_MM = 24.0
"""Room for dimensions above and left of the plate."""
WIRE_SIZES_MM = (2.4, 2.1, 1.8, 1.5, 1.3)
"""Type sizes for the texts on the back."""
SMALL_MM = 2.4
"""Type size of dimensions, tags and tables."""
SOURCE_MM = 1.8
"""Type size of the sources of sizes."""
WIDER = 1.2
"""How much wider than Helvetica its substitutes are at most (measured on DejaVu Sans, the widest usual one)."""
LEAST_ROWS = 22
"""Number of rows of the table that are as high as the bar."""
LONE_ROWS = 30
"""Up to this many rows stay in one column: a second column for a row or two would look like another table."""
ROW_MM = 4.2
COLUMN_MM = 88.0
BAR_MM = 100.0
GAP_MM = 12.0
"""Gap between the scenes on one sheet."""


class Drilled(NamedTuple):
    """One hole: its part, its letter in the table and its number in that letter."""

    part: Part
    hole: Hole
    x_mm: float
    y_mm: float
    tag: str
    """``B3``: the third hole of size B."""


def drilled(plate: Plate) -> list[Drilled]:
    """Return the plate's holes, in file order. Parts without a place, and lamps in controls, have none."""
    parts = [part for part in plate.panel.parts if part.name not in plate.unplaced and not inside_of(part)]
    kinds = sorted({hole_of(part) for part in parts}, key=lambda hole: (not hole.round, hole))
    letters = {hole: letter_of(number) for number, hole in enumerate(kinds)}
    counts: dict[Hole, int] = {}
    found = []
    for part in parts:
        hole = hole_of(part)
        counts[hole] = counts.get(hole, 0) + 1
        place = plate.places[part.name]
        found.append(Drilled(part, hole, place.x_mm, place.y_mm, f"{letters[hole]}{counts[hole]}"))
    return found


def letter_of(number: int) -> str:
    """Return the letters for `number`, from 0: A, B, … Z, AA, AB, …"""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(65 + rest) + text
    return text


# --- the plate from both sides ------------------------------------------------------------------------------------


def front(plate: Plate) -> list[Shape]:
    """Return the shapes of the front with its dimensions; the origin is the plate's top left corner."""
    holes = drilled(plate)
    shapes = _plate(plate, holes)
    for hole in holes:
        shapes += _tag(hole, hole.x_mm)
        shapes += _front_of(plate, hole.part)
    for label in plate.labels.values():
        shapes += label.texts()
    shapes += _across(plate, sorted({round(hole.x_mm, 3) for hole in holes} | {plate.width_mm}))
    shapes += _down(plate, sorted({round(hole.y_mm, 3) for hole in holes} | {plate.height_mm}))
    shapes.append(Text("notes", 0, -MARGIN_MM + 3.2, "Front", 4.0, "start"))
    return shapes


def back(plate: Plate) -> list[Shape]:
    """Return the shapes of the back as seen from behind, left and right exchanged, with bodies, nuts and wires."""
    holes = drilled(plate)
    shapes = _plate(plate, holes, mirrored=True)
    for hole in holes:
        x = plate.width_mm - hole.x_mm
        shapes += _tag(hole, x)
        body = behind(hole.part)
        shapes.append(
            Box("behind", x - body.width_mm / 2, hole.y_mm - body.height_mm / 2, body.width_mm, body.height_mm)
        )
        if body.nut_mm:
            shapes.append(Circle("behind", x, hole.y_mm, body.nut_mm / 2))
    shapes += _wires(plate, holes)
    shapes.append(Text("notes", 0, -4, "Back: mirrored, as it is seen from behind", 4.0, "start"))
    return shapes


def _plate(plate: Plate, holes: Sequence[Drilled], *, mirrored: bool = False) -> list[Shape]:
    shapes: list[Shape] = [Box("plate", 0, 0, plate.width_mm, plate.height_mm)]
    for each in holes:
        x = plate.width_mm - each.x_mm if mirrored else each.x_mm
        y = each.y_mm
        across, down = each.hole.half_mm
        if each.hole.round:
            shapes.append(Circle("holes", x, y, across))
        else:
            shapes.append(Box("cutouts", x - across, y - down, 2 * across, 2 * down))
        shapes.append(Stroke("centres", x - across - CROSS_MM, y, x + across + CROSS_MM, y))
        shapes.append(Stroke("centres", x, y - down - CROSS_MM, x, y + down + CROSS_MM))
    return shapes


def _tag(each: Drilled, x: float) -> list[Shape]:
    """Return a hole's tag: inside it, where it is drilled away, or beside a hole that is too small for it."""
    across, down = each.hole.half_mm
    beside = 0.72 * across < width_mm(each.tag, SMALL_MM) + 0.6 or 0.72 * down < SMALL_MM
    if beside:
        corner = (0.71 if each.hole.round else 1.0) * across + 0.9, (0.71 if each.hole.round else 1.0) * down + 0.4
        return [Text("tags", x + corner[0], each.y_mm - corner[1], each.tag, SMALL_MM, "start")]
    return [Text("tags", x + 0.6, each.y_mm - 0.8, each.tag, SMALL_MM, "start")]


def _front_of(plate: Plate, part: Part) -> list[Shape]:
    """Return the outline of what covers the hole from the front, unless that is the hole itself."""
    place = plate.places[part.name]
    width, height = footprint_mm(part)
    hole = hole_of(part)
    sort = sort_of(part)
    if sort == "display" or (sort == "switch" and not hole.round):
        if hole == (width, height):
            return []
        return [Box("fronts", place.x_mm - width / 2, place.y_mm - height / 2, width, height)]
    if sort == "switch":
        return [Box("fronts", place.x_mm - width / 2, place.y_mm - height / 2, width, height, 2.0)]
    return [Circle("fronts", place.x_mm, place.y_mm, min(width, height) / 2)]


def _wires(plate: Plate, holes: Sequence[Drilled]) -> list[Shape]:
    """Return the name of each part behind it and, where there is room, the destinations of its wires."""
    fronts, wraps = {}, {}
    for each in holes:
        body, (across, down) = behind(each.part), each.hole.half_mm
        across = max(body.width_mm / 2, body.nut_mm / 2, across + CROSS_MM)
        down = max(body.height_mm / 2, body.nut_mm / 2, down + CROSS_MM)
        x = plate.width_mm - each.x_mm
        fronts[each.part.name] = (x - across, each.y_mm - down, x + across, each.y_mm + down)
        wires = _wire_ends(plate.panel, each.part)
        label = engraved(each.part)
        wraps[each.part.name] = [(label, *wires), (f"{label}:", *(word for wire in wires for word in _halves(wire)))]
    crowd = Crowd((plate.width_mm, plate.height_mm), fronts, [], ("below", "above", "right", "left"))
    found = crowd.largest(wraps, WIRE_SIZES_MM)
    return [text for label in found.values() for text in label.texts("wires")]


def _halves(wire: str) -> tuple[str, ...]:
    plug, to, pin = wire.partition(" to ")
    return (plug, f"to {pin}") if to else (wire,)


def _wire_ends(panel: Panel, part: Part) -> list[str]:
    """Return for each wire of `part`, and of the lamps in it, its connector pin, colour, and pin on the board."""
    channels = [*part.channels]
    for lamp in panel.lamps:
        channels += [lamp.channel] if lamp.inside == part.name else []
    several = len(panel.boards) > 1
    found = []
    for channel in channels:
        wire = channel.wire
        plug = f"{wire.connector}/{wire.connector_pin}" if wire.connector and wire.connector_pin else wire.connector
        board = f"{channel.board} " if several else ""
        found.append(" ".join(filter(None, (plug, wire.colour, "to", f"{board}{wire.pin or channel.id}"))))
    return found


# --- dimensions ---------------------------------------------------------------------------------------------------


def spread(places: Sequence[float], room: float) -> list[float]:
    """Return positions for texts at these sorted `places`, as near to them as possible and at least `room` mm apart."""
    groups: list[tuple[float, int]] = []
    """For each group the mean of the first places that its members want, and how many members it has."""
    for place in places:
        groups.append((place, 1))
        while len(groups) > 1:
            (before, count), (start, more) = groups[-2:]
            if before + count * room <= start:
                break
            mean = (before * count + (start - count * room) * more) / (count + more)
            groups[-2:] = [(mean, count + more)]
    return [start + number * room for start, count in groups for number in range(count)]


def _across(plate: Plate, values: Sequence[float]) -> list[Shape]:
    """Return the dimensions above the plate: distances from its left edge."""
    shapes: list[Shape] = [Stroke("dimensions", 0, -1, 0, -5)]
    for value, at in zip(values, spread(values, 1.25 * SMALL_MM), strict=True):
        shapes.append(Stroke("dimensions", value, -1, value, -4))
        shapes.append(Stroke("dimensions", value, -4, at, -8))
        shapes.append(Text("sizes", at + 0.36 * SMALL_MM, -8.6, plain(value), SMALL_MM, "start", upright=True))
    shapes.append(Text("sizes", 0.36 * SMALL_MM - 0.4, -8.6, "0", SMALL_MM, "start", upright=True))
    return shapes


def _down(plate: Plate, values: Sequence[float]) -> list[Shape]:
    """Return the dimensions left of the plate: distances from its top edge."""
    shapes: list[Shape] = [Stroke("dimensions", -1, 0, -5, 0)]
    for value, at in zip(values, spread(values, 1.25 * SMALL_MM), strict=True):
        shapes.append(Stroke("dimensions", -1, value, -4, value))
        shapes.append(Stroke("dimensions", -4, value, -8, at))
        shapes.append(Text("sizes", -8.6, at + 0.36 * SMALL_MM, plain(value), SMALL_MM, "end"))
    shapes.append(Text("sizes", -8.6, 0.36 * SMALL_MM, "0", SMALL_MM, "end"))
    return shapes


# --- notes --------------------------------------------------------------------------------------------------------


def notes(plate: Plate, width: float) -> list[Shape]:
    """Return title, bars and table of holes, no wider than `width` mm or the bars, whichever is more."""
    panel = plate.panel
    holes = drilled(plate)
    title = shortened(panel.title or "Panel", 5.0, max(width, BAR_MM) - 2)
    size = f"plate {plain(plate.width_mm)} × {plain(plate.height_mm)} mm"
    how = "1 : 1. Print at 100 %, not fitted to the page; then measure both bars with a steel rule."
    shapes: list[Shape] = [
        Text("notes", 0, 5, title, 5.0, "start"),
        Text("notes", 0, 10, f"{size}, {counted(len(holes), 'hole')}; all lengths in mm", SMALL_MM, "start"),
        Text("notes", 0, 14, how, SMALL_MM, "start"),
    ]
    shapes += _bars(0, 20)
    left, top = 12.0, 30.0  # the table is in the corner between the bars
    columns = max(1, int((width - left + 4) // COLUMN_MM))
    shapes += moved(_table(plate, holes, columns), left, top)
    loose = [engraved(part) for part in panel.parts if part.name in plate.unplaced]
    if loose:
        text = f"Without a place, and so without a hole: {', '.join(loose)}"
        bottom = bounds_of(shapes)[3] + 5
        shapes.append(Text("notes", 0, bottom, shortened(text, SMALL_MM, width), SMALL_MM, "start"))
    return shapes


def _bars(x: float, y: float) -> list[Shape]:
    """Return a horizontal and a vertical bar of 100 mm from the same corner, with a tick every 10 mm."""
    return _bar_across(x, y) + _bar_down(x, y)


def bars_beside(plate: Plate) -> list[Shape]:
    """Return bars below and right of the plate, for the paper that is stuck on it."""
    return _bar_across(0, plate.height_mm + 6) + _bar_down(plate.width_mm + 6, 0)


STEP_MM = 6.0
"""Distance between the places that are tried for a bar."""


def bars_within(window: Bounds, shapes: Sequence[Shape]) -> list[Shape]:
    """Return bars within `window`, at the place where they cover the least of `shapes`, mostly nothing.

    Each sheet of a front that is cut into tiles gets them, because the printer's scale is measured on the paper that is
    stuck on.
    """
    taken = [shape.bounds() for shape in shapes if shape.layer != "plate"]
    for outline in (shape.bounds() for shape in shapes if shape.layer == "plate"):
        left, top, right, bottom = outline
        taken += [(left, top, right, top), (left, bottom, right, bottom), (left, top, left, bottom)]
        taken.append((right, top, right, bottom))
    found: list[Shape] = []
    for bar in (_bar_across(0, 0), _bar_down(0, 0)):
        left, top, right, bottom = bounds_of(bar)
        across = _steps(window[0] - left, window[2] - right)
        down = _steps(window[1] - top, window[3] - bottom)
        best: tuple[int, float, float] | None = None
        for x, y in ((x, y) for y in down for x in across):
            box = left + x, top + y, right + x, bottom + y
            covers = sum(not apart(box, each, 1.0) for each in taken)
            if best is None or covers < best[0]:
                best = covers, x, y
            if not covers:
                break
        if best is not None:
            placed = moved(bar, best[1], best[2])
            taken.append(bounds_of(placed))
            found += placed
    return found


def _steps(first: float, last: float) -> list[float]:
    """Return places from `first` to `last` outside the margin that a printer may cut off; none if there is no room."""
    room = last - first - 4.0
    return [first + 2.0 + number * STEP_MM for number in range(int(room // STEP_MM) + 1)] if room >= 0 else []


def _bar_across(x: float, y: float) -> list[Shape]:
    shapes: list[Shape] = [Stroke("bars", x, y, x + BAR_MM, y)]
    shapes += [Stroke("bars", x + at, y, x + at, y + long) for at, long in _ticks()]
    return [*shapes, Text("notes", x + BAR_MM / 2, y + 7, "100 mm across", SMALL_MM)]


def _bar_down(x: float, y: float) -> list[Shape]:
    shapes: list[Shape] = [Stroke("bars", x, y, x, y + BAR_MM)]
    shapes += [Stroke("bars", x, y + at, x + long, y + at) for at, long in _ticks()]
    return [*shapes, Text("notes", x + 7, y + BAR_MM / 2, "100 mm down", SMALL_MM, upright=True)]


def _ticks() -> list[tuple[float, float]]:
    """Return position and length in mm of each tick, beginning at the bar's start."""
    return [(number * BAR_MM / 10, 3.0 if number % 5 == 0 else 1.8) for number in range(11)]


def _table(plate: Plate, holes: Sequence[Drilled], columns: int) -> list[Shape]:
    """Return the table of holes, grouped by size, each with its place."""
    by_size: dict[Hole, list[Drilled]] = {}
    for each in holes:
        by_size.setdefault(each.hole, []).append(each)
    rows: list[tuple[str, ...]] = []
    for hole in sorted(by_size, key=lambda hole: (not hole.round, hole)):
        found = by_size[hole]
        letter = found[0].tag.rstrip("0123456789")
        sources = sources_of(each.part for each in found)
        rows.append(("size", letter, f"{len(found)} × {hole} mm"))
        rows += [("source", line) for line in _folded(sources, SOURCE_MM, COLUMN_MM - 10)]
        rows += [("hole", each.tag, plain(each.x_mm), plain(each.y_mm), engraved(each.part)) for each in found]
    spare = 4 if columns > 1 else 0  # for headings that move to the next column or are repeated there
    per_column = max(LONE_ROWS if len(rows) <= LONE_ROWS else LEAST_ROWS, -(-len(rows) // columns) + spare)
    shapes: list[Shape] = []
    number = column = 0
    size: tuple[str, ...] = ()
    below = [*(row[0] for row in rows[1:]), ""]
    for at, row in enumerate(rows):
        size = row if row[0] == "size" else size
        # A heading is kept together with its sources and its first hole.
        needs = next(n for n, each in enumerate(rows[at:], 1) if each[0] == "hole") if row[0] == "size" else 1
        if number and number + needs > per_column:
            number, column = 0, column + 1
        if number == 0:
            shapes += _row(column * COLUMN_MM, 0, ("hole", "hole", "across", "down", "part"))
            if row[0] != "size":
                number = 1
                shapes += _row(column * COLUMN_MM, ROW_MM, (*size[:2], f"{size[2]}, continued"))
        number += 1
        shapes += _row(column * COLUMN_MM, number * ROW_MM, row, goes_on=below[at] == "source")
    return shapes


def _folded(text: str, size: float, room: float) -> list[str]:
    """Return `text` in lines of at most `room` mm, with a reserve: viewers without our type use a wider one."""
    lines: list[str] = []
    for word in text.split():
        if lines and width_mm(f"{lines[-1]} {word}", WIDER * size) <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _row(x: float, y: float, row: tuple[str, ...], *, goes_on: bool = False) -> list[Shape]:
    """Return one row of the table, with a rule below it unless it continues in the next row (`goes_on`)."""
    base = y + 3.0
    wide = COLUMN_MM - 4
    rule = [] if goes_on else [Stroke("lines", x, y + ROW_MM, x + wide, y + ROW_MM)]
    if row[0] == "source":
        return [Text("notes", x + 6, base, row[1], SOURCE_MM, "start"), *rule]
    if row[0] == "size":
        return [
            Text("notes", x, base, row[1], 1.15 * SMALL_MM, "start"),
            Text("notes", x + 6, base, row[2], 1.15 * SMALL_MM, "start"),
            *rule,
        ]
    _, tag, across, down, name = row
    return [
        Text("notes", x + 2, base, tag, SMALL_MM, "start"),
        Text("notes", x + 24, base, across, SMALL_MM, "end"),
        Text("notes", x + 38, base, down, SMALL_MM, "end"),
        Text("notes", x + 43, base, shortened(name, SMALL_MM, wide - 43), SMALL_MM, "start"),
        *rule,
    ]


# --- all of it on one sheet ---------------------------------------------------------------------------------------


class Sheet(NamedTuple):
    """The scenes of a panel's sheet."""

    plate: Plate
    front: list[Shape]
    back: list[Shape]

    @staticmethod
    def of(panel: Panel) -> Sheet:
        """Return the scenes of `panel`."""
        plate = Plate.of(panel, loose_too=False).put_labels()
        return Sheet(plate, front(plate), back(plate))

    @property
    def sides(self) -> dict[str, list[Shape]]:
        """Return the two sides by name."""
        return {"front": self.front, "back": self.back}


def stacked(scenes: Iterable[Sequence[Shape]]) -> list[Shape]:
    """Return the shapes of all scenes stacked downwards from the first; empty ones take no room."""
    shapes: list[Shape] = []
    for scene in scenes:
        down = bounds_of(shapes)[3] + GAP_MM - bounds_of(scene)[1] if shapes and scene else 0.0
        shapes += moved(scene, 0, down)
    return shapes

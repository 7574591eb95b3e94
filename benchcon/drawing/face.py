"""What each part looks like from the front."""

from __future__ import annotations

import math

from benchcon.drawing.plate import Plate
from benchcon.drawing.shapes import Box, Circle, Shape, Stroke, Text
from benchcon.drawing.sizes import sort_of
from benchcon.panel.model import Control, Lamp, Part
from benchcon.panel.places import footprint_mm

COLOURS = {"red": "#d33", "amber": "#f5a300", "green": "#2a9d3f", "blue": "#2f6fe0", "white": "#f4f4ee"}
TURN_DEG = 240.0
"""Angle from the first to the last position of a rotary switch, symmetric about the top."""


def part_shapes(plate: Plate, part: Part) -> list[Shape]:
    """Return the shapes of `part` as seen from the front, at its place and in its size, on the layers of `svg.FACE`."""
    shapes = _uncovered(plate, part)
    if isinstance(part, Control) and part.guard:
        # The closed cover and its hinge, drawn within the part's own size: a frame around it would touch the label.
        place = plate.places[part.name]
        across, down = (side / 2 for side in footprint_mm(part))
        left, top = place.x_mm - across, place.y_mm - down
        hinge = top + 0.25 * down
        shapes.append(Box("cover", left, top, 2 * across, 2 * down, 0.5))
        shapes.append(Stroke("cover", left, hinge, left + 2 * across, hinge))
    return shapes


def _uncovered(plate: Plate, part: Part) -> list[Shape]:
    place = plate.places[part.name]
    x, y = place.x_mm, place.y_mm
    width, height = footprint_mm(part)
    across, down = width / 2, height / 2
    radius = min(across, down)
    if isinstance(part, Lamp) and (part.inside or any(lamp.inside == part.name for lamp in plate.panel.lamps)):
        return _lit(plate, part)
    if isinstance(part, Lamp):
        return [Circle("lamp", x, y, radius, COLOURS.get(part.colour, "#ccc"))]
    if not isinstance(part, Control):
        return _display(x, y, width, height, part.digits, COLOURS.get(part.colour, "#ccc"))
    sort = sort_of(part)
    if sort == "button":
        return [Circle("metal", x, y, radius), Circle("rim", x, y, 0.78 * radius)]
    if sort in ("encoder", "pot"):
        tip = radius * math.sqrt(0.5)
        pointer = Stroke("pointer", x + 0.35 * tip, y - 0.35 * tip, x + 0.85 * tip, y - 0.85 * tip)
        return [Circle("ring" if sort == "encoder" else "metal", x, y, radius), pointer]
    if sort == "rotary":
        count = len(part.positions)
        turns = [math.radians(TURN_DEG * (n / (count - 1) - 0.5)) for n in range(count)]
        ticks: list[Shape] = [
            Stroke(
                "tick",
                x + (radius + 1) * math.sin(turn),
                y - (radius + 1) * math.cos(turn),
                x + (radius + 3) * math.sin(turn),
                y - (radius + 3) * math.cos(turn),
            )
            for turn in turns
        ]
        return [*ticks, Circle("metal", x, y, radius), Stroke("pointer", x, y - 0.25 * radius, x, y - 0.85 * radius)]
    lever = Stroke("pointer", x, y + 0.35 * down, x, y - 0.6 * down)
    return [Box("metal", x - across, y - down, width, height, min(2.0, radius / 2)), lever]


def _lit(plate: Plate, part: Lamp) -> list[Shape]:
    """Return a lamp in a control as the middle of the control, one of several colours as its share of the housing."""
    home = plate.panel.part(part.inside or part.name) or part
    place = plate.places[part.name]
    radius = (0.55 if isinstance(home, Control) else 1.0) * min(footprint_mm(home)) / 2
    together = [lamp.name for lamp in plate.panel.lamps if home.name in (lamp.inside, lamp.name)]
    count = len(together)
    wide = 2 * radius / count
    x = place.x_mm + (together.index(part.name) - (count - 1) / 2) * wide
    return [Circle("lamp", x, place.y_mm, wide / 2 if count > 1 else radius, COLOURS.get(part.colour, "#ccc"))]


def _display(x: float, y: float, width: float, height: float, digits: int, colour: str) -> list[Shape]:
    # The figure 8 is 0.556 of its size wide and 0.72 of it high.
    size = min(0.72 * height / 0.72, 0.86 * width / digits / 0.556)
    pitch = 0.9 * width / digits
    eights = [
        Text("digits", x + (n - (digits - 1) / 2) * pitch, y + 0.36 * size, "8", size, fill=colour)
        for n in range(digits)
    ]
    return [Box("glass", x - width / 2, y - height / 2, width, height, 1.0), *eights]

"""Shapes on named layers, in millimetres, y downwards."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass

from benchcon.drawing.letters import width_mm

Bounds = tuple[float, float, float, float]
"""A rectangle: left, top, right, bottom, in mm."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A straight line from one point to another."""

    layer: str
    x1: float
    y1: float
    x2: float
    y2: float

    def bounds(self) -> Bounds:
        """Return the rectangle that it covers, without the width of its stroke."""
        return min(self.x1, self.x2), min(self.y1, self.y2), max(self.x1, self.x2), max(self.y1, self.y2)

    def moved(self, x: float, y: float) -> Stroke:
        """Return it moved by `x`, `y` mm."""
        return dataclasses.replace(self, x1=self.x1 + x, y1=self.y1 + y, x2=self.x2 + x, y2=self.y2 + y)


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle round its centre."""

    layer: str
    x: float
    y: float
    radius: float
    fill: str = ""
    """Fill colour of its own; empty: as its layer."""

    def bounds(self) -> Bounds:
        """Return the rectangle that it covers, without the width of its stroke."""
        return self.x - self.radius, self.y - self.radius, self.x + self.radius, self.y + self.radius

    def moved(self, x: float, y: float) -> Circle:
        """Return it moved by `x`, `y` mm."""
        return dataclasses.replace(self, x=self.x + x, y=self.y + y)


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle given by its top left corner, with rounded corners if it has a radius."""

    layer: str
    x: float
    y: float
    width: float
    height: float
    radius: float = 0.0
    fill: str = ""

    def bounds(self) -> Bounds:
        """Return the rectangle that it covers, without the width of its stroke."""
        return self.x, self.y, self.x + self.width, self.y + self.height

    def moved(self, x: float, y: float) -> Box:
        """Return it moved by `x`, `y` mm."""
        return dataclasses.replace(self, x=self.x + x, y=self.y + y)


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text in Helvetica or a face of the same widths; `x`, `y` is on its base line."""

    layer: str
    x: float
    y: float
    text: str
    size: float
    """Type size (em) in mm; capital letters have 0.72 of its height."""
    anchor: str = "middle"
    """Which point of the text is at `x`: ``start``, ``middle`` or ``end``."""
    upright: bool = False
    """Turned 90° anticlockwise, to be read upwards."""
    fill: str = ""

    def bounds(self) -> Bounds:
        """Return the rectangle that it covers, from the descenders to the ascenders."""
        long = width_mm(self.text, self.size)
        back = {"start": 0.0, "middle": long / 2, "end": long}[self.anchor]
        up, down = 0.74 * self.size, 0.21 * self.size
        if self.upright:
            return self.x - up, self.y + back - long, self.x + down, self.y + back
        return self.x - back, self.y - up, self.x - back + long, self.y + down

    def moved(self, x: float, y: float) -> Text:
        """Return it moved by `x`, `y` mm."""
        return dataclasses.replace(self, x=self.x + x, y=self.y + y)


Shape = Stroke | Circle | Box | Text


def bounds_of(shapes: Iterable[Shape]) -> Bounds:
    """Return the smallest rectangle round all `shapes`."""
    found = [shape.bounds() for shape in shapes]
    if not found:
        return 0.0, 0.0, 0.0, 0.0
    left, top, right, bottom = zip(*found, strict=True)
    return min(left), min(top), max(right), max(bottom)


def together(one: Bounds, other: Bounds) -> Bounds:
    """Return the smallest rectangle round two rectangles."""
    return min(one[0], other[0]), min(one[1], other[1]), max(one[2], other[2]), max(one[3], other[3])


def moved(shapes: Iterable[Shape], x: float, y: float) -> list[Shape]:
    """Return `shapes` moved by `x`, `y` mm."""
    return [shape.moved(x, y) for shape in shapes]


def apart(one: Bounds, other: Bounds, gap: float = 0.0) -> bool:
    """Return whether two rectangles have at least `gap` mm between them."""
    return one[2] + gap <= other[0] or other[2] + gap <= one[0] or one[3] + gap <= other[1] or other[3] + gap <= one[1]

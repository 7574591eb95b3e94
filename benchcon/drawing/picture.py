"""A picture of the panel as seen from the front."""

from __future__ import annotations

from benchcon.drawing.face import part_shapes
from benchcon.drawing.plate import Plate
from benchcon.drawing.shapes import Box, Shape
from benchcon.drawing.svg import FACE, document
from benchcon.panel.model import Panel


def face_shapes(plate: Plate) -> list[Shape]:
    """Return the shapes of the plate, its parts and their labels."""
    shapes: list[Shape] = [Box("outline", 0, 0, plate.width_mm, plate.height_mm, 3.0)]
    for part in plate.panel.parts:
        shapes += part_shapes(plate, part)
    for label in plate.labels.values():
        shapes += label.texts()
    return shapes


def picture(panel: Panel) -> str:
    """Return `panel` as an SVG file at 1 : 1."""
    plate = Plate.of(panel).put_labels()
    rim = 2.0
    covers = (-rim, -rim, plate.width_mm + rim, plate.height_mm + rim)
    return document(face_shapes(plate), FACE, covers, panel.title or "panel")

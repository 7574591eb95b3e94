"""The sheet as a file: SVG, PDF or DXF."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection
from typing import NamedTuple

from benchcon.drawing import dxf, pdf, svg, tiles
from benchcon.drawing.picture import picture
from benchcon.drawing.shapes import Shape, bounds_of
from benchcon.drawing.sheet import LAYERS, Sheet, drilled, notes
from benchcon.panel.model import Panel

RIM_MM = 6.0


class Drawn(NamedTuple):
    """A file's content, and what is in it, in words."""

    data: bytes
    told: str


def as_svg(panel: Panel, paper: str = "", only: Collection[str] = ()) -> Drawn:
    """Return front, back and notes in one SVG at 1 : 1, a group for each layer. The front's corner is at 0, 0."""
    sheet = Sheet.of(panel)
    shapes = _only(sheet.whole(), only)
    left, top, right, bottom = bounds_of(shapes)
    covers = (left - RIM_MM, top - RIM_MM, right + RIM_MM, bottom + RIM_MM)
    text = svg.document(shapes, LAYERS, covers, panel.title or "panel")
    return Drawn(text.encode(), f"{_holes(sheet)}, one sheet at 1 : 1, {_size(covers)}")


def as_dxf(panel: Panel, paper: str = "", only: Collection[str] = ()) -> Drawn:
    """Return the front and, right of it on layers of its own, the mirrored back. The plate's lower left is at 0, 0."""
    sheet = Sheet.of(panel)
    front = [shape for shape in sheet.front if shape.layer != "tags"]
    behind = [shape.moved(sheet.plate.width_mm + 60.0, 0) for shape in sheet.back if shape.layer != "tags"]
    shapes = _only(front, only)
    shapes += [dataclasses.replace(shape, layer=f"back {shape.layer}") for shape in _only(behind, only)]
    layers = [*LAYERS, *(f"back {layer}" for layer in LAYERS)]
    text = dxf.document(shapes, layers, sheet.plate.height_mm)
    return Drawn(text.encode("ascii"), f"{_holes(sheet)}, front and back, lengths in mm")


def as_pdf(panel: Panel, paper: str = "a4", only: Collection[str] = ()) -> Drawn:
    """Return notes, front and back as pages: of `paper`, cut up with marks to join, or ``whole``."""
    sheet = Sheet.of(panel)
    title = panel.title or "panel"
    scale = "1 : 1, print at 100 %"
    scenes = [("front", _only(sheet.front, only)), ("back, mirrored", _only(sheet.back, only))]
    wide = sheet.plate.width_mm if paper == "whole" else tiles.PAPERS[paper][0] - 2 * tiles.RIM_MM
    noted = _only(notes(sheet.plate, wide), only)
    named = [(f"{title}: {name}; {scale}", shapes) for name, shapes in [("holes", noted), *scenes] if shapes]
    pages: list[tiles.Page] = []
    if paper == "whole":
        pages = tiles.whole(named)
    else:
        for name, shapes in named:
            pages += tiles.tiled(name, shapes, paper)
    paper_name = {"a4": "A4", "letter": "Letter", "whole": "whole"}[paper]
    count = f"{len(pages)} {'page' if len(pages) == 1 else 'pages'} ({paper_name})"
    return Drawn(pdf.document(pages, LAYERS, title), f"{_holes(sheet)}, {count} at 1 : 1; print at 100 %")


def as_picture(panel: Panel, paper: str = "", only: Collection[str] = ()) -> Drawn:
    """Return a picture of the panel as it looks from the front."""
    return Drawn(picture(panel).encode(), "a picture of the panel")


FORMS: dict[str, Callable[[Panel, str, Collection[str]], Drawn]] = {".svg": as_svg, ".pdf": as_pdf, ".dxf": as_dxf}
"""By the ending of the file."""


def _only(shapes: list[Shape], layers: Collection[str]) -> list[Shape]:
    return [shape for shape in shapes if not layers or shape.layer in layers]


def _holes(sheet: Sheet) -> str:
    count = len(drilled(sheet.plate))
    loose = len(sheet.plate.unplaced)
    without = f" ({loose} {'part has' if loose == 1 else 'parts have'} no place yet)" if loose else ""
    return f"{count} {'hole' if count == 1 else 'holes'}{without}"


def _size(covers: tuple[float, float, float, float]) -> str:
    return f"{covers[2] - covers[0]:.0f} × {covers[3] - covers[1]:.0f} mm"

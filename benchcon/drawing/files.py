"""The sheet as a file: SVG, PDF or DXF."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Iterable, Sequence
from typing import NamedTuple

from benchcon.drawing import dxf, pdf, svg, tiles
from benchcon.drawing.picture import picture
from benchcon.drawing.shapes import Shape, Text, bounds_of
from benchcon.drawing.sheet import LAYERS, Sheet, bars_beside, bars_within, drilled, notes, stacked
from benchcon.panel.model import Panel
from benchcon.text import counted, printable

RIM_MM = 6.0


class SheetFile(NamedTuple):
    """The content of a file, and a description of it for a message."""

    data: bytes
    about: str


SIDES: dict[str, tuple[str, ...]] = {"front": ("front",), "back": ("back",), "both": ("front", "back")}
_OF_THE_BACK = ("behind", "wires")
"""Layers that are on the back only."""


def sides_of(side: str, only: Collection[str]) -> tuple[str, ...]:
    """Return the sides to draw: `side` (one of `SIDES`) if it is given, else both.

    Without `side`, if `only` names layers and none of the back's own, only the front is drawn: a second outline beside
    an engraving would be cut as well.
    """
    return SIDES[side or ("both" if not only or not {*_OF_THE_BACK}.isdisjoint(only) else "front")]


def as_svg(panel: Panel, paper: str = "", only: Collection[str] = (), side: str = "") -> SheetFile:
    """Return sides and notes as one SVG at 1 : 1, with a group for each layer. The first side's corner is at 0, 0."""
    sheet = Sheet.of(panel)
    sides = sides_of(side, only)
    scenes = [_only(sheet.sides[each], only) for each in sides]
    shapes = stacked([*scenes, _only(notes(sheet.plate, sheet.plate.width_mm), only)])
    left, top, right, bottom = bounds_of(shapes)
    covers = (left - RIM_MM, top - RIM_MM, right + RIM_MM, bottom + RIM_MM)
    text = svg.document(shapes, LAYERS, covers, panel.title or "panel")
    return SheetFile(text.encode(), f"{_described(sheet, sides, only)}, one sheet at 1 : 1, {_size(covers)}")


def as_dxf(panel: Panel, paper: str = "", only: Collection[str] = (), side: str = "") -> SheetFile:
    """Return a DXF of the front, the mirrored back, or both side by side, with the back on layers of its own.

    The plate's lower left corner is at 0, 0. Without `side` it holds only the front, because it goes to a mill.
    """
    sheet = Sheet.of(panel)
    sides = sides_of(side or ("" if only else "front"), only)
    shapes: list[Shape] = []
    if "front" in sides:
        shapes += _only([shape for shape in sheet.front if shape.layer != "tags"], only)
    if "back" in sides:
        right = sheet.plate.width_mm + 60.0 if "front" in sides else 0.0
        behind = [shape.moved(right, 0) for shape in sheet.back if shape.layer != "tags"]
        shapes += [dataclasses.replace(shape, layer=f"back {shape.layer}") for shape in _only(behind, only)]
    layers = [*LAYERS, *(f"back {layer}" for layer in LAYERS)]
    text = dxf.document(shapes, layers, sheet.plate.height_mm)
    about = f"{_described(sheet, sides, only)}, lengths in mm{_unset(shapes, dxf.can_set)}"
    return SheetFile(text.encode("ascii"), about)


def as_pdf(panel: Panel, paper: str = "a4", only: Collection[str] = (), side: str = "") -> SheetFile:
    """Return notes and sides as PDF pages of the size `paper`, cut into tiles with marks to join them, or ``whole``."""
    sheet = Sheet.of(panel)
    title = panel.title or "panel"
    scale = "1 : 1, print at 100 %"
    sides = sides_of(side, only)
    names = {"front": "front", "back": "back, mirrored"}
    drawn = dict(sheet.sides)
    barred = drawn["front"] + bars_beside(sheet.plate)
    # The printer's scale is measured on the very paper that is stuck on, so no bar may be cut in two.
    if paper == "whole" or len(tiles.tiled("", barred, paper)) == 1:
        drawn["front"] = barred
    scenes = [(names[each], _only(drawn[each], only)) for each in sides]
    wide = sheet.plate.width_mm if paper == "whole" else tiles.PAPERS[paper][0] - 2 * tiles.RIM_MM
    noted = _only(notes(sheet.plate, wide), only)
    named = [(f"{title}: {name}; {scale}", shapes) for name, shapes in [("holes", noted), *scenes] if shapes]
    pages: list[tiles.Page] = []
    if paper == "whole":
        pages = tiles.whole(named)
    else:
        for name, shapes in named:
            cut = tiles.tiled(name, shapes, paper)
            if len(cut) > 1 and name.startswith(f"{title}: front") and (not only or "bars" in only):
                for page in cut:
                    page.shapes.extend(bars_within(page.window, page.shapes))
            pages += cut
    paper_name = {"a4": "A4", "letter": "Letter", "whole": "whole"}[paper]
    count = f"{counted(len(pages), 'page')} ({paper_name})"
    about = f"{_described(sheet, sides, only)}, {count} at 1 : 1; print at 100 %"
    unset = _unset((shape for page in pages for shape in page.shapes), pdf.can_set)
    return SheetFile(pdf.document(pages, LAYERS, title), about + unset)


def as_picture(panel: Panel, paper: str = "", only: Collection[str] = (), side: str = "") -> SheetFile:
    """Return a picture of the panel as it looks from the front."""
    return SheetFile(picture(panel).encode(), "a picture of the panel")


FORMS: dict[str, Callable[[Panel, str, Collection[str], str], SheetFile]] = {
    ".svg": as_svg,
    ".pdf": as_pdf,
    ".dxf": as_dxf,
}
"""For each file ending, the function that makes the file."""


def _only(shapes: list[Shape], layers: Collection[str]) -> list[Shape]:
    return [shape for shape in shapes if not layers or shape.layer in layers]


def _described(sheet: Sheet, sides: Sequence[str], only: Collection[str]) -> str:
    """Return in words what is drawn: the number of holes, if they are drawn, and the sides."""
    loose = len(sheet.plate.unplaced)
    without = f" ({loose} {'part has' if loose == 1 else 'parts have'} no place yet)" if loose else ""
    shown = " and ".join(sides)
    if only and {"holes", "cutouts"}.isdisjoint(only):
        return f"{', '.join(layer for layer in LAYERS if layer in only)}{without}, {shown}"
    count = len(drilled(sheet.plate))
    return f"{counted(count, 'hole')}{without}, {shown}"


def _unset(shapes: Iterable[Shape], can_set: Callable[[str], bool]) -> str:
    """Return which texts have letters that the file format cannot hold, so that they are noticed before engraving."""
    texts = dict.fromkeys(shape.text for shape in shapes if isinstance(shape, Text) and not can_set(shape.text))
    if not texts:
        return ""
    shown = ", ".join(f'"{printable(text)}"' for text in list(texts)[:3]) + (", …" if len(texts) > 3 else "")
    return f"; it shows ? for letters that it cannot hold, in {shown}: an .svg holds them all"


def _size(covers: tuple[float, float, float, float]) -> str:
    return f"{covers[2] - covers[0]:.0f} × {covers[3] - covers[1]:.0f} mm"

"""Shapes as SVG with one unit a millimetre, and a group for each layer, so that layers can be separated."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape
from typing import NamedTuple

from benchcon.drawing.letters import width_mm
from benchcon.drawing.shapes import Bounds, Box, Circle, Shape, Stroke

FONT = "Helvetica, Arial, 'Liberation Sans', 'Nimbus Sans', sans-serif"


class Pen(NamedTuple):
    """How a layer is drawn."""

    stroke: str = ""
    """Colour of lines; empty: none."""
    width_mm: float = 0.0
    fill: str = ""
    """Colour of areas and text; empty: none."""
    dash_mm: float = 0.0
    round: bool = False
    bold: bool = False


FACE: Mapping[str, Pen] = {
    # For each layer how it looks in a picture of the panel.
    "outline": Pen("#6d7175", 0.6, "#e8e6df"),
    "metal": Pen("#6d7175", 0.5, "#b9bcc0"),
    "rim": Pen("#8d9195", 0.35, "#c9ccd0"),
    "ring": Pen("#4c5054", 1.4, "#b9bcc0", dash_mm=1.2),
    "pointer": Pen("#23272b", 1.6, round=True),
    "tick": Pen("#4c5054", 0.6, round=True),
    "cover": Pen("#23272b", 0.9),
    "lamp": Pen("#6d7175", 0.5, "#cccccc"),
    "glass": Pen("#000000", 0.3, "#111111"),
    "digits": Pen(fill="#cccccc"),
    "labels": Pen(fill="#1d2023"),
}


def document(shapes: Iterable[Shape], pens: Mapping[str, Pen], covers: Bounds, title: str = "") -> str:
    """Return the text of an SVG file that shows the rectangle `covers` of `shapes` at 1 : 1."""
    left, top, right, bottom = covers
    width, height = right - left, bottom - top
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(width)}mm" height="{_n(height)}mm" '
        f'viewBox="{_n(left)} {_n(top)} {_n(width)} {_n(height)}">'
    )
    words = [f"<title>{escape(title)}</title>"] if title else []
    return "\n".join(['<?xml version="1.0" encoding="UTF-8"?>', head, *words, groups(shapes, pens), "</svg>", ""])


def groups(shapes: Iterable[Shape], pens: Mapping[str, Pen]) -> str:
    """Return a ``<g>`` for each layer, in the order of `pens`, with its look as attributes."""
    by_layer: dict[str, list[Shape]] = {}
    for shape in shapes:
        by_layer.setdefault(shape.layer, []).append(shape)
    out = []
    for layer, pen in pens.items():
        if layer in by_layer:
            out.append(f'<g id="{layer}" {_look(pen)}>')
            out += [element(shape) for shape in by_layer[layer]]
            out.append("</g>")
    return "\n".join(out)


def _look(pen: Pen) -> str:
    words = [f'fill="{pen.fill or "none"}"']
    if pen.stroke:
        words.append(f'stroke="{pen.stroke}" stroke-width="{_n(pen.width_mm)}"')
        words += [f'stroke-dasharray="{_n(pen.dash_mm)} {_n(0.6 * pen.dash_mm)}"'] if pen.dash_mm else []
        words += ['stroke-linecap="round"'] if pen.round else []
    words += [f'font-family="{FONT}"'] + (['font-weight="700"'] if pen.bold else [])
    return " ".join(words)


def element(shape: Shape, kind: str = "") -> str:
    """Return one shape as an SVG element; `kind` becomes its class, for a style sheet."""
    named = f' class="{kind}"' if kind else ""
    if isinstance(shape, Stroke):
        return f'<line{named} x1="{_n(shape.x1)}" y1="{_n(shape.y1)}" x2="{_n(shape.x2)}" y2="{_n(shape.y2)}"/>'
    fill = f' fill="{shape.fill}"' if shape.fill else ""
    if isinstance(shape, Circle):
        return f'<circle{named} cx="{_n(shape.x)}" cy="{_n(shape.y)}" r="{_n(shape.radius)}"{fill}/>'
    if isinstance(shape, Box):
        rounded = f' rx="{_n(shape.radius)}"' if shape.radius else ""
        size = f'width="{_n(shape.width)}" height="{_n(shape.height)}"'
        return f'<rect{named} x="{_n(shape.x)}" y="{_n(shape.y)}" {size}{rounded}{fill}/>'
    turn = f' transform="rotate(-90 {_n(shape.x)} {_n(shape.y)})"' if shape.upright else ""
    at = f'x="{_n(shape.x)}" y="{_n(shape.y)}"'
    look = f'font-size="{_n(shape.size)}" text-anchor="{shape.anchor}"'
    if shape.text:
        # Whatever typeface the viewer has, the text must not take more room than was found for it.
        look += f' textLength="{_n(width_mm(shape.text, shape.size))}" lengthAdjust="spacingAndGlyphs"'
    return f"<text{named} {at} {look}{fill}{turn}>{escape(shape.text)}</text>"


def _n(number: float) -> str:
    """Return a length in mm, rounded to a tenth of a micrometre."""
    text = f"{number:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text

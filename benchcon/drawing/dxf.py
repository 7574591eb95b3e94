"""Shapes as DXF (release 12, ASCII) in millimetres, y upwards, which mills, lasers and drawing programs read."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchcon.drawing.shapes import Box, Circle, Shape, Stroke, Text

CAPITALS = 0.72
"""Height of capital letters as a share of the type size; DXF calls this the height of a text."""
_QUARTER = 0.41421356
"""Bulge of a quarter circle: the tangent of a quarter of its angle."""
_COLOURS = (7, 1, 5, 3, 6, 4, 2, 8)


def document(shapes: Sequence[Shape], layers: Iterable[str], height_mm: float) -> str:
    """Return the text of a DXF file of `shapes`; its y = 0 lies `height_mm` below the origin of the shapes."""
    used = {shape.layer for shape in shapes}
    names = [layer for layer in layers if layer in used]
    rows: list[object] = [0, "SECTION", 2, "HEADER", 9, "$ACADVER", 1, "AC1009", 9, "$INSUNITS", 70, 4]
    rows += [0, "ENDSEC", 0, "SECTION", 2, "TABLES"]
    rows += [0, "TABLE", 2, "LTYPE", 70, 1, 0, "LTYPE", 2, "CONTINUOUS", 70, 0, 3, "Solid line", 72, 65, 73, 0, 40, 0.0]
    rows += [0, "ENDTAB", 0, "TABLE", 2, "LAYER", 70, len(names) + 1]
    rows += [0, "LAYER", 2, "0", 70, 0, 62, 7, 6, "CONTINUOUS"]
    for number, layer in enumerate(names):
        rows += [0, "LAYER", 2, _layer(layer), 70, 0, 62, _COLOURS[number % len(_COLOURS)], 6, "CONTINUOUS"]
    rows += [0, "ENDTAB", 0, "TABLE", 2, "STYLE", 70, 1]
    rows += [0, "STYLE", 2, "STANDARD", 70, 0, 40, 0.0, 41, 1.0, 50, 0.0, 71, 0, 42, 2.5, 3, "txt", 4, ""]
    rows += [0, "ENDTAB", 0, "ENDSEC", 0, "SECTION", 2, "BLOCKS", 0, "ENDSEC", 0, "SECTION", 2, "ENTITIES"]
    for shape in shapes:
        rows += _entity(shape, height_mm)
    rows += [0, "ENDSEC", 0, "EOF"]
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return "".join(f"{code:>3}\n{_value(value)}\n" for code, value in pairs)


def _entity(shape: Shape, height: float) -> list[object]:
    layer = _layer(shape.layer)
    if isinstance(shape, Stroke):
        start, end = [10, shape.x1, 20, height - shape.y1], [11, shape.x2, 21, height - shape.y2]
        return [0, "LINE", 8, layer, *start, *end]
    if isinstance(shape, Circle):
        return [0, "CIRCLE", 8, layer, 10, shape.x, 20, height - shape.y, 40, shape.radius]
    if isinstance(shape, Box):
        return _polyline(shape, layer, height)
    # A text anchored at the middle of its base line is "centre" in R12 (72 = 1), with its point in groups 11 and 21.
    place = {"start": 0, "middle": 1, "end": 2}[shape.anchor]
    x, y = shape.x, height - shape.y
    rows: list[object] = [0, "TEXT", 8, layer, 10, x, 20, y, 40, CAPITALS * shape.size, 1, _text(shape)]
    rows += [50, 90.0] if shape.upright else []
    return rows + ([72, place, 11, x, 21, y] if place else [])


def _polyline(box: Box, layer: str, height: float) -> list[object]:
    left, top, right, bottom = box.bounds()
    low, high = height - bottom, height - top
    r = min(box.radius, box.width / 2, box.height / 2)
    points: list[tuple[float, float, float]]
    if r:
        points = [
            (left + r, low, 0.0),
            (right - r, low, _QUARTER),
            (right, low + r, 0.0),
            (right, high - r, _QUARTER),
            (right - r, high, 0.0),
            (left + r, high, _QUARTER),
            (left, high - r, 0.0),
            (left, low + r, _QUARTER),
        ]
    else:
        points = [(left, low, 0.0), (right, low, 0.0), (right, high, 0.0), (left, high, 0.0)]
    rows: list[object] = [0, "POLYLINE", 8, layer, 66, 1, 10, 0.0, 20, 0.0, 30, 0.0, 70, 1]
    for x, y, bulge in points:
        rows += [0, "VERTEX", 8, layer, 10, x, 20, y, *([42, bulge] if bulge else [])]
    return [*rows, 0, "SEQEND", 8, layer]


def _layer(name: str) -> str:
    return name.upper().replace(" ", "_")


def can_set(text: str) -> bool:
    """Return whether a DXF can hold all of `text`: its codes have four digits, so nothing beyond U+FFFF has one."""
    return all(ord(letter) <= 0xFFFF for letter in text)


def _text(shape: Text) -> str:
    """Return the text in plain ASCII; ``%%`` and ``\\`` are escaped because they begin codes in a DXF."""
    text = shape.text.replace("\\", "/").replace("%%", "% %")
    return "".join(c if 0x20 <= ord(c) < 0x7F else f"\\U+{ord(c):04X}" if can_set(c) else "?" for c in text)


def _value(value: object) -> str:
    return f"{value + 0.0:.6f}" if isinstance(value, float) else str(value)

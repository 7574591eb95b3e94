"""The panel's face in a walk's page: every part where it sits, marked by how the walk found it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from benchcon.drawing.face import part_shapes
from benchcon.drawing.plate import Plate
from benchcon.drawing.shapes import Bounds
from benchcon.drawing.svg import element
from benchcon.panel.model import Panel, Part
from benchcon.panel.places import engraved, inside_of
from benchcon.walk.marks import MARKS

_MARK = 4.2
"""Radius of a verdict's mark, on a plate 480 mm wide; the page shows every plate as wide as itself."""
_SIZES = (5.0, 4.4, 3.8, 3.2, 2.8, 2.4, 2.0)
"""Of labels, on such a plate."""
_USUAL_MM = 480.0


def face(panel: Panel, verdicts: Mapping[str, str], said: Mapping[str, Sequence[tuple[int, str]]]) -> str:
    """Return an ``<svg>`` element. `said`: for each part the findings that name it, number and words.

    Every mark and label stands where it covers no part and no other label.
    """
    plate = Plate.of(panel)
    scale = min(1.5, max(plate.width_mm, 0.75 * plate.height_mm) / _USUAL_MM)
    rings = {part.name: _ring(plate, part, scale) for part in panel.parts if said.get(part.name)}
    marks = {part.name: _mark(plate, part, scale) for part in panel.parts}
    numbers: dict[str, list[int]] = {}
    for part in panel.parts:  # what is found of a lamp in something stands at the label of that
        numbers.setdefault(inside_of(part) or part.name, []).extend(number for number, _ in said.get(part.name, ()))
    told = {
        part.name: f"{engraved(part)} ({', '.join(map(str, here))})"
        for part in panel.parts
        if (here := numbers.get(part.name))
    }
    plate.put_labels(marks.values(), [scale * size for size in _SIZES], told, rings)
    width, height, rim = plate.width_mm, plate.height_mm, 8 * scale
    out = [
        f'<svg class="face" viewBox="{-rim:.1f} {-rim:.1f} {width + 2 * rim:.1f} {height + 2 * rim:.1f}" role="img" '
        f'aria-label="{escape(panel.title or "panel", quote=True)}">',
        f'<rect class="plate" x="0" y="0" width="{width:.1f}" height="{height:.1f}" rx="{4 * scale:.1f}"/>',
    ]
    for part in panel.parts:
        verdict = verdicts.get(part.name, "not asked")
        found = said.get(part.name, ())
        out.append(f'<g class="part {verdict.replace(" ", "-")}">')
        title = "\n".join(
            [f"{part.label or part.name}: {MARKS[verdict][1]}", *(f"{number}: {text}" for number, text in found)]
        )
        out.append(f"<title>{escape(title)}</title>")
        out += [element(shape, shape.layer) for shape in part_shapes(plate, part)]
        if part.name in plate.labels:
            texts = plate.labels[part.name].texts()
            out += [element(text, "label") for text in texts]
        if found:
            left, top, right, bottom = rings[part.name]
            box = f'x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"'
            out.append(f'<rect class="fault" {box} rx="{3 * scale:.1f}"/>')
        out += _drawn_mark(marks[part.name], verdict)
        out.append("</g>")
    out.append("</svg>")
    return "\n".join(out)


def _mark(plate: Plate, part: Part, scale: float) -> Bounds:
    """Where the mark of `part` lies: at its upper right corner, but on the plate."""
    control = plate.panel.part(inside_of(part))
    _, top, right, _ = plate.front(part)
    if control is not None:
        # A lamp in a control has its mark below that of the control.
        number = [lamp.name for lamp in plate.panel.lamps if lamp.inside == control.name].index(part.name)
        _, top, right, _ = plate.front(control)
        top += 2.4 * (number + 1) * _MARK * scale
    x = min(right + 2.5 * scale, plate.width_mm)
    y = max(top - 2.5 * scale, 0.0)
    radius = _MARK * scale
    return x - radius, y - radius, x + radius, y + radius


def _ring(plate: Plate, part: Part, scale: float) -> Bounds:
    """The frame round a part that something is the matter with, so that it stands out from across the room."""
    left, top, right, bottom = plate.front(part)
    gap = 2.5 * scale
    return left - gap, top - gap, right + gap, bottom + gap


def _drawn_mark(at: Bounds, verdict: str) -> list[str]:
    x, y, radius = (at[0] + at[2]) / 2, (at[1] + at[3]) / 2, (at[2] - at[0]) / 2
    sign = f'x="{x:.2f}" y="{y + 0.52 * radius:.2f}" font-size="{1.55 * radius:.2f}"'
    return [
        f'<circle class="mark" cx="{x:.2f}" cy="{y:.2f}" r="{radius:.2f}" stroke-width="{0.19 * radius:.2f}"/>',
        f'<text class="sign" {sign}>{MARKS[verdict][0]}</text>',
    ]

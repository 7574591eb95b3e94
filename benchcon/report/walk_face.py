"""The picture of the panel on a walk's page: every part in its place, marked with its verdict.

The picture is drawn for paper: it fits between the margins of A4 and of Letter, and its texts and marks have a fixed
size in print, however large the plate is. On a screen it can only get larger.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import NamedTuple

from benchcon.drawing.face import part_shapes
from benchcon.drawing.plate import Plate
from benchcon.drawing.shapes import Bounds, apart
from benchcon.drawing.svg import element
from benchcon.panel.model import Panel, Part
from benchcon.panel.places import belong, engraved, inside_of
from benchcon.walk.marks import MARKS

WIDTH_MM, HEIGHT_MM = 182.0, 150.0
"""Room for the picture on paper: between margins of 14 mm, A4 is 182 mm wide and Letter 188 mm."""
MOST_SCALE = 2.0
POINT_MM = 25.4 / 72
SIZES_PT = (10.0, 9.0, 8.5, 8.0, 7.5, 7.0)
"""Type sizes of labels in print; below 7 pt they cannot be read at a bench (common practice, no source)."""
_MARK_MM = 1.7
"""Radius of a verdict's mark, in print."""
_GAP_MM = 0.9
"""Gap between a part and the frame round it, in print."""
_AIR_MM = 0.35
"""Gap between a label and its part in print, in addition to a millimetre on the plate."""


class FacePicture(NamedTuple):
    """The picture, and the labels that did not fit into it."""

    svg: str
    """An ``<svg>`` element in which every text is escaped."""
    keys: tuple[tuple[str, str], ...]
    """Number and label of each part whose label had no room, so that its number is drawn."""


def face(panel: Panel, verdicts: Mapping[str, str], said: Mapping[str, Sequence[tuple[int, str]]]) -> FacePicture:
    """Return the picture. `said` gives for each part the findings that name it, as number and words.

    No mark or label covers a part or another label.
    """
    plate = Plate.of(panel)
    width, height = plate.width_mm, plate.height_mm
    scale = min(MOST_SCALE, WIDTH_MM / (1.02 * width), HEIGHT_MM / (1.02 * height))
    unit = 1 / scale
    """Millimetres on the plate for each millimetre in print."""
    rim = 0.01 * min(width, height)
    rings = {part.name: _ring(plate, part, unit) for part in panel.parts if said.get(part.name)}
    marks = _marks(plate, unit, rings.values())
    fronts = {part.name: _wider(rings.get(part.name) or plate.front(part), _AIR_MM * unit) for part in panel.parts}
    numbers: dict[str, list[int]] = {}
    for part in panel.parts:  # a finding on a lamp in a control is written at the control's label
        numbers.setdefault(inside_of(part) or part.name, []).extend(number for number, _ in said.get(part.name, ()))
    suffixes = {name: f" ({', '.join(map(str, here))})" for name, here in numbers.items() if here}
    labels = {part.name: engraved(part) + suffixes[part.name] for part in panel.parts if part.name in suffixes}
    keys = {part.name: f"{n}{suffixes.get(part.name, '')}" for n, part in enumerate(panel.parts, 1)}
    plate.put_labels(marks.values(), [unit * POINT_MM * size for size in SIZES_PT], labels, fronts, keys)
    across, down = width + 2 * rim, height + 2 * rim
    out = [
        f'<svg class="face" width="{across * scale:.2f}mm" height="{down * scale:.2f}mm" '
        f'viewBox="{-rim:.2f} {-rim:.2f} {across:.2f} {down:.2f}" role="img" '
        f'aria-label="{escape(panel.title or "panel", quote=True)}">',
        f'<rect class="plate" x="0" y="0" width="{width:.1f}" height="{height:.1f}" rx="{1.5 * unit:.1f}" '
        f'stroke-width="{0.3 * unit:.2f}"/>',
    ]
    for part in panel.parts:
        verdict = verdicts.get(part.name, "not asked")
        found = said.get(part.name, ())
        out.append(f'<g class="part {verdict.replace(" ", "-")}">')
        title = "\n".join([f"{part.label}: {MARKS[verdict][1]}", *(f"{number}: {text}" for number, text in found)])
        out.append(f"<title>{escape(title)}</title>")
        out += [element(shape, shape.layer) for shape in part_shapes(plate, part)]
        if part.name in plate.labels:
            texts = plate.labels[part.name].texts()
            out += [element(text, "label") for text in texts]
        if found:
            out.append(_drawn_ring(rings[part.name], unit, "possibly" in verdict))
        out += _drawn_mark(marks[part.name], verdict)
        out.append("</g>")
    out.append("</svg>")
    named = {part.name: engraved(part) for part in panel.parts}
    return FacePicture("\n".join(out), tuple((keys[name].partition(" ")[0], named[name]) for name in plate.keys))


def key_mark(verdict: str) -> str:
    """Return the mark of a verdict as an ``<svg>`` of its own, for the key below the picture."""
    shapes = "".join(_drawn_mark((-1, -1, 1, 1), verdict))
    return f'<svg class="key-mark part {verdict.replace(" ", "-")}" viewBox="-1.1 -1.1 2.2 2.2">{shapes}</svg>'


def _marks(plate: Plate, unit: float, rings: Iterable[Bounds]) -> dict[str, Bounds]:
    """Return the place of each part's mark: at a corner of the part, on the plate, clear of other parts and marks."""
    fronts = [(part, plate.front(part)) for part in plate.panel.parts]
    radius, away = _MARK_MM * unit, _GAP_MM * unit
    found: dict[str, Bounds] = {}
    inside: dict[str, int] = {}
    for part, front in fronts:
        home = plate.panel.part(inside_of(part))
        if home is not None:
            # The mark of a lamp in a control is below the control's own mark.
            inside[home.name] = number = inside.get(home.name, 0) + 1
            left, top, right, bottom = found.get(home.name, front)
            lower = 2.3 * radius * number
            found[part.name] = left, top + lower, right, bottom + lower
            continue
        others = [box for other, box in fronts if other is not part and not belong(part, other)]
        below = 2.3 * radius * sum(lamp.inside == part.name for lamp in plate.panel.lamps)
        ways = [_at_corner(front, corner, radius, away, plate) for corner in ((1, 0), (0, 0), (1, 1), (0, 1))]
        blocks = [*others, *found.values()]
        free = (box for box in ways if all(apart((*box[:3], box[3] + below), block) for block in blocks))
        found[part.name] = next(free, ways[0])
    return found


def _at_corner(front: Bounds, corner: tuple[int, int], radius: float, away: float, plate: Plate) -> Bounds:
    """Return the square of a mark at a corner of a part ((0, 0) is the upper left), moved onto the plate."""
    x = front[2] + away if corner[0] else front[0] - away
    y = front[3] + away if corner[1] else front[1] - away
    x = min(max(x, radius), plate.width_mm - radius)
    y = min(max(y, radius), plate.height_mm - radius)
    return x - radius, y - radius, x + radius, y + radius


def _ring(plate: Plate, part: Part, unit: float) -> Bounds:
    """Return the frame round a part with a finding, which can be seen from across the room."""
    return _wider(plate.front(part), _GAP_MM * unit)


def _wider(box: Bounds, by: float) -> Bounds:
    return box[0] - by, box[1] - by, box[2] + by, box[3] + by


def _drawn_ring(ring: Bounds, unit: float, possibly: bool) -> str:
    left, top, right, bottom = ring
    box = f'x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}"'
    dash = f' stroke-dasharray="{1.2 * unit:.2f} {0.8 * unit:.2f}"' if possibly else ""
    return f'<rect class="fault" {box} rx="{unit:.2f}" stroke-width="{0.5 * unit:.2f}"{dash}/>'


def _drawn_mark(at: Bounds, verdict: str) -> list[str]:
    """Return a mark, which has a shape as well as a colour for each verdict, and is hollow if nothing was tested."""
    x, y, radius = (at[0] + at[2]) / 2, (at[1] + at[3]) / 2, (at[2] - at[0]) / 2
    thin, thick = f'stroke-width="{0.12 * radius:.3f}"', f'stroke-width="{0.26 * radius:.3f}"'

    def way(*points: tuple[float, float]) -> str:
        return " ".join(f"{x + radius * right:.3f},{y + radius * down:.3f}" for right, down in points)

    def sign(*points: tuple[float, float]) -> str:
        return f'<polyline class="sign" points="{way(*points)}" {thick}/>'

    if verdict == "passed":
        disc = f'<circle class="mark" cx="{x:.3f}" cy="{y:.3f}" r="{0.94 * radius:.3f}" {thin}/>'
        return [disc, sign((-0.45, 0.05), (-0.12, 0.4), (0.48, -0.38))]
    if verdict == "faulty":
        corners = way((-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85))
        box = f'<polygon class="mark" points="{corners}" {thin}/>'
        return [box, sign((-0.45, -0.45), (0.45, 0.45)), sign((0.45, -0.45), (-0.45, 0.45))]
    if verdict == "possibly faulty":
        point = f'<polygon class="mark" points="{way((0, -1), (1, 0), (0, 1), (-1, 0))}" {thin}/>'
        size = f'font-size="{1.3 * radius:.3f}"'
        return [point, f'<text class="sign" x="{x:.3f}" y="{y + 0.45 * radius:.3f}" {size}>?</text>']
    disc = f'<circle class="mark hollow" cx="{x:.3f}" cy="{y:.3f}" r="{0.85 * radius:.3f}" {thick}/>'
    return [disc, sign((-0.4, 0), (0.4, 0))]

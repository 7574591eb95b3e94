"""How much of the panel a part covers, and which parts share their place."""

from __future__ import annotations

from benchcon.panel.model import Control, Display, Lamp, Part, Place

_KNOB_MM = {"button": (14.0, 14.0), "switch": (12.0, 20.0), "encoder": (20.0, 20.0), "pot": (20.0, 20.0)}
_ROTARY_MM = (25.0, 25.0)
_LAMP_MM = (8.0, 8.0)


def footprint_mm(part: Part) -> tuple[float, float]:
    """Return width and height of `part` in mm: the file's, or the usual ones (common practice, no source)."""
    if part.width_mm and part.height_mm:
        return part.width_mm, part.height_mm
    if isinstance(part, Control):
        return _ROTARY_MM if len(part.positions) > 3 else _KNOB_MM[part.kind]
    if isinstance(part, Display):
        return 0.85 * part.digit_mm * part.digits, 1.3 * part.digit_mm
    return _LAMP_MM


def belong(one: Part, other: Part) -> bool:
    """Return whether two parts share a place: a lamp and the control it is in, or lamps in one control or housing."""
    control, another = inside_of(one), inside_of(other)
    return other.name == control or one.name == another or (control != "" and control == another)


def inside_of(part: Part) -> str:
    """Return the name of the control that a lamp is in, or of the first lamp of its housing; empty for other parts."""
    return part.inside if isinstance(part, Lamp) else ""


def engraved(part: Part) -> str:
    """Return the text that is engraved beside `part`."""
    return (part.engraved if isinstance(part, Lamp) else "") or part.label


def overlap_mm(one: Part, other: Part) -> float:
    """Return by how many mm two parts overlap, in the direction in which they overlap less.

    0 if they do not overlap, if they share a place (`belong`), or if one has no place.
    """
    if belong(one, other):
        return 0.0
    if one.place is None or other.place is None:
        return 0.0
    (w1, h1), (w2, h2) = footprint_mm(one), footprint_mm(other)
    across = (w1 + w2) / 2 - abs(one.place.x_mm - other.place.x_mm)
    down = (h1 + h2) / 2 - abs(one.place.y_mm - other.place.y_mm)
    return max(0.0, min(across, down))


def edges_mm(part: Part, place: Place) -> tuple[float, float, float, float]:
    """Return left, top, right and bottom of `part` in mm with its centre at `place`."""
    width, height = footprint_mm(part)
    return place.x_mm - width / 2, place.y_mm - height / 2, place.x_mm + width / 2, place.y_mm + height / 2

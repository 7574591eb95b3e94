"""What each kind of part usually needs: a hole, room on the front, room behind.

Nothing here is a standard. `SOURCES` says of each where it is from; whoever has the part in hand measures it, and says
``hole``, ``size`` and ``body`` in the panel file.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from benchcon.panel.model import Control, Lamp, Part
from benchcon.panel.places import footprint_mm


class Hole(NamedTuple):
    """What is taken out of the plate. A round hole has its diameter as `width_mm`, and 0 as `height_mm`."""

    width_mm: float
    height_mm: float = 0.0

    @property
    def round(self) -> bool:
        """Whether it is drilled, not cut out."""
        return self.height_mm == 0

    @property
    def half_mm(self) -> tuple[float, float]:
        """Half of its width and height."""
        return self.width_mm / 2, (self.height_mm or self.width_mm) / 2

    def __str__(self) -> str:
        if self.round:
            return f"Ø {plain(self.width_mm)}"
        return f"{plain(self.width_mm)} × {plain(self.height_mm)}"


class BehindPlate(NamedTuple):
    """What stands behind the plate: a body, and the nut that holds it (0: none). In mm."""

    width_mm: float
    height_mm: float
    nut_mm: float
    """Across the corners."""
    depth_mm: float


PRACTICE = "common practice, no source"
_HOLES = {
    # kind: hole, body behind, nut across the corners, depth
    "button": (12.2, BehindPlate(12.0, 12.0, 16.0, 20.0)),
    "switch": (6.5, BehindPlate(8.0, 13.0, 9.2, 18.0)),
    "rotary": (9.7, BehindPlate(26.0, 26.0, 14.0, 25.0)),
    "encoder": (7.2, BehindPlate(12.5, 13.5, 11.5, 12.0)),
    "pot": (7.2, BehindPlate(17.0, 19.0, 11.5, 12.0)),
    "lamp": (6.5, BehindPlate(8.0, 8.0, 0.0, 12.0)),
}
SOURCES = {
    "button": "M12 push button",
    "switch": "miniature toggle switch, bushing 1/4 in",
    "rotary": "rotary switch, bushing 3/8 in",
    "encoder": "bushing M7",
    "pot": "bushing M7",
    "lamp": "5 mm LED in a clip",
    "display": "the display's own outline: it sits flush in the cut-out",
    "said": "the panel file",
}
DISPLAY_DEPTH_MM = 12.0


def sort_of(part: Part) -> str:
    """Return the key of `SOURCES` for `part`: ``button``, ``switch``, ``rotary``, …, ``display``."""
    if isinstance(part, Control):
        return "rotary" if part.kind == "switch" and len(part.positions) > 3 else part.kind
    return "lamp" if isinstance(part, Lamp) else "display"


def hole_of(part: Part) -> Hole:
    """Return the hole of `part`: as the panel file says, or as such parts usually have."""
    if part.hole_mm[0]:
        return Hole(*part.hole_mm)
    sort = sort_of(part)
    return Hole(*footprint_mm(part)) if sort == "display" else Hole(_HOLES[sort][0])


def sources_of(parts: Iterable[Part]) -> str:
    """Say where the sizes of their holes are from."""
    sorts = dict.fromkeys("said" if part.hole_mm[0] else sort_of(part) for part in parts)
    practice = f" ({PRACTICE})" if any(sort in _HOLES for sort in sorts) else ""
    return "; ".join(dict.fromkeys(SOURCES[sort] for sort in sorts)) + practice


def behind(part: Part) -> BehindPlate:
    """Return what of `part` stands behind the plate: as the panel file says, or as such parts usually have."""
    sort = sort_of(part)
    if sort == "display":
        usual = BehindPlate(*footprint_mm(part), 0.0, DISPLAY_DEPTH_MM)
    else:
        hole, usual = _HOLES[sort]
        if part.hole_mm[0] > hole:
            # A larger part of the same kind: body and nut grow with its hole.
            grown = part.hole_mm[0] / hole
            usual = BehindPlate(usual.width_mm * grown, usual.height_mm * grown, usual.nut_mm * grown, usual.depth_mm)
    width, height = part.body_mm if part.body_mm[0] else (usual.width_mm, usual.height_mm)
    return BehindPlate(width, height, usual.nut_mm, part.depth_mm or usual.depth_mm)


def plain(number: float, places: int = 2) -> str:
    """Return a length in mm as on a drawing: ``60``, ``12.2``, ``6.35``."""
    return f"{number:.{places}f}".rstrip("0").rstrip(".")

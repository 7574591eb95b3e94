"""Usual sizes of each kind of part: its hole, and its body and nut behind the plate.

Nothing here is a standard; `SOURCES` names the source of each. Builders measure the parts they have, and give ``hole``,
``size`` and ``body`` in the panel file.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from benchcon.panel.model import Control, Lamp, Part
from benchcon.panel.places import footprint_mm


class Hole(NamedTuple):
    """A hole in the plate. A round one has its diameter as `width_mm`, and 0 as `height_mm`."""

    width_mm: float
    height_mm: float = 0.0

    @property
    def round(self) -> bool:
        """Whether it is drilled; otherwise it is a cut-out."""
        return self.height_mm == 0

    @property
    def half_mm(self) -> tuple[float, float]:
        """Half its width and half its height."""
        return self.width_mm / 2, (self.height_mm or self.width_mm) / 2

    def __str__(self) -> str:
        if self.round:
            return f"Ø {plain(self.width_mm)}"
        return f"{plain(self.width_mm)} × {plain(self.height_mm)}"


class BehindPlate(NamedTuple):
    """What a part has behind the plate: a body, and the nut that holds it (0: none), in mm."""

    width_mm: float
    height_mm: float
    nut_mm: float
    """Diameter of the nut across the corners."""
    depth_mm: float


PRACTICE = "common practice, no source"
_HOLES = {
    # For each kind: hole, body, nut across the corners, depth (mm).
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
    """Return the hole of `part`: the panel file's, or the usual one for its kind."""
    if part.hole_mm[0]:
        return Hole(*part.hole_mm)
    sort = sort_of(part)
    return Hole(*footprint_mm(part)) if sort == "display" else Hole(_HOLES[sort][0])


def sources_of(parts: Iterable[Part]) -> str:
    """Return the sources of the sizes of the parts' holes, in words."""
    sorts = dict.fromkeys("said" if part.hole_mm[0] else sort_of(part) for part in parts)
    practice = f" ({PRACTICE})" if any(sort in _HOLES for sort in sorts) else ""
    return "; ".join(dict.fromkeys(SOURCES[sort] for sort in sorts)) + practice


def behind(part: Part) -> BehindPlate:
    """Return body and nut of `part` behind the plate: the panel file's, or the usual ones for its kind."""
    sort = sort_of(part)
    if sort == "display":
        usual = BehindPlate(*footprint_mm(part), 0.0, DISPLAY_DEPTH_MM)
    else:
        hole, usual = _HOLES[sort]
        if part.hole_mm[0] > hole:
            # A larger part of the same kind is assumed to have body and nut in proportion to its hole.
            grown = part.hole_mm[0] / hole
            usual = BehindPlate(usual.width_mm * grown, usual.height_mm * grown, usual.nut_mm * grown, usual.depth_mm)
    width, height = part.body_mm if part.body_mm[0] else (usual.width_mm, usual.height_mm)
    return BehindPlate(width, height, usual.nut_mm, part.depth_mm or usual.depth_mm)


def plain(number: float, places: int = 2) -> str:
    """Return a length in mm as drawings write it, without trailing zeros: ``60``, ``12.2``, ``6.35``."""
    return f"{number:.{places}f}".rstrip("0").rstrip(".")

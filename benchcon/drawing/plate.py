"""A panel laid out at true scale: a place for every part, and for every label a place where it covers nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from benchcon.drawing.letters import shortened, width_mm, wrapped
from benchcon.drawing.shapes import Bounds, Text, apart, together
from benchcon.drawing.sizes import hole_of, sort_of
from benchcon.panel.model import Panel, Part, Place
from benchcon.panel.places import engraved, footprint_mm, inside_of

PITCH_MM = 40.0
"""Pitch of the rows, below the rest, of parts that the file gives no place."""
TICKS_MM = 3.5
"""How far the ticks at a rotary switch's positions reach beyond its knob."""
CROSS_MM = 1.5
"""How far the cross at a hole's centre reaches beyond the hole."""
GAP_MM = 1.0
"""Gap between a label and whatever is beside it."""
LEADING = 1.15
"""Distance between the lines of a label, in type sizes."""
SIZES_MM = (3.6, 3.2, 2.8, 2.4, 2.1, 1.8)
"""Type sizes for labels; the largest at which all labels fit is used."""


@dataclass(frozen=True, slots=True)
class Label:
    """A part's label: its lines, and where they are."""

    lines: tuple[str, ...]
    x: float
    y: float
    """Base line of the first line, mm."""
    size: float
    anchor: str = "middle"

    def texts(self, layer: str = "labels") -> list[Text]:
        """Return its lines as shapes."""
        step = LEADING * self.size
        return [
            Text(layer, self.x, self.y + number * step, line, self.size, self.anchor)
            for number, line in enumerate(self.lines)
        ]

    def bounds(self) -> Bounds:
        """Return the rectangle that it covers."""
        found = [text.bounds() for text in self.texts()]
        left, top, right, bottom = zip(*found, strict=True)
        return min(left), min(top), max(right), max(bottom)


@dataclass(slots=True)
class Plate:
    """A panel with a place for every part and, after `put_labels`, for the labels."""

    panel: Panel
    width_mm: float
    height_mm: float
    places: dict[str, Place]
    """Place of each part that is on it, by the part's name."""
    unplaced: frozenset[str]
    """Names of the parts that the file gives no place: they are in rows below the rest, or left out."""
    labels: dict[str, Label] = field(default_factory=dict)
    """Label of each part that has one, by the part's name; empty before `put_labels`."""
    keys: dict[str, str] = field(default_factory=dict)
    """Number of each part whose label had no room, by the part's name; empty before `put_labels`.

    The number is drawn in place of the label, if there is room for it.
    """

    @staticmethod
    def of(panel: Panel, *, loose_too: bool = True) -> Plate:
        """Return `panel` laid out, with all its parts or, without `loose_too`, only those that have a place.

        For cutting and engraving only the latter count: rows for the others would make the plate too tall.
        """
        placed = {part.name: part.place for part in panel.parts if part.place is not None}
        reach = [(place, footprint_mm(part)) for part in panel.parts if (place := part.place) is not None]
        loose = [part for part in panel.parts if part.place is None and not inside_of(part)] if loose_too else []
        rim = 8.0
        width = panel.width_mm or max([place.x_mm + size[0] / 2 + rim for place, size in reach], default=0.0)
        height = panel.height_mm or max([place.y_mm + size[1] / 2 + rim for place, size in reach], default=0.0)
        if loose:
            width = max(width, PITCH_MM * (min(8, len(loose)) if not placed else 1))
        across = max(1, int(width // PITCH_MM))
        for number, part in enumerate(loose):
            column, row = number % across, number // across
            placed[part.name] = Place((column + 0.5) * PITCH_MM, height + (row + 0.5) * PITCH_MM)
        rows = -(-len(loose) // across)
        for part in panel.parts:
            if inside_of(part) in placed:
                placed[part.name] = placed[inside_of(part)]
        unplaced = frozenset(part.name for part in panel.parts if part.place is None)
        return Plate(panel, width, height + rows * PITCH_MM, placed, unplaced)

    def front(self, part: Part) -> Bounds:
        """Return what `part` takes of the front: itself, a rotary switch's ticks, its hole and the hole's cross.

        Labels keep off it, because an engraving there would be covered or drilled away.
        """
        place = self.places[part.name]
        width, height = footprint_mm(part)
        hole_across, hole_down = hole_of(part).half_mm
        more = TICKS_MM if sort_of(part) == "rotary" else 0.0
        across = max(width / 2 + more, hole_across + CROSS_MM)
        down = max(height / 2 + more, hole_down + CROSS_MM)
        return place.x_mm - across, place.y_mm - down, place.x_mm + across, place.y_mm + down

    def put_labels(
        self,
        taken: Iterable[Bounds] = (),
        sizes: Sequence[float] = SIZES_MM,
        instead: Mapping[str, str] = MappingProxyType({}),
        fronts: Mapping[str, Bounds] = MappingProxyType({}),
        numbers: Mapping[str, str] = MappingProxyType({}),
    ) -> Plate:
        """Place each label on no part, no other label and nothing in `taken`; return this plate.

        `instead` gives texts that replace labels, by the part's name; `fronts` what a part takes of the front where
        that is more than `front` says, such as a frame round it.

        The type size is the largest of `sizes` (mm) in which all labels find a place. Labels that do not fit even in
        the smallest are shortened, and left out if there is no room at all. With `numbers` (by the part's name) nothing
        is shortened: a part whose label has no place gets its number instead, and is in `keys`.
        """
        parts = [part for part in self.panel.parts if part.name in self.places]
        words = {
            part.name: instead.get(part.name) or engraved(part)
            for part in parts
            if not inside_of(part)  # a lamp in a control shares the control's label
        }
        covered = {part.name: fronts.get(part.name) or self.front(part) for part in parts}
        for part in parts:
            home = inside_of(part)
            if home:  # a control's label keeps off the frames round the lamps in it as well
                covered[home] = together(covered[home], covered[part.name])
        crowd = Crowd((self.width_mm, self.height_mm), covered, list(taken), _sides(self.panel.labels))
        crowd.own_sides |= {part.name: _sides(part.label_at) for part in parts if part.label_at}
        wraps = {
            name: [lines for count in (1, 2, 3) if (lines := wrapped(text, count)) is not None]
            for name, text in words.items()
        }
        if numbers:
            self.labels, keyed = crowd.with_numbers(wraps, sizes, numbers)
            self.keys = {name: numbers[name] for name in words if name in keyed}
        else:
            self.labels = crowd.largest(wraps, sizes)
        return self


def _sides(first: str) -> tuple[str, ...]:
    """Return all sides, `first` in front, then the opposite one. Above a part no hand covers the label."""
    return {
        "above": ("above", "below", "right", "left"),
        "below": ("below", "above", "right", "left"),
        "left": ("left", "right", "above", "below"),
        "right": ("right", "left", "above", "below"),
    }[first]


Wraps = Mapping[str, Sequence[tuple[str, ...]]]
"""For each part, by name, the ways to break its text into lines, the best first."""


@dataclass(slots=True)
class Crowd:
    """Everything that labels must keep off, and the sides on which they may be put."""

    plate: tuple[float, float]
    fronts: Mapping[str, Bounds]
    taken: list[Bounds]
    sides: tuple[str, ...] = ("above", "below", "right", "left")
    """Sides on which a label may be, the best first."""
    own_sides: dict[str, tuple[str, ...]] = field(default_factory=dict)
    """The same for parts that have sides of their own, by name."""

    def largest(self, wraps: Wraps, sizes: Sequence[float]) -> dict[str, Label]:
        """Return labels in the largest of `sizes` in which all find a place; else in the smallest those that do."""
        for size in sizes:
            labels = self._placed(wraps, size, shorten=False)
            if len(labels) == len(wraps):
                return labels
        return self._placed(wraps, sizes[-1], shorten=True)

    def with_numbers(
        self, wraps: Wraps, sizes: Sequence[float], numbers: Mapping[str, str]
    ) -> tuple[dict[str, Label], set[str]]:
        """Return labels in the largest of `sizes` in which all find a place, and the names of those set as numbers.

        If even in the smallest some find none, they are replaced by their `numbers`; if many find none, all are.
        """
        for size in sizes:
            labels = self._placed(wraps, size, shorten=False)
            if len(labels) == len(wraps):
                return labels, set()
        keyed: set[str] = set()
        while True:
            now = {name: [(numbers[name],)] if name in keyed else ways for name, ways in wraps.items()}
            labels = self._placed(now, sizes[-1], shorten=False, all_there_is=True)
            failed = {name for name in wraps if name not in labels} - keyed
            if not failed:
                return labels, keyed
            # If many have no room, the few labels that do would only crowd out their neighbours' numbers.
            keyed = keyed | failed if len(keyed | failed) <= len(wraps) / 5 else set(wraps)

    def _placed(self, wraps: Wraps, size: float, *, shorten: bool, all_there_is: bool = False) -> dict[str, Label]:
        """Return labels set in `size`. Unless `shorten` or `all_there_is`, it stops at the first without a place."""
        found: dict[str, Label] = {}
        blocks = [*self.fronts.values(), *self.taken]
        # The widest labels choose first: they have the least room.
        for name in sorted(wraps, key=lambda name: -max(width_mm(line, 1.0) for line in wraps[name][0])):
            sides = self.own_sides.get(name, self.sides)
            ways = self._ways(wraps[name], self.fronts[name], size, sides, shorten)
            label = next((way for way in ways if self._free(way.bounds(), blocks)), None)
            if label is not None:
                found[name] = label
                blocks.append(label.bounds())
            elif not (shorten or all_there_is):
                break
        return {name: found[name] for name in wraps if name in found}

    def _free(self, box: Bounds, blocks: list[Bounds]) -> bool:
        if box[0] < GAP_MM or box[1] < GAP_MM or box[2] > self.plate[0] - GAP_MM or box[3] > self.plate[1] - GAP_MM:
            return False
        return all(apart(box, block, GAP_MM - 1e-6) for block in blocks)

    def _ways(
        self, wraps: Sequence[tuple[str, ...]], front: Bounds, size: float, sides: tuple[str, ...], shorten: bool
    ) -> Iterable[Label]:
        """Yield ways to set a text beside a part, the best first: on the wanted side, in one line.

        A stack of three words is harder to read than one line on the opposite side, which therefore comes before it.
        """
        for heights in ((1, 2), (3,)):
            for some in (sides[:1], sides[1:2], sides[2:]):
                for lines in wraps:
                    if len(lines) in heights:
                        yield from self._round(front, lines, size, some)
        for room in (20.0, 14.0, 10.0, 7.0) if shorten else ():
            short = tuple(shortened(line, size, room) for line in wraps[0])
            yield from self._round(front, short, size, sides)

    @staticmethod
    def _round(front: Bounds, lines: tuple[str, ...], size: float, sides: Sequence[str]) -> Iterable[Label]:
        left, top, right, bottom = front
        middle_x, middle_y = (left + right) / 2, (top + bottom) / 2
        up, down = 0.74 * size, 0.21 * size
        tall = up + down + (len(lines) - 1) * LEADING * size
        for side in sides:
            if side == "above":
                yield Label(lines, middle_x, top - GAP_MM - tall + up, size)
            elif side == "below":
                yield Label(lines, middle_x, bottom + GAP_MM + up, size)
            else:
                x, anchor = (right + GAP_MM, "start") if side == "right" else (left - GAP_MM, "end")
                yield Label(lines, x, middle_y - tall / 2 + up, size, anchor)
